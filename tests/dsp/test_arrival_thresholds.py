"""Which maximum of an envelope is the arrival: envelopes of single bumps with known times, levels and noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from references.sub_onset import RATE_HZ as SUB_RATE_HZ
from references.sub_onset import low_pass

from commission.dsp import timing
from commission.model import FloatArray

RATE_HZ = 16384.0


def envelope(*bumps: tuple[float, float], noise_db: float = -70.0, noise_from: float = 0.0) -> FloatArray:
    """Bumps of 0.12 ms (half width), each (time [ms], level [dB]), over steady noise. [shape=(4096,)]"""
    time_ms = np.arange(4096) / RATE_HZ * 1000
    out = np.where(time_ms >= noise_from, 10 ** (noise_db / 20), 0.0)
    for at_ms, level_db in bumps:
        out = np.maximum(out, 10 ** (level_db / 20) * np.exp(-(((time_ms - at_ms) / 0.1) ** 2)))
    return np.asarray(out)


def arrival_ms(found: timing.Arrival) -> float | None:
    return None if found.time_s is None else 1000 * found.time_s


def test_the_direct_sound_may_be_12_db_below_a_reflection() -> None:
    for level_db, at_ms in ((-11.0, 10.0), (-13.0, 13.0)):
        found = timing.main_arrival(envelope((10.0, level_db), (13.0, 0.0)), RATE_HZ)
        assert arrival_ms(found) == pytest.approx(at_ms, abs=0.01)


@pytest.mark.parametrize(
    ("level_db", "before_ms", "noise_db", "doubtful"),
    [
        (-19.0, 1.0, -70.0, True),
        (-21.0, 1.0, -70.0, False),  # 20 dB below
        (-15.0, 0.5, -70.0, True),
        (-15.0, 1.0, -38.0, False),  # less than 40 dB above the noise it may be noise
        (-15.0, 1.0, -42.0, True),
    ],
)
def test_a_weaker_sound_before_it_makes_an_arrival_doubtful(
    level_db: float, before_ms: float, noise_db: float, doubtful: bool
) -> None:
    found = timing.main_arrival(envelope((10.0 - before_ms, level_db), (10.0, 0.0), noise_db=noise_db), RATE_HZ)
    assert arrival_ms(found) == pytest.approx(10.0, abs=0.01)
    assert (found.why is not None) is doubtful
    # Half of their difference is added to the usual uncertainty of an arrival.
    expected_s = timing.U_MAIN_S + (before_ms / 2000 if doubtful else 0.0)
    assert found.u_s == pytest.approx(expected_s, abs=1e-5)
    assert found.why is None or f"comes {before_ms:.1f} ms earlier" in found.why


@pytest.mark.parametrize(("noise_db", "heard"), [(-31.0, True), (-29.0, False)])
def test_an_arrival_is_30_db_above_the_noise(noise_db: float, heard: bool) -> None:
    found = timing.main_arrival(envelope((10.0, 0.0), noise_db=noise_db), RATE_HZ)
    assert (found.time_s is not None) is heard
    assert heard or "29 dB above the noise" in (found.why or "")
    # Noise is read from the last 15 % of 250 ms.
    late = timing.main_arrival(envelope((10.0, 0.0), noise_db=-20.0, noise_from=215.0), RATE_HZ)
    early = envelope((10.0, 0.0)) + 0.1 * (np.arange(4096) / RATE_HZ < 0.005)
    assert late.time_s is None
    assert timing.main_arrival(early, RATE_HZ).time_s is not None


def test_silence_has_no_arrival() -> None:
    for nothing in (np.zeros(100), np.zeros(0)):
        found = timing.main_arrival(nothing, RATE_HZ)
        assert (found.time_s, found.why) == (None, "nothing is heard between 1 and 8 kHz")


def test_a_maximum_between_samples_is_the_vertex_of_its_parabola() -> None:
    for vertex in (5.0, 5.3, 4.6):
        values = 9.0 - (np.arange(11.0) - vertex) ** 2
        assert timing.vertex(values, int(np.argmax(values))) == pytest.approx(vertex)
    assert timing.vertex(np.arange(5.0), 4) == 4.0
    assert timing.vertex(np.arange(5.0), 0) == 0.0
    assert timing.vertex(np.ones(5), 2) == 2.0
    assert timing.first_maximum(np.array([0.0, 3.0, 1.0, 2.0, 2.0, 0.0, 5.0, 0.0]), 1.5) == 1
    assert timing.first_maximum(np.array([0.0, 1.0, 0.5, 2.0, 2.0, 0.0, 5.0, 0.0]), 1.5) == 4  # the end of a plateau
    assert timing.first_maximum(np.array([0.0, 1.0, 2.0, 3.0]), 1.0) == 3  # none: the largest


def test_the_uncertainty_of_an_arrival_is_that_of_places_in_centimetres() -> None:
    # 2 cm of path, and ±30 mm rectangular (JCGM 100 4.3.7), at 343 m/s.
    assert pytest.approx(0.02 / 343, rel=0.01) == timing.PLACEMENT_U_S
    assert pytest.approx(0.03 / 343 / math.sqrt(3), rel=0.02) == timing.CENTRE_U_S
    parts = (timing.PLACEMENT_U_S, timing.CENTRE_U_S, timing.CROSSOVER_U_S, timing.ESTIMATOR_U_S)
    assert pytest.approx(math.hypot(*parts)) == timing.U_MAIN_S


# --- subwoofers ----------------------------------------------------------------------------------------------------


def filtered(order: int, corner_hz: float, ripple_db: float = 0.0) -> FloatArray:
    """A Butterworth low-pass alone, from 20 ms on; `ripple_db`: modes by thirds of an octave, standard deviation."""
    spectrum = low_pass("butterworth", order, corner_hz)
    freq_hz = np.fft.rfftfreq(2 * (len(spectrum) - 1), 1 / SUB_RATE_HZ)
    at_hz = np.geomspace(10, 2000, 24)
    wild = np.interp(np.log(np.maximum(freq_hz, 1)), np.log(at_hz), np.random.default_rng(3).normal(0, 1, 24))
    impulse = np.roll(np.fft.irfft(spectrum * 10 ** (ripple_db * wild / 20)), round(0.02 * SUB_RATE_HZ))
    return np.asarray(impulse + np.random.default_rng(1).normal(0, 1e-6 * np.abs(impulse).max(), len(impulse)))


@pytest.mark.parametrize("order", [2, 4])
@pytest.mark.parametrize("corner_hz", [70.0, 120.0])
@pytest.mark.parametrize(("ripple_db", "orders", "share"), [(0.0, 0.5, 0.06), (0.8, 1.0, 0.2)])
def test_the_slope_of_a_filter_is_read_through_the_ripple_of_a_room(
    order: int, corner_hz: float, ripple_db: float, orders: float, share: float
) -> None:
    # Without ripple within the grids of half an order and 5 %; with it order and corner trade against each other.
    read = timing.low_passes_of(filtered(order, corner_hz, ripple_db), SUB_RATE_HZ, round(0.02 * SUB_RATE_HZ))
    assert read is not None
    found = max(read, key=lambda each: each.delay_s)
    assert found.order == pytest.approx(order, abs=orders)
    assert found.corner_hz == pytest.approx(corner_hz, rel=share)


@pytest.mark.parametrize(
    ("order", "corner_hz", "doubtful"), [(4, 90.0, False), (4, 50.0, True), (8, 90.0, True), (2, 120.0, False)]
)
def test_a_slope_that_begins_low_or_is_steep_makes_the_onset_doubtful(
    order: int, corner_hz: float, doubtful: bool
) -> None:
    found = timing.sub_arrival(filtered(order, corner_hz), SUB_RATE_HZ)
    assert found.time_s is not None
    assert (found.u_s > timing.U_SLOPE_DOUBTFUL_S) is doubtful
    # 0.27 ms of delay by the roll-off of any subwoofer is not mentioned, 2 ms is.
    assert (found.why is not None) is (order > 2)


def test_a_steeper_and_a_lower_low_pass_delay_the_onset_more() -> None:
    # Group delay at low frequencies of a Butterworth filter: 1.41/ω0 for order 2, 2.61/ω0 for order 4 (handbook values).
    second, fourth = timing.LowPass(2.0, 80.0), timing.LowPass(4.0, 80.0)
    assert fourth.delay_s > 1.5 * second.delay_s
    assert timing.LowPass(4.0, 40.0).delay_s == pytest.approx(2 * fourth.delay_s)
    assert second.delay_s < 1.41 / (2 * math.pi * 80)  # the onset at −20 dB comes before the middle of the energy
    assert fourth.delay_s < 2.61 / (2 * math.pi * 80)
