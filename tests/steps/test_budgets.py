"""Budgets: what repeats reduce and what they do not, what a check uses, how a budget reads."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from builders import arrivals, cinema, defined, job_of, levels, setting, tapes

from commission.model import AS_FOUND, Analyses, Budget, Contribution, DelayRange, Instrument, Job, Processor
from commission.record.data.text import table_lines
from commission.steps import distances
from commission.steps import levels as level_step
from commission.steps import seats as seat_step
from commission.steps.shared import budgets
from commission.steps.shared.budget_table import budget_table, budget_values, grouped


def parts(budget: Budget) -> dict[str, float]:
    """Contribution of each source to the result, by its name up to the first comma."""
    return {each.source.split(",")[0]: each.part for each in budget.contributions}


def level(count: int, **fields: object) -> Budget:
    given: dict[str, object] = {
        "support": "hand",
        "place_db": 0.4,
        "eye_db": 0.2,
        "most_place_db": 0.4,
        "factor": 1.0,
        "dof": 4.0,
        "shares": (1.0,),
        "counts": (count,),
        "repeated": count > 1,
        "resolution_db": 0.1,
    }
    return budgets.level_budget("FL", **(given | fields))  # type: ignore[arg-type]


@pytest.mark.parametrize("support", ["hand", "stand"])
@pytest.mark.parametrize("count", [2, 5, 100])
def test_repeats_shrink_the_readings_scatter_and_nothing_else(count: int, support: str) -> None:
    one, many = (level(n, sub_noise_db=0.14, support=support) for n in (1, count))
    for make in (lambda b: b, lambda b: budgets.absolute_level(b, 2), lambda b: budgets.level_left(b, 0.5)):
        before, after = make(one), make(many)
        for old, new in zip(before.contributions, after.contributions, strict=True):
            shrinks = old.source.startswith(("eye", "meter held by hand", "subwoofer noise"))
            assert new.part == pytest.approx(old.part / math.sqrt(count) if shrinks else old.part), old.source
            assert not (shrinks and old.shared)
    # Repeats never reduce the part shared by positions around the seat, the stand, the resolution or, in absolute levels,
    # the meter (0.5 dB, class 2).
    least = 2.0 * 0.4**2 if support == "hand" else 0.4
    assert level(count, support=support).u > math.hypot(least, 0.1 / math.sqrt(12))
    assert budgets.absolute_level(many, 2).u > 0.5
    assert any(each.source == budgets.MEAN_PLACE for each in one.contributions) is (support == "hand")


def test_what_repeats_show_has_another_basis_than_what_is_assumed() -> None:
    for count, evaluation in ((1, "B"), (3, "A")):
        eye = next(each for each in level(count).contributions if each.source.startswith("eye"))
        assert eye.evaluation == evaluation
        assert ("scatter of the visit's repeated readings" in eye.basis) == (evaluation == "A")
        assert ("0.2 to 0.8 dB by meter and noise" in eye.basis) == (evaluation == "B")


def test_at_another_seat_the_meter_is_put_down_again() -> None:
    one, four = (level(n, shares=(1 / n,) * n, counts=(1,) * n, support="stand") for n in (1, 4))
    assert parts(four)["meter on a stand within 2 cm of the seat"] == pytest.approx(0.4 / 2)
    assert parts(four)["resolution of the display"] == parts(one)["resolution of the display"]
    assert parts(four)["eye on the moving display"] == pytest.approx(0.1)


def test_repeats_of_all_channels_show_how_far_one_reading_scatters() -> None:
    """Two readings of eleven mains, 0.2 dB apart: Σ(x − x̄)² = 0.22 with ν = 11, and a default of 0.5 dB with ν₀ = 3.

    On a stand, where all channels are assumed to scatter by the eye alone: u² = (3·0.5² + 0.22)/(3 + 11), times
    t₀.₉₇₅(14)/2 = 2.145/2 (JCGM 100 table G.2) for half of the 95 % interval. Tolerance 0.5 %: the approximation of
    t.
    """
    ids = [c.id for c in cinema().channels if not c.is_sub]
    system = defined(cinema(ids, instruments=(Instrument(kind="meter", support="stand"),)))
    found = level_step.solve(job_of(system, *levels({c: [75.0, 75.2] for c in ids})), AS_FOUND).channels
    line = found["FL"].budget.contributions[0]
    assert line.u == pytest.approx(math.sqrt(0.97 / 14) * 2.145 / 2, rel=0.005)
    assert (line.dof, line.evaluation) == (14, "A")
    # Repeats that scatter more than the default are used alone: 1 dB apart, s² = 0.5, ν = 11, t = 2.201.
    wide = level_step.solve(job_of(system, *levels({c: [75.0, 76.0] for c in ids})), AS_FOUND).channels
    assert wide["FL"].budget.contributions[0].u == pytest.approx(math.sqrt(0.5) * 2.201 / 2, rel=0.005)
    # A channel that scatters far more than all others keeps its own scatter: Σ = 8 combined with the default.
    odd = levels({c: [75.0, 75.2] if c != "FR" else [73.0, 77.0] for c in ids})
    found = level_step.solve(job_of(system, *odd), AS_FOUND).channels
    assert found["FR"].budget.contributions[0].u == pytest.approx(math.sqrt((0.75 + 8) / 4) * 2.776 / 2, rel=0.005)
    assert found["FL"].budget.contributions[0].u == pytest.approx(math.sqrt(0.95 / 13) * 2.160 / 2, rel=0.005)


def distance_job(**changes: Any) -> tuple[Job, Analyses]:
    ids = ["FL", "FC", "FR", "BL", "BR", "SUB1"]
    tape = dict(zip(ids, (3.5, 3.2, 3.5, 3.1, 3.1, 3.6), strict=True))
    heard = {(c, "A2"): 0.02 for c in ids}
    job = job_of(defined(cinema(ids, **changes)), *tapes(tape), *(setting(c, distance=d) for c, d in tape.items()))
    return job, arrivals(heard, u_s=8.5e-5)


def test_warmer_air_moves_only_the_differences_between_channels() -> None:
    """c ∝ √T: 3 K/√3 at 294.65 K is 0.5·1.732/294.65 = 0.29 % of the difference in path, here 3.5 − 3.2 m."""
    job, analyses = distance_job()
    found = distances.solve(job, AS_FOUND, analyses).channels
    assert parts(found["FL"].budgets[0])["air temperature within ±3 K"] == pytest.approx(
        1000 * 0.3 / 344.077 * 0.5 * 3 / math.sqrt(3) / 294.65, rel=1e-3
    )
    assert parts(found["FC"].budgets[0])["air temperature within ±3 K"] == pytest.approx(0.0, abs=1e-9)


def test_what_is_left_after_typing_has_the_rounding_on_top() -> None:
    for unit, step, expected in (("ms", 0.1, 0.1), ("m", 0.03, 30 / 344.077), ("ft", 0.1, 30.48 / 344.077)):
        job, analyses = distance_job(processor=Processor(delay=DelayRange(unit=unit, step=step, max=60)))  # type: ignore[arg-type]
        left = next(
            b for b in distances.solve(job, AS_FOUND, analyses).channels["FL"].budgets if b.id == "distances.left"
        )
        assert parts(left)["rounding of the setting"] == pytest.approx(expected / math.sqrt(12), rel=1e-4), unit


def test_an_arrivals_parts_make_what_the_analysis_states() -> None:
    for u_s, is_sub in ((8.2e-5, False), (8.3e-5, False), (6e-4, False), (5e-4, True), (1.5e-3, True), (2e-5, False)):
        lines = budgets.arrival_parts(u_s, is_sub=is_sub)
        assert math.hypot(*(line.part for line in lines)) == pytest.approx(1000 * u_s, rel=0.01)


def test_a_seat_is_part_of_the_mean_it_is_compared_with() -> None:
    """Var(x − x̄) = σ²·(1 − 1/n) for one of n, σ²·(1 + 1/n) for another."""
    rng = np.random.default_rng(4)
    draws = rng.normal(0, 1, (200_000, 5))
    one = budgets.single("x", "x", "x", 1.0, "x")
    inside, outside = (budgets.against_mean(one, "y", "y", 4, counts=counts).u for counts in (True, False))
    assert inside == pytest.approx(float(np.std(draws[:, 0] - draws[:, :4].mean(axis=1))), rel=0.01)
    assert outside == pytest.approx(float(np.std(draws[:, 4] - draws[:, :4].mean(axis=1))), rel=0.01)


def test_one_of_a_kind_and_what_differs() -> None:
    one = budgets.single("seats.x", "x", "x", 1.0, "b")
    made = [budgets.against_mean(one, "seats.x", "x", n, counts=True) for n in (6, 6, 5)]
    placed = [
        Budget(id=b.id, title=b.title, unit=b.unit, contributions=b.contributions, channel=c)
        for b, c in zip(made, ("FL", "FC", "FR"), strict=True)
    ]
    common, other = budgets.one_a_kind(placed)
    assert (common.channel, common.u) == (None, placed[0].u)
    assert (other.channel, other.u) == ("FR", placed[2].u)


BUDGET = Budget(
    id="x",
    title="A level",
    unit="dB",
    channel="FL",
    contributions=(
        Contribution(source="scatter", u=0.3, unit="dB", dof=4, evaluation="A", basis="three readings"),
        Contribution(source="[b]air[/b]", u=2.0, unit="K", sensitivity=-0.2, distribution="rectangular", shared=True),
    ),
)


def test_the_table_of_a_budget() -> None:
    """3-4-5: parts 0.3 and 0.4, u 0.5, U 1.0, shares 36 and 64 %; ν = 0.5⁴/(0.3⁴/4) = 30.9, truncated to 30 (G.4.1)."""
    table = budget_table(BUDGET)
    assert table.title == "A level: FL"
    assert [c.key for c in table.columns] == [
        "source",
        "u",
        "distribution",
        "type",
        "sensitivity",
        "part",
        "share",
        "basis",
    ]
    first, second, u, expanded, dof = (row.cells for row in table.rows)
    assert first == (
        "scatter",
        "0.30 dB",
        "normal",
        "A",
        "1.0",
        pytest.approx(0.3),
        pytest.approx(36),
        "three readings",
    )
    assert second[:5] == ("[b]air[/b] (shared)", "2.0 K", "rectangular", "B", "−0.20 dB/K")
    assert (u[0], u[1], u[5]) == ("combined u", "0.50 dB", pytest.approx(0.5))
    assert (expanded[0], expanded[1], expanded[5]) == ("U = 2 u", "1.0 dB", pytest.approx(1.0))
    assert dof[1] == "30"
    assert "repeating the measurement does not reduce it" in table.remark
    assert any("−0.20 dB/K" in line for line in table_lines(table))


def test_alike_budgets_are_printed_once() -> None:
    job = job_of(defined(cinema(["FL", "FC", "SUB1"])), *levels({"FL": 75.0, "FC": 76.0, "SUB1": 75.0}))
    outcome = level_step.evaluate(job, AS_FOUND, Analyses())
    titles = [budget_table(each).title for each in grouped(outcome.budgets)]
    assert titles[0] == "Hand-read level relative to its target: FL at A2, FC at A2"
    assert len(outcome.budgets) == 9  # three of each channel
    assert len(titles) == 6  # mains and subwoofer of each of three kinds
    job, analyses = distance_job()
    apart = grouped(distances.evaluate(job, AS_FOUND, analyses).budgets)
    assert any("; largest, of" in budget_table(each).title for each in apart)


def test_values_for_other_programs() -> None:
    values = budget_values(BUDGET)
    assert (values["u"], values["U"], values["channel"]) == (0.5, 1.0, "FL")
    assert values["dof"] == pytest.approx(30.86, abs=0.01)
    lines = values["contributions"]
    assert isinstance(lines, list)
    assert lines[1] == {
        "source": "[b]air[/b]",
        "u": 2.0,
        "unit": "K",
        "sensitivity": -0.2,
        "part": 0.4,
        "share": 0.64,
        "distribution": "rectangular",
        "evaluation": "B",
        "dof": None,
        "shared": True,
        "basis": "",
    }


def test_nothing_read_has_no_budgets() -> None:
    job = job_of(defined(cinema()))
    assert level_step.evaluate(job, AS_FOUND, Analyses()).budgets == ()
    assert seat_step.evaluate(job, AS_FOUND, Analyses()).budgets == ()
