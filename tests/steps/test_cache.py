"""A cached result is the one that would be computed again, and never that of another job."""

from builders import cinema, defined, job_of, levels

from commission.model import Analyses
from commission.steps.seats import result as seat_cells
from commission.steps.shared.cache import KEPT, cached


def test_the_same_question_is_answered_once_and_another_one_anew() -> None:
    asked = []

    @cached
    def look(job: object, round_id: str, *, seat: str = "A1") -> tuple[object, ...]:
        asked.append((job, round_id, seat))
        return (job, round_id, seat)

    one, other = [1], [1]  # equal, and not the same object
    assert look(one, "as-found") == look(one, "".join(["as-", "found"])) == (one, "as-found", "A1")
    assert len(asked) == 1
    assert look(other, "as-found")[0] is other
    assert look(one, "as-left")[1] == "as-left"
    assert look(one, "as-found", seat="B1")[2] == "B1"
    assert len(asked) == 4


def test_only_the_newest_results_are_kept() -> None:
    count = []

    @cached
    def look(of: object) -> int:
        count.append(of)
        return len(count)

    things = [object() for _ in range(KEPT + 1)]
    for thing in things:
        look(thing)
    assert look(things[-1]) == KEPT + 1
    assert look(things[0]) == KEPT + 2


def test_a_changed_job_is_solved_anew() -> None:
    analyses = Analyses()
    before = job_of(defined(cinema(["FL", "FR"])))
    after = job_of(defined(cinema(["FL", "FR"])), *levels({"FL": 75.0}))
    assert seat_cells.solve(before, "as-found", analyses) is seat_cells.solve(before, "as-found", analyses)
    assert seat_cells.solve(before, "as-found", analyses) is not seat_cells.solve(after, "as-found", analyses)
