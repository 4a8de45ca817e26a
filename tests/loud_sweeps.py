"""Recordings of sweeps by loudspeakers with known faults at two levels; shares no code with the analysis but the sweep itself."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal

RATE = 48000
SECONDS, START_HZ, STOP_HZ = 4.0, 20.0, 20000.0
CONSTANT_S = SECONDS / np.log(STOP_HZ / START_HZ)
TAIL_S = 1.0
Bend = Callable[[np.ndarray], np.ndarray]


def sweep() -> np.ndarray:
    """An exponential sweep (Farina 2000, equation 1) at −12 dB re full scale, with faded ends."""
    time_s = np.arange(int(SECONDS * RATE)) / RATE
    x = np.sin(2 * np.pi * START_HZ * CONSTANT_S * np.expm1(time_s / CONSTANT_S))
    fade = int(0.01 * RATE)
    x[:fade] *= np.linspace(0, 1, fade)
    x[-fade:] *= np.linspace(1, 0, fade)
    return 0.25 * x


def when_s(hz: float) -> float:
    """The time at which the sweep passes a frequency [s]."""
    return float(CONSTANT_S * np.log(hz / START_HZ))


def room(seed: int, seconds: float = 0.4) -> np.ndarray:
    """A direct sound after 3 m of air and a decaying tail of noise."""
    rng = np.random.default_rng(seed)
    h = np.zeros(int(seconds * RATE))
    first = int(0.009 * RATE)
    h[first] = 1.0
    n = len(h) - first - 100
    h[first + 100 :] += 0.06 * rng.standard_normal(n) * np.exp(-np.arange(n) / (0.05 * RATE))
    return h


def recorded(
    gain_db: float = 0.0,
    *,
    bend: Bend = lambda x: x,
    band_hz: tuple[float, float] = (60.0, 18000.0),
    place: int = 1,
    noise: float = 3e-5,
    seed: int = 1,
    rattle: tuple[float, float] | None = None,
    late_s: float = 0.0,
) -> np.ndarray:
    """A microphone's recording; `bend` is the distortion by amplifier and loudspeaker of the signal in their band.

    `rattle`: the exciting frequency and the height of its clicks re full scale at the reference level.
    """
    rng = np.random.default_rng(seed)
    silence = np.zeros(int(TAIL_S * RATE))
    x = np.concatenate((np.zeros(int(late_s * RATE)), 10 ** (gain_db / 20) * sweep(), silence))
    sos = signal.butter(2, band_hz, "bandpass", fs=RATE, output="sos")
    # The roll-off comes before the distortion: large excursions distort, and the result is heard unfiltered.
    y = bend(signal.sosfilt(sos, x))
    if rattle is not None:
        hz, height = rattle
        for each in hz * 2.0 ** np.linspace(-1 / 12, 1 / 12, 12):  # a click each period or so
            at = int((late_s + when_s(each)) * RATE)
            click = rng.standard_normal(100) * np.exp(-np.arange(100) / 20)
            y[at : at + 100] += height * 10 ** (gain_db / 20) * click
    heard = signal.fftconvolve(y, room(place))[: len(x)]
    return np.asarray(heard + noise * rng.standard_normal(len(heard)))


def write(path: Path, samples: np.ndarray) -> Path:
    """Write a 24-bit file, lowered by 20 dB so that louder recordings do not clip."""
    path.parent.mkdir(parents=True, exist_ok=True)
    assert np.max(np.abs(samples)) < 9.9
    soundfile.write(path, 0.1 * samples, RATE, subtype="PCM_24")
    return path


def harmonics(bend: Bend, amplitude: float) -> np.ndarray:
    """Amplitudes of harmonics 1 to 5 of a steady tone through a bent characteristic, by the Fourier series of one period."""
    phase = 2 * np.pi * np.arange(4096) / 4096
    return np.asarray(2 * np.abs(np.fft.rfft(bend(amplitude * np.sin(phase))))[1:6] / 4096)
