"""Loss of treble off the axis of a loudspeaker, estimated from its coverage angle alone.

A data sheet states the coverage angle: from edge to edge, the directions in which the level is at most 6 dB below that
on the axis (IEC 60268-5, 23.6; from memory). A rigid piston in a wall is assumed, with directivity 2·J1(k·a·sin
θ)/(k·a·sin θ) (Beranek, Acoustics, 4.8; from memory), and the size that gives the stated angle.
"""

from __future__ import annotations

import math

HALF_PRESSURE = 2.2150
"""2·J1(x)/x = 0.5012, or −6 dB, at x = 2.2150."""
FLOOR_DB = -20.0
"""Lower bound: side lobes and reflections make a lower estimate meaningless."""


def off_axis_level_db(angle_deg: float, coverage_deg: float) -> float:
    """Estimated level of the treble at an angle from the axis, re the axis [dB]: 0 on it, −6 at half the coverage angle.

    Behind the plane of the piston, the level in the plane is returned, an upper bound. Never below −20 dB.
    """
    half = math.radians(min(coverage_deg, 180.0) / 2)
    sine = math.sin(math.radians(min(abs(angle_deg), 90.0)))
    x = HALF_PRESSURE * sine / math.sin(half)
    first_zero = 3.8317
    if x >= first_zero:
        return FLOOR_DB
    term = total = 1.0
    for n in range(1, 20):
        term *= -((x / 2) ** 2) / (n * (n + 1))
        total += term
    return max(20 * math.log10(total), FLOOR_DB) if total > 0 else FLOOR_DB
