"""Guides the commissioning of a home cinema in one visit and keeps the record of it.

For scripts: the names below are pure functions and plain types, arrays in and arrays out, without a job file, a screen or a
device. Each loads its module on first use; `commission.dsp` holds the rest.
"""

from typing import TYPE_CHECKING

__version__ = "0.1.0"

if TYPE_CHECKING:
    from commission.dsp.air import speed_of_sound_m_s as speed_of_sound_m_s
    from commission.dsp.analysis import analyse as analyse
    from commission.dsp.analysis import bass_level_db as bass_level_db
    from commission.dsp.analysis import sum_bass as sum_bass
    from commission.dsp.bands import band_levels_db as band_levels_db
    from commission.dsp.bands import band_snr_db as band_snr_db
    from commission.dsp.bands import bands_between as bands_between
    from commission.dsp.bands import filter_bands as filter_bands
    from commission.dsp.clock_drift import clock_drift as clock_drift
    from commission.dsp.coherence import coherence as coherence
    from commission.dsp.delays import delay_settings as delay_settings
    from commission.dsp.delays import needed_delays_s as needed_delays_s
    from commission.dsp.distortion import harmonic_distortion as harmonic_distortion
    from commission.dsp.geometry import azimuth_deg as azimuth_deg
    from commission.dsp.geometry import distance_m as distance_m
    from commission.dsp.geometry import elevation_deg as elevation_deg
    from commission.dsp.hum import find_hum as find_hum
    from commission.dsp.latency import common_latency as common_latency
    from commission.dsp.latency import unit_factor as unit_factor
    from commission.dsp.levels import background_corrected_db as background_corrected_db
    from commission.dsp.levels import energy_mean_db as energy_mean_db
    from commission.dsp.levels import energy_sum_db as energy_sum_db
    from commission.dsp.matching import Survey as Survey
    from commission.dsp.matching import match as match
    from commission.dsp.phase import group_delays_s as group_delays_s
    from commission.dsp.phase import minimum_phase as minimum_phase
    from commission.dsp.rating import nc_rating as nc_rating
    from commission.dsp.rating import nr_rating as nr_rating
    from commission.dsp.rating import octave_levels_db as octave_levels_db
    from commission.dsp.reflections import early_reflections as early_reflections
    from commission.dsp.reverberation import decays_and_clarity as decays_and_clarity
    from commission.dsp.reverberation import mask_s as mask_s
    from commission.dsp.reverberation import target_time_s as target_time_s
    from commission.dsp.speech import speech_transmission as speech_transmission
    from commission.dsp.speech import speech_transmission_index as speech_transmission_index
    from commission.dsp.sweep import deconvolver as deconvolver
    from commission.dsp.sweep import sweep_signal as sweep_signal
    from commission.dsp.trims import best_common_offset as best_common_offset
    from commission.dsp.trims import exact_trims_db as exact_trims_db
    from commission.dsp.trims import free_offset_db as free_offset_db
    from commission.dsp.variance import band_variance as band_variance
    from commission.dsp.variance import variance_over_seats as variance_over_seats
    from commission.dsp.weighting import equivalent_level_db as equivalent_level_db
    from commission.dsp.weighting import time_weighted_level_db as time_weighted_level_db
    from commission.dsp.weighting import weighted as weighted
    from commission.dsp.weighting import weighting_db as weighting_db
    from commission.model import Analysis as Analysis
    from commission.model import Band as Band
    from commission.model import Channel as Channel
    from commission.model import Check as Check
    from commission.model import InputError as InputError
    from commission.model import Limit as Limit
    from commission.model import Response as Response
    from commission.model import Seat as Seat
    from commission.model import Sweep as Sweep
    from commission.model import System as System
    from commission.model import Verdict as Verdict
else:
    from commission.lazy import loader

    NAMES = {
        "dsp.air": ("speed_of_sound_m_s",),
        "dsp.analysis": ("analyse", "bass_level_db", "sum_bass"),
        "dsp.bands": ("band_levels_db", "band_snr_db", "bands_between", "filter_bands"),
        "dsp.coherence": ("coherence",),
        "dsp.delays": ("delay_settings", "needed_delays_s"),
        "dsp.distortion": ("harmonic_distortion",),
        "dsp.clock_drift": ("clock_drift",),
        "dsp.geometry": ("azimuth_deg", "distance_m", "elevation_deg"),
        "dsp.hum": ("find_hum",),
        "dsp.latency": ("common_latency", "unit_factor"),
        "dsp.matching": ("Survey", "match"),
        "dsp.levels": ("background_corrected_db", "energy_mean_db", "energy_sum_db"),
        "dsp.phase": ("group_delays_s", "minimum_phase"),
        "dsp.rating": ("nc_rating", "nr_rating", "octave_levels_db"),
        "dsp.reflections": ("early_reflections",),
        "dsp.reverberation": ("decays_and_clarity", "mask_s", "target_time_s"),
        "dsp.speech": ("speech_transmission", "speech_transmission_index"),
        "dsp.sweep": ("deconvolver", "sweep_signal"),
        "dsp.trims": ("best_common_offset", "exact_trims_db", "free_offset_db"),
        "dsp.variance": ("band_variance", "variance_over_seats"),
        "dsp.weighting": ("equivalent_level_db", "time_weighted_level_db", "weighted", "weighting_db"),
        "model": (
            "Analysis",
            "Band",
            "Channel",
            "Check",
            "InputError",
            "Limit",
            "Response",
            "Seat",
            "Sweep",
            "System",
            "Verdict",
        ),
    }
    __all__ = ["__version__", *sorted(name for names in NAMES.values() for name in names)]
    __getattr__ = loader(__name__, NAMES)

    def __dir__() -> list[str]:
        return sorted({*globals(), *__all__})
