"""Real measured responses as parts of simulated rooms: two drivers, and the late sound of two rooms.

Open data that do not come with the project: `open_data.py` names those beside the checkout; a room of the `pyrato` wheel (MIT).
Where they are absent, no room is made from them.
"""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from open_data import LIVING_ROOM, MEASURED_DRIVERS, measured_drivers
from scipy import fft


def available() -> bool:
    """Whether the drivers are here."""
    return MEASURED_DRIVERS.is_file()


@cache
def _drivers() -> tuple[np.ndarray, float]:
    """Impulse responses of woofer and tweeter from shortly before their arrival on [shape=(2, n)], and their rate."""
    impulses, rate_hz = measured_drivers()
    impulses = impulses[:, 240 : 240 + 3000]
    fade = np.ones(impulses.shape[1])
    fade[:12], fade[-800:] = np.linspace(0, 1, 12), np.cos(np.linspace(0, np.pi / 2, 800)) ** 2
    return impulses * fade, rate_hz


def driver(name: str, freq_hz: np.ndarray) -> np.ndarray:
    """Transfer function of "woofer" or "tweeter", their common time of flight (20 samples) taken off."""
    impulses, rate_hz = _drivers()
    row = 0 if name == "woofer" else 1
    length = 1 << 17
    spectrum = fft.rfft(impulses[row], length)
    own = np.arange(len(spectrum)) * rate_hz / length
    spectrum *= np.exp(2j * np.pi * own * 20 / rate_hz)
    out = np.interp(freq_hz, own, spectrum.real, right=0) + 1j * np.interp(freq_hz, own, spectrum.imag, right=0)
    band = np.abs(spectrum[(own > 800) & (own < 3000)])
    return out / np.sqrt(np.mean(band**2))


@cache
def late_sound() -> tuple[np.ndarray, ...]:
    """The late part of real rooms, its decay and its colour taken off: real "noise" of unit variance."""
    out = []
    if LIVING_ROOM.is_file():
        import soundfile

        samples, rate = soundfile.read(LIVING_ROOM, always_2d=True)
        out.append((samples[:, 0], rate, 0.35))
    spec = find_spec("pyrato")
    if spec is not None and spec.origin is not None:
        table = Path(spec.origin).parents[1] / "tests" / "test_data" / "room_impulse_response_with_noise.csv"
        if table.is_file():
            out.append((np.loadtxt(table, delimiter=",").ravel(), 48000, 0.6))
    return tuple(_flat(*each) for each in out)


def _flat(samples: np.ndarray, rate: int, until_s: float) -> np.ndarray:
    begin = int(np.argmax(np.abs(samples))) + round(0.03 * rate)
    part = samples[begin : begin + round(until_s * rate)]
    count = round(0.02 * rate)
    envelope = np.sqrt(np.convolve(part**2, np.ones(count) / count, mode="same"))
    spectrum = fft.rfft(part / envelope)
    width = np.maximum(8, (np.arange(len(spectrum)) * 0.1).astype(int))
    power = np.concatenate(([0], np.cumsum(np.abs(spectrum) ** 2)))
    low, high = (
        np.maximum(np.arange(len(spectrum)) - width, 0),
        np.minimum(np.arange(len(spectrum)) + width, len(spectrum)),
    )
    flat = fft.irfft(spectrum / np.sqrt((power[high] - power[low]) / (high - low)), len(part))
    return flat / np.std(flat)
