"""What was found, what was changed, what remains, who signs: told from the log, and never better than it is."""

from __future__ import annotations

from dataclasses import replace

from builders import cinema, decided, defined, job_of, levels, setting

from commission.model import (
    AS_FOUND,
    AS_LEFT,
    Analyses,
    Check,
    EventBody,
    Finding,
    Job,
    Limit,
    Noted,
    Outcome,
    ResponseStored,
    Signed,
)
from commission.steps import handover
from commission.steps.handover import summary


def response(channel: str, seat: str, round_id: str) -> ResponseStored:
    name = f"{round_id}-{seat}-{channel}"
    return ResponseStored(
        round=round_id, channel=channel, seat=seat, kind="impulse", file_name=name, file_sha256=name
    )


def visit(*more: EventBody) -> Job:
    return job_of(
        defined(cinema()),
        setting("FL", trim_db=0.0, distance=11.52, polarity="normal"),
        setting("FR", trim_db=1.0, distance=11.5, polarity="reversed"),
        setting("FL", round_id=AS_LEFT, applied=True, trim_db=-1.5, distance=3.51, polarity="normal"),
        setting("FR", round_id=AS_LEFT, trim_db=1.0, distance=11.5, polarity="normal"),
        *more,
    )


def finding(rule: str, *channels: str, seats: tuple[str, ...] = (), step: str = "seats") -> Finding:
    return Finding(
        id=rule,
        cause="electronics",
        title=f"{rule} {channels}",
        channels=channels,
        seats=seats,
        step=step,
        remedy="Mend it.",
    )


def done(step: str, count: int = 5, total: int = 5) -> dict[str, Outcome]:
    return {step: Outcome(step=step, round=AS_LEFT, done=count, total=total)}


def outcome_of(job: Job) -> Outcome:
    return handover.evaluate(job, AS_LEFT, Analyses())


def test_settings_of_both_rounds_and_what_was_typed_in() -> None:
    outcome = outcome_of(visit())
    rows = {row.key: row.cells for row in outcome.tables[0].rows}
    assert rows["FL"] == ("FL", 0.0, -1.5, 11.52, 3.51, "normal", "normal", "✓ yes")
    assert rows["FR"][-3:] == ("reversed", "normal", "")
    assert rows["FC"][1:] == (None, None, None, None, None, None, "")
    assert outcome.stands_out == "2 channels changed"
    assert "Entered as left but not ticked as applied: FR." in outcome.remarks


def test_settings_that_were_only_noted_are_told_in_one_sentence() -> None:
    job = job_of(defined(cinema()), setting("FL", trim_db=0.0), setting("FL", round_id=AS_LEFT, trim_db=1.0))
    assert "The settings as left are entered, but none is ticked as applied." in outcome_of(job).remarks


def test_what_was_changed_in_words() -> None:
    told = summary(visit(), (), (), {})
    assert told.changed == (
        "FL: trim 0.0 → −1.5 dB, distance 11.52 → 3.51 m (applied)",
        "FR: polarity reversed → normal",
    )


def test_an_unknown_setting_as_found_is_said_to_be_unknown() -> None:
    job = job_of(defined(cinema()), setting("FC", round_id=AS_LEFT, trim_db=-2.0))
    assert summary(job, (), (), {}).changed == ("FC: trim not entered → −2.0 dB",)
    assert not handover.setting_changes(job)[1].changed  # what was not noted cannot be called a change


def test_a_finding_is_mended_only_when_its_step_was_done_again() -> None:
    found = (finding("wiring.polarity", "FR"),)
    job = visit()
    assert "(no longer found)" in summary(job, found, (), done("seats")).found[0]
    assert "not everything was checked again" in summary(job, found, (), done("seats", 3, 5)).found[0]
    assert "(not checked again)" in summary(job, found, (), done("seats", 0, 5)).found[0]
    assert "(not checked again)" in summary(job, found, (), {}).found[0]


def test_what_cannot_be_told_as_left_is_not_called_mended() -> None:
    # Measured again from text files without phase: no polarity, so that its absence among the findings proves nothing.
    def left(channel: str, why_not: str | None) -> dict[str, Outcome]:
        limit = Limit(low=0.0, unit="", basis="made up for the test")
        check = Check(
            id="seats.polarity", channel=channel, seat="A1", value=1.0, unit="", limit=limit, why_not=why_not
        )
        return {"seats": Outcome(step="seats", round=AS_LEFT, done=5, total=5, checks=(check,))}

    found = (replace(finding("wiring.polarity", "FR"), check="seats.polarity"),)
    assert "(no longer found)" in summary(visit(), found, (), left("FR", None)).found[0]
    for outcomes in (left("FR", "a response without phase"), left("FL", None), done("seats")):
        assert (
            "(not seen again, but the measurement as left cannot show it)"
            in summary(visit(), found, (), outcomes).found[0]
        )


def test_settings_that_differ_never_look_the_same() -> None:
    job = job_of(
        defined(cinema()),
        setting("FC", trim_db=-1.25, distance=3.005),
        setting("FC", round_id=AS_LEFT, trim_db=-1.2, distance=3.0),
    )
    assert summary(job, (), (), {}).changed == ("FC: trim −1.25 → −1.2 dB, distance 3.005 → 3.00 m",)
    columns = {column.key: column.decimals for column in outcome_of(job).tables[0].columns}
    assert (columns["trim_found"], columns["trim_left"], columns["distance_found"]) == (2, 2, 3)


def test_a_finding_that_shows_again_is_open() -> None:
    found = (finding("wiring.polarity", "FR"), finding("room.null", "SUB1", "SUB2", seats=("A3",)))
    left = (finding("wiring.polarity", "FR"), finding("room.null", "SUB1", "SUB2", seats=("B2",)))
    told = summary(visit(), found, left, done("seats"))
    assert "(still open)" in told.found[0]
    assert "(no longer found)" in told.found[1]  # the null at B2 is another one
    assert sum("Mend it." in text for text in told.remains) == 2


def test_the_same_rule_on_another_channel_is_another_fault() -> None:
    told = summary(visit(), (finding("wiring.polarity", "FR"),), (finding("wiring.polarity", "FL"),), done("seats"))
    assert "(no longer found)" in told.found[0]


def test_without_as_left_everything_found_remains() -> None:
    job = job_of(defined(cinema()), *levels({"FL": 75.0}))
    told = summary(job, (finding("wiring.polarity", "FR"),), (), done("seats"))
    assert "(not checked again)" in told.found[0]
    assert "Mend it." in told.remains[0]
    assert "Nothing was measured as left." in told.remains


def test_steps_not_done_remain() -> None:
    outcomes = done("levels", 3, 13) | done("seats") | done("handover", 0, 2)
    told = summary(visit(), (), (), outcomes, {"levels": "Levels"})
    assert "Levels: 3 of 13 done as left." in told.remains
    assert not any("handover" in text or "seats" in text for text in told.remains)


def test_what_was_not_measured_again_is_listed() -> None:
    job = visit(
        *levels({"FL": 75.0, "FC": 74.0}),
        *levels({"FL": 75.0}, round_id=AS_LEFT),
        response("FL", "A1", AS_FOUND),
        response("FL", "A2", AS_FOUND),
        response("FL", "A1", AS_LEFT),
    )
    assert handover.not_measured_again(job) == (
        "Levels were not read again as left: FC.",
        "1 of 2 responses were not measured again as left: FL.",
    )
    assert all(text in outcome_of(job).remarks for text in handover.not_measured_again(job))
    assert handover.not_measured_again(job_of(defined(cinema()), *levels({"FL": 75.0}))) == ()


def test_who_signed_and_who_is_waited_for() -> None:
    assert outcome_of(visit()).advice[0].text == "Sign the record as technician."
    once = visit(Signed(role="technician", name="visiting technician"))
    assert outcome_of(once).done == 1
    assert outcome_of(once).advice[0].text == "Sign the record as client."
    both = visit(Signed(role="technician", name="T"), Signed(role="client", name="C"))
    outcome = outcome_of(both)
    assert (outcome.state, outcome.advice) == ("done", ())
    assert any(remark.startswith("Signed as client: C, 2026-") for remark in outcome.remarks)


def test_a_signature_does_not_cover_what_came_after_it() -> None:
    job = visit(
        Signed(role="technician", name="T"),
        Signed(role="client", name="C"),
        decided("levels", "x", "1"),
        Noted(step="seats", text="moved a chair"),
    )
    outcome = outcome_of(job)
    assert any("2 events were logged after that: sign again." in remark for remark in outcome.remarks)
    assert outcome.advice[0].text == "Sign the record as technician again: events were logged since."
    again = visit(decided("levels", "x", "1"), Signed(role="technician", name="T"), Signed(role="client", name="C"))
    assert outcome_of(again).advice == ()


def test_nobody_is_asked_to_sign_before_anything_is_left() -> None:
    outcome = outcome_of(job_of(defined(cinema())))
    assert outcome.advice == ()
    assert "No settings as left are entered yet." in outcome.remarks


def test_cautions_and_notes_are_in_every_record() -> None:
    outcome = outcome_of(visit(Noted(step="seats", text="moved a chair")))
    text = " ".join(outcome.remarks)
    assert "Note (seats): moved a chair" in text
    # NIOSH 98-126 (1998): 85 dB(A) for 8 hours, exchange rate 3 dB
    assert "85 dB(A) for 8 hours" in text
    assert "every 3 dB more halves" in text
    assert "licensed trades" in text
    assert "local codes" in text


def test_the_whole_reads_in_order() -> None:
    lines = summary(visit(), (), (), done("seats")).lines
    titles = [line for line in lines if not line.startswith(" ")]
    assert titles == ["What was found", "What was changed", "What remains", "Signatures", "Cautions"]
    assert lines[1] == "  Nothing was found wrong."


def test_a_job_without_channels_is_no_error() -> None:
    assert outcome_of(job_of(defined(cinema(channels=(), seats=())))).tables == ()
