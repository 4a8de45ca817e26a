"""Loudspeakers: drivers, crossovers, directivity and tolerances, as transfer functions of frequency.

Crossovers are the textbook ones (Butterworth, Linkwitz-Riley); a driver radiates like a round piston (Beranek, Acoustics,
section 4.3: 2·J1(ka·sin θ)/(ka·sin θ)), which is real: it neither delays nor turns the phase.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy import special

from rooms.measured import driver

OCTAVES_HZ = 31.25 * 2.0 ** np.arange(10)
"""31.5 Hz to 16 kHz: where directivity and walls are given."""


def butterworth(freq_hz, corner_hz: float, order: int, high: bool):
    """Analogue Butterworth filter."""
    s = 1j * np.maximum(freq_hz, 1e-3) / corner_hz
    poles = np.exp(1j * np.pi * (2 * np.arange(1, order + 1) + order - 1) / (2 * order))
    below = np.prod([s - p for p in poles], axis=0)
    return (s**order if high else 1.0) / below


def crossover(freq_hz, corner_hz: float, kind: str, high: bool):
    """`kind`: BW1, BW2, BW3, BW4, LR2, LR4, LR8."""
    order = int(kind[2:])
    if kind.startswith("LR"):
        return butterworth(freq_hz, corner_hz, order // 2, high) ** 2
    return butterworth(freq_hz, corner_hz, order, high)


def bell(freq_hz, centre_hz: float, q: float, gain_db: float):
    """Minimum-phase peak or dip."""
    s = 1j * np.maximum(freq_hz, 1e-3) / centre_hz
    a = 10 ** (gain_db / 40)
    return (s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1)


def shelf(freq_hz, centre_hz: float, gain_db: float):
    """First-order shelf: unity below, `gain_db` above."""
    a = 10 ** (gain_db / 40)
    s = 1j * freq_hz / centre_hz
    return (1 + s * a) / (1 + s / a)


@dataclass(frozen=True)
class Way:
    """One driver with its part of the crossover."""

    name: str
    radius_m: float
    low_hz: float | None = None
    low_kind: str = "LR4"
    high_hz: float | None = None
    high_kind: str = "LR4"
    sign: int = 1
    behind_m: float = 0.0
    gain_db: float = 0.0
    bells: tuple[tuple[float, float, float], ...] = ()
    narrow: float = 1.0
    """Horns: how much narrower than a piston of that size below its mass corner."""


@dataclass(frozen=True)
class Loudspeaker:
    """One specimen of a model."""

    model: str
    kind: str
    ways: tuple[Way, ...]
    high_pass_hz: float
    high_pass_order: int = 2
    top_hz: float = 22000.0
    sensitivity_db: float = 0.0
    mount: str = "free"
    baffle_m: float = 0.25
    design_sign: int = 1
    latency_s: float = 0.0
    low_pass_hz: float | None = None
    low_pass_kind: str = "LR4"
    measured: bool = False
    """Whether its drivers are real ones, with what high-pass and breakup these have."""
    bells: tuple[tuple[float, float, float], ...] = field(default=())

    @property
    def is_sub(self) -> bool:
        return self.kind == "sub"

    def way_responses(self, freq_hz):
        """Transfer function of every way on its own axis [shape=(ways, n)]."""
        common = butterworth(freq_hz, self.high_pass_hz, self.high_pass_order, True)
        common = common * butterworth(freq_hz, self.top_hz, 2, False) * self.design_sign
        common = common * 10 ** (self.sensitivity_db / 20) * np.exp(-2j * np.pi * freq_hz * self.latency_s)
        if self.low_pass_hz is not None:
            common = common * crossover(freq_hz, self.low_pass_hz, self.low_pass_kind, False)
        for each in self.bells:
            common = common * bell(freq_hz, *each)
        out = []
        for way in self.ways:
            if self.measured:
                common = driver(way.name, freq_hz) * self.design_sign * 10 ** (self.sensitivity_db / 20)
            h = common * way.sign * 10 ** (way.gain_db / 20)
            if way.low_hz is not None:
                h = h * crossover(freq_hz, way.low_hz, way.low_kind, True)
            if way.high_hz is not None:
                h = h * crossover(freq_hz, way.high_hz, way.high_kind, False)
            for each in way.bells:
                h = h * bell(freq_hz, *each)
            out.append(h * np.exp(-2j * np.pi * freq_hz * way.behind_m / 343.0))
        return np.array(out)

    def directivity(self, way: Way, cosine, freq_hz=OCTAVES_HZ):
        """Amplitude re the axis [shape=(*cosine.shape, len(freq_hz))]."""
        cosine = np.asarray(cosine, dtype=float)[..., None]
        if self.is_sub:
            return np.ones(np.broadcast_shapes(cosine.shape, np.shape(freq_hz)))
        sine = np.sqrt(np.clip(1 - cosine**2, 0, 1))
        k = 2 * np.pi * np.asarray(freq_hz) / 343.0
        x = np.maximum(way.narrow * k * way.radius_m * np.where(cosine >= 0, sine, 1.0), 1e-6)
        piston = np.maximum(np.abs(2 * special.j1(x) / x), 0.06)
        # Behind: all the way round at low frequencies, in the shadow of the cabinet above.
        rear = np.maximum(1 / np.sqrt(1 + (freq_hz * np.pi * self.baffle_m / 343.0) ** 2), 0.12)
        turn = np.clip((1 - cosine) / 2, 0, 1)
        shadow = (1 - turn) + turn * rear if self.mount == "free" else np.where(cosine >= -0.02, 1.0, 1e-3)
        return piston * shadow

    def power_response(self, way: Way):
        """Root of the mean squared directivity over the sphere, by octave."""
        cosine = np.linspace(-1, 1, 181)
        return np.sqrt(np.mean(self.directivity(way, cosine) ** 2, axis=0))


def specimen(model: Loudspeaker, rng: np.random.Generator, tolerance: float = 1.0) -> Loudspeaker:
    """Another one of the same model: ±0.5 dB of sensitivity, drivers and crossover within their tolerances."""
    ways = tuple(
        replace(
            way,
            gain_db=way.gain_db + tolerance * rng.normal(0, 0.2),
            low_hz=None if way.low_hz is None else way.low_hz * (1 + tolerance * rng.normal(0, 0.02)),
            high_hz=None if way.high_hz is None else way.high_hz * (1 + tolerance * rng.normal(0, 0.02)),
            bells=(*way.bells, _small_bell(rng, way, 0.5 * tolerance)),
        )
        for way in model.ways
    )
    return replace(
        model,
        ways=ways,
        sensitivity_db=model.sensitivity_db + tolerance * float(rng.uniform(-0.5, 0.5)),
        high_pass_hz=model.high_pass_hz * (1 + tolerance * rng.normal(0, 0.03)),
    )


def _span(way: Way) -> tuple[float, float]:
    return way.low_hz or 80.0, way.high_hz or 14000.0


def _small_bell(rng, way: Way, size_db: float) -> tuple[float, float, float]:
    low, high = _span(way)
    return (
        float(np.exp(rng.uniform(np.log(low), np.log(high)))),
        float(rng.uniform(1, 4)),
        float(rng.normal(0, size_db)),
    )


def _way(rng, name, radius, **fields) -> Way:
    way = Way(name, radius, **fields)
    bells = tuple(_small_bell(rng, way, 1.2) for _ in range(3))
    return replace(way, bells=bells)


def _sign(kind: str, rng) -> int:
    """Polarity of the upper of two drivers by design: LR2 inverted, BW2 mostly, BW3 either way, others not."""
    if kind == "LR2":
        return -1
    if kind in ("BW2", "BW3"):
        return -1 if rng.random() < 0.5 else 1
    return 1


def _louder_sign(corner_hz: float, kind: str) -> int:
    """Polarity of the tweeter with which the two drivers add up at the crossover."""
    freq = np.linspace(0.7 * corner_hz, 1.4 * corner_hz, 50)
    low = driver("woofer", freq) * crossover(freq, corner_hz, kind, False)
    high = driver("tweeter", freq) * crossover(freq, corner_hz, kind, True)
    return 1 if np.sum(np.abs(low + high) ** 2) >= np.sum(np.abs(low - high) ** 2) else -1


KINDS = ("two-way", "three-way", "in-wall", "horn", "coaxial", "single")


def model(kind: str, rng: np.random.Generator, name: str) -> Loudspeaker:
    """A model of that kind, drawn."""
    order = str(rng.choice(["LR4", "LR2", "BW3", "BW1", "BW2", "LR8"], p=[0.4, 0.17, 0.18, 0.1, 0.1, 0.05]))
    common: dict[str, Any] = {
        "sensitivity_db": float(rng.uniform(-4, 4)),
        "design_sign": -1 if rng.random() < 0.05 else 1,
        "top_hz": float(rng.uniform(18000, 26000)),
        "bells": (
            (float(rng.uniform(100, 400)), 0.8, float(rng.normal(0, 1))),
            (float(rng.uniform(2000, 9000)), 0.8, float(rng.normal(0, 1))),
        ),
    }
    if kind == "measured":
        fc, kind_of = float(rng.uniform(1700, 2800)), str(rng.choice(["LR4", "LR2", "BW3"]))
        ways: tuple[Way, ...] = (
            Way("woofer", 0.065, high_hz=fc, high_kind=kind_of),
            Way("tweeter", 0.0125, low_hz=fc, low_kind=kind_of, sign=_louder_sign(fc, kind_of)),
        )
        return Loudspeaker(name, kind, ways, 50.0, measured=True, baffle_m=0.2, **common)
    sealed = bool(rng.random() < 0.5)
    bottom: dict[str, Any] = {"high_pass_order": 2 if sealed else 4}
    if kind == "three-way":
        f1, f2 = float(rng.uniform(200, 600)), float(rng.uniform(1900, 3800))
        low_kind = str(rng.choice(["LR4", "BW3", "LR2", "BW1"], p=[0.5, 0.25, 0.15, 0.1]))
        s1 = _sign(low_kind, rng)
        s2 = s1 * _sign(order, rng)
        ways = (
            _way(
                rng,
                "woofer",
                float(rng.uniform(0.08, 0.13)),
                high_hz=f1,
                high_kind=low_kind,
                behind_m=float(rng.uniform(0.0, 0.04)),
            ),
            _way(
                rng,
                "mid",
                float(rng.uniform(0.04, 0.065)),
                low_hz=f1,
                low_kind=low_kind,
                high_hz=f2,
                high_kind=order,
                sign=s1,
                behind_m=float(rng.uniform(0, 0.02)),
            ),
            _way(rng, "tweeter", 0.0125, low_hz=f2, low_kind=order, sign=s2),
        )
        return Loudspeaker(name, kind, ways, float(rng.uniform(28, 50)), baffle_m=0.3, **bottom, **common)
    if kind == "horn":
        fc = float(rng.uniform(700, 1300))
        kind_of = order if order not in ("BW1",) else "LR4"
        ways = (
            _way(
                rng,
                "woofer",
                float(rng.uniform(0.12, 0.16)),
                high_hz=fc,
                high_kind=kind_of,
                behind_m=float(rng.uniform(0, 0.05)),
            ),
            _way(rng, "tweeter", 0.05, low_hz=fc, low_kind=kind_of, sign=_sign(kind_of, rng), narrow=0.35),
        )
        return Loudspeaker(name, kind, ways, float(rng.uniform(38, 60)), baffle_m=0.45, **bottom, **common)
    if kind == "single":
        ways = (_way(rng, "woofer", float(rng.uniform(0.03, 0.05))),)
        return Loudspeaker(
            name,
            kind,
            ways,
            float(rng.uniform(90, 150)),
            baffle_m=0.12,
            high_pass_order=2,
            **(common | {"top_hz": float(rng.uniform(14000, 20000))}),
        )
    fc = float(rng.uniform(1600, 3300))
    ways = (
        _way(
            rng,
            "woofer",
            float(rng.uniform(0.055, 0.085)),
            high_hz=fc,
            high_kind=order,
            behind_m=float(rng.uniform(0, 0.005 if kind == "coaxial" else 0.035)),
        ),
        _way(rng, "tweeter", 0.0125, low_hz=fc, low_kind=order, sign=_sign(order, rng)),
    )
    mount = "wall" if kind == "in-wall" else "free"
    lowest = {"in-wall": (48, 80), "coaxial": (50, 95)}.get(kind, (42, 80))
    return Loudspeaker(
        name,
        kind,
        ways,
        float(rng.uniform(*lowest)),
        mount=mount,
        baffle_m=float(rng.uniform(0.16, 0.3)),
        **bottom,
        **common,
    )


def subwoofer(rng: np.random.Generator, name: str) -> Loudspeaker:
    """A subwoofer with its own latency, with or without its low-pass."""
    filtered = bool(rng.random() < 0.35)
    return Loudspeaker(
        name,
        "sub",
        (Way("woofer", 0.13, bells=((float(rng.uniform(25, 80)), 1.2, float(rng.normal(0, 1.5))),)),),
        float(rng.uniform(17, 34)),
        high_pass_order=int(rng.choice([2, 4])),
        top_hz=float(rng.uniform(250, 600)),
        sensitivity_db=float(rng.uniform(-2, 4)),
        latency_s=float(
            rng.choice([0.0, rng.uniform(0.0003, 0.002), rng.uniform(0.002, 0.015)], p=[0.25, 0.25, 0.5])
        ),
        low_pass_hz=float(rng.choice([80.0, 100.0, 120.0, 150.0, 180.0])) if filtered else None,
        low_pass_kind=str(rng.choice(["LR4", "BW2", "BW4"])),
    )
