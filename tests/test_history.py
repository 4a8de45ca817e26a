"""The effect of each kind of entry on the job, and that a withdrawn one has none: by the definitions of the model."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, get_args

import pytest
from builders import cinema, events_of

from commission.history import doubtful_times, fold, may_withdraw, order_rounds, withdrawn_seqs
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    ActionLogged,
    ChecklistChosen,
    CommissionError,
    Decided,
    EarlierVisit,
    Event,
    EventBody,
    Job,
    JobCreated,
    LimitsChosen,
    Noted,
    PhotoAttached,
    ReadingEntered,
    ResponseStored,
    RoundOpened,
    Setting,
    SettingEntered,
    SheetIssued,
    Signed,
    StimulusStored,
    StoredVerdicts,
    System,
    SystemDefined,
    Withdrawn,
    default_checklist,
    default_profile,
    merge_settings,
)

CREATED = JobCreated(title="Harbour Lane cinema", program_version="0")


def entry(round_id: str = AS_FOUND, *, applied: bool = False, **fields: Any) -> SettingEntered:
    return SettingEntered(setting=Setting(round=round_id, channel="FL", **fields), applied=applied)


def earlier(title: str) -> EarlierVisit:
    return EarlierVisit(
        file_name="a.commission", title=title, digest="0" * 64, round=AS_LEFT, closed_at="", program_version="0"
    )


def response(seat: str) -> ResponseStored:
    return ResponseStored(
        round=AS_LEFT, channel="FL", seat=seat, kind="impulse", file_name="a.wav", file_sha256=seat * 64
    )


def photo(caption: str) -> PhotoAttached:
    return PhotoAttached(
        step="site",
        caption=caption,
        file_name="a.png",
        file_sha256="0" * 64,
        media_type="image/png",
        width_px=1,
        height_px=1,
    )


def level(value: float, round_id: str = "check") -> ReadingEntered:
    return ReadingEntered(round=round_id, step="levels", channel="FL", quantity="level", value=value, unit="dB")


OLD_AND_NEW: tuple[tuple[EventBody, EventBody], ...] = (
    (SystemDefined(system=cinema(["FL"])), SystemDefined(system=cinema(["FL", "FR"]))),
    (RoundOpened(round="check"), RoundOpened(round=AS_LEFT)),
    (entry(trim_db=-3.0, distance=3.4), entry(trim_db=1.5, polarity="reversed")),
    (entry(trim_db=-3.0), entry(AS_LEFT, trim_db=1.5)),
    (entry(AS_LEFT, trim_db=-3.0), entry(AS_LEFT, trim_db=-3.0, applied=True)),
    (level(75.0), level(76.0, AS_LEFT)),
    (response("a"), response("b")),
    (
        StimulusStored(file_name="a.wav", file_sha256="0" * 64, rate_hz=48000.0, frames=9),
        StimulusStored(file_name="b.wav", file_sha256="1" * 64, rate_hz=48000.0, frames=9),
    ),
    (Noted(step="site", text="first"), Noted(step="site", text="second")),
    (
        ActionLogged(round=AS_FOUND, finding="wiring.polarity", title="reversed", action="later"),
        ActionLogged(round=AS_FOUND, finding="wiring.polarity", title="reversed", action="repaired"),
    ),
    (photo("front"), photo("back")),
    (earlier("2025"), earlier("2026")),
    (
        Decided(round=AS_FOUND, step="levels", key="offset", value="0"),
        Decided(round=AS_FOUND, step="levels", key="offset", value="-3"),
    ),
    (
        LimitsChosen(profile=replace(default_profile(), name="first")),
        LimitsChosen(profile=replace(default_profile(), name="second")),
    ),
    (
        ChecklistChosen(checklist=replace(default_checklist(), name="first")),
        ChecklistChosen(checklist=replace(default_checklist(), name="second")),
    ),
    (
        StoredVerdicts(occasion="signed", program_version="0", kinds=()),
        StoredVerdicts(occasion="record", program_version="0", kinds=()),
    ),
    (SheetIssued(channels=(), program_version="0"), SheetIssued(channels=(), program_version="1")),
    (Signed(role="technician", name="A. Moor"), Signed(role="client", name="B. Lind")),
)


def job_without_log(*bodies: EventBody) -> Job:
    """The job without its log, which holds withdrawn entries too."""
    return replace(fold(events_of(CREATED, *bodies)), log=())


@pytest.mark.parametrize(("old", "new"), OLD_AND_NEW, ids=lambda each: type(each).__name__)
def test_a_withdrawn_entry_of_any_kind_has_no_effect(old: EventBody, new: EventBody) -> None:
    before, after = job_without_log(old), job_without_log(old, new)
    assert job_without_log() != before != after, "both entries count"
    assert job_without_log(old, new, Withdrawn(seq=3)) == before
    assert job_without_log(old, new, Withdrawn(seq=3), Withdrawn(seq=4)) == after, (
        "withdrawing the withdrawal restores"
    )
    assert job_without_log(old, Withdrawn(seq=2)) == job_without_log()
    # The same if the entries were folded before the withdrawal.
    events = events_of(CREATED, old, new, Withdrawn(seq=3))
    assert replace(fold(events[3:], fold(events[:3])), log=()) == before


def test_every_kind_of_entry_is_tested() -> None:
    assert {type(new) for _, new in OLD_AND_NEW} == {*get_args(EventBody)} - {JobCreated, Withdrawn}


def test_a_withdrawal_of_a_later_entry_has_no_effect() -> None:
    log = events_of(Withdrawn(seq=2), Noted(step="site", text="x"))
    assert fold(log).notes == (log[1],)


def test_a_withdrawal_can_be_withdrawn() -> None:
    log = events_of(Noted(step="site", text="x"), Withdrawn(seq=1), Withdrawn(seq=2))
    assert withdrawn_seqs(log[:2]) == {1}
    assert withdrawn_seqs(log) == {2}


def test_as_found_comes_first_and_as_left_last() -> None:
    assert order_rounds(["as-left", "check", "as-found", "again", "check"]) == (
        "as-found",
        "check",
        "again",
        "as-left",
    )
    assert order_rounds([]) == ("as-found",)


def test_without_any_entry_there_is_an_empty_job() -> None:
    assert fold(()) == Job(system=System(title=""))


def test_the_last_of_system_limits_earlier_visit_and_decision_counts() -> None:
    job = job_without_log(*(body for pair in OLD_AND_NEW for body in pair))
    assert [each.id for each in job.system.channels] == ["FL", "FR"]
    assert job.limits is not None and job.limits.name == "second" and job.profile.name == "second"
    assert job.earlier is not None and job.earlier.title == "2026"
    assert job.decisions == {(AS_FOUND, "levels", "offset"): "-3"}
    assert job.current_round == AS_LEFT
    assert job.rounds == (AS_FOUND, "check", AS_LEFT)


def test_readings_responses_notes_and_signatures_stay_in_the_order_entered() -> None:
    events = events_of(CREATED, *(body for pair in OLD_AND_NEW for body in pair))
    job = fold(events)
    assert [each.body.value for each in job.readings] == [75.0, 76.0]
    assert [(each.body.seat, each.blob_sha256) for each in job.responses] == [("a", "a" * 64), ("b", "b" * 64)]
    assert job.stimuli == {"0" * 64: "a.wav", "1" * 64: "b.wav"}
    assert [each.body.action for each in job.actions] == ["later", "repaired"]
    for kept, kind in (
        (job.notes, Noted),
        (job.photos, PhotoAttached),
        (job.stored_verdicts, StoredVerdicts),
        (job.signatures, Signed),
    ):
        assert kept == tuple(each for each in events if isinstance(each.body, kind))
    numbered: list[Any] = [*job.readings, *job.responses, *job.actions]
    for each in numbered:
        event = events[each.seq - 1]
        assert (each.body, each.at) == (event.body, event.at)


def test_a_recording_is_found_under_the_digest_of_its_event() -> None:
    event = replace(events_of(response("a"))[0], blob_sha256="f" * 64)
    assert fold([event]).responses[0].blob_sha256 == "f" * 64


def test_an_empty_field_keeps_the_value_of_an_earlier_entry() -> None:
    job = job_without_log(
        entry(trim_db=-3.0, distance=3.4, polarity="reversed"),
        entry(distance=3.5),
        entry(trim_db=0.0),  # zero is a value
        entry(polarity="normal"),
    )
    assert job.setting(AS_FOUND, "FL") == Setting(
        round=AS_FOUND, channel="FL", trim_db=0.0, distance=3.5, polarity="normal"
    )
    nothing, something = entry().setting, entry(trim_db=-3.0, distance=3.4, polarity="reversed").setting
    assert merge_settings(something, nothing) == something
    assert merge_settings(nothing, something) == something
    assert merge_settings(None, something) == something


def test_only_ticked_settings_count_as_entered() -> None:
    job = job_without_log(entry(AS_LEFT, trim_db=-3.0), entry(AS_LEFT, distance=3.5, applied=True))
    assert job.setting(AS_LEFT, "FL") == Setting(round=AS_LEFT, channel="FL", trim_db=-3.0, distance=3.5)
    assert job.applied == {(AS_LEFT, "FL")}
    assert job.typed_in == {(AS_LEFT, "FL"): Setting(round=AS_LEFT, channel="FL", distance=3.5)}
    again = job_without_log(
        entry(AS_LEFT, distance=3.5, applied=True), entry(AS_LEFT, trim_db=-1.0, applied=True), entry(AS_LEFT)
    )
    assert again.typed_in[(AS_LEFT, "FL")] == Setting(round=AS_LEFT, channel="FL", trim_db=-1.0, distance=3.5)


def test_impossible_entries_are_left_out_with_round_and_reason() -> None:
    job = job_without_log(level(1e6, AS_LEFT), entry(AS_LEFT, trim_db=1e6), level(75.0, AS_FOUND))
    assert [(each.seq, each.round) for each in job.left_out] == [(2, AS_LEFT), (3, AS_LEFT)]
    assert all("expected a number from" in each.why for each in job.left_out)
    assert job.settings == {} and [each.body.value for each in job.readings] == [75.0]
    assert job.rounds == (AS_FOUND,), "an entry that is left out opens no round"


def test_entries_can_be_withdrawn_but_other_events_cannot() -> None:
    job = fold(events_of(CREATED, Noted(step="site", text="x"), Noted(step="site", text="y"), Withdrawn(seq=2)))
    assert may_withdraw(job, 3) == job.log[2]
    assert may_withdraw(job, 4) == job.log[3]
    for seq, sentence in (
        (1, "The first event opens the log and cannot be withdrawn."),
        (2, "Event 2 is withdrawn already."),
        (5, "Event 5 does not exist; the log ends at 4."),
    ):
        with pytest.raises(CommissionError) as raised:
            may_withdraw(job, seq)
        assert str(raised.value) == sentence
    with pytest.raises(CommissionError, match="the log ends at 0"):
        may_withdraw(fold(()), 1)


def dated(*times: str) -> list[Event]:
    return [Event(seq=i, at=f"{at}.000+00:00", body=Noted(step="site", text="x")) for i, at in enumerate(times, 1)]


def test_impossible_times_are_named() -> None:
    now = datetime(2027, 1, 1, tzinfo=UTC)
    fine = dated("2026-03-14T09:00:00", "2026-03-14T08:30:00", "2026-03-16T09:00:00", "2029-03-16T09:00:00")
    assert doubtful_times(fine[:3], now) == ()
    assert doubtful_times(fine, datetime(2030, 1, 1, tzinfo=UTC)) == ()
    (back,) = doubtful_times(dated("2026-03-14T09:00:00", "1998-01-01T00:00:00"), now)
    assert back == "event 2 is dated 1998-01-01, before event 1 (2026-03-14)"
    (jump,) = doubtful_times(dated("1999-03-14T09:00:00", "2026-03-14T09:00:00", "2026-03-15T09:00:00"), now)
    assert jump == "event 2 is dated 2026-03-14, 27 years after event 1"
    (ahead,) = doubtful_times(dated("2026-12-31T09:00:00", "2027-03-01T00:00:00", "2027-03-01T01:00:00"), now)
    assert ahead == "event 2 is dated 2027-03-01, later than today"


NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)
SECOND, DAY, TEN_YEARS = timedelta(seconds=1), timedelta(days=1), timedelta(days=3650)


@pytest.mark.parametrize(
    ("steps", "doubtful"),
    [
        # Times from event to event, then the present time after the last one. A time at the bound itself is accepted.
        ([-DAY, 2 * DAY], []),
        ([-DAY - SECOND, 3 * DAY], [2]),
        ([TEN_YEARS, SECOND], []),
        ([TEN_YEARS + SECOND, SECOND], [2]),
        ([SECOND, -DAY], []),
        ([SECOND, -DAY - SECOND], [2]),
        ([SECOND, -2 * DAY], [1]),  # events after a date in the future are not named again
        ([-2 * DAY, SECOND, 2 * DAY, -3 * DAY, 9 * DAY], [2, 5]),
    ],
)
def test_a_clock_may_be_off_by_a_day_and_a_job_rest_for_ten_years(
    steps: list[timedelta], doubtful: list[int]
) -> None:
    times = [NOON]
    for step in steps[:-1]:
        times.append(times[-1] + step)
    log = [Event(seq=i, at=at.isoformat(), body=Noted(step="site", text="x")) for i, at in enumerate(times, 1)]
    found = doubtful_times(log, times[-1] + steps[-1])
    assert [int(each.split()[1]) for each in found] == doubtful
