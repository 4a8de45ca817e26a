"""Energy of impulse responses by fractional-octave band over time, for decays and clarity.

One transform of the response serves all bands. Each band is cut out of the spectrum, moved to zero frequency and
transformed back with the fewest points that its width needs: the square of this envelope is the band's energy over time.

Two filters, both with the magnitude of a third-order Butterworth band-pass (class 1 of IEC 61260-1:2014):

- zero phase: rings evenly before and after, and shifts nothing in time; used for clarity, and for decays in wide bands.
- reversed: the causal filter run backward, so that its ringing comes before the sound and does not affect the decay (F.
  Jacobsen, J. H. Rindel, "Time reversed decay measurements", J. Sound Vib. 117 (1987) 187–190; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from commission.model import ComplexArray, FloatArray, freeze

Filter = Literal["zero phase", "reversed"]

ORDER = 3
"""Order of the Butterworth low-pass prototype of the band-pass."""
_LEAST_GAIN = 10 ** (-70 / 20)
"""Gain at which the skirt is cut: the rest is below any decay that is evaluated (60 dB at most)."""
_LEAST_RATE_HZ = 4000.0
"""Least sample rate of an envelope: its running sum can then be interpolated well enough for narrow bands."""
_RING_WIDTHS = 6.5
"""The filters have rung down by 60 dB after this many 1/B (octaves: zero phase 4.3/B, reversed 6.3/B; computed)."""


@dataclass(frozen=True, slots=True)
class Bands:
    """A set of 1/`fraction`-octave bands, exact base-ten centres of IEC 61260-1:2014 clause 5 [Hz]."""

    indices: tuple[int, ...]
    """Octaves or fractions of an octave from 1 kHz."""
    fraction: int = 1

    @property
    def centres_hz(self) -> FloatArray:
        """Exact mid-band frequencies, 1000·G^(k/b) with G = 10^0.3 [shape=(bands,)]."""
        return np.asarray(1000.0 * 10 ** (0.3 * np.array(self.indices, dtype=float) / self.fraction))

    @property
    def widths_hz(self) -> FloatArray:
        """Upper minus lower band edge, fm·(G^(1/2b) − G^(−1/2b)) [shape=(bands,)]."""
        return np.asarray(self.centres_hz * 2 * math.sinh(0.15 * math.log(10) / self.fraction))


OCTAVES = Bands(tuple(range(-4, 4)))
"""63 Hz to 8 kHz."""
THIRDS = Bands(tuple(range(-12, 10)), 3)
"""63 Hz to 8 kHz."""


def band_gain(freq_hz: FloatArray, centre_hz: float, fraction: int, order: int = ORDER) -> ComplexArray:
    """Complex gain of the causal filter at `freq_hz` (above zero) [same shape]; −3 dB at the band's edges."""
    poles = np.exp(1j * np.pi * (2 * np.arange(order) + order + 1) / (2 * order))
    edges = 2 * math.sinh(0.15 * math.log(10) / fraction)
    away = 1j * (freq_hz / centre_hz - centre_hz / freq_hz) / edges
    return np.asarray(np.prod([-pole / (away - pole) for pole in poles], axis=0))


@dataclass(frozen=True, slots=True, eq=False)
class Spectra:
    """One-sided spectra of impulse responses, padded so that ringing before time zero wraps into the padding."""

    values: ComplexArray
    """[shape=(k, length//2 + 1)]"""
    length: int
    frames: int
    rate_hz: float


def spectra_of(impulses: FloatArray, rate_hz: float, bands: Bands) -> Spectra:
    """Transform impulse responses [shape=(k, n)] for the narrowest of `bands`."""
    from scipy import fft

    frames = impulses.shape[-1]
    pad = math.ceil(_RING_WIDTHS / float(bands.widths_hz.min()) * rate_hz)
    length = int(fft.next_fast_len(frames + pad, real=True))
    values = fft.rfft(np.asarray(impulses, dtype=np.float32), length, axis=-1, workers=-1)
    return Spectra(values, length, frames, rate_hz)


@dataclass(frozen=True, slots=True, eq=False)
class BandEnergy:
    """Running energy of one band: ∫p² dt from the beginning of the ringing [unit²·s]."""

    sums: FloatArray
    """[shape=(k, m + 1)], zero first."""
    step_s: float
    lead_s: float
    """Time by which the sums begin before the response's first sample."""

    def until(self, time_s: FloatArray) -> FloatArray:
        """Energy until `time_s` after the first sample [shape=(k, g)]; held at both ends."""
        place = np.clip((time_s + self.lead_s) / self.step_s, 0.0, self.sums.shape[-1] - 1.000001)
        index = place.astype(np.intp)
        low = np.take_along_axis(self.sums, index, axis=-1)
        high = np.take_along_axis(self.sums, index + 1, axis=-1)
        return np.asarray(low + (place - index) * (high - low))


def reaches(spectra: Spectra, centre_hz: float, fraction: int) -> bool:
    """Whether the sample rate holds the whole band."""
    return centre_hz * 10 ** (0.15 / fraction) < 0.5 * spectra.rate_hz


def band_energy(spectra: Spectra, centre_hz: float, fraction: int, kind: Filter) -> BandEnergy:
    """Energy over time of one band of responses [shape=(k, n)]."""
    from scipy import fft

    df_hz = spectra.rate_hz / spectra.length
    first, gain = _band_bins(spectra.rate_hz, spectra.length, centre_hz, fraction)
    if kind == "reversed":
        weights = np.conj(gain)
    else:
        weights = np.abs(gain)
    count = len(gain)
    points = int(fft.next_fast_len(max(count, math.ceil(_LEAST_RATE_HZ / df_hz))))
    buffer = np.zeros((len(spectra.values), points), np.complex64)
    np.multiply(spectra.values[:, first : first + count], weights.astype(np.complex64), out=buffer[:, :count])
    envelope = fft.ifft(buffer, axis=-1, workers=-1, overwrite_x=True)
    # Σ|analytic|²/2 over `points` samples is the band's energy: scale as a transform of `length` to `points`.
    step_s = spectra.length / spectra.rate_hz / points
    power = (envelope.real**2 + envelope.imag**2) * np.float32(2.0 * (points / spectra.length) ** 2)
    lead = min(points // 2, math.ceil(_ring_s(centre_hz, fraction) / step_s))
    kept = min(points - lead, math.ceil(spectra.frames / spectra.rate_hz / step_s))
    sums = np.zeros((len(power), lead + kept + 1))
    np.cumsum(power[:, points - lead :], axis=-1, out=sums[:, 1 : lead + 1])
    np.cumsum(power[:, :kept], axis=-1, out=sums[:, lead + 1 :])
    sums[:, lead + 1 :] += sums[:, lead : lead + 1]
    sums *= step_s
    return BandEnergy(sums, step_s, (lead + 0.5) * step_s)


def _ring_s(centre_hz: float, fraction: int) -> float:
    return _RING_WIDTHS / (centre_hz * 2 * math.sinh(0.15 * math.log(10) / fraction))


@lru_cache(maxsize=16)
def _band_bins(rate_hz: float, length: int, centre_hz: float, fraction: int) -> tuple[int, ComplexArray]:
    """First bin and gains of the bins that the filter passes.

    Cached, because a job's responses come in small groups of one length; at most a few megabytes.
    """
    df_hz = rate_hz / length
    edges = 2 * math.sinh(0.15 * math.log(10) / fraction)
    reach = math.asinh(0.5 * edges * _LEAST_GAIN ** (-1 / 3))  # |H| = 1/sqrt(1 + Ω⁶)
    first = max(1, math.floor(centre_hz * math.exp(-reach) / df_hz))
    last = min(length // 2 - 1, math.ceil(centre_hz * math.exp(reach) / df_hz))
    return first, freeze(band_gain(np.arange(first, last + 1) * df_hz, centre_hz, fraction), np.complex128)


def band_noise_power(noise: FloatArray, rate_hz: float, bands: Bands) -> FloatArray:
    """Mean square of noise [shape=(k, m)] in each band [shape=(k, bands)] [unit²]; NaN above the sample rate."""
    window = np.hanning(noise.shape[-1])
    gain = float(np.sum(window**2))
    spectra = spectra_of(np.asarray(noise * (window / math.sqrt(gain))), rate_hz, bands)
    out = np.full((len(noise), len(bands.indices)), np.nan)
    for b, centre_hz in enumerate(bands.centres_hz):
        if reaches(spectra, float(centre_hz), bands.fraction):
            first, band = _band_bins(spectra.rate_hz, spectra.length, float(centre_hz), bands.fraction)
            values = spectra.values[:, first : first + len(band)]
            power = values.real**2 + values.imag**2
            out[:, b] = 2.0 / spectra.length * (power @ np.abs(band).astype(np.float32) ** 2)
    return out
