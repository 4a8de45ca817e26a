"""What the level over frequency alone would give in time, and what the response has beyond it.

A response is its minimum-phase part, which belongs to the magnitude and which an equaliser can undo, and an all-pass part,
which it cannot: flight, crossovers, reflections. The group delay of the second is the excess group delay.
"""

from __future__ import annotations

import numpy as np

from commission.dsp.polarity import minimum_phase_spectrum
from commission.dsp.spectrum import band_mean, cumulative
from commission.model import FloatArray

_OVERSAMPLED = 4
"""Transforms are this much longer than the response, so that its cepstrum hardly folds over."""
_FLOOR = 1e-5
"""Below −100 dB of the largest magnitude, what is left of a response is noise or rounding."""
_CHUNK = 32


def minimum_phase(impulses: FloatArray) -> FloatArray:
    """Impulse responses of minimum phase with the same magnitude [shape=(k, n)], beginning at the first sample.

    By the folded real cepstrum (Oppenheim & Schafer, Discrete-Time Signal Processing); what falls more than 100 dB below
    the largest magnitude is taken as −100 dB.
    """
    from scipy import fft

    impulses = np.atleast_2d(np.asarray(impulses, dtype=float))
    length = _even_length(_OVERSAMPLED * impulses.shape[-1])
    twin = minimum_phase_spectrum(np.abs(fft.rfft(impulses, length, axis=-1)), length)
    return np.asarray(fft.irfft(twin, length, axis=-1)[..., : impulses.shape[-1]])


def group_delays_s(
    impulses: FloatArray, rate_hz: float, freq_hz: FloatArray, fraction: int = 12
) -> tuple[FloatArray, FloatArray]:
    """Group delay after the first sample, and excess group delay, of responses [shape=(k, n)].

    Both [shape=(k, len(freq_hz))] [s], smoothed over 1/fraction octave; NaN beyond half the sample rate.

    τ = Re{DFT(t·h)·DFT(h)*}/|DFT(h)|², the derivative of the phase without unwrapping. The excess is what remains when
    the group delay that belongs to the magnitude is taken off: Σ n·ĉ[n]·cos(ωn) of the folded cepstrum ĉ of ln|H|.
    Numerators and |H|² are averaged apart, so that a null weighs as little as it sounds. Of a loudspeaker in the open the
    excess is its flight, the same at all frequencies; where it wavers, no equaliser helps.
    """
    impulses = np.atleast_2d(np.asarray(impulses))
    parts = [_delays(impulses[i : i + _CHUNK], rate_hz, freq_hz, fraction) for i in range(0, len(impulses), _CHUNK)]
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def _even_length(least: int) -> int:
    from scipy import fft

    return 2 * int(fft.next_fast_len(-(-least // 2), real=True))


def _delays(
    impulses: FloatArray, rate_hz: float, freq_hz: FloatArray, fraction: int
) -> tuple[FloatArray, FloatArray]:
    from scipy import fft

    frames = impulses.shape[-1]
    length = _even_length(2 * frames)
    h = np.asarray(impulses, dtype=np.float32)
    middle_s = 0.5 * frames / rate_hz  # moments about the middle keep their digits
    times = (np.arange(frames) / rate_hz - middle_s).astype(np.float32)
    spectra = fft.rfft(h, length, axis=-1, workers=-1)
    moments = fft.rfft(h * times, length, axis=-1, workers=-1)
    power = spectra.real**2 + spectra.imag**2
    moment = spectra.real * moments.real + spectra.imag * moments.imag
    floor = np.maximum(power.max(axis=-1, keepdims=True) * np.float32(_FLOOR**2), np.float32(1e-37))
    cepstra = fft.irfft(0.5 * np.log(np.maximum(power, floor)), length, axis=-1, workers=-1)
    ramp = np.zeros(length, np.float32)
    ramp[1 : length // 2] = 2 * np.arange(1, length // 2)
    ramp /= np.float32(rate_hz)
    least = fft.rfft(cepstra * ramp, axis=-1, workers=-1).real
    df_hz = rate_hz / length
    below = _band(power, df_hz, freq_hz, fraction)
    with np.errstate(invalid="ignore", divide="ignore"):
        whole = _band(moment, df_hz, freq_hz, fraction) / below + middle_s
        return whole, whole - _band(power * least, df_hz, freq_hz, fraction) / below


def _band(values: FloatArray, df_hz: float, freq_hz: FloatArray, fraction: int) -> FloatArray:
    """Mean of signed values over 1/fraction octave."""
    freq = np.asarray(freq_hz, dtype=float)
    half = 2.0 ** (0.5 / fraction)
    return band_mean(cumulative(values), df_hz, freq / half, freq * half, -np.inf)
