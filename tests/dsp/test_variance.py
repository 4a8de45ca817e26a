"""Seat variance against published examples, numpy, hand computation, a simulation of the measurement, properties."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from commission.dsp.repeatability import (
    Repeat,
    Repeatability,
    correlation,
    gain_u_db,
    measured_noise_db,
    placement_u_db,
    repeatability_of,
)
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import (
    Word,
    band_variance,
    change_word,
    own_band,
    without_one_db2,
    without_seat_level,
)
from commission.model import FloatArray

SEATS_AND_LEVELS = st.integers(2, 7).flatmap(
    lambda seats: arrays(float, (seats, 12), elements=st.floats(-60, 60, allow_nan=False))
)
steady = settings(deadline=None, max_examples=30)
EVERYWHERE = np.ones(12, dtype=bool)


def msv(levels: FloatArray, **options: object) -> float:
    found = band_variance(levels, np.ones(levels.shape[1], dtype=bool), **options)  # type: ignore[arg-type]
    assert found is not None
    return found.msv_db2


def test_three_seats_worked_by_hand() -> None:
    # 70, 73, 76 dB: mean 73, squares 9 + 0 + 9, over n = 3: 6.0 dB² (population); over n − 1 it would be 9.0.
    # Definition of the MSV: Welti & Devantier 2006, JAES 54(5) 347–364 (from memory).
    levels = np.array([[70.0], [73.0], [76.0]])
    assert msv(levels) == pytest.approx(6.0, abs=1e-12)
    assert np.var(levels, ddof=1) == pytest.approx(9.0)


def test_deviations_and_worst_seat_worked_by_hand() -> None:
    levels = np.array([[70.0, 74.0], [73.0, 73.0], [76.0, 72.0]])
    # per frequency 6 and 2/3 dB², mean 10/3; deviations −3, +1 | 0, 0 | +3, −1: rms √5, 0, √5; means −1, 0, +1
    found = band_variance(levels, np.array([True, True]))
    assert found is not None
    assert found.msv_db2 == pytest.approx(10 / 3)
    assert found.sd_db == pytest.approx(math.sqrt(10 / 3))
    assert found.deviation_db == pytest.approx((math.sqrt(5), 0.0, math.sqrt(5)))
    assert found.mean_deviation_db == pytest.approx((-1.0, 0.0, 1.0))
    assert found.worst == 0


@steady
@given(SEATS_AND_LEVELS)
def test_agrees_with_numpy(levels: FloatArray) -> None:
    assert msv(levels) == pytest.approx(float(np.mean(np.var(levels, axis=0))), abs=1e-8)


@steady
@given(SEATS_AND_LEVELS, st.floats(-40, 40))
def test_a_constant_for_all_seats_changes_nothing(levels: FloatArray, gain: float) -> None:
    assert msv(levels + gain) == pytest.approx(msv(levels), abs=1e-6)


@steady
@given(SEATS_AND_LEVELS, st.lists(st.floats(-40, 40), min_size=7, max_size=7))
def test_a_different_level_at_each_seat_does_not_change_the_tone(levels: FloatArray, gains: list[float]) -> None:
    def tone(values: FloatArray) -> float:
        return msv(without_seat_level(values, 10 * np.log10(np.mean(10 ** (values / 10), axis=1))))

    moved = levels + np.array(gains)[: len(levels), None]
    assert tone(moved) == pytest.approx(tone(levels), abs=1e-6)


@steady
@given(SEATS_AND_LEVELS, st.randoms(use_true_random=False))
def test_the_order_of_seats_does_not_matter(levels: FloatArray, random: object) -> None:
    order = list(range(len(levels)))
    random.shuffle(order)  # type: ignore[attr-defined]
    first, second = band_variance(levels, EVERYWHERE), band_variance(levels[order], EVERYWHERE)
    assert first is not None
    assert second is not None
    assert second.msv_db2 == pytest.approx(first.msv_db2, abs=1e-8)
    assert [second.deviation_db[order.index(i)] for i in range(len(levels))] == pytest.approx(first.deviation_db)


@steady
@given(SEATS_AND_LEVELS, st.floats(0, 5))
def test_scales_with_the_square(levels: FloatArray, factor: float) -> None:
    assert msv(factor * levels) == pytest.approx(factor**2 * msv(levels), rel=1e-9, abs=1e-6)


@steady
@given(SEATS_AND_LEVELS)
def test_weights_count_seats(levels: FloatArray) -> None:
    # A seat of weight two is two seats that hear the same.
    weights = [2.0] + [1.0] * (len(levels) - 1)
    assert msv(levels, weights=weights) == pytest.approx(msv(np.vstack((levels[:1], levels))), abs=1e-7)


def test_a_seat_without_weight_and_without_level_spoils_nothing() -> None:
    levels = np.array([[70.0, 70.0], [73.0, 73.0], [76.0, 76.0], [np.nan, 10.0]])
    found = band_variance(levels, np.array([True, True]), [1, 1, 1, 0])
    assert found is not None
    assert found.msv_db2 == pytest.approx(6.0)
    assert found.worst != 3


def test_a_seat_without_weight_is_shown_against_the_seats_that_count() -> None:
    # Mean of the three that count 73 dB: the fourth, at 10 dB, is −63 dB off, whatever it counts for.
    levels = np.array([[70.0, 70.0], [73.0, 73.0], [76.0, 76.0], [10.0, 10.0]])
    found = band_variance(levels, np.array([True, True]), [1, 1, 1, 0])
    assert found is not None
    assert found.mean_deviation_db == pytest.approx((-3.0, 0.0, 3.0, -63.0))
    assert found.deviation_db == pytest.approx((3.0, 0.0, 3.0, 63.0))
    levels[3, 1] = np.nan
    again = band_variance(levels, np.array([True, True]), [1, 1, 1, 0])
    assert again is not None
    assert math.isnan(again.mean_deviation_db[3])
    assert again.msv_db2 == pytest.approx(found.msv_db2)


@steady
@given(SEATS_AND_LEVELS.filter(lambda levels: len(levels) > 2), st.lists(st.integers(1, 4), min_size=7, max_size=7))
def test_leaving_one_seat_out_is_numpys_variance_of_the_others(levels: FloatArray, weights: list[int]) -> None:
    own = np.array(weights[: len(levels)], dtype=float)
    whole = band_variance(levels, EVERYWHERE, own.tolist())
    assert whole is not None
    left = without_one_db2(whole.msv_db2, own[0] / own.sum(), whole.deviation_db[0])
    assert left == pytest.approx(msv(levels[1:], weights=own[1:]), abs=1e-6)
    others = np.repeat(levels[1:], own[1:].astype(int), axis=0)
    assert left == pytest.approx(float(np.mean(np.var(others, axis=0))), abs=1e-6)


def test_impossible_weights_are_refused() -> None:
    with pytest.raises(ValueError, match="weights of seats must be"):
        msv(np.zeros((2, 1)), weights=[0.0, 0.0])


def test_frequencies_that_one_seat_lacks_are_left_out() -> None:
    levels = np.array([[70.0, np.nan, 1.0], [73.0, 0.0, 1.0], [76.0, 50.0, 1.0]])
    assert msv(levels) == pytest.approx(3.0)  # 6 and 0, the middle one not counted


def test_nothing_to_compare_is_none() -> None:
    assert band_variance(np.zeros((1, 3)), np.ones(3, dtype=bool)) is None
    assert band_variance(np.zeros((3, 3)), np.zeros(3, dtype=bool)) is None
    assert band_variance(np.full((3, 3), np.nan), np.ones(3, dtype=bool)) is None


def test_the_squared_repeatability_comes_off_and_never_below_zero() -> None:
    levels = np.array([[70.0], [73.0], [76.0]])
    # u²·(n − 1)/n = 1·2/3 off 6.0
    assert msv(levels, repeatability=Repeatability(place_db=1.0)) == pytest.approx(6.0 - 2 / 3)
    found = band_variance(np.array([[0.0], [0.1]]), np.array([True]), None, Repeatability(place_db=1.0))
    assert found is not None
    assert found.msv_db2 == 0.0
    assert found.floored
    assert math.isfinite(found.u_sd_db)
    alike = band_variance(np.zeros((2, 1)), np.array([True]))  # nothing is subtracted without scatter
    assert alike is not None and alike.msv_db2 == 0.0 and not alike.floored
    assert not band_variance(levels, np.array([True]), None, Repeatability(place_db=1.0)).floored  # type: ignore[union-attr]


POINTS = np.arange(48)
ROOT = np.linalg.cholesky(correlation(POINTS) + 1e-9 * np.eye(48))


def moved(rng: np.random.Generator, repeats: Repeatability, room: np.ndarray) -> np.ndarray:
    """Errors of six seats: the gain, and place and noise on third octaves that overlap as in `correlation`."""
    alike = rng.normal(0, 1, (6, 48)) @ ROOT.T
    other = rng.normal(0, 1, (6, 48)) @ ROOT.T
    return np.asarray(
        rng.normal(0, repeats.gain_db, (6, 1)) + alike * repeats.place_u_db(room) + other * repeats.noise_u_db(room)
    )


ONCE, AGAIN = (1,) * 6, (1, 2, 3, 1, 2, 3)


@pytest.mark.parametrize(
    ("repeats", "times"),
    [
        (Repeatability(gain_db=0.3), ONCE),
        (Repeatability(place_db=np.linspace(0.1, 0.5, 48), null_share=np.linspace(0.3, 0.0, 48)), ONCE),
        (Repeatability(noise_db=0.3), ONCE),
        (Repeatability(gain_db=0.2, place_db=0.3, noise_db=0.1), AGAIN),
    ],
)
@pytest.mark.parametrize("tone", [False, True])
def test_bias_and_uncertainty_against_a_simulated_measurement(
    repeats: Repeatability, times: tuple[int, ...], tone: bool
) -> None:
    # 300 measurements of one room: their mean must be the true MSV, their scatter the claimed u. Tolerances: the mean
    # within four standard errors and 1 % (a seat's own level bends with the errors of its points); u within 12 % (its own
    # scatter from 300 draws is 4.1 %; deviations are those of the noisy levels).
    rng = np.random.default_rng(3)
    room = np.cumsum(rng.normal(0, 0.6, (6, 48)), axis=1)
    inside, level = POINTS >= 20, (POINTS < 30) if tone else None
    true = band_variance(room, inside, None, None, level)
    assert true is not None
    values, claimed = [], []
    means = repeats.of_means(np.array(times), np.full(48, 20.0))
    for _ in range(300):
        draws = np.array([moved(rng, repeats, room) for _ in range(max(times))])
        errors = np.array([draws[:n, seat].mean(axis=0) for seat, n in enumerate(times)])
        found = band_variance(room + errors, inside, None, means, level)
        assert found is not None
        values.append(found.msv_db2)
        claimed.append(found.u_msv_db2)
    scatter = float(np.std(values))
    near = 4 * scatter / math.sqrt(300) + 0.01 * true.msv_db2
    assert np.mean(values) == pytest.approx(true.msv_db2, abs=near)
    assert float(np.mean(claimed)) == pytest.approx(scatter, rel=0.12, abs=1e-6)


def test_the_tone_is_the_variance_of_levels_less_their_own_mean_power() -> None:
    rng = np.random.default_rng(6)
    measured = rng.normal(-30, 3, (5, 16))
    level = 10 * np.log10(np.mean(10 ** (measured[:, :8] / 10), axis=1))
    found = band_variance(measured, np.ones(16, dtype=bool), None, None, np.arange(16) < 8)
    assert found is not None
    assert found.msv_db2 == pytest.approx(float(np.mean(np.var(measured - level[:, None], axis=0))))


def test_the_words_of_a_change() -> None:
    assert change_word(-2.1, 1.0) == "better"
    assert change_word(2.1, 1.0) == "worse"
    assert change_word(-1.0, 1.0) == "no real change"
    assert change_word(math.nan, 1.0) == "no real change"


def test_an_unchanged_room_is_rarely_called_changed() -> None:
    # Beyond U = 2 u is 4.6 % of a normal distribution; at most 10 % of 400 draws, as u is itself an estimate.
    rng = np.random.default_rng(5)
    room = np.cumsum(rng.normal(0, 1.0, (6, 48)), axis=1)
    inside, repeats, words = np.ones(48, dtype=bool), Repeatability(0.1, 0.25), []
    for _ in range(400):
        two = [band_variance(room + moved(rng, repeats, room), inside, None, repeats) for _ in range(2)]
        assert two[0] is not None
        assert two[1] is not None
        words.append(change_word(two[1].msv_db2 - two[0].msv_db2, 2 * math.hypot(two[0].u_msv_db2, two[1].u_msv_db2)))
    assert words.count(Word.SAME) >= 360


def test_a_subwoofer_is_not_judged_above_its_band() -> None:
    # Fourth-order slope above 110 Hz with a floor of noise 45 dB down, where seats differ without meaning.
    rng = np.random.default_rng(2)
    levels = np.maximum(-10 * np.log10(1 + (GRID_HZ / 110) ** 8), -45 + rng.normal(0, 5, (6, len(GRID_HZ))))
    heard = GRID_HZ[own_band(levels)]
    assert heard[0] < 21
    assert 130 < heard[-1] < 200  # −12 dB of that slope is at 155 Hz


def test_a_gap_of_the_room_stays_in_the_band() -> None:
    hole = np.zeros((4, len(GRID_HZ)))
    hole[:, (GRID_HZ > 60) & (GRID_HZ < 80)] = -20
    assert own_band(hole).all()
    wide = np.zeros((4, len(GRID_HZ)))
    wide[:, (GRID_HZ > 100) & (GRID_HZ < 500)] = -20  # more than two octaves: the loudspeaker has ended
    wide[:, GRID_HZ <= 100] = -5
    assert own_band(wide).sum() == (GRID_HZ >= 500).sum()


@pytest.mark.parametrize(("level_db", "heard"), [(-8.9, True), (-9.1, False)])
def test_the_energy_of_all_seats_counts(level_db: float, heard: bool) -> None:
    """Sound at one seat of two has half of its energy in the mean: −8.99 dB there is −12 dB in the mean."""
    levels = np.zeros((2, len(GRID_HZ)))
    levels[:, GRID_HZ > 1000] = np.array([[level_db], [-100.0]])
    assert own_band(levels)[GRID_HZ > 1000].all() == heard


def test_without_sound_there_is_no_band() -> None:
    assert not own_band(np.full((3, len(GRID_HZ)), np.nan)).any()


def test_points_of_the_grid_scatter_together_over_an_octave() -> None:
    """0.7 of the variance within a third octave (8 points), 0.3 within three (24), both falling linearly; with a calculator."""
    got = correlation(np.array([0, 4, 8, 16, 24, 25]))[0]
    np.testing.assert_allclose(got, [1.0, 0.7 / 2 + 0.3 * 5 / 6, 0.3 * 2 / 3, 0.3 / 3, 0.0, 0.0], atol=1e-12)


FREQ_HZ = 20 * 2 ** (np.arange(240) / 24)


def again(
    levels_db: np.ndarray, freq: np.ndarray, apart_db: np.ndarray, seat: str, noise_db: np.ndarray | float = 0.0
) -> Repeat:
    """FL measured twice at a seat."""
    noise = np.broadcast_to(noise_db, freq.shape)
    return Repeat(levels_db, placement_u_db(freq), "FL", seat, apart_db, noise, f"as-found {seat}")


def repeated(rng: np.random.Generator, true: Repeatability, count: int, freq: np.ndarray) -> list[Repeat]:
    """Two readings at each of `count` places, in a band of the grid; d = ±3 dB, as a seat deviates from the others."""
    root = np.linalg.cholesky(correlation(np.arange(len(freq))) + 1e-9 * np.eye(len(freq)))
    out = []
    for k in range(count):
        level = rng.uniform(-10, 10, len(freq))
        place = rng.normal(0, 1, (2, len(freq))) @ root.T * true.place_db
        noise = rng.normal(0, 1, (2, len(freq))) @ root.T * true.noise_u_db(level)
        gain = rng.normal(0, true.gain_db, (2, 1)) if true.gain_db else 0.0
        away = rng.choice([-3.0, 3.0], len(freq))
        out.append(again(level + gain + place + noise, freq, away, f"placing {k}", true.noise_u_db(level)))
    return out


@settings(max_examples=8, deadline=None)
@given(st.floats(0.02, 0.05), st.floats(0.0, 0.2), st.floats(0.0, 0.1), st.integers(0, 1000))
def test_repeats_show_gain_and_place_beside_a_known_noise(
    displaced: float, gain: float, noise: float, seed: int
) -> None:
    # 200 places: 5 % of a standard deviation, √(1/2·200). 25 %: five of them, where the noise is known to 5 %; gain within
    # 0.07 dB, since g² is the small difference of two larger numbers.
    rng = np.random.default_rng(seed)
    freq = FREQ_HZ[(FREQ_HZ >= 300) & (FREQ_HZ <= 3000)]
    inside = placement_u_db(freq, displaced)
    made = repeated(rng, Repeatability(gain, inside, noise_db=noise), 200, freq)
    found = repeatability_of(made, freq, gain_u_db(made), noise)
    assert found.gain_db == pytest.approx(gain, abs=0.07)
    assert math.sqrt(np.mean(np.square(found.place_db))) == pytest.approx(math.sqrt(np.mean(inside**2)), rel=0.25)


FREQ_80 = FREQ_HZ[100:180]
ALTERNATING_DB = np.tile([3.0, -3.0], 40)


def test_repeats_worked_by_hand() -> None:
    # Two readings, 75.0 and 75.2 dB alike at every point: s² = 0.02 dB², all of it gain. One degree of freedom beside two
    # of the default: √((2·0.06² + 0.02)/3) = 0.095 dB; and of place nothing, half a degree, 3·1·1/(1 + 1 + 4), beside two:
    # √(2/2.5) of the default.
    made = [again(np.array([np.full(80, 75.0), np.full(80, 75.2)]), FREQ_80, ALTERNATING_DB, "A1")]
    assert gain_u_db(made) == pytest.approx(0.0952, rel=0.01)
    found = repeatability_of(made, FREQ_80, gain_u_db(made))
    assert found.place_db == pytest.approx(math.sqrt(2 / 2.5) * placement_u_db(FREQ_80), rel=0.02)
    assert repeatability_of([], FREQ_80).place_db == pytest.approx(placement_u_db(FREQ_80))


def test_a_loudspeaker_that_scatters_more_has_a_larger_uncertainty_and_none_a_smaller() -> None:
    # FL repeats as well as can be at A1 to A4; SiL at A1 scatters by six times the default.
    quiet = [again(np.full((2, 80), 75.0), FREQ_80, ALTERNATING_DB, f"A{k}") for k in range(1, 5)]
    u_db = placement_u_db(FREQ_80)
    loud = replace(quiet[0], levels_db=75 + np.outer([0.0, 6 * 2**0.5], u_db * ALTERNATING_DB / 3), channel="SiL")
    found = repeatability_of([*quiet, loud], FREQ_80)
    common, fl, sil = (
        np.asarray(each.place_db) for each in (found, *(found.of_channel(c, ["A1", "A2"]) for c in ("FL", "SiL")))
    )
    assert fl == pytest.approx(np.broadcast_to(common, (2, 80)))
    assert np.all(sil > common)
    assert np.all(sil[0] > sil[1])  # its own repeats, beside those of the loudspeaker


def test_noise_of_a_third_octave_is_that_of_as_many_bins() -> None:
    # 231.6 Hz over half a second: 115.8 bins; 40 dB of S/N: 8.686·√(10⁻⁴/231.6) = 5.7 mdB. Drawn as Gaussian bins besides;
    # 5 %: 1.6 % of 2,000 draws, three times.
    u_db = measured_noise_db(np.array([-40.0, np.nan]), np.array([1000.0, 1000.0]))
    assert u_db == pytest.approx([0.00571, 0.0], rel=0.01)
    rng = np.random.default_rng(0)
    noise = 0.01 * (rng.normal(size=(2000, 116)) + 1j * rng.normal(size=(2000, 116))) / 2**0.5
    drawn = np.std(10 * np.log10(np.mean(np.abs(1 + noise) ** 2, axis=1)))
    assert drawn == pytest.approx(u_db[0], rel=0.05)


def test_a_small_displacement_is_linear_and_a_large_one_bounded() -> None:
    one, two, far, farther = (placement_u_db(FREQ_HZ, metres) for metres in (0.001, 0.002, 1.0, 2.0))
    assert two == pytest.approx(2 * one, rel=0.02)
    assert far[FREQ_HZ > 500] == pytest.approx(farther[FREQ_HZ > 500], rel=1e-3)
