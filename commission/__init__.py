"""Guides the commissioning of a home cinema in one visit and keeps the record of it.

For scripts: the names below are pure functions and plain types, arrays in and arrays out, without a job file, a screen or a
device. Each loads its module on first use; `commission.dsp` holds the rest.
"""

from typing import TYPE_CHECKING

__version__ = "0.1.0"

if TYPE_CHECKING:
    from commission.dsp.air import speed_of_sound_m_s
    from commission.dsp.analysis import analyse, bass_level_db, sum_bass
    from commission.dsp.bands import band_levels_db, bands_between
    from commission.dsp.coherence import coherence
    from commission.dsp.delays import delay_settings, needed_delays_s
    from commission.dsp.distortion import harmonic_distortion
    from commission.dsp.geometry import azimuth_deg, distance_m, elevation_deg
    from commission.dsp.hum import find_hum
    from commission.dsp.latency import common_latency, unit_factor
    from commission.dsp.levels import background_corrected_db, energy_sum_db
    from commission.dsp.matching import Survey, match
    from commission.dsp.rating import nc_rating, nr_rating
    from commission.dsp.reflections import early_reflections
    from commission.dsp.reverberation import decays_and_clarity, mask_s, target_time_s
    from commission.dsp.speech import speech_transmission_index
    from commission.dsp.sweep import deconvolver, sweep_signal
    from commission.dsp.trims import best_common_offset, exact_trims_db, free_offset_db
    from commission.dsp.variance import band_variance
    from commission.dsp.weighting import weighted, weighting_db
    from commission.model import (
        Analysis,
        Band,
        Channel,
        Check,
        InputError,
        Limit,
        Response,
        Seat,
        Sweep,
        System,
        Verdict,
    )
else:  # type checkers would take every name for one that it can load
    from commission.lazy import late_names, loader

    __all__ = ["__version__", *sorted(late_names(__name__))]
    __getattr__ = loader(__name__)

    def __dir__() -> list[str]:
        return sorted({*globals(), *__all__})
