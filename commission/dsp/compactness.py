"""Whether a recording holds an impulse response, a sweep, or neither, from the time of each band's maximum.

All bands of an impulse response are strongest within a fraction of a second of each other, however long the room rings.
A sweep reaches one band after the other. Noise has no distinct maximum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from commission.model import ComplexArray, FloatArray, freeze

WIDEST_HZ = 200.0
"""Bands are half an octave wide, but at most this: wide enough for times within 5 ms, and quick to transform."""
LEAST_BAND_SMOOTHING_S = 0.04
CREST_DB = 12.0
"""Least peak over median of a band's power: stationary noise stays below, as its smoothed power has at least four
degrees of freedom."""
WINDOW_S = 0.25
"""Largest spread of the bands of one impulse response: two modes that beat within a band 4 Hz wide reach their first
maximum after up to half a period, 0.13 s, and the band's own response time is as long again."""
SHARE_WITHIN = 0.65
FEWEST_BANDS = 3
"""Fewest bands above the noise for a verdict: in any recording one band is strongest at some moment."""
FEWEST_FOR_SWEEP = 4
BANDS_PER_HARMONIC = 6
"""One band in this many may be out of order: a clipped recording is strongest there while a lower tone passes."""
LEAST_RANK_CORRELATION = 0.8
"""Kendall's τ of eight bands in no order exceeds this once in 580 times (70 of 40320 orders), of ten once in 2800."""
SLOPE_BANDS_HZ = (300.0, 9000.0)
"""Range in which the direct sound of a main loudspeaker arrives in all bands within a few milliseconds."""
FEWEST_FOR_SLOPE, LARGEST_SLOPE_S = 8, 0.004
"""Fewest bands, and largest slope per octave, of a correctly deconvolved response. Simulated rooms (T up to 1.2 s,
direct sound down to 10 dB below the reverberation) stay within 2.5 ms and Kendall's τ of 0.45; a sweep of 3.1 s in
place of 3 s leaves 10 ms (`tests/dsp/test_compactness.py`)."""
WEAKEST_DB = -50.0
"""Bands weaker than this, relative to the strongest band, are left out: at the end of a truncated response they hold
only the click of the cut."""
FIRST_DB, FIRST_WITHIN_S = -10.0, 0.15
"""The direct sound reaches all bands at once, while a band's maximum can be a later reflection: so the first moment
within 10 dB of it is used."""
STRONG_DB = -25.0
"""Bands above this hold the stimulus; in weaker ones the distortion of a lower tone can be strongest, and noise is
nearly as loud as the first sound."""
TAPER_S = 0.05
SHORTEST_SPREAD_S = 1.0
"""A shorter recording cannot spread its energy over seconds, and is accepted if nothing contradicts it."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BandTimes:
    """Times of each half octave of several recordings: centres [shape=(bands,)], the others [shape=(k, bands)].

    Times are NaN where a band does not exceed its own median power by `CREST_DB`, or is below `WEAKEST_DB`.
    """

    centres_hz: FloatArray
    strongest_s: FloatArray
    first_s: FloatArray
    """When it first comes within `FIRST_DB` of its maximum, at most `FIRST_WITHIN_S` before that."""
    level_db: FloatArray
    """Its maximum relative to that of the strongest band."""


class Shape(Enum):
    """Distribution of a recording's energy over time."""

    COMPACT = "compact"
    """All bands at about the same time: an impulse response."""
    SWEEP = "sweep"
    """One band after the other."""
    SPREAD = "spread"
    """Neither: a response deconvolved with a signal other than the one played."""
    NOISE = "noise"
    """Too few bands ever exceed noise: a silent channel, or noise itself."""


def band_times(spectra: ComplexArray, df_hz: float) -> BandTimes:
    """Times of each half octave, from one-sided spectra [shape=(k, n)] in steps of `df_hz`.

    Times are circular in 1/df_hz.
    """
    from scipy import fft

    nyquist_hz = (spectra.shape[-1] - 1) * df_hz
    centres = 1000.0 * 2.0 ** (np.arange(-11, 9) / 2)
    centres = centres[(centres * 2**0.25 < 0.92 * nyquist_hz) & (centres * (2**0.25 - 2**-0.25) > 6 * df_hz)]
    times = np.full((spectra.shape[0], len(centres)), np.nan)
    first, peaks = times.copy(), np.zeros_like(times)
    for band, centre_hz in enumerate(centres):
        width_hz = min(centre_hz * (2**0.25 - 2**-0.25), WIDEST_HZ)
        start = round((centre_hz - width_hz / 2) / df_hz)
        count = max(4, round(width_hz / df_hz))
        length = int(fft.next_fast_len(2 * count))  # twice the samples, so that the power is not aliased
        window = np.hanning(count + 2)[1:-1].astype(np.float32)
        envelope = fft.ifft(spectra[:, start : start + count] * window, length, axis=-1)
        power = envelope.real**2 + envelope.imag**2
        # A circular Gaussian of that standard deviation, as the transform is circular.
        sigma_s = max(LEAST_BAND_SMOOTHING_S, 2 / width_hz) / 2
        gain = np.exp(-2 * (np.pi * sigma_s * df_hz * np.arange(length // 2 + 1)) ** 2)
        smooth = fft.irfft(fft.rfft(power, axis=-1) * gain, length, axis=-1)
        peaks[:, band] = peak = smooth.max(axis=-1) * length**2  # of the signal, not of the mean of `length` bins
        clear = peak > 10 ** (CREST_DB / 10) * np.median(smooth, axis=-1) * length**2
        strongest = np.argmax(smooth, axis=-1)
        lead = _rise_samples(smooth, strongest, math.ceil(FIRST_WITHIN_S * length * df_hz))
        times[:, band] = np.where(clear, strongest / (length * df_hz), np.nan)
        first[:, band] = times[:, band] - lead / (length * df_hz)
    levels_db = 10 * np.log10(np.maximum(peaks / peaks.max(axis=-1, keepdims=True, initial=1e-300), 1e-30))
    for each in (times, first):
        each[levels_db < WEAKEST_DB] = np.nan
    return BandTimes(
        centres_hz=freeze(centres), strongest_s=freeze(times), first_s=freeze(first), level_db=freeze(levels_db)
    )


def _rise_samples(power: FloatArray, strongest: NDArray[np.intp], most: int) -> FloatArray:
    """Samples between the maximum of each row of `power` and its first value within `FIRST_DB` of it, up to `most`."""
    leads = np.zeros(len(power))
    for k, (row, peak) in enumerate(zip(power, strongest, strict=True)):
        before = np.take(row, peak - np.arange(1, most + 1), mode="wrap")
        near = np.flatnonzero(before >= row[peak] * 10 ** (FIRST_DB / 10))
        leads[k] = near[-1] + 1 if len(near) else 0
    return leads


def shape_of(samples: FloatArray, rate_hz: float) -> tuple[Shape, float]:
    """The shape of one recording [shape=(n,)], and the time over which its bands are spread [s].

    A recording shorter than `SHORTEST_SPREAD_S` counts as compact.
    """
    from scipy import fft

    if len(samples) < SHORTEST_SPREAD_S * rate_hz:
        return Shape.COMPACT, 0.0
    taper = round(TAPER_S * rate_hz)
    cut = np.array(samples, dtype=np.float32)
    cut[len(cut) - taper :] *= np.linspace(1, 0, taper, dtype=np.float32)
    length = int(fft.next_fast_len(len(cut) + round(WINDOW_S * rate_hz), real=True))
    bands = band_times(fft.rfft(cut, length)[np.newaxis], rate_hz / length)
    return _shape(bands.strongest_s[0], bands.level_db[0], length / rate_hz)


def deconvolved_shapes(spectra: ComplexArray, df_hz: float) -> list[tuple[Shape, float]]:
    """Shapes of deconvolved recordings, from their one-sided spectra [shape=(k, n)] in steps of `df_hz`.

    A stimulus slightly longer, shorter or wider than the one played leaves a short sweep: it is detected within
    `SLOPE_BANDS_HZ` and reported as `Shape.SWEEP`, like a whole one.
    """
    bands = band_times(spectra, df_hz)
    inside = (bands.centres_hz >= SLOPE_BANDS_HZ[0]) & (bands.centres_hz <= SLOPE_BANDS_HZ[1])
    found = []
    # Times that wrap to the end of the circle came before time zero.
    strongest, first = (
        np.where(each > 0.5 / df_hz, each - 1 / df_hz, each) for each in (bands.strongest_s, bands.first_s)
    )
    for strongest_s, first_s, level_db in zip(strongest, first, bands.level_db, strict=True):
        shape, spread_s = _shape(strongest_s, level_db, 1 / df_hz)
        played_s = strongest_s[np.isfinite(strongest_s) & (level_db > STRONG_DB)]
        heard = inside & (level_db > STRONG_DB)
        most_s = _spread_of_most(played_s) if len(played_s) >= FEWEST_FOR_SWEEP else math.inf
        if most_s <= WINDOW_S and not _rises(played_s):
            # A rattle during a low tone fills the bands above a subwoofer's range.
            shape, spread_s = Shape.COMPACT, most_s
            heard &= np.abs(strongest_s - np.median(played_s)) <= WINDOW_S
        first_s = first_s[heard]
        if shape is Shape.COMPACT and _has_slope(bands.centres_hz[heard], first_s):
            shape, spread_s = Shape.SWEEP, float(np.ptp(first_s[np.isfinite(first_s)]))
        found.append((shape, spread_s))
    return found


def _around_zero(times_s: FloatArray, period_s: float) -> FloatArray:
    """Times just before the period's end as negative ones: the smoothing extends over both ends."""
    return np.where(times_s > period_s - WINDOW_S / 2, times_s - period_s, times_s)


def _shape(times_s: FloatArray, levels_db: FloatArray, period_s: float) -> tuple[Shape, float]:
    """Shape and spread [s] of one recording from times (NaN unknown) and levels of its bands [shape=(n,) each]."""
    known = np.isfinite(times_s)
    strong = _around_zero(times_s[known & (levels_db > STRONG_DB)], period_s)
    times_s = _around_zero(times_s[known], period_s)
    count = len(times_s)
    if count < FEWEST_BANDS:
        return (Shape.COMPACT if period_s < SHORTEST_SPREAD_S else Shape.NOISE), period_s
    for bands_s in (strong, times_s):
        if _rises(bands_s):
            return Shape.SWEEP, float(np.ptp(bands_s))
    spread_s = _spread_of_most(times_s)
    if spread_s <= WINDOW_S:
        return Shape.COMPACT, spread_s
    if len(strong) >= FEWEST_FOR_SWEEP and _longest_run(strong) >= len(strong) - len(strong) // BANDS_PER_HARMONIC:
        return Shape.SWEEP, float(np.ptp(strong))
    return Shape.SPREAD, spread_s


def _spread_of_most(times_s: FloatArray) -> float:
    """The shortest time that holds `SHARE_WITHIN` of the bands [s]."""
    ordered = np.sort(times_s)
    enough = math.ceil(SHARE_WITHIN * len(ordered))
    return float(np.min(ordered[enough - 1 :] - ordered[: len(ordered) - enough + 1]))


def _rises(times_s: FloatArray) -> bool:
    """Whether the bands come one after the other, from low to high or high to low, over more than `WINDOW_S`."""
    if len(times_s) < FEWEST_FOR_SWEEP or float(np.ptp(times_s)) <= WINDOW_S:
        return False
    return abs(_rank_correlation(times_s)) > LEAST_RANK_CORRELATION


def _longest_run(times_s: FloatArray) -> int:
    """Largest number of bands in order, in either direction, when the others are left out."""
    longest = 0
    for ordered in (times_s, -times_s):
        runs = [1] * len(ordered)  # longest run that ends at each band
        for k in range(1, len(ordered)):
            runs[k] = 1 + max((runs[j] for j in range(k) if ordered[j] < ordered[k]), default=0)
        longest = max(longest, *runs)
    return longest


def _has_slope(centres_hz: FloatArray, times_s: FloatArray) -> bool:
    """Whether the times of bands that are nearly simultaneous still follow their frequency."""
    heard = np.isfinite(times_s)
    if np.count_nonzero(heard) < FEWEST_FOR_SLOPE:
        return False
    times_s, octaves = times_s[heard], np.log2(centres_hz[heard])
    first, second = np.triu_indices(len(times_s), 1)
    slopes = (times_s[second] - times_s[first]) / (octaves[second] - octaves[first])
    slope_s = float(np.median(slopes))  # Theil–Sen slope: bands in which a reflection is strongest do not tilt it
    return abs(slope_s) > LARGEST_SLOPE_S and abs(_rank_correlation(times_s)) > LEAST_RANK_CORRELATION


def _rank_correlation(times_s: FloatArray) -> float:
    """Kendall's τ between the order of the bands and their times."""
    return float(np.sign(times_s[None, :] - times_s[:, None])[np.triu_indices(len(times_s), 1)].mean())
