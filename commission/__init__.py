"""Guides the commissioning of a home cinema in one visit and keeps the record of it.

For who scripts: the names below are pure functions and plain types, arrays in and arrays out, without a job file, a
screen or a device. Each loads its module when it is first asked for; `commission.dsp` holds the rest.
"""

from __future__ import annotations

from typing import Any

__version__ = "0.1.0"

_NAMES = {
    "dsp.air": ("speed_of_sound_m_s",),
    "dsp.analysis": ("analyse", "sum_bass", "bass_level_db"),
    "dsp.bands": ("bands_between", "filter_bands", "band_levels_db", "band_snr_db"),
    "dsp.coherence": ("coherence",),
    "dsp.delays": ("needed_delays_s", "delay_settings"),
    "dsp.distortion": ("harmonic_distortion",),
    "dsp.drift": ("clock_drift",),
    "dsp.geometry": ("distance_m", "azimuth_deg", "elevation_deg"),
    "dsp.hum": ("find_hum",),
    "dsp.latency": ("common_latency", "unit_factor", "assign_places"),
    "dsp.levels": ("energy_sum_db", "energy_mean_db", "background_corrected_db"),
    "dsp.phase": ("minimum_phase", "group_delays_s"),
    "dsp.rating": ("nc_rating", "nr_rating", "octave_levels_db"),
    "dsp.reflections": ("early_reflections",),
    "dsp.reverberation": ("decays_and_clarity", "target_time_s", "mask_s"),
    "dsp.speech": ("speech_transmission", "speech_transmission_index"),
    "dsp.sweep": ("sweep_signal", "deconvolver"),
    "dsp.trims": ("exact_trims_db", "best_common_offset", "free_offset_db"),
    "dsp.variance": ("variance_over_seats", "band_variance"),
    "dsp.weighting": ("weighting_db", "weighted", "equivalent_level_db", "time_weighted_level_db"),
    "model": (
        "Analysis", "Band", "Channel", "Check", "InputError", "Limit", "Response", "Seat", "Sweep", "System", "Verdict",
    ),
}  # fmt: skip
_HOME = {name: module for module, names in _NAMES.items() for name in names}
__all__ = ["__version__", *sorted(_HOME)]


def __getattr__(name: str) -> Any:
    module = _HOME.get(name)
    if module is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return globals().setdefault(name, getattr(import_module(f"{__name__}.{module}"), name))


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
