"""Effect of a microphone put back slightly displaced on levels, third octaves, arrivals and the seats' variance.

    python tests/references/placement.py [rooms]

Rooms by pyroomacoustics (image sources), which shares no code with the program: five main loudspeakers and two subwoofers,
six seats in two rows. At each seat the microphone is put back several times, uniformly inside a sphere of 2, 5 or 10 cm; the
program's own analysis reads all responses. Printed is the standard deviation over the placements of one seat (root of the mean
square over seats and rooms); and, for 2 cm, how often the stated U of a response's level holds. Angle ±0.3 dB and gain ±0.1 dB are drawn besides, as the
program assumes (common practice, no source). Walls absorb the same at all frequencies and their reflections end after ten
orders, so that the bass is good to the order of magnitude.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyroomacoustics as pra
from pyroomacoustics.directivities import CardioidFamily, DirectionVector
from scipy import signal

from commission.steps.seats import result as seats_result

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from commission.dsp.analysis import analyse_batch
from commission.dsp.spectrum import GRID_HZ
from commission.model import Analysis, FloatArray, Response

RATE_HZ = 24000
RADII_M = (0.02, 0.05, 0.10)
BANDS_HZ = ((20.0, 80.0), (80.0, 300.0), (300.0, 3000.0), (3000.0, 10000.0))
MAINS, SUBS = 5, 2
SEATS = 6
POINTS_PER_THIRD = 8


@dataclass(frozen=True)
class Placements:
    """Analyses in one room; axes: loudspeaker (mains, then subwoofers), seat, placement."""

    read: tuple[Analysis, ...]
    """Analyses of all responses, the last axis fastest."""
    count: int

    def _shaped(self, values: list[float] | list[FloatArray]) -> FloatArray:
        array = np.array(values, dtype=float)
        return array.reshape(MAINS + SUBS, SEATS, self.count, *array.shape[1:])

    @property
    def level_db(self) -> FloatArray:
        """Level of each response; NaN where there is none."""
        return self._shaped([np.nan if a.level_db is None else a.level_db for a in self.read])

    @property
    def arrival_s(self) -> FloatArray:
        """Arrivals; NaN where there is none."""
        return self._shaped([np.nan if a.arrival_s is None else a.arrival_s for a in self.read])

    def thirds_db(self, band: tuple[float, float]) -> FloatArray:
        """The third octaves of a band along a fourth axis."""
        points = np.flatnonzero((band[0] <= GRID_HZ) & (band[1] >= GRID_HZ))[::POINTS_PER_THIRD]
        return self._shaped([a.third_octave_db[points] for a in self.read])


def _inside(rng: np.random.Generator, radius_m: float, count: int) -> FloatArray:
    """Points uniformly inside a sphere [shape=(count, 3)]."""
    way = rng.normal(size=(count, 3))
    return np.asarray(radius_m * rng.random((count, 1)) ** (1 / 3) * way / np.linalg.norm(way, axis=1, keepdims=True))


def placements(
    seed: int, radius_m: float, count: int, points: Callable[[np.random.Generator, float, int], FloatArray] = _inside
) -> Placements:
    """One room, with `count` placements at each seat."""
    rng = np.random.default_rng(seed)
    size = np.array([rng.uniform(4.8, 7.5), rng.uniform(3.6, 5.5), rng.uniform(2.3, 2.9)])
    length, width, height = size
    walls = {w: pra.Material(rng.uniform(0.1, 0.5)) for w in ("west", "east", "south", "north", "floor", "ceiling")}
    room = pra.ShoeBox(size, fs=RATE_HZ, materials=walls, max_order=10, air_absorption=True)
    first = rng.uniform(0.42, 0.55) * length
    seats = np.array(
        [(first + 1.0 * row, width / 2 + 0.7 * k, 1.1 + 0.25 * row) for row in (0, 1) for k in (-1, 0, 1)]
    )
    half = rng.uniform(0.55, 0.8) * width / 2
    mains = [
        (0.25, width / 2 - half, 1.1),
        (0.25, width / 2, 0.9),
        (0.25, width / 2 + half, 1.1),
        (first, 0.15, 1.5),
        (min(first + 1.2, length - 0.3), width / 2 + 0.7 * half, height - 0.1),
    ]
    for place in mains:
        way = seats[1] - np.array(place)
        aim = DirectionVector(
            azimuth=np.degrees(np.arctan2(way[1], way[0])),
            colatitude=np.degrees(np.arccos(way[2] / np.linalg.norm(way))),
            degrees=True,
        )
        room.add_source(place, directivity=CardioidFamily(aim, p=rng.uniform(0.5, 0.85)))
    for place in ((0.3, 0.35, 0.25), (length - 0.35, width - 0.35, 0.25)):
        room.add_source(place)
    ears = np.concatenate([seat + points(rng, radius_m, count) for seat in seats])
    room.add_microphone_array(ears.T)
    room.compute_rir()
    filters = [signal.butter(2, rng.uniform(40, 90), "high", fs=RATE_HZ, output="sos") for _ in mains]
    filters += [signal.butter(4, [24, 200], "band", fs=RATE_HZ, output="sos")] * SUBS
    responses, is_sub = [], []
    for j, sos in enumerate(filters):
        for i in range(len(ears)):
            h = np.zeros(round(0.4 * RATE_HZ))
            own = room.rir[i][j][: len(h)]
            h[: len(own)] = own
            responses.append(Response(impulse=signal.sosfilt(sos, h).astype(np.float32), rate_hz=RATE_HZ))
            is_sub.append(j >= MAINS)
    read = tuple(a for a in analyse_batch(responses, is_sub) if isinstance(a, Analysis))
    assert len(read) == len(responses)
    return Placements(read, count)


def within(values: FloatArray) -> FloatArray:
    """Deviations from each seat's mean over its placements, as large as those of independent draws (n − 1)."""
    count = values.shape[2]
    return np.asarray((values - np.mean(values, axis=2, keepdims=True)) * np.sqrt(count / (count - 1)))


def rms(values: FloatArray) -> float:
    """Root of the mean square of what is known."""
    return float(np.sqrt(np.nanmean(np.square(values))))


def together(thirds_db: FloatArray) -> float:
    """Share of the variance of third octaves that moves all third octaves of their band at once."""
    own = within(thirds_db)
    count, total = own.shape[-1], np.mean(own**2)
    # The variance of a mean of n with a common share s is total·(s + (1 − s)/n).
    mean = np.mean(np.mean(own, axis=-1) ** 2)
    return float((mean / total - 1 / count) / (1 - 1 / count))


def spread_db(thirds_db: FloatArray) -> FloatArray:
    """Root of the mean variance over the seats [loudspeaker, placement of all seats]."""
    return np.asarray(np.sqrt(np.mean(np.var(thirds_db, axis=1), axis=-1)))


def angle_and_gain_db(rng: np.random.Generator, size: int | tuple[int, ...]) -> FloatArray:
    """Effect of angle and gain on a level, both rectangular (common practice, no source)."""
    return np.asarray(rng.uniform(-0.3, 0.3, size) + rng.uniform(-0.1, 0.1, size))


def levels_covered(made: Sequence[Placements], rng: np.random.Generator) -> float:
    """Share of the levels of mains that are within the stated U of their seat's mean over the placements."""
    off = [within(m.level_db[:MAINS]) for m in made]
    errors = np.array([each + angle_and_gain_db(rng, each.shape) for each in off])
    return float(np.mean(np.abs(errors) <= seats_result.LEVEL.expanded))


def main(rooms: int) -> None:
    """Print every figure by radius."""
    print(f"{rooms} rooms, {MAINS} mains and {SUBS} subwoofers at {SEATS} seats, 6 placements at each")
    for radius_m in RADII_M:
        made = [placements(seed, radius_m, 6) for seed in range(rooms)]
        level_db = within(np.concatenate([m.level_db for m in made], axis=1))
        arrival_s = within(np.concatenate([m.arrival_s for m in made], axis=1))
        print(
            f"within {100 * radius_m:.0f} cm: level of a main {rms(level_db[:MAINS]):.2f} dB, of a subwoofer "
            f"{rms(level_db[MAINS:]):.2f} dB; arrival of a main {1e6 * rms(arrival_s[:MAINS]):.0f} µs"
        )
        for band in BANDS_HZ:
            of = slice(MAINS, None) if band[0] < 80 else slice(0, MAINS)
            rooms_db = [m.thirds_db(band)[of] for m in made]
            own = within(np.concatenate(rooms_db, axis=1))
            spreads = np.concatenate([spread_db(each) for each in rooms_db])
            print(
                f"  {'subwoofers' if band[0] < 80 else 'mains'} {band[0]:.0f}-{band[1]:.0f} Hz: third octave {rms(own):.2f} dB"
                f" (median over places {np.median(np.sqrt(np.mean(own**2, axis=2))):.2f}), share that moves the band "
                f"{np.mean([together(each) for each in rooms_db]):.2f}, seat-to-seat standard deviation "
                f"{np.sqrt(np.mean(np.var(spreads, axis=1, ddof=1))):.2f} dB"
            )
        if radius_m == RADII_M[0]:
            rng = np.random.default_rng(1)
            print(f"  U of a level holds {100 * levels_covered(made, rng):.0f} %")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
