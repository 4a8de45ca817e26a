"""Fractional-octave bands against the standard, another library and known signals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from references.catalogue import table
from references.sounds import RATE_HZ, ventilation

from commission.dsp import bands
from commission.model import InputError


@pytest.mark.parametrize("fraction", [1, 3])
def test_centres_and_names_are_those_of_iec_61260_1(fraction: int) -> None:
    lines = [line for line in table("bands/independent_iec61260_centres.csv") if line["fraction"] == str(fraction)]
    names = [float(line["nominal_hz"]) for line in lines]
    found = bands.bands_between(names[0], names[-1], fraction)
    assert bands.nominal_hz(found) == tuple(names)
    np.testing.assert_allclose(
        found.centres_hz, [float(line["exact_hz"]) for line in lines], atol=6e-5
    )  # four decimals


@pytest.mark.parametrize("fraction", [1, 3])
def test_levels_agree_with_another_library(fraction: int) -> None:
    lines = [line for line in table("bands/independent_levels.csv") if line["fraction"] == str(fraction)]
    chosen = bands.bands_between(31.5 if fraction == 1 else 25, 16000, fraction)
    found = bands.band_levels_db(ventilation(), RATE_HZ, chosen, 20e-6)
    want = np.array([float(line["level_db"]) for line in lines])
    # Its filters are of sixth order and not corrected: 0.06 dB. Half-overlapped Hann windows have 0.95 of the degrees of freedom of
    # one average (Welch 1967, from memory), so that the two differ by a standard deviation of 0.24·4.34/√(B·T): twice that.
    atol = 0.06 + 0.5 * 4.343 / np.sqrt(chosen.widths_hz * len(ventilation()) / RATE_HZ)
    np.testing.assert_array_less(np.abs(found - want), atol)


def test_a_louder_lower_octave_does_not_leak_in() -> None:
    """Noise that falls by 6 dB at each octave's edge, 9 dB in density, against its true spectrum between the edges.

    0.4 dB (0.8 dB with the third order): half of an edge's step is inside the filters' slopes; Welch's windows weight
    20 s at 63 Hz unevenly (0.1 dB).
    """
    count = 20 * 48000
    rng = np.random.default_rng(4)
    freq = np.fft.rfftfreq(count, 1 / 48000)
    chosen = bands.bands_between(63, 8000, 1)
    spectrum = np.zeros(len(freq), complex)
    want = []
    for k, centre in enumerate(chosen.centres_hz):
        inside = (freq >= centre * 10**-0.15) & (freq < centre * 10**0.15)
        values = rng.standard_normal(inside.sum()) + 1j * rng.standard_normal(inside.sum())
        spectrum[inside] = values * 10 ** (-6 * k / 20) / np.sqrt(inside.sum())
        want.append(10 * np.log10(2 * np.sum(np.abs(spectrum[inside]) ** 2) / count**2))
    found = bands.band_levels_db(np.fft.irfft(spectrum, count), 48000.0, chosen)
    np.testing.assert_allclose(found, want, atol=0.4)


def test_levels_of_white_noise_and_of_a_tone_are_known() -> None:
    rng = np.random.default_rng(3)
    chosen = bands.bands_between(100, 16000, 3)
    noise = rng.standard_normal(30 * 48000)
    found = bands.band_levels_db(noise, 48000.0, chosen)
    want = 10 * np.log10(chosen.widths_hz / 24000)  # power per hertz is 1/24000
    # Three standard deviations 4.34/√(B·T), B = 23 to 3660 Hz, and 0.02 dB for the windows' width.
    assert np.all(np.abs(found - want) < 3 * 4.343 / np.sqrt(chosen.widths_hz * 30) + 0.02)
    tone = np.sqrt(2) * np.sin(2 * np.pi * 1000 * np.arange(48000) / 48000)
    (level,) = bands.band_levels_db(tone, 48000.0, bands.bands_between(1000, 1000, 3))
    assert level == pytest.approx(-0.03, abs=0.01)  # the correction for the effective bandwidth


@settings(max_examples=15, deadline=None)
@given(gain_db=st.floats(-60, 60))
def test_a_gain_shifts_all_levels(gain_db: float) -> None:
    x = np.random.default_rng(2).standard_normal(48000)
    chosen = bands.bands_between(125, 8000, 1)
    louder = bands.band_levels_db(10 ** (gain_db / 20) * x, 48000.0, chosen)
    np.testing.assert_allclose(louder - bands.band_levels_db(x, 48000.0, chosen), gain_db, atol=1e-9)


def test_what_cannot_be_done_is_said() -> None:
    with pytest.raises(InputError, match=r"found 0.50 s, expected at least .* for the band at 25 Hz"):
        bands.band_levels_db(np.zeros(24000), 48000.0, bands.bands_between(25, 100, 3))
    levels = bands.band_levels_db(
        np.random.default_rng(1).standard_normal(32000), 32000.0, bands.bands_between(1000, 16000, 1)
    )
    assert np.isfinite(levels[:-1]).all()
    assert np.isnan(levels[-1])
