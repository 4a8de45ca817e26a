"""Estimate of the single move of a subwoofer or of a row of seats that gains more than any setting can.

A box of the room's size is fitted to the measured responses (`dsp.box_modes`). If it explains them, each subwoofer is
moved to places along the walls and each row back and forth, and the settings are searched again for each. The same search
in the unchanged box gives the result of settings alone; the ratio of the two is assumed to apply to the room.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from commission.dsp import bass_search as search_of
from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.bass_search import SearchBounds
from commission.dsp.bass_sum import SubResponses, SubSettings
from commission.dsp.box_modes import BoxFit, box_responses, fit_box
from commission.model import FloatArray, Job, Position
from commission.model.formatting import number
from commission.model.units import format_length, listed
from commission.steps.bass.result import BassResult
from commission.steps.shared.cache import cached

LEAST_EXPLAINED = 0.9
"""Least explained share of the power of each subwoofer over the seats. Boxes of two simulators reach 0.97, a room entered
6 % too large 0.65 to 0.88, exchanged seats 0.4 (determined by simulation: tests/dsp/test_box_modes.py)."""
FROM_WALL_M = 0.35
"""Distance from the middle of a subwoofer's cabinet to the wall beside it."""
APART_M, FROM_SEAT_M = 0.6, 0.7
ROW_MOVES_M = (-0.6, -0.3, 0.3, 0.6)
SAME_ROW_M = 0.4
WORTH = 0.7
"""A move is advised if it leaves no more than this share of the variance that remains with settings alone."""
WORTH_DB2 = 2.0
EVERY = 2
"""Every second frequency is enough to compare places."""
TUNED = 4
"""Number of settings from which each place is tuned."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SubwooferMove:
    """The best single move found."""

    what: str
    """"SUB2", or the seats of a row."""
    to_m: Position | None
    """New position of a subwoofer; None for a row."""
    by_m: float
    """Distance; for a row positive toward the rear, negative toward the screen."""
    sd_db: float
    """Estimated seat-to-seat standard deviation with settings for the new places."""
    before_db: float
    """That with the most even settings found, without the move."""

    def text(self, units: str) -> str:
        """One sentence of advice."""
        length = format_length(abs(self.by_m), units)  # type: ignore[arg-type]
        if self.to_m is not None:
            x, y = (format_length(v, units) for v in self.to_m[:2])  # type: ignore[arg-type]
            what = f"Moving {self.what} by {length} (to x {x}, y {y})"
        else:
            what = f"Moving {self.what} {length} {'toward the rear' if self.by_m > 0 else 'toward the screen'}"
        return (
            f"{what} would bring the seat-to-seat standard deviation of the bass from {number(self.before_db, 1)} dB, "
            f"which settings alone reach, to about {number(self.sd_db, 1)} dB: an estimate from a box fitted to the "
            "responses. Measure there before anything is fixed."
        )


@cached
def best_move(job: Job, result: BassResult) -> SubwooferMove | str:
    """The most helpful move, or one clause with the reason why none is advised."""
    system, measured = job.system, result.measured
    if system.room is None:
        return "the size of the room is not entered"
    subs = [system.channel(sub) for sub in measured.subs]
    seats = [system.seat(seat) for seat in measured.seats]
    places = [c.position_m if c is not None else None for c in subs]
    ears = [s.position_m if s is not None else None for s in seats]
    if any(p is None for p in (*places, *ears)):
        return "not all positions of subwoofers and seats are entered"
    if len(measured.seats) < 3:
        return "at least three seats are needed"
    size = np.array([system.room.width_m, system.room.length_m, system.room.height_m])
    corner = np.array([system.room.width_m / 2, 0.0, 0.0])
    at, heads = np.array(places, float) + corner, np.array(ears, float) + corner
    if (at < 0).any() or (at > size).any() or (heads < 0).any() or (heads > size).any():
        return "a subwoofer or a seat is outside the room as entered"
    speed = speed_of_sound_m_s(system.temperature_c)
    room = measured.room
    few = replace(
        room,
        values=room.values[..., ::EVERY],
        freq_hz=room.freq_hz[::EVERY],
        freq_share=room.freq_share[::EVERY],
        target_db=None if room.target_db is None else room.target_db[::EVERY],
    )
    fit = fit_box(few.values, size, at, heads, few.freq_hz, speed, one_clock=len(set(measured.clocks)) == 1)
    if fit.explained.min() < LEAST_EXPLAINED:
        return (
            f"a box of the room's size explains only {100 * fit.explained.min():.0f} % of what was measured "
            f"({100 * LEAST_EXPLAINED:.0f} % are needed)"
        )
    box = _Box(size, fit, few, speed, result.space.bounds, _starts(result))
    return _best(box, at, heads, corner, result)


@dataclass(frozen=True, slots=True)
class _Box:
    """A fitted box and the inputs of its searches."""

    size_m: FloatArray
    fit: BoxFit
    measured: SubResponses
    speed_m_s: float
    bounds: SearchBounds
    starts: SubSettings

    def variance_db2(self, at: FloatArray, heads: FloatArray) -> float:
        """Variance with the best settings for these places."""
        model = box_responses(self.size_m, at, heads, self.measured.freq_hz, self.fit.decay_s, self.speed_m_s)
        room = replace(self.measured, values=model * self.fit.own[:, None, :])
        return search_of.tuned(room, self.bounds, self.starts).variance_db2


def _starts(result: BassResult) -> SubSettings:
    """The settings of the proposal and of the trade-off, each also with one subwoofer inverted."""
    found = [result.proposed.settings, *(each.settings for each in result.tradeoff)][:TUNED]
    every = []
    for each in found:
        every.append(each)
        for i in range(1, len(each.polarity)):
            turned = np.where(np.arange(len(each.polarity)) == i, -1, 1)
            every.append(SubSettings(each.gain_db, each.delay_s, each.polarity * turned))
    return SubSettings(*(np.array([getattr(e, n) for e in every]) for n in SubSettings.__slots__))


def _best(
    box: _Box, at: FloatArray, heads: FloatArray, corner: FloatArray, result: BassResult
) -> SubwooferMove | str:
    now = box.variance_db2(at, heads)
    chosen = [each.figures for each in (result.proposed, *result.tradeoff)]
    before = min(each.variance_db2 for each in [*chosen, *(each.figures for each in result.candidates.values())])
    best: tuple[str, Position | None, float] | None = None
    least = math.inf
    for i, sub in enumerate(result.measured.subs):
        for place in _places(box.size_m, at, heads, i):
            moved = np.array(at)
            moved[i] = place
            variance = box.variance_db2(moved, heads)
            if variance < least:
                x, y, z = (round(float(v), 2) for v in place - corner)
                by_m = float(np.linalg.norm(place - at[i]))
                least, best = variance, (sub, (x, y, z), by_m)
    for row in _rows(heads):
        for by_m in ROW_MOVES_M:
            moved = np.array(heads)
            moved[row, 1] += by_m
            if (moved[row, 1] < 1.0).any() or (moved[row, 1] > box.size_m[1] - 0.3).any() or _collide(moved):
                continue
            variance = box.variance_db2(at, moved)
            if variance < least:
                seats = listed([result.measured.seats[k] for k in sorted(row)])
                least, best = variance, (seats, None, by_m)
    if best is None:
        return "there is no other place"
    share = max(least / max(now, 1e-9), least / max(before, 1e-9))  # the less promising of the two
    if share > WORTH or before * (1 - share) < WORTH_DB2:
        return "no single move would gain clearly more than the settings"
    what, to_m, by_m = best
    return SubwooferMove(
        what=what, to_m=to_m, by_m=by_m, sd_db=math.sqrt(before * share), before_db=math.sqrt(max(before, 0.0))
    )


def _places(size_m: FloatArray, at: FloatArray, heads: FloatArray, index: int) -> Iterator[FloatArray]:
    """Corners, quarters and middles of the four walls, at the subwoofer's own height, away from others and from seats."""
    width, length = float(size_m[0]), float(size_m[1])
    xs = [FROM_WALL_M, width / 4, width / 2, 3 * width / 4, width - FROM_WALL_M]
    ys = [FROM_WALL_M, length / 4, length / 2, 3 * length / 4, length - FROM_WALL_M]
    spots = [(x, y) for x in xs for y in ys if x in (xs[0], xs[-1]) or y in (ys[0], ys[-1])]
    for x, y in spots:
        place = np.array([x, y, at[index, 2]])
        others = np.delete(at, index, axis=0)
        if np.linalg.norm(at - place, axis=1)[index] < APART_M:
            continue
        if len(others) and np.linalg.norm(others - place, axis=1).min() < APART_M:
            continue
        if np.linalg.norm((heads - place)[:, :2], axis=1).min() >= FROM_SEAT_M:
            yield place


def _rows(heads: FloatArray) -> Iterator[list[int]]:
    """Seats with nearly the same distance from the screen, if there are several."""
    left = list(np.argsort(heads[:, 1], kind="stable"))
    while left:
        row = [int(k) for k in left if heads[k, 1] - heads[left[0], 1] <= SAME_ROW_M]
        left = [k for k in left if k not in row]
        yield row


def _collide(heads: FloatArray) -> bool:
    apart = np.linalg.norm(heads[:, None, :2] - heads[None, :, :2], axis=-1)
    return bool((apart + 9 * np.eye(len(heads))).min() < 0.5)
