"""Rules about settings: trims, distances, delays, and the gain of the measurement."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import combinations, permutations

import numpy as np

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FAULT_MATRIX, FindingDetails, Found, Rule, caution, signed
from commission.diagnosis.wiring import SWAP_OR_FILES, perhaps_swapped
from commission.dsp.across import LEAST_COUNT, mirrored_seats
from commission.dsp.crossover_filters import crossover_response
from commission.dsp.geometry import distance_m, mirror_partner
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import BoolArray
from commission.model import Analysis, Channel, CrossoverFilter, FloatArray, Job, System, Verdict
from commission.model.formatting import number
from commission.model.units import FOOT_M, counted, listed
from commission.model.verdict import surely_above, surely_below
from commission.steps import distances
from commission.steps.levels import ChannelLevel, trim_or_cause
from commission.steps.seats.awaiting import ONE_LOUDSPEAKER, awaiting_repair
from commission.steps.seats.faults import depends_on_frequency, drivers_in_doubt
from commission.steps.seats.result import CHANNEL_OFF_DB, SeatsResult, channel_off_u_db
from commission.steps.shared.sub_sum import adds_up
from commission.steps.shared.survey import matched

SCATTERS = 3.0
"""A subwoofer is late beyond what the main channels scatter from this many of their standard deviations on."""
ALIKE = 0.8
LEAST_CORNER_HZ = 50.0
"""Below, most loudspeakers end by themselves, and third octaves at half the frequency are noise of the room."""
LONE_OFF_DB = 8.0
"""A loudspeaker without a partner is of another model in another place: those for the home differ by up to 8 dB in
sensitivity, 84 to 92 dB at 1 m and 2.83 V (common practice, no source), which only a trim takes away."""
SECOND_ORDER = CrossoverFilter(type="butterworth", slope_db_per_octave=12)
STEEPEST = CrossoverFilter(type="linkwitz-riley", slope_db_per_octave=24)
"""Noise and distortion fill what a steeper high-pass takes away."""
PARTNER_DB, SLOPE_DB, UNFILTERED_DB = 9.0, -3.0, -9.0
"""Against the partner: a second-order high-pass makes 12 dB (arithmetic), healthy pairs differed by at most 6.6 dB (156
pairs in 17 rooms of five simulators). The partner falls towards the bass, and the channel itself hardly does."""
GROWS_DB = 2.5
"""What a missing high-pass makes grows by 8 dB from its corner to half of it, and by 5 dB or more to the bass below
(second order, means of these bands, arithmetic): half of the lesser. A mode or a null is strongest at a frequency of its
own."""


def _unit(e: Evidence, _: Found) -> Iterator[FindingDetails]:
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
        confirm="Calculate one delay by hand: 2.9 ms for each metre, 0.9 ms for each foot, nearer than the farthest."
        if delays
        else "Look at the unit on the processor's distance page.",
        remedy=f"Enter the {'delays' if delays else 'distances'} from the settings sheet.",
    )


def _entered_in_another_unit(e: Evidence, each: distances.ChannelDistance) -> bool:
    """Whether a subwoofer's setting holds its latency, in the wrong unit that all settings are in."""
    ratio, unit = e.distances.held_ratio, e.job.system.processor.delay.unit
    if ratio is None or each.held is None or unit == "ms" or not distances.unit_is_entered(e.distances):
        return False
    entered_m = each.held / ratio * (FOOT_M if unit == "ft" else 1.0)
    off_s = abs(entered_m - each.acoustic_m) / each.speed_m_s
    return not surely_above(off_s, distances.SUB_LATENCY_S, each.arrival_u_s)


def _within_scatter(e: Evidence, each: distances.ChannelDistance) -> bool:
    """Whether a subwoofer is late or early by no more than the main channels, whose arrivals nothing explains, scatter."""
    matching = matched(e.job, e.round, e.screening.usable)
    if matching is None or each.alignment_s is None or not each.channel.is_sub:
        return False
    if not (matching.unexplained or matching.undecided):
        return False
    return abs(each.alignment_s) <= distances.SUB_LATENCY_S + SCATTERS * float(np.nanstd(matching.rest_s))


def _late(late_ms: float, expanded_u_ms: float) -> str:
    return f"{abs(late_ms):.1f} ± {expanded_u_ms:.1f} ms {'later' if late_ms > 0 else 'earlier'}"


def _late_sub(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    if found.any("settings.delays-off", "settings.delay-sign"):
        return  # every setting must be entered again, and holds what is heard of the subwoofer
    by_arrivals_only = found.any("settings.unit") and not distances.unit_is_entered(e.distances)
    all_delays = distances.likely_delays(e.distances)
    for each in e.distances.channels.values():
        residual = each.arrival_residual_s
        if residual is None or each.own_latency_m == 0 or each.kept_latency_s is not None or by_arrivals_only:
            continue
        # Through the delays its arrival beside the others' counts; past them, whether the setting holds the latency.
        judged = each.check_arrival if each.alignment_s is not None else each.check_setting
        if judged.verdict is not Verdict.FAIL:
            continue
        if _entered_in_another_unit(e, each) or _within_scatter(e, each):
            continue
        unit, u_ms = e.job.system.processor.delay.unit, 2000 * each.arrival_u_s
        late_ms = 1000 * residual
        evidence: tuple[str, ...] = (
            f"it arrives {_late(late_ms, u_ms)} than {each.distance_m:.2f} m and its setting explain, threshold 2 ms",
        )
        wrong_unit = found.any("settings.unit")  # every setting is entered again, and what remains is its own latency
        if (
            not wrong_unit
            and judged.value is not None
            and abs(judged.value - late_ms) > 1000 * distances.SUB_LATENCY_S
        ):
            late_ms = judged.value  # the setting holds a part of its latency, or more
            evidence = (
                f"with its setting it arrives {_late(late_ms, u_ms)} than the main loudspeakers, threshold 2 ms",
                f"by its arrival and {each.distance_m:.2f} m its own latency is {1000 * residual:.1f} ms",
            )
        by_all = None if wrong_unit else distances.late_by_all_delays(e.distances, each)
        if by_all is not None:
            evidence += (
                f"whether its own setting is the cause is not determined: if {by_all}, it arrives as late, and main "
                "channels arrive at wrong times, too",
            )
        yield FindingDetails(
            title=f"{each.channel.id} {abs(late_ms):.0f} ms {'late' if late_ms > 0 else 'early'}",
            channels=(each.channel.id,),
            evidence=evidence,
            alternatives=(
                *((f"{all_delays}: the main channels then arrive together",) if all_delays else ()),
                *((by_all,) if by_all is not None and not all_delays else ()),
                "a low-pass steeper than 24 dB an octave was active during the measurement (up to 10 ms)"
                if late_ms > 0
                else "the main loudspeakers have a latency of their own, which their settings do not include",
                "the tape went to the wrong subwoofer",
            ),
            confirm="Measure it again with its own low-pass and signal processing off.",
            remedy=f"Enter {each.setting.setting:.2f} {unit} as a start, then trim it at the crossover."
            if by_all is None
            else "Look first whether the processor's delays are at work; then measure it again.",
        )


def _delays(e: Evidence, found: Found, kind: str) -> Iterator[FindingDetails]:
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
    past = "the recordings were played past the processor's delays: then import them so"
    yield FindingDetails(
        title="no delays are at work" if off else "delays have the wrong sign",
        channels=mains,
        evidence=(evidence,),
        alternatives=(past,) if off and fault.by == "arrivals" else ("the settings were noted wrongly",),
        confirm="Look at the processor's page of distances or delays, and at whether a mode without delays is chosen.",
        remedy="Enter the distances from the settings sheet"
        + (" and switch the delays on." if off else ", then measure one near and one far loudspeaker."),
    )


def _delays_off(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    return _delays(e, found, "off")


def _delay_sign(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    return _delays(e, found, "sign")


ALL_DELAYS = ("settings.unit", "settings.delays-off", "settings.delay-sign")
"""Findings of which each means that the delays of all channels are wrong."""


SWAP_OR_DISTANCE = "settings.swap-or-distance"
NOT_AS_SET = "settings.not-as-set"
"""A channel that changed between two rounds otherwise than its settings; its rule is in `diagnosis.prediction`."""
FEW_SEATS = 3
"""At least this many seats are needed before arrivals distinguish two exchanged loudspeakers from two wrong delays."""


def _swap_or_distance(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    """Two or three channels that arrive as if from each other's places, at one seat or two."""
    if found.any(*ALL_DELAYS):
        return
    known = e.distances.channels
    heard = {
        wrong.channel: wrong
        for wrong in distances.wrong_times(e.job, e.round, e.distances)
        if wrong.what != "tape"
        and wrong.likely
        and wrong.seats < FEW_SEATS
        and not known[wrong.channel].channel.is_sub
    }
    off = {c: (wrong.error_s, wrong.u_s) for c, wrong in heard.items() if c not in found.channels(NOT_AS_SET)}
    done: set[str] = set()
    for circle in _circles(e, off):
        if done & set(circle):
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


def _circles(e: Evidence, off: Mapping[str, tuple[float, float]]) -> Iterator[tuple[str, ...]]:
    """Channels each of which arrives as from the place of the next: pairs, then threes of which one may be off by little.

    `off`: channel → (how late it is, standard uncertainty) [s], of those that surely are.
    """
    known = e.distances.channels
    yield from (pair for pair in combinations(off, 2) if _from_next(e, off, pair))
    for one, other in permutations(off, 2):
        for third, each in known.items():
            if third in off or each.channel.is_sub or each.arrival_residual_s is None:
                continue
            all_three = {**off, third: (each.arrival_residual_s, each.arrival_u_s)}
            if _from_next(e, all_three, (one, other, third)):
                yield tuple(c for c in known if c in (one, other, third))


def _from_next(e: Evidence, off: Mapping[str, tuple[float, float]], circle: tuple[str, ...]) -> bool:
    """Whether each of a circle is as late, within twice its uncertainty, as the next one is farther."""
    known = e.distances.channels
    return all(
        abs(off[c][0] - (known[following].distance_m - known[c].distance_m) / known[c].speed_m_s) <= 2 * off[c][1]
        for c, following in zip(circle, (*circle[1:], circle[0]), strict=True)
    )


_OR_LOW_PASS = "the setting makes up for a low-pass that was off during the measurement"


def _wrong_distance(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    if found.any(*ALL_DELAYS):
        return
    explained = found.channels("wiring.silent", SWAP_OR_DISTANCE, SWAP_OR_FILES, NOT_AS_SET)
    unit = e.job.system.processor.delay.unit
    for wrong in distances.wrong_times(e.job, e.round, e.distances):
        each = e.distances.channels[wrong.channel]
        if wrong.what != "setting" or wrong.channel in explained or _within_scatter(e, each):
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
            f"{'long' if wrong.error_s > 0 else 'short'}, as by {metres} m"
        )
        if wrong.seats:
            evidence.append(
                "the sound arrives as by this setting, so the distance is right"
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
            confirm=f"Look at the setting of {wrong.channel} on the processor's page of distances.",
            remedy=f"Enter {number(each.setting.setting, 2)} {unit}, then measure {wrong.channel} again.",
        )


LATE_CAUSES = (
    "a delay elsewhere: signal processing in loudspeaker or amplifier, a wireless link",
    "the direct path is blocked and a reflection was taken",
)
EARLY_CAUSES = (
    "most other loudspeakers have a delay of their own: signal processing, or a horn several centimetres deep",
)
"""A single loudspeaker is never early of itself."""
DOUBTFUL_TIMES = 4.0
"""Of two sounds either may be the direct one, which no normal distribution describes: a doubtful arrival counts only where
it is off by twice its expanded uncertainty (common practice, no source)."""


def _odd_arrival(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    if found.any(*ALL_DELAYS):
        return  # every arrival is off then, for one reason
    swapped = found.channels("wiring.swapped", ONE_LOUDSPEAKER, SWAP_OR_FILES, SWAP_OR_DISTANCE)
    explained = swapped | found.channels("wiring.silent", "settings.distance", NOT_AS_SET)
    also_elsewhere = found.channels("wiring.doubled", "settings.upmix")  # a nearer loudspeaker is heard first
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
        if residual < 0 and (other := _heard_from(e, name)) is not None:
            yield _early_from_another(e, name, other)
            continue
        yield FindingDetails(
            title=f"{name} {1000 * abs(residual):.1f} ms {'late' if residual > 0 else 'early'}",
            channels=(name,),
            evidence=(
                f"tape {each.distance_m:.2f} m, but the sound comes as from {number(each.implied_m, 2)} m "
                f"({signed(1000 * residual, 2)} ± {2000 * each.arrival_u_s:.2f} ms, limit {limit_ms:g} ms)",
            ),
            alternatives=(
                "the tape reading is wrong",
                "the distance setting is not as noted",
                *(LATE_CAUSES if residual > 0 else EARLY_CAUSES),
            )
            if wrong.what == "unknown"
            else ("the loudspeaker was moved after it was taped",),
            confirm=f"Tape {name} again; play it alone and look for a second delay setting.",
            remedy="Correct the tape reading, or take the other delay out or allow for it in the settings."
            if wrong.what == "unknown"
            else "Correct the tape reading.",
        )


def _heard_from(e: Evidence, channel: str) -> str | None:
    """The main channel from whose place another one arrives at each of two seats or more, where no delay explains it."""
    known, early_s = e.distances.channels[channel], e.distances.rest_s.get(channel, {})
    within_s = 4 * known.arrival_u_s  # twice the expanded uncertainty: the distances of two places
    if len(early_s) < 2 or max(early_s.values()) - min(early_s.values()) <= within_s:
        return None  # a delay is the same at every seat
    for other, each in e.distances.channels.items():
        if other == channel or each.channel.is_sub:
            continue
        paths = [(t, _distance_m(e, channel, s), _distance_m(e, other, s)) for s, t in early_s.items()]
        if all(
            a is not None and b is not None and abs(t - (b - a) / known.speed_m_s) <= within_s for t, a, b in paths
        ):
            return other
    return None


def _early_from_another(e: Evidence, channel: str, other: str) -> FindingDetails:
    early = ", ".join(f"{s} {signed(1000 * t, 2)} ms" for s, t in e.distances.rest_s[channel].items())
    return FindingDetails(
        title=f"{channel} arrives as from the place of {other}",
        channels=(channel,),
        evidence=(
            f"against its own place: {early}; a delay would be the same at every seat",
            f"whether {other} plays {channel}, too, or in its place is not determined",
        ),
        alternatives=(f"the place of {channel} was entered wrongly", f"its files are recordings of {other}"),
        confirm=f"Play soft noise on {channel} alone and listen close to {other}.",
        remedy=f"If {other} sounds, correct its cable or the assignment of outputs. {caution(e, channel, other)}",
    )


def _trim_db(e: Evidence) -> float:
    """How far a channel may be off before it is reported [dB]: the nearer side of the limit."""
    limit = e.job.limit("settings.trim")
    return min(-limit.lower, limit.upper)


def _whole(e: Evidence) -> dict[str, ChannelLevel]:
    """The readings of channels that wait for no repair."""
    return {c: each for c, each in e.levels.channels.items() if each.why_no_trim is None or each.in_doubt}


def _settable(e: Evidence) -> dict[str, ChannelLevel]:
    """Of those, the ones of no pair that may have a driver reversed: that changes the level as a trim does."""
    doubtful = drivers_in_doubt(e.seats)
    return {c: each for c, each in _whole(e).items() if c not in doubtful}


def _common_error_db(e: Evidence) -> float:
    """What most readings are off by alike, else 0: a volume or a meter, not trims. No driver makes most of them softer."""
    off, limit = np.array([-each.correction_db for each in _whole(e).values()]), _trim_db(e)
    # Two are enough where there are no others, both off by the same: with one of them right, the other has a trim off.
    stereo = len(off) == len(e.job.system.channels) == 2 and np.ptp(off) <= limit < np.min(np.abs(off))
    if len(off) < 3 and not stereo:
        return 0.0
    middle = float(np.median(off))
    return middle if np.mean(np.abs(off - middle) <= limit) >= ALIKE else 0.0


def _all_off(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    common, levels = _common_error_db(e), _whole(e)
    u = float(np.hypot(np.median([each.u_db for each in levels.values()] or [0.0]), e.levels.common_u_db or 0.0))
    if not surely_above(abs(common), _trim_db(e), u):
        return
    yield FindingDetails(
        title=f"all channels {abs(common):.1f} dB {'loud' if common > 0 else 'low'}",
        channels=tuple(levels),
        evidence=(f"{signed(common)} ± {2 * u:.1f} dB against the reference, alike within {_trim_db(e):g} dB",),
        alternatives=("the master volume was not at its reference", "the meter is off, or set to another weighting"),
        confirm="Put the calibrator on the meter; look at the master volume.",
        remedy="Set the volume to its reference and read two channels again before any trim is changed.",
    )


def _off_trims_db(e: Evidence) -> tuple[dict[str, tuple[float, float]], str]:
    """How far each channel surely differs from what it is compared with, with its standard uncertainty [dB], and what that
    is. Where a reading alone does not decide, the responses at the same seats may.
    """
    common, limit, off = _common_error_db(e), _trim_db(e), {}
    combined = _with_responses_db(e)
    for c, each in _whole(e).items():
        if each.before_sum and each.match.verdict is not Verdict.FAIL:
            continue
        read_db = -each.correction_db - common
        level_db, u_db = combined.get(c, (math.nan, 0.0))
        if surely_above(abs(read_db), limit, each.u_db):
            off[c] = (read_db, each.u_db)
        elif abs(read_db) > limit and surely_above(math.copysign(1.0, read_db) * (level_db - common), limit, u_db):
            off[c] = (level_db - common, u_db)
    return off, "the other channels" if common else "the reference"


RESPONSE_U_DB = 0.9
"""How far a response at a seat is from the meter's reading there, apart from the microphone's gain: it has another band and
weighting, and was taken some centimetres away (standard uncertainty; common practice, no source)."""
CONTRADICTS = 3.0


def _with_responses_db(e: Evidence) -> dict[str, tuple[float, float]]:
    """Main channels' readings minus target combined with their responses at the same seats: (level, standard uncertainty).

    Least squares for the levels and the gain that all responses share, which is not known. A reading that its response
    contradicts by more than three standard uncertainties, and a response past the trims, counts for nothing.
    """
    known = {}
    for c, each in _settable(e).items():
        levels = [
            math.nan if cell is None or cell.level_db is None or not _holds_trim(e, c, s) else cell.level_db
            for s in e.levels.seats
            for cell in (e.seats.cells.get((c, s)),)
        ]
        if not each.channel.is_sub and levels and not math.isnan(sum(levels)):
            known[c] = (-each.correction_db, sum(levels) / len(levels), each.u_db)
    if not known:
        return {}
    gain_db = float(np.median([heard - read for read, heard, _ in known.values()]))
    names = [
        c
        for c, (read, heard, u) in known.items()
        if abs(heard - gain_db - read) <= CONTRADICTS * math.hypot(u, RESPONSE_U_DB)
    ]
    if len(names) < 2:
        return {}
    read, heard, u_read = np.array([known[c] for c in names]).T
    one = np.eye(len(names))
    design = np.block([[one, np.zeros((len(names), 1))], [one, np.ones((len(names), 1))]])
    weighted = design / np.concatenate((u_read, np.full(len(names), RESPONSE_U_DB)))[:, np.newaxis]
    covariance = np.linalg.inv(weighted.T @ weighted)
    values = np.concatenate((read / u_read, heard / RESPONSE_U_DB))
    levels_db, u_db = covariance @ weighted.T @ values, np.sqrt(np.diag(covariance))
    return {c: (float(levels_db[k]), float(u_db[k])) for k, c in enumerate(names)}


def _doubt(e: Evidence, channel: str, *, loud: bool = False) -> tuple[str, ...]:
    """A sentence where a trim may not be why a loudspeaker is off."""
    doubt = trim_or_cause(e.job, e.round, e.analyses, e.seats, channel, loud=loud)
    return () if doubt is None else (f"whether {_suspects(loud)} is the cause is not determined: {doubt}",)


def _suspects(loud: bool) -> str:
    """No driver makes a loudspeaker louder."""
    return "its trim, an equalizer or a second loudspeaker" if loud else "its trim or one of its drivers"


def _in_doubt(
    e: Evidence, channel: str, title: str, evidence: tuple[str, ...], *, loud: bool = False
) -> FindingDetails:
    """A channel that is off, perhaps not because of its trim; the last sentence of the evidence says why."""
    if loud:
        causes = ("another loudspeaker plays it, too", "an equalizer lifts a part of its range")
        confirm = f"Play soft noise on {channel} alone and listen which loudspeakers sound; look at its equalizer."
        remedy = "Turn off what is added to it, and measure it again before its trim is changed."
    else:
        causes = (
            "one of its drivers is dead, or connected the wrong way round",
            "its trim is too low, and its model has this dip by design",
        )
        confirm = f"Play soft noise on {channel} and listen close by to each driver; measure it at 1 m on axis."
        remedy = f"Have its drivers and their terminals checked before its trim is changed. {caution(e, channel)}"
    return FindingDetails(
        title=f"{title}: {_suspects(loud)}",
        channels=(channel,),
        evidence=evidence,
        alternatives=causes,
        confirm=confirm,
        remedy=remedy,
    )


def _at_once(e: Evidence, off: Iterable[str]) -> tuple[str, ...]:
    """Where all subwoofers at once are meant to read the reference: what each alone must then read."""
    subs = [each for c in off if (each := e.levels.channels[c]).channel.is_sub]
    if not subs or e.levels.together is None or not adds_up(e.job):
        return ()
    targets = ", ".join(f"{each.channel.id} {each.target_db:.1f} dB" for each in subs)
    return (f"all subwoofers at once are meant to read the reference, so each alone must read: {targets}",)


def _by_responses(e: Evidence, off: Mapping[str, float]) -> Iterator[str]:
    """Which channels' readings alone do not decide; `off`: channel → standard uncertainty of what was found [dB]."""
    for c, u_db in off.items():
        if u_db < e.levels.channels[c].u_db:
            reading = f"{signed(-e.levels.channels[c].correction_db)} ± {2 * e.levels.channels[c].u_db:.1f} dB"
            yield f"{c}: {reading} by the meter alone, ± {2 * u_db:.1f} dB together with the responses"


def _trims(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    elsewhere = found.channels(ONE_LOUDSPEAKER, SWAP_OR_DISTANCE, SWAP_OR_FILES) | set(perhaps_swapped(e))
    explained = elsewhere | found.channels(DIALOGUE, NOT_AS_SET)
    joined = found.channels("wiring.doubled", "settings.upmix")  # a second loudspeaker makes them louder
    every, against = _off_trims_db(e)
    off = {c: value for c, (value, _) in every.items() if c not in explained and not (value > 0 and c in joined)}
    doubts = {c: _doubt(e, c, loud=value > 0) for c, value in off.items()}
    off = {c: value for c, value in off.items() if doubts.get(c) or c not in drivers_in_doubt(e.seats)}
    for channel in [c for c, doubt in doubts.items() if doubt]:
        value, doubt = off.pop(channel), doubts[channel]
        sentence = f"against {against}: {channel} {signed(value)} dB, limit {_trim_db(e):g} dB"
        title = f"{channel} {abs(value):.1f} dB {'low' if value < 0 else 'loud'}"
        yield _in_doubt(e, channel, title, (sentence, *doubt), loud=value > 0)
    if not off:
        return
    worst = max(off, key=lambda c: abs(off[c]))
    mains = [c for c in off if c in e.seats.against]
    unknown = [e.distances.no_swap_reason] if mains and e.distances.no_swap_reason else []
    verb = "plays" if len(mains) == 1 else "play"
    listen = f"Listen whether {listed(mains)} {verb} from the right place. " if unknown else ""
    yield FindingDetails(
        title=f"trims off, {worst} by {abs(off[worst]):.1f} dB",
        channels=tuple(off),
        evidence=(
            f"against {against}: "
            + ", ".join(f"{c} {signed(value)} dB" for c, value in off.items())
            + f", limit {_trim_db(e):g} dB",
            *_by_responses(e, {c: every[c][1] for c in off}),
            *_at_once(e, off),
            *unknown,
        ),
        alternatives=(
            *_may_be_doubled(e, [c for c, value in off.items() if value > 0]),
            "the volume was moved between readings",
            "the meter was held elsewhere",
        ),
        confirm=f"{listen}Read {worst} again, and one channel within the limit.",
        remedy="Enter the trims from the settings sheet.",
    )


def _may_be_doubled(e: Evidence, loud: list[str]) -> Iterator[str]:
    """Another reason why main channels are loud, unless it is known that each plays from its own loudspeaker alone."""
    alone = {check.channel for check in e.checks("wiring.leakage") if check.verdict is Verdict.PASS}
    mains = {channel.id for channel in e.job.system.channels if not channel.is_sub}
    unknown = [c for c in loud if c in mains - alone]
    if unknown:
        verb = "sounds" if len(unknown) == 1 else "sound"
        yield f"{listed(unknown)} also {verb} from another loudspeaker: listen close to the others"


DIALOGUE = "settings.dialogue-level"
WHOLE_REVERSED = ("wiring.polarity", "wiring.pair-polarity", "settings.polarity")
"""A loudspeaker that is reversed as a whole is as loud as one that is not."""
FRONTS = (("FC", "FL", "FR"), ("C", "L", "R"))
"""The loudspeaker that carries most of the dialogue and those that it is compared with: labels of IEC 62574, or short."""


def front_loudspeakers(job: Job) -> tuple[str, str, str] | None:
    """Centre, left and right of the screen by their labels; None where one of them is missing."""
    ids = {channel.id for channel in job.system.channels}
    return next((names for names in FRONTS if ids.issuperset(names)), None)


def _level_is_known(e: Evidence, found: Found, channel: str) -> bool:
    """Whether what a channel reads is its level: it waits for no repair, or only its polarity is wrong."""
    other = {c for f in found if f.cause == "electronics" and f.id not in WHOLE_REVERSED for c in f.channels}
    turned = found.channels(*WHOLE_REVERSED)
    return channel not in other and (channel in turned or channel not in awaiting_repair(e.job, e.round, e.analyses))


def _dialogue(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    """The centre against the left and right front loudspeakers: by the meter, else by the responses."""
    names = front_loudspeakers(e.job)
    if (
        names is None
        or set(names) & found.channels(SWAP_OR_DISTANCE, NOT_AS_SET)
        or not all(_level_is_known(e, found, c) for c in names)
    ):
        return
    if set(names) & set(e.levels.channels):
        read = list(_dialogue_read(e, names))
        yield from read
        if read or not _reads_low(e, names):
            return
    yield from _dialogue_recorded(e, names)  # also where single readings below the limit scatter too much to decide


def _reads_low(e: Evidence, names: tuple[str, str, str]) -> bool:
    """Whether the centre reads below the limit under left and right both, be it within the uncertainty."""
    if not set(names) <= set(e.levels.channels):
        return False
    centre, left, right = (e.levels.channels[c].level_db for c in names)
    return centre - min(left, right) < (e.job.limit("settings.dialogue").lower or 0.0)


def _dialogue_read(e: Evidence, names: tuple[str, str, str]) -> Iterator[FindingDetails]:
    if not set(names) <= set(e.levels.channels):
        return
    centre, left, right = (e.levels.channels[c] for c in names)
    apart = centre.level_db - (left.level_db + right.level_db) / 2
    u = math.hypot(centre.u_db, math.hypot(left.u_db, right.u_db) / 2)
    limit = e.job.limit("settings.dialogue").lower
    # Below each of them: where one side alone is loud, the centre is not what is wrong.
    if centre.level_db - min(left.level_db, right.level_db) >= limit:
        return
    if surely_below(apart, limit, u):
        yield from _quiet_dialogue(e, names, apart, u)
        return
    off, against = _off_trims_db(e)
    value, u = off.get(names[0], (0.0, 0.0))
    if value < 0 and not set(names[1:]) & set(off):  # two channels scatter more than the reference or all the others
        sentence = f"{names[0]} is {-value:.1f} ± {2 * u:.1f} dB below {against}, limit {_trim_db(e):g} dB"
        yield _quiet_centre(e, names, value, against, f"{sentence}; {names[1]} and {names[2]} are within it")


def _dialogue_recorded(e: Evidence, names: tuple[str, str, str]) -> Iterator[FindingDetails]:
    apart, nearest = [], []
    reference, limit = e.job.system.reference_seat, e.job.limit("settings.dialogue").lower
    for seat in e.job.system.seats:
        levels = [cell.level_db for c in names if (cell := e.seats.cells.get((c, seat.id))) is not None]
        known = [level for level in levels if level is not None]
        # A response that was taken past the processor does not hold the trim.
        if len(known) == len(names) and all(_holds_trim(e, c, seat.id) for c in names):
            apart.append(known[0] - (known[1] + known[2]) / 2)
            nearest.append(known[0] - min(known[1:]))
            if reference is not None and seat.id == reference.id and nearest[-1] >= limit:
                return  # trims are set for this seat: what differs elsewhere is the room or the loudspeakers' aim
    seats = sum(each < limit for each in nearest)
    if apart and seats >= ALIKE * len(apart):
        where = f", at {seats} of {len(apart)} seats"
        for finding in _quiet_dialogue(e, names, float(np.median(apart)), channel_off_u_db(len(apart)), where):
            yield replace(finding, check="seats.level")


def _holds_trim(e: Evidence, channel: str, seat: str) -> bool:
    """Whether the newest response of a channel at a seat went through the processor."""
    items = e.screening.usable.repeats(e.round, channel, seat)[-1:]
    return bool(items) and items[0].passes_delays


def _quiet_dialogue(
    e: Evidence, names: tuple[str, str, str], apart_db: float, u_db: float, where: str = ""
) -> Iterator[FindingDetails]:
    limit, (centre, left, right) = e.job.limit("settings.dialogue").lower, names
    if surely_below(apart_db, limit, u_db):
        sentence = (
            f"{centre} is {-apart_db:.1f} ± {2 * u_db:.1f} dB below the mean of {left} and {right}{where}, "
            f"limit {-limit:g} dB"
        )
        yield _quiet_centre(e, names, apart_db, f"{left} and {right}", sentence)


def _quiet_centre(
    e: Evidence, names: tuple[str, str, str], apart_db: float, below: str, sentence: str
) -> FindingDetails:
    """Of the centre that is too soft compared with `below`, as the sentence states."""
    centre, left, right = names
    title = f"dialogue quiet: {centre} {-apart_db:.1f} dB below {below}"
    if doubt := _doubt(e, centre):
        return _in_doubt(e, centre, title, (sentence, *doubt))
    return FindingDetails(
        title=title,
        channels=(centre,),
        evidence=(sentence,),
        alternatives=(
            "the volume was changed between the readings",
            f"something covers {centre}, or its own level control is turned down",
        ),
        confirm=f"Read {centre}, {left} and {right} again, one directly after the other.",
        remedy=f"Enter the trim of {centre} from the settings sheet; listen to speech before and after.",
    )


def _trim_stop(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    if found.any("settings.reference"):
        return  # every trim is another one once the volume is at its reference
    nulls = found.seats("room.row-null", "room.null")
    reference = e.job.system.reference_seat
    for c, each in _settable(e).items():
        if each.reachable and not each.at_limit:
            continue
        if (
            (channel := e.job.system.channel(c)) is not None
            and channel.is_sub
            and reference
            and reference.id in nulls
        ):
            continue  # soft there because of the room
        reaches = each.reachable
        exact, end = (number(value, 1, signed=True) for value in (each.trim_exact_db, each.trim_db))
        needed = f"needs {exact} dB, the range ends at {end} dB"
        yield FindingDetails(
            title=f"trim of {c} at the end of its range" if reaches else f"{c} cannot reach the reference",
            channels=(c,),
            evidence=(f"its required trim is {end} dB, the end of the range" if reaches else needed,),
            alternatives=(
                "the level control of an amplifier or subwoofer is set wrongly",
                "its input is switched low",
            ),
            confirm=f"Look at the level control on the way to {c}.",
            remedy="Change that gain until the trim comes near the middle of its range; else take a common offset.",
        )


def _channel_level(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    """From the responses, where readings alone do not decide: the one of a pair that is off at every seat alike; without
    readings also one without a partner. Of a pair the lower one is checked, though the other may be the loud one.
    """
    repairs = {c for f in found if f.cause == "electronics" and f.id not in WHOLE_REVERSED for c in f.channels}
    explained = (
        repairs | found.channels(DIALOGUE, SWAP_OR_DISTANCE, NOT_AS_SET, "settings.trims") | drivers_in_doubt(e.seats)
    )
    for channel, against in sorted(e.seats.against.items()):
        off, partner, (alike, compared) = against.level_db, against.partner, against.alike_seats
        least, u_db = CHANNEL_OFF_DB if against.has_partner else LONE_OFF_DB, channel_off_u_db(compared)
        if alike < ALIKE * compared or not surely_above(abs(off), least, u_db):
            continue
        if {channel, partner} & explained or (off > 0 and partner in e.seats.against):
            continue
        read_db = _read_apart_db(e, channel, partner)
        if read_db is not None and not read_db * math.copysign(1.0, off) > CHANNEL_OFF_DB:
            continue  # what readings do not show too
        others = [partner] if against.has_partner else [c for c in e.seats.against if c != channel]
        if not against.has_partner and len(others) < LEAST_COUNT and explained & set(others):
            continue  # of two, the other one alone says nothing
        if not all(_through_processor(e, c) for c in (channel, *others)):
            continue  # without trims loudspeakers differ by their sensitivities and places
        if not surely_above(abs(off) - _distance_db(e, channel, others), CHANNEL_OFF_DB, u_db):
            continue
        if against.has_partner and _right_at_reference(e, channel, partner, off):
            continue  # trims are set for this seat: what differs elsewhere is the room
        odd = _odd_one(e.seats, channel, partner)
        other = partner if odd == channel else channel
        low = (off < 0) == (odd == channel)
        place, side = ("below", "lower") if off < 0 else ("above", "higher")
        level = f"{abs(off):.1f} dB {'low' if low else 'loud'}"
        at = f"{side} at {alike} of {compared} seats"
        sentence = f"{channel} is {abs(off):.1f} ± {2 * u_db:.1f} dB {place} {partner}, {at}"
        if depends_on_frequency(against):
            if odd and (doubt := _doubt(e, odd, loud=not low)):
                yield _in_doubt(e, odd, f"{odd} {level}", (sentence, *doubt), loud=not low)
            continue
        yield FindingDetails(
            title=f"{odd} {level} at every seat"
            if odd
            else f"{channel} or {partner} {abs(off):.1f} dB off at every seat",
            channels=(odd,) if odd else (channel, partner),
            evidence=(
                sentence,
                "the same at all seats: the channel, neither the room nor the microphone's gain",
                *(() if read_db is None else (f"by the meter it is {abs(read_db):.1f} dB {place} {partner}, too",)),
                *(() if odd else ("which of the two is not determined without a third channel",)),
            ),
            alternatives=(
                f"the loudspeakers of {channel} and {partner} differ in kind",
                *((f"not {odd} but {other}: too {'loud' if low else 'low'}",) if odd else ()),
            ),
            confirm=f"Read {channel} and {partner} with the meter (levels).",
            remedy=f"Correct the trim of {odd or 'the one that is off'}.",
        )


def _read_apart_db(e: Evidence, channel: str, other: str) -> float | None:
    """A reading minus another one, each relative to its target [dB]; None where neither was taken, NaN where one was."""
    if not e.levels.channels.keys() & {channel, other}:
        return None
    own, its = (e.levels.channels.get(c) for c in (channel, other))
    return math.nan if own is None or its is None else its.correction_db - own.correction_db


def _right_at_reference(e: Evidence, channel: str, partner: str, off_db: float) -> bool:
    """Whether a channel is not off, to that side, against its partner at the reference seat or at its mirror image."""
    reference = e.job.system.reference_seat
    if reference is None:
        return False
    mirror = mirrored_seats(e.job.system.seats)
    own = _level_db(e, channel, reference.id)
    others = (_level_db(e, partner, seat) for seat in (reference.id, mirror.get(reference.id, reference.id)))
    return own is not None and any(
        theirs is not None and (own - theirs) * math.copysign(1.0, off_db) < CHANNEL_OFF_DB for theirs in others
    )


def _level_db(e: Evidence, channel: str, seat: str) -> float | None:
    cell = e.seats.cells.get((channel, seat))
    return None if cell is None else cell.level_db


def _through_processor(e: Evidence, channel: str) -> bool:
    """Whether everything heard of a channel went through the processor, and so holds its trim."""
    return all(
        _holds_trim(e, channel, seat) for (c, seat), cell in e.seats.cells.items() if c == channel and cell.repeats
    )


def _distance_db(e: Evidence, channel: str, others: Sequence[str]) -> float:
    """What distances alone make between a channel and others at the mirrored seats, without trims [dB]; 0 if unknown."""
    seats = e.job.system.seats
    mirror = mirrored_seats(seats) if len(others) == 1 else {}
    apart = [
        20 * math.log10(float(np.median(theirs)) / own)
        for s in seats
        if (own := _distance_m(e, channel, s.id)) is not None
        and (theirs := [d for c in others if (d := _distance_m(e, c, mirror.get(s.id, s.id))) is not None])
    ]
    return abs(float(np.median(apart))) if apart else 0.0


def _distance_m(e: Evidence, channel: str, seat: str) -> float | None:
    one, other = e.job.system.channel(channel), e.job.system.seat(seat)
    if one is None or other is None or one.position_m is None or other.position_m is None:
        return None
    return max(distance_m(one.position_m, other.position_m), 0.1)


def _odd_one(result: SeatsResult, channel: str, partner: str) -> str | None:
    """Which of a pair is farther from the middle of the other main channels; None where there are no others."""
    mains = {c: result.channel_level_db[c] for c in result.against if c in result.channel_level_db}
    if partner not in mains:
        return channel
    others = [level for c, level in mains.items() if c not in (channel, partner)]
    if not others:
        return None
    middle = float(np.median(others))
    return channel if abs(mains[channel] - middle) >= abs(mains[partner] - middle) else partner


def _bass_management(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    """A main channel whose bass, an octave below its noted high-pass, is far above its partner's, over the seats together,
    and the more so the lower the frequency.

    Its level alone says nothing: in small rooms of short decay, modes lifted it by 14 to 18 dB at all seats of healthy
    loudspeakers in front, as much as a second-order high-pass takes away, while those at the sides kept their slope. A
    high-pass that is entered as steeper, or less steep, is compared as if it were of second order.
    """
    other_sound = (
        "wiring.silent",
        "wiring.midrange",
        "wiring.woofer",
        "wiring.swapped",
        ONE_LOUDSPEAKER,
        "wiring.doubled",
        "settings.upmix",
    )
    explained = found.channels(*other_sound)
    levels_db, below_db, second_order_db = {}, {}, {}
    for channel in e.job.system.channels:
        if channel.is_sub or channel.id in explained or (level_db := _bass_level_db(e, channel)) is None:
            continue
        levels_db[channel.id] = level_db
        below_db[channel.id] = _slope_db(level_db, channel.high_pass_hz or 0.0)
        second_order_db[channel.id] = below_db[channel.id] + _beyond_second_order_db(e.job.system, channel)
    missing: dict[str, str] = {}
    for channel in e.job.system.channels:
        c, partner = channel.id, mirror_partner(channel.id) or ""
        if c not in levels_db or partner not in levels_db:
            continue
        value, beside = second_order_db[c], second_order_db[partner]
        if beside > SLOPE_DB or value - beside < PARTNER_DB or value <= UNFILTERED_DB:
            continue
        whole = _bass_level_db(e, channel, lowest=True)
        if whole is not None and _grows_below(whole - levels_db[partner], channel.high_pass_hz or 0.0):
            missing[c] = (
                f"{c}: an octave below, its level is {signed(below_db[c])} dB re an octave above; that of {partner} is "
                f"{signed(below_db[partner])} dB"
            )
    if not missing:
        return
    names = sorted(missing)
    yield FindingDetails(
        title=f"no high-pass on {listed(names)}"
        if all(below_db[c] > UNFILTERED_DB for c in names)
        else f"high-pass of {listed(names)} less steep than entered",
        channels=tuple(names),
        evidence=tuple(missing.values()),
        alternatives=(
            "the high-pass is set, but this measurement went past the processor",
            "the noted frequency or slope of the crossover is not the one that is set",
        ),
        confirm=f"Look up whether the processor treats {names[0]} as small, with a crossover, and measure it again.",
        remedy="Set the crossover that is noted; otherwise the subwoofers double the bass of these channels.",
    )


def _bass_level_db(e: Evidence, channel: Channel, *, lowest: bool = False) -> FloatArray | None:
    """Levels of a channel with a noted high-pass on GRID_HZ, power means over the seats [dB].

    None where no high-pass is noted, the response did not pass the processor, or at fewer than two seats without noise
    around half its frequency, and with `lowest` below that, too.
    """
    corner = channel.high_pass_hz
    if corner is None or corner < LEAST_CORNER_HZ:
        return None
    low, high = _slope_bands(corner)
    quiet = low | _lowest_band(corner) if lowest else low
    heard = [
        cell.analysis.third_octave_db
        for (c, _), cell in e.seats.cells.items()
        if c == channel.id
        and cell.analysis is not None
        and cell.passes_delays
        and not _in_noise(cell.analysis, quiet)
    ]
    levels = np.array([each for each in heard if np.isfinite(each[quiet | high]).all()])
    return 10 * np.log10(np.mean(10 ** (levels / 10), axis=0)) if len(levels) >= 2 else None


def _grows_below(apart_db: FloatArray, corner_hz: float) -> bool:
    """Whether a difference grows from a high-pass frequency to half of it, and again to the bass below."""
    around = (GRID_HZ >= corner_hz / 1.2) & (GRID_HZ <= 1.2 * corner_hz)
    bands = (around, _slope_bands(corner_hz)[0], _lowest_band(corner_hz))
    return bool((np.diff([apart_db[band].mean() for band in bands]) >= GROWS_DB).all())


def _slope_bands(corner_hz: float) -> tuple[BoolArray, BoolArray]:
    """Around half a high-pass frequency and around twice it, in GRID_HZ."""
    return (
        (GRID_HZ >= corner_hz / 2.2) & (GRID_HZ <= corner_hz / 1.6),
        (GRID_HZ >= 1.4 * corner_hz) & (GRID_HZ <= 3 * corner_hz),
    )


def _lowest_band(corner_hz: float) -> BoolArray:
    """From half to a quarter of a high-pass frequency, or where GRID_HZ begins."""
    return np.asarray((GRID_HZ >= corner_hz / 4.4) & (GRID_HZ <= corner_hz / 2.4))


def _slope_db(level_db: FloatArray, corner_hz: float) -> float:
    low, high = _slope_bands(corner_hz)
    return float(level_db[low].mean() - level_db[high].mean())


def _beyond_second_order_db(system: System, channel: Channel) -> float:
    """By how much its entered high-pass falls more than one of second order from above to below its corner [dB].

    0 where no type is entered; below zero for one of first order.
    """
    entered, corner_hz = system.high_pass(channel), channel.high_pass_hz
    if entered is None or corner_hz is None:
        return 0.0
    entered = min(entered, STEEPEST, key=lambda each: each.slope_db_per_octave)
    usual_db, entered_db = (
        _slope_db(20 * np.log10(np.abs(crossover_response(GRID_HZ, corner_hz, each, "high"))), corner_hz)
        for each in (SECOND_ORDER, entered)
    )
    return usual_db - entered_db


def _in_noise(analysis: Analysis, band: BoolArray) -> bool:
    """Whether noise, such as hum, may make a tenth of the level or more in a band: less than 10 dB below it."""
    noise = analysis.noise_db
    return noise is not None and bool((analysis.third_octave_db[band] - noise[band] < 10.0).any())


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
    Rule(
        id="settings.reference",
        check="levels.reference",
        explains=("levels.match",),
        symptom="all channels too soft or too loud",
        look=_all_off,
        basis="more than 1 dB off alike, guard-banded with the meter's class; common practice",
    ),
    Rule(
        id=DIALOGUE,
        check="levels.match",
        explains=("levels.match", "seats.level"),
        symptom="dialogue too soft",
        look=_dialogue,
        basis="centre more than 1 dB below the mean of left and right, guard-banded; common practice",
    ),
    Rule(
        id="settings.trims",
        check="levels.match",
        explains=("levels.match", "levels.sum"),
        symptom="a channel loud or soft",
        look=_trims,
        basis="more than 1 dB off, guard-banded, common practice; less than 6 dB uneven over frequency, 4.5 dB beside a "
        f"range as loud as the partner's; {FAULT_MATRIX}",
    ),
    Rule(
        id="settings.channel-level",
        check="seats.level",
        symptom="a channel loud or soft",
        look=_channel_level,
        basis="more than 1 dB from its partner at the mirrored seats, guard-banded; common practice",
    ),
    Rule(
        id="settings.bass-management",
        check="seats.level",
        symptom="boomy everywhere",
        look=_bass_management,
        basis=f"9 dB less slope below the noted high-pass than the partner, the more the lower; {FAULT_MATRIX}",
    ),
)

LAST = (
    Rule(
        id="settings.trim-range",
        check="levels.match",
        explains=("levels.match",),
        symptom="a trim at the end of its range",
        look=_trim_stop,
        basis=f"trim at the end of its range; {FAULT_MATRIX}",
    ),
)
"""What the room may explain: after the rules about it."""
