"""The noise of the rehearsal room in each state: ventilation, electronics with or without hum, projector, neighbours.

Levels are invented and vary with the seed; full scale is 110 dB SPL.
"""

from __future__ import annotations

import numpy as np

from commission.dsp.rating import NR_OCTAVES_HZ
from commission.dsp.spectrum import exact_octave_hz
from commission.model import FloatArray
from commission.model.noise_states import (
    CALIBRATOR,
    ELECTRONICS,
    NEIGHBOURS,
    OFF,
    PROJECTOR,
    VENTILATION,
    VENTILATION_HIGH,
    VENTILATION_LOW,
    calibrator_db,
    known_state,
)

FULL_SCALE_DB = 110.0
"""Sound pressure level of a signal with an rms of full scale."""
_QUIET_DB = (34.0, 30.0, 25.0, 19.0, 14.0, 10.0, 8.0, 7.0, 6.0)
"""Octave levels from 31.5 Hz to 8 kHz with everything off."""
_SOURCES_DB = {
    VENTILATION_LOW: (40.0, 40.0, 36.0, 30.0, 24.0, 18.0, 12.0, 6.0, 0.0),
    VENTILATION: (44.0, 45.0, 42.0, 36.0, 30.0, 25.0, 18.0, 11.0, 4.0),
    VENTILATION_HIGH: (48.0, 50.0, 48.0, 43.0, 38.0, 33.0, 27.0, 20.0, 12.0),
    ELECTRONICS: (20.0, 22.0, 24.0, 24.0, 22.0, 19.0, 15.0, 11.0, 7.0),
    PROJECTOR: (22.0, 26.0, 30.0, 31.0, 29.0, 27.0, 23.0, 18.0, 12.0),
    NEIGHBOURS: (45.0, 46.0, 38.0, 32.0, 26.0, 18.0, 10.0, 4.0, 0.0),
}
_HUM_DB = ((50.0, 44.0), (100.0, 38.0), (150.0, 36.0), (250.0, 24.0))
"""Hum of a ground loop: (frequency [Hz], level [dB SPL])."""
_SPREAD_DB = 3.0


def has_hum(seed: int) -> bool:
    """Whether the room of that seed has a ground loop as found."""
    return bool(np.random.default_rng([seed, 2]).random() < 0.6)


def state_noise(state: str, seed: int, frames: int, rate_hz: float, *, mended: bool) -> FloatArray:
    """Noise at the microphone with `state` switched on [shape=(frames,)] re full scale; `mended`: without hum."""
    known = known_state(state)
    time_s = np.arange(frames) / rate_hz
    if known == CALIBRATOR:
        return _tone(1000.0, calibrator_db(state), time_s)
    rng = np.random.default_rng([seed, 3])
    louder_db = {each: float(rng.normal(0.0, _SPREAD_DB)) for each in (OFF, *_SOURCES_DB)}
    power = 10 ** ((np.array(_QUIET_DB) + louder_db[OFF]) / 10)
    if known in _SOURCES_DB:
        power = power + 10 ** ((np.array(_SOURCES_DB[known]) + louder_db[known]) / 10)
    heard = _shaped(10 * np.log10(power), frames, rate_hz, rng)
    if known == ELECTRONICS and has_hum(seed) and not mended:
        heard = heard + sum(_tone(hz, level_db, time_s) for hz, level_db in _HUM_DB)
    return np.asarray(heard)


def _tone(frequency_hz: float, level_db: float, time_s: FloatArray) -> FloatArray:
    amplitude = np.sqrt(2) * 10 ** ((level_db - FULL_SCALE_DB) / 20)
    return np.asarray(amplitude * np.sin(2 * np.pi * frequency_hz * time_s))


def _shaped(octave_db: FloatArray, frames: int, rate_hz: float, rng: np.random.Generator) -> FloatArray:
    """Noise with these octave levels, 31.5 Hz to 8 kHz, and a density that changes smoothly with frequency."""
    from scipy import fft

    length = int(fft.next_fast_len(frames, real=True))
    freq_hz = fft.rfftfreq(length, 1 / rate_hz)
    centres_hz = np.array([exact_octave_hz(hz) for hz in NR_OCTAVES_HZ])
    density_db = octave_db - 10 * np.log10(centres_hz / np.sqrt(2))
    shape_db = np.interp(np.log(np.maximum(freq_hz, 1.0)), np.log(centres_hz), density_db) - FULL_SCALE_DB
    white = fft.rfft(rng.standard_normal(length) * np.sqrt(rate_hz / 2))
    return np.asarray(fft.irfft(white * 10 ** (shape_db / 20), length)[:frames])
