"""Whether two responses are the same recording, even in different files.

Levels are smoothed over 1/12 octave, and their common gain is removed: a change of word length, sample rate, gain or a
few samples' shift leaves them alike within hundredths of a decibel, a second measurement at an unmoved microphone
within tenths. Two positions in a room differ by decibels, unless they are mirror images in a symmetric room.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from commission.dsp.spectrum import GRID_HZ
from commission.model import FloatArray

MAIN_RANGE_HZ, SUB_RANGE_HZ = (200.0, 8000.0), (25.0, 200.0)
SAME_MEDIAN_DB, SAME_MOST_DB = 0.3, 0.8
"""For one recording, half of the frequencies differ by less than the first and nine of ten by less than the second. Of
7000 pairs of different positions in 50 simulated rooms, the nearest reached 0.87 and 1.95 dB
(tests/references/measuring_mistakes.py)."""
MOVED_DB = 0.6
"""Median from which the microphone was moved: twice SAME_MEDIAN_DB, below the nearest different positions."""
SMOOTHED_DB = 0.05
"""Value of SAME_MEDIAN_DB for levels without phase, which may be smoothed so far that two positions look alike."""
LEAST_POINTS = 24
_CANDIDATE_DB = 3.0
"""Root mean square above which two responses are no candidates: nine of ten frequencies can then differ by less than
SAME_MOST_DB only beside a few deep dips."""


@dataclass(frozen=True, slots=True)
class Likeness:
    """Difference of two responses over frequency after removing their common gain [dB]."""

    median_db: float
    most_db: float
    """Difference that nine of ten frequencies do not exceed."""
    gain_db: float
    """The first minus the second."""

    def same(self, *, smoothed: bool = False) -> bool:
        """Whether they are one recording, or two of one loudspeaker at an unmoved microphone."""
        if smoothed:
            return self.most_db <= SMOOTHED_DB
        return self.median_db <= SAME_MEDIAN_DB and self.most_db <= SAME_MOST_DB


def likeness(first_db: FloatArray, second_db: FloatArray, *, is_sub: bool) -> Likeness | None:
    """Likeness of two responses' 1/12-octave levels on GRID_HZ [shape=(n,)]; None if they share less than an octave."""
    low_hz, high_hz = SUB_RANGE_HZ if is_sub else MAIN_RANGE_HZ
    inside = (GRID_HZ >= low_hz) & (GRID_HZ <= high_hz) & np.isfinite(first_db) & np.isfinite(second_db)
    if inside.sum() < LEAST_POINTS:
        return None
    return _likenesses((first_db[inside] - second_db[inside])[None])[0]


def unlike_places(levels_db: FloatArray) -> NDArray[np.bool_]:
    """Which of a loudspeaker's responses [1/12-octave levels on GRID_HZ, shape=(k, n)] surely belong to two positions.

    [shape=(k, k)]; False where both share fewer than `LEAST_POINTS` known frequencies.
    """
    out = np.zeros((len(levels_db), len(levels_db)), bool)
    for i, first in enumerate(levels_db):
        for j in range(i):
            found = likeness(first, levels_db[j], is_sub=False)
            out[i, j] = out[j, i] = found is not None and found.median_db > MOVED_DB
    return out


def _likenesses(apart_db: FloatArray) -> list[Likeness]:
    """Likeness for each difference between responses [shape=(k, n)]."""
    if not len(apart_db):
        return []
    gain = np.median(apart_db, axis=1)
    size = np.abs(apart_db - gain[:, None])
    median, most = np.median(size, axis=1), np.percentile(size, 90, axis=1)
    return [Likeness(float(m), float(n), float(g)) for m, n, g in zip(median, most, gain, strict=True)]


def alike_pairs(levels_db: FloatArray, *, is_sub: bool, smoothed: Sequence[bool]) -> dict[tuple[int, int], Likeness]:
    """All pairs among responses' 1/12-octave levels on GRID_HZ [shape=(k, n)] that are one recording: (i, j), i < j.

    `smoothed`: whether each response may already be smoothed (levels without phase).
    """
    low_hz, high_hz = SUB_RANGE_HZ if is_sub else MAIN_RANGE_HZ
    inside = levels_db[:, (GRID_HZ >= low_hz) & (GRID_HZ <= high_hz)]
    gaps = ~np.isfinite(inside)
    filled = np.where(gaps, 0.0, inside)
    centred = np.where(
        gaps, 0.0, filled - filled.sum(axis=1, keepdims=True) / np.maximum((~gaps).sum(axis=1), 1)[:, None]
    )
    square = np.sum(centred**2, axis=1)
    apart = (square[:, None] + square[None, :] - 2 * centred @ centred.T) / max(centred.shape[1], 1)
    gappy = np.asarray(gaps.any(axis=1))  # compared one by one, since only frequencies known in both count
    apart[gappy], apart[:, gappy] = 0.0, 0.0
    near = np.triu(apart <= _CANDIDATE_DB**2, 1)
    either = np.logical_or.outer(gappy, gappy)
    first, second = np.nonzero(near & ~either)
    pairs = zip(first.tolist(), second.tolist(), strict=True)
    whole = dict(zip(pairs, _likenesses(inside[first] - inside[second]), strict=True))
    broken = np.argwhere(near & either).tolist()
    found = whole | {(i, j): likeness(levels_db[i], levels_db[j], is_sub=is_sub) for i, j in broken}
    return {
        (i, j): each
        for i, j in sorted(found)
        if (each := found[i, j]) is not None and each.same(smoothed=smoothed[i] or smoothed[j])
    }
