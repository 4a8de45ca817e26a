"""Early reflections: level, delay after the direct sound, and the surfaces that could cause them by the plan.

Level and delay are read from the envelope of the 1–8 kHz band, in which ITU-R BS.1116 and EBU Tech 3276 ask for 10 dB
below the direct sound within 15 ms (from memory). Their origin follows from the mirror images of the loudspeaker in the
room's six surfaces (J. B. Allen, D. A. Berkley, JASA 65 (1979) 943–950) and from the furniture: a surface is a
candidate when its delay agrees within a stated tolerance. Delays alone never prove a direction: there may be several
candidates or none.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from commission.dsp.geometry import crossing_m
from commission.dsp.timing import BAND_HZ, band_envelopes, vertex
from commission.model import FloatArray
from commission.model.system import Position, Room, Seat

WITHIN_S = 0.015
"""Time range of the limit, BS.1116 and EBU Tech 3276 (from memory)."""
LIMIT_DB = -10.0
"""Limit for reflections, BS.1116 and EBU Tech 3276 (from memory)."""
LEAST_DB = -20.0
"""Weaker peaks are not listed: the window's side lobes are at −31 dB, and second-order reflections begin there."""
RESOLUTION_S = 0.0004
"""A peak nearer than this to a stronger sound cannot be separated: half the main lobe of a band of 7 kHz."""
LEAST_PEAK_TO_NOISE_DB = 35.0
"""Keeps noise 15 dB below the weakest listed peak."""
LEVEL_U_DB = 2.0
"""Standard uncertainty of the level of one surface: neighbours within half a millisecond add or cancel, which scatters by
2.3 dB in a bare simulated room (`tests/dsp/test_reflections.py`)."""
DELAY_U_S = 0.0001
"""Standard uncertainty of the delay of one surface: neighbours pull its peak by 0.09 ms in a bare simulated room; alone it
is found within 0.005 ms (`tests/dsp/test_reflections.py`)."""
SURFACE_TOLERANCE_S = 0.0003
"""About twice the root sum of squares of: positions of loudspeaker and seat ±2 cm (u 1 cm each, doubled by the mirror:
0.08 ms), the room's size ±3 cm (0.09 ms), acoustic centre 0.05 ms, reading 0.1 ms, ±1 K over 6 m 0.03 ms."""
OBSTACLE_TOLERANCE_S = 0.001
"""A seat back or a table is half a metre wide: its path is known within 0.3 m or so."""


BACK_M = (0.25, 0.15)
"""Distances of a seat back behind the ears, and of its middle below the ears (common practice, no source)."""
BELOW_TOP_M = 0.1
"""Distance of the reflecting point below the top of a back of known height (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Reflection:
    """One peak of the envelope after the direct sound."""

    delay_s: float
    level_db: float
    """Relative to the direct sound."""
    u_s: float = DELAY_U_S
    u_db: float = LEVEL_U_DB


@dataclass(frozen=True, slots=True)
class Reflections:
    """Reflections of one response, strongest first; or the reason why there are none."""

    found: tuple[Reflection, ...] = ()
    why_not: str | None = None


def early_reflections(
    impulses: FloatArray,
    rate_hz: float,
    arrivals_s: Sequence[float | None],
    within_s: float = WITHIN_S,
    least_db: float = LEAST_DB,
) -> list[Reflections]:
    """Reflections of each response [shape=(k, n)] up to `within_s` after the direct sound.

    `arrivals_s`: the direct sound after the first sample, as found by `timing.main_arrival`; None if unknown.
    """
    from scipy import fft

    impulses = np.atleast_2d(impulses)
    if rate_hz < 2 * BAND_HZ[1]:
        why = f"a sample rate of {rate_hz:g} Hz does not reach 8 kHz"
        return [Reflections(why_not=why)] * len(impulses)
    frames = impulses.shape[-1]
    length = int(fft.next_fast_len(frames, real=True))
    spectra = fft.rfft(np.asarray(impulses, dtype=np.float32), length, axis=-1, workers=-1)
    envelopes, envelope_rate_hz = band_envelopes(spectra, rate_hz / length)
    count = int(frames / rate_hz * envelope_rate_hz)
    return [
        reflections_of(envelope[:count], envelope_rate_hz, arrival, within_s, least_db)
        for envelope, arrival in zip(envelopes, arrivals_s, strict=True)
    ]


def reflections_of(
    envelope: FloatArray,
    envelope_rate_hz: float,
    arrival_s: float | None,
    within_s: float = WITHIN_S,
    least_db: float = LEAST_DB,
) -> Reflections:
    """Reflections from an envelope of the 1–8 kHz band [shape=(n,)], from which the arrival was read."""
    if arrival_s is None:
        return Reflections(why_not="the direct sound could not be found")
    start = round(arrival_s * envelope_rate_hz)
    reach = round(RESOLUTION_S * envelope_rate_hz)
    near = envelope[max(0, start - reach) : start + reach + 1]
    stop = start + math.ceil(within_s * envelope_rate_hz) + 1
    if len(near) == 0 or stop + reach > len(envelope):
        return Reflections(why_not=f"the response ends within {1000 * within_s:.0f} ms of the direct sound")
    first = max(0, start - reach) + int(np.argmax(near))
    direct = _height(envelope, first)
    noise = float(np.sqrt(np.mean(np.square(envelope[int(0.85 * len(envelope)) :], dtype=float))))
    ratio_db = 20 * math.log10(direct / max(noise, 1e-30)) if direct > 0 else 0.0
    if ratio_db < LEAST_PEAK_TO_NOISE_DB:
        return Reflections(
            why_not=f"the direct sound is only {ratio_db:.0f} dB above the noise between 1 and 8 kHz (35 dB needed)"
        )
    origin = vertex(envelope, first)
    found = []
    for index in _peaks(envelope, first + reach, stop, direct * 10 ** (least_db / 20), reach):
        delay_s = (vertex(envelope, index) - origin) / envelope_rate_hz
        if delay_s <= within_s:
            found.append(Reflection(delay_s, 20 * math.log10(_height(envelope, index) / direct)))
    return Reflections(tuple(sorted(found, key=lambda r: -r.level_db)))


def _height(envelope: FloatArray, index: int) -> float:
    """Largest value between samples: the parabola through three points, at its vertex."""
    if not 0 < index < len(envelope) - 1:
        return float(envelope[index])
    away = vertex(envelope, index) - index
    return float(envelope[index] - 0.25 * (float(envelope[index - 1]) - float(envelope[index + 1])) * away)


def _peaks(envelope: FloatArray, start: int, stop: int, least: float, reach: int) -> list[int]:
    """Local maxima from `start` to `stop`, each the largest within `reach` on both sides."""
    inside = envelope[start:stop]
    up = (inside >= envelope[start - 1 : stop - 1]) & (inside > envelope[start + 1 : stop + 1]) & (inside >= least)
    candidates = start + np.nonzero(up)[0]
    return [int(i) for i in candidates if envelope[i] >= envelope[max(0, i - reach) : i + reach + 1].max()]


@dataclass(frozen=True, slots=True)
class Candidate:
    """A possible origin of a reflection."""

    name: str
    delay_s: float
    """Delay after the direct sound, by the plan."""
    tolerance_s: float


SURFACES = ("left wall", "right wall", "screen wall", "rear wall", "floor", "ceiling")


def image_positions(source: Position, room: Room) -> dict[str, Position]:
    """First-order mirror images of a loudspeaker in the six surfaces of a rectangular room.

    x from the middle (positive to the right facing the screen), y from the screen wall to the rear, z up.
    """
    x, y, z = source
    half = room.width_m / 2
    places = (
        (-2 * half - x, y, z),
        (2 * half - x, y, z),
        (x, -y, z),
        (x, 2 * room.length_m - y, z),
        (x, y, -z),
        (x, y, 2 * room.height_m - z),
    )
    return dict(zip(SURFACES, places, strict=True))


def reflecting_point(source: Position, seat: Position, room: Room, surface: str) -> Position | None:
    """Point where a surface reflects the sound of a loudspeaker to a seat: on the line from its mirror image to the ears.

    None if source and seat are not both inside the room on that axis, so that the line misses the surface.
    """
    axis = SURFACES.index(surface) // 2
    planes = (-room.width_m / 2, room.width_m / 2, 0.0, room.length_m, 0.0, room.height_m)
    return crossing_m(image_positions(source, room)[surface], seat, axis, planes[SURFACES.index(surface)])


def seat_backs(seats: Sequence[Seat], at: Seat, *, assumed: bool = True) -> dict[str, Position]:
    """Reflecting point on the seat back nearest to a seat in each row, its own included: name → position.

    Rows are the letters of the seats' ids ("A2" is in row A); a back is assumed a quarter of a metre behind the ears.
    The point is 0.1 m below its top, or 0.15 m below the ears if that is lower or the height is unknown (common
    practice, no source). Left out are seats without a position, the seat's own back if it ends 0.15 m below the ears,
    and without `assumed` those of unknown height.
    """
    if at.position_m is None:
        return {}
    nearest: dict[str, tuple[float, Position]] = {}
    for seat in seats:
        if seat.position_m is None or (seat.back_top_m is None and not assumed):
            continue
        x, y, z = seat.position_m
        top_m = z if seat.back_top_m is None else seat.back_top_m
        if seat.id == at.id and top_m < z - BACK_M[1]:
            continue
        row = seat.id.rstrip("0123456789")
        name = f"back of row {row}" if row else f"back of seat {seat.id}"
        away_m = math.dist(seat.position_m, at.position_m)
        if name not in nearest or away_m < nearest[name][0]:
            nearest[name] = (away_m, (x, y + BACK_M[0], min(z - BACK_M[1], top_m - BELOW_TOP_M)))
    return {name: place for name, (_, place) in nearest.items()}


def candidates(
    source: Position,
    seat: Position,
    room: Room,
    speed_m_s: float,
    obstacles: Mapping[str, Position] | None = None,
) -> tuple[Candidate, ...]:
    """Possible reflectors of a loudspeaker's sound on its way to a seat, in order of delay.

    The six surfaces by their mirror images, and `obstacles` (name → position, such as the back of a seat in the row
    ahead) by the path over their middle.
    """
    direct_m = math.dist(source, seat)
    found = [
        Candidate(name, (math.dist(image, seat) - direct_m) / speed_m_s, SURFACE_TOLERANCE_S)
        for name, image in image_positions(source, room).items()
    ]
    for name, place in (obstacles or {}).items():
        way_m = math.dist(source, place) + math.dist(place, seat)
        found.append(Candidate(name, (way_m - direct_m) / speed_m_s, OBSTACLE_TOLERANCE_S))
    return tuple(sorted(found, key=lambda c: c.delay_s))


def could_come_from(reflection: Reflection, among: Sequence[Candidate]) -> tuple[str, ...]:
    """Names of the candidates whose delay agrees within their tolerance, nearest first; empty if none does."""
    off = {c.name: abs(c.delay_s - reflection.delay_s) for c in among}
    agree = [c.name for c in among if off[c.name] <= c.tolerance_s]
    return tuple(sorted(agree, key=lambda name: off[name]))


def in_words(names: Sequence[str]) -> str:
    """Text such as: ceiling; left wall, or back of row A; no single surface of the plan."""
    if not names:
        return "no single surface of the plan"
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])}, or {names[-1]}"
