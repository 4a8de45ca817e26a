"""A cached result equals a fresh one, and results unaffected by an entry are not computed again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
import random_events
from builders import cinema, defined, job_of, levels

from commission.cli.lazy_parts import LateDecoder
from commission.model import (
    Analyses,
    Decided,
    EventBody,
    Job,
    Noted,
    RoundOpened,
    Setting,
    SettingEntered,
    SystemDefined,
    default_profile,
)
from commission.model.events import LimitsChosen
from commission.steps.seats import result as seat_cells
from commission.steps.shared import cache
from commission.steps.shared.cache import KEPT, cached
from commission.visit import Visit

SYSTEM = cinema(["FL", "FR"])


def _job(*bodies: EventBody) -> Job:
    return job_of(defined(SYSTEM), *bodies)


class _Counted:
    """A cached function and how often it was computed."""

    def __init__(self, read: Callable[[Job], object]) -> None:
        self.count = 0

        @cached
        def look(job: Job) -> object:
            self.count += 1
            return read(job)

        self.look = look


READS: dict[str, Callable[[Job], object]] = {
    "system": lambda job: job.system.title,
    "rounds": lambda job: job.rounds,
    "setting": lambda job: job.setting("as-found", "FL"),
    "levels": lambda job: [each.body.value for each in job.readings_of("as-found", "levels", channel="FL")],
    "decisions": lambda job: job.decisions.get(("as-found", "bass", "trade")),
    "limit": lambda job: job.limit("levels.match"),
    "log": lambda job: len(job.log),
}
PROFILE = default_profile()
ANY = PROFILE.limits[0]


def _limits(quantity: str) -> LimitsChosen:
    """The default limits with one quantity changed."""
    others = tuple(each for each in PROFILE.limits if each.quantity != quantity)
    limit = replace(ANY, quantity=quantity, basis="our own")
    return LimitsChosen(profile=replace(PROFILE, limits=(limit, *others)))


@pytest.mark.parametrize(
    ("body", "concerns"),
    [
        (levels({"FL": 75.0})[0], {"levels"}),
        (levels({"FR": 75.0})[0], set()),
        (SettingEntered(setting=Setting(round="as-found", channel="FL", trim_db=1.0)), {"setting"}),
        (SettingEntered(setting=Setting(round="as-found", channel="FR", trim_db=1.0)), set()),
        (RoundOpened(round="as-left"), {"rounds"}),
        (Decided(round="as-found", step="bass", key="trade", value="even"), {"decisions"}),
        (SystemDefined(system=replace(SYSTEM, title="Attic")), {"system"}),
        (_limits("levels.match"), {"limit"}),
        (_limits("quiet.nc"), set()),
        (Noted(step="levels", text="quiet"), set()),
    ],
)
def test_an_entry_invalidates_only_results_that_read_it(body: EventBody, concerns: set[str]) -> None:
    before, after = _job(), _job(body)
    for name, read in READS.items():
        counted = _Counted(read)
        assert counted.look(before) == counted.look(before) == read(before)
        assert counted.look(after) == read(after)
        assert counted.count == (2 if name in concerns | {"log"} else 1), name


def test_a_function_depends_on_values_read_by_the_functions_it_calls() -> None:
    inner = _Counted(READS["levels"])
    outer = _Counted(lambda job: (inner.look(job), job.system.title))
    assert outer.look(_job()) == ([], SYSTEM.title)
    again = _Counted(lambda job: (inner.look(job), job.system.title))
    assert again.look(_job()) == ([], SYSTEM.title)  # `inner` returns its cached result
    assert inner.count == 1
    entered = _job(*levels({"FL": 75.0}))
    for each in (outer, again):
        assert each.look(entered) == ([75.0], SYSTEM.title)
        assert each.count == 2


def test_a_failed_computation_is_repeated() -> None:
    def limit(job: Job) -> str:
        try:
            return job.limit("none such").basis
        except KeyError:
            return "none"

    counted = _Counted(limit)
    assert counted.look(_job()) == "none"
    assert counted.look(_job(_limits("none such"))) == "our own"


def test_other_arguments_count_as_the_same_when_they_are() -> None:
    asked = []

    @cached
    def look(job: Job, round_id: str, of: object, *, seat: str = "A1") -> str:
        asked.append((round_id, of, seat))
        return f"{round_id} {seat}"

    job, one, other = _job(), [1], [1]  # equal, and not the same object
    assert look(job, "as-found", one) == look(job, "".join(["as-", "found"]), one) == "as-found A1"
    assert len(asked) == 1
    look(job, "as-found", other)
    assert look(job, "as-left", one) == "as-left A1"
    assert look(job, "as-found", one, seat="B1") == "as-found B1"
    assert len(asked) == 4


def test_only_the_newest_results_are_kept() -> None:
    count = []

    @cached
    def look(job: Job, of: object) -> int:
        count.append(of)
        return len(count)

    job, things = _job(), [object() for _ in range(KEPT + 1)]
    for thing in things:
        look(job, thing)
    assert look(job, things[-1]) == KEPT + 1
    assert look(job, things[0]) == KEPT + 2


def test_a_level_leaves_the_seats_as_they_are_and_another_reference_seat_does_not() -> None:
    analyses = Analyses()
    before, entered = _job(), _job(*levels({"FL": 75.0}))
    assert seat_cells.solve(before, "as-found", analyses) is seat_cells.solve(entered, "as-found", analyses)
    moved = replace(SYSTEM, seats=tuple(replace(each, reference=not each.reference) for each in SYSTEM.seats))
    other = _job(SystemDefined(system=moved))
    assert seat_cells.solve(before, "as-found", analyses) is not seat_cells.solve(other, "as-found", analyses)


def test_cached_results_equal_those_of_a_fresh_visit_after_random_events() -> None:
    # `python tests/bench kept` does this hundreds of times, also on the sample job and a simulated room.
    wrong, kinds = random_events.walk(random_events.small_job(), seed=3, comparisons=2, most_between=12)
    assert wrong == []
    assert len(kinds) >= 8


def test_the_comparison_detects_a_result_that_is_not_updated(monkeypatch: pytest.MonkeyPatch) -> None:
    journal = random_events.small_job()
    visit = Visit(journal, LateDecoder())
    assert random_events.differences(visit, journal) == []
    monkeypatch.setattr(cache, "_unchanged", lambda job, reads: True)
    visit.append(*levels({"FL": 81.0}))
    assert "as-found levels" in random_events.differences(visit, journal)
