"""The measurement after setting the subwoofers, compared with the prediction from the round before and the settings.

At each seat the level of the sum, predicted from the responses of the earlier round and the change of the settings, is
compared with the sum as measured: root mean square over third octaves, without the part common to all seats (volume). For
each subwoofer, the change of its responses is compared with that of its settings: gain from levels; delay and polarity
from the phase of the ratio of its responses after and before, relative to the arrivals of the main channels, otherwise to
the first subwoofer. If they differ, the single typing mistake that explains it is reported.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from commission.dsp.analysis import BASS_HZ, bass_level_db
from commission.dsp.bass_search import figures
from commission.dsp.bass_sum import SubSettings, unchanged
from commission.dsp.biquads import filters_response
from commission.dsp.spectrum import GRID_HZ
from commission.model import Analyses, ComplexArray, FloatArray, Job, Setting, merge_settings
from commission.model.units import listed, round_name
from commission.steps.bass.explanation import GAIN_OFF_DB, LikelyMistake, SubChange, compressed_subs, explain
from commission.steps.bass.measurement import MeasuredBass, measured_bass
from commission.steps.bass.version import filter_width, version
from commission.steps.compare.prediction import common_change, setting_step
from commission.steps.seats.awaiting import awaiting_as_heard
from commission.steps.shared.cache import cached
from commission.steps.shared.issued_sheet import held_setting, issued_before
from commission.steps.shared.screening import usable
from commission.steps.shared.survey import delay_slope_s, on_clock

AGREEMENT_DB = 1.5
"""Predicted and measured levels at a seat agree within this (root mean square over third octaves) if the microphone is
put back within 5 cm (determined by simulation: tests/steps/test_bass_verification.py)."""
AGREEMENT_U_DB = 0.3
DELAYS_S = np.arange(-60e-3, 60e-3, 0.1e-3)
LEAST_CLEAR = 0.6
"""Least share of the ratio's magnitude that remains in the sum over seats and frequencies at the correct delay."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verification:
    """Prediction from an earlier round and measurement in a later one."""

    before: str
    after: str
    seats: tuple[str, ...]
    freq_hz: FloatArray
    predicted_db: FloatArray
    """Third-octave levels of the sum [shape=(seats, n)], minus the part common to all seats."""
    measured_db: FloatArray
    agreement_db: tuple[float | None, ...]
    """Root mean square of their difference at each seat, except where parts cancel; None where half or more do."""
    common_db: float
    """Level by which all seats are louder than predicted."""
    changes: tuple[SubChange, ...]
    explanation: LikelyMistake | None
    sd_db: float
    predicted_sd_db: float | None
    """Prediction for the same seats and frequencies from the earlier round; None if it has other ones."""
    output_db: float
    deviation_db: dict[str, float]
    """Mean level of each seat minus the mean of the seats, as measured."""
    by_sheet: bool = False
    """Whether settings that are not entered were taken from the issued sheet."""
    left_out: tuple[str, ...] = ()
    """Subwoofers that are not compared, one sentence each."""

    @property
    def off(self) -> tuple[SubChange, ...]:
        """The subwoofers whose responses contradict their settings."""
        return tuple(each for each in self.changes if each.is_off)

    @property
    def contradiction(self) -> str:
        """Contradiction between responses and entered settings, as a clause; empty if there is none."""
        if not self.off:
            return ""
        if self.explanation is not None:
            return self.explanation.text
        return f"{listed([each.sub for each in self.off])} did not change as entered"

    @property
    def is_as_predicted(self) -> bool:
        """Whether settings changed as entered, and every seat is within the limit of its prediction."""
        changed = any(
            each.typed_gain_db or each.typed_delay_s or each.typed_polarity < 0 or each.has_new_filters
            for each in self.changes
        )
        known = [value for value in self.agreement_db if value is not None]
        return changed and bool(known) and not self.off and max(known) <= AGREEMENT_DB


@cached
def verify(job: Job, round_id: str, analyses: Analyses) -> Verification | str:
    """A round against the newest earlier one with the same subwoofers, or why there is no comparison.

    A subwoofer that awaits a repair is compared as well: its settings may be the fault. One repaired in between that
    changed by more than its settings is left out.
    """
    after = measured_bass(job, round_id, analyses, True)
    if isinstance(after, str):
        return after
    why = "no earlier round holds responses of the subwoofers"
    for earlier in reversed(job.rounds[: job.rounds.index(round_id)]):
        if not job.responses_of(earlier):
            continue
        before = measured_bass(job, earlier, analyses, True)
        found = before if isinstance(before, str) else _compare_common_subs(job, before, after, analyses)
        if not isinstance(found, str):
            return found
        why = found
    return why


def mistyped_polarities(job: Job, round_id: str, analyses: Analyses) -> frozenset[str]:
    """Subwoofers whose polarity has not changed from an earlier round as set."""
    checked = verify(job, round_id, analyses)
    return (
        frozenset()
        if isinstance(checked, str)
        else frozenset(each.sub for each in checked.off if each.is_polarity_off)
    )


def newest_verified(job: Job, analyses: Analyses) -> Verification | str:
    """The newest round that can be compared with an earlier one, or the reason why the newest cannot."""
    why = ""
    for round_id in reversed(job.rounds):
        if not job.responses_of(round_id):
            continue
        found = verify(job, round_id, analyses)
        if not isinstance(found, str):
            return found
        why = why or found
    return why or "no response of a subwoofer was measured or imported"


def _compare_common_subs(
    job: Job, before: MeasuredBass, after: MeasuredBass, analyses: Analyses
) -> Verification | str:
    """Comparison of the subwoofers in both rounds, without those whose repair shows."""
    both = [sub for sub in after.subs if sub in before.subs]
    if not both:
        return "no subwoofer was measured in both rounds"
    left_out = [
        f"{sub} is not compared: it was not measured in both rounds."
        for sub in dict.fromkeys((*before.subs, *after.subs))
        if sub not in both
    ]
    found = _compare(job, before.only(both), after.only(both), analyses)
    if isinstance(found, str):
        return found
    repaired = _repaired(job, before.round, after.round, analyses)
    changed = [each.sub for each in found.off if each.sub in repaired]
    rest = [sub for sub in both if sub not in changed]
    if not rest:
        return "all subwoofers were repaired between the rounds"
    if changed:
        left_out += [
            f"{sub} is not compared: it was repaired, and changed by more than its settings." for sub in changed
        ]
        found = _compare(job, before.only(rest), after.only(rest), analyses)
    return found if isinstance(found, str) else replace(found, left_out=tuple(left_out))


def _repaired(job: Job, before: str, after: str, analyses: Analyses) -> set[str]:
    """Channels with a repair in the log, or with a fault before that is gone after."""
    gone = set(awaiting_as_heard(job, before, analyses)) - set(awaiting_as_heard(job, after, analyses))
    return gone | {c for action in job.actions if action.mends for c in action.body.channels}


def _compare(job: Job, before: MeasuredBass, after: MeasuredBass, analyses: Analyses) -> Verification | str:
    seats = [s for s in after.seats if s in before.seats]
    if len(seats) < min(2, len(job.system.seats)):
        return "fewer than two seats were measured in both rounds"
    settings = {sub: _settings(job, before.round, after.round, sub) for sub in after.subs}
    slope_s = delay_slope_s(job)
    typed = _change_of_settings(settings, slope_s)
    if typed is None:
        rounds = f"{round_name(before.round)} and {round_name(after.round)}"
        return f"not all trims and delays of the subwoofers are entered {rounds}"
    rows = [[m.seats.index(s) for s in seats] for m in (before, after)]
    turned = _filters_change(job, settings)
    without, new = before.full[:, rows[0]], after.full[:, rows[1]]
    old = without * turned[:, None, :]
    low = max(before.band_hz[0], after.band_hz[0])
    high = min(before.band_hz[1], after.band_hz[1])
    inside = (GRID_HZ >= low) & (GRID_HZ <= high)
    wanted = old * typed.factors(BASS_HZ)[:, None, :]
    predicted = _sum_db(wanted, inside)
    measured = _sum_db(new, inside)
    common = float(np.median(measured - predicted))
    cancelling = _cancelling(wanted, inside) | _cancelling(new, inside)
    origin = _origins_s(job, before, after, seats, analyses, slope_s)
    volume_db = _volume_db(job, before, after, seats, analyses)
    same_volume: ComplexArray = np.asarray(new * 10 ** (-(volume_db or 0.0) / 20), dtype=complex)
    changes = _changes(after.subs, old, same_volume, typed, origin, (low, high), turned)
    if volume_db is None:
        changes = _without_volume(changes)
    now = version(after, "measured", unchanged(len(after.subs)))
    compressed = compressed_subs(job, after.round, analyses)
    return Verification(
        before=before.round,
        after=after.round,
        seats=tuple(seats),
        freq_hz=GRID_HZ[inside],
        predicted_db=predicted + common,
        measured_db=measured,
        agreement_db=_agreement_db(measured - predicted - common, cancelling),
        common_db=common,
        changes=changes,
        explanation=explain(job, changes, settings, slope_s, compressed),
        sd_db=now.sd_db,
        predicted_sd_db=_predicted_sd_db(wanted, before, after, seats),
        output_db=now.figures.output_db,
        deviation_db={s: v for s, v in zip(after.seats, now.deviation_db, strict=True) if s in seats},
        by_sheet=any(job.setting(after.round, sub).trim_db is None for sub in after.subs),
    )


def _settings(job: Job, before: str, after: str, channel: str) -> tuple[Setting, Setting]:
    """Settings of the processor before and after.

    A setting that is not entered is taken from the sheet issued in between: its new value after, its old value before.
    """
    stored = issued_before(job, after)[1].get(channel)
    entered = held_setting(job, before, channel)
    held = entered if stored is None or stored.round != before else merge_settings(stored.old, entered)
    return held, held_setting(job, after, channel)


def _sum_db(parts: ComplexArray, inside: np.ndarray) -> FloatArray:
    return np.array([bass_level_db(total)[inside] for total in parts.sum(axis=0)])


def _predicted_sd_db(
    wanted: ComplexArray, before: MeasuredBass, after: MeasuredBass, seats: Sequence[str]
) -> float | None:
    """Seat-to-seat standard deviation of `wanted` [shape=(subs, seats, BASS_HZ)] at the points of the later round."""
    points = np.isin(BASS_HZ, after.room.freq_hz)
    if tuple(seats) != after.seats or not np.isin(after.room.freq_hz, before.room.freq_hz).all():
        return None
    room = replace(after.room, values=wanted[..., points])
    return figures(room, unchanged(len(wanted))).sd_db


CANCELLING_DB = 6.0
"""Where the sum is this far below the powers of its parts, it changes at least twice as much as they do: 0.5 dB became 4
dB with a microphone put back within 5 cm (determined by simulation: tests/bench/mistyped.py)."""


def _cancelling(parts: ComplexArray, inside: np.ndarray) -> np.ndarray:
    """Whether parts cancel at each seat [shape=(seats, n)]: `parts` [shape=(subs, seats, BASS_HZ)]."""
    powers = 10 * np.log10(sum(10 ** (_sum_db(each[None], inside) / 10) for each in parts))
    return np.asarray(powers - _sum_db(parts, inside) > CANCELLING_DB)


def _agreement_db(apart_db: FloatArray, cancelling: np.ndarray) -> tuple[float | None, ...]:
    """Root mean square at each seat of differences [shape=(seats, n)] where nothing cancels."""
    return tuple(
        None if lost.mean() >= 0.5 else float(np.sqrt(np.mean(own[~lost] ** 2)))
        for own, lost in zip(apart_db, cancelling, strict=True)
    )


def _filters_change(job: Job, settings: Mapping[str, tuple[Setting, Setting]]) -> ComplexArray:
    """Response of each subwoofer's filters after over before [shape=(subs, n)]; filters not entered count as unchanged."""
    kind, out = filter_width(job), []
    for before, after in settings.values():
        then = filters_response(before.filters or (), kind, BASS_HZ)
        out.append((then if after.filters is None else filters_response(after.filters, kind, BASS_HZ)) / then)
    return np.array(out)


def _change_of_settings(settings: Mapping[str, tuple[Setting, Setting]], slope_s: float) -> SubSettings | None:
    """The change of every subwoofer by the settings of both rounds; None if one is not entered."""
    values = [(s.trim_db, s.distance) for pair in settings.values() for s in pair]
    if any(v is None for pair in values for v in pair):
        return None
    trims, distances = np.array(values, dtype=float).reshape(-1, 2, 2).transpose(2, 1, 0)
    signs = np.array([[-1 if s.polarity == "reversed" else 1 for s in pair] for pair in settings.values()]).T
    return SubSettings(trims[1] - trims[0], (distances[1] - distances[0]) * slope_s, signs[1] * signs[0])


def _changes(
    subs: Sequence[str],
    old: ComplexArray,
    new: ComplexArray,
    typed: SubSettings,
    origin_s: FloatArray | None,
    band_hz: tuple[float, float],
    turned: ComplexArray,
) -> tuple[SubChange, ...]:
    """Change of each subwoofer. `old`, `new`: responses of both rounds [shape=(subs, seats, n)], `old` with the change of
    filters `turned` [shape=(subs, n)]; `origin_s`: see `_origins_s`.
    """
    inside = (BASS_HZ >= band_hz[0]) & (BASS_HZ <= band_hz[1])
    f = BASS_HZ[inside]
    power = np.abs(old[..., inside]) * np.abs(new[..., inside])
    # Weighted by power: a null in one round is noise in the ratio.
    weight = power / np.maximum(power.sum(axis=(1, 2), keepdims=True), 1e-300)
    level = 20 * np.log10(np.maximum(np.abs(new[..., inside]), 1e-30) / np.maximum(np.abs(old[..., inside]), 1e-30))
    gain = np.array([_median(level[i], weight[i]) for i in range(len(level))])
    filters_db = 20 * np.log10(np.abs(turned[:, inside]))
    shapes = [_shape(f, level[i], weight[i], filters_db[i], float(typed.gain_db[i])) for i in range(len(level))]
    delays, signs = _delays_and_signs(old[..., inside], new[..., inside], weight, f, typed, origin_s)
    return tuple(
        SubChange(
            sub=sub,
            typed_gain_db=float(typed.gain_db[i]),
            typed_delay_s=float(typed.delay_s[i]),
            typed_polarity=int(typed.polarity[i]),
            gain_db=float(gain[i]),
            delay_s=delays[i],
            polarity=signs[i],
            is_filter_missing=shapes[i][0],
            has_new_filters=bool(np.ptp(filters_db[i]) > 0),
            limited_below_hz=shapes[i][1],
        )
        for i, sub in enumerate(subs)
    )


def _delays_and_signs(
    old: ComplexArray,
    new: ComplexArray,
    weight: FloatArray,
    freq_hz: FloatArray,
    typed: SubSettings,
    origin_s: FloatArray | None,
) -> tuple[list[float | None], list[int | None]]:
    """Change of delay and of polarity of each subwoofer; None if it cannot be determined.

    `old`, `new`, `weight`: responses of both rounds and their weight [shape=(subs, seats, n)] at `freq_hz` [shape=(n,)].
    """
    turn = new * np.conj(old)
    turn /= np.maximum(np.abs(turn), 1e-300)
    delays: list[float | None] = [None] * len(old)
    signs: list[int | None] = [None] * len(old)
    if origin_s is not None:
        reference = np.exp(2j * np.pi * freq_hz * origin_s[:, None])
    else:
        # Only differences between subwoofers are known: the first one is assumed to be as entered.
        first = typed.polarity[0] * np.exp(-2j * np.pi * freq_hz * typed.delay_s[0])
        reference = np.conj(turn[0]) * first
        if len(old) > 1:
            delays[0], signs[0] = float(typed.delay_s[0]), int(typed.polarity[0])
    for i in range(0 if origin_s is not None else 1, len(old)):
        seen = turn[i] * reference
        tries = np.einsum("sf,sf,df->d", weight[i], seen, np.exp(2j * np.pi * DELAYS_S[:, None] * freq_hz))
        k = int(np.argmax(np.abs(tries.real)))
        if abs(tries[k].real) >= LEAST_CLEAR:
            delays[i], signs[i] = float(DELAYS_S[k]), 1 if tries[k].real > 0 else -1
    return delays, signs


LIMITED_DB, FREE_DB = -1.5, 0.7
"""Signature of a limiter: it reduces the lowest frequencies by at least the first, and leaves the upper ones within the
second of the trim."""
LEAST_TURNED_UP_DB = 1.0


def _shape(
    freq_hz: FloatArray, level_db: FloatArray, weight: FloatArray, filters_db: FloatArray, typed_gain_db: float
) -> tuple[bool, float | None]:
    """(whether the change of filters is missing, frequency below which a limiter acts) for one subwoofer.

    `level_db`, `weight` [shape=(seats, n)]: change of level minus the change of filters `filters_db` [shape=(n,)]. The
    subwoofer's own change is the same at every seat: the weighted mean over seats at each frequency.
    """
    own = np.maximum(weight.sum(axis=0), 1e-300)
    mean = (level_db * weight).sum(axis=0) / own

    def scatter(values: FloatArray) -> float:
        centre = float(values @ own) / float(own.sum())
        return float(np.sqrt((values - centre) ** 2 @ own / own.sum()))

    with_filters, without = scatter(mean), scatter(mean + filters_db)
    missing = with_filters > FILTER_SEEN_DB and without < with_filters / 3
    if missing or typed_gain_db < LEAST_TURNED_UP_DB:
        return missing, None
    off = mean - typed_gain_db
    below = [f for f in LIMITER_TRIED_HZ if freq_hz[0] * 2 ** (1 / 3) <= f <= freq_hz[-1] / 2 ** (1 / 3)]
    for hz in reversed(below):
        low, high = off[freq_hz < hz], off[freq_hz >= hz]
        if np.percentile(low, 75) <= LIMITED_DB and np.abs(np.median(high)) <= FREE_DB:
            return False, float(hz)
    return False, None


FILTER_SEEN_DB = 0.4
"""Least scatter over frequency from a filter before its absence is stated: a microphone put back within 3 cm causes 0.04
to 0.13 dB (determined by simulation: tests/steps/test_bass_verification.py)."""
LIMITER_TRIED_HZ = (25.0, 31.5, 40.0, 50.0, 63.0)


def _median(values: FloatArray, weight: FloatArray) -> float:
    order = np.argsort(values, axis=None)
    total = np.cumsum(weight.ravel()[order])
    return float(values.ravel()[order][np.searchsorted(total, total[-1] / 2)])


def _volume_db(
    job: Job, before: MeasuredBass, after: MeasuredBass, seats: Sequence[str], analyses: Analyses
) -> float | None:
    """Increase of the later round's playback or recording level, from main channels beyond their trims; None with too
    few.
    """
    screened = usable(job, analyses, before.round, after.round)
    changes = []
    for channel in (c for c in job.system.channels if not c.is_sub):
        held = _settings(job, before.round, after.round, channel.id)
        pairs = [[screened.of(m.round, channel.id, seat) for m in (before, after)] for seat in seats]
        louder = [
            two.level_db - one.level_db
            for one, two in pairs
            if one is not None and two is not None and one.level_db is not None and two.level_db is not None
        ]
        changes.append((setting_step(*held, "trim_db"), louder))
    return common_change(changes)


def _without_volume(changes: tuple[SubChange, ...]) -> tuple[SubChange, ...]:
    """Without main channels to compare with, the common increase of all subwoofers is taken as the volume."""
    off = [each.gain_db - each.typed_gain_db for each in changes]
    if len(off) < 2 or max(off) - min(off) > GAIN_OFF_DB:
        return changes
    return tuple(replace(each, gain_db=each.gain_db - float(np.median(off))) for each in changes)


def _origins_s(
    job: Job, before: MeasuredBass, after: MeasuredBass, seats: Sequence[str], analyses: Analyses, slope_s: float
) -> FloatArray | None:
    """Offset of the later round's clock at each seat, by main channels and their settings [s, shape=(seats,)].

    `slope_s`: delay for each unit of a setting. None if a seat has fewer than three main channels with arrivals and
    settings in both rounds.
    """
    screened = usable(job, analyses, before.round, after.round)
    out = []
    for seat in seats:
        clocks = [m.clocks[m.seats.index(seat)] for m in (before, after)]
        moved = []
        for channel in (c for c in job.system.channels if not c.is_sub):
            entered = [each.distance for each in _settings(job, before.round, after.round, channel.id)]
            heard = [
                on_clock(screened.repeats(m.round, channel.id, seat), clock)
                for m, clock in zip((before, after), clocks, strict=True)
            ]
            times = [None if i is None or i.analysis is None else i.analysis.arrival_s for i in heard]
            if times[0] is None or times[1] is None or entered[0] is None or entered[1] is None:
                continue
            moved.append(times[1] - times[0] - (entered[1] - entered[0]) * slope_s)
        if len(moved) < 3:
            return None
        out.append(float(np.median(moved)))
    return np.array(out)
