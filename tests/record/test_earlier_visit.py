"""Page one of the record of a return visit."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from builders import cinema, defined, levels, setting
from jobs import CREATED_AT, grids, section, sections, text_of, visit_of

from commission.model import AS_LEFT, EarlierVisit, EventBody, RoundOpened
from commission.record.content import earlier_visit as content_module
from commission.record.content.assembly import document
from commission.record.data.results import results, results_json
from commission.record.document import Document
from commission.steps.drift.figures import earlier_visit
from commission.steps.drift.result import Drift, DriftResult
from commission.visit import Visit

SYSTEM = cinema(["FL", "FC", "FR", "SiL", "SiR", "SUB1"], ["A2"])
LEVELS = {channel.id: 75.0 for channel in SYSTEM.channels}
TRIMS = tuple(setting(c, trim_db=-1.0, distance=3.0, polarity="normal") for c in LEVELS)


def earlier_of(visit: Visit) -> EarlierVisit:
    return earlier_visit(visit.job, visit.analyses, file_name="last.commission", program_version="0.1.0")


def record(visit: Visit, **changes: object) -> Document:
    return document(visit, created_at=CREATED_AT, **changes)  # type: ignore[arg-type]


def page_one(*now: EventBody, then: tuple[EventBody, ...] = (*levels(LEVELS), *TRIMS)) -> str:
    earlier = earlier_of(visit_of(defined(SYSTEM), *then))
    return text_of(section(record(visit_of(defined(SYSTEM), earlier, *now)), "summary-earlier"))


def test_a_quieter_loudspeaker_is_reported_with_value_and_uncertainty() -> None:
    text = page_one(*levels(LEVELS | {"SiL": 71.0}), *TRIMS)
    assert text.startswith("Since the visit of 14 March 2026")
    assert "the state in which it was found then: that visit recorded nothing else" in text
    assert "Side left has become 4.0 dB quieter; the measurements are uncertain by ± 3.1 dB" in text
    assert "Nothing that was measured both times has changed" not in text
    assert "Its setting may have changed" not in text, "its trim was noted both times"


def test_changed_settings_are_distinguished_from_drift() -> None:
    turned = tuple(
        setting(c, trim_db=2.0 if c == "FL" else -1.0, distance=2.5 if c == "FC" else 3.0, polarity="normal")
        for c in LEVELS
    )
    text = page_one(*levels(LEVELS | {"FL": 78.0}), *turned)
    assert "The loudness setting has been changed since then: Front left (3.0 dB louder)." in text
    assert "The timing setting has been changed since then: Centre." in text
    assert "Changed settings explain the change of Front left; this is not a drift." in text
    assert (
        "Nothing that was measured both times has changed by more than the uncertainty of the two measurements."
        in text
    )


def test_a_quieter_loudspeaker_is_examined_before_its_trim_is_changed() -> None:
    """Its trim is unchanged: a cable, an amplifier or a driver made it quieter, and a trim is no remedy for that."""
    earlier = earlier_of(visit_of(defined(SYSTEM), *levels(LEVELS), *TRIMS))
    doc = record(visit_of(defined(SYSTEM), earlier, *levels(LEVELS | {"SiL": 69.0}), *TRIMS))
    remains = text_of(section(doc, "summary-remains"))
    (line,) = [line for line in remains.splitlines() if line.startswith("The loudness of Side left")]
    assert "Find out first why Side left became quieter (cable, amplifier, driver)" in line
    assert "Enter the trims" not in line
    (proposed,) = [grid for grid in grids(doc) if grid.id == "settings-proposed"]
    rows = {row[0]: row for row in proposed.rows if row[1] == "trim"}
    assert "find the cause first" in rows["SiL (Side left)"]


def test_a_partial_comparison_states_its_count() -> None:
    some = {channel: level for channel, level in LEVELS.items() if channel not in ("SiL", "SiR")}
    text = page_one(*levels(some), *TRIMS)
    assert f"{len(some)} of {len(LEVELS)} loudspeakers could be compared; not: Side left and Side right." in text
    assert "could be compared" not in page_one(*levels(LEVELS), *TRIMS)


def test_without_a_noted_trim_a_drift_may_be_a_changed_setting() -> None:
    text = page_one(*levels(LEVELS | {"SiL": 71.0}), then=levels(LEVELS))
    assert "Side left has become 4.0 dB quieter" in text
    assert "Its setting may have changed as well: it was not recorded at both visits." in text


def test_an_unchanged_room_is_reported_as_unchanged() -> None:
    then: tuple[EventBody, ...] = (*levels(LEVELS), *TRIMS, *levels(LEVELS, round_id=AS_LEFT))
    text = page_one(*levels(LEVELS | {"FR": 75.1}), *TRIMS, then=then)
    assert "is compared with the state in which it was left then." in text
    assert "has changed by more than the uncertainty of the two measurements" in text
    assert "has been changed since then" not in text


def test_settings_that_were_never_entered_accuse_nobody() -> None:
    then: tuple[EventBody, ...] = (*TRIMS, RoundOpened(round=AS_LEFT), setting("FL", trim_db=-4.0, round_id=AS_LEFT))
    text = page_one(*TRIMS, then=then)
    assert "The loudness setting is not what was planned then, and may never have been entered: " in text
    assert "Front left (3.0 dB louder)" in text
    assert "has been changed since then" not in text


def test_a_changed_volume_is_reported_as_such() -> None:
    text = page_one(*levels({c: 78.0 for c in LEVELS}), *TRIMS)
    assert (
        "All loudspeakers together read 3.0 dB louder than then; this may only be the volume setting of the day"
        in text
    )
    assert "has become" not in text
    assert "together" not in page_one(*levels({c: 75.3 for c in LEVELS}), *TRIMS)


def test_only_settings_changed_or_nothing_is_measured_yet() -> None:
    assert "Only settings could be compared" in page_one(*TRIMS)
    assert "Nothing that the earlier visit measured has been measured again yet." in page_one()
    assert "The earlier visit measured nothing that could be compared." in page_one(then=())


def test_other_visits_mention_no_earlier_visit() -> None:
    doc = record(visit_of(defined(SYSTEM), *levels(LEVELS)))
    assert "summary-earlier" not in {part.id for part in sections(doc)}


def test_only_the_round_as_found_is_compared_with_the_earlier_visit() -> None:
    earlier = earlier_of(visit_of(defined(SYSTEM), *levels(LEVELS), *TRIMS))
    visit = visit_of(
        defined(SYSTEM), earlier, *levels(LEVELS | {"SiL": 71.0}), *TRIMS, *levels(LEVELS, round_id=AS_LEFT)
    )
    doc = record(visit)
    text = text_of(section(doc, "step-drift"))
    assert "−4.0" in text
    assert "this visit as found with “Harbour Lane cinema” as found" in text
    assert "Side left has become 4.0 dB quieter" in text_of(section(doc, "summary-earlier"))


def moved(each: Any, far: float) -> Any:
    x, y, z = each.position_m
    return replace(each, position_m=(x, y + far, z))


def test_every_band_with_a_changed_spread_over_the_seats_is_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    drifts = tuple(
        Drift(quantity=f"spread_db {band}", channel="FL", before=1.0, now=4.0, change=3.0)
        for band in ("80-200", "200-500")
    )
    monkeypatch.setattr(content_module, "solve", lambda *_: DriftResult(drifts=drifts))
    text = page_one()
    assert "at 80–200 Hz the seats differ 3.0 dB more" in text
    assert "at 200–500 Hz the seats differ 3.0 dB more" in text


def test_the_json_of_a_return_visit_alone_holds_a_comparison() -> None:
    then = visit_of(defined(SYSTEM), *levels(LEVELS), *TRIMS)
    assert "drift" not in results(then)
    visit = visit_of(defined(SYSTEM), earlier_of(then), *levels(LEVELS | {"SiL": 71.0}), setting("FL", trim_db=2.0))
    reported = json.loads(results_json(visit))["drift"]
    assert reported["round"] == "as-found"
    assert (reported["earlier"]["file"], reported["earlier"]["digest"]) == ("last.commission", then.job.digest)
    changes = {(c["quantity"], c["channel"]): c for c in reported["changes"]}
    trim, fallen = changes[("trim_db", "FL")], changes[("level_db", "SiL")]
    assert (trim["then"], trim["now"], trim["word"], trim["drifted"], trim["uncertainty"]) == (
        -1,
        2,
        "changed",
        False,
        None,
    )
    assert (fallen["change"], fallen["drifted"], fallen["seats"]) == (-4.0, True, {"A2": -4.0})
    assert abs(fallen["change"]) > fallen["k"] * fallen["uncertainty"]
    assert {(each["quantity"], each["why"]) for each in reported["not_compared"]} == {
        (quantity, "this round does not have them") for quantity in ("trim_db", "held_distance", "held_polarity")
    }
