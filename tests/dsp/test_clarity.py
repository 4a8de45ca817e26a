"""Clarity and definition: closed forms, Gaussian statistics, pyrato."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from decays import RATE_HZ, START_S, noises, starts, tones
from scipy.integrate import quad

from commission.dsp.band_energy import OCTAVES, THIRDS, band_gain
from commission.dsp.clarity import clarity_spread_db
from commission.dsp.decay import Estimate
from commission.dsp.reverberation import decays_and_clarity

CLOSED_FORMS = {("c80", 1.0): 3.0534, ("d50", 0.5): 0.74881}
"""C_te = 10·lg(e^(6·ln 10·te/T) − 1), D_te = 1 − e^(−6·ln 10·te/T)."""


@pytest.mark.parametrize("b", [1, 3, 5])
def test_closed_forms_of_an_exponential_decay(b: int) -> None:
    for (name, time_s), value in CLOSED_FORMS.items():
        h = tones(float(OCTAVES.centres_hz[b]), time_s, seconds=2.0)
        found = decays_and_clarity(h, RATE_HZ, OCTAVES, starts(4))[1]
        got = {"c80": found.c80_db, "d50": found.d50}[name][:, b]
        # The filter rounds off the start of the tone by 0.5/B at most; so much later, C80 falls by 10·lg e·k·t/(1 − e^(−k·te))
        # and D50 by k·t·e^(−k·te).
        k, late_s = 6 * np.log(10) / time_s, 0.5 / OCTAVES.widths_hz[b]
        x = np.exp(-k * (0.08 if name == "c80" else 0.05))
        most = 10 / np.log(10) * k * late_s / (1 - x) if name == "c80" else k * late_s * x
        assert np.all(np.abs(got - value) < most)
        assert np.all(got < value)


@pytest.mark.parametrize("b", [1, 3, 5])
def test_the_same_tones_through_scipys_filter(b: int) -> None:
    """|third-order Butterworth band-pass| by scipy.signal applied once, envelope by its Hilbert transform."""
    from scipy import signal

    centre_hz = float(OCTAVES.centres_hz[b])
    edges = 2 * np.pi * centre_hz * np.array([10**-0.15, 10**0.15])
    for name, time_s, early_s in (("c80", 1.0, 0.08), ("d50", 0.5, 0.05)):
        h = tones(centre_hz, time_s, seconds=2.0)
        found = decays_and_clarity(h, RATE_HZ, OCTAVES, starts(4))[1]
        frames, place = h.shape[1], round((START_S + early_s) * RATE_HZ)
        _, gain = signal.freqs(
            *signal.butter(3, edges, "bandpass", analog=True), 2 * np.pi * np.fft.rfftfreq(2 * frames, 1 / RATE_HZ)
        )
        band = np.fft.irfft(np.fft.rfft(h, 2 * frames) * np.abs(gain), 2 * frames)
        power = np.abs(signal.hilbert(band)) ** 2
        late = power[:, place:frames].sum(axis=1) - power[:, place] / 2  # a half of the sample on the edge
        early = power.sum(axis=1) - late
        # 1e-4 dB, 2e-5: single precision.
        if name == "c80":
            np.testing.assert_allclose(found.c80_db[:, b], 10 * np.log10(early / late), atol=1e-4)
        else:
            np.testing.assert_allclose(found.d50[:, b], early / (early + late), atol=2e-5)


def test_gaussian_decays_scatter_as_derived() -> None:
    time_s = 0.3
    found = decays_and_clarity(noises(time_s, 80, seed=1, background_db=-60), RATE_HZ, OCTAVES, starts(80))[1]
    k = 6 * np.log(10) / time_s
    for values, early_s in ((found.c50_db, 0.05), (found.c80_db, 0.08)):
        truth = 10 * np.log10(np.exp(k * early_s) - 1)
        for b in range(2, 8):
            spread = float(clarity_spread_db(np.array(time_s), OCTAVES.widths_hz[b], early_s))
            # Four standard errors of the mean, and half the squared spread in nepers: a logarithm's mean is low.
            assert values[:, b].mean() == pytest.approx(truth, abs=4 * spread / np.sqrt(80) + 0.12 * spread**2)
            # 80 values determine it within 8 %; the skirts add 5 % of B.
            assert values[:, b].std() == pytest.approx(spread, rel=0.25)
    for b in range(2, 8):  # D50 is a share: its mean is that of the formula, within four standard errors
        d50 = found.d50[:, b]
        assert d50.mean() == pytest.approx(1 - np.exp(-k * 0.05), abs=4 * d50.std() / np.sqrt(80))
    spread = found.estimate("d50", 0, 4).u
    assert spread == pytest.approx(float(found.d50[:, 4].std()), rel=0.6)  # from one response's own T


def test_pyrato_finds_the_same() -> None:
    """pyrato 1.1 on the same band signals, with its own computation of the decay curve."""
    warnings.simplefilter("ignore")
    pyfar, edc = pytest.importorskip("pyfar"), pytest.importorskip("pyrato.edc")
    parameters = pytest.importorskip("pyrato.parameters")
    h = noises(0.5, 3, seed=2, background_db=-60.0, seconds=1.5).astype(float)
    h[:, round(START_S * RATE_HZ)] += 8.0
    ours = decays_and_clarity(h, RATE_HZ, OCTAVES, starts(3))[1]
    frames = h.shape[1]
    freq = np.fft.rfftfreq(2 * frames, 1 / RATE_HZ)
    for b in (4, 5, 6):
        gain = np.abs(band_gain(np.maximum(freq, 1e-3), float(OCTAVES.centres_hz[b]), 1))
        band = np.fft.irfft(np.fft.rfft(h, 2 * frames, axis=1) * gain, axis=1)[:, :frames]
        # pyrato's curves begin at the first sample handed over: the ringing before the start is given to it, and to te.
        lead = 0.004
        for k in range(3):
            cut = pyfar.Signal(band[k][None, round((START_S - lead) * RATE_HZ) :], RATE_HZ)
            curve = edc.energy_decay_curve_chu_lundeby(
                cut, smoothing_parameter=np.array([OCTAVES.centres_hz[b]]), time_shift=False
            )
            for name, early_ms in (("c50", 50), ("c80", 80)):
                theirs = float(parameters.clarity(curve, early_ms + 1000 * lead)[0])
                assert ours.estimate(name, k, b).value == pytest.approx(theirs, abs=0.03)  # type: ignore[arg-type]
            theirs = float(parameters.definition(curve, 50 + 1000 * lead)[0])
            assert ours.estimate("d50", k, b).value == pytest.approx(theirs, abs=0.001)
        # 0.03 dB and 0.001: half a step of our grid at the edge of the early part (0.25 ms of a decay of 0.5 s is 0.03 dB).


def test_a_direct_sound_alone_is_all_early() -> None:
    """A causal filter of high order delays the direct sound and gives −inf; zero phase gives 36 dB and more."""
    h = np.zeros((1, 48000), np.float32)
    h[0, 960] = 1.0
    h += 1e-4 * noises(0.3, 1, seed=3)
    found = decays_and_clarity(h, RATE_HZ, OCTAVES, starts(1))[1]
    assert np.all(found.c50_db[0] > 35.0)
    assert np.all(found.d50[0] > 0.999)


def test_what_cannot_be_determined_has_a_reason() -> None:
    found = decays_and_clarity(noises(0.5, 1, seed=4), RATE_HZ, THIRDS, starts(1))[1]
    for quantity, early_ms in (("c50", 50), ("d50", 50), ("c80", 80)):  # 63 Hz: B·te = 0.7
        why = f"the band is too narrow to resolve {early_ms} ms"
        assert found.estimate(quantity, 0, 0) == Estimate(None, 0.0, why)  # type: ignore[arg-type]
    assert found.estimate("c80", 0, 8).value is not None  # 400 Hz
    noisy = decays_and_clarity(noises(0.5, 1, seed=5, background_db=-3.0), RATE_HZ, OCTAVES, starts(1))[1]
    estimate = noisy.estimate("c80", 0, 4)
    assert estimate.value is None
    assert "noise" in str(estimate.why_not) or "no decay" in str(estimate.why_not)
    silent = decays_and_clarity(np.zeros((1, 9600), np.float32), RATE_HZ, OCTAVES)[1]
    assert "no decay" in str(silent.estimate("c50", 0, 4).why_not)


@pytest.mark.parametrize("time_s", [0.2, 0.6])
@pytest.mark.parametrize("early_s", [0.05, 0.08])
def test_the_spread_is_that_of_the_energies_integrated_numerically(time_s: float, early_s: float) -> None:
    # Relative variance of the energy of a Gaussian decay in a band B: ∫e^(−2kt) / (B·(∫e^(−kt))²); C = 10 lg of a ratio.
    k, width_hz = 6 * np.log(10) / time_s, 700.0

    def relative(start_s: float, stop_s: float) -> float:
        square, single = (quad(lambda t, n=n: np.exp(-n * k * t), start_s, stop_s)[0] for n in (2, 1))
        return float(square / single**2 / width_hz)

    expected_db = 10 / np.log(10) * np.sqrt(relative(0, early_s) + relative(early_s, early_s + 5 * time_s))
    found = clarity_spread_db(np.array([time_s]), np.array([width_hz]), early_s)
    assert found == pytest.approx([expected_db], rel=1e-3)
