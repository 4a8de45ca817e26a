"""Delay of the sound after the picture, from simultaneous recordings of flashes and clicks.

A light sensor on the screen and the microphone at the seat are recorded as two channels of one file, so that both share a
clock. The clip repeats a flash and a click that coincide. Each begins where its channel first exceeds a tenth of the peak
of that flash or click (as the start of a response, ISO 3382-1:2009 A.3.4), and the offset is the median over the pairs.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from commission.model.signal import FloatArray, UnusableError

START = 0.1
"""Share of the peak at which a flash or click begins, −20 dB."""
QUIET_S = 0.2
"""Least pause before a flash or click: longer than a flickering flash, shorter than the pauses of any clip."""
LEAST_PAIRS = 3
MOST_OFFSET_S = 0.5
ABOVE_NOISE = 10.0
"""Least ratio of a peak to the standard deviation between peaks: below, noise may look like a start."""
SURELY_NOISE = 7.0
"""Upper bound of noise in standard deviations: at 48 kHz it exceeds 5 every 40 s (normal distribution)."""
MOST_SCATTER_S = 0.02
"""Half a picture at 25 pictures a second: pairs that scatter by more do not belong together."""
U_SCREEN_S = 0.02 / 12**0.5
"""Uncertainty from the screen, drawn from top to bottom within a picture, 20 ms at 50 Hz: rectangular (JCGM 100 4.3.7)."""


class LipSync(NamedTuple):
    """The offset of sound and picture."""

    sound_after_picture_s: float
    u_s: float
    """Standard uncertainty from the scatter of the pairs and the sensor's position on the screen."""
    pairs: int


def sound_after_picture(light: FloatArray, sound: FloatArray, rate_hz: float) -> LipSync:
    """The offset [s] of two channels [shape=(n,)] of one recording; positive where the sound comes later.

    Raises UnusableError where fewer than three pairs are found, where they scatter by more than half a picture, or where
    the offset could as well belong to the next flash.
    """
    flashes, clicks = _starts_s(light, rate_hz), _starts_s(sound, rate_hz)
    if min(len(flashes), len(clicks)) < LEAST_PAIRS:
        raise UnusableError(f"{len(flashes)} flashes and {len(clicks)} clicks")
    widest_s = min(MOST_OFFSET_S, 0.4 * float(np.median(np.diff(flashes))))
    nearest_s = clicks[np.argmin(np.abs(clicks[:, None] - flashes[None, :]), axis=0)] - flashes
    offsets_s = nearest_s[np.abs(nearest_s) <= widest_s]
    if len(offsets_s) < max(LEAST_PAIRS, len(flashes) // 2):
        raise UnusableError(
            f"only {len(offsets_s)} of {len(flashes)} flashes with a click within {1000 * widest_s:.0f} ms"
        )
    scatter_s = float(np.std(offsets_s, ddof=1))
    if scatter_s > MOST_SCATTER_S:
        raise UnusableError(f"clicks that scatter by {1000 * scatter_s:.0f} ms about the flashes")
    u_s = float(np.hypot(scatter_s / np.sqrt(len(offsets_s)), U_SCREEN_S))
    return LipSync(float(np.median(offsets_s)), u_s, len(offsets_s))


def _starts_s(samples: FloatArray, rate_hz: float) -> FloatArray:
    """Start of each flash or click [s]: a tenth of its peak is exceeded after a pause."""
    size = np.abs(samples - np.median(samples))
    noise = 1.4826 * float(np.median(size))  # of a normal distribution
    loudest = float(size.max(initial=0.0))
    if loudest <= ABOVE_NOISE * noise or loudest == 0:
        return np.empty(0)
    above = np.flatnonzero(size > max(START * loudest, SURELY_NOISE * noise))
    begins = above[np.concatenate([[True], np.diff(above) > QUIET_S * rate_hz])]
    starts = []
    for begin, end in zip(begins, [*begins[1:], len(size)], strict=True):
        event = size[begin:end]
        starts.append(begin + int(np.argmax(event > max(START * float(event.max()), SURELY_NOISE * noise))))
    return np.array(starts) / rate_hz
