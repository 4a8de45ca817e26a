"""Everything that the program computes from 192 impulse responses (16 channels, 12 seats, 1 s at 48 kHz): time, memory, and
the transforms that it needs. A quantity is one entry of QUANTITIES; the steps follow from the analyses.

Runs in a separate process, so that the peak of memory is that of this work alone.
"""

from __future__ import annotations

import json
import subprocess
import sys
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from builders import LOUDSPEAKERS, channels, cinema, defined, job_of
from clock import Timing

from commission.model import AS_FOUND, AnalysedResponse, Analyses, Analysis, Channel, Job, Response, Seat, System

RATE, SPEED_M_S = 48000, 344.0
MORE = (("FLw", "surround", -1.9, 1.8, 1.3), ("FRw", "surround", 1.9, 1.8, 1.3), ("TpC", "height", 0.0, 3.6, 2.5))
PLACES = [(x, y, z) for y, z in ((2.6, 1.1), (3.7, 1.2), (4.8, 1.5)) for x in (-1.2, -0.4, 0.4, 1.2)]


def system() -> System:
    """Sixteen channels, two of them subwoofers, and twelve seats in three rows."""
    added = tuple(Channel(id=c, name=c, role=role, position_m=(x, y, z)) for c, role, x, y, z in MORE)  # type: ignore[arg-type]
    seats = tuple(
        Seat(id=f"{'ABC'[k // 4]}{k % 4 + 1}", position_m=p, reference=k == 5) for k, p in enumerate(PLACES)
    )
    return cinema(channels=(*channels(LOUDSPEAKERS), *added), seats=seats)


CHANNELS, SEATS = len(LOUDSPEAKERS) + len(MORE), len(PLACES)


@dataclass(frozen=True)
class Quantity:
    """A name, what computes it for a batch of impulses [shape=(k, n)], and the transforms of each that it needs."""

    name: str
    compute: Callable[[np.ndarray], object]
    transforms: Sequence[tuple[str, int]]
    """Kind ("rfft", "irfft", "ifft") and length. A transform that serves several quantities counts with the first."""


def analysed(impulses: np.ndarray) -> list[Analysis | Exception]:
    """Analysed as by the program: speech for the centre alone, a sixteenth of all, and subwoofers without decays."""
    from commission.dsp.analysis import analyse_batch

    kinds = system().channels[: len(impulses)]
    answers = [Response(impulse=h, rate_hz=RATE) for h in impulses]
    return analyse_batch(answers, [c.is_sub for c in kinds], [c.id == "FC" for c in kinds])


def decay_and_clarity(impulses: np.ndarray) -> object:
    from commission.dsp.reverberation import decays_and_clarity

    return decays_and_clarity(impulses, RATE)


def speech(impulses: np.ndarray) -> object:
    from commission.dsp.speech import modulation_transfer

    return modulation_transfer(impulses, RATE, np.zeros((len(impulses), 100)))


_BANDS = (4608, 4608, 4608, 6000, 11979, 23814, 27216, 26880)
"""Envelopes of the octaves from 63 Hz to 8 kHz."""
_DECAY = (("rfft", 55296), *(("ifft", length) for length in _BANDS), ("ifft", 4608), ("ifft", 4608))

WHOLE = Quantity(
    "analysis: level, responses, bass, arrival, polarity, noise, bandwidth, decay, clarity, reflections",
    analysed,
    # the response; its 1-8 kHz envelope; its tail; minimum phase and correlation of the direct sound
    (("rfft", RATE), ("ifft", 16384), ("rfft", 7200), *(("rfft", 1920), ("irfft", 1920)) * 2, *_DECAY),
)
ALL, STEPS = "all: analysis, every step, every rule", "every step and every rule, from the analyses"
PARTS = (
    Quantity("of it EDT, T20, T30, C50, C80, D50 in eight octaves", decay_and_clarity, _DECAY),
    Quantity(
        "modulation for the speech transmission index, if of all channels",
        speech,
        (("rfft", 51840), *(("ifft", length) for length in _BANDS[1:])),
    ),
)


def responses() -> np.ndarray:
    """Direct sound when it arrives, decaying noise and a noise floor at −60 dB re the direct sound; seat by seat."""
    rng, time_s = np.random.default_rng(1), np.arange(RATE) / RATE
    out = np.empty((CHANNELS * SEATS, RATE), np.float32)
    places = [(seat, channel.position_m) for seat in PLACES for channel in system().channels]
    for h, (seat, place) in zip(out, places, strict=True):
        assert place is not None
        h[:] = 0.02 * rng.standard_normal(RATE) * 10 ** (-3 * time_s / 0.3) + 1e-5 * rng.standard_normal(RATE)
        h[round(RATE * (0.005 + float(np.linalg.norm(np.subtract(seat, place))) / SPEED_M_S))] += 1
    return out


def all_steps_of(job: Job, results: Sequence[Analysis | Exception]) -> None:
    """Every step and every rule, from the analyses of all responses, seat by seat."""
    from commission.diagnosis import findings
    from commission.steps import all_steps

    places = [(channel.id, seat.id) for seat in job.system.seats for channel in job.system.channels]
    analyses = Analyses(
        AnalysedResponse(
            seq=n,
            round=AS_FOUND,
            channel=channel,
            seat=seat,
            clock="one",
            passes_delays=True,
            analysis=result if isinstance(result, Analysis) else None,
        )
        for n, ((channel, seat), result) in enumerate(zip(places, results, strict=True), start=1)
    )
    outcomes = {step.id: step.evaluate(job, AS_FOUND, analyses) for step in all_steps() if step.id != "drift"}
    findings(job, AS_FOUND, analyses, outcomes)


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

    def on_all(quantity: Quantity) -> list[object]:
        return [quantity.compute(part) for part in parts]

    def whole() -> None:
        all_steps_of(job, [each for part in parts for each in analysed(part)])

    impulses, job = responses(), job_of(defined(system()))
    parts = [impulses[n : n + BATCH] for n in range(0, len(impulses), BATCH)]
    before = _peak_mb()
    known = [each for part in parts for each in analysed(part)]
    ways: dict[str, Callable[[], object]] = {ALL: whole, STEPS: partial(all_steps_of, job, known)}
    ways |= {quantity.name: partial(on_all, quantity) for quantity in (WHOLE, *PARTS)}
    took = in_turn(ways, 3)
    after = _peak_mb()  # before the bare transforms and their inputs
    alone = in_turn({q.name: bare(q.transforms, BATCH) for q in (WHOLE, *PARTS)}, 3)
    alone[ALL] = alone[WHOLE.name]
    figures = {n: [t.wall_s, t.cpu_s, *_bare_times(alone.get(n))] for n, t in took.items()}
    return figures | {"memory": [before, after]}


def _bare_times(took: Timing | None) -> list[float]:
    return [] if took is None else [took.wall_s, took.cpu_s]


def _peak_mb() -> float:
    """Largest resident memory of this process so far; NaN where the system does not report it."""
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
    for name, (wall_s, cpu_s, *bare_s) in found.items():
        goal = " (goal: under 3.5 s)" if name == ALL else ""
        ratios = f", {wall_s / bare_s[0]:.1f} ({cpu_s / bare_s[1]:.1f}) times its bare transforms" if bare_s else ""
        print(f"  {wall_s:.2f} ({cpu_s:.2f}){ratios}: {name}{goal}")
    print(f"  {peak:.0f} MB at the peak (goal: under 500), {before:.0f} MB before the analysis began")
    _pyfar(found[ALL][0] / (CHANNELS * SEATS))
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
            signal = pyfar.Signal(bands.time.reshape(-1, RATE)[:, int(np.argmax(np.abs(h))) :], RATE)
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
