"""Basis of the thresholds of `dsp.pair_polarity`: loudspeakers of many kinds in rooms that differ from side to side.

Drivers are separate points, with crossovers of the usual orders, ripples and tolerances; image sources with six
different surfaces, one of them often open; objects close to some loudspeakers, seat backs, some loudspeakers upside down.
Nothing here comes from the program's own simulated room.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from commission.dsp import pair_polarity
from commission.dsp.analysis import analyse_batch
from commission.model import ComplexArray, FloatArray, Response

RATE_HZ, FRAMES, SPEED_M_S = 48000.0, 2048, 344.0
FREQ_HZ: FloatArray = np.maximum(np.fft.rfftfreq(FRAMES, 1 / RATE_HZ), 1e-3)
ROOMS = 30
PAIRS = (("FL", "FR"), ("SiL", "SiR"))
_GRID = np.stack(np.meshgrid(*[np.arange(-2, 3)] * 3, *[np.arange(2)] * 3, indexing="ij")).reshape(6, -1).T
CELLS, MIRRORED = _GRID[:, :3], _GRID[:, 3:]


def butterworth(order: int, corner_hz: float, kind: str) -> ComplexArray:
    """Analogue Butterworth filter from its poles."""
    s = 1j * FREQ_HZ / corner_hz
    poles = np.exp(1j * np.pi * (2 * np.arange(1, order + 1) + order - 1) / (2 * order))
    bottom = np.prod([s - pole for pole in poles], axis=0)
    return np.asarray((s**order if kind == "high" else 1) / bottom)


def way(name: str, corner_hz: float, kind: str) -> ComplexArray:
    """Low or high way of a crossover such as "lr4" or "bw3"."""
    order = int(name[2])
    if name.startswith("lr"):
        return butterworth(order // 2, corner_hz, kind) ** 2
    return butterworth(order, corner_hz, kind)


def peak(corner_hz: float, gain_db: float, q: float) -> ComplexArray:
    """A second-order peak, for ripples and tolerances."""
    s, a = 1j * FREQ_HZ / corner_hz, 10 ** (gain_db / 40)
    return np.asarray((s * s + s * a / q + 1) / (s * s + s / (a * q) + 1))


@dataclass(frozen=True)
class Driver:
    """One driver: response, height over the lowest one, radius."""

    response: ComplexArray
    height_m: float
    radius_m: float


def model(rng: np.random.Generator) -> tuple[str, list[Driver]]:
    """A loudspeaker of two or three ways."""
    name = str(rng.choice(["lr2", "lr4", "lr8", "bw1", "bw2", "bw3"]))
    high_hz, low_hz = (float(np.exp(rng.uniform(*np.log(span)))) for span in ((1300, 4000), (150, 700)))
    sign = -1 if name in ("lr2", "bw2") or (name == "bw3" and rng.random() < 0.5) else 1
    ends = butterworth(2, rng.uniform(40, 110), "high") * butterworth(2, 20000.0, "low")
    ends = ends * np.prod([peak(np.exp(rng.uniform(5.3, 9.5)), rng.normal(0, 1.5), 2.0) for _ in range(5)], axis=0)
    coaxial = rng.random() < 0.15
    rise_m = 0.0 if coaxial else rng.uniform(0.1, 0.2)
    if rng.random() < 0.5:
        ways = [(way(name, high_hz, "low"), 0.0, 0.07), (sign * way(name, high_hz, "high"), rise_m, 0.013)]
    else:
        high_hz = max(high_hz, 3.5 * low_hz)
        middle = sign * way(name, low_hz, "high") * way(name, high_hz, "low")
        ways = [(way(name, low_hz, "low"), -0.3, 0.1), (middle, 0.0, 0.05)]
        ways.append((way(name, low_hz, "high") * way(name, high_hz, "high"), rise_m, 0.013))
    return name, [Driver(np.asarray(ends * response), *place) for response, *place in ways]


def unit(rng: np.random.Generator, drivers: list[Driver], turned: int | None = None) -> list[Driver]:
    """One unit of a model within its tolerances, perhaps with a driver turned."""
    out = []
    for index, driver in enumerate(drivers):
        own = peak(np.exp(rng.uniform(5.5, 9.4)), rng.normal(0, 0.5), 1.5) * 10 ** (rng.normal(0, 0.4) / 20)
        out.append(replace(driver, response=driver.response * own * (-1 if index == turned else 1)))
    return out


@dataclass(frozen=True)
class Surroundings:
    """Size and reflection factors of a room."""

    size_m: FloatArray
    factors: FloatArray

    def response(
        self, drivers: list[Driver], source_m: FloatArray, axis: FloatArray, up: float, ears_m: FloatArray
    ) -> ComplexArray:
        """Spectrum at the ears; the sound of the first 20 ms."""
        places = 2 * CELLS * self.size_m + (1 - 2 * MIRRORED) * source_m
        reach = np.linalg.norm(places - ears_m, axis=1)
        gains = np.prod(self.factors[:3] ** np.abs(CELLS - MIRRORED), axis=1)
        gains = gains * np.prod(self.factors[3:] ** np.abs(CELLS), axis=1)
        near = (reach < reach.min() + 7.0) & (gains * reach.min() / reach >= 0.02)
        total = np.zeros(len(FREQ_HZ), complex)
        for place, gain, mirror in zip(places[near], gains[near], (1 - 2 * MIRRORED)[near], strict=True):
            for driver in drivers:
                path = ears_m - place - mirror * np.array([0, 0, up * driver.height_m])
                distance = float(np.linalg.norm(path))
                towards = float(path @ (axis * mirror)) / distance
                size = 2 * np.pi * FREQ_HZ / SPEED_M_S * driver.radius_m * np.sqrt(max(0.0, 1 - towards**2))
                beam = 1 / np.sqrt(1 + 0.5 * (size / 1.9) ** 4)
                if towards < 0:
                    beam = beam / np.sqrt(1 + (FREQ_HZ / 400) ** 2)
                delay = np.exp(-2j * np.pi * FREQ_HZ * distance / SPEED_M_S)
                total += driver.response * beam * (gain / distance) * delay
        return total


def direct_sounds(
    rng: np.random.Generator, turned: bool
) -> tuple[dict[str, tuple[str, list[FloatArray | None]]], str]:
    """Channel → (model, direct sounds at the seats) of one room; the channel with a turned driver, or nothing."""
    width, length, height = rng.uniform(3.2, 7), rng.uniform(4.2, 9), rng.uniform(2.2, 3.2)
    factors = rng.uniform(0.35, 0.92, 6)
    if rng.random() < 0.35:
        factors[rng.choice([0, 1, 3, 4])] = rng.uniform(0, 0.2)
    room = Surroundings(np.array([width, length, height]), factors)
    count, middle, back = int(rng.choice([2, 3, 4, 6])), rng.uniform(-0.3, 0.3), rng.uniform(2.6, length - 1)
    seats = [np.array([width / 2 + middle + 0.62 * (n - (count - 1) / 2), back, 1.1]) for n in range(count)]
    seats = [seat for seat in seats if 0.25 < seat[0] < width - 0.25]
    kinds = {"F": model(rng), "S": model(rng), "C": model(rng)}
    places = {"FL": (-1.4, 0.5, 1.0), "FR": (1.4, 0.5, 1.0), "FC": (0.0, 0.5, 0.6)}
    places |= {"SiL": (0.12 - width / 2, back, 1.5), "SiR": (width / 2 - 0.12, back, 1.5)}
    odd = str(rng.choice(["FL", "FR", "SiL", "SiR"])) if turned else ""
    out = {}
    for channel, place in places.items():
        name, drivers = kinds["C" if channel == "FC" else channel[0]]
        source = np.clip(np.add(place, (width / 2, 0, 0)) + rng.normal(0, 0.06, 3), 0.08, room.size_m - 0.08)
        aim = np.mean(seats, axis=0) - source
        own = unit(rng, drivers, int(rng.integers(len(drivers))) if channel == odd else None)
        up = -1.0 if rng.random() < 0.05 else 1.0
        object_s, object_gain = rng.uniform(0.0003, 0.0025), rng.uniform(0.2, 0.6) if rng.random() < 0.25 else 0.0
        responses = []
        for seat in seats:
            ears = seat + rng.normal(0, 0.015, 3)
            spectrum = room.response(own, source, aim / np.linalg.norm(aim), up, ears)
            spectrum = spectrum * (1 + object_gain * np.exp(-2j * np.pi * FREQ_HZ * object_s))
            if rng.random() < 0.3:
                spectrum = spectrum * (
                    1 + rng.uniform(0.1, 0.4) * np.exp(-2j * np.pi * FREQ_HZ * rng.uniform(0.0005, 0.0025))
                )
            impulse = np.zeros(12000)
            impulse[480 : 480 + FRAMES] = np.fft.irfft(spectrum, FRAMES)
            impulse += rng.standard_normal(12000) * np.abs(impulse).max() * 10 ** (-rng.uniform(45, 65) / 20)
            responses.append(Response(impulse=impulse.astype(np.float32), rate_hz=RATE_HZ))
        found = analyse_batch(responses, [False] * len(responses))
        out[channel] = (name, [None if isinstance(a, Exception) else a.direct for a in found])
    return out, odd


def relation(one: list[FloatArray | None], other: list[FloatArray | None]) -> pair_polarity.Relation:
    """Two channels at the same seats."""
    both = [(a, b) for a, b in zip(one, other, strict=True) if a is not None and b is not None]
    if not both:
        return pair_polarity.Relation(sign=None, correlation=0.0, agree=0, seats=0)
    spectra = [pair_polarity.spectra(np.array(each)) for each in zip(*both, strict=True)]
    return pair_polarity.relation(pair_polarity.compare(*spectra))


def run(_: int) -> None:
    """Print how often pairs are determined, healthy ones accused, other models taken for the same, drivers found."""
    healthy: list[tuple[pair_polarity.Relation, tuple[str, str], str]] = []
    reversed_: list[tuple[pair_polarity.Relation, tuple[str, str], str]] = []
    unlike = []
    for seed in range(2 * ROOMS):
        sounds, odd = direct_sounds(np.random.default_rng(seed), turned=seed >= ROOMS)
        for pair in PAIRS:
            found = relation(*(sounds[c][1] for c in pair))
            (reversed_ if odd in pair else healthy).append((found, pair, odd))
        unlike += [relation(sounds["FC"][1], sounds[c][1]) for c in ("FL", "FR", "SiL", "SiR")]
    signs = [found.sign for found, *_ in healthy]
    values = np.array([found.correlation for found, *_ in healthy])
    print(f"  healthy pairs {len(healthy)}: alike {signs.count(1)}, undetermined {signs.count(None)}")
    print(
        f"    accused of a reversal {signs.count(-1)}, of a driver {sum(f.split_hz is not None for f, *_ in healthy)}"
    )
    print(
        "    correlation, percentiles 0, 1, 5, 50:",
        " ".join(f"{v:+.2f}" for v in np.percentile(values, [0, 1, 5, 50])),
    )
    opposite = sum(found.alike() and found.sign == -1 for found in unlike)
    print(f"  centre of another model, {len(unlike)} comparisons: taken for the same and reversed {opposite}")
    fronts = [found for index, found in enumerate(unlike) if index % 4 < 2]  # FL and FR of each room
    likely = [found.alike(pair_polarity.BESIDE_A_PAIR) for found in fronts]
    both = [a and b for a, b in zip(likely[::2], likely[1::2], strict=True)]
    reversed_too = sum(found.sign == -1 for found, alike in zip(fronts[::2], both, strict=True) if alike)
    print(f"    beside the front pair: taken for the same {sum(both)} of {len(both)}, and reversed {reversed_too}")
    dips = [found for found, *_ in reversed_ if found.split_hz is not None]
    named = [(f, pair[f.odd] == odd) for f, pair, odd in reversed_ if f.odd is not None]
    print(f"  one driver reversed, {len(reversed_)} pairs (those with no dip, too): found {len(dips)}")
    print(f"    loudspeaker named {len(named)}, rightly {sum(right for _, right in named)}")
    print(f"    taken for a whole reversal {sum(found.sign == -1 for found, *_ in reversed_)}")
