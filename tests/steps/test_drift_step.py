"""Since last time: what drifted is named, what everything shares is not, and a steady room raises few alarms."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from builders import cinema, defined, job_of, levels, setting

from commission.model import Analyses, EarlierVisit, Verdict
from commission.steps import belongs, drift, drift_figures

NOTHING = Analyses()
LEVELS = {"FL": 75.0, "FC": 74.8, "FR": 75.2, "SiL": 75.1, "SiR": 74.9, "SUB1": 78.0}


def earlier_of(job, *, title="Harbour Lane cinema") -> EarlierVisit:  # type: ignore[no-untyped-def]
    return replace(
        drift_figures.earlier_visit(job, NOTHING, file_name="then.commission", program_version="0.1.0"), title=title
    )


def returning(earlier: EarlierVisit, *bodies):  # type: ignore[no-untyped-def]
    return job_of(defined(cinema()), earlier, *bodies)


def test_it_belongs_to_return_visits_only() -> None:
    first = job_of(defined(cinema()), *levels(LEVELS))
    assert not belongs("drift", first)
    assert belongs("drift", returning(earlier_of(first)))
    assert not drift.evaluate(first, "as-found", NOTHING).checks


def test_one_channel_that_fell_is_named_and_a_turned_volume_is_not() -> None:
    then = job_of(defined(cinema()), *levels(LEVELS))
    now = {name: value + 3.0 for name, value in LEVELS.items()} | {"SiL": LEVELS["SiL"] + 3.0 - 2.5}
    result = drift_figures.solve(returning(earlier_of(then), *levels(now)), "as-found", NOTHING)
    assert result.shared[drift_figures.LEVEL] == pytest.approx(3.0, abs=1e-9)
    assert [d.channel for d in result.drifts if d.drifted] == ["SiL"]
    (fallen,) = [d for d in result.drifts if d.drifted]
    assert fallen.change == pytest.approx(-2.5, abs=1e-9)
    outcome = drift.evaluate(returning(earlier_of(then), *levels(now)), "as-found", NOTHING)
    assert outcome.stands_out == "drifted: SiL"
    assert outcome.verdict is Verdict.FAIL
    assert any("+3.0 dB in common" in remark for remark in outcome.remarks)


def test_the_uncertainty_of_a_difference_is_the_root_of_the_squares() -> None:
    """JCGM 100:2008, 5.1.2: independent u₁ = u₂ = 0.3 dB give u = 0.3·√2 dB of the difference."""
    job = job_of(defined(cinema()), *levels(LEVELS))
    earlier = earlier_of(job)
    found = {f.channel: f for f in earlier.figures if f.quantity == drift_figures.LEVEL}
    result = drift_figures.solve(returning(earlier, *levels(LEVELS)), "as-found", NOTHING)
    for each in result.drifts:
        if each.quantity == drift_figures.LEVEL:
            u = found[each.channel].uncertainty
            assert u is not None
            assert each.u == pytest.approx(u * 2**0.5, rel=1e-12)


def test_a_changed_setting_is_exact_and_asks_who_changed_it() -> None:
    then = job_of(
        defined(cinema()), setting("FL", trim_db=-1.0, distance=3.51, polarity="normal"), setting("FC", trim_db=0.5)
    )
    job = returning(earlier_of(then), setting("FL", trim_db=-0.5, distance=3.51), setting("FC", trim_db=0.5))
    outcome = drift.evaluate(job, "as-found", NOTHING)
    (table,) = outcome.tables
    assert [(row.cells[0], row.cells[-1]) for row in table.rows] == [("FL", "changed")]
    assert outcome.stands_out == "settings changed: FL"
    assert "who changed" in outcome.advice[0].text


def test_what_only_the_earlier_visit_holds_is_said_and_not_judged() -> None:
    then = job_of(defined(cinema()), *levels(LEVELS))
    outcome = drift.evaluate(returning(earlier_of(then)), "as-found", NOTHING)
    assert not outcome.checks
    assert outcome.state == "nothing"
    assert any("all levels read by hand" in remark for remark in outcome.remarks)


@pytest.mark.parametrize(("comparisons", "k"), [(1, 1.960), (5, 2.576), (10, 2.807), (50, 3.291)])
def test_coverage_factors(comparisons: int, k: float) -> None:
    """Two-sided quantiles of the normal distribution: 95 %, 99 %, 99.5 %, 99.9 % in any handbook table (from memory).

    Tolerance: the tables give three decimals.
    """
    assert drift_figures.coverage_factor(comparisons) == pytest.approx(k, abs=6e-4)


def test_a_room_as_it_was_raises_an_alarm_at_one_visit_in_twenty_at_most() -> None:
    """2,000 simulated pairs of visits of 13 channels with normal errors (JCGM 101 in spirit).

    5 % is the design; three standard deviations of a binomial share with n = 2000 and p = 0.05 are 1.5 %. The median
    that is taken off correlates the changes a little, hence a lower bound that only rules out a k far too wide.
    """
    draw = random.Random(20261125)
    names = [channel.id for channel in cinema().channels]
    then = job_of(defined(cinema()), *levels(dict.fromkeys(names, 75.0)))
    u = earlier_of(then).figures[0].uncertainty
    assert u is not None
    k, alarms, visits = drift_figures.coverage_factor(len(names)), 0, 2000
    for _ in range(visits):
        changes = [draw.gauss(0, u) - draw.gauss(0, u) for _ in names]
        alarms += any(abs(change) > k * u * 2**0.5 for change in changes)
    assert 0.02 <= alarms / visits <= 0.05 + 0.015


def test_a_turned_polarity_is_a_changed_setting() -> None:
    then = job_of(defined(cinema()), setting("FL", polarity="normal"))
    outcome = drift.evaluate(returning(earlier_of(then), setting("FL", polarity="reversed")), "as-found", NOTHING)
    (table,) = outcome.tables
    assert table.rows[0].cells == ("FL", "polarity", "normal", "reversed", None, "changed")
