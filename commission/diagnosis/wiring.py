"""Rules about electronics: equipment and wiring."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import ARRIVAL_MATCHING, FAULT_MATRIX, FindingDetails, Findings, Rule, caution, signed
from commission.dsp.likeness import SAME_MEDIAN_DB
from commission.dsp.matching import SWAP_Z, Explanation
from commission.dsp.pair_polarity import LEAST_CORRELATION, SUB_CORRELATION, Relation
from commission.model import Verdict
from commission.model.formatting import number
from commission.model.units import counted, listed
from commission.steps.seats.awaiting import LEVEL_LOST, ONE_LOUDSPEAKER
from commission.steps.seats.drivers import Driver
from commission.steps.seats.faults import dead_drivers, silent_by_meter, silent_channels
from commission.steps.seats.polarity import ChannelPolarity
from commission.steps.shared.arrivals import in_words
from commission.steps.shared.lost_level import LOST_DB, LOST_U_DB, SILENT_READING_DB, lost_levels_db
from commission.steps.shared.screening.recordings import one_loudspeaker
from commission.steps.shared.survey import round_matching, round_survey


def _silent(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    recorded = {
        channel: (
            f"{-silent.level_db:.0f} dB below {silent.compared_with}, threshold {-silent.limit_db:.0f} dB",
            "its files contain no noise, as if nothing was recorded"
            if silent.snr_db is None
            else f"signal to noise {number(silent.snr_db, 0)} dB, silent below {silent.snr_limit_db:.0f} dB"
            if silent.snr_limit_db is not None
            else "no trim error is that large; the remainder may be crosstalk, or its bass from the subwoofers",
        )
        for channel, silent in silent_channels(e.seats).items()
    }
    read = {
        channel: (
            f"the meter reads {-below_db:.0f} dB less than with the other channels, threshold {-SILENT_READING_DB:.0f} dB",
            f"the job holds no recording of {channel}",
        )
        for channel, below_db in silent_by_meter(e.job, e.round, e.seats).items()
    }
    for channel, evidence in (recorded | read).items():
        yield FindingDetails(
            title=f"{channel} silent",
            channels=(channel,),
            evidence=evidence,
            alternatives=(
                "the channel was muted or its output not assigned in the processor",
                "the recording was made without playing" if channel in recorded else "its test noise was not playing",
            ),
            confirm=f"Play soft noise on {channel} alone and listen close by.",
            remedy=f"Follow the signal: output assigned, cable, amplifier, terminals. {caution(e, channel)}",
        )


def _swap_circles(e: Evidence) -> Iterator[tuple[list[str], float, str]]:
    """Channels each of which sounds from the place of the next, their least z, and the text that describes it."""
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
        fits = ", ".join(f"{each} from the position of {swapped[each][0]}" for each in circle if each in swapped)
        yield circle, z, f"by arrivals, each sounds from another one's place: {fits}; z = {z:.0f}, threshold 4"


def _swapped(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    for circle, z, fits in _swap_circles(e):
        if _unknown_seats(e, circle):
            continue
        what = "swapped" if len(circle) == 2 else "connected to each other's outputs"
        yield FindingDetails(
            title=f"{listed(circle)} {what}",
            channels=tuple(circle),
            confidence=round(min(0.99, math.erf(z / math.sqrt(2))), 2),
            evidence=(fits, *_from_one_seat(e, circle), *_perhaps_too(e, circle)),
            alternatives=(
                "the positions were entered the wrong way round",
                "the files were named wrongly",
                "their delays are exchanged in the processor, if only one row was measured",
            ),
            confirm=f"Play soft noise on {circle[0]} alone and listen which loudspeaker sounds.",
            remedy=f"Connect the cables correctly at the processor or amplifier. {caution(e, *circle)}",
        )


def _unknown_seats(e: Evidence, circle: list[str]) -> list[str]:
    """Seats at unknown distances with recordings of these channels, which may be the reference seat's.

    None if two other main channels arrive there on time: those of another seat would not.
    """
    known = e.distances.channels
    others = [c for c in known if c not in circle and known[c].arrival_s is not None and not known[c].channel.is_sub]
    if len(others) >= 2 or any(e.distances.rest_s.get(channel) for channel in circle):
        return []
    recorded = {s for (c, s), cell in e.seats.cells.items() if c in circle and cell.analysis is not None}
    return sorted(recorded - {e.distances.reference})


def perhaps_swapped(e: Evidence) -> dict[str, str]:
    """Main channels possibly swapped with others → the place, one of theirs, that their arrivals also fit.

    Their level or arrival fails, and the fit to their own place is better by less than z = 4.
    """
    taken = {place for place, _ in e.distances.swapped.values()}
    failed = {
        check.channel
        for name in ("levels.match", "distances.arrival")
        for check in e.checks(name)
        if check.verdict is Verdict.FAIL
    }
    return {
        c: each.rival
        for c, each in e.distances.places.items()
        if each.place == c and each.z < SWAP_Z and each.rival in taken and c in failed
    }


def _perhaps_too(e: Evidence, circle: list[str]) -> Iterator[str]:
    for channel, place in perhaps_swapped(e).items():
        if place in circle:
            yield (
                f"whether {channel} is swapped with them is not determined, because its arrivals fit the position of "
                f"{place} nearly as well"
            )


def _from_one_seat(e: Evidence, circle: list[str]) -> tuple[str, ...]:
    """Ambiguity at a single seat: exchanged files arrive there as exchanged loudspeakers do."""
    seats = {seat for channel in circle for seat in e.distances.rest_s.get(channel, {})}
    if len(seats) != 1:
        return ()
    return (f"whether the loudspeakers or only their files are exchanged is not determined from {seats.pop()} alone",)


SWAP_OR_FILES = "wiring.swap-or-files"


def _same_arrivals(rivals: Sequence[Explanation]) -> tuple[Explanation, Explanation, str] | None:
    """(the explanation by cables, the one by files, why the arrivals cannot decide between them); None for other
    alternatives.
    """
    best, *others = rivals
    if len(rivals) == 2 and {each.kind for each in rivals} == {"loudspeakers", "seats"}:
        cables, files = sorted(rivals, key=lambda each: each.kind)
        return cables, files, "the seats mirror each other as the channels do"
    kind, channels = "exchanged-at-seat", set(best.channels)
    at_one = next((each for each in others if each.kind == kind and set(each.channels) == channels), None)
    seats = {each.seats[0] for each in others if each.seats}
    if best.kind != "loudspeakers" or at_one is None or seats != {at_one.seats[0]}:
        return None
    return best, at_one, "every other seat is about equally far from both loudspeakers"


def _swap_or_files(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    """Channels that sound from each other's places, or recordings with exchanged names: both have the same arrivals."""
    for circle, _z, fits in _swap_circles(e):
        if others := _unknown_seats(e, circle):
            own = e.distances.reference or ""
            yield _swapped_or_recordings(
                e,
                circle,
                (own, *others),
                f"the recordings of {own} exchanged with those of {' or '.join(others)}",
                (fits, "the cause is not determined, because the distances to the other seats are unknown"),
            )
    survey, matching = (
        round_survey(e.job, e.round, e.screening.usable),
        round_matching(e.job, e.round, e.screening.usable),
    )
    if isinstance(survey, str) or matching is None or matching.scattered:
        return
    for rivals in matching.undecided:
        if (found := _same_arrivals(rivals)) is None:
            continue
        cables, files, why = found
        channels = [survey.channels[i] for i in sorted(cables.channels)]
        seats = [survey.seats[i] for i in sorted(files.seats)]
        at = listed(seats)
        causes = ", or ".join(in_words(each, survey.channels, survey.seats) for each in rivals)
        what = "the recordings of {} exchanged" if files.kind == "seats" else "their recordings exchanged at {}"
        yield _swapped_or_recordings(
            e,
            channels,
            seats,
            what.format(at),
            (
                f"at {at} each of them arrives when the other one should: z = {cables.z:.0f}, threshold 4",
                f"the cause is not determined, because {why}: {causes}",
            ),
        )


def _swapped_or_recordings(
    e: Evidence, channels: Sequence[str], seats: Sequence[str], recordings: str, evidence: tuple[str, ...]
) -> FindingDetails:
    """The finding that leaves the cause open; `recordings`: what was exchanged if not the cables."""
    return FindingDetails(
        title=f"{listed(channels)} swapped, or {recordings}",
        channels=tuple(channels),
        seats=tuple(seats),
        evidence=evidence,
        alternatives=("the positions were entered the wrong way round",),
        confirm=f"Play soft noise on {channels[0]} alone and listen which loudspeaker sounds.",
        remedy=f"If the other one sounds, connect the cables correctly; otherwise measure both at {listed(seats)} again. "
        f"{caution(e, *channels)}",
    )


def _is_sub(e: Evidence, channel: str) -> bool:
    return (found := e.job.system.channel(channel)) is not None and found.is_sub


def _correlation_text(e: Evidence, channel: str, relation: Relation) -> str:
    threshold = SUB_CORRELATION if _is_sub(e, channel) else LEAST_CORRELATION
    return (
        f"correlation {signed(relation.correlation, 2)} at {relation.agree} of {relation.seats} seats, "
        f"threshold ±{threshold:g}"
    )


def _reversed(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    for channel, polarity in e.seats.polarity.items():
        relation = polarity.relation
        if polarity.state != "reversed" or polarity.by_setting or relation is None:
            continue
        held = e.job.setting(e.round, channel).polarity or "not noted"
        yield FindingDetails(
            title=f"{channel} reversed",
            channels=(channel,),
            confidence=relation.confidence,
            evidence=(
                f"opposite to {listed(polarity.others)}: {_correlation_text(e, channel, relation)}",
                f"polarity in the processor: {held}",
            ),
            alternatives=(
                "another model that has the opposite polarity by design",
                "a cable or amplifier input upstream is reversed",
            ),
            confirm=f"Exchange the two wires of {channel} at one end and measure it again at one seat.",
            remedy=f"Connect + to + and − to − at both ends. {caution(e, channel)}",
        )


def _set_reversed(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    for channel, polarity in e.seats.polarity.items():
        relation = polarity.relation
        if polarity.state != "reversed" or not polarity.by_setting or relation is None:
            continue
        yield FindingDetails(
            title=f"{channel} set to reversed",
            channels=(channel,),
            confidence=relation.confidence,
            evidence=(
                f"opposite to {listed(polarity.others)}: {_correlation_text(e, channel, relation)}",
                "polarity in the processor: reversed",
            ),
            alternatives=("the setting made up for crossed wires that have been connected correctly since",),
            confirm=f"Set {channel} to normal and measure it again at one seat.",
            remedy=f"Set the polarity of {channel} to normal.",
        )


def _one_of_two(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    for channel, other in _pairs_of(e, lambda each: each.state == "one of two"):
        polarity = e.seats.polarity[channel]
        relation = polarity.relation
        if relation is None:
            continue
        on_purpose = "the phase switch of one of them was turned on purpose, to suit the crossover"
        or_driver, whole = (", or one driver of it", ", and whether all of it,") if relation.opposite else ("", "")
        yield FindingDetails(
            title=f"{channel} or {other} reversed{or_driver}",
            channels=(channel, other),
            confidence=relation.confidence,
            evidence=(
                f"{channel} and {other} are opposite: {_correlation_text(e, channel, relation)}",
                f"which of the two{whole} is not determined, because {polarity.why}",
            ),
            alternatives=(
                on_purpose if _is_sub(e, channel) else "the two are different models",
                "a cable or amplifier input upstream is reversed",
            ),
            confirm=f"Look at the terminals of {channel} and {other} at both ends: + to +, − to −.",
            remedy=f"Connect the reversed one correctly and measure both again. {caution(e, channel, other)}",
        )


def _pairs_of(e: Evidence, belongs: Callable[[ChannelPolarity], bool]) -> list[tuple[str, str]]:
    """Pairs of channels that belong there, each once, in the order of the channels."""
    names = list(e.seats.polarity)
    found = [(c, p.others[0]) for c, p in e.seats.polarity.items() if belongs(p)]
    return [(a, b) for a, b in found if names.index(a) < names.index(b)]


def _driver_reversed(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    named = [(c, p.others[0]) for c, p in e.seats.polarity.items() if p.state == "driver"]
    for channel, other in (*named, *_pairs_of(e, lambda each: each.state == "one driver of two")):
        found, is_named = e.seats.polarity[channel], (channel, other) in named
        relation = found.relation
        if relation is None or relation.split_hz is None:
            continue
        split, part = round(relation.split_hz, -2), "above" if relation.above else "below"
        which = []
        if not is_named:
            which.append(f"which of the two is not determined, because {found.why}")
        if relation.odd == 0 or (relation.odd == 1 and not is_named):
            dipped, partner = (channel, other) if relation.odd == 0 else (other, channel)
            dip = f"{dipped} has a dip of {relation.dip_db:.0f} dB against {partner} near {split:.0f} Hz"
            which.append(dip if is_named else f"{dip}: reversed, or as designed")
        if is_named and len(found.others) > 1:
            which.append(f"{listed(found.others)} agree with each other")
        yield FindingDetails(
            title=f"{channel}: one driver reversed" if is_named else f"{channel} or {other}: one driver reversed",
            channels=(channel,) if is_named else (channel, other),
            confidence=relation.confidence,
            evidence=(
                f"{channel} and {other} are opposite {part} {split:.0f} Hz and alike on the other side, at "
                f"{relation.agree} of {relation.seats} seats",
                *which,
            ),
            alternatives=(
                "the two are different models",
                "one of them is mounted upside down or on its side",
                *(("another loudspeaker plays it, too: listen close to the others",) if relation.seats == 1 else ()),
            ),
            confirm=f"Measure {channel} and {other} at 1 m on axis: the reversed one has a dip near {split:.0f} Hz."
            if is_named
            else f"Open {channel} and {other} and compare how their drivers are connected.",
            remedy=f"Open {channel if is_named else 'the reversed one'} and connect its drivers as in "
            f"{other if is_named else 'the other one'}. {caution(e, channel, other)}",
        )


def _driver_or_mounting(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    for channel, other in _pairs_of(e, lambda each: each.is_mounting_open):
        relation = e.seats.polarity[channel].relation
        if relation is None or relation.apart_hz is None:
            continue
        yield FindingDetails(
            title=f"{channel} or {other}: one driver reversed, or mounted upside down",
            channels=(channel, other),
            evidence=(
                f"the polarity of {channel} against {other} changes near {round(relation.apart_hz, -2):.0f} Hz, at "
                f"{counted(relation.seats, 'seat')}",
                "which of the two causes it has is not determined: either explains it",
            ),
            alternatives=(
                "the two are different models",
                *(("another loudspeaker plays it, too: listen close to the others",) if relation.seats == 1 else ()),
            ),
            confirm=f"Look whether {channel} and {other} are mounted the same way up. If they are, open both and compare "
            "how their drivers are connected.",
            remedy=f"Mount both the same way up, or connect the drivers of both alike. {caution(e, channel, other)}",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _DeadDriverWords:
    """Texts of a finding about one kind of driver."""

    missing: str
    rest: str
    alternatives: tuple[str, ...]
    name: str
    remedy: str


_DEAD_DRIVERS: dict[Driver, _DeadDriverWords] = {
    "tweeter": _DeadDriverWords(
        missing="treble",
        rest="the rest of its range is not",
        alternatives=("a grille, curtain or furniture covers it", "its own crossover or protection has opened"),
        name="tweeter",
        remedy="Check the tweeter's terminals and jumpers, then have it replaced.",
    ),
    "midrange": _DeadDriverWords(
        missing="midrange",
        rest="its lows and its treble are not",
        alternatives=("its own crossover has a break", "an equalizer takes this range out of the channel"),
        name="midrange driver",
        remedy="Check the midrange driver's terminals, then have it replaced.",
    ),
    "woofer": _DeadDriverWords(
        missing="lows",
        rest="its treble is not",
        alternatives=(
            "a jumper between the terminals for woofer and tweeter is missing",
            "a high-pass is set far too high",
        ),
        name="woofer",
        remedy="Check terminals and jumpers, then have the woofer replaced.",
    ),
}


def _dead_driver(driver: Driver, e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    words = _DEAD_DRIVERS[driver]
    for channel, dead in dead_drivers(e.job, e.seats, driver).items():
        (low_hz, high_hz), (seats, compared) = dead.band_hz, dead.seats
        yield FindingDetails(
            title=f"no {words.missing} from {channel}",
            channels=(channel,),
            evidence=(
                f"{low_hz:.0f} to {high_hz:.0f} Hz is {-dead.gap_db:.0f} dB below {e.seats.against[channel].partner} at "
                f"{seats} of {compared} seats, threshold {-dead.limit_db:.0f} dB; {words.rest}",
            ),
            alternatives=words.alternatives,
            confirm=f"Play a soft sweep on {channel} and listen close by: is the {words.name} silent?",
            remedy=f"{words.remedy} {caution(e, channel)}",
        )


def _level_lost(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    explained = {c for each in found if each.cause == "electronics" for c in each.channels}
    for channel, change_db in lost_levels_db(e.job, e.round).items():
        if channel in explained:
            continue
        yield FindingDetails(
            title=f"{channel} {-change_db:.0f} dB lower than last time",
            channels=(channel,),
            evidence=(
                f"it reads {-change_db:.1f} ± {2 * LOST_U_DB:.1f} dB less than at the earlier visit, trims and volume "
                f"taken into account, threshold {-LOST_DB:.0f} dB",
            ),
            alternatives=(
                "its trim or a level control on the way was changed and not noted",
                "the meter was held elsewhere, or something stands before the loudspeaker",
            ),
            confirm=f"Play soft noise on {channel} and listen close by: does every driver play?",
            remedy=(
                "Look for a lost driver, terminal or amplifier channel before any trim is changed: a trim would hide it. "
                f"{caution(e, channel)}"
            ),
        )


def _one_loudspeaker(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    """Two channels that sound alike in places that no symmetry makes alike."""
    for (one, other), at in one_loudspeaker(e.job, e.round, e.screening.usable).items():
        median_db = max(each.found.median_db for each in at)
        yield FindingDetails(
            title=f"{one} and {other} play from one loudspeaker, or one recording was stored for both",
            channels=(one, other),
            evidence=(
                f"they read the same at {listed([each.seat for each in at])}, within {median_db:.2f} dB (median over "
                f"frequency, threshold {SAME_MEDIAN_DB:g} dB); two places in a room differ by 0.9 dB or more",
                "which of these it is, and which of the two loudspeakers plays, is not determined",
            ),
            alternatives=("one recording was stored for both",),
            confirm=f"Play soft noise on {one}, then on {other}, and listen close by: which loudspeaker plays?",
            remedy="If each plays from its own, measure both again. Otherwise give each its own output: look in the "
            f"processor first, then at the cables. {caution(e, one, other)}",
        )


RULES = (
    Rule(
        id="wiring.silent",
        check="seats.snr",
        explains=("levels.", "distances.", "seats."),
        symptom="silence",
        look=_silent,
        basis="20 dB below its partner and under 10 dB of signal to noise, or 40 dB and under 20 dB; without a "
        "recording 26 dB below the others by meter; common practice",
    ),
    Rule(
        id="wiring.swapped",
        check="distances.place",
        explains=("levels.match", "distances.arrival", "distances.place", "seats."),
        symptom="sound from the wrong place",
        look=_swapped,
        basis=f"arrivals fit each other's places, 100 times likelier than all other causes; {ARRIVAL_MATCHING}",
    ),
    Rule(
        id=SWAP_OR_FILES,
        check="distances.place",
        explains=("levels.match", "distances.arrival", "distances.place"),
        symptom="sound from the wrong place, or files exchanged",
        look=_swap_or_files,
        basis=f"either is 100 times likelier than all other causes, and neither than the other; {ARRIVAL_MATCHING}",
    ),
    Rule(
        id=ONE_LOUDSPEAKER,
        check="seats.level",
        explains=("levels.match", "distances.arrival", "distances.place"),
        symptom="two channels from one place",
        look=_one_loudspeaker,
        basis="levels alike within 0.3 dB over frequency at most seats, where the room's symmetry does not make them so; "
        "determined by simulation (tests/references/measuring_mistakes.py)",
    ),
    Rule(
        id="wiring.driver-polarity",
        check="seats.polarity",
        explains=("seats.polarity",),
        symptom="a dip around a crossover",
        look=_driver_reversed,
        basis=f"ratio (L − H)/(L + H) of a crossover, threshold of the gain 0.1, or 0.06 beside a dip; {FAULT_MATRIX}",
    ),
    Rule(
        id="wiring.driver-or-mounting",
        check="seats.polarity",
        explains=("seats.polarity",),
        symptom="a dip around a crossover",
        look=_driver_or_mounting,
        basis=f"as one driver reversed, or drivers up to 0.4 ms apart; {FAULT_MATRIX}",
    ),
    Rule(
        id="wiring.polarity",
        check="seats.polarity",
        explains=("seats.polarity",),
        symptom="hollow, no centre image",
        look=_reversed,
        basis=f"opposite to two others of its model in every octave at 80 % of the seats; {FAULT_MATRIX}",
    ),
    Rule(
        id="wiring.pair-polarity",
        check="seats.polarity",
        explains=("seats.polarity",),
        symptom="hollow, no centre image",
        look=_one_of_two,
        basis=f"a pair opposite in every octave at 80 % of the seats; {FAULT_MATRIX}",
    ),
    Rule(
        id="settings.polarity",
        check="seats.polarity",
        symptom="hollow, no centre image",
        look=_set_reversed,
        basis=f"opposite to others of its model, and the processor holds reversed; {FAULT_MATRIX}",
    ),
    Rule(
        id="wiring.tweeter",
        check="seats.treble",
        explains=("seats.treble", "seats.direct", "seats.level", "levels.match"),
        symptom="dull side",
        look=partial(_dead_driver, "tweeter"),
        basis=f"3–10 kHz 10 dB below the partner at the mirrored seat, at 80 % of the seats; {FAULT_MATRIX}",
    ),
    Rule(
        id="wiring.midrange",
        check="seats.mids",
        explains=("seats.mids", "seats.level", "levels.match"),
        symptom="hollow side",
        look=partial(_dead_driver, "midrange"),
        basis=f"1.5 octaves 7 dB below the partner, own lows and own treble, at 80 % of the seats; {FAULT_MATRIX}",
    ),
    Rule(
        id="wiring.woofer",
        check="seats.lows",
        explains=("seats.lows", "seats.level", "levels.match"),
        symptom="thin side",
        look=partial(_dead_driver, "woofer"),
        basis=f"200–500 Hz 10 dB, or 80–200 Hz 16 dB, below the partner, at 80 % of the seats; {FAULT_MATRIX}",
    ),
    Rule(
        id=LEVEL_LOST,
        check="levels.match",
        symptom="a loudspeaker lost since last time",
        look=_level_lost,
        returns=True,
        basis="6 dB lower than at the earlier visit, beyond trims and volume, guard-banded; common practice",
    ),
)
