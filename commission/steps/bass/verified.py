"""Does what was measured after setting the subwoofers agree with what the settings predict from the round before?

At each seat the level of the sum, predicted from the responses of the earlier round and the change of the settings, is
compared with the sum as measured: root mean square over third octaves, without what all seats share (volume). For each
subwoofer the change that its own responses show is compared with that of its settings: gain from levels; delay and polarity
from the phase of the ratio of its responses after and before, relative to the arrivals of the main channels, else to the
first subwoofer. Where they differ, the one typing mistake that explains it is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from commission.dsp.analysis import BASS_HZ, bass_level_db
from commission.dsp.bass_sum import SubSettings, unchanged
from commission.dsp.biquads import filters_response
from commission.dsp.spectrum import GRID_HZ
from commission.model import Analyses, ComplexArray, FloatArray, Job
from commission.model.units import listed, round_name
from commission.model.verdict import surely_above
from commission.steps.bass.measured import MeasuredBass, measured_bass
from commission.steps.bass.result import SearchSpace, filter_width, search_space, version
from commission.steps.shared.cache import cached
from commission.steps.shared.screening import usable
from commission.steps.shared.survey import on_clock

AGREEMENT_DB = 1.5
"""Predicted and measured levels at a seat agree within this (root mean square over third octaves) with the microphone put
back within 5 cm (determined by simulation: tests/steps/test_bass_verified.py)."""
AGREEMENT_U_DB = 0.3
GAIN_OFF_DB, DELAY_OFF_S = 1.0, 0.4e-3
"""A setting that changed by this much more or less than entered is wrong (determined by simulation:
tests/steps/test_bass_verified.py)."""
GAIN_U_DB, DELAY_U_S = 0.3, 0.12e-3
DELAYS_S = np.arange(-60e-3, 60e-3, 0.1e-3)
LEAST_CLEAR = 0.6
"""Share of the ratio's magnitude that stays when seats and frequencies are added with the right delay."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SubChange:
    """How a subwoofer changed between two rounds, by its settings and by its responses."""

    sub: str
    typed_gain_db: float
    typed_delay_s: float
    typed_polarity: int
    gain_db: float
    delay_s: float | None
    """None where its phase shows no clear delay, or the only subwoofer has nothing to be compared with."""
    polarity: int | None
    is_filter_missing: bool = False
    """Its responses change as they would without the change of its filters."""
    limited_below_hz: float | None = None
    """It was turned up, and below this frequency it did not become louder by as much as above: a limiter acts."""

    @property
    def is_gain_off(self) -> bool:
        """Whether its gain contradicts the settings beyond doubt."""
        return surely_above(abs(self.gain_db - self.typed_gain_db), GAIN_OFF_DB, GAIN_U_DB)

    @property
    def late_s(self) -> float | None:
        """How much later it is than its settings say; None where that is unknown."""
        return None if self.delay_s is None else self.delay_s - self.typed_delay_s

    @property
    def is_delay_off(self) -> bool:
        """Whether its delay contradicts them beyond doubt."""
        return self.late_s is not None and not _is_no_delay(self.late_s)

    @property
    def is_polarity_off(self) -> bool:
        """Whether its polarity is known and not that of the settings."""
        return self.polarity is not None and self.polarity != self.typed_polarity

    @property
    def is_off(self) -> bool:
        """Whether the responses contradict the settings beyond doubt."""
        limited = self.limited_below_hz is not None
        return self.is_gain_off or self.is_delay_off or self.is_polarity_off or self.is_filter_missing or limited


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelyMistake:
    """The one mistake that explains the measurement best."""

    sub: str
    text: str
    """As a clause: "the delay of SUB2 was typed with the wrong sign"."""
    remedy: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verified:
    """Predicted from an earlier round and measured in a later one."""

    before: str
    after: str
    seats: tuple[str, ...]
    freq_hz: FloatArray
    predicted_db: FloatArray
    """Third-octave levels of the sum [shape=(seats, n)], what all seats share taken off."""
    measured_db: FloatArray
    agreement_db: tuple[float, ...]
    """Root mean square of their difference at each seat."""
    common_db: float
    """How much louder all seats are than predicted."""
    changes: tuple[SubChange, ...]
    explanation: LikelyMistake | None
    sd_db: float
    output_db: float

    @property
    def off(self) -> tuple[SubChange, ...]:
        """The subwoofers whose responses contradict their settings."""
        return tuple(each for each in self.changes if each.is_off)


@cached
def verify(job: Job, round_id: str, analyses: Analyses) -> Verified | str:
    """A round against the newest earlier one with the same subwoofers, or why there is no comparison."""
    after = measured_bass(job, round_id, analyses)
    if isinstance(after, str):
        return after
    why = "no earlier round holds responses of the subwoofers"
    for earlier in reversed(job.rounds[: job.rounds.index(round_id)]):
        if not job.responses_of(earlier):
            continue
        before = measured_bass(job, earlier, analyses)
        found = before if isinstance(before, str) else _compare(job, before, after, analyses)
        if not isinstance(found, str):
            return found
        why = found
    return why


def _compare(job: Job, before: MeasuredBass, after: MeasuredBass, analyses: Analyses) -> Verified | str:
    if before.subs != after.subs:
        return f"not the same subwoofers can be used in both rounds ({listed(before.subs)}; {listed(after.subs)})"
    seats = [s for s in after.seats if s in before.seats]
    if len(seats) < 2:
        return "fewer than two seats were measured in both rounds"
    one, two = search_space(job, before, analyses), search_space(job, after, analyses)
    typed = _typed(job, before, after, one, two)
    if typed is None:
        rounds = f"{round_name(before.round)} and {round_name(after.round)}"
        return f"not all trims and delays of the subwoofers are entered {rounds}"
    rows = [[m.seats.index(s) for s in seats] for m in (before, after)]
    turned = _filters_change(job, before, after)
    without, new = before.full[:, rows[0]], after.full[:, rows[1]]
    old = without * turned[:, None, :]
    low = max(before.band_hz[0], after.band_hz[0])
    high = min(before.band_hz[1], after.band_hz[1])
    inside = (GRID_HZ >= low) & (GRID_HZ <= high)
    predicted = _sum_db(old * typed.factors(BASS_HZ)[:, None, :], inside)
    measured = _sum_db(new, inside)
    common = float(np.median(measured - predicted))
    apart = measured - predicted - common
    origin = _origins_s(job, before, after, seats, analyses, two.slope_s)
    changes = _changes(after.subs, old, new, typed, origin, (low, high), turned)
    now = version(after, "measured", unchanged(len(after.subs)))
    return Verified(
        before=before.round,
        after=after.round,
        seats=tuple(seats),
        freq_hz=GRID_HZ[inside],
        predicted_db=predicted + common,
        measured_db=measured,
        agreement_db=tuple(float(v) for v in np.sqrt(np.mean(apart**2, axis=1))),
        common_db=common,
        changes=changes,
        explanation=_explained(changes),
        sd_db=now.sd_db,
        output_db=now.figures.output_db,
    )


def _sum_db(parts: ComplexArray, inside: np.ndarray) -> FloatArray:
    return np.array([bass_level_db(total)[inside] for total in parts.sum(axis=0)])


def _filters_change(job: Job, before: MeasuredBass, after: MeasuredBass) -> ComplexArray:
    """Response of each subwoofer's filters after, over that before [shape=(subs, n)]; filters not entered stay the same."""
    kind, out = filter_width(job), []
    for sub in after.subs:
        held = job.setting(before.round, sub).filters or ()
        now = job.setting(after.round, sub).filters
        then = filters_response(held, kind, BASS_HZ)
        out.append((then if now is None else filters_response(now, kind, BASS_HZ)) / then)
    return np.array(out)


def _typed(
    job: Job, before: MeasuredBass, after: MeasuredBass, one: SearchSpace, two: SearchSpace
) -> SubSettings | None:
    """The change of every subwoofer by the settings of both rounds; None where one is not entered."""
    values = (*one.old_trims_db, *two.old_trims_db, *one.old_settings, *two.old_settings)
    if any(v is None for v in values):
        return None
    trims = [np.array(s.old_trims_db, dtype=float) for s in (one, two)]
    delays = [np.array(s.old_settings, dtype=float) * s.slope_s for s in (one, two)]
    signs = [
        np.array([-1 if job.setting(m.round, sub).polarity == "reversed" else 1 for sub in m.subs])
        for m in (before, after)
    ]
    return SubSettings(trims[1] - trims[0], delays[1] - delays[0], signs[1] * signs[0])


def _changes(
    subs: Sequence[str],
    old: ComplexArray,
    new: ComplexArray,
    typed: SubSettings,
    origin_s: FloatArray | None,
    band_hz: tuple[float, float],
    turned: ComplexArray,
) -> tuple[SubChange, ...]:
    """`old`, `new`: responses of both rounds [shape=(subs, seats, n)], `old` through the change of filters `turned`
    [shape=(subs, n)]; `origin_s`: see `_origins_s`.
    """
    inside = (BASS_HZ >= band_hz[0]) & (BASS_HZ <= band_hz[1])
    f = BASS_HZ[inside]
    power = np.abs(old[..., inside]) * np.abs(new[..., inside])
    # What is loud counts: a null of one round is noise in the ratio.
    weight = power / np.maximum(power.sum(axis=(1, 2), keepdims=True), 1e-300)
    level = 20 * np.log10(np.maximum(np.abs(new[..., inside]), 1e-30) / np.maximum(np.abs(old[..., inside]), 1e-30))
    gain = np.array([_median(level[i], weight[i]) for i in range(len(level))])
    filters_db = 20 * np.log10(np.abs(turned[:, inside]))
    shapes = [_shape(f, level[i], weight[i], filters_db[i], float(typed.gain_db[i])) for i in range(len(level))]
    turn = new[..., inside] * np.conj(old[..., inside])
    turn /= np.maximum(np.abs(turn), 1e-300)
    delays: list[float | None] = [None] * len(old)
    signs: list[int | None] = [None] * len(old)
    if origin_s is not None:
        reference = np.exp(2j * np.pi * f * origin_s[:, None])
    else:
        # Only differences between subwoofers are known: the first one is taken as typed.
        first = typed.polarity[0] * np.exp(-2j * np.pi * f * typed.delay_s[0])
        reference = np.conj(turn[0]) * first
        if len(old) > 1:
            delays[0], signs[0] = float(typed.delay_s[0]), int(typed.polarity[0])
    for i in range(0 if origin_s is not None else 1, len(old)):
        seen = turn[i] * reference
        tries = np.einsum("sf,sf,df->d", weight[i], seen, np.exp(2j * np.pi * DELAYS_S[:, None] * f))
        k = int(np.argmax(np.abs(tries.real)))
        if abs(tries[k].real) >= LEAST_CLEAR:
            delays[i], signs[i] = float(DELAYS_S[k]), 1 if tries[k].real > 0 else -1
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
            limited_below_hz=shapes[i][1],
        )
        for i, sub in enumerate(subs)
    )


LIMITED_DB, FREE_DB = -1.5, 0.7
"""A limiter takes this much or more of the lowest frequencies, and leaves the upper ones within that of the trim."""
LEAST_TURNED_UP_DB = 1.0


def _shape(
    freq_hz: FloatArray, level_db: FloatArray, weight: FloatArray, filters_db: FloatArray, typed_gain_db: float
) -> tuple[bool, float | None]:
    """(whether the change of filters is missing, below which frequency a limiter acts) of one subwoofer.

    `level_db`, `weight` [shape=(seats, n)]: change of level with the change of filters `filters_db` [shape=(n,)] taken
    off. What the subwoofer itself does is the same at every seat: per frequency the weighted mean over seats.
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
"""Scatter over frequency that a filter must make before its absence is stated: 0.04 to 0.13 dB come from a microphone put
back within 3 cm (determined by simulation: tests/steps/test_bass_verified.py)."""
LIMITER_TRIED_HZ = (25.0, 31.5, 40.0, 50.0, 63.0)


def _median(values: FloatArray, weight: FloatArray) -> float:
    order = np.argsort(values, axis=None)
    total = np.cumsum(weight.ravel()[order])
    return float(values.ravel()[order][np.searchsorted(total, total[-1] / 2)])


def _origins_s(
    job: Job, before: MeasuredBass, after: MeasuredBass, seats: Sequence[str], analyses: Analyses, slope_s: float
) -> FloatArray | None:
    """How much later the later round's clock runs at each seat, by main channels and their settings [shape=(seats,)].

    `slope_s`: delay for each unit of a setting. None where a seat has fewer than three main channels with arrivals and
    settings in both rounds.
    """
    screened = usable(job, analyses, before.round, after.round)
    out = []
    for seat in seats:
        clocks = [m.clocks[m.seats.index(seat)] for m in (before, after)]
        moved = []
        for channel in (c for c in job.system.channels if not c.is_sub):
            entered = [job.setting(m.round, channel.id).distance for m in (before, after)]
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


def _is_no_delay(delay_s: float) -> bool:
    """Whether a delay is too small to be distinguished from none."""
    return not surely_above(abs(delay_s), DELAY_OFF_S, DELAY_U_S)


def _explained(changes: Sequence[SubChange]) -> LikelyMistake | None:
    """The single mistake of a single subwoofer that explains what is heard; None where nothing is off, or it takes more."""
    off = [each for each in changes if each.is_off]
    if len(off) != 1:
        return None
    c = off[0]
    if c.limited_below_hz is not None and not (c.is_polarity_off or c.is_delay_off):
        return LikelyMistake(
            sub=c.sub,
            text=f"a limiter holds {c.sub} back below {c.limited_below_hz:.0f} Hz",
            remedy=f"Measure {c.sub} again at a lower volume; if it follows its trim there, set its gain lower.",
        )
    if c.is_filter_missing and not (c.is_polarity_off or c.is_delay_off):
        return LikelyMistake(
            sub=c.sub,
            text=f"the new filters of {c.sub} were not set",
            remedy=f"Enter the filters of {c.sub} in the processor, and look whether its equaliser is switched on.",
        )
    others_right = not (c.is_gain_off or c.is_polarity_off)
    if others_right and c.delay_s is not None and c.late_s is not None:
        if _is_no_delay(c.delay_s + c.typed_delay_s) and not _is_no_delay(c.typed_delay_s):
            return LikelyMistake(
                sub=c.sub,
                text=f"the delay of {c.sub} was changed in the wrong direction",
                remedy=f"Enter the delay of {c.sub} again and look at its sign.",
            )
        if _is_no_delay(c.delay_s):
            return LikelyMistake(
                sub=c.sub,
                text=f"the new delay of {c.sub} was not set",
                remedy=f"Enter the delay of {c.sub} in the processor.",
            )
        return LikelyMistake(
            sub=c.sub,
            text=f"the delay of {c.sub} is {1000 * c.late_s:+.1f} ms off what was entered".replace("-", "−"),
            remedy=f"Enter the delay of {c.sub} again.",
        )
    if c.is_polarity_off and not (c.is_gain_off or c.is_delay_off):
        what = "was not turned over" if c.typed_polarity < 0 else "was turned over"
        return LikelyMistake(
            sub=c.sub,
            text=f"the polarity of {c.sub} {what}",
            remedy=f"Set the polarity of {c.sub} as the sheet says, and look at its phase switch.",
        )
    if c.is_gain_off and not (c.is_polarity_off or c.is_delay_off):
        if abs(c.gain_db) <= 2 * GAIN_U_DB and abs(c.typed_gain_db) > GAIN_OFF_DB:
            text = f"the new trim of {c.sub} was not set"
        elif abs(c.gain_db + c.typed_gain_db) <= 2 * GAIN_U_DB:
            text = f"the trim of {c.sub} was changed in the wrong direction"
        else:
            apart = f"{c.gain_db - c.typed_gain_db:+.1f} dB".replace("-", "−")
            text = f"{c.sub} is {apart} off the trim that was entered"
        return LikelyMistake(
            sub=c.sub, text=text, remedy=f"Enter the trim of {c.sub} again, and look at its own level control."
        )
    return None
