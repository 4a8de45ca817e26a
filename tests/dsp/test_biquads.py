"""Biquads against the cookbook's formulas as another library computes them, and against analogue prototypes."""

from __future__ import annotations

import math
import shutil
import subprocess

import numpy as np
import pytest
from scipy import signal

from commission.dsp.biquads import (
    cookbook_q,
    entered_width,
    filters_response,
    peaking,
)
from commission.model import Filter, FilterWidth

RATE_HZ = 48000.0
FREQ_HZ = np.geomspace(10, 20000, 300)


def test_a_peak_has_its_gain_at_its_frequency_and_half_of_it_at_the_edges() -> None:
    # The cookbook: bandwidth between the points of half the gain in dB, 1/Q = 2·sinh(ln 2/2·BW·w0/sin w0).
    f0, gain, q = 50.0, -9.0, 4.0
    w0 = 2 * math.pi * f0 / RATE_HZ
    octaves = 2 / math.log(2) * math.asinh(1 / (2 * q)) * math.sin(w0) / w0
    edges = f0 * 2 ** np.array([-octaves / 2, 0.0, octaves / 2])
    levels = 20 * np.log10(np.abs(peaking(f0, gain, q, RATE_HZ).response(edges, RATE_HZ)))
    # 1e-3 dB: the bilinear transform bends the frequency axis by 1e-5 at 50 Hz.
    assert np.allclose(levels, [gain / 2, gain, gain / 2], atol=1e-3)


@pytest.mark.parametrize("gain_db", [-12.0, -3.0, 6.0])
def test_a_peak_is_the_bilinear_transform_of_the_cookbooks_prototype(gain_db: float) -> None:
    # H(s) = (s² + s·(A/Q) + 1)/(s² + s/(A·Q) + 1), A = 10^(gain/40); by scipy's own bilinear transform, warped at f0.
    f0, q = 63.0, 2.5
    size = 10 ** (gain_db / 40)
    warped = 2 * RATE_HZ * math.tan(math.pi * f0 / RATE_HZ)
    b, a = signal.bilinear(
        [1 / warped**2, size / q / warped, 1], [1 / warped**2, 1 / (size * q) / warped, 1], RATE_HZ
    )
    _, expected = signal.freqz(b, a, FREQ_HZ, fs=RATE_HZ)
    assert np.allclose(peaking(f0, gain_db, q, RATE_HZ).response(FREQ_HZ, RATE_HZ), expected, rtol=1e-6)


def test_a_peak_agrees_with_sox(tmp_path) -> None:
    if shutil.which("sox") is None:
        pytest.skip("sox is not installed")
    import soundfile

    impulse = np.zeros(48000)
    impulse[0] = 0.5
    soundfile.write(tmp_path / "in.wav", impulse, 48000, subtype="FLOAT")
    out = ["-e", "floating-point", "-b", "64", tmp_path / "out.wav"]  # 24 bits would add up to 1e-5 in the transform
    subprocess.run(["sox", tmp_path / "in.wav", *out, "equalizer", "60", "3q", "-6"], check=True)
    heard = soundfile.read(tmp_path / "out.wav")[0] / 0.5
    freq = np.arange(20.0, 200.0)
    expected = np.fft.rfft(heard)[20:200]  # one second: every whole hertz is a bin
    # 1e-6: sox computes on samples of 32 bits, whose rounding adds up over a second to 2e-7.
    assert np.allclose(peaking(60.0, -6.0, 3.0, RATE_HZ).response(freq, RATE_HZ), expected, atol=1e-6)


@pytest.mark.parametrize(("freq_hz", "q"), [(0.0, 1.0), (24000.0, 1.0), (50.0, 0.0)])
def test_filters_that_cannot_be_are_refused(freq_hz: float, q: float) -> None:
    with pytest.raises(ValueError, match="a filter needs"):
        peaking(freq_hz, -3.0, q, RATE_HZ)


@pytest.mark.parametrize("gain_db", [-9.0, 4.0])
@pytest.mark.parametrize(("kind", "bell"), [("q", "III"), ("pole-q", "II")])
def test_both_definitions_of_q_agree_with_pyfar(kind: FilterWidth, bell: str, gain_db: float) -> None:
    # pyfar 0.8: bell III takes the bandwidth at half the gain in dB, bell II 3 dB below the top.
    import pyfar

    filt = pyfar.dsp.filter.bell(None, 63.0, gain_db, 3.0, bell_type=bell, sampling_rate=48000)
    _, expected = signal.freqz(filt.coefficients[0][0], filt.coefficients[0][1], FREQ_HZ[:150], fs=RATE_HZ)
    ours = filters_response([Filter(frequency_hz=63.0, gain_db=gain_db, width=3.0)], kind, FREQ_HZ[:150])
    # 0.01 dB: pyfar warps the quality by cos instead of the bandwidth.
    assert np.allclose(20 * np.log10(np.abs(ours / expected)), 0.0, atol=0.01)


def test_a_bandwidth_in_octaves_lies_between_the_points_of_half_the_gain() -> None:
    edges = 50.0 * 2 ** np.array([-0.25, 0.25])
    ours = filters_response([Filter(frequency_hz=50.0, gain_db=-8.0, width=0.5)], "octaves", edges)
    assert np.allclose(20 * np.log10(np.abs(ours)), -4.0, atol=1e-3)


@pytest.mark.parametrize("kind", ["q", "pole-q", "octaves"])
def test_widths_are_converted_both_ways(kind: FilterWidth) -> None:
    for q, gain_db in ((0.7, -6.0), (4.3, 3.0)):
        assert cookbook_q(entered_width(q, kind, gain_db), kind, gain_db) == pytest.approx(q, rel=1e-12)


def test_filters_one_after_the_other_multiply() -> None:
    one, two = (Filter(frequency_hz=f, gain_db=-5.0, width=4.0) for f in (40.0, 70.0))
    both = filters_response((one, two), "q", FREQ_HZ)
    assert np.allclose(both, filters_response((one,), "q", FREQ_HZ) * filters_response((two,), "q", FREQ_HZ))
    assert np.array_equal(filters_response((), "q", FREQ_HZ), np.ones(len(FREQ_HZ)))
