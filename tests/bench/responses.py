"""The complete analysis of 192 impulse responses (16 channels, 12 seats, 1 s at 48 kHz): time, memory, and the
transforms that it needs. A quantity is one entry of QUANTITIES.

Runs in a process of its own, so that the peak of memory is that of this work alone.
"""

from __future__ import annotations

import json
import subprocess
import sys
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

RATE, CHANNELS, SEATS = 48000, 16, 12


@dataclass(frozen=True)
class Quantity:
    """A name, what computes it for a batch of impulses [shape=(k, n)], and the transforms of each that it needs."""

    name: str
    compute: Callable[[np.ndarray], object]
    transforms: Sequence[tuple[str, int]]
    """Kind ("rfft", "irfft", "ifft") and length. A transform that serves several quantities counts with the first."""


def level_to_bandwidth(impulses: np.ndarray) -> object:
    from commission.dsp.analysis import analyse_batch
    from commission.model import Response

    return analyse_batch([Response(impulse=h, rate_hz=RATE) for h in impulses], [False] * len(impulses))


def decay_and_clarity(impulses: np.ndarray) -> object:
    from commission.dsp.reverberation import decays_and_clarity

    return decays_and_clarity(impulses, RATE)


def reflections(impulses: np.ndarray) -> object:
    from commission.dsp.reflections import early_reflections

    return early_reflections(impulses, RATE, [0.01] * len(impulses))


def group_delays(impulses: np.ndarray) -> object:
    from commission.dsp.phase import group_delays_s
    from commission.dsp.spectrum import GRID_HZ

    return group_delays_s(impulses, RATE, GRID_HZ)


def repeats(impulses: np.ndarray) -> object:
    """Coherence of each response with the next, as if it were its repeat."""
    from commission.dsp.coherence import coherence
    from commission.dsp.spectrum import GRID_HZ

    return [coherence(a, b, RATE, GRID_HZ) for a, b in zip(impulses[::2], impulses[1::2], strict=True)]


def speech(impulses: np.ndarray) -> object:
    from commission.dsp.speech import OCTAVES_HZ, speech_transmission

    return speech_transmission(impulses, RATE, dict.fromkeys(OCTAVES_HZ, 25.0))


def noise_by_band(impulses: np.ndarray) -> object:
    from commission.dsp.band_energy import THIRDS
    from commission.dsp.bands import band_snr_db

    return band_snr_db(impulses, impulses[:, -7200:], RATE, THIRDS)


_BANDS = (4608, 4608, 4608, 6000, 11979, 23814, 27216, 26880)
"""Envelopes of the octaves from 63 Hz to 8 kHz."""

QUANTITIES = (
    Quantity(
        "level, responses, bass, arrival, polarity, noise, bandwidth",
        level_to_bandwidth,
        # the response; its 1-8 kHz envelope; its tail; minimum phase and correlation of the direct sound
        (("rfft", RATE), ("ifft", 16384), ("rfft", 7200), *(("rfft", 1920), ("irfft", 1920)) * 2),
    ),
    Quantity(
        "EDT, T20, T30, C50, C80, D50 in eight octaves",
        decay_and_clarity,
        (("rfft", 55296), *(("ifft", length) for length in _BANDS), ("ifft", 4608), ("ifft", 4608)),
    ),
    Quantity("early reflections", reflections, (("rfft", RATE), ("ifft", 16384))),  # made each time
    Quantity("group delay, excess group delay", group_delays, (("rfft", 2 * RATE),) * 3 + (("irfft", 2 * RATE),)),
    Quantity("speech transmission index", speech, (("rfft", 51840), *(("ifft", length) for length in _BANDS[1:]))),
    Quantity("signal to noise in third octaves", noise_by_band, (("rfft", RATE), ("rfft", 2 * RATE))),
    Quantity("coherence of 96 pairs", repeats, (("rfft", 2 * RATE), ("irfft", RATE), ("rfft", RATE))),
)


def responses() -> np.ndarray:
    """Direct sound, decaying noise and a noise floor at −60 dB re the direct sound."""
    rng, time_s = np.random.default_rng(1), np.arange(RATE) / RATE
    out = np.empty((CHANNELS * SEATS, RATE), np.float32)
    for k, h in enumerate(out):
        h[:] = 0.02 * rng.standard_normal(RATE) * 10 ** (-3 * time_s / 0.3) + 1e-5 * rng.standard_normal(RATE)
        h[480 + 7 * k % 480] += 1
    return out


def bare(transforms: Sequence[tuple[str, int]], batch: int) -> Callable[[], None]:
    """The transforms alone, in batches as large as the program's, single precision, on all cores."""
    from scipy import fft

    rng = np.random.default_rng(2)
    inputs = []
    for kind, length in transforms:
        frames = length // 2 + 1 if kind == "irfft" else length
        values = rng.standard_normal((2, batch, frames)).astype(np.float32)
        inputs.append((getattr(fft, kind), values[0] if kind == "rfft" else values[0] + 1j * values[1], length))

    def work() -> None:
        for _ in range(CHANNELS * SEATS // batch):
            for transform, values, length in inputs:
                transform(values, length, axis=-1, workers=-1)

    return work


def measure() -> dict[str, list[float]]:
    """Seconds on the wall and of the processor, of the work and of its bare transforms, by name; "memory": [before, peak] MB."""
    from clock import in_turn

    from commission.visit import BATCH

    def on_all(quantity: Quantity) -> None:
        for part in parts:
            quantity.compute(part)

    impulses = responses()
    parts = [impulses[n : n + BATCH] for n in range(0, len(impulses), BATCH)]
    before = _peak_mb()
    ways: dict[str, Callable[[], object]] = {}
    for quantity in QUANTITIES:
        ways[quantity.name] = partial(on_all, quantity)
    ways["all"] = lambda: [quantity.compute(part) for quantity in QUANTITIES for part in parts]
    took = in_turn(ways, 3)
    after = _peak_mb()  # before the bare transforms and their inputs
    needed = {q.name: q.transforms for q in QUANTITIES} | {"all": [t for q in QUANTITIES for t in q.transforms]}
    alone = in_turn({name: bare(transforms, BATCH) for name, transforms in needed.items()}, 3)
    figures = {n: [t.wall_s, t.cpu_s, alone[n].wall_s, alone[n].cpu_s] for n, t in took.items()}
    return figures | {"memory": [before, after]}


def _peak_mb() -> float:
    """Largest resident memory of this process so far; NaN where the system does not tell."""
    try:
        import resource
    except ImportError:
        return float("nan")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1e6 if sys.platform == "darwin" else 1e3)


def run(channels: int) -> None:
    """Print for each quantity, and for all together."""
    done = subprocess.run([sys.executable, __file__], capture_output=True, text=True, check=True)
    found: dict[str, list[float]] = json.loads(done.stdout)
    before, peak = found.pop("memory")
    print(f"  {CHANNELS} channels at {SEATS} seats, 1 s at {RATE} Hz; seconds on the wall (of the processor)")
    for name, (wall_s, cpu_s, bare_s, bare_cpu_s) in found.items():
        goal = " (goal: under 3.5 s)" if name == "all" else ""
        ratios = f"{wall_s / bare_s:.1f} ({cpu_s / bare_cpu_s:.1f})"
        print(f"  {wall_s:.2f} ({cpu_s:.2f}), {ratios} times its bare transforms: {name}{goal}")
    print(f"  {peak:.0f} MB at the peak (goal: under 500), {before:.0f} MB before the analysis began")
    _pyfar(found["all"][0] / (CHANNELS * SEATS))
    _pyrato()


def _pyfar(ours_each_s: float) -> None:
    try:
        import pyfar
    except ImportError:
        print("  pyfar is not installed: not compared")
        return
    from clock import in_turn

    few = pyfar.Signal(responses()[:6].astype(float), RATE)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        took = in_turn({"": lambda: [pyfar.dsp.smooth_fractional_octave(few.copy(), n) for n in (3, 12)]}, 2)
    each_s = took[""].wall_s / 6
    print(
        f"  pyfar's smoothing over 1/3 and 1/12 octave alone {1000 * each_s:.1f} ms each, ours with all else"
        f" {1000 * ours_each_s:.1f} ms: ratio {ours_each_s / each_s:.2f}"
    )


def _pyrato() -> None:
    """Decay times and clarity in eight octaves by pyfar and pyrato, and by the program."""
    try:
        import pyfar
        from pyrato import edc, parameters
    except ImportError:
        print("  pyrato is not installed: not compared")
        return
    from clock import in_turn

    from commission.dsp.band_energy import OCTAVES

    def theirs() -> None:
        for h in few:
            bands = pyfar.dsp.filter.fractional_octave_bands(pyfar.Signal(h, RATE), 1, frequency_range=(63, 8000))
            signal = pyfar.Signal(bands.time.reshape(-1, RATE)[:, 480:], RATE)
            for b, centre_hz in enumerate(OCTAVES.centres_hz):
                curve = edc.energy_decay_curve_chu_lundeby(signal[b : b + 1], np.array([centre_hz]), time_shift=False)
                if np.isnan(curve.time).all():
                    continue  # it finds no end of the decay
                for name in ("EDT", "T20", "T30"):
                    parameters.reverberation_time_linear_regression(curve, name)
                parameters.clarity(curve, 50), parameters.clarity(curve, 80), parameters.definition(curve, 50)

    few = responses()[:24]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        took = in_turn({"theirs": theirs, "ours": lambda: decay_and_clarity(few)}, 2)
    each_ms = {name: 1000 * way.cpu_s / len(few) for name, way in took.items()}
    print(
        f"  decay and clarity by pyfar and pyrato {each_ms['theirs']:.1f} ms of the processor each, ours"
        f" {each_ms['ours']:.1f} ms: ratio {each_ms['ours'] / each_ms['theirs']:.2f}"
    )


if __name__ == "__main__":
    print(json.dumps(measure()))
