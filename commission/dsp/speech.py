"""Speech transmission index from impulse responses, noise and speech level.

IEC 60268-16 Ed. 5:2020, indirect method (clause 6 and Annex A), read from two open libraries that cite it. Modulation
is lost to reverberation and echoes (from the response), to noise, and in the ear (masking, hearing threshold).
"""

from __future__ import annotations

import math

import numpy as np

from commission.dsp.band_energy import Bands, band_energy, band_noise_power, reaches, spectra_of
from commission.dsp.weighting import weighting_db
from commission.model import FloatArray, freeze

OCTAVES_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
MODULATIONS_HZ: FloatArray = freeze(
    np.array([0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5])
)
"""Modulation frequencies, A.1.4."""
ALPHA: FloatArray = freeze(np.array([0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173]))
BETA: FloatArray = freeze(np.array([0.085, 0.078, 0.065, 0.011, 0.047, 0.095]))
"""Weights α of the octaves, and redundancy factors β between neighbours: Table A.1."""
THRESHOLD_DB: FloatArray = freeze(np.array([46.0, 27.0, 12.0, 6.5, 7.5, 8.0, 12.0]))
"""Absolute speech reception threshold, Table A.3."""
SPEECH_DB: FloatArray = freeze(np.array([-2.5, 0.5, 0.0, -6.0, -12.0, -18.0, -24.0]))
"""Speech spectrum re 500 Hz, A.6.1."""
NORMAL_SPEECH_DBA = 60.0
"""Speech at normal effort, 1 m in front of the mouth (ISO 9921, from memory)."""

_BANDS = Bands(tuple(range(-3, 4)))
_STEP_S = 0.001
"""Energy is summed over steps of a millisecond: at 12.5 Hz this lowers the modulation by 0.03 %."""


def speech_levels_db(level_dba: float) -> FloatArray:
    """Octave levels 125 Hz to 8 kHz of speech with an A-weighted level [shape=(7,)] [dB re 20 µPa]."""
    a_db = weighting_db(np.array(OCTAVES_HZ, dtype=float), "A")
    own_dba = 10 * math.log10(float(np.sum(10 ** ((SPEECH_DB + a_db) / 10))))
    return np.asarray(SPEECH_DB + level_dba - own_dba)


def modulation_transfer(impulses: FloatArray, rate_hz: float, noise: FloatArray | None = None) -> FloatArray:
    """Modulation transfer [shape=(k, 7, 14)] of impulse responses [shape=(k, n)].

    m = |∫h²·exp(−j2πFt) dt| / ∫h² dt in each octave (M. R. Schroeder, Acustica 49 (1981) 179–182; IEC 60268-16 6.1),
    filtered with zero phase, which delays nothing. `noise` [shape=(k, m)], a stretch of the recordings without the
    response: its mean power is first subtracted from h² (W. T. Chu, JASA 63 (1978) 1444–1450, from memory), since noise
    of the recorder is not heard by the listener. NaN in octaves beyond half the sample rate.
    """
    impulses = np.atleast_2d(np.asarray(impulses))
    spectra = spectra_of(impulses, rate_hz, _BANDS)
    powers = None if noise is None else band_noise_power(np.atleast_2d(np.asarray(noise)), rate_hz, _BANDS)
    out = np.full((len(impulses), len(OCTAVES_HZ), len(MODULATIONS_HZ)), np.nan)
    for b, centre_hz in enumerate(_BANDS.centres_hz):
        if not reaches(spectra, float(centre_hz), 1):
            continue
        energy = band_energy(spectra, float(centre_hz), 1, "zero phase")
        edges_s = np.arange(-energy.lead_s, impulses.shape[-1] / rate_hz + _STEP_S, _STEP_S)
        parts = np.diff(energy.until(np.broadcast_to(edges_s, (len(impulses), len(edges_s)))), axis=-1)
        times_s = 0.5 * (edges_s[1:] + edges_s[:-1])
        if powers is not None:
            inside_s = np.diff(np.clip(edges_s, 0.0, impulses.shape[-1] / rate_hz))
            parts -= powers[:, b : b + 1] * inside_s
        waves = np.exp(-2j * np.pi * times_s[:, None] * MODULATIONS_HZ)
        with np.errstate(divide="ignore", invalid="ignore"):
            out[:, b] = np.clip(np.abs(parts @ waves) / np.sum(parts, axis=-1, keepdims=True), 0.0, 1.0)
    return out


def heard_modulation(transfer: FloatArray, speech_db: FloatArray, noise_db: FloatArray | None = None) -> FloatArray:
    """Effective modulation [shape=(…, 7, 14)], reduced by noise, masking and the threshold of hearing.

    `speech_db` and `noise_db` [shape=(7,)]: octave levels at the listener [dB re 20 µPa]. IEC 60268-16 A.2.3 and A.2.4:
    m' = m/(1 + 10^(−SNR/10)), then times I/(I + I_masking + I_threshold), where I is that of speech and noise together.
    """
    speech = 10 ** (np.asarray(speech_db, dtype=float) / 10)
    total = speech + (0.0 if noise_db is None else 10 ** (np.asarray(noise_db, dtype=float) / 10))
    below = 10 * np.log10(total[:-1])
    masking = np.concatenate(([0.0], total[:-1] * 10 ** (masking_slope_db(below) / 10)))
    share = speech / (total + masking + 10 ** (THRESHOLD_DB / 10))
    return np.asarray(np.asarray(transfer) * share[:, None])


def masking_slope_db(level_db: FloatArray) -> FloatArray:
    """Level of an octave's masking of the next one relative to the octave's level [dB], by that level: IEC 60268-16 Table
    A.2.
    """
    level = np.asarray(level_db, dtype=float)
    return np.asarray(
        np.select(
            [level < 63, level < 67, level < 100], [0.5 * level - 65, 1.8 * level - 146.9, 0.5 * level - 59.8], -10.0
        )
    )


def speech_transmission_index(modulation: FloatArray) -> FloatArray:
    """STI [shape=(…)] from modulation [shape=(…, 7, 14)], IEC 60268-16 A.2.1: at most 1; NaN if an octave is missing."""
    m = np.clip(np.asarray(modulation, dtype=float), 0.0, 1.0)
    with np.errstate(divide="ignore"):
        apparent_db = 10 * np.log10(m / np.maximum(1 - m, 1e-15))
    index = np.mean((np.clip(apparent_db, -15, 15) + 15) / 30, axis=-1)
    shared = np.sqrt(index[..., :-1] * index[..., 1:]) @ BETA
    return np.asarray(np.minimum(index @ ALPHA - shared, 1.0))
