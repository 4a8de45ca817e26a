"""Checks that a recording is complete: no lost blocks, no silence inside, no clipping, and the sweep present.

Pure. A recording with a gap still gives an impulse response, and a plausible one: only these checks see the gap.
Thresholds: no source; determined by simulation (`tests/audio/test_recording_checks.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from commission.dsp.compactness import Shape, deconvolved_shapes
from commission.dsp.noise import is_clipped
from commission.dsp.sweep import sweep_deconvolver
from commission.model import ComplexArray, FloatArray, Sweep

CLOCK_WINDOW_S, CLOCK_STEP_S = 0.5, 0.008
"""A block may come late and the next ones catch up; a lost one delays all that follow. The earliest block of half a
second is on time to within a millisecond or two, two clocks differ by 2 ms after 10 s at most (200 ppm), and a
block is rarely shorter than 10 ms.
"""
CLIPPED_FS, SILENT_FS = 0.999, 10 ** (-75 / 20)
FRAME_S, FEWEST_FRAMES = 0.005, 2
VANISHED_DB = -20.0
"""Microphone and preamplifier always make noise: a level this far below the median before the sweep was not recorded."""
GAP_SIDE_S, GAP_SIDE_SHARE = 0.05, 0.01
"""Equal samples are a gap if the recording exceeds this share of its peak on both sides."""
ARRIVAL_BANDS_HZ, BANDS_PER_OCTAVE, BAND_OCTAVES = (300.0, 15000.0), 3, 2 / 3
ARRIVAL_SMOOTHING_S, ARRIVAL_BEFORE_S = 0.0015, 0.06
ARRIVAL_DB, ABOVE_NOISE_DB = -10.0, 12.0
FEWEST_BANDS, NEAR_S, NEAR_SHARE = 3, 0.004, 0.75
LARGEST_STEP_S = 0.015
"""Simulated rooms and loudspeakers stay below 9 ms, two real rooms below 3 ms. A loudspeaker that sends its treble to the
ceiling and its bass to the seat reaches 10 ms, the detour of a reflection in so high a room; a lost block of 1024 samples
at 48 kHz makes 21 ms."""

_AGAIN = "Nothing was stored; measure again."


class Block(NamedTuple):
    """One block of a recording as the device delivered it."""

    first: int
    """Index of its first frame in the recording."""
    frames: int
    delivered_s: float
    """The computer's time of delivery; devices' own time stamps are of very different quality."""


def transport_problem(
    blocks: Sequence[Block],
    lost_input: Sequence[int],
    lost_output: Sequence[int],
    *,
    frames: int,
    sounds_from: int,
    rate_hz: float,
) -> str | None:
    """Why blocks of a recording of `frames` are missing, in one sentence; None if none is.

    `lost_input` and `lost_output`: first frames of blocks for which the device reports a loss. What is lost before
    the stimulus sounds (`sounds_from`) harms nothing.
    """
    delivered = sum(each.frames for each in blocks)
    if delivered < frames:
        return f"The device delivered {delivered} of {frames} frames. {_AGAIN} Is it still connected?"
    lost = sorted({first for first in (*lost_input, *lost_output) if first >= sounds_from})
    if lost:
        count = "a block" if len(lost) == 1 else f"{len(lost)} blocks"
        return (
            f"The computer lost {count} of sound {lost[0] / rate_hz:.1f} s into the recording. {_AGAIN} "
            "If it happens again, close other programs."
        )
    step_s = clock_step_s([each for each in blocks if each.first >= sounds_from], rate_hz)
    if abs(step_s) > CLOCK_STEP_S:
        what = "missing from" if step_s > 0 else "twice in"
        return (
            f"{1000 * abs(step_s):.0f} ms of sound are {what} the recording: the device's blocks do not keep time. "
            f"{_AGAIN} If it happens again, close other programs."
        )
    return None


def clock_step_s(blocks: Sequence[Block], rate_hz: float) -> float:
    """Largest lasting jump in the delivery times of blocks relative to their frame counts [s]; negative: earlier."""
    if not blocks:
        return 0.0
    late_s = np.array([each.delivered_s - each.first / rate_hz for each in blocks])
    window = (np.array([each.first for each in blocks]) - blocks[0].first) // round(CLOCK_WINDOW_S * rate_hz)
    window = np.minimum(window, max(int(window[-1]) - 1, 0))  # the last window may hold a single, late block
    earliest_s = np.array([late_s[window == k].min() for k in np.unique(window)])
    later_s = earlier_s = 0.0
    for k in range(1, len(earliest_s)):
        before_s, after_s = earliest_s[:k], earliest_s[k:]
        later_s = max(later_s, float(after_s.min() - before_s.max()))
        earlier_s = max(earlier_s, float(before_s.min() - after_s.max()))
    return later_s if later_s >= earlier_s else -earlier_s


def content_problem(recording: FloatArray, sweep: Sweep, start: int, frames: int) -> str | None:
    """Why a recording [shape=(n,)] of `frames` with the sweep from `start` on cannot be used; None if it can."""
    rate_hz = float(sweep.rate_hz)
    if len(recording) < frames:
        return f"the device delivered {len(recording)} of {frames} frames. {_AGAIN} Is it still connected?"
    peak = float(np.max(np.abs(recording)))
    if not math.isfinite(peak):
        return f"the device delivered values that are not numbers. {_AGAIN}"
    if peak >= CLIPPED_FS or is_clipped(recording):
        return "the input clipped. Nothing was stored; turn the microphone's gain down and measure again."
    if peak < SILENT_FS:
        return (
            "nothing was heard. Nothing was stored. Is the microphone connected, its power on, the amplifier on, "
            "the volume up?"
        )
    silent_s = silence_s(recording, start, rate_hz)
    if silent_s is not None:
        return (
            f"the recording falls silent after {silent_s:.1f} s, below the noise before the sweep. {_AGAIN} Is the "
            "microphone still connected, and noise suppression off? If someone spoke before the sweep, keep quiet."
        )
    inverse = sweep_deconvolver(sweep, len(recording))
    spectra = inverse.spectra(np.asarray(recording, np.float32)[np.newaxis])
    df_hz = rate_hz / inverse.length
    ((shape, spread_s),) = deconvolved_shapes(spectra, df_hz)
    if shape is Shape.NOISE:
        return (
            "only noise was heard, and nothing of the sweep. Nothing was stored. Is the loudspeaker connected, the "
            "amplifier on, the volume up?"
        )
    if shape is not Shape.COMPACT:
        return (
            f"the sweep is not in the recording as it was played (energy over {spread_s:.1f} s after deconvolution). "
            f"{_AGAIN} Was something louder heard, or the sound interrupted?"
        )
    step_s, at_hz = arrival_step(spectra[0], df_hz)
    if abs(step_s) > LARGEST_STEP_S:
        when = "earlier" if step_s < 0 else "later"
        return (
            f"all frequencies above about {at_hz:.0f} Hz arrive {1000 * abs(step_s):.0f} ms {when} than those below, as "
            f"where sound was lost in the middle of the sweep. {_AGAIN}"
        )
    return None


def silence_s(recording: FloatArray, start: int, rate_hz: float) -> float | None:
    """When a recording [shape=(n,)] first falls silent [s]; None if it never does. The sweep begins at frame `start`.

    Silent: the second difference, in which noise of converters outweighs rumble, is `VANISHED_DB` below its median
    before the sweep; or samples are equal between two parts that are loud.
    """
    length = round(FRAME_S * rate_hz)
    curvature = np.diff(np.asarray(recording, np.float64), 2)
    count = len(curvature) // length
    power = np.mean(curvature[: count * length].reshape(count, length) ** 2, axis=-1)
    before = start // length
    vanished = (
        power < 10 ** (VANISHED_DB / 10) * float(np.median(power[:before])) if before else np.zeros(count, bool)
    )
    first = _first_run(vanished[before:], FEWEST_FRAMES)
    if first is not None:
        return (before + first) * FRAME_S
    size = np.abs(recording)
    loud = GAP_SIDE_SHARE * float(size.max())
    side = round(GAP_SIDE_S * rate_hz)
    constant = power == 0.0
    begin = 0
    while (found := _first_run(constant[begin:], FEWEST_FRAMES)) is not None:
        begin += found
        end = begin + int(np.argmin(np.append(constant[begin:], False)))
        left, right = size[max(0, begin * length - side) : begin * length], size[end * length :][:side]
        if left.max(initial=0.0) > loud and right.max(initial=0.0) > loud:
            return begin * FRAME_S
        begin = end
    return None


def _first_run(flags: FloatArray, count: int) -> int | None:
    """Index of the first of `count` consecutive true values; None if there is none."""
    if len(flags) < count:
        return None
    runs = np.flatnonzero(np.lib.stride_tricks.sliding_window_view(flags, count).all(axis=-1))
    return int(runs[0]) if len(runs) else None


def arrival_step(spectrum: ComplexArray, df_hz: float) -> tuple[float, float]:
    """(seconds, hertz): how much later all bands above a frequency arrive than all below it.

    `spectrum` [shape=(n,)] is that of a deconvolved recording in steps of `df_hz`. Samples lost while the sweep
    passes a frequency shift all that it passes later. Zero where bands do not agree on two times, or where too few
    are heard.
    """
    centres_hz, arrivals_s = _arrivals(spectrum, df_hz)
    best = (False, 0.0, 0.0, 0.0)
    for k in range(FEWEST_BANDS, len(arrivals_s) - FEWEST_BANDS + 1):
        parts = arrivals_s[:k], arrivals_s[k:]
        low_s, high_s = (float(np.median(part)) for part in parts)
        near = [float(np.mean(np.abs(part - m) < NEAR_S)) for part, m in zip(parts, (low_s, high_s), strict=True)]
        if min(near) >= NEAR_SHARE:
            step_s = high_s - low_s
            best = max(best, (abs(step_s) > NEAR_S, sum(near), step_s, float(centres_hz[k])))
    return best[2:]


def _arrivals(spectrum: ComplexArray, df_hz: float) -> tuple[FloatArray, FloatArray]:
    """Centres [Hz] of bands above their noise, and the time at which each first comes near its maximum [s]."""
    nyquist_hz = (len(spectrum) - 1) * df_hz
    bands = round(BANDS_PER_OCTAVE * math.log2(ARRIVAL_BANDS_HZ[1] / ARRIVAL_BANDS_HZ[0]))
    centres_hz = ARRIVAL_BANDS_HZ[0] * 2.0 ** (np.arange(bands) / BANDS_PER_OCTAVE)
    ratio = 2.0 ** (BAND_OCTAVES / 2)
    heard_hz, times_s = [], []
    for centre_hz in centres_hz[centres_hz * ratio < 0.95 * nyquist_hz]:
        low, high = round(centre_hz / ratio / df_hz), round(centre_hz * ratio / df_hz)
        power = _band_power(spectrum[low:high], df_hz)
        if power.max() < 10 ** (ABOVE_NOISE_DB / 10) * np.median(power):
            continue
        time_s = _first_near_peak_s(power, df_hz) + _own_rise_s(high - low, df_hz)
        heard_hz.append(centre_hz)
        times_s.append(time_s - 1 / df_hz if time_s > 0.5 / df_hz else time_s)
    return np.array(heard_hz), np.array(times_s)


def _band_power(spectrum: ComplexArray, df_hz: float) -> FloatArray:
    """Smoothed power over time of one band of a spectrum; circular in 1/df_hz."""
    from scipy import fft

    count = len(spectrum)
    length = int(fft.next_fast_len(2 * count))  # twice, so that the power is not aliased
    envelope = fft.ifft(spectrum * np.hanning(count + 2)[1:-1].astype(np.float32), length)
    gain = np.exp(-2 * (np.pi * ARRIVAL_SMOOTHING_S * df_hz * np.arange(length // 2 + 1)) ** 2)
    return np.asarray(fft.irfft(fft.rfft(envelope.real**2 + envelope.imag**2) * gain, length))


def _first_near_peak_s(power: FloatArray, df_hz: float) -> float:
    """When the power first comes within `ARRIVAL_DB` of its peak, at most `ARRIVAL_BEFORE_S` before it [s]."""
    strongest, step_s = int(np.argmax(power)), 1 / (df_hz * len(power))
    reach = math.ceil(ARRIVAL_BEFORE_S / step_s)
    before = np.take(power, np.arange(strongest - reach, strongest + 1), mode="wrap")
    return (strongest - reach + int(np.argmax(before >= 10 ** (ARRIVAL_DB / 10) * power[strongest]))) * step_s


@lru_cache(maxsize=64)
def _own_rise_s(count: int, df_hz: float) -> float:
    """Rise time of a band of `count` bins [s]: a narrow band begins before the signal in it."""
    return -_first_near_peak_s(_band_power(np.ones(count, np.complex64), df_hz), df_hz)
