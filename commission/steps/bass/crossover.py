"""Sum of the subwoofers with the front loudspeakers through their crossover, as measured and with other settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from commission.dsp.analysis import BASS_HZ
from commission.dsp.bass_sum import SubSettings
from commission.dsp.crossover import (
    LEAST_HIGH_PASS_DB,
    LEAST_LOW_PASS_DB,
    CrossoverFit,
    CrossoverHole,
    CrossoverPair,
    crossover_octave,
    crossover_sum_db,
    filters_sum_db,
    find_hole,
    fit_crossover,
    slope_db,
)
from commission.dsp.crossover_filters import crossover_response
from commission.dsp.spectrum import GRID_HZ
from commission.model import Analyses, Analysis, Channel, ComplexArray, CrossoverFilter, FloatArray, Job
from commission.model.formatting import crossover_text, number
from commission.model.units import listed
from commission.steps.bass.measurement import LEAST_SNR_DB, MeasuredBass
from commission.steps.shared.screening import usable
from commission.steps.shared.survey import on_clock

LOWERED_DB, LEAST_ENTERED_DB = 3.0, 7.0
"""Subwoofers count as measured through the entered low-pass if they fall by at least its arithmetic slope minus the
first, which rooms rarely take away; without a low-pass they rarely fall by the second (by simulation:
tests/bench/holes.py)."""
MOST_RAISED_DB = 15.0
"""Largest boost by which another crossover may raise the measured responses and their noise: 25 dB above the noise become
10 (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossover:
    """Sum of the subwoofers with the front loudspeakers through the octave of the crossover."""

    hz: float
    mains: tuple[str, ...]
    before_db: FloatArray
    """Sum with each main loudspeaker relative to both in phase, mean over seats and octave, as measured
    [shape=(mains,)]."""
    after_db: FloatArray
    """That sum with the displayed settings, on the steps of the processor."""
    hole: CrossoverHole | None
    """Hole in the sum as measured; its delay is to be added to the subwoofers of that round."""
    entered: str
    """High-pass and low-pass as entered for the processor."""
    filters_db: float | None
    """Sum of those filters alone; None: their type is not entered."""

    @property
    def gain_db(self) -> float:
        """Gain of the sum by those settings, mean of the main loudspeakers; below zero: they weaken it."""
        return float(np.mean(self.after_db - self.before_db))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrontPair:
    """Front loudspeakers and subwoofers of a round, with their responses through the crossover."""

    hz: float
    mains: tuple[str, ...]
    later: ComplexArray
    """Response of each front loudspeaker with the settings of Distances [shape=(mains, seats, BASS_HZ)]."""
    left_out: Mapping[str, str]
    """Reasons why front loudspeakers are not in the sum: it is made for the crossover frequency that most of them have."""
    before_db: FloatArray
    hole: CrossoverHole | None
    entered: str
    low_pass: ComplexArray | None
    """Low-pass of the subwoofers, as entered [shape=(BASS_HZ,)]; None: not entered, or not the same for all."""
    high_pass: ComplexArray | None
    """High-pass of each front loudspeaker, as entered [shape=(mains, BASS_HZ)]; None: not entered."""
    exchange: ComplexArray | None = None
    """Another low-pass divided by that of the subwoofers [shape=(BASS_HZ,)]; None: the measured one."""

    def _pair(self, through: MeasuredBass, settings: SubSettings) -> CrossoverPair:
        total = np.einsum("if,isf->sf", settings.factors(BASS_HZ), through.full)
        if self.exchange is not None:
            total = total * self.exchange
        return CrossoverPair(np.asarray(total), self.later, BASS_HZ, self.hz, through.room.seat_share)

    def through_other(self, hz: float, high: CrossoverFilter, low: CrossoverFilter) -> FrontPair | str:
        """The pair through another crossover, or the reason why these responses cannot show it. `before_db` stays as
        measured.
        """
        if self.low_pass is None or self.high_pass is None:
            return "type and slope of the high-pass and of one low-pass for all subwoofers are not entered"
        new_high, new_low = (crossover_response(BASS_HZ, hz, *each) for each in ((high, "high"), (low, "low")))
        octave = crossover_octave(BASS_HZ, hz)
        raised = max(
            float(np.abs(r[..., octave]).max()) for r in (new_high / self.high_pass, new_low / self.low_pass)
        )
        if (raised_db := 20 * np.log10(raised)) > MOST_RAISED_DB:
            return f"{hz:g} Hz would raise what was measured by {number(raised_db, 0)} dB, and its noise with it"
        return replace(
            self,
            hz=hz,
            later=self.later * (new_high / self.high_pass)[:, None, :],
            hole=None,
            low_pass=new_low,
            high_pass=np.tile(new_high, (len(self.mains), 1)),
            exchange=new_low / self.low_pass,
        )

    def fit(self, through: MeasuredBass, settings: SubSettings) -> CrossoverFit:
        """The common delay and polarity that suit all front loudspeakers, in addition to some settings."""
        return fit_crossover(self._pair(through, settings))

    def crossover(self, through: MeasuredBass, settings: SubSettings | None) -> Crossover:
        """The sum with some settings; None: as measured."""
        after_db = self.before_db if settings is None else crossover_sum_db(self._pair(through, settings))
        filters_db = None
        if self.low_pass is not None and self.high_pass is not None:
            filters_db = float(np.mean([filters_sum_db(self.low_pass, h, BASS_HZ, self.hz) for h in self.high_pass]))
        return Crossover(
            hz=self.hz,
            mains=self.mains,
            before_db=self.before_db,
            after_db=after_db,
            hole=self.hole,
            entered=self.entered,
            filters_db=filters_db,
        )


def mains_with_crossover(job: Job) -> list[Channel]:
    """The front loudspeakers whose bass the processor sends to the subwoofers."""
    return [c for c in job.system.channels if c.role == "screen" and c.high_pass_hz is not None]


def front_pair(
    job: Job,
    measured: MeasuredBass,
    analyses: Analyses,
    moved_s: Mapping[str, float],
    subs_moved_s: float,
    reach_s: tuple[float, float],
) -> FrontPair | str:
    """The front loudspeakers at the seats of the subwoofers, or why their sum is not evaluated.

    `moved_s`: additional delay of each with the settings of Distances; `subs_moved_s`: that of the subwoofers. `reach_s`:
    the least and the largest delay that the processor can add to all subwoofers.
    """
    mains = mains_with_crossover(job)
    if not mains:
        return "no crossover of a front loudspeaker is entered on the Site form"
    corners = [c.high_pass_hz for c in mains if c.high_pass_hz is not None]
    hz = max(corners, key=lambda each: (corners.count(each), each))
    rows, names, noisy, left_out = [], [], [], {}
    for channel in mains:
        if channel.high_pass_hz != hz:
            left_out[channel.id] = f"its crossover is at {channel.high_pass_hz:g} Hz, that of the sum at {hz:g} Hz"
            continue
        own = _at_seats(job, measured, analyses, channel.id)
        bass = [each.bass for each in own if each is not None and each.bass is not None]
        if len(bass) == len(measured.seats):
            rows.append(bass)
            names.append(channel.id)
            noisy += [channel.id] if _is_noisy_below(own, hz) else []
        else:
            left_out[channel.id] = "it was not measured at all these seats on the clock of the subwoofers"
    if not rows:
        return "no front loudspeaker was measured at all these seats on the clock of the subwoofers"
    now = np.array(rows)
    turn = np.exp(-2j * np.pi * np.outer([moved_s.get(name, 0.0) for name in names], BASS_HZ))
    shown = [channel for channel in job.system.channels if channel.id in (*names, *measured.subs)]
    low_pass, high_pass = _low_pass(job, measured), _high_pass(job, [c for c in shown if not c.is_sub])
    if why := _why_no_sum(measured.full, dict(zip(names, now, strict=True)), hz, noisy, low_pass):
        return why
    pair = CrossoverPair(
        measured.full.sum(axis=0), now, BASS_HZ, hz, measured.room.seat_share, low_pass=low_pass, high_pass=high_pass
    )
    return FrontPair(
        hz=hz,
        mains=tuple(names),
        later=now * turn[:, None, :],
        left_out=left_out,
        before_db=crossover_sum_db(pair),
        hole=find_hole(pair, subs_moved_s, reach_s),
        entered="; ".join(dict.fromkeys(filter(None, (crossover_text(job.system, channel) for channel in shown)))),
        low_pass=low_pass,
        high_pass=high_pass,
    )


def _low_pass(job: Job, measured: MeasuredBass) -> ComplexArray | None:
    """Low-pass of the subwoofers, as entered [shape=(BASS_HZ,)]; None if not entered, or different between them."""
    subs = [channel for channel in job.system.channels if channel.id in measured.subs]
    entered = {(channel.low_pass_hz, job.system.low_pass(channel)) for channel in subs}
    hz, kind = entered.pop()
    return None if entered or hz is None or kind is None else crossover_response(BASS_HZ, hz, kind, "low")


def _high_pass(job: Job, mains: Sequence[Channel]) -> ComplexArray | None:
    """High-pass of each front loudspeaker, as entered [shape=(mains, BASS_HZ)]; None if one is not entered."""
    rows = [
        crossover_response(BASS_HZ, channel.high_pass_hz, kind, "high")
        for channel in mains
        if channel.high_pass_hz is not None and (kind := job.system.high_pass(channel)) is not None
    ]
    return np.array(rows) if rows and len(rows) == len(mains) else None


def _at_seats(job: Job, measured: MeasuredBass, analyses: Analyses, channel: str) -> list[Analysis | None]:
    """Measurement of a channel at each seat, on the clock of the subwoofers."""
    screened = usable(job, analyses, measured.round)
    found = [
        on_clock(screened.repeats(measured.round, channel, seat), clock)
        for seat, clock in zip(measured.seats, measured.clocks, strict=True)
    ]
    return [None if each is None else each.analysis for each in found]


def _is_noisy_below(analyses: Sequence[Analysis | None], hz: float) -> bool:
    """Whether, at half or more of the seats, the level an octave below the crossover may be noise."""
    inside = (GRID_HZ >= 0.45 * hz) & (GRID_HZ <= 0.65 * hz)
    known = [a.third_octave_db - a.noise_db for a in analyses if a is not None and a.noise_db is not None]
    above_db = [np.nanmedian(each[inside]) for each in known if np.isfinite(each[inside]).any()]
    return bool(above_db) and float(np.median(above_db)) < LEAST_SNR_DB


def _why_no_sum(
    subs: ComplexArray,
    mains: dict[str, ComplexArray],
    hz: float,
    noisy: Sequence[str],
    low_pass: ComplexArray | None,
) -> str:
    """Why responses do not contain the sound through the crossover, or not separately; empty if they do.

    A sweep of a main channel through bass management plays the subwoofers too, and a sweep of a subwoofer's own input does
    not pass the low-pass of the crossover. Adding such responses says nothing about polarity or delay.
    """
    expected_db = np.inf if low_pass is None else slope_db(low_pass, BASS_HZ, hz)
    if not slope_db(subs, BASS_HZ, hz) >= np.clip(expected_db - LOWERED_DB, LEAST_ENTERED_DB, LEAST_LOW_PASS_DB):
        return (
            f"the subwoofers were measured without a low-pass at {hz:.0f} Hz, and how they add with the main "
            "loudspeakers depends on its phase"
        )
    together = [c for c, bass in mains.items() if not slope_db(bass, BASS_HZ, hz) <= -LEAST_HIGH_PASS_DB]
    if unknown := [c for c in together if c in noisy]:
        return f"noise covers {listed(unknown)} below {hz:.0f} Hz, and whether the bass is played there is not determined"
    if together:
        return (
            f"{listed(together)} still {'play' if len(together) > 1 else 'plays'} the bass below {hz:.0f} Hz, as when the "
            "subwoofers play with the main loudspeakers; switch the subwoofers off while these are measured"
        )
    return ""
