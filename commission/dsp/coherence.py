"""Agreement of two measurements at one position: magnitude-squared coherence between repeats.

γ²(f) = |⟨H1·H2*⟩|²/(⟨|H1|²⟩·⟨|H2|²⟩) (Bendat & Piersol, Random Data, from memory), averaged over the bins of a
fractional octave instead of over segments. It is one for responses that differ only in gain and delay. Noise, a moved
microphone, a drifting clock and varying processing lower it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from commission.dsp.lag import Lag, lag_between
from commission.dsp.spectrum import band_mean, cumulative
from commission.model import FloatArray, freeze


@dataclass(frozen=True, slots=True, eq=False)
class Coherence:
    """Coherence of one pair of repeats over frequency [shape=(n,) each]."""

    freq_hz: FloatArray
    squared: FloatArray
    """γ², corrected for the bias of few averages; 0 to 1, NaN where fewer than four bins are averaged."""
    floor: FloatArray
    """Value that two unrelated responses would reach by chance, 1/averages."""
    lag: Lag
    """Lag of the second, removed before they are compared."""

    def snr_db(self) -> FloatArray:
        """Signal-to-noise ratio of each repeat [dB], if the difference is noise of equal level in both: γ/(1 − γ)."""
        root = np.sqrt(self.squared)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(10 * np.log10(root / (1 - root)))


def coherence(
    first: FloatArray, second: FloatArray, rate_hz: float, freq_hz: FloatArray, fraction: int = 3
) -> Coherence:
    """Coherence between two impulse responses or recordings of the same sound [shape=(n,) each]."""
    from scipy import fft

    frames = max(len(first), len(second))
    freq = np.asarray(freq_hz, dtype=float)
    half = 2.0 ** (0.5 / fraction)
    lag = lag_between(first, second, rate_hz, (float(freq.min()) / half, float(freq.max()) * half))
    length = int(fft.next_fast_len(frames, real=True))
    a, b = (fft.rfft(np.asarray(x), length, workers=-1) for x in (first, second))
    df_hz = rate_hz / length
    cross = b * np.conj(a) * np.exp(2j * np.pi * np.arange(len(a)) * df_hz * lag.seconds)
    low, high = freq / half, freq * half
    parts = [band_mean(cumulative(part), df_hz, low, high, -np.inf) for part in (cross.real, cross.imag)]
    powers = [band_mean(cumulative(np.abs(x) ** 2), df_hz, low, high) for x in (a, b)]
    averages = (high - low) / df_hz * frames / length
    with np.errstate(invalid="ignore", divide="ignore"):
        raw = (parts[0] ** 2 + parts[1] ** 2) / (powers[0] * powers[1])
        unbiased = np.clip((averages * raw - 1) / (averages - 1), 0.0, 1.0)
    return Coherence(freeze(freq), freeze(np.where(averages >= 4, unbiased, np.nan)), freeze(1 / averages), lag)
