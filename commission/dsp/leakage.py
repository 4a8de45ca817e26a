"""Whether a channel also plays from another loudspeaker: the other's own response at each seat is the pattern to find.

Where channel A also plays from loudspeaker B, its response at every seat holds the response of B at that seat, with all
its reflections, weaker and later by the same amount everywhere. Responses of two loudspeakers in one room have little
else in common. Spectrum and decay are flattened first, so that 165 ms of reverberation count rather than a few strong
reflections. All responses of a seat share one clock and one microphone position.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from commission.model import ComplexArray, FloatArray, RoomSound, freeze

ROOM_RATE_HZ = 12000.0
"""Sample rate of the stored responses; on the clock's time axis, their samples are at whole multiples of the period."""
BEFORE_S, AFTER_S = 0.022, 0.165
"""Time kept before and after the arrival; then a fade."""
_PERIOD_S, _EDGE_S = 0.2, 0.002
BAND_HZ = (700.0, 5000.0)
"""Below this band, a room has few reflections that distinguish two positions; above it, 1 cm of microphone displacement
matters."""
OWN_BEFORE_S = 0.001
"""Sound earlier than this before the arrival is not used: it may be crosstalk of the sound card."""
ENVELOPE_S = 0.008
MOST_LAG_S = 0.02
"""Largest delay of one loudspeaker against another in a home cinema (common practice, no source)."""
SAME_LAG_S = 0.0001
"""Lags within this are equal: a sample and a half."""
LEAST_SEATS = 2
"""Fewest seats: at one seat alone, two responses may share a reflection by chance. Of 69 healthy pairs at two seats the
highest common sound was 2.6 times chance at lag zero and 3.3 at any lag, and loudspeakers joined at −8 dB gave 7 or
more; determined by simulation (`python tests/bench leakage`). In one healthy room front and rear heights reached 9.2:
two seats are a doubt."""
_FRAMES = 3000
_LAGS = round(MOST_LAG_S * ROOM_RATE_HZ)
_FREQ_HZ = np.arange(_FRAMES // 2 + 1) * ROOM_RATE_HZ / _FRAMES
_BAND = (_FREQ_HZ >= BAND_HZ[0]) & (_FREQ_HZ <= BAND_HZ[1])
_NEAR = round(0.001 * ROOM_RATE_HZ)
"""Half width of a peak in lags."""


def room_sounds(
    impulses: FloatArray, arrivals_s: Sequence[float | None], t0_s: Sequence[float], rate_hz: float
) -> list[RoomSound | None]:
    """The part of impulses [shape=(k, n)] for `Analysis.room`; `t0_s`: time of their first sample, not part of
    `arrivals_s`.

    None if the arrival is unknown, or if the sample rate does not reach 6 kHz or has no whole number of samples in 0.2 s.
    """
    from scipy import fft

    count = round(_PERIOD_S * rate_hz)
    out: list[RoomSound | None] = [None] * len(arrivals_s)
    if rate_hz < ROOM_RATE_HZ or abs(count - _PERIOD_S * rate_hz) > 1e-6:
        return out
    known = [(k, arrival) for k, arrival in enumerate(arrivals_s) if arrival is not None]
    if not known:
        return out
    pieces = np.zeros((len(known), count), np.float32)
    first, ahead_s = np.zeros(len(known), int), np.zeros(len(known))
    for row, (k, arrival) in enumerate(known):
        start = int((arrival - BEFORE_S) * rate_hz)
        piece = impulses[k, max(start, 0) : start + count]
        pieces[row, max(-start, 0) : max(-start, 0) + len(piece)] = piece
        start_s = t0_s[k] + start / rate_hz
        first[row] = math.ceil(start_s * ROOM_RATE_HZ)
        ahead_s[row] = first[row] / ROOM_RATE_HZ - start_s
    time_s = np.arange(count) / rate_hz
    fade = np.clip(np.minimum(time_s / _EDGE_S, (_PERIOD_S - _EDGE_S - time_s) / 0.01), 0.0, 1.0)
    spectra = fft.rfft(pieces * fade.astype(np.float32), axis=-1)[:, : round(_PERIOD_S * ROOM_RATE_HZ) // 2 + 1]
    turn = np.exp(2j * np.pi * np.outer(ahead_s, np.arange(spectra.shape[-1]) / _PERIOD_S), dtype=np.complex64)
    frames = round(_PERIOD_S * ROOM_RATE_HZ)
    samples = fft.irfft(spectra * turn, frames, axis=-1) * np.float32(ROOM_RATE_HZ / rate_hz)
    for row, (k, _) in enumerate(known):
        out[k] = RoomSound(int(first[row]), freeze(samples[row], np.float32))
    return out


def flat_spectra(sounds: Sequence[RoomSound], arrivals_s: Sequence[float]) -> ComplexArray:
    """Spectra of responses with flattened spectrum and decay, of unit energy, from 700 to 5000 Hz [shape=(k, n)].

    `arrivals_s` and the phase are on the clock's time axis, so that products of two spectra hold their lag.
    """
    from scipy import fft

    stacked = np.stack([sound.samples for sound in sounds]).astype(np.float32)
    first = np.array([sound.first for sound in sounds])
    onset = np.asarray(arrivals_s) * ROOM_RATE_HZ - first
    frame = np.arange(stacked.shape[-1])
    since = frame - (onset - OWN_BEFORE_S * ROOM_RATE_HZ)[:, None]
    spectra = fft.rfft(stacked * (since >= 0), _FRAMES, axis=-1)
    level = _third_octaves(spectra.real**2 + spectra.imag**2)
    white = fft.irfft(np.where(_BAND, spectra / np.sqrt(np.maximum(level, 1e-30)), 0), _FRAMES, axis=-1)
    envelope = _running_mean(white[:, : len(frame)] ** 2, round(ENVELOPE_S * ROOM_RATE_HZ))
    envelope = np.maximum(envelope, 1e-9 * envelope.max(axis=-1, keepdims=True))
    inside = (since >= 0) & (frame <= (onset + AFTER_S * ROOM_RATE_HZ)[:, None] - 12) & _above_floor(envelope)
    even = fft.rfft(np.where(inside, white[:, : len(frame)] / np.sqrt(envelope), 0), _FRAMES, axis=-1)[:, _BAND]
    even *= np.exp(-2j * np.pi * np.outer(first, _FREQ_HZ[_BAND] / ROOM_RATE_HZ))
    return np.asarray(even / np.sqrt(np.sum(np.abs(even) ** 2, axis=-1, keepdims=True)), np.complex64)


def _above_floor(envelope: FloatArray) -> NDArray[np.bool_]:
    """Where a response is 3 dB above its level 155 to 165 ms after the arrival, which may be noise."""
    end = round((BEFORE_S + AFTER_S) * ROOM_RATE_HZ)
    floor = envelope[..., end - round(0.01 * ROOM_RATE_HZ) : end].mean(axis=-1, keepdims=True)
    return np.asarray(envelope > 2.0 * floor)


def _third_octaves(power: FloatArray) -> FloatArray:
    """Power smoothed over a third octave [shape=(k, n)]."""
    bins = np.arange(power.shape[-1])
    sums = np.concatenate([np.zeros((*power.shape[:-1], 1)), np.cumsum(power, axis=-1, dtype=float)], axis=-1)
    low = (bins * 2 ** (-1 / 6)).astype(int)
    high = np.minimum(bins * 2 ** (1 / 6) + 1, len(bins)).astype(int)
    return np.asarray((sums[..., high] - sums[..., low]) / np.maximum(high - low, 1))


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    sums = np.cumsum(np.pad(values, ((0, 0), (width // 2 + 1, width - width // 2 - 1)), mode="edge"), axis=-1)
    return np.asarray((sums[:, width:] - sums[:, :-width]) / width)


@dataclass(frozen=True, slots=True)
class SharedSound:
    """Sound common to the responses of two channels over the seats."""

    lag_s: float
    """Delay of the second's sound within the first's responses relative to the second's own."""
    alike: float
    """Correlation of the flattened responses at that lag, mean over the seats (0 to 1)."""
    ratio: float
    """That correlation over the root mean square of chance at other lags."""
    by_seat: tuple[float, ...]
    """Part of each seat's correlation in phase with the mean."""

    @property
    def chance(self) -> float:
        """Correlation by chance."""
        return self.alike / self.ratio


def shared_sound(first: ComplexArray, second: ComplexArray, lags_s: Sequence[float] | None = None) -> SharedSound:
    """Sound common to two channels, from their `flat_spectra` at the same seats [shape=(seats, n) each].

    At the one of `lags_s` with the highest correlation, each within 20 ms; by default at the best lag within 20 ms.
    """
    from scipy import fft

    cross = first * np.conj(second)
    padded = np.zeros(_FRAMES, complex)
    padded[: len(_FREQ_HZ)][_BAND] = cross.mean(axis=0)
    over_lags = fft.ifft(padded) * _FRAMES
    mean = np.concatenate([over_lags[-_LAGS:], over_lags[: _LAGS + 1]])
    size = np.abs(mean)
    allowed = np.full(len(size), lags_s is None)
    for each in lags_s or ():
        middle, within = _LAGS + round(each * ROOM_RATE_HZ), round(SAME_LAG_S * ROOM_RATE_HZ)
        allowed[max(middle - within, 0) : middle + within + 1] = True
    best = int(np.argmax(np.where(allowed, size, -1.0)))
    away = np.abs(np.arange(len(mean)) - best) > _NEAR
    chance = math.sqrt(float(np.mean(size[away] ** 2)))
    lag = best - _LAGS
    turn = np.exp(2j * np.pi * _FREQ_HZ[_BAND] * lag / ROOM_RATE_HZ)
    by_seat = (cross @ turn) * np.conj(mean[best]) / size[best]
    return SharedSound(
        lag_s=lag / ROOM_RATE_HZ,
        alike=float(size[best]),
        ratio=float(size[best]) / chance,
        by_seat=tuple(float(x) for x in by_seat.real),
    )


@dataclass(frozen=True, slots=True)
class Gain:
    """Amplitude of one loudspeaker's response within another channel's responses, at one lag."""

    over_all: float
    """Amplitude ratio by least squares while both are heard, over 145 ms and all seats."""
    at_onset: float | None
    """Amplitude ratio while the other loudspeaker is heard and the channel's own is not yet; None if at no seat."""


def leakage_gain(
    channel: Sequence[RoomSound], other: Sequence[RoomSound], arrivals_s: NDArray[np.float64], lag_s: float
) -> Gain:
    """Gain of the other's response within the channel's at a lag, both at the same seats.

    `arrivals_s`: arrivals of both on the clock's time axis [shape=(2, seats)].
    """
    lag = round(lag_s * ROOM_RATE_HZ)
    sums = np.zeros((2, 2), complex)
    for own, its, (own_s, its_s) in zip(channel, other, arrivals_s.T, strict=True):
        a, b = (_analytic(each) for each in (own, its))
        shift = its.first + lag - own.first  # frame k of `b` occurs at frame k + shift of `a`
        loud = _above_floor(_running_mean(np.abs(b)[None] ** 2, round(ENVELOPE_S * ROOM_RATE_HZ)))[0]
        b = np.roll(b, shift)  # wrapped samples are faded or within the pause before the arrival
        frame = np.arange(len(a))
        since = frame - (its_s * ROOM_RATE_HZ + lag - own.first)
        heard = (since >= -0.0005 * ROOM_RATE_HZ) & (since < (AFTER_S - 0.02) * ROOM_RATE_HZ) & np.roll(loud, shift)
        both = heard & (frame >= (own_s - 0.0005) * ROOM_RATE_HZ - own.first)
        weight = both / _running_mean(np.abs(a)[None] ** 2, round(ENVELOPE_S * ROOM_RATE_HZ))[0]
        sums[0] += np.sum(a * np.conj(b) * weight), np.sum(np.abs(b) ** 2 * weight)
        alone = (own_s - its_s - lag_s) * ROOM_RATE_HZ
        if alone >= 0.0009 * ROOM_RATE_HZ:
            before = heard & (since < min(alone - 0.0004 * ROOM_RATE_HZ, 0.002 * ROOM_RATE_HZ))
            level = float(np.sum(np.abs(b[before]) ** 2))
            if level > 0.0:
                sums[1] += np.sum(a[before] * np.conj(b[before])) / level, 1.0
    over_all = abs(sums[0, 0]) / max(abs(sums[0, 1]), 1e-30)
    return Gain(float(over_all), float(abs(sums[1, 0]) / abs(sums[1, 1])) if sums[1, 1] else None)


def _analytic(sound: RoomSound) -> ComplexArray:
    """The part of a sound from 700 to 5000 Hz, with soft edges, as an analytic signal [shape=(n,)]."""
    spectrum = np.fft.fft(sound.samples)
    octaves = np.log2(np.maximum(np.fft.fftfreq(len(spectrum), 1 / ROOM_RATE_HZ), 1.0) / BAND_HZ[0])
    width = math.log2(BAND_HZ[1] / BAND_HZ[0])
    return np.asarray(
        np.fft.ifft(2 * spectrum * np.clip(np.minimum(octaves * 2 + 1, (width - octaves) * 8 + 1), 0, 1))
    )
