"""Two clocks: how much faster the recorder's runs than the player's, from a sweep that is played again at the end.

From one sweep the drift cannot be separated from the room. Played twice in one
recording, room and loudspeaker are the same in both and cancel in the cross spectrum, whose phase is the lag alone
(phase transform: C. Knapp, G. Carter, IEEE Trans. ASSP 24 (1976) 320–327); the lag against the known distance is the drift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from commission.model import FloatArray, Sweep, UnusableError

CORRECT_ABOVE_PPM = 1.0
"""From here the sweep is corrected before deconvolution: 1 ppm is 0.01 ms over a sweep of 10 s (arithmetic)."""
REJECT_ABOVE_PPM = 200.0
"""No two working clocks differ by more: a wrong rate, a dropped block, another sweep (common practice, no source: clocks
keep ±100 ppm)."""
_LEAST_COHERENT = 0.5
"""Mean of the phase-aligned unit vectors: below it the two do not hold the same sound."""


@dataclass(frozen=True, slots=True)
class Lag:
    """How much later the second of two recordings of the same sound is."""

    seconds: float
    u_s: float
    """Standard uncertainty, from the scatter of the phase about a straight line."""
    agreement: float
    """1: the phase of all frequencies fits one lag; 0: none does."""


def lag_between(first: FloatArray, second: FloatArray, rate_hz: float, band_hz: tuple[float, float]) -> Lag:
    """Lag of `second` behind `first` [shape=(n,) each], both within ±n/2 samples, by the phase transform in a band.

    The peak of the transformed cross spectrum gives whole samples, the slope of what phase remains gives the rest. The sign
    of either does not matter. Raises UnusableError when nothing is heard.
    """
    from scipy import fft

    frames = max(len(first), len(second))
    length = int(fft.next_fast_len(2 * frames, real=True))
    a, b = (fft.rfft(np.asarray(x), length, workers=-1) for x in (first, second))
    cross = b * np.conj(a)
    df_hz = rate_hz / length
    inside = slice(math.ceil(band_hz[0] / df_hz), math.floor(min(band_hz[1], 0.48 * rate_hz) / df_hz) + 1)
    size = np.abs(cross[inside])
    if not np.any(size > 0):
        raise UnusableError("nothing is heard in it")
    unit = cross[inside] / np.maximum(size, np.finfo(size.dtype).tiny)
    whole = np.zeros_like(cross)
    whole[inside] = unit
    transformed = fft.irfft(whole, length, workers=-1)
    peak = int(np.argmax(np.abs(transformed)))
    lag_s = (peak - length if peak > length // 2 else peak) / rate_hz
    omega = 2 * np.pi * df_hz * np.arange(inside.start, inside.start + len(size))
    weight = np.minimum(size, np.median(size)) * omega**2
    # A reversed repeat is the same sound: the sign of the peak is taken off.
    left = np.angle(unit * np.sign(transformed[peak]) * np.exp(1j * omega * lag_s))
    for _ in range(4):
        step_s = float(np.sum(weight * left / omega) / np.sum(weight))
        lag_s -= step_s
        left -= omega * step_s
        left -= 2 * np.pi * np.round(left / (2 * np.pi))
    # Padding makes neighbouring bins alike: only frames/length of them count as independent.
    padded = length / frames
    u_s = math.sqrt(padded * float(np.sum((weight * left / omega) ** 2))) / float(np.sum(weight))
    plain = weight / omega**2
    agreement = float(np.abs(np.sum(plain * np.exp(1j * left))) / np.sum(plain))
    return Lag(lag_s, u_s, agreement)


@dataclass(frozen=True, slots=True)
class ClockDrift:
    """How much faster the recorder's clock runs than the player's."""

    ppm: float
    u_ppm: float

    @property
    def to_correct(self) -> bool:
        """Whether it is worth correcting: beyond 1 ppm."""
        return abs(self.ppm) > CORRECT_ABOVE_PPM


def clock_drift(recording: FloatArray, sweep: Sweep, starts: tuple[int, int], tail_s: float = 0.5) -> ClockDrift:
    """Drift from a recording [shape=(n,)] that holds the same sweep twice.

    `starts`: the samples at which both began as the player had them, roughly right in the recording, exactly right in
    their distance. Raises UnusableError when one of them is not there, or the drift is beyond 200 ppm.
    """
    recording = np.asarray(recording).ravel()
    apart = starts[1] - starts[0]
    count = round((sweep.duration_s + tail_s) * sweep.rate_hz)
    if apart < count:
        raise UnusableError("its two sweeps follow each other too closely to be separated")
    pieces = [recording[max(0, start) : max(0, start) + count] for start in starts]
    if min(len(piece) for piece in pieces) < 0.9 * count:
        raise UnusableError("it ends before the second sweep does")
    lag = lag_between(pieces[0], pieces[1], sweep.rate_hz, (1.2 * sweep.start_hz, 0.9 * sweep.stop_hz))
    if lag.agreement < _LEAST_COHERENT:
        raise UnusableError(f"its second sweep is not like the first (agreement {lag.agreement:.2f}, 0.5 needed)")
    apart_s = apart / sweep.rate_hz
    ppm = 1e6 * lag.seconds / apart_s
    if abs(ppm) > REJECT_ABOVE_PPM:
        raise UnusableError(f"its clocks differ by {ppm:.0f} ppm, more than any two working clocks (200 ppm)")
    return ClockDrift(ppm, 1e6 * lag.u_s / apart_s)


def as_recorded(sweep: Sweep, ppm: float) -> Sweep:
    """The sweep as a recorder sees it whose clock runs so much faster: longer by (1 + δ), lower by as much.

    L·f1 stays, so that a synchronised sweep stays one.
    """
    stretch = 1 + 1e-6 * ppm
    return replace(
        sweep,
        start_hz=sweep.start_hz / stretch,
        stop_hz=sweep.stop_hz / stretch,
        duration_s=sweep.duration_s * stretch,
    )
