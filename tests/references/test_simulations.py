"""A few draws of the simulations on which values of the program rest: they have the stated order of magnitude."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from references import undecided_levels
from scipy import optimize, stats

from commission.dsp import repeatability, timing
from commission.dsp.placement import level_placement_u_db
from commission.steps.drift import budgets as drift_budgets
from commission.steps.shared import budgets as shared_budgets

ROOT = Path(__file__).resolve().parents[2]
placement = pytest.importorskip("references.placement", reason="pyroomacoustics is not installed")
displaced_meter = pytest.importorskip("references.displaced_meter", reason="pyroomacoustics is not installed")
repeated_placings = pytest.importorskip("references.repeated_placings", reason="pyroomacoustics is not installed")
undecided_changes = pytest.importorskip("references.undecided_changes", reason="pyroomacoustics is not installed")
direct_sounds = pytest.importorskip("references.direct_sounds", reason="pyroomacoustics is not installed")


@cache
def placings_2_cm(simulator: str) -> Any:
    """One room, each seat's microphone put down six times 2 cm from its place."""
    return repeated_placings.placings(simulator, 3, 0.02)


def levels_db(made):
    return placement.within(np.concatenate([each.level_db for each in made], axis=1))


def test_a_level_repeats_within_the_stated_placement_uncertainty() -> None:
    """Within half to twice the stated value: rooms differ by a third, and only the order of magnitude is tested."""
    read = placings_2_cm("image sources").read
    near = [placement.Placements(tuple(read.ravel()), read.shape[-1])]
    mains = placement.rms(levels_db(near)[: placement.MAINS])
    assert shared_budgets.PLACEMENT_U_DB / 2 < mains < 2 * shared_budgets.PLACEMENT_U_DB
    assert placement.rms(levels_db(near)[placement.MAINS :]) < shared_budgets.PLACEMENT_U_DB
    # Angle and gain, drawn from outside, are part of what the budget of a level allows for.
    assert placement.levels_covered(near, np.random.default_rng(1)) > 0.9


def test_a_meter_beside_the_seat_deviates_as_the_model_states() -> None:
    """Within half to twice at 5 cm, in one room of each of two simulators, which differ by this factor themselves."""
    at = displaced_meter.RADII_M.index(0.05)
    mains = slice(0, displaced_meter.MAINS)
    for errors, distances in displaced_meter.simulated(1).values():
        stated = np.array(
            [[level_placement_u_db(0.05, is_sub=False, distance_m=d) for d in each] for each in distances[0]]
        )
        found = np.sqrt(np.mean(errors[0, mains, :, at] ** 2, axis=-1))
        assert 0.5 < displaced_meter.rms(found) / displaced_meter.rms(stated) < 2
        subs = displaced_meter.rms(errors[0, displaced_meter.MAINS :, :, at])
        assert 0.5 < subs / level_placement_u_db(0.05, is_sub=True) < 2


def test_another_day_has_a_larger_uncertainty() -> None:
    far = [placement.placements(50, 0.05, 3)]
    both = np.hypot(drift_budgets.AGAIN_U_DB, shared_budgets.PLACEMENT_U_DB)
    assert both / 2 < placement.rms(levels_db(far)[: placement.MAINS]) < 2 * both
    assert placement.rms(levels_db(far)[placement.MAINS :]) < 2 * drift_budgets.AGAIN_SUB_U_DB


@pytest.fixture(scope="module", params=["image sources", "random waves"])
def placed(request: pytest.FixtureRequest) -> Any:
    return placings_2_cm(request.param)


def test_third_octaves_repeat_as_stated(placed: Any) -> None:
    """A factor of 1.6 for one room: rooms differ by a third, and a third octave of bass holds few modes."""
    for hz in (125.0, 500.0, 2000.0, 8000.0):
        stated = float(repeatability.placement_u_db(np.array([hz]), 0.02)[0])
        assert stated / 1.6 < repeated_placings.scatter_db(placed, hz) < 1.6 * stated, hz


def test_verdicts_are_rarely_false_and_a_change_of_one_decibel_is_detected(placed: Any) -> None:
    """With two seats measured again in each round: at most 10 % of one room's words beyond 2 u, and no false word beyond
    U, which is so in 19 of 20 tables.
    """
    pairs = repeated_placings.unchanged(placed, "two seats again", np.random.default_rng(1))
    changes = [each for pair in pairs for own in pair.values() for each in own]
    assert not any(each.is_real for each in changes)
    every = np.abs([each.change_db2 / each.u_db2 for each in changes])
    assert np.mean(every > 2) <= 0.10
    assert 0.5 < np.sqrt(np.mean(every**2)) < 1.3
    for by_db in (-1.0, 1.0):
        seen = repeated_placings.seen(placed, "two seats again", by_db, np.random.default_rng(2))
        assert np.mean(seen["80-300"]) > 0.9
        assert np.mean([each for own in seen.values() for each in own]) > 0.8


def test_the_rise_that_compare_states_is_called_worse(placed: Any) -> None:
    """Promised in 19 of 20 cases, so 21 or more of 24; a rise of two fifths is rarely detected."""
    rise_db = repeated_placings.detectable_db(placed, "two seats again", np.random.default_rng(1))
    for share, least, most in ((1.0, 0.87, 1.0), (0.4, 0.0, 0.3)):
        seen = repeated_placings.seen(placed, "two seats again", share * rise_db, np.random.default_rng(2))
        assert least <= np.mean([each for own in seen.values() for each in own]) <= most


def test_the_best_test_of_a_change_detects_what_its_scatter_allows() -> None:
    """By scipy's normal distribution for one σ; where σ differs, one threshold of the ratio of likelihoods beats one of the
    change, and to learn σ costs.
    """
    for sigma_db in (0.1, 0.4, 1.0):
        found = undecided_changes.known(np.full(3, sigma_db), 0.05)
        assert found == pytest.approx(stats.norm.sf(stats.norm.isf(0.025) - 1 / sigma_db), abs=1e-6)
    sigmas = np.array([0.1, 0.3, 0.6])
    limit_db = optimize.brentq(lambda x: np.mean(stats.norm.sf(x / sigmas)) - 0.025, 0.0, 5.0)
    best = undecided_changes.known(sigmas, 0.05)
    assert best > np.mean(stats.norm.sf((limit_db - 1) / sigmas)) + 0.01
    assert undecided_changes.learned(undecided_changes.Scatter(sigmas, np.full(3, 4.0)), 0.05) < best - 0.01
    # Seven independent words: 1 - (1 - risk)^7, to 0.5 % since the risk is small.
    assert 1 - (1 - undecided_changes.risk_of_tables([7, 7])) ** 7 == pytest.approx(0.05, rel=0.005)


def test_no_rule_decides_most_channels_after_two_noisy_readings() -> None:
    """As stated in the basis of `levels.match`; a channel at the limit passes in 5 of 100, and 40,000 draws scatter by
    0.1.
    """
    for step_db in undecided_levels.STEPS_DB:
        of = undecided_levels.channels(0.8, 2, "exact", step_db, 20_000)
        unsure, failed, passed, at_limit = undecided_levels.shares(undecided_levels.guarded, of)
        assert unsure >= 0.2
        assert max(failed, passed) <= 0.05 and at_limit <= 0.055
        assert undecided_levels.shares(undecided_levels.best_step, of)[3] >= 0.12
    assert undecided_levels.least_unsure(undecided_levels.channels(0.8, 2, "exact", 0.5, 20_000)) > 0.15
    unsure, off, mistyped = undecided_levels.with_found(undecided_levels.channels(0.5, 2, "stand", 0.5, 20_000))
    assert unsure < 0.15 and off < 0.01 and mistyped < 0.12
    quiet = undecided_levels.channels(0.2, 2, "stand", 0.5, 20_000)
    assert undecided_levels.shares(undecided_levels.guarded, quiet)[0] < 0.01
    assert undecided_levels.all_green(quiet)[0] > 0.99
    assert undecided_levels.all_green(undecided_levels.channels(0.5, 2, "exact", 0.5, 20_000))[0] < 0.9


def test_arrivals_need_thirty_decibels() -> None:
    """None of forty is wrong at 30 dB, many are at 18 dB; bias and scatter are those stated in `timing`."""
    for kind in direct_sounds.KINDS[:2]:
        sounds = direct_sounds.heard(50, kind)
        errors, _ = direct_sounds.without_noise(sounds)
        # The delay of common crossovers, 0.05 to 0.13 ms, counts as travel; what differs from type to type is CROSSOVER_U_S.
        assert 4e-5 < np.median(errors) < 1.5e-4
        assert np.std(errors) < 2 * timing.CROSSOVER_U_S
        assert direct_sounds.wrong_in_noise(sounds, 30.0, 1) == 0
        assert direct_sounds.wrong_in_noise(sounds, 18.0, 1) > len(errors) / 4


def test_the_sign_of_one_loudspeaker_is_that_of_its_crossover() -> None:
    """Right for two-way loudspeakers; a third way with a low crossover reverses it, so that it accuses nobody by itself."""
    signs = {kind: direct_sounds.without_noise(direct_sounds.heard(50, kind))[1] for kind in direct_sounds.KINDS}
    assert np.all(signs[direct_sounds.KINDS[0]] == 1)
    assert np.all(signs[direct_sounds.KINDS[1]] == 1)
    assert np.mean(signs[direct_sounds.KINDS[2]] == -1) > 0.8


def test_values_from_a_simulation_name_its_script() -> None:
    """In the same or the next three lines; and every script or test that the program names is there.

    Left out: rules of diagnosis, whose rates `python tests/bench faults` prints.
    """
    missing = []
    for path in [*sorted((ROOT / "commission").rglob("*.py")), ROOT / "commission/model/limits.toml"]:
        lines = path.read_text(encoding="utf-8").splitlines()
        for number, line in enumerate(lines):
            for named in re.findall(r"tests/[\w/]+(?:\.py)?", line):
                assert (ROOT / named).exists(), f"{path}:{number + 1}: {named}"
            claim = re.search(r"own simulation|(?:by|determined by) simulation", line, re.IGNORECASE)
            if claim and "diagnosis" not in path.parts and "tests/" not in " ".join(lines[number : number + 4]):
                missing.append(f"{path.relative_to(ROOT)}:{number + 1}: {line.strip()}")
    assert missing == []
