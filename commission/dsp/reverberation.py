"""Decay times and clarity of many responses at once, and the target reverberation time of a listening room.

Target and mask: ITU-R BS.1116-3 clause 8.2.3.1, EBU Tech 3276 clause 2.3: Tm = 0.25·(V/V0)^(1/3) s, V0 = 100 m³ (formula
from secondary copies); the limits of the mask are second-hand or from memory.
"""

from __future__ import annotations

import math

import numpy as np

from commission.dsp import clarity, decay
from commission.dsp.band_energy import OCTAVES, Bands, Filter, spectra_of
from commission.dsp.clarity import Clarity
from commission.dsp.decay import Decays
from commission.dsp.decay_curves import Curves, decay_curves, onsets_s
from commission.model import FloatArray, InputError

_CHUNK = 24
"""Responses processed at a time, so that the grids of hundreds of them are never in memory at once."""
REFERENCE_VOLUME_M3 = 100.0


def decays_and_clarity(
    impulses: FloatArray,
    rate_hz: float,
    bands: Bands = OCTAVES,
    starts_s: FloatArray | None = None,
) -> tuple[Decays, Clarity]:
    """Decay times and clarity of impulse responses [shape=(k, n)] by band.

    `starts_s` [shape=(k,)]: arrival of the direct sound after the first sample; by default the first sample within 20
    dB of the largest. Any unit.
    """
    impulses = np.atleast_2d(impulses)
    starts = onsets_s(impulses, rate_hz) if starts_s is None else np.asarray(starts_s, dtype=float)
    decays, clarities = [], []
    for i in range(0, len(impulses), _CHUNK):
        these = slice(i, i + _CHUNK)
        spectra = spectra_of(impulses[these], rate_hz, bands)
        everything = tuple(range(len(bands.indices)))
        level = decay_curves(spectra, bands, everything, "zero phase", starts[these])
        narrow = tuple(b for b, reverse in enumerate(decay.filters_of(bands)) if reverse)
        wide = tuple(b for b in everything if b not in narrow)
        groups: list[tuple[tuple[int, ...], Filter, Curves]] = (
            [(wide, "zero phase", level.select(wide))] if wide else []
        )
        if narrow:
            back = decay_curves(spectra, bands, narrow, "reversed", starts[these])
            groups.append((narrow, "reversed", back))
        decays.append(decay.decays_of(bands, groups))
        clarities.append(clarity.clarity_of(bands, level))
    return decay.join(decays), clarity.join(clarities)


def target_time_s(volume_m3: float) -> float:
    """Target Tm [s] of a listening room of this volume: 0.25·(V/100 m³)^(1/3). Raises InputError."""
    if not (math.isfinite(volume_m3) and volume_m3 > 0):
        raise InputError("room volume", f"{volume_m3:g} m³", "a volume above zero")
    return float(0.25 * (volume_m3 / REFERENCE_VOLUME_M3) ** (1 / 3))


def mask_s(freq_hz: FloatArray, target_s: float) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest decay time [s] at `freq_hz` around the target; NaN outside 63 Hz to 8 kHz.

    ±0.05 s from 200 Hz to 4 kHz (second-hand), ±0.1 s above; below 200 Hz the upper limit rises linearly on a
    logarithmic axis to +0.3 s at 63 Hz; the lower limit is constant (both from memory).
    """
    freq = np.asarray(freq_hz, dtype=float)
    low_octaves = np.clip(np.log(200.0 / np.maximum(freq, 1.0)) / math.log(200.0 / 63.0), 0.0, 1.0)
    edge = 4000.0 * 2 ** (1 / 6)  # the band at 4 kHz belongs to the middle range, whatever its exact centre
    wide = np.where(freq < edge, 0.05, 0.1)
    upper = target_s + wide + 0.25 * low_octaves
    inside = (freq > 63.0 / 2 ** (1 / 6)) & (freq < 8000.0 * 2 ** (1 / 6))
    return np.where(inside, target_s - wide, np.nan), np.where(inside, upper, np.nan)
