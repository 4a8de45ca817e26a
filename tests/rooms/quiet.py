"""Noise of a room in its states, as recordings: a spectrum that falls by 5 dB per octave, hum with harmonics.

Levels of the curve NC 25 by octave from 63 Hz: ANSI/ASA S12.2 (from memory). A quiet state stays well below it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

RATE_HZ, SECONDS = 24000, 24.0
FULL_SCALE_DB = 105.0
NC_25_DB = {63: 54, 125: 44, 250: 37, 500: 31, 1000: 27, 2000: 24, 4000: 22, 8000: 21}


@dataclass(frozen=True)
class State:
    """Sources heard in one state."""

    name: str
    above_db: float
    """Highest octave re the curve NC 25."""
    hum_hz: float | None = None
    hum_db: float = 0.0
    """Sound pressure level of its second line, which the ear hears best."""


def healthy(rng: np.random.Generator) -> tuple[State, ...]:
    """A quiet room, in which nothing hums loud enough to be heard."""
    return (
        State("everything off", float(rng.uniform(-12, -8))),
        State("electronics on", float(rng.uniform(-8, -5))),
        State("ventilation high", float(rng.uniform(-7, -4))),
    )


def recording(state: State, seed: int) -> np.ndarray:
    """Samples re full scale [shape=(n,)]."""
    rng = np.random.default_rng(seed)
    count = round(SECONDS * RATE_HZ)
    freq = np.fft.rfftfreq(count, 1 / RATE_HZ)
    octave = 10 ** (-5 * np.log2(np.maximum(freq, 20) / 1000) / 10)  # power in an octave around each frequency
    inside = (freq > 25) & (freq < 11000)
    density = np.where(inside, octave / np.maximum(freq, 20), 0)
    noise = np.fft.irfft(np.sqrt(density) * np.exp(2j * np.pi * rng.random(len(freq))) * np.sqrt(count), count)
    noise *= 10 ** ((state.above_db - _highest_db(noise) - FULL_SCALE_DB) / 20)
    if state.hum_hz is not None:
        time = np.arange(count) / RATE_HZ
        for k, change_db in ((1, 3.0), (2, 0.0), (3, -5.0), (4, -9.0)):
            rms = 10 ** ((state.hum_db + change_db - FULL_SCALE_DB) / 20)
            noise += np.sqrt(2) * rms * np.sin(2 * np.pi * k * state.hum_hz * time + rng.uniform(0, 6.28))
    return noise


def _highest_db(noise: np.ndarray) -> float:
    """Its highest octave re NC 25, for an rms of one at 0 dB."""
    power = np.abs(np.fft.rfft(noise)) ** 2 * 2 / len(noise) ** 2
    freq = np.fft.rfftfreq(len(noise), 1 / RATE_HZ)
    return max(
        10 * float(np.log10(power[(freq >= hz / 2**0.5) & (freq < hz * 2**0.5)].sum())) - level
        for hz, level in NC_25_DB.items()
    )
