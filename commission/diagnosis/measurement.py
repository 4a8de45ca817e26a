"""Rules about the measurement itself: recordings to repeat before anything else can be diagnosed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import ARRIVAL_MATCHING, FAULT_MATRIX, FindingDetails, Findings, Rule
from commission.model import Verdict
from commission.model.outcome import Cause
from commission.model.units import counted, listed
from commission.steps import wiring
from commission.steps.shared.screening import Kind, Mistake
from commission.steps.shared.screening.interference import NOISE_ABOVE_DB

PLACES_LISTED = 8
NO_OUTPUT = ("wiring.silent", "wiring.woofer", "wiring.midrange", "wiring.tweeter")
"""Findings that leave a band without sound, while its noise is as usual."""


def _names(mistake: Mistake) -> dict[str, str]:
    """The placeholders for the recordings of a mistake in the texts of its rule."""
    channels, seats, rest = listed(mistake.channels), listed(mistake.seats), len(mistake.evidence) - PLACES_LISTED
    who = f"{len(mistake.channels)} channels" if len(mistake.channels) > 3 else channels or "all channels"
    somebody = f" for {who}" if channels else ""
    return {
        "channel": next(iter(mistake.channels), ""),
        "channels": channels or "all channels",
        "who": who,
        "seat": next(iter(mistake.seats), ""),
        "seats": seats,
        "where": f"{channels} at {seats}" if 0 < len(mistake.channels) <= 3 else seats,
        "unmoved": f"{seats} measured at one place" if mistake.seats[1:] else f"microphone not at {seats}{somebody}",
        "reason": mistake.reason,
        "recordings": counted(len(mistake.evidence), "recording"),
        "responses": counted(len(mistake.evidence), "response"),
        "places": listed(list(mistake.evidence[:PLACES_LISTED])) + (f" and {rest} more" if rest > 0 else ""),
    }


def _from_other_loudspeakers(e: Evidence, mistake: Mistake) -> bool:
    """Whether a channel that also plays from another loudspeaker explains the arrivals of a mistake.

    It does if all channels of the mistake play from it; and if the recordings of all seats show another loudspeaker at
    the same time, they share a clock.
    """
    if not mistake.channels and mistake.kind != "clock":
        return False
    leaks = wiring.leakages(e.job, e.round, e.analyses)
    leaking = {c for c, found in leaks.items() if found.check.verdict is Verdict.FAIL}
    if mistake.channels:
        return leaking.issuperset(mistake.channels)
    return bool(leaking) and {seat for _, seat in e.seats.cells}.issubset(mistake.seats)


def _rule(
    kind: Kind,
    *,
    check: str,
    symptom: str,
    basis: str,
    title: str,
    evidence: tuple[str, ...] = (),
    by_place: bool = False,
    alternatives: tuple[str, ...],
    confirm: str,
    remedy: str,
    own_cause: Cause | None = None,
    place: Literal["channel", "seat"] = "channel",
) -> Rule:
    """The rule that reports every mistake of a kind; names in braces are those of `_names`.

    `evidence` follows that of the mistake; `by_place`: each of its clauses is one place, and `evidence` names the first.
    """

    def look(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
        for mistake in e.screening.of(kind):
            if check.startswith("distances.") and _from_other_loudspeakers(e, mistake):
                continue
            names = _names(mistake)
            yield FindingDetails(
                title=title.format(**names),
                channels=mistake.channels,
                seats=mistake.seats,
                evidence=(*(() if by_place else mistake.evidence), *(text.format(**names) for text in evidence)),
                alternatives=tuple(text.format(**names) for text in alternatives),
                confirm=confirm.format(**names),
                remedy=remedy.format(**names),
            )

    return Rule(
        id=f"measurement.{kind}",
        check=check,
        own_cause=own_cause,
        place=place,
        symptom=symptom,
        look=look,
        basis=basis,
    )


RULES = (
    _rule(
        "reference",
        check="seats.snr",
        symptom="responses that cannot be compared",
        basis="the unit that each file states; common practice",
        title="levels of {responses} with another reference",
        evidence=("{places}", "{reason}"),
        by_place=True,
        alternatives=("the unit in the file's header is wrong",),
        confirm="Look at the header of one of these files.",
        remedy="Export all responses of the round with levels in one unit, and import them again.",
    ),
    _rule(
        "normalised",
        check="seats.level",
        symptom="all responses with the same peak",
        basis="four responses or more whose peaks are within ±0.05 dB; common practice",
        title="levels lost: each file was scaled to its own peak",
        alternatives=("another program raised each file to full level when it stored it",),
        confirm="Compare the peaks of two files in any sound editor.",
        remedy="Export the responses again without normalising, and import them in place of these.",
    ),
    _rule(
        "clipped",
        check="seats.clipped",
        own_cause="electronics",
        symptom="implausible curves",
        basis=f"crests cut off flat: equal samples that end in a sharp corner; {FAULT_MATRIX}",
        title="{recordings} clipped",
        evidence=("{places}", "the crests are cut off flat, with a corner at both ends"),
        by_place=True,
        alternatives=("the loudspeaker or the amplifier itself clips",),
        confirm="Measure one of them again, 10 dB softer.",
        remedy="Turn the microphone's gain down and measure these again.",
    ),
    _rule(
        "not-played",
        check="seats.snr",
        symptom="silence at one seat",
        basis="20 dB below its level at the other seats and less than 10 dB of signal to noise; common practice",
        title="nothing recorded of {channel} at {seat}",
        alternatives=(
            "{channel} dropped out then: a loose contact, or an amplifier that switched itself off",
            "the recording was started without playing",
        ),
        confirm="Play {channel} several times: does it sound every time?",
        remedy="Measure {channel} at {seat} again.",
    ),
    _rule(
        "seats-exchanged",
        check="distances.place",
        place="seat",
        symptom="many channels from the wrong place at two seats",
        basis=f"arrivals fit each other's places, 100 times likelier than all other causes; {ARRIVAL_MATCHING}",
        title="recordings of {seats} exchanged",
        evidence=("no exchange of loudspeakers explains them as well",),
        alternatives=("the positions of these seats were entered the wrong way round",),
        confirm="Measure one channel at {seat} again and compare.",
        remedy="Withdraw the recordings of {seats} and import them under the right names, or measure there again.",
    ),
    _rule(
        "microphone-not-moved",
        check="distances.place",
        place="seat",
        symptom="a seat measured at another one",
        basis=f"arrivals fit another place, 100 times likelier than this seat's; {ARRIVAL_MATCHING}",
        title="{unmoved}",
        alternatives=(
            "the files of another seat were named for this one",
            "the position of the seat was entered wrongly",
        ),
        confirm="Measure one of these channels at {seats} again and compare.",
        remedy="Put the microphone at {seats} and measure {who} there again.",
    ),
    _rule(
        "wrong-channel",
        check="distances.place",
        symptom="a channel implausible at one seat",
        basis=f"two arrivals at a seat fit each other's channel 100 times likelier than any other; {ARRIVAL_MATCHING}",
        title="recordings of {channels} exchanged at {seat}",
        evidence=("at the other seats they arrive when they should",),
        alternatives=("reflections were taken for the direct sound of both",),
        confirm="Measure {channel} at {seat} again and compare.",
        remedy="Import both under the right names, or measure {channels} at {seat} again.",
    ),
    _rule(
        "clock",
        check="distances.arrival",
        place="seat",
        symptom="implausible arrivals",
        basis=f"half of the arrivals more than 1 ms, a seat 0.6 ms, a recording 40 ms off; {ARRIVAL_MATCHING}",
        title="no common clock: {where}",
        alternatives=(
            "recordings were cut or started by hand, each at another moment",
            "the delays in the processor are not those noted",
            "the microphone was not at its place",
        ),
        confirm="Measure one channel twice without moving anything: both must arrive at the same time.",
        remedy="Import these recordings as without a common clock, or measure again with a loopback.",
    ),
    _rule(
        "same-recording",
        check="seats.level",
        symptom="two recordings read the same",
        basis="levels of two places alike within 0.3 dB over frequency, and their noise within 0.05 dB where a symmetric "
        f"room makes them alike; {FAULT_MATRIX}",
        title="{reason}",
        alternatives=("the file was copied or named wrongly", "the recorder stored the earlier recording again"),
        confirm="Look up when the files were recorded, and listen to both.",
        remedy="Measure {channels} at {seats} again.",
    ),
    _rule(
        "interference",
        check="seats.snr",
        symptom="a band too high in one recording",
        basis="noise 12 dB above that of the other recordings, at less than 12 dB of signal to noise; common practice",
        title="noise in the recording of {channel} at {seat}",
        alternatives=(
            "somebody spoke, walked or shut a door during the sweep",
            "an appliance or the ventilation ran only then",
            "the microphone's cable picked up hum",
        ),
        confirm="Listen to the recording, most of all to its end.",
        remedy="Measure {channel} at {seat} again when it is quiet.",
    ),
    _rule(
        "microphone",
        check="seats.direct",
        place="seat",
        symptom="one seat dull for every channel",
        basis=f"3.5 dB and four standard uncertainties on all main channels alike; {FAULT_MATRIX}",
        title="the microphone read differently at {seat}",
        alternatives=(
            "the microphone was covered, or pointed another way than at the other seats",
            "another microphone or calibration was used there",
            "something stands around {seat} on all sides, such as a high seat back",
        ),
        confirm="Look at the microphone at {seat}, then measure one channel there again.",
        remedy="Measure all channels at {seat} again, the microphone free and pointing as at the other seats.",
    ),
    _rule(
        "gain",
        check="seats.level",
        place="seat",
        symptom="a seat low on every channel",
        basis=f"2 dB and 3.5 standard uncertainties on all main channels and octaves alike; {FAULT_MATRIX}",
        title="gain changed at {seats}",
        evidence=("a room differs from channel to channel; all levels of these seats are corrected by these values",),
        alternatives=("the microphone was turned or covered there", "the master volume was moved"),
        confirm="Measure one channel at {seat} and at its neighbour again, one after the other.",
        remedy="Measure {seats} again with the gain of the other seats.",
    ),
)
"""Rules about spoilt recordings, before all others."""


def _soft_in_usual_noise(e: Evidence) -> set[tuple[str, str]]:
    """Subwoofers' recordings in the noise of the others, softer only there: the room attenuates them, as in a null.

    The end of a short recording holds few independent values of a subwoofer's noise. So noise belongs to one recording only
    from the threshold of `interference` on.
    A subwoofer near the noise at most of its seats plays too softly itself.
    """
    heard = {
        place: (a.level_db - a.snr_db, a.snr_db)
        for place, cell in e.seats.cells.items()
        if cell.channel.is_sub and (a := cell.analysis) is not None
        if a.level_db is not None and a.snr_db is not None
    }
    soft, least_db = set(), e.job.limit("seats.snr").lower
    for (channel, seat), (noise_db, _) in heard.items():
        others_db = [noise for (_, s), (noise, _) in heard.items() if s != seat]
        ratios_db = [ratio for (c, s), (_, ratio) in heard.items() if c == channel and s != seat]
        if ratios_db and np.median(ratios_db) >= least_db and noise_db - np.median(others_db) <= NOISE_ABOVE_DB:
            soft.add((channel, seat))
    return soft


def _noise(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    silent = found.channels(*NO_OUTPUT)
    noisy = {(c, s) for m in e.screening.of("interference") for c in m.channels for s in m.seats}
    nulls, soft = found.seats("room.null", "room.row-null"), _soft_in_usual_noise(e)
    low = {
        place: check.value or 0.0
        for place, cell in e.seats.cells.items()
        for check in cell.checks
        if check.id == "seats.snr" and check.verdict is Verdict.FAIL and place[0] not in silent
        if place not in noisy
        if place not in soft and not (cell.channel.is_sub and place[1] in nulls)  # the room attenuates it there
    }
    if low:
        ids, seats = sorted({c for c, _ in low}), sorted({s for _, s in low})
        yield FindingDetails(
            title=f"{counted(len(low), 'response')} near the noise",
            channels=tuple(ids),
            seats=tuple(seats),
            evidence=(
                f"{listed(ids)} at {listed(seats)}: down to {min(low.values()):.0f} dB of signal to noise, "
                f"limit {e.job.limit('seats.snr').lower:.0f} dB",
                f"median {np.median(list(low.values())):.0f} dB",
            ),
            alternatives=(
                "the channel plays too softly, or was muted: then its other findings do not count",
                "the microphone's gain is low, so that its input hisses",
            ),
            confirm="Switch the ventilation off and measure one of them again.",
            remedy="Measure again when it is quiet, with a longer sweep or 6 dB louder; sweeps are loud, warn everybody.",
        )


LAST = (
    Rule(
        id="measurement.noise",
        own_cause="room",
        check="seats.snr",
        symptom="responses near the noise",
        look=_noise,
        basis=f"less than 30 dB of signal to noise; {FAULT_MATRIX}",
    ),
)
"""Rules about deviations that a silent loudspeaker may explain, after those about wiring."""
