"""Faults found, changes, remaining faults and signatures: by the log, and never better than it states."""

from __future__ import annotations

from builders import cinema, decided, defined, job_of, levels, setting

from commission.model import (
    AS_FOUND,
    AS_LEFT,
    Analyses,
    EventBody,
    Finding,
    Job,
    Noted,
    Outcome,
    ReadingEntered,
    ResponseStored,
    Signed,
)
from commission.steps import handover


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


def test_settings_of_both_rounds_and_entered_ones_are_listed() -> None:
    outcome = outcome_of(visit())
    rows = {row.key: row.cells for row in outcome.tables[0].rows}
    assert rows["FL"] == ("FL", 0.0, -1.5, 11.52, 3.51, "normal", "normal", "✓ yes")
    assert rows["FR"][-3:] == ("reversed", "normal", "")
    assert rows["FC"][1:] == (None, None, None, None, None, None, "")
    assert outcome.main_result == "2 channels changed"
    assert "Entered as left but not ticked as applied: FR." in outcome.remarks


def test_settings_that_were_only_noted_are_reported_in_one_sentence() -> None:
    job = job_of(defined(cinema()), setting("FL", trim_db=0.0), setting("FL", round_id=AS_LEFT, trim_db=1.0))
    assert "The settings as left are entered, but none is ticked as applied." in outcome_of(job).remarks


def test_what_was_not_measured_again_is_listed() -> None:
    job = visit(
        *levels({"FL": 75.0, "FC": 74.0}),
        ReadingEntered(round=AS_FOUND, step="levels", quantity="temperature", value=21.0, unit="°C"),
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


def test_signatures_and_missing_ones_are_listed() -> None:
    assert outcome_of(visit()).advice[0].text == "Sign the record as technician."
    once = visit(Signed(role="technician", name="visiting technician"))
    assert outcome_of(once).done == 1
    assert "Not signed by the client." in outcome_of(once).remarks
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


def test_a_job_without_channels_is_not_an_error() -> None:
    assert outcome_of(job_of(defined(cinema(channels=(), seats=())))).tables == ()


def test_settings_that_differ_never_look_the_same() -> None:
    job = job_of(
        defined(cinema()),
        setting("FC", trim_db=-1.25, distance=3.005),
        setting("FC", round_id=AS_LEFT, trim_db=-1.2, distance=3.0),
    )
    columns = {column.key: column.decimals for column in outcome_of(job).tables[0].columns}
    assert (columns["trim_found"], columns["trim_left"], columns["distance_found"]) == (2, 2, 3)


def test_a_setting_that_was_not_noted_as_found_is_no_change() -> None:
    job = job_of(defined(cinema()), setting("FC", round_id=AS_LEFT, trim_db=-2.0))
    assert not handover.setting_changes(job)[1].changed
