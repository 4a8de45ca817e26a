"""The checklist asks, stores the answers, and reports only what was examined."""

from __future__ import annotations

import math

import pytest
from builders import cinema, decided, defined, job_of, reading

from commission.diagnosis import findings
from commission.diagnosis.fates import follow
from commission.model import AS_FOUND, AS_LEFT, ActionLogged, Analyses, EventBody, Fate, Finding, Job, Prompt, Verdict
from commission.model.checklist import LIP_SYNC
from commission.steps import checklist

NONE = Analyses({})


def answered(item: str, value: str, round_id: str = AS_FOUND) -> EventBody:
    return decided("checklist", item, value, round_id=round_id)


def offset(value_ms: float) -> EventBody:
    return reading("checklist", LIP_SYNC, value_ms, "ms", seat=None)


def found(job: Job, round_id: str = AS_FOUND) -> dict[str, Finding]:
    outcomes = {"checklist": checklist.evaluate(job, round_id, NONE)}
    return {each.id: each for each in findings(job, round_id, NONE, outcomes)}


def test_what_was_not_looked_at_has_no_verdict_and_no_finding() -> None:
    job = job_of(defined(cinema()))
    outcome = checklist.evaluate(job, AS_FOUND, NONE)
    assert outcome.state == "nothing" and outcome.checks == outcome.remarks == () and found(job) == {}
    begun = checklist.evaluate(job_of(defined(cinema()), answered("mains", "ok")), AS_FOUND, NONE)
    verdicts = {check.id: check.verdict for check in begun.checks}
    assert verdicts.pop("checklist.item.mains") is Verdict.PASS
    assert set(verdicts.values()) == {Verdict.NOT_TESTED}
    assert begun.done == 1
    assert begun.advice[0].text == f"Checklist: check “{job.checklist_in_force.items[1].name}” next."


def test_each_item_to_be_mended_is_a_finding_of_its_cause_with_the_caution() -> None:
    job = job_of(
        defined(cinema()), answered("mains", "mend"), answered("door-seals", "mend"), answered("overhead", "absent")
    )
    outcome = checklist.evaluate(job, AS_FOUND, NONE)
    assert "checklist.item.overhead" not in {check.id for check in outcome.checks}
    assert outcome.count(Verdict.FAIL) == 2
    by_id = found(job)
    assert by_id.keys() == {"checklist.electronics.mains", "checklist.room.door-seals"}
    assert by_id["checklist.electronics.mains"].cause == "electronics"
    assert "licensed" in by_id["checklist.electronics.mains"].remedy
    items = {item.id: item for item in job.checklist_in_force.items}
    for key, finding in by_id.items():
        item = items[key.rpartition(".")[2]]
        assert finding.title == item.fault and item.statement in finding.evidence[0] and item.remedy in finding.remedy
        assert finding.confirm == (item.how or "Look again.")


def test_an_offset_of_half_a_second_is_not_questioned() -> None:
    """Picture processing delays the picture by up to half a second, never the sound (common practice, no source)."""
    (task,) = checklist.plan(job_of(defined(cinema())), AS_FOUND)
    assert isinstance(task, Prompt) and task.expected is not None
    low, high = task.expected
    assert low <= -200.0 and 500.0 <= high < 1000.0


def test_an_unknown_answer_is_ignored() -> None:
    job = job_of(defined(cinema()), answered("mains", "perhaps"), answered("curtain", "mend"))
    assert checklist.evaluate(job, AS_FOUND, NONE).state == "nothing"
    assert found(job) == {}


def test_an_item_is_no_longer_found_only_after_another_look() -> None:
    before = (defined(cinema()), answered("door-seals", "mend"))
    elsewhere = answered("mains", "ok", AS_LEFT)
    again = answered("door-seals", "ok", AS_LEFT)

    def fate(*bodies: EventBody) -> Fate:
        job = job_of(*before, *bodies)
        histories = follow(
            job,
            AS_LEFT,
            lambda r: tuple(found(job, r).values()),
            lambda r: {"checklist": checklist.evaluate(job, r, NONE)},
        )
        (one,) = histories
        return one.fate

    repaired = ActionLogged(
        round=AS_FOUND, finding="checklist.room.door-seals", title="the door does not seal", action="repaired"
    )
    assert not fate(elsewhere).gone
    assert not fate(repaired, elsewhere).gone
    assert fate(again, elsewhere).gone


@pytest.mark.parametrize(
    ("offset_ms", "verdict"),
    [
        # Detectability of sound against vision, ITU-R BT.1359-1 considering g: 45 ms early, 125 ms late. Read to one
        # picture of 40 ms, so that 1.645 · 40/√12 = 19 ms on either side of a limit stay undecided.
        (0.0, Verdict.PASS),
        (-25.0, Verdict.PASS),
        (105.0, Verdict.PASS),
        (-45.0, Verdict.UNSURE),
        (125.0, Verdict.UNSURE),
        (-65.0, Verdict.FAIL),
        (145.0, Verdict.FAIL),
    ],
)
def test_sound_after_picture_against_the_limits_of_detectability(offset_ms: float, verdict: Verdict) -> None:
    job = job_of(defined(cinema()), offset(offset_ms))
    check = next(c for c in checklist.evaluate(job, AS_FOUND, NONE).checks if c.id == "checklist.lip-sync")
    assert check.verdict is verdict
    assert math.isclose(check.uncertainty, 11.547, abs_tol=0.001)  # rectangular: JCGM 100 4.3.7
    assert ("settings.lip-sync" in found(job)) is (verdict is Verdict.FAIL)


def test_the_remedy_says_which_way_to_turn_the_delay() -> None:
    late = found(job_of(defined(cinema()), offset(200.0)))["settings.lip-sync"]
    early = found(job_of(defined(cinema()), offset(-120.0)))["settings.lip-sync"]
    assert "200 ms after" in late.title and late.remedy.startswith("Reduce the audio delay")
    assert "120 ms before" in early.title and early.remedy.startswith("Increase the audio delay")
