"""Verdicts stored at a signature, and those of another version for the same readings."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import pytest
from builders import CREATED, cinema, defined, job_of, levels, reading
from memory_journal import MemoryJournal
from sound_room import SoundRoom, stored

from commission.diagnosis.verdict_changes import compare_verdicts, stored_verdicts, verdict_changes
from commission.history import fold
from commission.job.codec import decode, encode
from commission.model import (
    AS_FOUND,
    Analyses,
    Check,
    Event,
    EventBody,
    Job,
    Limit,
    Outcome,
    Signed,
    Step,
    StoredResponse,
    StoredVerdicts,
    Verdict,
    Withdrawn,
    default_profile,
)
from commission.record.data.results import results
from commission.record.data.text import visit_lines
from commission.steps import all_steps, step
from commission.visit import Visit

LIMIT = Limit(low=-0.5, high=0.5, unit="dB", basis="made up for the test")
TECHNICIAN = Signed(role="technician", name="visiting technician")


def check(value: float | None, channel: str = "FL", **fields: object) -> Check:
    given = {"id": "levels.match", "channel": channel, "unit": "dB", "limit": LIMIT}
    return Check(value=value, **(given | fields))  # type: ignore[arg-type]


def stood(*checks: Check, version: str = "1.0") -> StoredVerdicts:
    return stored_verdicts([Outcome(step="levels", round=AS_FOUND, checks=checks)], "signed", version)


def test_only_a_different_verdict_is_a_change() -> None:
    then = stood(check(0.1), check(0.4, "FC"), check(1.0, "FR"))
    now = stood(check(0.2), check(0.6, "FC"), check(3.0, "FR"))
    (found,) = verdict_changes(then, now)
    assert (found.channel, found.then, found.now) == ("FC", "pass", "fail")
    assert (found.value_then, found.value_now, found.unit) == (0.4, 0.6, "dB")
    assert verdict_changes(then, then) == ()


def test_checks_that_came_or_went_are_distinguished_from_those_that_changed() -> None:
    then, now = stood(check(0.1), check(0.1, "FC")), stood(check(0.1), check(2.0, "FR"))
    assert [(d.channel, d.then, d.now) for d in verdict_changes(then, now)] == [
        ("FR", None, "fail"),
        ("FC", "pass", None),
    ]


def test_several_checks_of_one_kind_at_one_place_are_compared_in_order() -> None:
    then, now = stood(check(0.1), check(2.0)), stood(check(0.1), check(0.2))
    assert [(d.then, d.now) for d in verdict_changes(then, now)] == [("fail", "pass")]


def test_stored_verdicts_are_read_back_unchanged() -> None:
    body = stood(check(1 / 3), check(None, "FC", why_not="no reading yet"), check(float("nan"), "FR"))
    assert decode("judged", encode(body), 7) == body
    assert [place.value for place in body.kinds[0].places] == [0.333333, None, None]
    assert [place.verdict for place in body.kinds[0].places] == ["pass", "not tested", "not tested"]


# --- a log, and a program with other verdicts ---


def log_of(*bodies: EventBody) -> Job:
    return job_of(
        defined(cinema(["FL", "FC", "FR"])), *levels({"FL": [75.0] * 2, "FC": [75.1] * 2, "FR": [75.2] * 2}), *bodies
    )


def kept(job: Job, analyses: Analyses | None = None) -> StoredVerdicts:
    known = analyses or Analyses()
    return stored_verdicts([s.evaluate(job, r, known) for r in job.rounds for s in all_steps()], "signed", "1.0")


def stricter(limit_db: float) -> tuple[Step, ...]:
    """The steps of a version with another limit for levels."""

    def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
        outcome = step("levels").evaluate(job, round_id, analyses)
        limit = Limit(low=-limit_db, high=limit_db, unit="dB", basis="made up for the test")
        return replace(outcome, checks=tuple(replace(c, limit=limit) for c in outcome.checks))

    return tuple(replace(s, evaluate=evaluate) if s.id == "levels" else s for s in all_steps())


def test_the_same_program_judges_the_same() -> None:
    job = log_of(kept(log_of()))
    found = compare_verdicts(job, Analyses(), "1.0", all_steps())
    assert found is not None
    assert found.differences == ()
    assert found.count > 0
    assert found.sentence == f"All {found.count} verdicts stored on 2026-03-14 by version 1.0 are unchanged."


def test_another_program_is_reported_by_its_differences() -> None:
    job = log_of(kept(log_of()))
    found = compare_verdicts(job, Analyses(), "2.0", stricter(0.05))
    assert found is not None
    # 1.645 u with u near 0.9 dB exceeds 0.05 dB: a former pass is now undecided.
    assert {(d.then, d.now) for d in found.differences} == {("pass", "unsure")}
    assert (
        f"{len(found.differences)} verdicts of 2026-03-14 by version 1.0 would be different today: levels.match 3, levels.repeat 3, levels.reference 1"
        in (found.sentence)
    )


def test_readings_that_came_later_are_no_change_of_judgement() -> None:
    job = log_of(kept(log_of()), *levels({"FL": 79.0}), reading("levels", "level", 71.0, "dB", channel="FC"))
    assert step("levels").evaluate(job, AS_FOUND, Analyses()).verdict is Verdict.FAIL
    found = compare_verdicts(job, Analyses(), "1.0", all_steps())
    assert found is not None
    assert found.differences == ()


def test_without_stored_verdicts_nothing_is_reported() -> None:
    assert compare_verdicts(log_of(), Analyses(), "1.0", all_steps()) is None
    job = log_of(kept(log_of()))
    assert (
        compare_verdicts(
            fold([*job.log, Event(seq=99, at="", body=Withdrawn(seq=job.log[-1].seq))]),
            Analyses(),
            "1.0",
            all_steps(),
        )
        is None
    )


def test_recordings_withdrawn_since_leave_out_what_rests_on_them_and_nothing_else() -> None:
    room = SoundRoom()
    before = room.job(*stored(room.analysed()))
    seqs = {(r.body.channel, r.body.seat): r.seq for r in before.responses}
    items = [replace(item, seq=seqs[(item.channel, item.seat)]) for item in room.analysed()]
    body = kept(before, Analyses(items))
    gone = Withdrawn(seq=items[0].seq)
    job = job_of(*(e.body for e in before.log[1:]), body, gone)
    found = compare_verdicts(job, Analyses(items[1:]), "1.0", all_steps())
    assert found is not None
    assert found.differences == ()
    assert "1 recording used then is missing now" in found.left_out[0]
    assert "seats" in found.left_out[0]
    assert "levels" not in found.left_out[0]
    assert 0 < found.count < sum(len(kind.places) for kind in body.kinds)


# --- the visit ---


def visit_of(*bodies: EventBody) -> Visit:
    log = MemoryJournal(CREATED, defined(cinema(["FL", "FC"])), *levels({"FL": 75.0, "FC": 80.0}), *bodies)
    return Visit(log, _decode)  # type: ignore[arg-type]


def _decode(stored: Sequence[StoredResponse], blobs: object) -> list[object]:
    raise AssertionError("there are no recordings")


def test_a_signature_stores_its_verdicts_once() -> None:
    visit = visit_of()
    (signed,) = visit.append(TECHNICIAN)
    assert signed.body == TECHNICIAN
    assert [type(e.body) for e in visit.job.log[-2:]] == [StoredVerdicts, Signed]
    visit.append(Signed(role="client", name="homeowner"))
    visit.keep_verdicts()
    assert len(visit.job.stored_verdicts) == 1  # nothing new was checked
    from commission.steps.handover import events_since_signature

    assert events_since_signature(visit.job, "technician") == 0
    visit.append(*levels({"FC": 75.0}))
    visit.append(TECHNICIAN)
    assert len(visit.job.stored_verdicts) == 2


def test_results_hold_changed_verdicts(monkeypatch: pytest.MonkeyPatch) -> None:
    assert results(visit_of())["judged_differently"] is None
    visit = visit_of()
    visit.append(TECHNICIAN)
    values = results(visit)["judged_differently"]
    assert (values["program_version"], values["checks"], values["stored"]["occasion"]) == (
        values["stored"]["program_version"],
        [],
        "signed",
    )
    profile = default_profile()
    others = tuple(each for each in profile.limits if each.quantity != "levels.match")
    (match,) = (each for each in profile.limits if each.quantity == "levels.match")
    wider = replace(match, low=LIMIT_OF_ANOTHER_VERSION.low, high=LIMIT_OF_ANOTHER_VERSION.high)
    monkeypatch.setattr("commission.model.job.default_profile", lambda: replace(profile, limits=(*others, wider)))
    again = Visit(visit._journal, _decode)  # type: ignore[arg-type]
    values = results(again)["judged_differently"]
    assert ("levels.match", "FC", "fail", "pass") in {
        (c["id"], c["channel"], c["then"], c["now"]) for c in values["checks"]
    }
    json.dumps(values, allow_nan=False)
    text = "\n".join(visit_lines(again))
    assert "would be different today" in text
    assert "levels.match FC A2 (as-found): fail → pass" in text


LIMIT_OF_ANOTHER_VERSION = Limit(low=-9.0, high=9.0, unit="dB", basis="made up for the test")
