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
_FIXED_SHARE_PER_M = 3.4
"""Of the variance: what the mean over places around the seat keeps, since the seat itself is no average place."""
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


def fixed_share(displaced_m: float) -> float:
    """Share of that variance which readings at several places around a seat have in common, so that no mean reduces it.

    The mean level over a sphere is not that of its middle: 17 % at 5 cm, 34 % at 10 cm in both simulators (the same
    script).
    """
    return min(_FIXED_SHARE_PER_M * displaced_m, 1.0)
