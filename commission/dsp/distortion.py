"""Harmonic distortion, order by order, from one exponential sweep.

Deconvolved, the n-th harmonic of the whole chain arrives L·ln n before the linear response (A. Farina, AES preprint 5093,
2000); cut out and transformed, it gives the harmonic's amplitude over *its own* frequency. Two comparisons:

- with the linear response at the same output frequency: the room, the microphone and the loudspeaker's fall-off are in
  both and cancel. A null of the room does not look like distortion.
- with the linear response at the exciting frequency, n times lower: harmonic over fundamental, as defined by IEC
  60268-21 (from memory).

The floor is the energy in windows of the same length without a harmonic, or that of the sweep alone there (its band
edges ring on both sides of the linear response), whichever is larger. Noise is subtracted, and levels less than 10 dB
above the floor are not reported.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from commission.dsp.spectrum import GRID_HZ, cumulative, smoothed_level_db, to_db
from commission.dsp.sweep import harmonic_advance_s, sweep_deconvolver, sweep_signal
from commission.model import FloatArray, Sweep, UnusableError, freeze

ABOVE_FLOOR_DB = 10.0
"""Least margin above the floor for a harmonic to be reported (common practice, no source)."""
_LEAD_S = 0.01
"""A window begins this long before the moment of excitation."""
_LEAST_WINDOW_S = 0.06
"""Least length of a window: a shorter one cuts off the room's response before it has decayed enough to compare levels."""
_LONGEST_WINDOW_S = 0.5
_EDGE = 2 ** (1 / 3)
_NEAR_OCTAVES = 3.0
_FLOOR_ORDERS = (30.0, 45.0, 65.0, 90.0)
"""The floor is read where harmonics of these orders would be: a loudspeaker has none of them."""


@dataclass(frozen=True, slots=True, eq=False)
class Distortion:
    """Levels of harmonics [dB re the stimulus], power-smoothed, over output frequency."""

    freq_hz: FloatArray
    """[shape=(n,)]"""
    orders: tuple[int, ...]
    linear_db: FloatArray
    """[shape=(k, n)]"""
    harmonic_db: FloatArray
    """Floor subtracted; NaN where it is less than 10 dB above the floor or the sweep does not reach
    [shape=(k, orders, n)]."""
    floor_db: FloatArray
    """[shape=(k, orders, n)]"""
    left_out: dict[int, str]
    """Requested orders that cannot be determined, with the reason."""

    def against_fundamental_db(self) -> FloatArray:
        """Each order relative to its fundamental, over the exciting frequency `freq_hz` [shape=(k, orders, n)]."""
        out = np.full(self.harmonic_db.shape, np.nan)
        log_f = np.log(self.freq_hz)
        for place, order in enumerate(self.orders):
            for k, levels in enumerate(self.harmonic_db[:, place]):
                # One NaN point spoils the points interpolated from it: gaps are not bridged.
                at = np.interp(log_f + np.log(order), log_f, levels, left=np.nan, right=np.nan)
                out[k, place] = at - self.linear_db[k]
        return out

    def total_ratio(self) -> FloatArray:
        """Root of the summed squares of all reported orders over the fundamental, by exciting frequency [shape=(k, n)].

        NaN where none is reported: it is then below the floor, not zero.
        """
        ratios = 10 ** (self.against_fundamental_db() / 10)
        known = np.isfinite(ratios).any(axis=1)
        return np.asarray(np.where(known, np.sqrt(np.nansum(ratios, axis=1)), np.nan))


def harmonic_distortion(
    deconvolved: FloatArray,
    sweep: Sweep,
    orders: Sequence[int] = (2, 3, 4, 5),
    alone: FloatArray | None = None,
) -> Distortion:
    """Harmonics of circularly deconvolved recordings [shape=(k, length)] (see `sweep.Deconvolver`).

    Time zero is the first sample, negative times wrap to the end. `alone`: the stimulus deconvolved with itself
    [shape=(1, length)]; None: the sweep as `sweep_signal` makes it. Raises UnusableError if even the second harmonic
    cannot be separated from the linear response.
    """
    deconvolved = np.atleast_2d(deconvolved)
    room_s = deconvolved.shape[-1] / sweep.rate_hz - harmonic_advance_s(sweep, round(_FLOOR_ORDERS[-1]))
    windows_s = {order: _window_s(sweep, order) for order in orders}
    known = [o for o, window_s in windows_s.items() if min(window_s, room_s) >= _LEAST_WINDOW_S]
    left_out = {
        order: f"the sweep is too short to separate order {order} from order {order - 1}"
        for order in orders
        if order not in known
    }
    if not known:
        raise UnusableError("its sweep is too short to separate harmonics from the linear response")
    window_s = min(_LONGEST_WINDOW_S, windows_s[max(known)])
    linear_db = _level_db(_power(deconvolved, sweep, 1.0, window_s), sweep)
    noises = np.mean([_power(deconvolved, sweep, order, window_s) for order in _FLOOR_ORDERS], axis=0)
    noise_db = _level_db(noises, sweep)
    alone = _alone(sweep, deconvolved.shape[-1]) if alone is None else alone
    alone_db = _level_db(_power(alone, sweep, 1.0, window_s), sweep)
    around_db = _strongest_near_db(linear_db)
    harmonics, floors = [], []
    for order in known:
        level_db = _level_db(_power(deconvolved, sweep, order, window_s), sweep)
        alone_there_db = _level_db(_power(alone, sweep, order, window_s), sweep) - alone_db + around_db
        floor_db = np.fmax(noise_db, alone_there_db)
        # A third octave above the edge: at the start of the sweep, its fade itself generates harmonics.
        reached = (GRID_HZ >= _EDGE * order * sweep.start_hz) & (GRID_HZ <= sweep.stop_hz)
        with np.errstate(invalid="ignore"):
            clear = (level_db >= floor_db + ABOVE_FLOOR_DB) & reached
            harmonics.append(to_db(np.where(clear, 10 ** (level_db / 10) - 10 ** (noise_db / 10), np.nan)))
        floors.append(floor_db)
    return Distortion(
        GRID_HZ,
        tuple(known),
        freeze(linear_db),
        freeze(np.stack(harmonics, axis=1)),
        freeze(np.stack(floors, axis=1)),
        left_out,
    )


def _strongest_near_db(level_db: FloatArray) -> FloatArray:
    """Highest level near each frequency, since short windows leak ringing into neighbouring bands [shape=(k, n)]."""
    near = np.abs(np.log2(GRID_HZ[:, None] / GRID_HZ)) <= _NEAR_OCTAVES
    return np.asarray(np.max(np.where(near, np.nan_to_num(level_db, nan=-np.inf)[:, None], -np.inf), axis=-1))


def _window_s(sweep: Sweep, order: int) -> float:
    """Longest window around harmonic `order` that does not overlap the next lower one [s]."""
    return harmonic_advance_s(sweep, order) - harmonic_advance_s(sweep, order - 1) - 2 * _LEAD_S


@lru_cache(maxsize=4)
def _alone(sweep: Sweep, length: int) -> FloatArray:
    """The sweep deconvolved with itself [shape=(1, length)]."""
    samples = sweep_signal(sweep).astype(np.float32)
    made = sweep_deconvolver(sweep, length)
    return made(np.pad(samples, (0, length - len(samples)))[None]) if made.length == length else made(samples[None])


def _power(deconvolved: FloatArray, sweep: Sweep, order: float, window_s: float) -> FloatArray:
    """Power spectrum of the window around harmonic `order` [shape=(k, bins)], bins of `_length` samples."""
    from scipy import fft

    rate_hz = float(sweep.rate_hz)
    advance_s = harmonic_advance_s(sweep, order)
    lead, count = round(_LEAD_S * rate_hz), round((window_s + _LEAD_S) * rate_hz)
    first = -round(advance_s * rate_hz) - lead
    places = np.arange(first, first + count) % deconvolved.shape[-1]
    window = np.ones(count, np.float32)
    rise, fall = lead // 2, count // 3
    window[:rise] = 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    window[count - fall :] = 0.5 + 0.5 * np.cos(np.pi * np.arange(fall) / fall)
    spectra = fft.rfft(deconvolved[:, places] * window, _length(count, rate_hz), axis=-1, workers=-1)
    return np.asarray(spectra.real**2 + spectra.imag**2)


def _length(count: int, rate_hz: float) -> int:
    from scipy import fft

    return int(fft.next_fast_len(max(2 * count, round(rate_hz / 2)), real=True))


def _level_db(power: FloatArray, sweep: Sweep) -> FloatArray:
    df_hz = 0.5 * sweep.rate_hz / (power.shape[-1] - 1)
    return smoothed_level_db(cumulative(power), df_hz, GRID_HZ, 3)
