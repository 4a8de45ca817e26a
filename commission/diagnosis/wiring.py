"""Rules about electronics: equipment and wiring."""

from __future__ import annotations

import math
from collections.abc import Iterator

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FindingDetails, Found, Rule, caution
from commission.dsp.across import AGREE
from commission.model.units import listed
from commission.steps.seats.faults import (
    SILENT_SNR_DB,
    DeadDriver,
    Reversed,
    dead_drivers,
    reversed_channels,
    silent_channels,
)
from commission.steps.seats.result import SILENT_DB


def _silent(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for channel, snr_db in silent_channels(e.seats).items():
        against = e.seats.against[channel]
        yield FindingDetails(
            title=f"{channel} silent",
            channels=(channel,),
            evidence=(
                f"{-against.level_db:.0f} dB below {against.partner}, threshold {-SILENT_DB:.0f} dB",
                f"signal to noise {snr_db:.0f} dB, silent below {SILENT_SNR_DB:.0f} dB",
            ),
            alternatives=(
                "the channel was muted or its output not assigned in the processor",
                "the recording was made without playing",
            ),
            confirm=f"Play soft noise on {channel} alone and listen close by.",
            remedy=f"Follow the signal: output assigned, cable, amplifier, terminals. {caution(e, channel)}",
        )


def _swapped(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    done: set[str] = set()
    swapped = e.distances.swapped
    for channel in swapped:
        circle = [channel]
        while (following := swapped.get(circle[-1], (channel, 0.0))[0]) not in circle:
            circle.append(following)
        if done & set(circle):
            continue
        done |= set(circle)
        z = min(swapped[each][1] for each in circle if each in swapped)
        fits = ", ".join(f"{each} from the place of {swapped[each][0]}" for each in circle if each in swapped)
        what = "swapped" if len(circle) == 2 else "connected to each other's outputs"
        yield FindingDetails(
            title=f"{listed(circle)} {what}",
            channels=tuple(circle),
            confidence=round(min(0.99, math.erf(z / math.sqrt(2))), 2),
            evidence=(f"by its arrivals each sounds from another one's place: {fits}; z = {z:.0f}, threshold 4",),
            alternatives=(
                "the positions were entered the wrong way round",
                "the files were named wrongly",
                "the processor holds the delays of the one for the other, where only one row was measured",
            ),
            confirm=f"Play soft noise on {channel} alone and listen which loudspeaker sounds.",
            remedy=f"Put the cables right at the processor or amplifier. {caution(e, *circle)}",
        )


def _inverted(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    if not e.seats.inverted:
        return
    told = {c: sign for c, (sign, _, _) in e.seats.polarity.items() if sign is not None}
    negative = [c for c, sign in told.items() if sign < 0]
    yield FindingDetails(
        title="the measurement itself is inverted",
        evidence=(
            f"{len(negative)} of {len(told)} channels read reversed: one cause for all is likelier than as many",
        ),
        alternatives=("every loudspeaker is connected the wrong way round",),
        confirm="Clap once near the microphone: the recording's first swing must go up.",
        remedy="Correct the microphone's cable or the input's polarity switch, then measure one channel again.",
    )


def _reversed_as(e: Evidence, setting: bool) -> Iterator[tuple[str, Reversed, str]]:
    for channel, found in reversed_channels(e.job, e.round, e.seats).items():
        if found.by_setting is setting:
            yield channel, found, e.job.setting(e.round, channel).polarity or "not noted"


def _reversed(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for channel, found, held in _reversed_as(e, setting=False):
        yield FindingDetails(
            title=f"{channel} reversed",
            channels=(channel,),
            evidence=(
                f"reversed at {found.seats} of {found.of} seats, threshold {AGREE:.0%}",
                f"the processor holds polarity {held}",
            ),
            alternatives=(
                "the loudspeaker is built that way (some are: compare an equal one)",
                "a cable or amplifier input upstream is reversed",
            ),
            confirm=f"Exchange the two wires of {channel} at one end and measure it again at one seat.",
            remedy=f"Connect + to + and − to − at both ends. {caution(e, channel)}",
        )


def _set_reversed(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for channel, found, _held in _reversed_as(e, setting=True):
        yield FindingDetails(
            title=f"{channel} set to reversed",
            channels=(channel,),
            evidence=(f"reversed at {found.seats} of {found.of} seats", "the processor holds polarity reversed"),
            alternatives=("the setting makes up for crossed wires which have been mended since",),
            confirm=f"Set {channel} to normal and measure it again at one seat.",
            remedy=f"Set the polarity of {channel} to normal.",
        )


def _gap(e: Evidence, channel: str, dead: DeadDriver) -> str:
    against, limit_db = e.seats.against[channel], e.job.limit("seats.driver").lower
    where = f"{dead.seats} of {len(against.gaps)} seats"
    return f"{-dead.gap_db:.0f} dB below {against.partner} at {where}, threshold {-limit_db:.0f} dB"


def _tweeter(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for channel, dead in dead_drivers(e.job, e.seats, "tweeter").items():
        yield FindingDetails(
            title=f"{channel} no treble",
            channels=(channel,),
            evidence=(f"3 to 10 kHz is {_gap(e, channel, dead)}; the rest of its range is not",),
            alternatives=("a grille, curtain or furniture covers it", "its own crossover or protection has opened"),
            confirm=f"Play a soft sweep on {channel} and listen close by: is the tweeter silent?",
            remedy=f"Check the tweeter's terminals and jumpers, then have it replaced. {caution(e, channel)}",
        )


def _woofer(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for channel, dead in dead_drivers(e.job, e.seats, "woofer").items():
        yield FindingDetails(
            title=f"{channel} no lows",
            channels=(channel,),
            evidence=(f"200 to 500 Hz is {_gap(e, channel, dead)}; its treble is not",),
            alternatives=(
                "a jumper between the terminals for woofer and tweeter is missing",
                "a high-pass is set far too high",
            ),
            confirm=f"Play a soft sweep on {channel} and listen close by: is the woofer silent?",
            remedy=f"Check terminals and jumpers, then have the woofer replaced. {caution(e, channel)}",
        )


RULES = (
    Rule(
        id="wiring.silent",
        check="seats.snr",
        cause="electronics",
        step="seats",
        symptom="silence",
        look=_silent,
        basis="more than 20 dB below its partner and less than 10 dB of signal to noise; common practice",
    ),
    Rule(
        id="wiring.swapped",
        check="distances.place",
        cause="electronics",
        step="distances",
        symptom="sound from the wrong place",
        look=_swapped,
        basis="arrivals fit each other's places, 100 times likelier than any other cause; own simulations",
    ),
    Rule(
        id="measurement.inverted",
        check="seats.polarity",
        cause="electronics",
        step="seats",
        symptom="everything reads reversed",
        look=_inverted,
        basis="four of five channels, of three or more; common practice",
    ),
    Rule(
        id="wiring.polarity",
        check="seats.polarity",
        cause="electronics",
        step="seats",
        symptom="hollow, no centre image",
        look=_reversed,
        basis="reversed against its own minimum phase at 80 % of the seats; own simulations",
    ),
    Rule(
        id="settings.polarity",
        check="seats.polarity",
        cause="settings",
        step="seats",
        symptom="hollow, no centre image",
        look=_set_reversed,
        basis="the same, and the processor holds reversed; own simulations",
    ),
    Rule(
        id="wiring.tweeter",
        check="seats.treble",
        cause="electronics",
        step="seats",
        symptom="dull side",
        look=_tweeter,
        basis="3–10 kHz 10 dB below the partner at the mirrored seat, at 80 % of the seats; own simulations",
    ),
    Rule(
        id="wiring.woofer",
        check="seats.lows",
        cause="electronics",
        step="seats",
        symptom="thin side",
        look=_woofer,
        basis="200–500 Hz 10 dB below the partner at the mirrored seat, at 80 % of the seats; own simulations",
    ),
)
