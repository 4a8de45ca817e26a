"""Change of a channel's level when the meter is 1, 2, 5 or 10 cm from the seat, by two simulators.

    python tests/references/displaced_meter.py [rooms]

One: pyroomacoustics, image sources of order nine in boxes with six different walls. Two: written here in the frequency
domain, direct sound, specular images of order two with scattering walls, and a diffuse field of random plane waves with the
energy that Sabine's formula leaves; subwoofers by a sum of room modes (Kuttruff, Room Acoustics, eq. 3.10, from memory).
Main channels: 500–2000 Hz, pink-weighted; subwoofers: 30–80 Hz. Printed is the root mean square of the level at a point of a
sphere around the seat minus that at its middle, by distance from the loudspeaker, and what `dsp.placement` states.
"""

from __future__ import annotations

import sys
from itertools import pairwise, product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from commission.dsp.placement import level_placement_u_db
from commission.model import FloatArray

SPEED_M_S = 343.0
RADII_M = (0.01, 0.02, 0.05, 0.10)
POINTS = 8
"""Displacements by radius and seat."""
RATE_HZ = 8000
MAINS, SUBS = 11, 2
EDGES_M = (0.8, 1.5, 2.0, 2.5, 9.0)


def on_sphere(rng: np.random.Generator, radius_m: float, count: int) -> FloatArray:
    """Points in random directions [shape=(count, 3)]."""
    way = rng.normal(size=(count, 3))
    return np.asarray(radius_m * way / np.linalg.norm(way, axis=1, keepdims=True))


class Box:
    """A room with seats, main loudspeakers and subwoofers; walls by their absorption."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.size = np.array([rng.uniform(4.8, 7.5), rng.uniform(3.6, 5.5), rng.uniform(2.3, 2.9)])
        length, width, height = self.size
        self.absorption = rng.uniform(0.1, 0.5, 6)
        first, half = rng.uniform(0.42, 0.55) * length, rng.uniform(0.55, 0.8) * width / 2
        middle = width / 2
        self.seats = np.array([(first, middle, 1.1), (first + 1.0, middle + 0.7, 1.35)])
        fronts = [(0.25, middle - half, 1.1), (0.25, middle, 0.9), (0.25, middle + half, 1.1)]
        walls = [(first, 0.15, 1.5), (first, width - 0.15, 1.5)]
        backs = [(length - 0.15, middle - 0.7 * half, 1.5), (length - 0.15, middle + 0.7 * half, 1.5)]
        tops = [(first + k, middle + side * 0.7 * half, height - 0.1) for k in (-1.2, 1.2) for side in (-1, 1)]
        self.mains = np.minimum([*fronts, *walls, *backs, *tops], self.size - 0.1)
        self.subs = np.array([(0.3, 0.35, 0.25), (length - 0.35, width - 0.35, 0.25)])
        self.cardioid = rng.uniform(0.5, 0.85, MAINS)
        """Share of the sphere in each loudspeaker's directivity."""

    def points(self, rng: np.random.Generator, count: int = POINTS) -> FloatArray:
        """Every seat, then `count` points on each sphere around it [shape=(seats, 1 + radii · count, 3)]."""
        return np.array(
            [np.concatenate([s[None], *(s + on_sphere(rng, r, count) for r in RADII_M)]) for s in self.seats]
        )

    def distances_m(self) -> FloatArray:
        """Distance from each main loudspeaker to each seat [shape=(mains, seats)]."""
        return np.asarray(np.linalg.norm(self.mains[:, None] - self.seats[None], axis=-1))


def pink_level_db(power: FloatArray, freq_hz: FloatArray) -> FloatArray:
    """Level of pink noise through a response [power: shape=(…, n)]."""
    return np.asarray(10 * np.log10(np.sum(power / freq_hz, axis=-1)))


def by_pyroomacoustics(box: Box, points: FloatArray) -> FloatArray:
    """Levels of all loudspeakers at all points [shape=(mains + subs, seats, points)]."""
    import pyroomacoustics as pra
    from pyroomacoustics.directivities import CardioidFamily, DirectionVector

    names = ("west", "east", "south", "north", "floor", "ceiling")
    walls = {name: pra.Material(a) for name, a in zip(names, box.absorption, strict=True)}
    room = pra.ShoeBox(box.size, fs=RATE_HZ, materials=walls, max_order=9)
    for place, share in zip(box.mains, box.cardioid, strict=True):
        way = box.seats[0] - place
        aim = DirectionVector(
            azimuth=np.degrees(np.arctan2(way[1], way[0])),
            colatitude=np.degrees(np.arccos(way[2] / np.linalg.norm(way))),
            degrees=True,
        )
        room.add_source(place, directivity=CardioidFamily(aim, p=share))
    for place in box.subs:
        room.add_source(place)
    room.add_microphone_array(points.reshape(-1, 3).T)
    room.compute_rir()
    length = 4096
    freq = np.fft.rfftfreq(length, 1 / RATE_HZ)
    heard = []
    for j in range(MAINS + SUBS):
        low, high = (500, 2000) if j < MAINS else (30, 80)
        band = (freq >= low) & (freq <= high)
        spectra = np.array([np.fft.rfft(own[j][:length], length)[band] for own in room.rir])
        heard.append(pink_level_db(np.abs(spectra) ** 2, freq[band]).reshape(points.shape[:2]))
    return np.array(heard)


def by_waves_and_modes(box: Box, points: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Levels by images of order two, random plane waves, and modes for the subwoofers."""
    volume = float(np.prod(box.size))
    sides = np.repeat([volume / side for side in box.size], 2)
    area = float(sides @ box.absorption)
    flat = points.reshape(-1, 3)
    freq = np.arange(500.0, 2000.0, 8.0)
    k = 2 * np.pi * freq / SPEED_M_S
    scatter = rng.uniform(0.1, 0.4)
    keep = np.sqrt((1 - box.absorption) * (1 - scatter))
    levels = []
    for place, share in zip(box.mains, box.cardioid, strict=True):
        axis = (box.seats[0] - place) / np.linalg.norm(box.seats[0] - place)
        pressure = np.zeros((len(flat), len(freq)), complex)
        for turns in product((-1, 0, 1), repeat=3):
            for mirrored in product((0, 1), repeat=3):
                hits = np.array([(abs(n - m), abs(n)) for n, m in zip(turns, mirrored, strict=True)])
                if hits.sum() > 2:
                    continue
                sign = 1 - 2 * np.array(mirrored)
                image = sign * place + 2 * np.array(turns) * box.size
                way = flat - image
                far = np.linalg.norm(way, axis=1)
                aim = share + (1 - share) * (way / far[:, None]) @ (sign * axis)
                gain = float(np.prod(keep ** hits.ravel()))
                pressure += (gain * aim / far)[:, None] * np.exp(-1j * far[:, None] * k)
        # Energy of the diffuse field re the free field at 1 m, of what scattering and higher orders make diffuse.
        power = share**2 + (1 - share) ** 2 / 3
        diffuse = 16 * np.pi / area * power * (1 - (1 - scatter) * (1 - float(np.mean(box.absorption))) ** 2)
        ways = rng.normal(size=(64, 3))
        ways /= np.linalg.norm(ways, axis=1, keepdims=True)
        amplitude = rng.normal(size=(2, 64, len(freq))) * np.sqrt(diffuse / 128)
        for n, way in enumerate(ways):
            pressure += (amplitude[0, n] + 1j * amplitude[1, n]) * np.exp(1j * (flat @ way)[:, None] * k)
        levels.append(pink_level_db(np.abs(pressure) ** 2, freq))
    low = np.arange(30.0, 80.0, 1.0)
    wave = 2 * np.pi * low / SPEED_M_S
    damping = 6.9 / (0.161 * volume / area)
    for place in box.subs:
        pressure = np.zeros((len(flat), len(low)), complex)
        for orders in product(range(6), range(5), range(4)):
            own = np.pi * np.array(orders) / box.size
            size = np.prod([1.0 if n == 0 else 2.0 for n in orders])
            shape = np.prod(np.cos(flat * own), axis=1) * np.prod(np.cos(place * own)) * size
            pressure += shape[:, None] / (own @ own - wave**2 + 2j * wave * damping / SPEED_M_S)
        levels.append(pink_level_db((np.abs(pressure) * wave) ** 2, low))
    return np.array(levels).reshape(MAINS + SUBS, *points.shape[:2])


def errors_db(levels_db: FloatArray) -> FloatArray:
    """Level at each displaced point minus that at its seat [shape=(loudspeakers, seats, radii, points)]."""
    off = levels_db[..., 1:] - levels_db[..., :1]
    return off.reshape(*levels_db.shape[:2], len(RADII_M), -1)


def simulated(rooms: int, count: int = POINTS) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Simulator → (errors [shape=(rooms, loudspeakers, seats, radii, count)], distances [shape=(rooms, mains, seats)])."""
    errors: dict[str, list[FloatArray]] = {"pyroomacoustics": [], "images, waves and modes": []}
    distances = []
    for seed in range(rooms):
        rng = np.random.default_rng(seed)
        box = Box(rng)
        points = box.points(rng, count)
        errors["pyroomacoustics"].append(errors_db(by_pyroomacoustics(box, points)))
        errors["images, waves and modes"].append(errors_db(by_waves_and_modes(box, points, rng)))
        distances.append(box.distances_m())
    return {name: (np.array(own), np.array(distances)) for name, own in errors.items()}


def rms(values: FloatArray) -> float:
    """Root of the mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def main(rooms: int) -> None:
    """Print every figure."""
    print(f"{rooms} rooms; rms of the level beside the seat minus that at the seat [dB]")
    print(f"{'':>28}" + "".join(f"{100 * r:>8.0f} cm" for r in RADII_M))
    for name, (errors, distances) in simulated(rooms).items():
        print(name)
        rows = [("main channels", errors[:, :MAINS])]
        for low, high in pairwise(EDGES_M):
            chosen = (distances >= low) & (distances < high)
            rows.append((f"{low:g} to {high:g} m", errors[:, :MAINS][chosen]))
        rows.append(("subwoofers", errors[:, MAINS:]))
        for title, own in rows:
            print(f"{title:>28}" + "".join(f"{rms(own[..., i, :]):>11.2f}" for i in range(len(RADII_M))))
        keeps = errors[:, :MAINS].mean(axis=-1)
        print(
            f"{'a mean over places keeps':>28}" + "".join(f"{rms(keeps[..., i]):>11.2f}" for i in range(len(RADII_M)))
        )
    for title, is_sub, distance_m in (
        ("stated, far", False, 3.0),
        ("at 1.5 m", False, 1.5),
        ("subwoofer", True, None),
    ):
        stated = [level_placement_u_db(r, is_sub=is_sub, distance_m=distance_m) for r in RADII_M]
        print(f"{title:>28}" + "".join(f"{each:>11.2f}" for each in stated))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
