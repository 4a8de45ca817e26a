"""The direct sound of a loudspeaker, cut out at one sample rate.

One loudspeaker's own sign says nothing about its wiring: its crossover turns the phase. Two loudspeakers of one model
share that crossover, so the sign of the correlation between them is the sign of their connections.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from commission.model import ComplexArray, FloatArray, freeze

DIRECT_RATE_HZ = 24000.0
"""Sample rate of all direct sounds, whatever the rate of the file: the range extends to 10 kHz."""
DIRECT_BEFORE_S, DIRECT_AFTER_S = 0.002, 0.012
"""Time kept before and after the arrival."""
DIRECT_FRAMES = round((DIRECT_BEFORE_S + DIRECT_AFTER_S) * DIRECT_RATE_HZ)
_EDGE_S = 0.001
"""Length of the fade at both ends of the cut, against ringing."""


LEVEL_BEFORE_S, LEVEL_AFTER_S = 0.0005, 0.0012
"""Time before and after the arrival for the level of the direct sound: later, floor and seat backs reflect it."""
_BEFORE, _AFTER = (round(each * DIRECT_RATE_HZ) for each in (LEVEL_BEFORE_S, LEVEL_AFTER_S))
_ARRIVAL = round(DIRECT_BEFORE_S * DIRECT_RATE_HZ)


def direct_level_db(sound: FloatArray, band_hz: tuple[float, float]) -> float:
    """Level of a direct sound [shape=(DIRECT_FRAMES,)] in a band, without later sound [dB]; −inf for silence."""
    power = np.mean(np.abs(sound[_ARRIVAL - _BEFORE : _ARRIVAL + _AFTER] @ _transform(band_hz)) ** 2)
    return float(10 * np.log10(power)) if power > 0 else -np.inf


@lru_cache(maxsize=4)
def _transform(band_hz: tuple[float, float]) -> ComplexArray:
    """Transform of the cut used for the level into its spectrum in a band [shape=(_BEFORE + _AFTER, n)].

    Half a Hann window fades each end of the cut, so that bass does not leak into the band.
    """
    window = np.concatenate((np.hanning(2 * _BEFORE)[:_BEFORE], np.hanning(2 * _AFTER)[_AFTER:]))
    freq_hz = np.fft.rfftfreq(DIRECT_FRAMES, 1 / DIRECT_RATE_HZ)
    inside = (freq_hz >= band_hz[0]) & (freq_hz <= band_hz[1])
    return freeze(np.fft.rfft(np.diag(window), DIRECT_FRAMES)[:, inside])


def direct_sounds(impulses: FloatArray, arrivals_s: list[float | None], rate_hz: float) -> list[FloatArray | None]:
    """Direct sounds [shape=(DIRECT_FRAMES,) each] at DIRECT_RATE_HZ from impulses [shape=(k, n)] at `rate_hz`.

    The arrival falls on the same sample in each, to a fraction of a sample; None where it is unknown. Band-limited
    resampling by the Fourier series of the stretch.
    """
    from scipy import fft

    known = [k for k, arrival in enumerate(arrivals_s) if arrival is not None]
    out: list[FloatArray | None] = [None] * len(arrivals_s)
    if not known:
        return out
    edge = round(_EDGE_S * rate_hz)
    lead = round(DIRECT_BEFORE_S * rate_hz) + edge
    count = round((DIRECT_BEFORE_S + DIRECT_AFTER_S) * rate_hz) + 2 * edge
    stretches = np.zeros((len(known), count), np.float32)
    fractions_s = np.zeros(len(known))
    for row, k in enumerate(known):
        arrival = arrivals_s[k]
        assert arrival is not None
        start = int(arrival * rate_hz)
        fractions_s[row] = arrival - start / rate_hz
        first, skip = max(0, start - lead), max(0, lead - start)
        piece = impulses[k, first : first + count - skip]
        stretches[row, skip : skip + len(piece)] = piece
    fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
    stretches[:, :edge] *= fade
    stretches[:, -edge:] *= fade[::-1]
    # One period of the Fourier series holds the stretch and two idle milliseconds on either side.
    frames = DIRECT_FRAMES + 2 * round(3 * _EDGE_S * DIRECT_RATE_HZ)
    freq_hz, kernel = _fourier_kernel(count, lead, frames, rate_hz)
    spectra = (stretches @ kernel) * np.exp(
        2j * np.pi * freq_hz * (fractions_s[:, None] - DIRECT_BEFORE_S), dtype=np.complex64
    )
    sounds = fft.irfft(spectra, frames, axis=-1)[:, :DIRECT_FRAMES] * np.float32(DIRECT_RATE_HZ / rate_hz)
    for k, sound in zip(known, sounds.astype(np.float32), strict=True):
        out[k] = sound
    return out


@lru_cache(maxsize=8)
def _fourier_kernel(count: int, lead: int, frames: int, rate_hz: float) -> tuple[FloatArray, ComplexArray]:
    """(frequencies [Hz] of a series of `frames` at DIRECT_RATE_HZ, exp(−2πi·f·t) [shape=(count, frequencies)]).

    t is zero at sample `lead`. Cached: it is the same for all responses of one sample rate, and slow to compute.
    """
    freq_hz = np.arange(frames // 2 + 1) * (DIRECT_RATE_HZ / frames)
    freq_hz = freq_hz[freq_hz <= min(0.5 * DIRECT_RATE_HZ, 0.5 * rate_hz)]
    kernel = np.exp(-2j * np.pi / rate_hz * np.outer(np.arange(count) - lead, freq_hz)).astype(np.complex64)
    return freeze(freq_hz), freeze(kernel)
