"""The sample job: every uncertainty that a check uses is the u of its budget."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from scipy import stats
from solved_services import SolvedServices

from commission.model import Outcome, Verdict
from commission.model.progress import unwatched
from commission.record.data.csv_text import check_row
from commission.record.data.results import results_json
from commission.record.data.text import visit_lines
from commission.ui.widgets.draw.figures import check_runs
from commission.visit import Visit

BUDGETED = ("layout", "levels", "distances", "seats", "bass", "compare")


@pytest.fixture(scope="module")
def visit(sample: Path) -> Iterator[Visit]:
    visit = SolvedServices(sample.parent / "state").open(sample, read_only=True)
    visit.analyse(threading.Event(), unwatched)
    yield visit
    visit.close()


def outcomes(visit: Visit) -> list[Outcome]:
    return [visit.outcome(step, r) for step in BUDGETED for r in visit.job.rounds]


def test_every_check_uses_the_u_of_its_budget(visit: Visit) -> None:
    held: dict[str, int] = {}
    for outcome in outcomes(visit):
        for check in outcome.checks:
            budget = outcome.budget_of(check)
            if outcome.step == "compare":
                assert budget is not None
                assert check.limit is not None
                # The uncertainty is in the limit, with the coverage factor of all comparisons together: more than for one of
                # them (scaled to a standard deviation of 1, Student's t gives 1.8 or more), at most Bonferroni's.
                assert check.limit.high is not None
                assert 1.8 <= check.limit.high / budget.u <= stats.t.isf(0.025 / len(outcome.checks), budget.dof)
            elif budget is not None:
                assert check.uncertainty == budget.u, check
            else:
                # Signs, yes-or-no answers and missing values have no uncertainty.
                assert check.uncertainty == 0 or check.value is None, check
            if budget is not None:
                held[check.id.split(".")[0]] = held.get(check.id.split(".")[0], 0) + 1
                assert budget.unit == check.unit
    assert set(held) == set(BUDGETED)
    assert held.pop("bass") == len(visit.job.system.seats)  # the agreement of each seat, as left only
    assert min(held.values()) >= 10


def test_every_channel_has_its_budgets(visit: Visit) -> None:
    channels = {c.id for c in visit.job.system.channels}
    for step, ids in (
        ("levels", ("levels.match", "levels.absolute", "levels.left")),
        ("distances", ("distances.setting", "distances.arrival", "distances.left")),
    ):
        found = visit.outcome(step, visit.job.rounds[-1]).budgets
        for name in ids:
            assert {b.channel for b in found if b.id == name} == channels, name
    assert len(visit.outcome("seats", visit.job.rounds[-1]).budgets) < 12  # one of a kind


def test_text_and_json_contain_the_budgets(visit: Visit) -> None:
    with_them, without = ("\n".join(visit_lines(visit, "as-left", budgets=each)) for each in (True, False))
    assert "combined u" not in without
    assert with_them.count("U = 2 u  ") >= 10
    assert "meter held by hand within 5 cm of the seat" in with_them
    found = json.loads(results_json(visit))["steps"]
    for step in BUDGETED:
        for outcome in (found[step][r] for r in visit.job.rounds):
            for budget in outcome["budgets"]:
                total = sum(line["part"] ** 2 for line in budget["contributions"])
                assert budget["u"] ** 2 == pytest.approx(total, rel=1e-4)
                assert budget["U"] == pytest.approx(2 * budget["u"], rel=1e-5)
    assert found["levels"]["as-left"]["budgets"]


def test_a_comparison_of_two_values_shows_no_single_value_on_screen_in_text_or_json(visit: Visit) -> None:
    unsure = [
        check
        for check in visit.outcome("seats", "as-found").checks
        if check.id == "seats.polarity" and check.verdict is Verdict.UNSURE
    ]
    assert unsure
    for check in unsure:
        line = "".join(text for text, _ in check_runs(check))
        assert f"{check.channel} at {check.seat} polarity: " in line and "which of the two is not determined" in line
        assert "U =" not in line
        assert check_row("seats", "as-found", check)[5:8] == (None, "", None)
    stored = json.loads(results_json(visit))["steps"]["seats"]["as-found"]["checks"]
    found = [each for each in stored if each["id"] == "seats.polarity" and each["verdict"] == "unsure"]
    assert len(found) == len(unsure)
    assert {(each["value"], each["uncertainty"]) for each in found} == {(None, None)}
