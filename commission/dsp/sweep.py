"""Exponential sweeps and their deconvolution.

Sources: A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine technique", AES 108th
Convention (2000), preprint 5093; A. Novak, P. Lotton, L. Simon, "Synchronized swept-sine", JAES 63 (2015) 786–798, eq.
(47) to (50) for the synchronised rate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from commission.model import ComplexArray, FloatArray, Sweep

_FADE_S = (0.02, 0.005)
"""Half-cosine fades at start and end: they avoid clicks, and the band edges keep their energy."""
_EDGE_DROP_DB = 15.0
"""A stimulus counts as in band where its pinkness-corrected energy is within this of its mid band."""

STIMULUS_ENDS = 0.01
"""A stimulus ends where it last exceeds this share of its peak: a fade-out passes −40 dB within its last samples, and
the noise of a recorded loopback stays below."""


def rate_constant_s(sweep: Sweep) -> float:
    """L [s]: the time in which the frequency grows by e. Synchronised: L·f1 is whole (Novak et al. 2015, eq. 49)."""
    octaves = math.log(sweep.stop_hz / sweep.start_hz)
    if not sweep.synchronised:
        return sweep.duration_s / octaves
    return max(1, round(sweep.start_hz * sweep.duration_s / octaves)) / sweep.start_hz


def harmonic_advance_s(sweep: Sweep, order: float) -> float:
    """Advance of harmonic `order` before the linear response [s]: L·ln n (Farina 2000)."""
    return rate_constant_s(sweep) * math.log(order)


def sweep_signal(sweep: Sweep) -> FloatArray:
    """The sweep at its level, with short fades. [shape=(n,)]"""
    constant = rate_constant_s(sweep)
    duration_s = constant * math.log(sweep.stop_hz / sweep.start_hz)
    time_s = np.arange(round(duration_s * sweep.rate_hz)) / sweep.rate_hz
    samples = np.sin(2 * np.pi * sweep.start_hz * constant * np.expm1(time_s / constant))
    for fade_s, rising in zip(_FADE_S, (True, False), strict=True):
        count = min(len(samples) // 4, round(fade_s * sweep.rate_hz))
        ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / max(count, 1))
        if rising:
            samples[:count] *= ramp
        else:
            samples[len(samples) - count :] *= ramp[::-1]
    return np.asarray(samples * 10 ** (sweep.level_dbfs / 20))


@dataclass(frozen=True, slots=True, eq=False)
class Deconvolver:
    """The regularised inverse of one stimulus for one transform length; built once for all recordings of a batch."""

    inverse: FloatArray
    """W = X*/(|X|² + ε), with ε(f) zero in band and the band edge's energy outside [shape=(length//2 + 1,)]."""
    length: int
    stimulus_frames: int
    """Length up to the last sample of the stimulus that is not silent."""
    rate_hz: float

    def __call__(self, recordings: FloatArray) -> FloatArray:
        """Circular deconvolution of recordings [shape=(k, n)]: causal part first, harmonics wrap to the end."""
        return self.impulses(self.spectra(recordings))

    def spectra(self, recordings: FloatArray) -> ComplexArray:
        """One-sided spectra of the deconvolved recordings [shape=(k, length//2 + 1)]."""
        from scipy import fft

        spectra = fft.rfft(recordings, self.length, axis=-1, workers=-1)
        spectra *= self.inverse
        return np.asarray(spectra)

    def impulses(self, spectra: ComplexArray) -> FloatArray:
        """Impulse responses [shape=(k, length)]; overwrites `spectra`."""
        from scipy import fft

        return np.asarray(fft.irfft(spectra, self.length, axis=-1, workers=-1, overwrite_x=True))


def deconvolver(stimulus: FloatArray, frames: int, rate_hz: float) -> Deconvolver:
    """Deconvolver for `stimulus` [shape=(m,)] and recordings of `frames` samples; float32 suffices for 24-bit files."""
    from scipy import fft

    stimulus = np.asarray(stimulus, dtype=np.float64).ravel()
    length = int(fft.next_fast_len(max(frames, len(stimulus)), real=True))
    spectrum = fft.rfft(stimulus, length)
    power = np.abs(spectrum) ** 2
    freq_hz = np.arange(len(power)) * rate_hz / length
    low_hz, high_hz = stimulus_band_hz(power, freq_hz)
    step = max(1, int(low_hz * length / rate_hz * 0.02))
    edge_low = float(np.mean(power[_bins(low_hz, 1.06 * low_hz, length, rate_hz, step)]))
    edge_high = float(np.mean(power[_bins(high_hz / 1.06, high_hz, length, rate_hz, step)]))
    octaves_below = np.log2(low_hz / np.maximum(freq_hz, freq_hz[1] / 2))
    octaves_above = np.log2(np.maximum(freq_hz, freq_hz[1]) / high_hz)
    epsilon = edge_low * _rise(octaves_below / 0.5) + edge_high * _rise(octaves_above / 0.25)
    inverse = np.conj(spectrum) / (power + epsilon + 1e-12 * power.max())
    size = np.abs(stimulus)
    loud = np.flatnonzero(size > STIMULUS_ENDS * size.max(initial=0.0))
    return Deconvolver(inverse.astype(np.complex64), length, int(loud[-1]) + 1 if len(loud) else 0, rate_hz)


def _bins(low_hz: float, high_hz: float, length: int, rate_hz: float, at_least: int) -> slice:
    start = int(low_hz * length / rate_hz)
    return slice(start, max(start + at_least, int(high_hz * length / rate_hz)))


def _rise(x: FloatArray) -> FloatArray:
    """Raised cosine from 0 at 0 to 1 at 1, squared for a gentle start."""
    return np.asarray((0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0, 1))) ** 2)


def stimulus_band_hz(power: FloatArray, freq_hz: FloatArray) -> tuple[float, float]:
    """Band in which a stimulus has enough energy to be divided by [Hz]: around its mid band, in third octaves."""
    centres = 1000.0 * 2.0 ** (np.arange(-21, 16) / 3)
    centres = centres[(centres > 4 * freq_hz[1]) & (centres * 2 ** (1 / 6) < freq_hz[-1])]
    energy = np.concatenate(([0.0], np.cumsum(power)))
    edges = np.searchsorted(freq_hz, np.outer(centres, [2 ** (-1 / 6), 2 ** (1 / 6)]))
    per_band = energy[edges[:, 1]] - energy[edges[:, 0]]  # an exponential sweep has equal energy in all third octaves
    good = 10 * np.log10(per_band / np.median(per_band) + 1e-12) > -_EDGE_DROP_DB
    first = last = int(np.argmin(np.abs(centres - 1000.0)))
    if not good[first]:
        first = last = int(np.argmax(per_band))
    while first > 0 and good[first - 1]:
        first -= 1
    while last < len(centres) - 1 and good[last + 1]:
        last += 1
    low = centres[first] * 2 ** (-1 / 6)
    high = min(centres[last] * 2 ** (1 / 6), 0.98 * float(freq_hz[-1]))
    return _refine(power, freq_hz, float(low), True), _refine(power, freq_hz, float(high), False)


def _refine(power: FloatArray, freq_hz: FloatArray, edge_hz: float, low: bool) -> float:
    """Move a third-octave edge inwards, by up to a third octave, to where the smoothed energy really starts."""
    span = np.geomspace(edge_hz, edge_hz * (2 ** (1 / 3) if low else 2 ** (-1 / 3)), 24)
    energy = np.concatenate(([0.0], np.cumsum(power * freq_hz)))
    edges = np.searchsorted(freq_hz, np.outer(span, [0.985, 1.015]))
    count = np.maximum(edges[:, 1] - edges[:, 0], 1)
    local = (energy[np.minimum(edges[:, 0] + count, len(freq_hz))] - energy[edges[:, 0]]) / count
    enough = local > 10 ** (-_EDGE_DROP_DB / 10) * local[-1]
    return float(span[int(np.argmax(enough))])


@lru_cache(maxsize=8)
def _cached(sweep: Sweep, frames: int) -> Deconvolver:
    return deconvolver(sweep_signal(sweep), frames, sweep.rate_hz)


def sweep_deconvolver(sweep: Sweep, frames: int) -> Deconvolver:
    """Deconvolver for a sweep known by its parameters; cached, since a batch uses it repeatedly."""
    return _cached(sweep, frames)


def split_response(
    deconvolved: FloatArray, rate_hz: float, tail_s: float
) -> tuple[FloatArray, FloatArray | None, float]:
    """(impulses, noise, t0_s) of deconvolved recordings [shape=(k, length)].

    The impulse responses run from 10 ms before time zero to 0.6 s after the latest peak of the batch, rounded up to 50
    ms so that their length hardly depends on the other members of the batch; the noise stretch follows within the
    recording's tail of `tail_s` (the silence after the sweep), None if nothing follows. Both [shape=(k, n)].
    """
    pre = round(0.01 * rate_hz)
    reach = min(deconvolved.shape[-1] - pre, max(round(tail_s * rate_hz), round(0.1 * rate_hz)))
    latest = int(np.max(np.argmax(np.abs(deconvolved[:, :reach]), axis=-1)))
    step = round(0.05 * rate_hz)
    stop = min(reach, -(-(latest + round(0.6 * rate_hz)) // step) * step)
    impulses = np.concatenate((deconvolved[:, -pre:], deconvolved[:, :stop]), axis=-1)
    # The response may still ring a little at its end: the noise is taken from the later half of the remainder.
    start = stop + (reach - stop) // 4
    enough = min(reach, start + round(0.4 * rate_hz))  # 0.4 s suffice for the noise of a third octave
    # copied, since a view would keep the whole recordings in memory
    noise = deconvolved[:, start:enough].copy() if enough - start >= round(0.05 * rate_hz) else None
    return impulses, noise, -pre / rate_hz
