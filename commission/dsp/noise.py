"""Signal-to-noise ratio, clipping and bandwidth: whether a recording supports a verdict."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from commission.model import ComplexArray, FloatArray, freeze

CLIP_RATIO_LIMIT = 6.0
"""ρ above this is clipping: clean recordings reach 1.0–1.4, a sine 4.1, clipped ones 9–44 (a sine by arithmetic, sweeps in
`tests/dsp/test_signals.py`)."""
LEAST_CUT_CRESTS, LONG_CUT = 3, 8
"""Fewest cut-off crests, or fewest samples of a single one: three equal samples at the very top of one crest may be
chance, and one cut crest harms no measurement."""
CORNER_STEPS, LEAST_CORNER = 16.0, 0.002
"""Least fall beyond the ends of a run of equal samples that makes a corner: in steps of quantisation (a parabola falls
by four to nine), and as a share of the largest sample. A recording with a peak of at most eight steps, such as a soft
subwoofer in 16 bits, never shows a corner: a sine of that size is flat at its crests for dozens of samples."""
CREST, CORNER_FALL = 0.98, 0.35
"""Corners of an overdriven preamplifier, whose flat tops carry noise: samples above 0.98 of the peak must fall by more
than 0.35 of it. A parabola falls by 0.08 to 0.18, the flattest smooth crest by 0.32, a sine cut off at 0.88 of its
amplitude by 0.4 (arithmetic)."""
CLIP_SIDE = 0.5
"""A converter may clip on one side only: the other side's extreme is checked if it exceeds this share of the peak."""
_CRESTS = 200
"""Largest number of crests checked: in a recording that clips throughout, more of them add nothing."""
_NEARBY = 2048
"""Samples on both sides of a crest from which the step of quantisation is found."""
_BLOCK = 8192
"""Samples whose extremes are found together: they stay in the cache."""
NOISE_WINDOW_S = 0.5
"""Duration over which noise is counted, that of a home cinema's response, whatever a file's length."""
FALLING_DB = 6.0
"""A band that was louder by more than this in the two stretches before the tail still decays: noise in such a short
stretch scatters by 2 to 4 dB, and a decay of 0.6 s falls by 7 dB in the last 90 ms of a short file."""
LEAST_TAIL_S = 0.03
"""Least length of a tail: in a shorter one, noise looks like a decay, which falls by 4 dB with 0.5 s (60 dB · 0.03/0.5,
arithmetic)."""
LEAST_SAMPLES = 20
"""Independent samples in a band from which its level is known within some 1.4 dB (4.34·√(2/n), arithmetic)."""
RISE_S = 0.1
"""Duration before the largest sample of a response during which sound may rise towards it (common practice, no source)."""
TAIL_SHARE = 0.15
"""Last part of an impulse response that is assumed to be noise when no better stretch is known."""


def clip_ratio(samples: FloatArray) -> float:
    """ρ: share of samples in [0.995, 1]·max over a ninth of the share in [0.95, 0.995]·max [shape=(n,)].

    Piled-up samples at the top show clipping at any gain. Infinite when there is a top and nothing just below;
    1 for silence.
    """
    values = np.asarray(samples)
    whole = values[: len(values) // _BLOCK * _BLOCK].reshape(-1, _BLOCK)
    rest = values[whole.size :]
    blocks = np.maximum(whole.max(axis=-1, initial=0.0), -whole.min(axis=-1, initial=0.0))
    peak = float(max(blocks.max(initial=0.0), rest.max(initial=0.0), -rest.min(initial=0.0)))
    if peak <= 0.0:
        return 1.0
    bound = values.dtype.type(0.95 * peak)
    # Few blocks reach this high, and only these are checked sample by sample.
    high = np.concatenate((whole[blocks >= bound].ravel(), rest))
    upper = np.abs(high[(high >= bound) | (high <= -bound)])
    top = int(np.count_nonzero(upper >= 0.995 * peak))
    below = len(upper) - top
    if below == 0:
        return math.inf if top > 3 else 1.0
    return 9.0 * top / below


def is_clipped(samples: FloatArray) -> bool:
    """Whether the crests of a recording or an impulse response [shape=(n,)] are cut off flat.

    A crest is a parabola at its top: where it is down by one step of quantisation after w samples, it is down by four
    after 2w. A clipped crest ends in corners instead. There are two signs: runs of equal extreme samples that end in a
    corner, left by digital clipping at any later gain; or ρ above its limit with such corners at the crests, left by an
    overdriven preamplifier. A soft or short recording with few samples at the top shows neither, nor does a tone with a
    third harmonic of 11 %, the flattest smooth crest.
    """
    values = np.asarray(samples)
    peak = float(max(values.max(initial=0.0), -values.min(initial=0.0)))
    if peak <= 0.0:
        return False
    steps = [
        run
        for sign, extreme in ((1.0, float(values.max())), (-1.0, float(-values.min())))
        if extreme >= CLIP_SIDE * peak
        for run in _equal_runs(values, sign, extreme)
    ]
    if len(steps) >= LEAST_CUT_CRESTS or any(length >= LONG_CUT for length in steps):
        return True
    if clip_ratio(values) <= CLIP_RATIO_LIMIT:
        return False
    excess = [each for sign in (1.0, -1.0) for each in _corner_excess(sign * values, peak) if math.isfinite(each)]
    return len(excess) >= LEAST_CUT_CRESTS and float(np.median(excess)) > 0.0


def _equal_runs(values: FloatArray, sign: float, extreme: float) -> list[int]:
    """Lengths of the runs of three or more samples at exactly the extreme value that end in corners."""
    return [
        last - first + 1
        for first, last in _runs(np.flatnonzero(values == values.dtype.type(sign * extreme)))
        if _fall(values, sign, first, last)
        > max(CORNER_STEPS * _quantum(values, sign, first, last), LEAST_CORNER * extreme)
    ]


def _corner_excess(values: FloatArray, peak: float) -> list[float]:
    """Excess fall of each crest near the peak over that of a smooth one, half its width beyond both of its ends."""
    return [
        _fall(values, 1.0, first, last) - CORNER_FALL * peak - CORNER_STEPS * _quantum(values, 1.0, first, last)
        for first, last in _runs(np.flatnonzero(values >= CREST * peak))
    ]


def _runs(at: NDArray[np.intp]) -> list[tuple[int, int]]:
    """(first, last) of the runs of three or more neighbours among sorted indices."""
    if not len(at):
        return []
    ends = np.flatnonzero(np.diff(at) > 1)
    firsts, lasts = at[np.concatenate(([0], ends + 1))], at[np.concatenate((ends, [len(at) - 1]))]
    long = lasts - firsts >= 2
    pairs = zip(firsts[long][:_CRESTS], lasts[long][:_CRESTS], strict=True)
    return [(int(first), int(last)) for first, last in pairs]


def _fall(values: FloatArray, sign: float, first: int, last: int) -> float:
    """Fall from the top of a run to the higher of the two samples half its width beyond its ends; NaN at the
    recording's end.
    """
    away = max(2, (last - first + 1) // 2)
    if first - away < 0 or last + away >= len(values):
        return math.nan
    top = sign * float(values[first])
    return top - max(sign * float(values[first - away]), sign * float(values[last + away]))


def _quantum(values: FloatArray, sign: float, first: int, last: int) -> float:
    """Step of quantisation at a crest: the least difference among values of its upper half nearby, or among all of them."""
    top = sign * float(values[first])
    near = sign * values[max(0, first - _NEARBY) : last + 1 + _NEARBY]
    upper = np.unique(near[near >= 0.5 * top])
    return float(np.min(np.diff(upper))) if len(upper) > 1 else top


def tail(impulses: FloatArray) -> FloatArray:
    """The last part of impulse responses [shape=(…, n)], assumed to be noise."""
    start = impulses.shape[-1] - max(16, int(TAIL_SHARE * impulses.shape[-1]))
    return impulses[..., start:]


def before_sound(impulse: FloatArray, rate_hz: float) -> FloatArray | None:
    """The first samples of an impulse response, as many as its tail has; None if the sound begins too early.

    The largest sample must come at least 0.1 s later: subwoofers and the ringing of filters build up before it.
    """
    count = len(tail(impulse))
    return impulse[:count] if int(np.argmax(np.abs(impulse))) >= count + round(RISE_S * rate_hz) else None


def before_tail(impulses: FloatArray, times: int = 1) -> FloatArray:
    """A stretch as long as the tail, `times` lengths before it [shape=(…, m)]."""
    count = tail(impulses).shape[-1]
    end = impulses.shape[-1] - times * count
    return impulses[..., end - count : end]


def still_decaying(impulses: FloatArray, rate_hz: float, low_hz: float) -> NDArray[np.bool_]:
    """Whether each tail [shape=(k, n)] may still fall, so that it is sound of the room and not noise. [shape=(k,)]

    Compares the band from `low_hz` up to two octaves above in the two stretches before the tail with the tail itself:
    noise keeps its level within 3 dB (four times the scatter of some twenty independent samples), a decay does not. Two
    stretches are used because beating modes may be as loud in one of them as in the tail. A tail with fewer independent
    samples than that (2·B·t) shows neither.
    """
    from scipy import fft

    count = tail(impulses).shape[-1]
    if 2 * 3 * low_hz * count < LEAST_SAMPLES * rate_hz:
        return np.asarray(np.any(impulses, axis=-1))
    parts = np.asarray(impulses[..., -3 * count :], dtype=np.float32)
    length = int(fft.next_fast_len(2 * parts.shape[-1], real=True))  # padding for the ringing, before it wraps
    gain = _two_octaves(low_hz, min(4 * low_hz, 0.45 * rate_hz), rate_hz, length)
    # Run backwards, by the conjugate: no ringing into the tail.
    band = fft.irfft(fft.rfft(parts, length, axis=-1) * np.conj(gain), length, axis=-1)[..., : parts.shape[-1]]
    powers = [np.mean(np.square(band[..., k * count : (k + 1) * count]), axis=-1, dtype=float) for k in range(3)]
    return np.asarray(np.maximum(powers[0], powers[1]) > 2.0 * powers[2])


@lru_cache(maxsize=8)
def _two_octaves(low_hz: float, high_hz: float, rate_hz: float, length: int) -> ComplexArray:
    """Response of a Butterworth band-pass of second-order slopes at the bins of a transform [shape=(length//2 + 1,)].

    The prototype 1/(s² + √2 s + 1) with s → (s² + Ω₀²)/(B·s), by the bilinear transform: Ω = tan(π f/f_s) (Oppenheim and
    Schafer, from memory). The library's filter design is not used, since importing it takes longer than analysing a job.
    """
    omega = np.tan(np.pi * np.arange(length // 2 + 1) / length)
    low, high = math.tan(math.pi * low_hz / rate_hz), math.tan(math.pi * high_hz / rate_hz)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        s = 1j * (omega**2 - low * high) / ((high - low) * omega)  # (s² + Ω₀²)/(B·s) at s = jΩ
        gain = 1 / (s**2 + math.sqrt(2) * s + 1)
    return freeze(np.nan_to_num(gain, nan=0.0, posinf=0.0, neginf=0.0).astype(np.complex64))


def noise_power(noise: FloatArray, rate_hz: float) -> tuple[FloatArray, float]:
    """(power spectrum [shape=(…, n)], step [Hz]) of stationary noise [shape=(…, m)] over half a second.

    The energy of stationary noise grows with time, so a fixed window makes it independent of a file's length. At most
    the last second is used.
    """
    from scipy import fft

    noise = noise[..., -min(noise.shape[-1], round(rate_hz)) :]
    count = noise.shape[-1]
    length = round(rate_hz)  # steps of 1 Hz: the lowest third octave is 4.6 Hz wide
    window = np.hanning(count).astype(noise.dtype)
    spectra = fft.rfft(noise * window, length, axis=-1)
    scale = NOISE_WINDOW_S * rate_hz / float(np.sum(window**2))
    return (spectra.real**2 + spectra.imag**2) * scale, rate_hz / length


def bandwidth_hz(
    freq_hz: FloatArray, third_octave_db: FloatArray, mid_hz: tuple[float, float]
) -> tuple[float | None, float | None]:
    """Frequencies at which the third-octave level first falls 10 dB below its mid band, going outwards [Hz].

    None on a side where it does not fall within the grid (or the measured range ends first).
    """
    inside = (freq_hz >= mid_hz[0]) & (freq_hz <= mid_hz[1]) & np.isfinite(third_octave_db)
    if not inside.any():
        return None, None
    floor = float(np.median(third_octave_db[inside])) - 10.0
    below = np.nonzero(third_octave_db < floor)[0]  # NaN compares false: no edge is invented
    first, last = np.nonzero(inside)[0][[0, -1]]
    low, high = below[below < first], below[below > last]
    return (
        float(freq_hz[low[-1]]) if len(low) else None,
        float(freq_hz[high[0]]) if len(high) else None,
    )
