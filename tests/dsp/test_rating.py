"""NC and NR against their tables: every curve rates as itself, and examples computed by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from references.catalogue import table

from commission.dsp import rating
from commission.model import InputError

NC = table("rating/independent_nc_curves.csv")
NR = table("rating/independent_nr_curves.csv")
levels = st.fixed_dictionaries({hz: st.floats(5, 70) for hz in rating.NR_OCTAVES_HZ})


def _octaves(line: dict[str, str]) -> dict[int, float]:
    return {int(float(key)): float(value) for key, value in line.items() if key[0].isdigit()}


@pytest.mark.parametrize("line", NC, ids=lambda line: line["nc"])
def test_nc_curves_are_those_of_s12_2(line: dict[str, str]) -> None:
    assert rating.nc_curve_db(float(line["nc"])) == pytest.approx(_octaves(line), abs=1e-9)


@pytest.mark.parametrize("line", NC, ids=lambda line: line["nc"])
def test_a_spectrum_on_a_curve_gets_its_number(line: dict[str, str]) -> None:
    """By the standard, the mean of the curves in the table from 500 Hz to 4 kHz is their number within 1.5."""
    found = rating.nc_rating(_octaves(line))
    octaves = _octaves(line)
    sil = np.mean([octaves[hz] for hz in (500, 1000, 2000, 4000)])
    assert float(line["nc"]) <= found.value <= float(line["nc"]) + 1.5  # 1.5: NC 15, whose mean is 16.5
    # Past NC 70 there is no curve whose number the mean could be.
    assert found.value == pytest.approx(max(sil, float(line["nc"])) if sil <= 70 else 70)


def test_rumble_decides_by_the_curve_that_it_touches() -> None:
    """63 Hz at 62 dB is half way from NC 35 (60) to NC 40 (64): NC 37.5; the rest is on NC 20."""
    octaves = rating.nc_curve_db(20) | {63: 62.0}
    found = rating.nc_rating(octaves)
    assert (found.value, found.octave_hz, found.bound) == (pytest.approx(37.5), 63, "")
    assert found.text == "38"


def test_a_mean_that_no_octave_exceeds_decides() -> None:
    """500 Hz to 4 kHz at 42, 40, 39, 39: mean 40.0; the NC 40 curve there is 44, 41, 39, 38, exceeded at 4 kHz by 1 dB: NC 41."""
    quiet = {63: 40.0, 125: 40.0, 250: 40.0, 8000: 30.0}
    touched = rating.nc_rating(quiet | {500: 42.0, 1000: 40.0, 2000: 39.0, 4000: 39.0})
    assert (touched.value, touched.octave_hz) == (pytest.approx(41.0), 4000)
    mean = rating.nc_rating(quiet | {500: 44.0, 1000: 41.0, 2000: 38.5, 4000: 37.5})  # mean 40.25, nothing above it
    assert (mean.value, mean.octave_hz) == (pytest.approx(40.25), None)
    # NC 70 is 72, 71, 70 and 68 dB there, mean 70.25: a quarter of a decibel lower, the mean is the last curve's number.
    last = rating.nc_rating({hz: level - 0.25 for hz, level in rating.nc_curve_db(70).items()})
    assert (last.value, last.octave_hz) == (70.0, None)


def test_beyond_the_table_there_are_only_bounds() -> None:
    silent = rating.nc_rating(dict.fromkeys(rating.NC_OCTAVES_HZ, 5.0))
    assert (silent.value, silent.bound, silent.text) == (15.0, "at most", "at most 15")
    assert rating.nc_rating(dict.fromkeys(rating.NC_OCTAVES_HZ, 95.0)).bound == "at least"
    with pytest.raises(InputError, match="NC 12"):
        rating.nc_curve_db(12)


@pytest.mark.parametrize("line", NR, ids=lambda line: line["nr"])
def test_nr_of_the_curves_of_iso_r_1996(line: dict[str, str]) -> None:
    nr = float(line["nr"])
    # Rounding the levels to 1 dB moves the number by 0.5/0.681 at most.
    assert rating.nr_rating(_octaves(line)).value == pytest.approx(nr, abs=0.735)


def test_nr_worked_by_hand() -> None:
    # 125 Hz: (40 − 22)/0.87 = 20.69; 1 kHz: 18/1 = 18; the rest is lower.
    found = rating.nr_rating(
        {63: 45.0, 125: 40.0, 250: 28.0, 500: 20.0, 1000: 18.0, 2000: 10.0, 4000: 8.0, 8000: 7.0}
    )
    assert (found.value, found.octave_hz) == (pytest.approx(20.690, abs=1e-3), 125)


def test_the_instruments_own_noise_makes_bounds() -> None:
    octaves = {63: 40.0, 125: 30.0, 250: 22.0, 500: 16.0, 1000: 12.0, 2000: 11.0, 4000: 11.5, 8000: 12.0}
    own = {1000: 5.0, 2000: 9.0, 4000: 11.0, 8000: 12.0}
    clean, bounds = rating.without_own_noise_db(octaves, own)
    assert bounds == (2000, 4000, 8000)
    assert clean[1000] == pytest.approx(10 * np.log10(10**1.2 - 10**0.5))
    assert (clean[63], clean[8000]) == (40.0, 12.0)
    found = rating.nr_rating(clean, bounds)
    assert (found.octave_hz, found.bound) == (8000, "at most")  # (12 + 8)/1.03 = 19.4: the microphone decides
    assert rating.nr_rating(clean | {8000: 5.0}, bounds).octave_hz == 4000


@settings(deadline=None)
@given(octaves=levels, gain=st.floats(0, 10))
def test_more_noise_never_rates_lower(octaves: dict[int, float], gain: float) -> None:
    louder = {hz: level + gain for hz, level in octaves.items()}
    assert rating.nr_rating(louder).value >= rating.nr_rating(octaves).value
    assert rating.nc_rating(louder).value >= rating.nc_rating(octaves).value - 1.5  # mean and touching differ by that


def test_missing_octaves_are_named() -> None:
    with pytest.raises(InputError, match="no level at 4000 Hz"):
        rating.nr_rating(dict.fromkeys((63, 125, 250, 500, 1000, 2000, 8000), 20.0))
    assert rating.nr_rating(dict.fromkeys((63, 125, 250, 500, 1000, 2000, 4000, 8000), 20.0)).octave_hz == 8000
