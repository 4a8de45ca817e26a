"""Delays, settings and wrong arrivals from the distances and arrivals of a round. For the step `distances`."""

from __future__ import annotations

import math
from collections.abc import Container, Iterable
from dataclasses import dataclass, replace
from typing import TypedDict

import numpy as np
from numpy.typing import NDArray

from commission.dsp import delays as delays_of
from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.geometry import mirror_partner
from commission.dsp.latency import UnitFit, common_latency, enough_in_common, unit_factor
from commission.dsp.uncertainty import median_sensitivities
from commission.model import Analyses, Budget, Channel, Check, DelayRange, FloatArray, Job, Limit, Verdict
from commission.model.formatting import number
from commission.model.units import FOOT_M
from commission.model.verdict import guard_band, surely_above
from commission.steps.shared import budgets as budget_for
from commission.steps.shared.arrivals import (
    Place,
    ReferenceArrival,
    SeatArrivals,
    find_places,
    reference_arrival,
    seat_arrivals,
)
from commission.steps.shared.screening import usable
from commission.steps.shared.survey import (
    applied_delays_s,
    geometry_m,
    known_distance_m,
    round_matching,
    round_survey,
)

SUB_LATENCY_S = 0.002
"""Latency from which a subwoofer's own latency is worth entering (common practice, no source)."""
ENTERED_LATENCY_S = 0.020
"""Largest excess of a subwoofer's setting over its distance: signal processing, wireless links (common practice, no
source)."""
TWICE_DB, TWICE_S = -3.0, 0.0003
"""A sound that arrives too early and again at the correct time, within two standard uncertainties and hardly softer,
comes from two loudspeakers: a reflection is seldom as strong (common practice, no source)."""
NEAREST = 1e-3
"""Least distance in m or ft: no loudspeaker is nearer, and the quotient of a smaller setting may overflow."""
RATIO_WITHIN = 0.1
"""Largest deviation of single ratios from their median: tapes and settings by eye (common practice, no source)."""
AGAINST_TAPE, AGAINST_OTHERS = "arrival minus tape and setting", "arrival minus the main channels' median"
SET_BY_BASS = "the step Bass set it together with the other subwoofers"
SET_BY_TAPE, SET_BY_SOUND = (
    f"delay set minus delay required by {what}, relative to the main channels' median"
    for what in ("the tape", "the arrival")
)
ENTRY_ONLY, TAPE_CHECKED = (
    "this checks the entry, not the tape",
    "whether the tape is right is checked by the arrival",
)
ONE_STEP = "plus one step of the processor, by which rounding can set two channels apart"
STEP_AND_U = f"{ONE_STEP}, and 1.645 u of tape or arrival, which no setting can do better than"
UNIT_SHARE = 0.06
"""Largest relative deviation of the ratio of current to correct settings from feet per metre: the ratio of three settings
of 3 m in steps of half a metre scatters by 0.03 (arithmetic); nothing else makes it that large or small (common practice,
no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelDistance:
    """One loudspeaker: its distance, the setting to enter, the current setting, its arrival."""

    channel: Channel
    distance_m: float
    origin: str
    """"tape" or "position"."""
    acoustic_m: float
    """Distance including the loudspeaker's own latency, if known; otherwise `distance_m`."""
    kept_latency_s: float | None
    """Excess of the setting over the distance, if it is kept: it agrees with the arrival or, for a subwoofer without an
    arrival, is a usual latency of subwoofers."""
    setting: delays_of.DelaySetting
    held: float | None
    """Current setting in this round, in the processor's unit."""
    held_error_s: float | None
    """Delay by the current setting, minus the delay needed, minus the median of this over the main channels: only
    differences between channels are audible."""
    arrival_s: float | None
    arrival_residual_s: float | None
    """Arrival minus the time by distance and current setting, common latency removed."""
    alignment_s: float | None
    """Arrival minus the common arrival of all channels, at the listener."""
    arrival_u_s: float
    """Standard uncertainty of arrival against tape."""
    why_no_arrival: str | None
    """Reason why there is no arrival, or what makes it doubtful."""
    check_setting: Check
    check_arrival: Check
    speed_m_s: float
    budgets: tuple[Budget, ...]
    """Budgets of `check_setting`, of `check_arrival`, and of the delay error after the new setting is entered."""

    @property
    def implied_m(self) -> float | None:
        """The distance that the arrival would correspond to."""
        return None if self.arrival_residual_s is None else self.distance_m + self.arrival_residual_s * self.speed_m_s

    @property
    def outlier(self) -> bool:
        """Whether it contradicts the tape beyond doubt: guarded as a failing check."""
        limit, residual = self.check_arrival.limit, self.arrival_residual_s
        if self.channel.is_sub:
            return self.own_latency_m != 0
        if self.own_latency_m != 0:
            return False
        if residual is None or limit is None:
            return False
        return limit.judge(1000 * residual, 1000 * self.arrival_u_s) is Verdict.FAIL

    @property
    def to_enter(self) -> bool:
        """Whether the current setting differs from the one to enter."""
        return self.held is None or abs(self.held - self.setting.setting) > 1e-6

    @property
    def own_latency_m(self) -> float:
        """Distance that a latency relative to the main loudspeakers' median adds; 0 without one, or if unknown.

        Negative if most main loudspeakers have the longer one, such as that of built-in signal processing. For a main
        loudspeaker only if its setting includes it.
        """
        return self.acoustic_m - self.distance_m


@dataclass(frozen=True, slots=True, kw_only=True)
class DistancesResult:
    """Distances, delays and arrivals of one round."""

    channels: dict[str, ChannelDistance]
    missing: tuple[str, ...]
    speed_m_s: float
    latency_s: float | None
    unit_fit: UnitFit | None
    held_ratio: float | None
    """Entered ÷ correct setting, median, if most channels agree on it; far from 1: a unit is wrong."""
    places: dict[str, Place]
    """Main channel → the place it sounds from by its arrivals over the seats; empty if not determined."""
    seats: tuple[SeatArrivals, ...]
    no_swap_reason: str | None
    reference: str | None
    """The reference seat."""
    scale: float
    """Factor on the noted delays, by the arrivals of all seats: 1 right, 0 no delays, −1 the wrong sign."""
    takes_delays: bool
    """Whether the processor is set in ms, not in distances."""
    late_s: dict[str, float]
    """Main channel → its delay at all its seats beyond its distances and its setting, if beyond doubt."""
    rest_s: dict[str, dict[str, float]]
    """Main channel → seat → arrival minus latency, flight and delay."""

    @property
    def swapped(self) -> dict[str, tuple[str, float]]:
        """Channels that sound from another's place beyond doubt → (that place, z)."""
        return {c: (each.place, each.z) for c, each in self.places.items() if each.place != c}

    @property
    def exchanged(self) -> frozenset[str]:
        """Channels that sound from another's place, surely or possibly by their arrivals."""
        return frozenset(c for c, each in self.places.items() if each.place != c or each.undecided is not None)

    @property
    def outliers(self) -> tuple[str, ...]:
        """Channels whose arrival contradicts the tape, including late subwoofers; swapped ones have their own
        explanation.
        """
        return tuple(c for c, each in self.channels.items() if each.outlier and c not in self.exchanged)


def solve(job: Job, round_id: str, analyses: Analyses, set_by_bass: Container[str]) -> DistancesResult:
    """Delays, settings and arrivals of a round.

    `set_by_bass`: subwoofers with the settings proposed by the step Bass.
    """
    analyses = usable(job, analyses, round_id)
    system = job.system
    known = {c: found for c in system.channels if (found := known_distance_m(job, c, round_id)) is not None}
    measured = _measure(job, round_id, analyses, known)
    comparison = _compare(job, measured, np.array([c.id in set_by_bass for c in known], bool))
    proposal = _propose(job, measured, comparison)
    budgets = _budgets(measured, proposal.held_error_s)
    channels = {
        c.id: _channel(
            job, measured, comparison, proposal, i, budgets[i], SET_BY_BASS if c.id in set_by_bass else None
        )
        for i, c in enumerate(known)
    }
    settings = {c: each.setting for c, each in zip(known, proposal.settings, strict=True)}
    heard_mains = measured.mains & measured.passes
    places, why_no_swap = find_places(job, round_id, analyses)
    return DistancesResult(
        channels=channels,
        missing=tuple(c.id for c in system.channels if c not in known),
        speed_m_s=measured.speed_m_s,
        latency_s=measured.latency_s,
        unit_fit=unit_factor(np.where(heard_mains, measured.arrivals_s, np.nan), measured.tape_m, measured.speed_m_s)
        if heard_mains.sum() >= 4
        else None,
        held_ratio=comparison.ratio,
        places=places,
        seats=seat_arrivals(job, round_id, analyses, settings),
        no_swap_reason=why_no_swap if known else "no distances yet",
        reference=None if system.reference_seat is None else system.reference_seat.id,
        takes_delays=system.processor.delay.unit == "ms",
        **_matched_times(job, round_id, analyses),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Channels:
    """The channels with a distance: arrays [shape=(channels,)], NaN where unknown."""

    known: dict[Channel, tuple[float, str]]
    """Distance [m] and its origin."""
    heard: list[ReferenceArrival]
    tape_m: FloatArray
    mains: NDArray[np.bool_]
    passes: NDArray[np.bool_]
    """Whether it was measured through the processor's delays."""
    held: FloatArray
    """Current setting, in the processor's unit."""
    applied_s: FloatArray
    """Delay by the current setting."""
    arrivals_s: FloatArray
    residual_s: FloatArray
    """Arrival minus the time by distance and current setting, common latency removed."""
    alignment_s: FloatArray
    """Arrival minus the common arrival of all channels."""
    latency_s: float | None
    flights: list[Budget]
    """Budgets of the delay needed."""
    arrival_budgets: list[Budget]
    u_s: FloatArray
    """Standard uncertainty of each arrival against its tape."""
    speed_m_s: float
    own_m_s: float
    """Speed of sound that the processor assumes."""


def _measure(job: Job, round_id: str, analyses: Analyses, known: dict[Channel, tuple[float, str]]) -> _Channels:
    system, channels = job.system, list(known)
    speed = speed_of_sound_m_s(system.temperature_c)
    tape = np.array([distance for distance, _ in known.values()])
    heard = [reference_arrival(job, round_id, c, analyses) for c in channels]
    passes = np.array([each.passes_delays for each in heard], bool)
    mains = np.array([not c.is_sub for c in channels], bool)
    applied = applied_delays_s(job, round_id, channels, speed)
    arrivals = _array(each.arrival_s for each in heard)
    fit = common_latency(arrivals, tape, np.where(passes, applied, 0.0), speed, mains)
    once = heard if fit is None else [_own_arrivals(*both) for both in zip(heard, fit.residual_s, strict=True)]
    if once != heard:
        heard = once
        arrivals = _array(each.arrival_s for each in heard)
        fit = common_latency(arrivals, tape, np.where(passes, applied, 0.0), speed, mains)
    residual = fit.residual_s if fit is not None else np.full(len(channels), np.nan)
    flights = _flights(job, known, mains, speed)
    budgets = [
        budget_for.arrival_budget(flight, h.u_s, channel=c.id, is_sub=c.is_sub)
        for flight, h, c in zip(flights, heard, channels, strict=True)
    ]
    budgets = _with_median(budgets, residual, mains & passes)
    return _Channels(
        known=known,
        heard=heard,
        tape_m=tape,
        mains=mains,
        passes=passes,
        held=_array(job.setting(round_id, c.id).distance for c in channels),
        applied_s=applied,
        arrivals_s=arrivals,
        residual_s=residual,
        alignment_s=_alignment(arrivals, mains & passes, passes),
        latency_s=None if fit is None else fit.latency_s,
        flights=flights,
        arrival_budgets=budgets,
        u_s=np.array([budget.u / 1000 for budget in budgets]),
        speed_m_s=speed,
        own_m_s=delays_of.assumed_speed_m_s(system.processor.delay.unit, system.processor.speed_of_sound_m_s, speed),
    )


def _heard_twice(heard: ReferenceArrival, residual_s: float) -> bool:
    """Whether a channel is heard too early, by the negative `residual_s`, and again at the time of its distance and
    setting.
    """
    return residual_s < -TWICE_S and any(
        level_db >= TWICE_DB and abs(after_s + residual_s) <= TWICE_S for after_s, level_db in heard.again
    )


def _own_arrivals(heard: ReferenceArrival, residual_s: float) -> ReferenceArrival:
    """The arrivals of a channel, without one that may belong to another loudspeaker."""
    if not _heard_twice(heard, residual_s):
        return heard
    why = (
        f"it is heard {number(-1000 * residual_s, 1)} ms too early and again at the right time: a nearer loudspeaker may "
        "play it, too; to settle it, play it alone and listen close to the others"
    )
    return replace(heard, arrival_s=None, why=why)


def _settings_to_enter(job: Job, speed_m_s: float, distances_m: FloatArray) -> tuple[delays_of.DelaySetting, ...]:
    """The settings for these distances [shape=(channels,)]."""
    processor = job.system.processor
    if not len(distances_m):
        return ()
    return delays_of.delay_settings(
        distances_m, speed_m_s=speed_m_s, delay=processor.delay, assumed_m_s=processor.speed_of_sound_m_s
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Comparison:
    """The current settings against tape and sound; arrays [shape=(channels,)]."""

    ratio: float | None
    """Entered ÷ correct setting; None if unknown."""
    usual: bool
    """Whether the main channels' settings are in the right unit."""
    tolerance_s: float
    """Largest error of a setting."""
    tape_error_s: FloatArray
    """Delay by the current setting minus that of the tape, relative to the main channels."""
    together_s: FloatArray
    """Arrival with the current settings, relative to the main channels."""
    entered_s: FloatArray
    """Excess of the setting over the tape, if that is a latency."""
    suits_sound: NDArray[np.bool_]
    """Main channels whose setting contradicts the tape and agrees with the sound."""
    keeps: NDArray[np.bool_]
    """Channels whose setting stays."""
    shifted: NDArray[np.bool_]
    """Channels with a latency of their own."""


def _compare(job: Job, measured: _Channels, by_bass: NDArray[np.bool_]) -> _Comparison:
    """Comparison of the settings. `by_bass`: subwoofers with the settings proposed by the step Bass [shape=(channels,)]."""
    delay, mains, held, residual = job.system.processor.delay, measured.mains, measured.held, measured.residual_s
    u = measured.u_s
    by_tape = _settings_to_enter(job, measured.speed_m_s, measured.tape_m)
    # A subwoofer's setting may include its own latency: main channels determine the unit if they agree or are enough.
    ratio = _ratio(np.where(mains, held, np.nan), by_tape, delay)
    if ratio is None and mains.sum() < 3:
        ratio = _ratio(held, by_tape, delay)
    tape_error_s = _held_errors(measured.applied_s, by_tape, mains)
    together = _net_arrivals_s(measured.alignment_s, residual, tape_error_s, mains)
    one_step_s = step_s(delay, measured.own_m_s)
    tolerance_s = job.limit("distances.setting").upper / 1000 + one_step_s
    suits_sound = mains & (np.abs(together) <= tolerance_s) & (_is_feet(ratio) is None)
    # Settings that include a common latency are not in a wrong unit, whatever their ratio to the distances.
    usual = ratio is None or abs(ratio - 1) < RATIO_WITHIN or bool(suits_sound[mains].all())
    # With coarse steps a wrong setting may also be in time; the sound then agrees better with the tape.
    suits_sound &= (np.abs(tape_error_s) > tolerance_s) & ~(np.abs(residual) < np.abs(together))
    entered_s = np.where(mains & ~suits_sound, 0.0, -tape_error_s)
    off = _switched_off(held[mains], tape_error_s[mains], tolerance_s)
    keeps = _keeps_latency(entered_s, residual, u, mains, usual=usual and not off)
    late, early = (
        ~mains
        & np.array([surely_above(r, SUB_LATENCY_S, each) for r, each in zip(sign * residual, u, strict=True)], bool)
        for sign in (1.0, -1.0)
    )
    # If delays are bypassed, an early subwoofer may be a recording that did pass them, unless its setting agrees with it.
    shifted = (late | early & (np.isfinite(measured.alignment_s) | keeps)) & ~by_bass
    entered = mains & (_is_feet(ratio) is None)
    nearly = _nearly_aligned(job, together, residual, u, entered, one_step_s)
    nearly |= entered & _late_like_partner(job, list(measured.known), together, residual, u)
    latent = suits_sound | nearly
    return _Comparison(
        ratio=ratio,
        usual=usual,
        tolerance_s=tolerance_s,
        tape_error_s=tape_error_s,
        together_s=together,
        entered_s=entered_s,
        suits_sound=suits_sound,
        keeps=keeps | by_bass | suits_sound,
        shifted=shifted | latent & np.isfinite(residual) & _has_latency(job, measured.known, -tape_error_s, latent),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Proposal:
    """The settings to enter; arrays [shape=(channels,)]."""

    settings: tuple[delays_of.DelaySetting, ...]
    acoustic_m: FloatArray
    """The distance with the channel's own latency."""
    held_error_s: FloatArray
    """Delay by the current setting, minus the delay needed, relative to the main channels."""
    keeps: NDArray[np.bool_]
    """Channels whose setting stays."""
    by_sound: NDArray[np.bool_]
    """Channels whose setting is compared with the sound, not with their distance alone."""


def _propose(job: Job, measured: _Channels, found: _Comparison) -> _Proposal:
    delay, mains, tape = job.system.processor.delay, measured.mains, measured.tape_m
    speed, own, keeps = measured.speed_m_s, measured.own_m_s, found.keeps
    latency_m = measured.residual_s * speed
    acoustic = tape + np.where(found.shifted, latency_m, 0.0)
    # A setting that contradicts its tape is compared with the sound, including the subwoofer's own latency.
    differs = ~mains & np.isfinite(latency_m) & (np.abs(found.entered_s) > SUB_LATENCY_S) & found.usual
    by_sound = found.shifted | differs
    needed = _settings_to_enter(job, speed, tape + np.where(by_sound, latency_m, 0.0))
    distances_m = np.where(keeps, tape + found.entered_s * speed, acoustic)
    settings = _settings_to_enter(job, speed, distances_m)
    as_held = mains & (found.suits_sound | (np.abs(found.tape_error_s) <= found.tolerance_s))
    if delay.unit != "ms" and found.usual and mains.sum() >= 3 and as_held[mains].all():
        # An excess common to all settings is inaudible: it stays, so that no setting needs changing for it.
        excess = (measured.held - [each.exact for each in settings])[mains]
        more = delays_of.unit_m(delay.unit) * float(np.median(excess))
        if abs(more) / own > found.tolerance_s:
            settings = _settings_to_enter(job, speed, distances_m + more * speed / own)
            keeps = keeps | mains
    return _Proposal(
        settings=_final_settings(settings, measured.held, keeps, delay.step),
        acoustic_m=acoustic,
        held_error_s=_held_errors(measured.applied_s, needed, mains),
        keeps=keeps,
        by_sound=by_sound,
    )


def _matched_times(job: Job, round_id: str, analyses: Analyses) -> _MatchedTimes:
    """Delays of the channels from the arrivals of all seats."""
    found, matching = round_survey(job, round_id, analyses), round_matching(job, round_id, analyses)
    if isinstance(found, str) or matching is None:
        return {"scale": 1.0, "late_s": {}, "rest_s": {}}
    rest = {
        channel: {s: float(r) for s, r in zip(found.seats, row, strict=True) if math.isfinite(r)}
        for channel, row in zip(found.channels, matching.rest_s, strict=True)
    }
    late = {found.channels[each.channels[0]]: each.shift_s for each in matching.sure if each.kind == "delay"}
    return {"scale": matching.scale, "late_s": late, "rest_s": {} if found.by_tape else rest}


class _MatchedTimes(TypedDict):
    scale: float
    late_s: dict[str, float]
    rest_s: dict[str, dict[str, float]]


@dataclass(frozen=True, slots=True)
class _Times:
    """The numbers of one channel, NaN where unknown."""

    held: float
    held_error_s: float
    arrival_s: float
    residual_s: float
    alignment_s: float
    together_s: float
    u_s: float


def _array(values: Iterable[float | None]) -> FloatArray:
    return np.array([math.nan if value is None else value for value in values], dtype=float)


def _none_if_nan(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


@dataclass(frozen=True, slots=True)
class _Budgets:
    """Budgets of one channel's times, and the speed of sound assumed by its processor."""

    flight: Budget
    arrival: Budget
    alignment: Budget
    own_m_s: float


def _times(measured: _Channels, comparison: _Comparison, proposal: _Proposal, index: int) -> _Times:
    return _Times(
        held=float(measured.held[index]),
        held_error_s=float(proposal.held_error_s[index]),
        arrival_s=float(measured.arrivals_s[index]),
        residual_s=float(measured.residual_s[index]),
        alignment_s=float(measured.alignment_s[index]),
        together_s=float(comparison.together_s[index]),
        u_s=float(measured.u_s[index]),
    )


def _budgets(measured: _Channels, held_error_s: FloatArray) -> list[_Budgets]:
    """Budgets of each channel."""
    mains = measured.mains
    alone = [
        budget_for.arrival_budget(None, heard.u_s, channel=c.id, is_sub=c.is_sub)
        for c, heard in zip(measured.known, measured.heard, strict=True)
    ]
    aligned = _with_median(alone, measured.alignment_s, mains & measured.passes)
    flights = _with_median(measured.flights, held_error_s, mains)
    return [
        _Budgets(flight, arrival, alignment, measured.own_m_s)
        for flight, arrival, alignment in zip(flights, measured.arrival_budgets, aligned, strict=True)
    ]


def _flights(
    job: Job, known: dict[Channel, tuple[float, str]], mains: NDArray[np.bool_], speed_m_s: float
) -> list[Budget]:
    """Budgets of the delay needed, by tape or position, against the other main channels."""
    tape = np.array([distance for distance, _ in known.values()])
    middle = float(np.median(tape[mains])) if mains.any() else 0.0
    return [
        budget_for.flight_budget(
            channel.id,
            origin=origin,
            is_sub=channel.is_sub,
            apart_m=distance - middle,
            speed_m_s=speed_m_s,
            temperature_c=job.system.temperature_c,
        )
        for channel, (distance, origin) in known.items()
    ]


def _with_median(budgets: list[Budget], values_s: FloatArray, voices: NDArray[np.bool_]) -> list[Budget]:
    """Budgets of values taken against their median over `voices`, which scatters as well."""
    known = np.nonzero(voices & np.isfinite(values_s))[0]
    if not len(known):
        return budgets
    one_ms = float(np.median([budgets[i].u for i in known]))
    if not one_ms > 0:
        return budgets
    apart = median_sensitivities(1000 * values_s, one_ms, known.tolist())
    return [budget_for.with_median(budget, one_ms, float(each)) for budget, each in zip(budgets, apart, strict=True)]


def _held_errors(
    applied: FloatArray, settings: tuple[delays_of.DelaySetting, ...], mains: NDArray[np.bool_]
) -> FloatArray:
    """Applied minus needed delay [s], minus its median over the main channels.

    Only differences between channels are audible: a common excess is no channel's error, even in a wrong unit.
    """
    error = applied - np.array([setting.delay_s for setting in settings])
    good = np.isfinite(error) & mains
    return np.asarray(error - (np.median(error[good]) if good.any() else 0.0))


def _switched_off(held: FloatArray, tape_error_s: FloatArray, tolerance_s: float) -> bool:
    """Whether all of these settings are equal although the distances differ: they include no latency."""
    known = np.isfinite(held) & np.isfinite(tape_error_s)
    if known.sum() < 2:
        return False
    return bool(np.ptp(held[known]) == 0 and np.ptp(tape_error_s[known]) > tolerance_s)


def _keeps_latency(
    entered_s: FloatArray, residual_s: FloatArray, u_s: FloatArray, mains: NDArray[np.bool_], *, usual: bool
) -> NDArray[np.bool_]:
    """Subwoofers whose setting stays unchanged: nothing shows beyond doubt that it is wrong.

    `entered_s`: excess of the setting over its tape, as time. With an arrival, it must agree with the measured latency;
    without one, it must be a usual latency of subwoofers, and the main channels' settings must be `usual`, that is in the
    right unit and not all the same.
    """
    keeps = np.zeros(len(entered_s), bool)
    for i in np.nonzero(~mains & np.isfinite(entered_s))[0]:
        if math.isfinite(residual_s[i]):
            keeps[i] = not surely_above(abs(float(entered_s[i] - residual_s[i])), SUB_LATENCY_S, float(u_s[i]))
        else:
            keeps[i] = usual and -SUB_LATENCY_S <= entered_s[i] <= ENTERED_LATENCY_S
    return keeps


def _net_arrivals_s(
    alignment_s: FloatArray, residual_s: FloatArray, tape_error_s: FloatArray, mains: NDArray[np.bool_]
) -> FloatArray:
    """Arrival of each channel with the current settings, minus the main channels' median [s].

    Measured if the sound passed the delays. If it bypassed them, it is the deviation of the arrival from the tape plus
    that of the setting.
    """
    past = residual_s + tape_error_s
    known = np.isfinite(past) & mains
    if known.sum() >= 3:
        past = past - np.median(past[known])
    return np.where(np.isfinite(alignment_s), alignment_s, past if known.sum() >= 3 else np.nan)


def _nearly_aligned(
    job: Job,
    together_s: FloatArray,
    residual_s: FloatArray,
    u_s: FloatArray,
    mains: NDArray[np.bool_],
    one_step_s: float,
) -> NDArray[np.bool_]:
    """Main channels that contradict their tape beyond doubt, but arrive in time through their setting within the
    uncertainty of an arrival: the setting approximately includes their own latency.
    """
    limit_s = job.limit("distances.arrival").upper / 1000
    return np.asarray(
        mains & (np.abs(together_s) <= limit_s + one_step_s) & (np.abs(residual_s) > 2 * limit_s + 2 * u_s)
    )


def _late_like_partner(
    job: Job, channels: list[Channel], together_s: FloatArray, residual_s: FloatArray, u_s: FloatArray
) -> NDArray[np.bool_]:
    """Channels as late by their sound as their mirror partner, both with settings that allow for at least half of it.

    Two loudspeakers of one model have the same delay of their own: a deep horn, signal processing. Its drivers may sound
    at different times, so that the setting need not fit the first of them.
    """
    limit_s = job.limit("distances.arrival").upper / 1000
    allowed = (np.abs(residual_s) > 2 * limit_s + 2 * u_s) & (np.abs(together_s) <= np.abs(residual_s) / 2)
    index = {channel.id: i for i, channel in enumerate(channels)}
    found = np.zeros(len(channels), bool)
    for i, channel in enumerate(channels):
        partner = index.get(mirror_partner(channel.id) or "")
        if partner is not None:
            found[i] = allowed[i] and allowed[partner] and abs(residual_s[i] - residual_s[partner]) <= limit_s
    return found


def _has_latency(
    job: Job, known: dict[Channel, tuple[float, str]], entered_s: FloatArray, among: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Main channels whose setting agrees with the sound and not with the tape, from their latency rather than a wrong
    tape.

    Their position agrees with the tape or, where it is unknown, another channel has the same latency.
    """
    slack_m = max(-job.limit("layout.tape").lower, job.limit("layout.tape").upper)
    alike_s = job.limit("distances.arrival").upper / 1000
    found = np.zeros(len(entered_s), bool)
    for i, (channel, (distance, origin)) in enumerate(known.items()):
        geometry = geometry_m(job, channel)
        others = among & (np.arange(len(among)) != i)
        if geometry is None:
            found[i] = bool(np.any(np.abs(entered_s[others] - entered_s[i]) <= alike_s))
        else:
            found[i] = origin == "position" or abs(distance - geometry) <= slack_m
    return found


def _final_settings(
    settings: tuple[delays_of.DelaySetting, ...], held: FloatArray, keeps: NDArray[np.bool_], step: float
) -> tuple[delays_of.DelaySetting, ...]:
    """The settings to enter; a kept one is not changed by rounding."""
    return tuple(
        replace(each, setting=float(now)) if kept and abs(each.setting - now) <= 1.5 * step else each
        for each, now, kept in zip(settings, held, keeps, strict=True)
    )


def _ratio(held: FloatArray, settings: tuple[delays_of.DelaySetting, ...], delay: DelayRange) -> float | None:
    """Entered ÷ correct setting, if two thirds of at least two agree within a tenth and half a step; otherwise None.

    The sums are compared, since steps affect small settings more.
    """
    exact = np.array([setting.exact for setting in settings])
    good = np.isfinite(held) & (exact > NEAREST)
    if delay.unit == "ms" or good.sum() < 2:
        return None
    held, exact = held[good], exact[good]
    middle = float(np.median(held / exact))
    agree = np.abs(held - middle * exact) <= RATIO_WITHIN * abs(middle) * exact + delay.step / 2
    return float(held[agree].sum() / exact[agree].sum()) if 3 * agree.sum() >= 2 * len(held) else None


def _alignment(arrivals: FloatArray, voices: NDArray[np.bool_], passes: NDArray[np.bool_]) -> FloatArray:
    """Arrival minus the median of the main channels that ran through the processor's delays [s]."""
    voices = voices & np.isfinite(arrivals)
    if not enough_in_common(arrivals[voices]):
        return np.full(len(arrivals), np.nan)
    return np.where(passes, arrivals - np.median(arrivals[voices]), np.nan)


def _is_feet(factor: float | None) -> bool | None:
    """Whether a factor of settings shows feet taken for metres (True) or the reverse (False); None: neither."""
    if factor is not None and abs(factor * FOOT_M - 1) < UNIT_SHARE:
        return True
    if factor is not None and abs(factor / FOOT_M - 1) < UNIT_SHARE:
        return False
    return None


def unit_sentence(result: DistancesResult) -> str | None:
    """The wrong unit shown by settings or arrivals; None if none is wrong."""
    fit = result.unit_fit
    factors = (result.held_ratio, fit.factor if fit is not None and fit.meaning else None, result.scale)
    is_feet = next((found for found in map(_is_feet, factors) if found is not None), None)
    if is_feet is None:
        return None
    typed, read = ("feet", "metres") if is_feet else ("metres", "feet")
    if result.takes_delays:
        return f"the delays were calculated from distances in {typed} taken for {read}"
    return f"the distances were typed in {typed}, but the processor reads {read}"


def unit_is_entered(result: DistancesResult) -> bool:
    """Whether the settings themselves, as noted, are in a wrong unit."""
    return _is_feet(result.held_ratio) is not None


def _channel(
    job: Job,
    measured: _Channels,
    comparison: _Comparison,
    proposal: _Proposal,
    index: int,
    budgets: _Budgets,
    set_elsewhere: str | None,
) -> ChannelDistance:
    """The channel with that index; `set_elsewhere`: the step that proposes its setting, if not this one."""
    channel, (distance, origin) = list(measured.known.items())[index]
    heard, setting = measured.heard[index], proposal.settings[index]
    times = _times(measured, comparison, proposal, index)
    acoustic_m = float(proposal.acoustic_m[index])
    keeps = proposal.keeps[index] and (channel.is_sub or comparison.suits_sound[index])
    shifted = acoustic_m != distance
    wrong_unit = _is_feet(comparison.ratio) is not None
    # A subwoofer's setting compensates its own latency, whose uncertainty is that of its arrival.
    by_setting = replace(budgets.arrival, id="distances.setting") if proposal.by_sound[index] else budgets.flight
    setting_check, by_setting = _check_setting(job, channel, heard, times, by_setting, budgets, wrong_unit)
    arrival_check, by_arrival = _check_arrival(job, channel, heard, times, budgets, shifted=shifted)
    if set_elsewhere is not None:
        setting_check, arrival_check = (_waived(each, set_elsewhere) for each in (setting_check, arrival_check))
    return ChannelDistance(
        channel=channel,
        distance_m=distance,
        origin=origin,
        acoustic_m=acoustic_m,
        kept_latency_s=float(comparison.entered_s[index]) if keeps else None,
        setting=setting,
        held=_none_if_nan(times.held),
        held_error_s=_none_if_nan(times.held_error_s),
        arrival_s=_none_if_nan(times.arrival_s),
        arrival_residual_s=_none_if_nan(times.residual_s),
        alignment_s=_none_if_nan(times.alignment_s),
        arrival_u_s=times.u_s,
        why_no_arrival=heard.why,
        speed_m_s=measured.speed_m_s,
        budgets=(
            by_setting,
            *((by_arrival,) if arrival_check.value is not None else ()),
            budget_for.delay_left(by_setting, job.system.processor.delay, budgets.own_m_s),
        ),
        check_setting=setting_check,
        check_arrival=arrival_check,
    )


def _check_arrival(
    job: Job,
    channel: Channel,
    heard: ReferenceArrival,
    times: _Times,
    budgets: _Budgets,
    *,
    shifted: bool,
) -> tuple[Check, Budget]:
    """Check of the channel's arrival, and its uncertainty budget."""
    value, text, why_not = _arrival_value(channel, heard, times, shifted=shifted)
    by_arrival = budgets.alignment if text == AGAINST_OTHERS else budgets.arrival
    limit = job.limit("distances.sub") if channel.is_sub else job.limit("distances.arrival")
    if channel.is_sub and value is not None:
        why_not = _why_undecided(limit, 1000 * value, by_arrival.u)
    if text == AGAINST_OTHERS and not channel.is_sub:
        limit = _widened(limit, step_s(job.system.processor.delay, budgets.own_m_s), ONE_STEP)
    check = Check(
        id="distances.arrival",
        channel=channel.id,
        unit="ms",
        limit=limit,
        value=None if value is None else 1000 * value,
        uncertainty=by_arrival.u,
        why_not=why_not,
        text=text,
    )
    return check, by_arrival


def _waived(check: Check, why_not: str) -> Check:
    """A check of a channel set by another step: not tested, unless it passes by tape and arrival, too."""
    if check.value is None or check.verdict is Verdict.PASS:
        return check
    return replace(check, value=None, why_not=why_not)


def _why_undecided(limit: Limit, value_ms: float, u_ms: float) -> str | None:
    """Reason why a subwoofer's onset cannot be decided, if it is too uncertain for any value to pass; None if it can, or
    if it exceeds the limit nevertheless.
    """
    passes = limit.lower + guard_band(u_ms) <= limit.upper - guard_band(u_ms)
    if passes or limit.judge(value_ms, u_ms) is Verdict.FAIL:
        return None
    return (
        f"{number(value_ms, 1, signed=True)} ms with U = {2 * u_ms:.1f} ms cannot show an agreement within "
        f"{limit.upper:g} ms: measure it with bass management off, or align it at the crossover"
    )


def step_s(delay: DelayRange, own_m_s: float) -> float:
    """One step of the processor as time, by its assumed speed of sound."""
    return delay.step / 1000 if delay.unit == "ms" else delay.step * delays_of.unit_m(delay.unit) / own_m_s


def _widened(limit: Limit, by_s: float, basis: str) -> Limit:
    """A limit in milliseconds, wider on both sides."""
    return Limit(
        low=None if limit.low is None else limit.low - 1000 * by_s,
        high=None if limit.high is None else limit.high + 1000 * by_s,
        unit=limit.unit,
        basis=f"{limit.basis}; {basis}",
    )


def _check_setting(
    job: Job,
    channel: Channel,
    heard: ReferenceArrival,
    times: _Times,
    by_setting: Budget,
    budgets: _Budgets,
    wrong_unit: bool,
) -> tuple[Check, Budget]:
    """Check of the setting against the distance, and its uncertainty budget.

    Setting and tape may come from the same person: agreement only confirms the entry. If they differ and the sound of a
    main channel arrives with the others, the sound decides.
    """
    known = heard.arrival_s is not None
    step = step_s(job.system.processor.delay, budgets.own_m_s)

    def check(value_ms: float, u_ms: float, text: str) -> Check:
        limit = job.limit("distances.sub") if channel.is_sub else job.limit("distances.setting")
        if not channel.is_sub:
            limit = _widened(limit, step + guard_band(u_ms) / 1000, STEP_AND_U)
        return Check(
            id="distances.setting",
            channel=channel.id,
            unit="ms",
            limit=limit,
            value=None if math.isnan(value_ms) else value_ms,
            uncertainty=u_ms,
            why_not=_why_no_setting(channel, times, limit.judge(value_ms, u_ms), wrong_unit)
            or (_why_undecided(limit, value_ms, u_ms) if channel.is_sub else None),
            text=text,
        )

    by_tape = check(
        1000 * times.held_error_s,
        by_setting.u,
        SET_BY_TAPE if channel.is_sub else f"{SET_BY_TAPE}; {TAPE_CHECKED if known else ENTRY_ONLY}",
    )
    if channel.is_sub or math.isnan(times.together_s) or by_tape.verdict not in (Verdict.FAIL, Verdict.UNSURE):
        return by_tape, by_setting
    by_sound = check(1000 * times.together_s, budgets.alignment.u, SET_BY_SOUND)
    if by_sound.verdict is Verdict.PASS:
        return by_sound, replace(budgets.alignment, id="distances.setting")
    return by_tape, by_setting


def _why_no_setting(channel: Channel, times: _Times, verdict: Verdict, wrong_unit: bool) -> str | None:
    """Why the current setting cannot be checked; None when it can."""
    if math.isnan(times.held_error_s):
        return "the setting is not entered for this round"
    if channel.is_sub and math.isnan(times.residual_s):
        return "without its arrival, the subwoofer's own latency is unknown"
    if wrong_unit and verdict is not Verdict.FAIL:
        return "the settings are in the wrong unit, and this one agrees with their median only by chance"
    return None


def _arrival_value(
    channel: Channel, heard: ReferenceArrival, times: _Times, *, shifted: bool
) -> tuple[float | None, str, str | None]:
    """(value [s], description, reason for no value) of the check of the arrival.

    Compared with tape and setting. A subwoofer whose latency differs from the main loudspeakers' (`shifted`) never agrees
    with its tape: its setting must then compensate the difference from the main channels.
    """
    if math.isfinite(times.residual_s) and not shifted:
        return times.residual_s, AGAINST_TAPE, None
    if math.isfinite(times.alignment_s):
        return times.alignment_s, AGAINST_OTHERS, None
    if shifted:
        return (
            None,
            AGAINST_OTHERS,
            "measured past the processor's delays; the new setting allows for its own latency",
        )
    if math.isnan(times.arrival_s):
        return None, AGAINST_TAPE, heard.why or "its response shows no arrival"
    if heard.passes_delays and math.isnan(times.held):
        return None, AGAINST_TAPE, "its setting is not entered, so the delay that the processor adds is unknown"
    return (
        None,
        AGAINST_TAPE,
        "fewer than three main channels have an arrival, a distance and a setting, or two that agree",
    )
