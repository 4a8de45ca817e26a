"""Energy by band over time, against scipy's filters and the class 1 limits of IEC 61260-1."""

from __future__ import annotations

import numpy as np
import pytest
from decays import RATE_HZ, noises
from references.catalogue import table
from scipy import signal

from commission.dsp.band_energy import OCTAVES, THIRDS, Bands, band_energy, band_gain, band_noise_power, spectra_of


@pytest.mark.parametrize("fraction", [1, 3])
@pytest.mark.parametrize("centre_hz", [63.0957, 1000.0, 7943.28])
def test_the_filter_is_scipys_butterworth(centre_hz: float, fraction: int) -> None:
    edges = 2 * np.pi * centre_hz * 10 ** (np.array([-0.15, 0.15]) / fraction)
    b, a = signal.butter(3, edges, "bandpass", analog=True)
    freq = np.geomspace(centre_hz / 8, centre_hz * 8, 200)
    _, expected = signal.freqs(b, a, 2 * np.pi * freq)
    # 1e-6 of the pass band: scipy multiplies polynomials of sixth order out, which costs digits far from the centre.
    np.testing.assert_allclose(band_gain(freq, centre_hz, fraction), expected, atol=1e-6)


@pytest.mark.parametrize("fraction", [1, 3])
def test_filters_are_of_class_1(fraction: int) -> None:
    """IEC 61260-1:2014 Table 1 and formulas (9) to (11), by way of another library."""
    lines = [line for line in table("bands/independent_class1_limits.csv") if line["fraction"] == str(fraction)]
    ratio, least, largest = (np.array([float(line[key]) for line in lines]) for key in list(lines[0])[1:])
    attenuation = -20 * np.log10(np.abs(band_gain(ratio, 1.0, fraction)))
    # No tolerance: the mask is the tolerance.
    assert np.all(attenuation >= least)
    assert np.all(attenuation <= largest)


def test_centres_and_widths_are_those_of_iec_61260_1() -> None:
    """Clause 5: fm = 1000·10^(0.3·k/b), edges fm·10^(±0.15/b); values with a calculator."""
    np.testing.assert_allclose(OCTAVES.centres_hz[:3], [63.0957, 125.8925, 251.1886], atol=1e-4)
    np.testing.assert_allclose(THIRDS.centres_hz[[0, 1, 12]], [63.0957, 79.4328, 1000.0], atol=1e-4)
    assert Bands((0,), 3).widths_hz[0] == pytest.approx(1122.0185 - 891.2509, abs=1e-3)  # 10^3.05 and 10^2.95 Hz


@pytest.mark.parametrize("centre", [0, 1, 4])
def test_reversed_energy_is_that_of_a_causal_filter_run_backward(centre: int) -> None:
    h = noises(0.3, 2, seed=1)
    centre_hz = float(OCTAVES.centres_hz[centre])
    edges = centre_hz * 10 ** np.array([-0.15, 0.15])
    sections = signal.butter(3, edges, "bandpass", fs=RATE_HZ, output="sos")
    padded = np.pad(h.astype(float), ((0, 0), (0, h.shape[1])))
    back = signal.sosfilt(sections, padded[:, ::-1])[:, ::-1]
    times = np.array([0.05, 0.1, 0.2])  # to 36 dB below the start
    expected = np.stack([(back[:, round(t * RATE_HZ) :] ** 2).sum(axis=1) / RATE_HZ for t in times], axis=1)
    energy = band_energy(spectra_of(h, RATE_HZ, OCTAVES), centre_hz, 1, "reversed")
    left = energy.sums[:, -1:] - energy.until(np.tile(times, (2, 1)))
    # 0.5 dB: the envelope lacks the ripple at twice the frequency, which a cut in the middle of a cycle sees at 63 Hz: half
    # a cycle (8 ms) of a decay of 0.3 s is 1.6 dB, a third of which is found.
    np.testing.assert_allclose(10 * np.log10(left / expected), 0.0, atol=0.5)


def test_energy_is_what_the_spectrum_holds() -> None:
    h = noises(0.3, 3, seed=2).astype(float)
    spectrum = np.fft.rfft(h, axis=-1)
    freq = np.fft.rfftfreq(h.shape[1], 1 / RATE_HZ)
    for bands in (OCTAVES, THIRDS):
        spectra = spectra_of(h, RATE_HZ, bands)
        for centre_hz in bands.centres_hz[::4]:
            power = np.abs(band_gain(np.maximum(freq, 1e-3), centre_hz, bands.fraction)) ** 2 * np.abs(spectrum) ** 2
            expected = 2 * power.sum(axis=1) / h.shape[1] / RATE_HZ  # Parseval
            got = band_energy(spectra, float(centre_hz), bands.fraction, "zero phase").sums[:, -1]
            np.testing.assert_allclose(
                got, expected, rtol=2e-3
            )  # single precision, skirts cut at −70 dB, bins of 1 Hz


def test_noise_power_is_density_times_width() -> None:
    rng = np.random.default_rng(3)
    white = rng.standard_normal((40, 24000))
    got = band_noise_power(white, RATE_HZ, OCTAVES).mean(axis=0)
    # A third-order Butterworth band is (π/6)/sin(π/6) = 1.0472 times as wide for noise as between its −3 dB points.
    expected = 2 / RATE_HZ * OCTAVES.widths_hz * 1.0472
    # Three standard errors: 0.5 s, 40 of them and the Hann window (1.94 times the variance): sqrt(1.94/(B·20)).
    for value, truth, width in zip(got[:-1], expected[:-1], OCTAVES.widths_hz[:-1], strict=True):
        assert value == pytest.approx(truth, rel=3 * np.sqrt(1.94 / (width * 20)) + 0.005)


def test_bands_beyond_the_sample_rate_are_left_out() -> None:
    assert np.isnan(band_noise_power(np.ones((1, 4000)), 8000.0, OCTAVES)[0, -2:]).all()
