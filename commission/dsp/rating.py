"""Single-number ratings of background noise: NC and NR from octave-band levels, and the limit for listening rooms."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from commission.dsp.levels import background_corrected_db
from commission.model import FloatArray, InputError, freeze

NC_OCTAVES_HZ = (16, 31, 63, 125, 250, 500, 1000, 2000, 4000, 8000)
NR_OCTAVES_HZ = NC_OCTAVES_HZ[1:]
"""Nominal centres; 31 means 31.5 Hz."""
_SIL_HZ = (500, 1000, 2000, 4000)

_NC = tuple(range(15, 71, 5))
_NC_DB: FloatArray = freeze(
    np.array(
        [
            [78, 61, 47, 36, 28, 22, 18, 14, 12, 11],
            [79, 63, 50, 40, 33, 26, 22, 20, 17, 16],
            [80, 65, 54, 44, 37, 31, 27, 24, 22, 22],
            [81, 68, 57, 48, 41, 35, 32, 29, 28, 27],
            [82, 71, 60, 52, 45, 40, 36, 34, 33, 32],
            [84, 74, 64, 56, 50, 44, 41, 39, 38, 37],
            [85, 76, 67, 60, 54, 49, 46, 44, 43, 42],
            [87, 79, 71, 64, 58, 54, 51, 49, 48, 47],
            [89, 82, 74, 67, 62, 58, 56, 54, 53, 52],
            [90, 85, 77, 71, 66, 63, 60, 59, 58, 57],
            [90, 88, 80, 75, 71, 68, 65, 64, 63, 62],
            [90, 90, 84, 79, 75, 72, 71, 70, 68, 68],
        ],
        dtype=float,
    )
)
"""ANSI/ASA S12.2-2019 Table 1, from another work that cites it; about ten cells are 1 dB off older editions."""

_NR_A = (55.4, 35.5, 22.0, 12.0, 4.8, 0.0, -3.5, -6.1, -8.0)
_NR_B = (0.681, 0.790, 0.870, 0.930, 0.974, 1.000, 1.015, 1.025, 1.030)
"""Constants of L = a + b·NR, ISO/R 1996:1971 as printed in AS 1469-1983 Table 1 (second hand). Some public pages have
35.4 at 63 Hz: the printed curves NR 0 and NR 100 (36 and 115 dB) require 35.5."""


@dataclass(frozen=True, slots=True)
class Rating:
    """A rating of background noise."""

    value: float
    octave_hz: int | None
    """The octave that decides the rating, or None if the mean over several does."""
    bound: Literal["", "at most", "at least"] = ""
    """Set if the value is only a bound: from the instrument's own noise or the end of the table."""

    @property
    def text(self) -> str:
        """Value as a rounded number with its bound: "23", "at most 15"."""
        return f"{self.bound} {self.value:.0f}".strip()


def nc_rating(octave_db: Mapping[int, float], at_most: Collection[int] = ()) -> Rating:
    """NC by ANSI/ASA S12.2-2019 5.2 from octave levels [dB re 20 µPa] by nominal centre (at least 63 Hz to 8 kHz).

    NC is the speech interference level (mean of 500 Hz to 4 kHz) if no octave is above the curve of that number;
    otherwise it is the highest curve that the spectrum touches, interpolated linearly between curves 5 dB apart.
    `at_most` lists the octaves whose level is only an upper bound. There are no curves below NC 15 and above NC 70: the
    result is then a bound.
    """
    levels = _levels(octave_db, NC_OCTAVES_HZ, 2, "NC")
    sil = float(np.mean([levels[hz] for hz in _SIL_HZ]))
    # Beyond the first and the last curve, the number continues by 1 for each dB, to find the octave that decides.
    touched = {hz: _interpolated(level, _NC_DB[:, NC_OCTAVES_HZ.index(hz)]) for hz, level in levels.items()}
    worst = max(touched, key=lambda hz: touched[hz])
    if touched[worst] <= sil and _NC[0] <= sil <= _NC[-1]:
        return Rating(sil, None, "at most" if set(at_most) & set(_SIL_HZ) else "")
    if touched[worst] <= _NC[0]:
        return Rating(float(_NC[0]), worst, "at most")
    if touched[worst] > _NC[-1]:
        return Rating(float(_NC[-1]), worst, "at least")
    return Rating(touched[worst], worst, "at most" if worst in at_most else "")


def _interpolated(level: float, curve_db: FloatArray) -> float:
    """Number of the curve through `level` in one octave; where several curves share a level, the lowest of them."""
    if level > curve_db[-1]:
        return _NC[-1] + float(level - curve_db[-1])
    if level < curve_db[0]:
        return _NC[0] + float(level - curve_db[0])
    rising = np.concatenate(([True], np.diff(curve_db) > 0))
    return float(np.interp(level, curve_db[rising], np.array(_NC)[rising]))


def nr_rating(octave_db: Mapping[int, float], at_most: Collection[int] = ()) -> Rating:
    """NR by ISO/R 1996:1971 from octave levels [dB re 20 µPa] by nominal centre (at least 63 Hz to 8 kHz).

    The largest (L − a)/b over the octaves. `at_most` lists the octaves whose level is only an upper bound.
    """
    levels = _levels(octave_db, NR_OCTAVES_HZ, 1, "NR")
    by_octave = {hz: (level - _NR_A[i]) / _NR_B[i] for hz, level in levels.items() for i in [NR_OCTAVES_HZ.index(hz)]}
    worst = max(by_octave, key=lambda hz: by_octave[hz])
    return Rating(by_octave[worst], worst, "at most" if worst in at_most else "")


def nc_curve_db(nc: float) -> dict[int, float]:
    """Octave levels of the curve NC [dB], 15 to 70, between curves of the table by linear interpolation."""
    if not _NC[0] <= nc <= _NC[-1]:
        raise InputError("noise criterion", f"NC {nc:g}", f"NC {_NC[0]} to NC {_NC[-1]}")
    return {hz: float(np.interp(nc, _NC, _NC_DB[:, i])) for i, hz in enumerate(NC_OCTAVES_HZ)}


def without_own_noise_db(
    octave_db: Mapping[int, float], own_db: Mapping[int, float]
) -> tuple[dict[int, float], tuple[int, ...]]:
    """Octave levels minus the instrument's own noise, and the octaves whose level is only an upper bound.

    `own_db`: reading of the instrument in silence [dB]. Where the level exceeds it by less than 3 dB, nothing can be
    subtracted (see `levels.background_corrected_db`): the reading stays, as a bound.
    """
    corrected, bounds = {}, []
    for hz, level in octave_db.items():
        clean = background_corrected_db(level, own_db[hz]) if hz in own_db else level
        corrected[hz] = level if clean is None else clean
        if clean is None:
            bounds.append(hz)
    return corrected, tuple(bounds)


def _levels(octave_db: Mapping[int, float], octaves: tuple[int, ...], optional: int, name: str) -> dict[int, float]:
    missing = [hz for hz in octaves[optional:] if not np.isfinite(octave_db.get(hz, np.nan))]
    if missing:
        gaps = ", ".join(f"{hz} Hz" for hz in missing)
        raise InputError(f"{name} rating", f"no level at {gaps}", "octave levels from 63 Hz to 8 kHz")
    return {hz: float(octave_db[hz]) for hz in octaves if np.isfinite(octave_db.get(hz, np.nan))}
