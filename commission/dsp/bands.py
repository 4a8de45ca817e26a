"""Fractional-octave bands and the level of steady sound in each, IEC 61260-1 class 1.

The filters are Butterworth band-passes, applied to the spectrum, so that warping near half the sample rate cannot take
a band out of class 1.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from commission.dsp.band_energy import Bands
from commission.dsp.spectrum import to_db
from commission.model import FloatArray, InputError, freeze

NOMINAL_OCTAVES_HZ = (16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Names of the octaves, IEC 61260-1:2014 5.5."""
NOMINAL_THIRDS_HZ = (10.0, 12.5, 16.0, 20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0)
"""Names of one decade of third octaves; other decades are these times powers of ten."""

_LEVEL_ORDER = 8
"""Order of the band-passes for levels of steady noise. Class 1 needs the third order; the third passes enough of a
lower octave that noise falling by 6 dB an octave in steps reads 0.8 dB high."""
_BANDWIDTH_RATIO = (math.pi / (2 * _LEVEL_ORDER)) / math.sin(math.pi / (2 * _LEVEL_ORDER))
"""Ratio of effective to nominal bandwidth of such a band-pass, for noise with a flat spectrum: 1.006 or 0.03 dB. Class
1 allows ±0.4 dB (IEC 61260-1:2014 5.12, from memory); levels of noise are corrected for it."""
_SEGMENT_WIDTHS = 16.0
"""Length of a noise segment times the narrowest bandwidth: the window's own width is a tenth of that bandwidth."""


def bands_between(low_hz: float, high_hz: float, fraction: int) -> Bands:
    """The 1/`fraction`-octave bands (an odd number, 1 or 3) whose mid-band frequencies are from `low_hz` to `high_hz`.

    Exact mid-band frequencies 1000·10^(0.3·k/b) (IEC 61260-1:2014 5.2 to 5.4); nominal limits such as 31.5 Hz will do.
    """
    first, last = (fraction * math.log10(f / 1000) / 0.3 for f in (low_hz, high_hz))
    return Bands(tuple(range(math.ceil(first - 0.1), math.floor(last + 0.1) + 1)), fraction)


def nominal_hz(bands: Bands) -> tuple[float, ...]:
    """Names of octaves or third octaves, IEC 61260-1:2014 5.5: 31.5, 63, 125 … [Hz]."""
    if bands.fraction == 1:
        return tuple(min(NOMINAL_OCTAVES_HZ, key=lambda name: abs(math.log(name / f))) for f in bands.centres_hz)
    decades = (math.floor((k + 20) / 10) for k in bands.indices)
    return tuple(NOMINAL_THIRDS_HZ[(k + 20) % 10] * 10.0**d for k, d in zip(bands.indices, decades, strict=True))


def band_levels_db(samples: FloatArray, rate_hz: float, bands: Bands, reference: float = 1.0) -> FloatArray:
    """Level of steady sound in each band [shape=(…, bands)] [dB re `reference`], samples [shape=(…, n)].

    Computed from the power spectral density (Welch 1967: Hann windows, half overlapped), weighted with the squared
    magnitude of eighth-order band-passes and corrected for their effective bandwidth (0.03 dB). NaN for a band beyond
    half the sample rate. Raises InputError when the recording is shorter than a segment.
    """
    from scipy import fft, signal

    samples = np.asarray(samples, dtype=float)
    length = math.ceil(_SEGMENT_WIDTHS / float(bands.widths_hz.min()) * rate_hz)
    if samples.shape[-1] < length:
        raise InputError(
            "noise recording",
            f"{samples.shape[-1] / rate_hz:.2f} s",
            f"at least {length / rate_hz:.2f} s for the band at {nominal_hz(bands)[0]:g} Hz",
        )
    length = min(int(fft.next_fast_len(length, real=True)), samples.shape[-1])  # odd lengths take ten times as long
    freq_hz, density = signal.welch(samples, rate_hz, "hann", length)  # half overlapped, each segment minus its mean
    powers = density @ _filter_powers(bands, rate_hz, length).T * (freq_hz[1] - freq_hz[0])
    return to_db(np.where(_reached(bands, rate_hz), powers, np.nan) / (_BANDWIDTH_RATIO * reference**2))


@lru_cache(maxsize=8)
def _filter_powers(bands: Bands, rate_hz: float, length: int) -> FloatArray:
    """Squared magnitude of each filter at the frequencies of a transform [shape=(bands, length//2 + 1)]."""
    freq_hz = np.fft.rfftfreq(length, 1 / rate_hz)
    edges = 2 * math.sinh(0.15 * math.log(10) / bands.fraction)
    ratio = freq_hz[1:] / bands.centres_hz[:, None]
    powers = np.zeros((len(bands.indices), len(freq_hz)))
    powers[:, 1:] = 1 / (
        1 + ((ratio - 1 / ratio) / edges) ** (2 * _LEVEL_ORDER)
    )  # |band_gain|² of Butterworth's poles
    return freeze(powers)


def _reached(bands: Bands, rate_hz: float) -> FloatArray:
    return np.asarray(bands.centres_hz + bands.widths_hz / 2 < rate_hz / 2)
