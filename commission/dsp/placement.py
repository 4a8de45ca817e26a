"""Uncertainty of a level from a displaced meter or microphone: one model for hands, stands and visits.

The level at a place is direct sound plus reflections. A small displacement r changes it in proportion to r; far beyond
a quarter of a wavelength it is the level of another position, and the change is bounded. Close to a loudspeaker the
direct sound dominates, and the level moves less. `tests/references/displaced_meter.py` prints the figures of two
simulators of different origin. They differ by a factor of up to 1.8; the constants are near the larger ones.
"""

from __future__ import annotations

import math
from typing import Literal

Support = Literal["hand", "stand"]
DISPLACED_M: dict[Support, float] = {"hand": 0.05, "stand": 0.02}
"""Distance of a reading from the ears' position [m]: a meter at arm's length moves with every reading, one on a stand
is set up once (common practice, no source). Repeats replace the first."""
_SLOPE_DB_PER_M, _MOST_DB = 8.5, 1.3
"""Slope and bound for main loudspeakers, 500–2000 Hz, from 2.5 m on."""
_SUB_SLOPE_DB_PER_M, _SUB_MOST_DB = 3.0, 3.0
"""Slope and bound for subwoofers, 30–80 Hz, at any distance: the modes of a room do not depend on the loudspeaker's
distance."""
_MEAN_PER_DB, _MEAN_MOST_DB = 2.0, 0.4
"""Curvature and bound of the part that remains in a mean over positions, for main loudspeakers: see `mean_place_u_db`."""
FAR_M = 2.5
"""Beyond this the reflections dominate, and the distance no longer matters."""


def level_placement_u_db(displaced_m: float, *, is_sub: bool, distance_m: float | None = None) -> float:
    """Standard uncertainty of a channel's level [dB] from a displacement of `displaced_m` (rms) in any direction.

    u = m·√(1 − exp(−(s·r/m)²)): slope s for small r, never more than m. `distance_m`: distance from the loudspeaker;
    closer than 2.5 m to a main one, the slope shrinks in proportion. An unknown distance counts as far. Determined by
    simulation (tests/references/displaced_meter.py).
    """
    slope, most = (_SUB_SLOPE_DB_PER_M, _SUB_MOST_DB) if is_sub else (_SLOPE_DB_PER_M, _MOST_DB)
    if distance_m is not None and not is_sub:
        slope *= min(max(distance_m, 0.0) / FAR_M, 1.0)
    return most * math.sqrt(-math.expm1(-((slope * displaced_m / most) ** 2)))


def put_back_u_db(radius_m: float, *, is_sub: bool) -> float:
    """Standard uncertainty [dB] from a microphone put back anywhere within `radius_m`, uniformly, so that r = √(3/5) of
    it.

    `tests/references/placement.py` finds 0.13, 0.31, 0.53 dB within 2, 5, 10 cm; for subwoofers 0.04, 0.09, 0.18 dB.
    """
    return level_placement_u_db(math.sqrt(3 / 5) * radius_m, is_sub=is_sub)


def mean_place_u_db(place_u_db: float, *, is_sub: bool) -> float:
    """Standard uncertainty [dB] common to readings at several positions around a seat, which no mean reduces.

    The mean level over a sphere of radius r is not that of its middle. It differs by r²/6·∇²L where readings scatter by
    r/√3·|∇L|, thus by the square of their scatter: u = k·u², at most m. `place_u_db`: the part of the scatter due to
    position. Modes hardly curve within 10 cm, so it is zero for subwoofers. Determined by simulation
    (tests/references/displaced_meter.py).
    """
    return 0.0 if is_sub else min(_MEAN_PER_DB * place_u_db**2, _MEAN_MOST_DB)
