"""Since last time: the wording for a return visit; `test_drift_results` covers how a change is evaluated."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from builders import cinema, defined, events_of, job_of, levels, setting
from sound_room import SoundRoom

from commission.history import fold
from commission.model import AS_LEFT, Analyses, EarlierVisit, Instrument, Noted, RoundOpened, StoredVerdicts, Verdict
from commission.steps import belongs, drift, listed
from commission.steps.drift import figures as drift_figures
from commission.steps.drift.result import Drift
from commission.steps.drift.tables import describe

NOTHING = Analyses()
LEVELS = {"FL": 75.0, "FC": 74.8, "FR": 75.2, "SiL": 75.1, "SiR": 74.9, "SUB1": 78.0}


def earlier_of(job, *, title="Harbour Lane cinema") -> EarlierVisit:
    return replace(
        drift_figures.earlier_visit(job, NOTHING, file_name="then.commission", program_version="0.1.0"), title=title
    )


def returning(earlier: EarlierVisit, *bodies):
    return job_of(defined(cinema()), earlier, *bodies)


def remarks(job, round_id="as-found") -> str:
    return "\n".join(drift.evaluate(job, round_id, NOTHING).remarks)


def test_it_belongs_to_return_visits_only() -> None:
    first = job_of(defined(cinema()), *levels(LEVELS))
    assert not belongs("drift", first)
    assert belongs("drift", returning(earlier_of(first)))
    assert "drift" not in dict(listed(first)) and "drift" in dict(listed(returning(earlier_of(first))))
    assert not drift.evaluate(first, "as-found", NOTHING).checks


def test_one_channel_that_fell_is_named_and_a_turned_volume_is_not() -> None:
    then = job_of(defined(cinema()), *levels(LEVELS))
    now = {name: value + 3.0 for name, value in LEVELS.items()} | {"SiL": LEVELS["SiL"] + 3.0 - 4.0}
    outcome = drift.evaluate(returning(earlier_of(then), *levels(now)), "as-found", NOTHING)
    assert outcome.main_result == "drifted: SiL"
    assert outcome.verdict is Verdict.FAIL
    assert any("share a change of +3.0 dB" in remark for remark in outcome.remarks)
    (table,) = outcome.tables
    place = {column.key: i for i, column in enumerate(table.columns)}
    (side,) = (row.cells for row in table.rows if row.cells[0] == "SiL")
    assert (side[place["then"]], side[place["now"]]) == pytest.approx((LEVELS["SiL"], LEVELS["SiL"] - 1.0))
    assert "Everything not listed" not in table.remark  # it lists every level
    assert "It may also be an obstacle in front of it" in outcome.remarks[-1]
    assert outcome.remarks[-1].endswith("Measure again before you repair anything: SiL.")


def test_a_level_that_moved_as_its_trim_did_is_explained_by_it() -> None:
    """After as left, FL was raised by 5 dB: its level is 5 dB up, and nothing has drifted."""
    then = job_of(defined(cinema()), *levels(LEVELS), *(setting(c, trim_db=-1.0) for c in LEVELS))
    trims = [setting(c, trim_db=4.0 if c == "FL" else -1.0) for c in LEVELS]
    outcome = drift.evaluate(returning(earlier_of(then), *trims, *levels(LEVELS | {"FL": 80.0})), "as-found", NOTHING)
    assert outcome.main_result == "settings changed: FL"
    (table,) = [t for t in outcome.tables if t.id == "drift-levels"]
    column = {c.key: i for i, c in enumerate(table.columns)}
    (row,) = [r for r in table.rows if r.cells[0] == "FL"]
    assert row.cells[column["explained"]] == 5.0
    assert row.cells[column["word"]] == "explained"
    assert "minus what settings and air explain" in table.remark
    # The trim changed and the level did not follow: that is a drift.
    outcome = drift.evaluate(returning(earlier_of(then), *trims, *levels(LEVELS)), "as-found", NOTHING)
    assert outcome.main_result == "settings changed: FL; drifted: FL"


def test_a_drift_with_no_trim_noted_may_be_somebodys_hand() -> None:
    then = job_of(defined(cinema()), *levels(LEVELS))
    outcome = drift.evaluate(returning(earlier_of(then), *levels(LEVELS | {"FL": 80.0})), "as-found", NOTHING)
    (table,) = outcome.tables
    assert {row.cells[-1] for row in table.rows if row.cells[0] == "FL"} == {"drifted, or reset"}


def test_a_changed_setting_is_exact_and_asks_who_changed_it() -> None:
    then = job_of(
        defined(cinema()), setting("FL", trim_db=-1.0, distance=3.51, polarity="normal"), setting("FC", trim_db=0.5)
    )
    job = returning(earlier_of(then), setting("FL", trim_db=-0.5, distance=3.51), setting("FC", trim_db=0.5))
    outcome = drift.evaluate(job, "as-found", NOTHING)
    (table,) = outcome.tables
    assert [(row.cells[0], row.cells[-1]) for row in table.rows] == [("FL", "changed")]
    assert outcome.main_result == "settings changed: FL"
    assert "who changed" in outcome.advice[0].text
    answered = fold([*job.log, *events_of(Noted(step="drift", text="the owner's son"), start=len(job.log) + 1)])
    assert not drift.evaluate(answered, "as-found", NOTHING).advice, "asked once and noted, it is asked no more"
    bounds = [(c.limit.low, c.limit.high) for c in outcome.checks if c.limit is not None]
    assert set(bounds) == {(0.0, 0.0)}, "a setting has no uncertainty, not a hair of it"


def test_an_inverted_measuring_chain_is_reported() -> None:
    """It says nothing about the room, but "all polarities unchanged" would be untrue."""
    room = SoundRoom()
    then = drift_figures.earlier_visit(
        job_of(defined(room.system)), room.analyses(), file_name="then.commission", program_version="0.1.0"
    )
    for channel in room.system.channels:
        room.change(channel.id, polarity=-1)
    job = job_of(defined(room.system), then)
    outcome = drift.evaluate(job, "as-found", room.analyses())
    printed = "\n".join(outcome.remarks)
    assert "most main loudspeakers are inverted compared with last time" in printed
    assert "polarities heard" not in printed
    assert not [c for c in outcome.checks if c.id == "drift.heard_polarity" and c.verdict is not Verdict.PASS]


def test_nobody_is_suspected_where_the_sheet_was_never_ticked() -> None:
    then = job_of(
        defined(cinema()),
        setting("FL", trim_db=-1.0),
        RoundOpened(round=AS_LEFT),
        setting("FL", trim_db=-3.0, round_id=AS_LEFT),
    )
    job = returning(earlier_of(then), setting("FL", trim_db=-1.0))
    outcome = drift.evaluate(job, "as-found", NOTHING)
    assert outcome.main_result == "settings changed: FL"
    assert not outcome.advice
    assert "may never have been in the processor" in "\n".join(outcome.remarks)


def test_what_was_noted_last_is_what_was_left() -> None:
    """As left holds only changes; the rest was left as found."""
    then = job_of(
        defined(cinema()),
        setting("FL", trim_db=-1.0, distance=3.5),
        setting("FC", trim_db=2.0),
        setting("FL", trim_db=-3.0, round_id=AS_LEFT, applied=True),
    )
    left = {(f.quantity, f.channel): f.value for f in earlier_of(then).figures}
    assert left == {("trim_db", "FL"): -3.0, ("held_distance", "FL"): 3.5, ("trim_db", "FC"): 2.0}


def test_what_only_one_visit_holds_is_said_and_not_judged() -> None:
    then = job_of(defined(cinema()), *levels(LEVELS))
    outcome = drift.evaluate(returning(earlier_of(then)), "as-found", NOTHING)
    assert not outcome.checks
    assert outcome.state == "nothing"
    assert any("this round does not have them: hand-read levels" in remark for remark in outcome.remarks)
    job = returning(earlier_of(job_of(defined(cinema()), setting("FL", trim_db=0.0))), *levels(LEVELS))
    printed = remarks(job)
    assert (
        "the last round of the earlier visit does not have them: hand-read levels (FL, FC, FR, SiL, SiR, SUB1)"
        in printed
    )
    assert "this round does not have them: trims (FL)" in printed


def test_only_the_first_round_is_compared() -> None:
    """Settings changed during this visit are no change since the earlier visit."""
    then = job_of(defined(cinema()), *levels(LEVELS), setting("FL", trim_db=-1.0))
    job = returning(
        earlier_of(then),
        *levels(LEVELS),
        setting("FL", trim_db=-1.0),
        *levels(LEVELS | {"FL": 70.0}, round_id=AS_LEFT),
        setting("FL", trim_db=-6.0, round_id=AS_LEFT),
    )
    assert drift.evaluate(job, "as-found", NOTHING).verdict is Verdict.PASS
    later = drift.evaluate(job, AS_LEFT, NOTHING)
    assert (later.checks, later.tables, later.advice, later.main_result) == ((), (), (), "")
    assert "The round as found is compared with the earlier visit" in later.remarks[0]


def test_which_rounds_are_compared_is_said() -> None:
    found_only = job_of(defined(cinema()), *levels(LEVELS))
    printed = remarks(returning(earlier_of(found_only), *levels(LEVELS)))
    assert (
        "this visit as found with “Harbour Lane cinema” as found, closed 2026-03-14 (file then.commission" in printed
    )
    assert "has no round as left" in printed
    left = job_of(defined(cinema()), *levels(LEVELS), *levels(LEVELS, round_id=AS_LEFT))
    printed = remarks(returning(earlier_of(left), *levels(LEVELS)))
    assert "this visit as found with “Harbour Lane cinema” as left" in printed
    assert "has no round as left" not in printed
    assert "has no values to compare with" in remarks(returning(earlier_of(job_of(defined(cinema())))))


def test_a_record_written_later_does_not_move_the_day_of_the_visit() -> None:
    job = job_of(defined(cinema()), *levels(LEVELS))
    later = job_of(
        defined(cinema()), *levels(LEVELS), StoredVerdicts(occasion="record", program_version="0.1.0", kinds=())
    )
    assert earlier_of(later).closed_at == earlier_of(job).closed_at == job.log[-1].at
    assert earlier_of(later).digest == later.digest


def test_other_instruments_are_named() -> None:
    then = job_of(defined(cinema()), *levels(LEVELS))
    other = cinema(
        instruments=(
            Instrument(kind="meter", model="class 1 sound level meter", serial="7"),
            Instrument(kind="microphone", model="measurement microphone", serial="2"),
        )
    )
    job = job_of(defined(cinema()), earlier_of(then), defined(other), *levels(LEVELS))
    printed = remarks(job)
    assert (
        "The level meter is not that of last time (then class 2 sound level meter, now class 1 sound level meter 7)"
        in printed
    )
    assert "Another microphone" not in printed, "the visit before named none"


def test_a_turned_polarity_is_a_changed_setting() -> None:
    then = job_of(defined(cinema()), setting("FL", polarity="normal"))
    outcome = drift.evaluate(returning(earlier_of(then), setting("FL", polarity="reversed")), "as-found", NOTHING)
    (table,) = outcome.tables
    cells = dict(zip([c.key for c in table.columns], table.rows[0].cells, strict=True))
    assert (cells["channel"], cells["what"], cells["then"], cells["now"], cells["word"]) == (
        "FL",
        "polarity",
        "normal",
        "reversed",
        "changed",
    )


def drift_of(quantity: str, change: float = 0.0, explained: float | None = 0.0) -> Drift:
    return Drift(quantity=quantity, channel="FL", before=1.0, now=1.0 + change, change=change, explained=explained)


def test_unchanged_is_reported_of_kinds_in_which_nothing_drifted() -> None:
    same, heard, moved = drift_of("tape_m"), drift_of("heard_polarity"), drift_of("level_db", 3.0)

    def sentences(*drifts: Drift, turned: bool = False) -> list[str]:
        return [text.split(": ")[0] for text in drift._steady(result_of(*drifts, turned=turned))]

    assert sentences(same, heard) == ["Unchanged"] * 2
    assert sentences(same, heard, turned=True) == ["Unchanged"]  # of the tapes: all polarities changed with the chain
    assert sentences(same, turned=True) == ["Unchanged"]
    assert sentences(moved) == sentences() == []


def result_of(*drifts: Drift, turned: bool) -> Any:
    return SimpleNamespace(drifts=drifts, chain_turned=turned)


@pytest.mark.parametrize(
    ("quantity", "explained", "mentioned"),
    [("arrival_ms", 0.09, False), ("arrival_ms", -0.11, True), ("level_db", 0.01, True), ("level_db", None, False)],
)
def test_what_air_explains_below_a_tenth_of_a_millisecond_is_not_mentioned(
    quantity: str, explained: float | None, mentioned: bool
) -> None:
    assert drift_of(quantity, 0.0, explained).is_explained is mentioned


def test_of_repeated_responses_the_newest_is_kept() -> None:
    every = [*SoundRoom().analyses()]
    unused = replace(every[1], seq=every[1].seq + 5000, analysis=None)
    again = replace(every[0], seq=every[0].seq + 5000)
    assert [*drift_figures._without_repeats(Analyses([*every, again, unused]))] == [*every[1:], again, unused]
    once = Analyses([*every, unused])
    assert drift_figures._without_repeats(once) is once


def test_a_change_of_the_spread_has_a_decimal() -> None:
    assert describe("spread_db all 25–80") == ("seat-to-seat standard deviation, 25–80 Hz", "dB", 1)
