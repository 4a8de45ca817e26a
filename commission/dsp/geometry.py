"""Distances and directions from a seat, and which channels are mirror images."""

from __future__ import annotations

import math

from commission.model.system import Position


def distance_m(a: Position, b: Position) -> float:
    """Straight distance [m]."""
    return math.dist(a, b)


def azimuth_deg(seat: Position, source: Position) -> float:
    """Direction seen from a seat facing the screen, positive to the left, 0 ahead (as in ITU-R BS.2051) [°]."""
    return math.degrees(math.atan2(seat[0] - source[0], seat[1] - source[1]))


def elevation_deg(seat: Position, source: Position) -> float:
    """Elevation angle from the ears, positive up [°]."""
    flat = math.hypot(source[0] - seat[0], source[1] - seat[1])
    return math.degrees(math.atan2(source[2] - seat[2], flat))


def off_axis_deg(place: Position, aim: Position, ears: Position) -> float:
    """Angle at a loudspeaker between its axis, which passes through `aim`, and the line to the ears, 0 to 180 [°].

    NaN where aim or ears are at the loudspeaker itself.
    """
    axis, line = (tuple(end - start for end, start in zip(point, place, strict=True)) for point in (aim, ears))
    lengths = math.hypot(*axis) * math.hypot(*line)
    if lengths == 0:
        return math.nan
    cosine = sum(a * b for a, b in zip(axis, line, strict=True)) / lengths
    return math.degrees(math.acos(min(max(cosine, -1.0), 1.0)))


def crossing_m(start: Position, end: Position, axis: int, at_m: float) -> Position | None:
    """Point where the line between two points crosses the plane with coordinate `axis` at `at_m`; None if it does not."""
    low, high = sorted((start[axis], end[axis]))
    if not low < at_m < high:
        return None
    share = (at_m - start[axis]) / (end[axis] - start[axis])
    x, y, z = (a + share * (b - a) for a, b in zip(start, end, strict=True))
    return x, y, z


def mirror_partner(channel_id: str) -> str | None:
    """The channel on the other side: L and R swapped in the label ("TpFL" ↔ "TpFR"); None for a centre channel.

    Labels of IEC 62574 end in L or R, followed by "w" for wide or "s" for surround; short ones begin with it ("Ltf" ↔
    "Rtf").
    """
    if channel_id[:1] in ("L", "R") and (channel_id[1:].islower() or channel_id[1:] == "S"):
        return f"{'R' if channel_id[0] == 'L' else 'L'}{channel_id[1:]}"
    stem, tail = (channel_id[:-1], channel_id[-1]) if channel_id[-1:] in ("w", "s", "d", "c") else (channel_id, "")
    if stem.endswith("L"):
        return f"{stem[:-1]}R{tail}"
    if stem.endswith("R"):
        return f"{stem[:-1]}L{tail}"
    return None


def side(channel_id: str) -> int | None:
    """−1 for a channel of the left side, 1 for the right, None for the middle; by label, as in `mirror_partner`."""
    partner = mirror_partner(channel_id)
    if partner is None:
        return None
    changed = next(mine for mine, other in zip(channel_id, partner, strict=True) if mine != other)
    return -1 if changed == "L" else 1
