"""Polarity of a loudspeaker, from the correlation of its response with its minimum-phase equivalent.

With common crossovers, the sign of the first peak means nothing. The strongest correlation of the response with its
minimum-phase equivalent, within the band of the woofer, has the sign of the polarity. In simulated rooms
(`tests/references/direct_sounds.py`) it matches the wiring for 240 of 240 two-way loudspeakers, and for 35 of 120 with
a third way below 600 Hz, whose crossover turns the phase inside the band: one sign alone never leads to a finding.
"""

from __future__ import annotations

import numpy as np

from commission.model import FloatArray

MAIN_BAND_HZ, SUB_BAND_HZ = (200.0, 1000.0), (30.0, 200.0)
MAIN_LAG_S, SUB_LAG_S = 0.001, 0.003
MAIN_SPAN_S, SUB_SPAN_S = (0.0005, 0.006), (0.001, 0.012)
"""Time before and after the direct sound, short enough to exclude reflections. The lead must stay below the lag."""
LEAST_CORRELATION = 0.4
"""Least correlation for a determined sign (common practice, no source)."""


def polarity(segments: FloatArray, rate_hz: float, *, is_sub: bool) -> tuple[FloatArray, FloatArray]:
    """(sign, strength) of response segments [shape=(k, n)] that begin just before the direct sound.

    Strength is the correlation coefficient in the band, 0 to 1; the caller compares it with LEAST_CORRELATION.
    """
    from scipy import fft

    low_hz, high_hz = SUB_BAND_HZ if is_sub else MAIN_BAND_HZ
    lag_s = SUB_LAG_S if is_sub else MAIN_LAG_S
    count = segments.shape[-1]
    length = int(fft.next_fast_len(max(2 * count, round(8 * rate_hz / low_hz)), real=True))
    length += length % 2
    fade = np.ones(count, np.float32)
    half = count // 2
    fade[half:] = 0.5 + 0.5 * np.cos(np.pi * np.arange(count - half) / (count - half))
    spectra = fft.rfft(segments * fade, length, axis=-1)
    freq_hz = np.arange(spectra.shape[-1]) * rate_hz / length
    octaves = np.log2(np.maximum(freq_hz, 1e-3) / low_hz) / np.log2(high_hz / low_hz)
    window = np.where((octaves >= 0) & (octaves <= 1), 0.5 - 0.5 * np.cos(2 * np.pi * np.clip(octaves, 0, 1)), 0.0)
    twin = minimum_phase_spectrum(np.abs(spectra), length)
    correlation = fft.irfft(window * spectra * np.conj(twin), length, axis=-1)
    energy = (window * np.abs(spectra) ** 2).sum(axis=-1) * 2 / length
    reach = round(lag_s * rate_hz)
    near = np.concatenate((correlation[:, -reach:], correlation[:, : reach + 1]), axis=-1)
    strongest = near[np.arange(len(near)), np.argmax(np.abs(near), axis=-1)]
    return np.sign(strongest), np.abs(strongest) / np.maximum(energy, 1e-30)


def minimum_phase_spectrum(magnitude: FloatArray, length: int) -> FloatArray:
    """One-sided spectrum of minimum phase with this magnitude [shape=(k, length//2 + 1)].

    By the folded real cepstrum (Oppenheim & Schafer, Discrete-Time Signal Processing, section on the cepstrum).
    """
    from scipy import fft

    floor = magnitude.max(axis=-1, keepdims=True) * 1e-5 + 1e-30
    cepstrum = fft.irfft(np.log(np.maximum(magnitude, floor)), length, axis=-1)
    fold = np.zeros(length, cepstrum.dtype)
    fold[0] = fold[length // 2] = 1
    fold[1 : length // 2] = 2
    return np.asarray(np.exp(fft.rfft(cepstrum * fold, axis=-1)))
