"""A recording of the quiet room: levels, hum and tones of its steady part, without passing events such as doors and
voices.

Half seconds in which the A- or C-weighted level is 6 dB above the recording's median are left out. Steady noise has a
bandwidth of at least 20 Hz, so that half a second scatters by 1.4 dB at most. Where more than a quarter would be left out,
the noise itself changes, and everything is used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from commission.dsp.band_energy import Bands
from commission.dsp.bands import band_levels_db, bands_between, nominal_hz
from commission.dsp.hum import LEAST_S as LEAST_HUM_S
from commission.dsp.hum import Hum, find_hum
from commission.dsp.noise import is_clipped
from commission.dsp.rating import NR_OCTAVES_HZ
from commission.dsp.spectrum import exact_octave_hz, to_db
from commission.dsp.weighting import Kind, weighted, weighting_db
from commission.model import FloatArray, InputError, NoiseAnalysis, SpectralLine, UnusableError, freeze

BLOCK_S, EVENT_DB, MOST_EXCLUDED = 0.5, 6.0, 0.25
"""An event is 6 dB above the median of half seconds (`tests/dsp/test_background.py`)."""
LEAST_S = 3.0
"""A shorter recording says nothing about steady noise (common practice, no source)."""
_THIRDS_FROM_HZ = (20.0, 40.0, 100.0, 250.0)
_FADE_S = 0.05
_FEWEST_VALUES = 16
"""A recording with fewer different samples shows the rounding of the file (common practice, no source)."""
_CLIPPED_FS = 0.999

PROMINENT_DB = ((125.0, 15.0), (400.0, 8.0), (math.inf, 5.0))
"""(highest centre [Hz], excess [dB]): a third octave up to that centre holds a tone if it exceeds both neighbours by
this, ISO 1996-2:2007 Annex D (from memory)."""
LINE_ABOVE_DB = 12.0
"""A tone must also be a line: its 1 Hz bin exceeds the median of its third octave by this. Averages of noise stay below
6 dB."""

THRESHOLD_HZ: FloatArray = freeze(
    np.array([20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000], dtype=float)
)
THRESHOLD_DB: FloatArray = freeze(
    np.array([78.5, 68.7, 59.5, 51.1, 44, 37.5, 31.5, 26.5, 22.1, 17.9, 14.4, 11.4, 8.6, 6.2, 4.4, 3, 2.2, 2.4])
)
"""Threshold of hearing for pure tones in a free field, ISO 226:2003 Table 1 (from memory)."""
MASKED_BELOW_DB = 4.0
"""A tone this far below the noise in its third octave is masked (Fastl and Zwicker, Psychoacoustics, from memory)."""


def background(samples: FloatArray, rate_hz: float) -> NoiseAnalysis:
    """Levels, hum and tones of a recording of steady noise [shape=(n,)]. Raises UnusableError if it cannot be used."""
    samples = np.asarray(samples)
    seconds = samples.shape[-1] / rate_hz
    if seconds < LEAST_S:
        raise UnusableError(f"it lasts {seconds:.1f} s; {LEAST_S:.0f} s or more are needed, 30 s to find hum")
    if len(np.unique(samples[: round(LEAST_S * rate_hz)])) < _FEWEST_VALUES:
        raise UnusableError("it is softer than the steps of its file: record it again with more gain")
    samples = samples - samples.mean()
    a_power, c_power = (_block_powers(samples, rate_hz, kind) for kind in ("A", "C"))
    loud = _loud([to_db(a_power), to_db(c_power)])
    steady = float(loud.mean()) <= MOST_EXCLUDED
    used = ~loud if steady else np.ones_like(loud)
    runs = _runs(samples, used, rate_hz)
    third_hz, third_db = _thirds(runs, rate_hz)
    octave_db = _octaves(runs, rate_hz)
    used_s = float(used.sum()) * BLOCK_S if not used.all() else seconds
    why: dict[str, str] = {}
    gate = _gate(used, len(samples), rate_hz)
    lone = samples if gate is None else samples * gate
    hum = _hum(lone, rate_hz, used_s, why)
    lines = _tones(lone, rate_hz, used_s / seconds, third_hz, third_db)
    lost_db = 0.0 if gate is None else float(20 * np.log10(np.average(gate, weights=np.hanning(len(gate)))))
    mains_hz = hum.mains_hz if hum is not None else None
    if mains_hz is not None:
        lines = tuple(each for each in lines if abs(each.frequency_hz / mains_hz % 1.0 - 0.5) < 0.47)
    return NoiseAnalysis(
        seconds=seconds,
        used_s=used_s,
        steady=steady,
        third_octave_hz=freeze(third_hz),
        third_octave_db=freeze(third_db),
        octave_db=octave_db,
        octave_u_db={hz: 4.34 / math.sqrt(_octave_width_hz(hz) * used_s) for hz in octave_db},
        a_db=float(to_db(a_power[used].mean())),
        c_db=float(to_db(c_power[used].mean())),
        hum_hz=mains_hz,
        hum_lines=()
        if hum is None
        else tuple(SpectralLine(each.frequency_hz, each.level_db - lost_db, each.above_db) for each in hum.lines),
        tones=lines,
        clipped=bool(np.max(np.abs(samples)) >= _CLIPPED_FS or is_clipped(samples)),
        why=why,
    )


def _octave_width_hz(nominal: int) -> float:
    return exact_octave_hz(nominal) / math.sqrt(2)


def _block_powers(samples: FloatArray, rate_hz: float, kind: Kind) -> FloatArray:
    """Weighted mean square of each half second [shape=(blocks,)]."""
    size = round(BLOCK_S * rate_hz)
    count = len(samples) // size
    values = weighted(samples, rate_hz, kind)
    return np.asarray(np.mean(np.square(values[: count * size], dtype=float).reshape(count, size), axis=-1))


def _loud(levels_db: Sequence[FloatArray]) -> NDArray[np.bool_]:
    """Blocks that one of the levels [shape=(blocks,) each] marks as an event, and their neighbours."""
    loud = np.any([each > np.median(each) + EVENT_DB for each in levels_db], axis=0)
    wide = loud.copy()
    wide[1:] |= loud[:-1]
    wide[:-1] |= loud[1:]
    return np.asarray(wide)


def _runs(samples: FloatArray, keep: NDArray[np.bool_], rate_hz: float) -> list[FloatArray]:
    """Stretches without an event, longest first."""
    if keep.all():
        return [samples]
    size = round(BLOCK_S * rate_hz)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], keep.astype(int), [0]))))
    runs = [samples[first * size : last * size] for first, last in zip(edges[::2], edges[1::2], strict=True)]
    return sorted(runs, key=len, reverse=True)


def _band_levels_db(runs: list[FloatArray], bands: Bands, rate_hz: float) -> FloatArray | None:
    """Energy mean, weighted by length, of the band levels of stretches that are long enough; None without any."""
    fitting = [run for run in runs if len(run) >= 16.5 / float(bands.widths_hz.min()) * rate_hz]
    if not fitting:
        return None
    powers = [10 ** (band_levels_db(run, rate_hz, bands) / 10) for run in fitting]
    return to_db(np.average(powers, axis=0, weights=[len(run) for run in fitting]))


def _thirds(runs: list[FloatArray], rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Nominal centres and levels of the third octaves, from the lowest for which the stretches are long enough."""
    for low_hz in _THIRDS_FROM_HZ:
        bands = bands_between(low_hz, 10000, 3)
        if (found := _band_levels_db(runs, bands, rate_hz)) is not None:
            return np.array(nominal_hz(bands)), found
    return np.array([]), np.array([])


def _octaves(runs: list[FloatArray], rate_hz: float) -> dict[int, float]:
    for first, low_hz in enumerate(NR_OCTAVES_HZ[:3]):
        found = _band_levels_db(runs, bands_between(low_hz, 8000, 1), rate_hz)
        if found is not None:
            names = NR_OCTAVES_HZ[first:]
            return {hz: float(level) for hz, level in zip(names, found, strict=True) if np.isfinite(level)}
    return {}


def _gate(keep: NDArray[np.bool_], frames: int, rate_hz: float) -> FloatArray | None:
    """One where the recording is used and zero in events, faded at their ends [shape=(frames,)]; None: all is used."""
    if keep.all():
        return None
    from scipy import signal

    gate = np.repeat(keep.astype(float), round(BLOCK_S * rate_hz))
    gate = np.concatenate((gate, np.full(frames - len(gate), gate[-1])))
    fade = np.hanning(max(3, round(2 * _FADE_S * rate_hz)))
    return np.asarray(signal.oaconvolve(gate, fade / fade.sum(), "same"))


def _hum(samples: FloatArray, rate_hz: float, used_s: float, why: dict[str, str]) -> Hum | None:
    if used_s < LEAST_HUM_S:
        why["hum"] = f"{LEAST_HUM_S:.0f} s without other sounds are needed, this recording has {used_s:.0f} s"
        return None
    try:
        found = find_hum(samples, rate_hz)
    except InputError as error:
        why["hum"] = f"{error.expected} are needed, this recording has {error.found}"
        return None
    return found if found.found else None


def prominent_bands(third_hz: FloatArray, third_db: FloatArray) -> tuple[int, ...]:
    """Indices of third octaves [shape=(n,)] that exceed both neighbours as a tone does: ISO 1996-2:2007 Annex D.

    By 15 dB from 25 to 125 Hz, 8 dB from 160 to 400 Hz, 5 dB from 500 Hz to 10 kHz.
    """
    needed = np.array([next(db for top_hz, db in PROMINENT_DB if hz <= top_hz) for hz in third_hz])
    inner = np.minimum(third_db[1:-1] - third_db[:-2], third_db[1:-1] - third_db[2:])
    return tuple(int(k) + 1 for k in np.flatnonzero(inner >= needed[1:-1])) if len(third_hz) > 2 else ()


def _tones(
    samples: FloatArray, rate_hz: float, share: float, third_hz: FloatArray, third_db: FloatArray
) -> tuple[SpectralLine, ...]:
    bands = prominent_bands(third_hz, third_db)
    if not bands:
        return ()
    from scipy import signal

    segment = min(round(rate_hz), samples.shape[-1])
    freq, density = signal.welch(np.asarray(samples, dtype=float), rate_hz, "hann", segment)
    found = []
    for k in bands:
        inside = np.flatnonzero((freq >= third_hz[k] / 2 ** (1 / 6)) & (freq <= third_hz[k] * 2 ** (1 / 6)))
        peak = int(inside[np.argmax(density[inside])])
        median = float(np.median(density[inside]))
        above_db = float(to_db(density[peak] / max(median, 1e-300)))
        own = float(np.sum(density[peak - 2 : peak + 3] - median)) * (freq[1] - freq[0]) / share
        if above_db >= LINE_ABOVE_DB and own > 0:
            found.append(SpectralLine(float(freq[peak]), float(to_db(own)), above_db))
    return tuple(found)


def own_noise_octaves_db(level_dba: float) -> dict[int, float]:
    """Octave levels, 31.5 Hz to 8 kHz, of an instrument's own noise with an A-weighted level [dB re 20 µPa].

    The noise is assumed white from 20 Hz to 20 kHz, as that of a capsule and its preamplifier is above about 100 Hz
    (common practice, no source).
    """
    freq = np.arange(20.0, 20001.0)
    density = level_dba - float(to_db(np.sum(10 ** (weighting_db(freq, "A") / 10))))
    return {hz: density + 10 * math.log10(_octave_width_hz(hz)) for hz in NR_OCTAVES_HZ}


def audible_excess_db(line: SpectralLine, third_hz: FloatArray, third_db: FloatArray) -> float:
    """Level of a line above the just audible level [dB]: the threshold of hearing, or the masked threshold in the noise
    around it.

    Line and third octaves [shape=(n,)] in dB re 20 µPa. Threshold: ISO 226:2003 Table 1, interpolated over the logarithm
    of frequency.
    """
    threshold = float(np.interp(np.log(line.frequency_hz), np.log(THRESHOLD_HZ), THRESHOLD_DB))
    if len(third_hz):
        k = int(np.argmin(np.abs(np.log(third_hz / line.frequency_hz))))
        rest = 10 ** (third_db[k] / 10) - 10 ** (line.level_db / 10)
        if np.isfinite(rest) and rest > 0:
            threshold = max(threshold, float(to_db(rest)) - MASKED_BELOW_DB)
    return line.level_db - threshold
