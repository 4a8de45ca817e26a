"""How far a level moves when a meter or microphone is not quite at the seat: one model for hands, stands and visits.

The level at a place is direct sound plus reflections. A small displacement r changes it in proportion to r; far beyond a
quarter of a wavelength it is that of another place, and the change has a bound. Close to a loudspeaker the direct sound
dominates, and the level moves less. `tests/references/displaced_meter.py` prints the figures of two simulators of different
origin. They differ by a factor of up to 1.8; the constants are near the larger.
"""

from __future__ import annotations

import math
from typing import Literal

Support = Literal["hand", "stand"]
DISPLACED_M: dict[Support, float] = {"hand": 0.05, "stand": 0.02}
"""How far from the ears' place a reading is made [m]: a meter at arm's length moves with every reading, one on a stand is
put up once (common practice, no source). Repeats replace the first."""
_SLOPE_DB_PER_M, _MOST_DB = 8.5, 1.3
"""Main loudspeakers, 500–2000 Hz, from 2.5 m on."""
_SUB_SLOPE_DB_PER_M, _SUB_MOST_DB = 3.0, 3.0
"""Subwoofers, 30–80 Hz, at any distance: the modes of a room do not depend on the distance of the loudspeaker."""
_MEAN_PER_DB, _MEAN_MOST_DB = 2.0, 0.4
"""Main loudspeakers: what a mean over places keeps, see `mean_place_u_db`."""
FAR_M = 2.5
"""Beyond this the reflections dominate, and the distance no longer matters."""


def level_placement_u_db(displaced_m: float, *, is_sub: bool, distance_m: float | None = None) -> float:
    """Standard uncertainty of a channel's level [dB] from a displacement of `displaced_m` (rms) in any direction.

    u = m·√(1 − exp(−(s·r/m)²)): slope s for small r, never more than m. `distance_m`: from the loudspeaker; for a main one
    closer than 2.5 m the slope shrinks in proportion. Unknown counts as far. Determined by simulation
    (tests/references/displaced_meter.py).
    """
    slope, most = (_SUB_SLOPE_DB_PER_M, _SUB_MOST_DB) if is_sub else (_SLOPE_DB_PER_M, _MOST_DB)
    if distance_m is not None and not is_sub:
        slope *= min(max(distance_m, 0.0) / FAR_M, 1.0)
    return most * math.sqrt(-math.expm1(-((slope * displaced_m / most) ** 2)))


def put_back_u_db(radius_m: float, *, is_sub: bool) -> float:
    """The same of a microphone that is put back somewhere within `radius_m`: uniformly, so that r = √(3/5) of it.

    `tests/references/placement.py` finds 0.13, 0.31, 0.53 dB within 2, 5, 10 cm, of subwoofers 0.04, 0.09, 0.18 dB.
    """
    return level_placement_u_db(math.sqrt(3 / 5) * radius_m, is_sub=is_sub)


def mean_place_u_db(place_u_db: float, *, is_sub: bool) -> float:
    """Standard uncertainty [dB] that readings at several places around a seat have in common, so that no mean reduces it.

    The mean level over a sphere of radius r is not that of its middle. It differs by r²/6·∇²L where readings scatter by
    r/√3·|∇L|, thus by the square of their scatter: u = k·u², at most m. `place_u_db`: the part of the scatter due to
    the place. Modes hardly bend within 10 cm: none for subwoofers. Determined by simulation
    (tests/references/displaced_meter.py).
    """
    return 0.0 if is_sub else min(_MEAN_PER_DB * place_u_db**2, _MEAN_MOST_DB)
