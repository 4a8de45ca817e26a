"""Rules about distances and delays, from settings and from arrivals."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations, permutations
from typing import NamedTuple

import numpy as np

from commission.diagnosis.evidence import Evidence, seat_distance_m
from commission.diagnosis.rule import FAULT_MATRIX, FindingDetails, Findings, Rule, caution, signed
from commission.diagnosis.wiring import SWAP_OR_FILES
from commission.model import Verdict
from commission.model.formatting import number
from commission.model.units import FOOT_M, counted, listed
from commission.model.verdict import surely_above
from commission.steps import distances
from commission.steps.seats.awaiting import ONE_LOUDSPEAKER
from commission.steps.shared.survey import round_matching

SCATTERS = 3.0
"""A subwoofer is late if it exceeds the scatter of the main channels by this factor of their standard deviation."""


def _unit(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    sentence = distances.unit_sentence(e.distances)
    if sentence is None:
        return
    evidence = []
    if e.distances.held_ratio is not None:
        evidence.append(f"the entered distances are {e.distances.held_ratio:.2f} times those by tape (1 is correct)")
    fit = e.distances.unit_fit
    if fit is not None and fit.meaning is not None:
        evidence.append(
            f"the arrivals follow the distances with k = {fit.factor:.2f} ± {2 * fit.sd:.2f} (1 is correct)"
        )
    delays = e.distances.takes_delays
    yield FindingDetails(
        title=sentence,
        channels=tuple(e.distances.channels),
        evidence=tuple(evidence),
        alternatives=("the tape readings were entered in the wrong unit",),
        confirm="Calculate one delay by hand: 2.9 ms for each metre (0.9 ms for each foot) nearer than the farthest."
        if delays
        else "Look at the unit on the processor's distance page.",
        remedy=f"Enter the {'delays' if delays else 'distances'} from the settings sheet.",
    )


def _entered_in_another_unit(e: Evidence, each: distances.ChannelDistance) -> bool:
    """Whether a subwoofer's setting includes its latency, in the wrong unit used for all settings."""
    ratio, unit = e.distances.held_ratio, e.job.system.processor.delay.unit
    if ratio is None or each.held is None or unit == "ms" or not distances.unit_is_entered(e.distances):
        return False
    entered_m = each.held / ratio * (FOOT_M if unit == "ft" else 1.0)
    off_s = abs(entered_m - each.acoustic_m) / each.speed_m_s
    return not surely_above(off_s, distances.SUB_LATENCY_S, each.arrival_u_s)


def _within_scatter(e: Evidence, each: distances.ChannelDistance) -> bool:
    """Whether a subwoofer is late or early by no more than the unexplained scatter of the main channels' arrivals."""
    matching = round_matching(e.job, e.round, e.screening.usable)
    if matching is None or each.alignment_s is None or not each.channel.is_sub:
        return False
    if not (matching.unexplained or matching.undecided):
        return False
    return abs(each.alignment_s) <= distances.SUB_LATENCY_S + SCATTERS * float(np.nanstd(matching.rest_s))


def _lateness(late_ms: float, expanded_u_ms: float) -> str:
    return f"{abs(late_ms):.1f} ± {expanded_u_ms:.1f} ms {'later' if late_ms > 0 else 'earlier'}"


class _OtherCause(NamedTuple):
    """What explains a subwoofer's time as well as its own setting does."""

    cause: str
    why_open: str
    first: str
    """What decides between the two; a clause, as the others."""
    shown_by: str = ""
    """Id of the finding that states this cause where another channel shows it."""


def _other_cause(e: Evidence, sub: distances.ChannelDistance) -> _OtherCause | None:
    by_all = distances.delay_factor_clauses(e.distances, sub)
    if by_all is not None:
        return _OtherCause(*by_all, "check whether the processor applies its delays")
    if distances.too_many_off(e.distances) and max(map(len, e.distances.rest_s.values())) == 1:
        return _OtherCause(
            "the recordings share no clock",
            "main channels arrive at wrong times, too",
            "measure one channel twice without moving anything: both must arrive at the same time",
            shown_by="measurement.clock",
        )
    return None


def _late_sub(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    if found.any("settings.delays-off", "settings.delay-sign"):
        return  # every setting must be entered again, including the subwoofer's remaining delay
    by_arrivals_only = found.any("settings.unit") and not distances.unit_is_entered(e.distances)
    all_delays = distances.likely_delays(e.distances)
    for each in e.distances.channels.values():
        residual = each.arrival_residual_s
        if not each.channel.is_sub or residual is None or by_arrivals_only:
            continue
        if each.own_latency_m == 0 or each.kept_latency_s is not None:
            continue
        # If arrivals include the delays, they count relative to the others'; else, whether the setting has the latency.
        judged = each.check_arrival if each.alignment_s is not None else each.check_setting
        if judged.verdict is not Verdict.FAIL:
            continue
        if _entered_in_another_unit(e, each) or _within_scatter(e, each):
            continue
        unit, u_ms = e.job.system.processor.delay.unit, 2000 * each.arrival_u_s
        late_ms = 1000 * residual
        evidence: tuple[str, ...] = (
            f"it arrives {_lateness(late_ms, u_ms)} than {each.distance_m:.2f} m and its setting explain, threshold 2 ms",
        )
        wrong_unit = found.any("settings.unit")  # every setting is entered again; the rest is its latency
        if (
            not wrong_unit
            and judged.value is not None
            and abs(judged.value - late_ms) > 1000 * distances.SUB_LATENCY_S
        ):
            late_ms = judged.value  # the setting includes a part of its latency, or more
            evidence = (
                f"with its setting it arrives {_lateness(late_ms, u_ms)} than the main loudspeakers, threshold 2 ms",
                f"by its arrival and {each.distance_m:.2f} m its own latency is {1000 * residual:.1f} ms",
            )
        other = None if wrong_unit else _other_cause(e, each)
        if other is not None and found.any(other.shown_by):
            continue
        if other is not None:
            evidence += (
                f"whether its own setting is the cause is not determined: if {other.cause}, that explains it as well, and "
                f"{other.why_open}",
            )
        yield FindingDetails(
            title=f"{each.channel.id} {abs(late_ms):.0f} ms {'late' if late_ms > 0 else 'early'}",
            channels=(each.channel.id,),
            evidence=evidence,
            alternatives=(
                *((f"{all_delays}: the main channels then arrive together",) if all_delays else ()),
                *((other.cause,) if other is not None and not all_delays else ()),
                "a low-pass steeper than 24 dB an octave was active during the measurement (up to 10 ms)"
                if late_ms > 0
                else "the main loudspeakers have a latency of their own, which their settings do not include",
                "the tape went to the wrong subwoofer",
            ),
            confirm="Measure it again with its own low-pass and signal processing off.",
            remedy=f"Enter {each.setting.setting:.2f} {unit} as a start, then trim it at the crossover."
            if other is None
            else f"First {other.first}; then measure it again.",
        )


def _delays(e: Evidence, found: Findings, kind: str) -> Iterator[FindingDetails]:
    fault = distances.delays_fault(e.job, e.distances)
    if fault is None or fault.kind != kind or found.any("settings.unit"):
        return
    off = kind == "off"
    mains = tuple(c for c, each in e.distances.channels.items() if not each.channel.is_sub)
    if fault.by == "settings":
        evidence = (
            f"the settings of all {'main ' if len(mains) > 2 else ''}channels are the same, their distances are not"
            if off
            else "the settings delay the far loudspeakers and not the near ones"
        )
    else:
        sd = "" if fault.u is None else f" ± {2 * fault.u:.2f}"
        evidence = (
            f"the arrivals follow the delays with a factor of {number(fault.factor or 0.0, 2)}{sd} (1 is correct)"
        )
    past = "the recordings bypassed the processor's delays: then import them as such"
    yield FindingDetails(
        title="no delays are applied" if off else "delays have the wrong sign",
        channels=mains,
        evidence=(evidence,),
        alternatives=(past,) if off and fault.by == "arrivals" else ("the settings were noted wrongly",),
        confirm="Check the processor's distance or delay page, and whether a mode without delays is selected.",
        remedy="Enter the distances from the settings sheet"
        + (" and switch the delays on." if off else ", then measure one near and one far loudspeaker."),
    )


def _delays_off(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    return _delays(e, found, "off")


def _delay_sign(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    return _delays(e, found, "sign")


ALL_DELAYS = ("settings.unit", "settings.delays-off", "settings.delay-sign")
"""Findings that mean that the delays of all channels are wrong."""

SWAP_OR_DISTANCE = "settings.swap-or-distance"

NOT_AS_SET = "settings.not-as-set"
"""A channel that changed between two rounds, but not as set; its rule is in `diagnosis.prediction`."""

FEW_SEATS = 3
"""Fewest seats at which arrivals distinguish two exchanged loudspeakers from two wrong delays."""


def _swap_or_distance(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Two or three channels that arrive as if from each other's places, at seats that do not distinguish these."""
    if found.any(*ALL_DELAYS):
        return
    known = e.distances.channels
    heard = {
        wrong.channel: wrong
        for wrong in distances.wrong_times(e.job, e.round, e.distances)
        if wrong.what != "tape" and wrong.likely and not known[wrong.channel].channel.is_sub
    }
    off = {c: (wrong.error_s, wrong.u_s) for c, wrong in heard.items() if c not in found.channels(NOT_AS_SET)}
    done: set[str] = set()
    for circle in _distance_circles(e, off):
        few = all(heard[c].seats < FEW_SEATS for c in circle if c in heard)
        if done & set(circle) or not (few or all(_differ_by_the_same(e, *pair) for pair in combinations(circle, 2))):
            continue
        done |= set(circle)
        late = ", ".join(
            f"{c} {number(1000 * abs(off[c][0]), 2)} ± {number(2000 * off[c][1], 2)} ms "
            f"{'late' if off[c][0] > 0 else 'early'}"
            for c in circle
            if c in off
        )
        pair, seats = len(circle) == 2, max(len(e.distances.rest_s.get(c, {})) for c in circle)
        yield FindingDetails(
            title=f"{listed(circle)}: swapped, or two wrong distance settings",
            channels=circle,
            evidence=(
                f"{late}: each as if it sounded from the place of {'the other' if pair else 'another of the three'}",
                f"which of the two is not determined from {counted(seats or 1, 'seat')}",
            ),
            alternatives=(
                f"the files of the {'two' if pair else 'three'} were named wrongly",
                f"the places of the {'two' if pair else 'three'} were entered wrongly",
            ),
            confirm=f"Play soft noise on {circle[0]} alone and listen which loudspeaker sounds.",
            remedy="If another one sounds, exchange the cables; else enter the distances. " + caution(e, *circle),
        )


def _differ_by_the_same(e: Evidence, one: str, other: str) -> bool:
    """Whether the distances of two loudspeakers differ by the same amount at every seat, as wrong delays do."""
    rest_s, known = e.distances.rest_s, e.distances.channels[one]
    both = [
        (seat_distance_m(e, one, seat), seat_distance_m(e, other, seat))
        for seat in rest_s.get(one, {}).keys() & rest_s.get(other, {}).keys()
    ]
    apart_m = [a - b for a, b in both if a is not None and b is not None]
    return bool(apart_m) and np.ptp(apart_m) <= 4 * known.arrival_u_s * known.speed_m_s


def _distance_circles(e: Evidence, off: Mapping[str, tuple[float, float]]) -> Iterator[tuple[str, ...]]:
    """Channels each of which arrives as if from the place of the next: pairs, then groups of three of which one may be
    off by little.

    `off`: channel → (delay of its arrival, standard uncertainty) [s], for channels that are surely late or early.
    """
    known = e.distances.channels
    yield from (pair for pair in combinations(off, 2) if _fits_next_place(e, off, pair))
    for one, other in permutations(off, 2):
        for third, each in known.items():
            if third in off or each.channel.is_sub or each.arrival_residual_s is None:
                continue
            all_three = {**off, third: (each.arrival_residual_s, each.arrival_u_s)}
            if _fits_next_place(e, all_three, (one, other, third)):
                yield tuple(c for c in known if c in (one, other, third))


def _fits_next_place(e: Evidence, off: Mapping[str, tuple[float, float]], circle: tuple[str, ...]) -> bool:
    """Whether the delay of each member of a circle equals the extra distance of the next one, within twice its
    uncertainty.
    """
    known = e.distances.channels
    return all(
        abs(off[c][0] - (known[following].distance_m - known[c].distance_m) / known[c].speed_m_s) <= 2 * off[c][1]
        for c, following in zip(circle, (*circle[1:], circle[0]), strict=True)
    )


_OR_LOW_PASS = "the setting makes up for a low-pass that was off during the measurement"


def _wrong_distance(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    if found.any(*ALL_DELAYS):
        return
    explained = found.channels("wiring.silent", SWAP_OR_DISTANCE, SWAP_OR_FILES, NOT_AS_SET)
    unit = e.job.system.processor.delay.unit
    for wrong in distances.wrong_times(e.job, e.round, e.distances):
        each = e.distances.channels[wrong.channel]
        if wrong.what != "setting" or explained & {wrong.channel, wrong.other} or _within_scatter(e, each):
            continue
        if wrong.other is not None:
            yield _wrong_difference(e, wrong, each, e.distances.channels[wrong.other])
            continue
        metres = number(abs(wrong.error_s) * each.speed_m_s, 2)
        evidence = []
        if each.held is not None:
            evidence.append(
                f"the setting is {number(each.held, 2)} {unit}; {number(each.setting.setting, 2)} {unit} suits "
                f"{number(each.distance_m, 2)} m by {each.origin}"
            )
        evidence.append(
            f"delay {number(1000 * abs(wrong.error_s), 2)} ± {number(2000 * wrong.u_s, 2)} ms too "
            f"{'long' if wrong.error_s > 0 else 'short'}: {metres} m of distance"
        )
        if wrong.seats:
            evidence.append(
                "the arrival fits this setting, so the distance is right"
                if not wrong.likely
                else f"by the sound at {counted(wrong.seats, 'seat')}, with the place of the loudspeaker as noted"
            )
        yield FindingDetails(
            title=f"{wrong.channel}: {'likely a ' if wrong.likely else ''}wrong distance setting",
            channels=(wrong.channel,),
            evidence=tuple(evidence),
            alternatives=(
                "the setting was noted wrongly",
                *((_OR_LOW_PASS if each.channel.is_sub else "the tape reading is wrong",) if wrong.likely else ()),
                "a delay elsewhere, in the amplifier or a wireless link",
            ),
            confirm=f"Look at the setting of {wrong.channel} on the processor's distance page.",
            remedy=f"Enter {number(each.setting.setting, 2)} {unit}, then measure {wrong.channel} again.",
        )


def _wrong_difference(
    e: Evidence, wrong: distances.WrongTime, first: distances.ChannelDistance, second: distances.ChannelDistance
) -> FindingDetails:
    """Two main channels whose delays differ by a wrong amount, at a processor that takes delays."""
    pair, unit = (first, second), e.job.system.processor.delay.unit
    current, suitable, distances_m = (
        listed([number(value, 2) for value in values])
        for values in zip(*((each.held or 0.0, each.setting.setting, each.distance_m) for each in pair), strict=True)
    )
    a, b = (each.channel.id for each in pair)
    return FindingDetails(
        title=f"{a} or {b}: {'likely a ' if wrong.likely else ''}wrong delay setting",
        channels=(a, b),
        evidence=(
            f"the settings are {current} {unit}; {suitable} {unit} suit {distances_m} m by {first.origin}",
            f"delay of {a} against {b} {number(1000 * abs(wrong.error_s), 2)} ± {number(2000 * wrong.u_s, 2)} ms too "
            f"{'long' if wrong.error_s > 0 else 'short'}: "
            f"{number(abs(wrong.error_s) * first.speed_m_s, 2)} m of distance",
            *(("the arrivals fit these settings, so the distances are right",) if wrong.seats else ()),
            "which of the two is wrong is not determined, because only their difference is audible",
        ),
        alternatives=(
            "the settings were noted wrongly",
            *(("a tape reading is wrong",) if wrong.likely else ()),
            "a delay elsewhere, in the amplifier or a wireless link",
        ),
        confirm=f"Look at the settings of {a} and {b} on the processor's delay page.",
        remedy="Enter the delays from the settings sheet, then measure both again.",
    )


LATE_CAUSES = (
    "a delay elsewhere: signal processing in loudspeaker or amplifier, a wireless link",
    "the direct path is blocked and a reflection was taken for the direct sound",
)

EARLY_CAUSES = (
    "most other loudspeakers have a delay of their own: signal processing, or a horn several centimetres deep",
)
"""Possible causes of an early arrival: a single loudspeaker cannot be early by itself."""

DOUBTFUL_TIMES = 4.0
"""Factor for doubtful arrivals: either of two sounds may be the direct one, which no normal distribution describes, so
such an arrival counts only beyond twice its expanded uncertainty (common practice, no source)."""


def _odd_arrival(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    if found.any(*ALL_DELAYS):
        return  # then every arrival is off, for one reason
    swapped = found.channels("wiring.swapped", ONE_LOUDSPEAKER, SWAP_OR_FILES, SWAP_OR_DISTANCE)
    explained = swapped | found.channels("wiring.silent", "settings.distance", NOT_AS_SET)
    also_elsewhere = found.channels("wiring.doubled", "settings.upmix")  # the nearer loudspeaker is heard first
    for wrong in distances.wrong_times(e.job, e.round, e.distances):
        each, name = e.distances.channels[wrong.channel], wrong.channel
        residual = each.arrival_residual_s
        limit_ms = e.job.limit("distances.arrival").upper
        if wrong.what == "setting" or residual is None or each.implied_m is None or name in explained:
            continue
        if name in also_elsewhere and residual < 0:
            continue
        if each.why_no_arrival is not None and abs(residual) < DOUBTFUL_TIMES * each.arrival_u_s:
            continue
        others = _nearer_by_the_same(e, name) if residual < 0 else []
        if others and _differs_over_seats(e, name):
            yield _early_from_another(e, name, others[0])
            continue
        open_, other = bool(others) and wrong.what == "unknown", " or ".join(others)
        yield FindingDetails(
            title=f"{name} {1000 * abs(residual):.1f} ms {'late' if residual > 0 else 'early'}",
            channels=(name,),
            evidence=(
                f"tape {each.distance_m:.2f} m, but the sound arrives as if from {number(each.implied_m, 2)} m "
                f"({signed(1000 * residual, 2)} ± {2000 * each.arrival_u_s:.2f} ms, limit {limit_ms:g} ms)",
                *((f"whether {other}, nearer by as much, plays {name}, too, is not determined",) if open_ else ()),
            ),
            alternatives=(
                "the tape reading is wrong",
                "the distance setting is not as noted",
                *(LATE_CAUSES if residual > 0 else EARLY_CAUSES),
                *((f"{other} plays {name}, too",) if open_ else ()),
            )
            if wrong.what == "unknown"
            else ("the loudspeaker was moved after it was taped",),
            confirm=f"Tape {name} again; play it alone and "
            f"{f'listen close to {other}' if open_ else 'look for a second delay setting'}.",
            remedy="Correct the tape reading, or remove the other delay or allow for it in the settings."
            if wrong.what == "unknown"
            else "Correct the tape reading.",
        )


def _differs_over_seats(e: Evidence, channel: str) -> bool:
    """Whether a channel arrives at some seats earlier than at others, which no delay explains."""
    early_s = e.distances.rest_s[channel].values()
    return max(early_s) - min(early_s) > 4 * e.distances.channels[channel].arrival_u_s


def _nearer_by_the_same(e: Evidence, channel: str) -> list[str]:
    """The main channels from whose places another one arrives at every seat."""
    known, early_s = e.distances.channels[channel], e.distances.rest_s.get(channel, {})
    within_s = 4 * known.arrival_u_s  # twice the expanded uncertainty: two distances are involved
    out = []
    for other, each in e.distances.channels.items():
        if other == channel or each.channel.is_sub:
            continue
        paths = [(t, seat_distance_m(e, channel, s), seat_distance_m(e, other, s)) for s, t in early_s.items()]
        if paths and all(
            a is not None and b is not None and abs(t - (b - a) / known.speed_m_s) <= within_s for t, a, b in paths
        ):
            out.append(other)
    return out


def _early_from_another(e: Evidence, channel: str, other: str) -> FindingDetails:
    early = ", ".join(f"{s} {signed(1000 * t, 2)} ms" for s, t in e.distances.rest_s[channel].items())
    return FindingDetails(
        title=f"{channel} arrives as if from the place of {other}",
        channels=(channel,),
        evidence=(
            f"against its own place: {early}; a delay would be the same at every seat",
            f"whether {other} plays {channel}, too, or in its place is not determined",
        ),
        alternatives=(f"the place of {channel} was entered wrongly", f"its files are recordings of {other}"),
        confirm=f"Play soft noise on {channel} alone and listen close to {other}.",
        remedy=f"If {other} sounds, correct its cable or the assignment of outputs. {caution(e, channel, other)}",
    )


FIRST = (
    Rule(
        id="settings.unit",
        check="distances.setting",
        explains=("distances.setting", "distances.arrival"),
        symptom="image pulled to one side, implausible delays",
        look=_unit,
        basis=f"settings or arrivals 3.28 or 0.305 times the distances; {FAULT_MATRIX}",
    ),
    Rule(
        id="settings.delays-off",
        check="distances.setting",
        explains=("distances.setting", "distances.arrival"),
        symptom="image pulled to the nearest loudspeaker",
        look=_delays_off,
        basis=f"arrivals follow the delays with a factor of 0, or all settings are equal; {FAULT_MATRIX}",
    ),
    Rule(
        id="settings.delay-sign",
        check="distances.setting",
        explains=("distances.setting", "distances.arrival"),
        symptom="image pulled to the nearest loudspeaker",
        look=_delay_sign,
        basis=f"arrivals or settings follow the delays with a factor of −1; {FAULT_MATRIX}",
    ),
)

RULES = (
    Rule(
        id=SWAP_OR_DISTANCE,
        check="distances.arrival",
        explains=("distances.", "levels.match"),
        symptom="two channels from each other's places, or at each other's times",
        look=_swap_or_distance,
        basis="both off by the difference of their distances within 2 u, at fewer than three seats; common practice",
    ),
    Rule(
        id="settings.distance",
        check="distances.setting",
        explains=("distances.setting", "distances.arrival"),
        symptom="smeared image, one channel early or late",
        look=_wrong_distance,
        basis="0.45 ms (15 cm) and a step of the processor from the distance, guard-banded; common practice",
    ),
    Rule(
        id="settings.sub-latency",
        check="distances.arrival",
        explains=("distances.setting", "distances.arrival"),
        symptom="bass without punch",
        look=_late_sub,
        basis=f"onset minus tape/c above 2 ms; {FAULT_MATRIX}",
    ),
    Rule(
        id="settings.arrival",
        check="distances.arrival",
        explains=("distances.setting", "distances.arrival"),
        symptom="smeared image",
        look=_odd_arrival,
        basis="0.45 ms (15 cm) between tape and arrival, guard-banded; common practice",
    ),
)
