"""Sums of subwoofers and mains: computed by hand, textbook crossovers by scipy, measured drivers."""

from __future__ import annotations

import numpy as np
import pytest
from bass_rooms import BINS_HZ, crossover_room, modal_room
from open_data import MEASURED_DRIVERS, NO_DATA, measured_drivers
from scipy import integrate, signal

from commission.dsp.crossover import (
    CrossoverPair,
    crossover_octave,
    crossover_sum_db,
    filters_sum_db,
    find_hole,
    fit_crossover,
    slope_db,
    summation_db,
)


def linkwitz_riley(crossover_hz: float, kind: str) -> np.ndarray:
    """Fourth order: an analogue Butterworth of second order twice, by scipy [shape=(n,)]."""
    b, a = signal.butter(2, 2 * np.pi * crossover_hz, kind, analog=True)
    return np.asarray(signal.freqs(b, a, 2 * np.pi * BINS_HZ)[1]) ** 2


def pair(subs: np.ndarray, mains: np.ndarray) -> CrossoverPair:
    return CrossoverPair(subs, mains, BINS_HZ, 80.0)


@pytest.mark.parametrize(("phase_deg", "loss_db"), [(0, 0.0), (60, -1.2494), (90, -3.0103), (120, -6.0206)])
def test_equal_parts_lose_by_their_phase(phase_deg: float, loss_db: float) -> None:
    # 20·lg cos(φ/2), by hand.
    turned = np.exp(1j * np.radians([phase_deg]))
    assert summation_db(np.ones(1, complex), turned) == pytest.approx(loss_db, abs=1e-3)


def test_unequal_parts_worked_by_hand() -> None:
    # |3 − 1| of 3 + 1: 20·lg 0.5.
    assert summation_db(np.array([3.0 + 0j]), np.array([-1.0 + 0j])) == pytest.approx(-6.0206, abs=1e-3)
    assert summation_db(np.zeros(1, complex), np.zeros(1, complex)) == pytest.approx(0.0)


def test_the_octave_around_80_hz() -> None:
    inside = BINS_HZ[crossover_octave(BINS_HZ, 80.0)]
    assert inside[0] == 57.0 and inside[-1] == 113.0


def test_filters_alone_reach_what_their_type_says() -> None:
    for sign in (1, -1):
        low, high = linkwitz_riley(80.0, "low"), sign * linkwitz_riley(80.0, "high")
        assert filters_sum_db(low, high, BINS_HZ, 80.0) == pytest.approx(0.0, abs=1e-6)

    def third_order(kind: str) -> np.ndarray:
        b, a = signal.butter(3, 2 * np.pi * 80.0, kind, analog=True)
        return np.asarray(signal.freqs(b, a, 2 * np.pi * BINS_HZ)[1])

    low, high = third_order("low"), third_order("high")
    octave = (BINS_HZ >= 80 / np.sqrt(2)) & (BINS_HZ <= 80 * np.sqrt(2))
    expected = 20 * np.log10(np.hypot(np.abs(low), np.abs(high)) / (np.abs(low) + np.abs(high)))[octave]
    mean_db = float(np.average(expected, weights=1 / BINS_HZ[octave]))
    # 0.05 dB: the octave's edges have other weights, as in the pooled sum below.
    assert filters_sum_db(low, high, BINS_HZ, 80.0) == pytest.approx(mean_db, abs=0.05)
    assert -3.0103 < mean_db < -2.0


@pytest.mark.parametrize(("order", "reason"), [(None, "slope"), (2, "slope"), (4, "polarity")])
def test_an_entered_slope_is_believed_before_one_that_the_room_has_filled(order: int | None, reason: str) -> None:
    """24 dB per octave, made to look like 18 by 6 dB above the octave: reversed, or two slopes of 12 dB per octave?"""
    filled = np.where(BINS_HZ > 115, 10 ** (6 / 20), 1.0)
    subs, mains = -linkwitz_riley(80.0, "low") * filled, linkwitz_riley(80.0, "high")
    low = None
    if order is not None:
        b, a = signal.butter(order, 2 * np.pi * 80.0, analog=True)
        low = np.asarray(signal.freqs(b, a, 2 * np.pi * BINS_HZ)[1])
    heard = CrossoverPair(np.tile(subs, (6, 1)), np.tile(mains, (1, 6, 1)), BINS_HZ, 80.0, low_pass=low)
    hole = find_hole(heard)
    assert hole is not None and (hole.reason, hole.polarity) == (reason, -1)


@pytest.mark.parametrize("late_ms", [-2.0, 0.0, 1.5])
def test_a_late_subwoofer_of_a_textbook_crossover_is_brought_back(late_ms: float) -> None:
    low = linkwitz_riley(80.0, "low") * np.exp(-2j * np.pi * BINS_HZ * late_ms / 1000)
    found = fit_crossover(pair(low[None], linkwitz_riley(80.0, "high")[None, None]))
    # The nearest delay to the arrivals that costs no more than the displayed 0.1 dB: about 0.6 ms at 80 Hz, in steps of 0.05 ms.
    assert found.delay_s * 1000 == pytest.approx(-late_ms, abs=0.7)
    assert found.polarity == 1 and found.after_db[0] == pytest.approx(-0.1 if late_ms else 0.0, abs=0.02)
    assert found.before_db[0] <= found.after_db[0] + 1e-9


def test_a_reversed_subwoofer_is_turned_over() -> None:
    found = fit_crossover(pair(-linkwitz_riley(80.0, "low")[None], linkwitz_riley(80.0, "high")[None, None]))
    assert found.polarity == -1 and abs(found.delay_s) < 0.7e-3 and found.inverting_gains_db > 1.0


def test_half_a_period_is_no_reason_to_invert_it() -> None:
    """Late by a quarter of a period, both polarities are equally good, and the present one stays."""
    late = linkwitz_riley(80.0, "low") * np.exp(-2j * np.pi * BINS_HZ * 0.25 / 80.0)
    found = fit_crossover(pair(late[None], linkwitz_riley(80.0, "high")[None, None]))
    assert found.polarity == 1 and abs(found.inverting_gains_db) < 1.0


def test_the_search_stays_within_a_quarter_of_a_period() -> None:
    low, high = linkwitz_riley(80.0, "low"), linkwitz_riley(80.0, "high")
    late = low * np.exp(-2j * np.pi * BINS_HZ * 9e-3)
    assert abs(fit_crossover(pair(late[None], high[None, None])).delay_s) <= 0.25 / 80 + 1e-9
    known = fit_crossover(pair(late[None], high[None, None]), around_s=-9e-3)
    assert known.delay_s * 1000 == pytest.approx(-9.0, abs=0.7)


def test_three_mains_are_pooled_over_all_seats() -> None:
    """In a simulated room no delay of a fine grid is better by more than the flatness tolerance."""
    h, *_ = modal_room(21, 4, 6, BINS_HZ)
    sub, mains = h[0] * linkwitz_riley(80.0, "low"), h[1:] * linkwitz_riley(80.0, "high")
    found = fit_crossover(pair(sub, mains))
    octave = (BINS_HZ >= 80 / np.sqrt(2)) & (BINS_HZ <= 80 * np.sqrt(2))
    weights = 1 / BINS_HZ[octave]

    def mean(delay_s: float, sign: int) -> float:
        total = np.abs(sign * sub * np.exp(-2j * np.pi * BINS_HZ * delay_s) + mains)
        loss = 20 * np.log10(total / (np.abs(sub) + np.abs(mains)))[..., octave]
        return float(np.average(loss.mean(axis=(0, 1)), weights=weights))

    best = max(mean(d, found.polarity) for d in np.linspace(-0.25, 0.25, 41) / 80)
    # 0.1 dB counts as flat, plus 0.05 dB for other weights at the octave's edges.
    assert mean(found.delay_s, found.polarity) >= best - 0.15
    assert found.after_db.mean() == pytest.approx(mean(found.delay_s, found.polarity), abs=0.05)
    assert crossover_sum_db(pair(sub, mains)).mean() == pytest.approx(mean(0.0, 1), abs=0.05)


def test_measured_drivers_sum_as_their_phase_says() -> None:
    """A measured woofer and tweeter around 2 kHz: aligned, they lose less than with reversed polarity."""
    if not MEASURED_DRIVERS.is_file():
        pytest.skip(NO_DATA)
    drivers, rate_hz = measured_drivers()
    freq = np.fft.rfftfreq(drivers.shape[1], 1 / rate_hz)
    woofer, tweeter = np.fft.rfft(drivers)
    found = fit_crossover(CrossoverPair(woofer[None], tweeter[None, None], freq, 2000.0))
    assert found.after_db[0] >= found.before_db[0] - 1e-9
    assert abs(found.delay_s) <= 0.25 / 2000 + 1e-12


def test_without_a_frequency_in_the_octave_it_is_refused() -> None:
    with pytest.raises(ValueError, match="half an octave"):
        fit_crossover(
            CrossoverPair(np.ones((1, 3), complex), np.ones((1, 1, 3), complex), np.array([200.0, 210, 220]), 80.0)
        )


@pytest.mark.parametrize(("shape", "power"), [("low", 0), ("high", 8), ("none", None)])
def test_the_filters_of_a_crossover_show_in_the_slope_around_it(shape: str, power: int | None) -> None:
    """Linkwitz-Riley of fourth order: |H|² = 1/(1 + x⁴)² and x⁸/(1 + x⁴)², integrated by scipy."""

    def mean(low: float, high: float) -> float:
        total, _ = integrate.quad(lambda x: 1.0 if power is None else x**power / (1 + x**4) ** 2, low, high)
        return float(total / (high - low))

    filters = np.ones(len(BINS_HZ), complex) if power is None else linkwitz_riley(80.0, shape)
    want = 10 * np.log10(mean(0.45, 0.65) / mean(1.5, 2.2))
    # Bins of 1 Hz: half a bin at the steep end of a band 16 to 56 Hz wide.
    assert slope_db(np.array([filters, 0.1 * filters]), BINS_HZ, 80.0) == pytest.approx(want, abs=0.15)


def late(subs: np.ndarray, by_s: float) -> np.ndarray:
    return np.asarray(subs * np.exp(-2j * np.pi * BINS_HZ * by_s))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("mains", ["closed", "vented"])
def test_an_aligned_room_has_no_hole(seed: int, mains: str) -> None:
    """Aligned by the distances from one seat, and up to a millisecond off, as after tape and crossovers."""
    subs, main = crossover_room(seed, "modes", mains=mains)
    for by_s in (-1e-3, 0.0, 1e-3):
        assert find_hole(pair(late(subs, by_s), main)) is None


@pytest.mark.parametrize("seed", [0, 1, 4])
def test_a_hole_is_found_with_its_reason_and_mend(seed: int) -> None:
    subs, main = crossover_room(seed, "modes")
    reversed_, delayed = (find_hole(pair(s, main), a) for s, a in ((-subs, 0.0), (late(subs, 6e-3), -6e-3)))
    assert reversed_ is not None and reversed_.reason in ("polarity", "slope") and reversed_.polarity == -1
    assert reversed_.gain_db == pytest.approx(reversed_.inverting_gains_db) and reversed_.gain_db >= 1.0
    assert delayed is not None and delayed.reason == "delay" and delayed.polarity == 1
    assert delayed.delay_s == pytest.approx(-6e-3, abs=1e-3)


@pytest.mark.parametrize("seed", range(0, 12, 2))
def test_with_slopes_of_12_db_a_hole_is_not_called_a_wrong_polarity(seed: int) -> None:
    """Two slopes of 12 dB per octave are 180° apart with the correct polarity, and the other polarity corrects that."""
    subs, main = crossover_room(seed, "modes", mains="flat")
    s = 1j * BINS_HZ / 80.0
    hole = find_hole(pair(subs * (s * s + np.sqrt(2.0) * s + 1), main))
    assert hole is None or (hole.reason != "polarity" and hole.gain_db >= 3.0 and hole.gain_seat_share >= 2 / 3)
    unreachable = find_hole(pair(subs * (s * s + np.sqrt(2.0) * s + 1), main), 0.0, (0.0, 0.0))
    assert unreachable is None or unreachable.delay_s == 0.0


def test_a_hole_at_one_seat_or_of_few_responses_is_none() -> None:
    subs, main = crossover_room(0, "modes")
    turned = np.concatenate((-subs[:1], subs[1:]))
    assert find_hole(pair(turned, main)) is None
    assert find_hole(pair(-subs[:2], main[:2, :2])) is None
