"""The step Seats: verdicts of cells in a healthy room, with one fault at a time, and with similar conditions."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from builders import cinema, defined, job_of, setting
from sound_room import SoundRoom

from commission.dsp.pair_polarity import Relation
from commission.dsp.spectrum import GRID_HZ
from commission.model import AS_FOUND, Analyses, Capture, Check, Instrument, Job, Outcome, Verdict
from commission.steps import seats
from commission.steps.seats import polarity

ALL_SEATS = ["A1", "A2", "A3", "B1", "B2", "B3"]


def failed(outcome: Outcome) -> set[tuple[str, str | None, str | None]]:
    return {(c.id.removeprefix("seats."), c.channel, c.seat) for c in outcome.checks if c.verdict is Verdict.FAIL}


def outcome_of(room: SoundRoom, job: Job | None = None) -> Outcome:
    return seats.evaluate(job or room.job(), AS_FOUND, room.analyses())


def check_of(outcome: Outcome, kind: str, channel: str, seat: str) -> Check:
    return next(c for c in outcome.checks if (c.id, c.channel, c.seat) == (f"seats.{kind}", channel, seat))


def test_plan_is_one_capture_for_each_channel_and_seat_with_its_caution() -> None:
    tasks = seats.plan(job_of(defined(cinema())), AS_FOUND)
    assert len(tasks) == 13 * 6
    assert len({(t.channel, t.seat) for t in tasks}) == 78
    assert [t.seat for t in tasks[:13]] == ["A1"] * 13  # the microphone moves least
    for task in tasks:
        assert isinstance(task, Capture)
        assert all(word in task.text for word in ("ear height", "capsule up", "ventilation off", "Leave the row"))
        assert "loud" in task.caution


def test_nothing_measured_says_so_and_asks_for_it() -> None:
    outcome = seats.evaluate(job_of(defined(cinema())), AS_FOUND, Analyses())
    assert (outcome.done, outcome.total, outcome.state) == (0, 78, "nothing")
    assert outcome.verdict is None
    assert outcome.grids == ()
    assert "Import" in outcome.advice[0].text


def test_a_job_without_channels_or_seats_is_no_error() -> None:
    bare = job_of(defined(cinema(channels=(), seats=())))
    assert seats.evaluate(bare, AS_FOUND, Analyses()).total == 0


@pytest.mark.parametrize("seed", range(8))
def test_a_sound_room_passes_everywhere(seed: int) -> None:
    outcome = outcome_of(SoundRoom(seed=seed))
    assert failed(outcome) == set()
    assert outcome.state == "done"
    assert {cell.verdict for cell in outcome.grids[0].cells.values()} <= {Verdict.PASS, Verdict.UNSURE}
    assert outcome.main_result == ""


def test_cells_curves_and_tables_belong_together() -> None:
    outcome = outcome_of(SoundRoom())
    curve = next(c for c in outcome.curves if c.id == outcome.grids[0].cells[("FL", "A2")].curve_id)
    assert curve.id == "seats:FL:A2"
    by_kind = {series.kind: series.y for series in curve.series}
    assert set(by_kind) == {"main", "low", "high", "mean"}
    assert np.all(by_kind["low"] <= by_kind["main"])
    assert np.all(by_kind["main"] <= by_kind["high"])
    assert len(outcome.curves) == 78
    reference, by_seat, balance = outcome.tables
    assert [row.key for row in reference.rows] == [c.id for c in cinema().channels]
    assert [row.key for row in by_seat.rows] == ALL_SEATS
    assert by_seat.rows[0].cells[1] == "13 of 13"
    assert [row.key for row in balance.rows] == [c.id for c in cinema().channels if not c.is_sub]


def test_done_counts_cells() -> None:
    room = SoundRoom().drop("FL", ["B3"]).drop("SUB2")
    outcome = outcome_of(room)
    assert (outcome.done, outcome.total) == (78 - 7, 78)
    assert ("FL", "B3") not in outcome.grids[0].cells
    assert "7 responses are missing" in outcome.advice[0].text


def test_a_reversed_loudspeaker_fails_where_a_third_of_its_model_decides() -> None:
    outcome = outcome_of(SoundRoom().reverse("FR"))  # FC is the same model
    assert failed(outcome) == {("polarity", "FR", s) for s in ALL_SEATS}
    assert outcome.grids[0].cells[("FR", "B2")].figure == "reversed"
    assert outcome.main_result == "FR reversed"
    assert "reversed relative to FL and FC" in check_of(outcome, "polarity", "FR", "A1").words
    assert check_of(outcome, "polarity", "FL", "A1").verdict is Verdict.PASS
    assert check_of(outcome, "polarity", "FC", "A1").verdict is Verdict.NOT_TESTED  # its pair is not in order


def test_one_of_a_pair_reversed_is_doubtful_for_both_and_accuses_neither() -> None:
    outcome = outcome_of(SoundRoom(cinema(["FL", "FR", "SiL", "SiR"])).reverse("FR"))
    assert failed(outcome) == set()
    for name, other in (("FL", "FR"), ("FR", "FL")):
        check = check_of(outcome, "polarity", name, "A2")
        assert check.verdict is Verdict.UNSURE
        assert check.words == f"{name} or {other} is reversed; which of the two is not determined"
        assert (check.value, check.uncertainty) == (None, 0.0)  # which one is unknown: no number decides it
    cell = outcome.grids[0].cells[("FR", "B2")]
    assert cell.figure == "opposite"
    assert "polarity: ? FR or FL is reversed; which of the two is not determined" in cell.detail
    assert outcome.main_result == "FL or FR reversed"
    assert outcome.tables[0].rows[0].cells[3] == "opposite to FR"


def test_pairs_of_which_one_is_reversed_are_listed_once() -> None:
    states = {
        "FL": ("one of two", "FR"),
        "FR": ("one of two", "FL"),
        "SiL": ("alike", "SiR"),
        "SiR": ("alike", "SiL"),
    }
    found = {c: SimpleNamespace(state=state, others=(other,)) for c, (state, other) in states.items()}
    result: Any = SimpleNamespace(polarity=found)
    assert seats._opposite_pairs(result) == ["FL or FR"]


def test_everything_alike_passes_whatever_its_own_sign() -> None:
    outcome = outcome_of(SoundRoom().reverse(None))
    assert failed(outcome) == set()
    assert check_of(outcome, "polarity", "FL", "A1").verdict is Verdict.PASS
    assert any("Clap once" in remark for remark in outcome.remarks)
    assert not any("Clap once" in remark for remark in outcome_of(SoundRoom()).remarks)


def test_a_loudspeaker_alone_has_no_polarity() -> None:
    room = SoundRoom(cinema(["FC", "SiL", "SiR"])).reverse("FC")  # the surrounds are another model
    check = check_of(outcome_of(room), "polarity", "FC", "A1")
    assert check.verdict is Verdict.NOT_TESTED
    assert "no two loudspeakers of the same model" in (check.why_not or "")
    assert outcome_of(room).grids[0].cells[("FC", "A1")].verdict is not Verdict.NOT_TESTED


def test_one_driver_reversed_is_no_loudspeaker_reversed() -> None:
    outcome = outcome_of(SoundRoom().reverse_tweeter("SiL"))
    assert failed(outcome) == {("polarity", "SiL", s) for s in ALL_SEATS}
    assert "one driver is reversed relative to SiR" in check_of(outcome, "polarity", "SiL", "A1").words
    check = check_of(outcome, "polarity", "SiR", "A1")
    assert check.verdict is Verdict.NOT_TESTED
    assert "one driver of its partner SiL" in (check.why_not or "")


def test_reversed_at_one_seat_of_six_is_not_the_wiring() -> None:
    outcome = outcome_of(SoundRoom().reverse("FR", ["B1"]))
    assert failed(outcome) == set()
    assert check_of(outcome, "polarity", "FR", "B1").verdict is Verdict.PASS  # by the other five


def test_seats_that_do_not_agree_judge_no_polarity() -> None:
    # A2 and B2 mirror themselves, A1 mirrors A3, B1 mirrors B3: reversed on one side only is not a wiring fault.
    outcome = outcome_of(SoundRoom().reverse("FR", ["A2", "B2", "B1", "B3"]))
    checks = [check_of(outcome, "polarity", "FR", s) for s in ALL_SEATS]
    assert {c.verdict for c in checks} == {Verdict.NOT_TESTED}
    assert "the seats disagree: 4 of 6" in (checks[0].why_not or "")


def test_subwoofers_are_compared_with_each_other_and_what_is_set_is_left_to_the_crossover() -> None:
    room = SoundRoom().reverse("SUB2")
    assert check_of(outcome_of(room), "polarity", "SUB2", "A1").verdict is Verdict.UNSURE
    assert check_of(outcome_of(room), "polarity", "SUB1", "A1").verdict is Verdict.UNSURE
    by_setting = outcome_of(room, room.job(setting("SUB2", polarity="reversed")))
    assert failed(by_setting) == set()
    assert "crossover" in (check_of(by_setting, "polarity", "SUB2", "A1").why_not or "")


def test_polarity_without_a_direct_sound_is_not_tested_with_why() -> None:
    hidden = SoundRoom().change("FL", ["A1"], direct=None, polarity=None, why={"polarity": "it is hidden"})
    check = check_of(outcome_of(hidden), "polarity", "FL", "A1")
    assert (check.verdict, check.why_not) == (Verdict.NOT_TESTED, "it is hidden")
    assert check_of(outcome_of(hidden), "polarity", "FL", "A2").verdict is Verdict.PASS


def test_a_dead_tweeter_fails_against_the_partner_and_the_partner_passes() -> None:
    outcome = outcome_of(SoundRoom().add_db("SiL", -24, above_hz=2800))
    assert {("treble", "SiL", s) for s in ALL_SEATS} <= failed(outcome)
    assert {channel for kind, channel, _ in failed(outcome) if kind in ("treble", "lows")} == {"SiL"}
    assert outcome.grids[0].cells[("SiL", "A1")].figure.startswith("HF −2")


def small_room() -> SoundRoom:
    return SoundRoom(cinema(["FL", "FC", "FR", "SiL", "SiR", "SUB1"], ["A1", "A2", "A3", "B1"]), uneven_db=0.0)


@pytest.mark.parametrize(
    ("room", "clause"),
    [
        (lambda room: room.change("FL", ["A1"], clipped=True), "FL clipped"),
        (lambda room: room.add_db("SiL", -24, above_hz=2800), "no treble from SiL"),
        (lambda room: room.add_db("FL", -35, below_hz=520), "no lows from FL"),
        (lambda room: room.change("FR", snr_db=4.0), "FR close to the noise"),
        (lambda room: room.add_db("FR", -9, ["B1"], below_hz=2500), "levels uneven at B1"),
        (lambda room: room.add_db("FR", -12, ["B1"], above_hz=3900), "dull at B1"),
        (lambda room: room.add_db("SUB1", -30, ["A3"]), "bass missing at A3"),
    ],
)
def test_the_clause_for_the_overview_names_the_fault_and_its_place(
    room: Callable[[SoundRoom], SoundRoom], clause: str
) -> None:
    assert outcome_of(room(small_room())).main_result.split("; ")[0] == clause
    assert outcome_of(small_room()).main_result == "no fault found; polarity of SUB1 not tested"


@pytest.mark.parametrize("count", [0, 1, 3, 4])
def test_up_to_three_channels_of_unknown_polarity_are_named(count: int) -> None:
    names = ("FL", "FC", "FR", "SiL")[:count]
    checks = [Check(id="seats.polarity", channel=c, value=None, unit="", why_not="no partner") for c in names]
    result = SimpleNamespace(cells={("FL", "A1"): SimpleNamespace(checks=checks)}, polarity=dict.fromkeys(names))
    named = seats._untested(result)  # type: ignore[arg-type]
    assert bool(named) == (count in (1, 3)) and all((c in named) == bool(named) for c in names)


def test_channels_too_unlike_have_their_correlation_as_the_reason() -> None:
    unlike = Relation(sign=None, correlation=-0.31, agree=6, seats=6)
    assert polarity._weak(unlike, "FR").startswith("it is too unlike FR (correlation −0.31; 0.")
    assert polarity._weak(replace(unlike, agree=2), "FR").startswith("the seats disagree: 2 of 6")
    assert polarity._weak(replace(unlike, agree=0, seats=0), "FR") == "at no seat were both it and FR measured"


def test_the_reference_table_shows_what_was_measured_there() -> None:
    room = small_room().change("FL", low_hz=45.0, high_hz=18000.0)
    (table,) = [table for table in outcome_of(room).tables if table.id == "reference"]
    place = {column.key: i for i, column in enumerate(table.columns)}
    assert [column.unit for column in table.columns[1:3]] == ["dB rel.", "ms"]
    for row in table.rows:
        sound = room.items[(row.key, "A2")]
        assert row.cells[place["channel"]] == row.key
        assert row.cells[place["level"]] == pytest.approx(sound.level_db, abs=1e-9)
        assert row.cells[place["arrival"]] == pytest.approx(1000 * (sound.arrival_s or 0.0))
        assert (row.cells[place["snr"]], row.cells[place["clipped"]], row.cells[place["n"]]) == (60.0, "no", 1.0)
        assert (row.cells[place["low"]], row.cells[place["high"]]) == (sound.low_hz, sound.high_hz)


def test_arrivals_at_a_seat_span_a_time_on_one_clock_alone() -> None:
    room = small_room()
    on_two = [replace(i, clock="other") if (i.channel, i.seat) == ("FL", "B1") else i for i in room.analysed()]
    (table,) = (t for t in seats.evaluate(room.job(), AS_FOUND, Analyses(on_two)).tables if t.id == "by-seat")
    spread = [column.key for column in table.columns].index("spread")
    found = {row.key: row.cells[spread] for row in table.rows}
    times_ms = [1000 * (room.items[c, "A1"].arrival_s or 0.0) for c in ("FL", "FC", "FR", "SiL", "SiR")]
    assert found["A1"] == pytest.approx(max(times_ms) - min(times_ms)) and max(times_ms) - min(times_ms) > 1.0
    assert found["B1"] is None


@pytest.mark.parametrize(("db", "figure"), [(9.0, "loud +"), (-9.0, "soft −")])
def test_a_level_that_is_off_at_a_seat_is_called_loud_or_soft(db: float, figure: str) -> None:
    room = SoundRoom(cinema(["FL", "FC", "FR"], ["A1", "A2", "A3", "B1"]), uneven_db=0.0).add_db("FR", db, ["B1"])
    assert outcome_of(room).grids[0].cells[("FR", "B1")].figure.startswith(figure)


def test_a_dead_woofer_fails_and_does_not_condemn_the_partners_tweeter() -> None:
    outcome = outcome_of(SoundRoom().add_db("FL", -35, below_hz=2500))
    assert {("lows", "FL", s) for s in ALL_SEATS} <= failed(outcome)
    assert {channel for kind, channel, _ in failed(outcome) if kind in ("treble", "lows")} == {"FL"}


def test_a_seat_where_the_lows_are_unknown_is_not_compared() -> None:
    room = small_room()
    known = np.where((GRID_HZ > 210.0) & (GRID_HZ < 270.0), np.nan, room.items["FL", "A1"].third_octave_db)
    room.change("FL", ["A1"], third_octave_db=known)
    found = seats.solve(room.job(), AS_FOUND, room.analyses()).against
    assert {c: each.alike_seats[1] for c, each in found.items() if c in ("FL", "SiL")} == {"FL": 3, "SiL": 4}


def test_a_centre_without_partner_is_held_against_the_others() -> None:
    outcome = outcome_of(SoundRoom().add_db("FC", -24, above_hz=2800))
    assert ("treble", "FC", "A2") in failed(outcome)
    assert "the other channels" in check_of(outcome, "treble", "FC", "A2").text


def test_another_model_and_a_single_seat_need_more_than_a_partner() -> None:
    for gap_db, fails in ((-13.0, False), (-24.0, True)):
        behind_a_screen = outcome_of(SoundRoom(uneven_db=0.0).add_db("FC", gap_db, above_hz=2800))
        assert (("treble", "FC", "A2") in failed(behind_a_screen)) is fails
        in_the_way = outcome_of(
            SoundRoom(cinema(seat_ids=["A2"]), uneven_db=0.0).add_db("SiL", gap_db, above_hz=2800)
        )
        assert (("treble", "SiL", "A2") in failed(in_the_way)) is fails


def test_a_channel_low_on_every_seat_has_no_dead_driver_and_no_gain() -> None:
    room = SoundRoom().add_db("SiL", -12)
    result = seats.solve(room.job(), AS_FOUND, room.analyses())
    assert failed(outcome_of(room)) == set()
    assert result.seat_gain_db == {}
    assert result.against["SiL"].level_db == pytest.approx(-12, abs=1.5)  # the sound room's own differences
    assert result.against["SiL"].alike_seats == (6, 6)


def test_a_seat_low_on_every_channel_is_the_gain_and_its_levels_are_corrected() -> None:
    room = SoundRoom().add_db(None, -9, ["B2"])
    outcome = outcome_of(room)
    assert failed(outcome) == set()
    assert "gain changed at B2" in outcome.main_result
    assert any("at B2 is off by −" in remark and "not the room" in remark for remark in outcome.remarks)
    changed, others = (check_of(outcome, "level", "FL", seat) for seat in ("B2", "A1"))
    assert changed.uncertainty is not None
    assert others.uncertainty is not None
    assert changed.uncertainty > others.uncertainty
    assert check_of(outcome, "level", "FL", "B2").value == pytest.approx(
        check_of(outcome_of(SoundRoom()), "level", "FL", "B2").value or 0.0, abs=1.0
    )
    before = outcome_of(SoundRoom())
    for kind in ("level", "direct"):  # the other seats are unaffected: 9 dB in one of six would shift them by 1.5
        was, now = (check_of(each, kind, "FL", "A1").value for each in (before, outcome))
        assert now == pytest.approx(was, abs=0.5)
    was, now = (check_of(each, "bass", "SUB1", "A1").value for each in (before, outcome))
    assert now == pytest.approx(was, abs=0.5)
    assert outcome.advice[0].text.startswith("Measure B2 again")


def test_a_seat_low_on_every_channel_and_a_channel_low_at_every_seat_are_two_things() -> None:
    room = SoundRoom().add_db(None, -9, ["B2"]).add_db("SiL", -8)
    result = seats.solve(room.job(), AS_FOUND, room.analyses())
    assert list(result.seat_gain_db) == ["B2"]
    assert (result.calibrated, result.offset_db) == (False, 0.0)
    assert result.seat_gain_db["B2"] == pytest.approx(-9, abs=1.0)
    assert result.against["SiL"].level_db == pytest.approx(-8, abs=1.5)  # the sound room's own differences
    assert result.against["SiL"].alike_seats[0] >= 5
    outcome = outcome_of(room)
    assert failed(outcome) == set()


@pytest.mark.parametrize("placed", [True, False])
def test_a_back_row_with_all_loudspeakers_in_front_is_no_gain_that_changed(placed: bool) -> None:
    system = cinema(["FL", "FC", "FR"])
    room = SoundRoom(system).add_db(None, -3, ["B1", "B2", "B3"])  # 5.0 m against 3.4 m: 3.3 dB in free field
    if not placed:
        system = replace(system, seats=tuple(replace(s, position_m=None) for s in system.seats))
    assert seats.solve(job_of(defined(system)), AS_FOUND, room.analyses()).seat_gain_db == {}


def test_one_channel_or_subwoofers_alone_tell_no_gain() -> None:
    for ids in (["FC"], ["SUB1", "SUB2"]):
        room = SoundRoom(cinema(ids)).add_db(None, -9, ["B2"])
        result = seats.solve(room.job(), AS_FOUND, room.analyses())
        assert result.seat_gain_db == {}
        assert result.against == {}


def test_a_dull_seat_is_not_a_gain_that_changed() -> None:
    room = SoundRoom().add_db("FL", -13, ["B2"], above_hz=3000).add_db("SiL", -13, ["B2"], above_hz=3000)
    outcome = outcome_of(room)
    assert {("direct", "FL", "B2"), ("direct", "SiL", "B2")} <= failed(outcome)
    assert seats.solve(room.job(), AS_FOUND, room.analyses()).seat_gain_db == {}


def test_a_bass_null_is_found_where_it_is() -> None:
    outcome = outcome_of(SoundRoom(uneven_db=0.5).add_db("SUB1", -30, ["A3"], above_hz=48, below_hz=68))
    assert ("bass", "SUB1", "A3") in failed(outcome)
    assert {s for kind, _, s in failed(outcome) if kind == "bass"} == {"A3"}
    assert "lowest at" in check_of(outcome, "bass", "SUB1", "A3").text


def test_a_seat_without_weight_is_judged_and_does_not_move_the_mean_of_the_others() -> None:
    system = cinema()
    lighter = replace(system, seats=tuple(replace(s, weight=0.0 if s.id == "B3" else 1.0) for s in system.seats))
    before = outcome_of(SoundRoom(lighter, uneven_db=0.5))
    after = outcome_of(SoundRoom(lighter, uneven_db=0.5).add_db("FL", -12, ["B3"]).add_db("SUB1", -30, ["B3"]))
    for kind, channel in (("level", "FL"), ("direct", "FL"), ("level", "SUB1"), ("bass", "SUB1")):
        was, now = (check_of(each, kind, channel, "A1").value for each in (before, after))
        assert now == pytest.approx(was, abs=1e-9), kind
    assert {("level", "FL", "B3"), ("bass", "SUB1", "B3")} <= failed(after)


def test_two_seats_are_not_held_against_their_mean_and_it_is_said() -> None:
    outcome = outcome_of(SoundRoom(cinema(seat_ids=["A1", "A2"])))
    assert not any(c.id in ("seats.level", "seats.bass") for c in outcome.checks)
    assert any("needs three seats or more" in remark for remark in outcome.remarks)
    assert not any("three seats or more" in remark for remark in outcome_of(SoundRoom()).remarks)


def test_a_minus_in_a_seats_name_stays_what_it_is() -> None:
    system = cinema()
    named = replace(system, seats=tuple(replace(s, id=f"row-{s.id}") for s in system.seats))
    outcome = outcome_of(SoundRoom(named).add_db(None, -9, ["row-B2"]))
    assert any("at row-B2 is off by −" in remark for remark in outcome.remarks)
    assert "row-B2" in outcome.main_result


def test_a_dip_above_the_subwoofers_band_is_no_null() -> None:
    outcome = outcome_of(SoundRoom(uneven_db=0.5).add_db("SUB1", -30, ["A3"], above_hz=200))
    assert failed(outcome) == set()


def test_a_dip_below_the_subwoofers_band_is_no_null() -> None:
    room = SoundRoom(uneven_db=0.5).add_db("SUB1", -30, below_hz=38).add_db("SUB1", -30, ["A3"], below_hz=32)
    assert ("bass", "SUB1", "A3") not in failed(outcome_of(room))


def test_partners_are_held_against_each_other_at_mirrored_seats() -> None:
    # Surrounds are directional: each is dull at the seats on the far side, which is no fault.
    room = SoundRoom().add_db("SiL", -14, ["A3", "B3"], above_hz=2800).add_db("SiR", -14, ["A1", "B1"], above_hz=2800)
    assert {c for kind, c, _ in failed(outcome_of(room)) if kind == "treble"} == set()


def test_a_clipped_recording_fails_and_carries_no_other_verdict() -> None:
    outcome = outcome_of(SoundRoom().change("FL", ["A1"], clipped=True))
    assert failed(outcome) == {("clipped", "FL", "A1")}
    others = [c for c in outcome.checks if (c.channel, c.seat) == ("FL", "A1") and c.id != "seats.clipped"]
    assert {c.verdict for c in others} == {Verdict.NOT_TESTED}
    assert "measure FL at A1 again" in outcome.advice[0].text


def test_clipping_that_does_not_show_is_said_and_does_not_blank_the_cell() -> None:
    outcome = outcome_of(
        SoundRoom().change(None, clipped=None, why={"clipped": "an impulse response does not show it"})
    )
    cell = outcome.grids[0].cells[("FL", "A1")]
    assert cell.verdict in (Verdict.PASS, Verdict.UNSURE)
    assert any("clipping of the recording: – not tested" in line for line in cell.detail)
    assert any("Clipping is not tested for 78 of 78" in remark for remark in outcome.remarks)


def test_low_signal_fails_and_a_lower_bound_never_does() -> None:
    low = outcome_of(SoundRoom().change("FL", ["A1"], snr_db=20.0))
    assert failed(low) == {("snr", "FL", "A1")}
    bound = outcome_of(SoundRoom().change("FL", ["A1"], snr_db=20.0, why={"snr": "at least 20 dB"}))
    assert check_of(bound, "snr", "FL", "A1").verdict is Verdict.NOT_TESTED
    unknown = outcome_of(SoundRoom().change("FL", ["A1"], snr_db=None))
    assert check_of(unknown, "snr", "FL", "A1").why_not


def test_arrivals_without_a_common_clock_are_left_out_and_it_is_said() -> None:
    room = SoundRoom()
    room.clock = None
    outcome = outcome_of(room)
    assert all(row.cells[2] is None for row in outcome.tables[0].rows)
    assert all(row.cells[5] is None for row in outcome.tables[1].rows)
    assert any("share no clock" in remark for remark in outcome.remarks)
    assert any("shares no clock" in line for line in outcome.grids[0].cells[("FL", "A1")].detail)
    assert not any("several clocks" in remark for remark in outcome_of(SoundRoom()).remarks)
    by_seat = Analyses([replace(each, clock=each.seat) for each in room.analysed()])
    assert any("several clocks" in remark for remark in seats.evaluate(room.job(), AS_FOUND, by_seat).remarks)


@pytest.mark.parametrize("gain", [1.0, -0.5, 0.0])
def test_the_level_of_the_subwoofers_together_is_stated_beside_one_alone(gain: float) -> None:
    # 20·lg(1 + 1) = 6.02 dB above each of two alike. One of half the level in reverse: 20·lg 0.5 = −6.02 dB re the larger one,
    # whose mean with the smaller is −3.01 dB: −3.0 dB.
    room = SoundRoom()
    for seat in ALL_SEATS:
        own = room.items[("SUB1", seat)]
        assert own.bass is not None
        room.items[("SUB2", seat)] = replace(own, bass=gain * own.bass if gain else None)
    (remark,) = (
        each for each in outcome_of(room).remarks if "together" in each and "null" not in each and "A2" in each
    )
    if not gain:
        assert "not determined, because a response has no phase: read the meter" in remark
    else:
        assert ("+6.0 ± " if gain > 0 else "−3.0 ± ") in remark
        assert "enter on the Site form how they are meant to add" in remark


def test_the_evenness_of_bass_is_given_on_its_scale() -> None:
    even = SoundRoom(uneven_db=0.0)
    assert any("excellent. Scale" in remark for remark in outcome_of(even).remarks)
    uneven = SoundRoom(uneven_db=0.0)
    for i, seat in enumerate(ALL_SEATS):
        uneven.add_db(None, 5.0 if i % 2 else -5.0, [seat], below_hz=150)
    assert any("typical. Scale" in remark for remark in outcome_of(uneven).remarks)


@pytest.mark.parametrize(
    ("depth_db", "word", "verdict"),
    [(6, "excellent", "pass"), (20, "typical", "pass"), (40, "deeper than typical", "fail")],
)
def test_a_null_is_that_of_all_subwoofers_together_on_its_scale(depth_db: float, word: str, verdict: str) -> None:
    """One seat of six lower by d between 45 and 63 Hz: 5/6 d below the mean of all. In one subwoofer alone it is filled."""
    room = SoundRoom(uneven_db=0.0)
    for sub in ("SUB1", "SUB2"):
        room.add_db(sub, -depth_db, ["A3"], above_hz=40, below_hz=70)
    outcome = outcome_of(room)
    (remark,) = (each for each in outcome.remarks if each.startswith("Deepest null"))
    assert "at A3" in remark and f": {word}. Scale" in remark
    (check,) = (each for each in outcome.checks if (each.id, each.channel, each.seat) == ("seats.bass", None, "A3"))
    assert check.value == pytest.approx(-depth_db * 5 / 6, abs=0.5)  # edges of the hole in a third octave
    assert check.verdict.value == verdict
    half = SoundRoom(uneven_db=0.0).add_db("SUB1", -depth_db, ["A3"], above_hz=40, below_hz=70)
    assert "excellent" in next(each for each in outcome_of(half).remarks if each.startswith("Deepest null"))


def test_levels_are_relative_without_a_microphone_and_absolute_with_one() -> None:
    room = SoundRoom()
    assert any(remark.startswith("Levels are relative") for remark in outcome_of(room).remarks)
    system = cinema(instruments=(Instrument(kind="microphone", level_offset_db=94.0),))
    outcome = outcome_of(room, job_of(defined(system)))
    assert not any(remark.startswith("Levels are relative") for remark in outcome.remarks)
    assert outcome.tables[0].rows[0].cells[1] == pytest.approx(94.0, abs=0.01)
    assert outcome.curves[0].y_unit == "dB"


def test_unusable_files_are_named() -> None:
    room = SoundRoom()
    items = room.analysed()
    items[0] = replace(items[0], analysis=None, problem="it is silent: every sample is zero")
    outcome = seats.evaluate(room.job(), AS_FOUND, Analyses(items))
    cell = outcome.grids[0].cells[("FL", "A1")]
    assert (cell.verdict, cell.figure) == (Verdict.NOT_TESTED, "unusable")
    assert any("FL at A1: it is silent" in remark for remark in outcome.remarks)
    assert outcome.done == 77


def test_a_text_response_that_ends_early_leaves_the_spread_of_the_others() -> None:
    room = SoundRoom()
    shape = room.items[("FL", "A1")].third_octave_db.copy()
    shape[200:] = np.nan
    outcome = outcome_of(
        room.change("FL", ["A1"], third_octave_db=shape, view_db=shape, arrival_s=None, has_phase=False)
    )
    curve = next(c for c in outcome.curves if c.id == "seats:FL:A2")
    assert all(np.isfinite(series.y).all() for series in curve.series)
    assert check_of(outcome, "treble", "FL", "A1").verdict is Verdict.NOT_TESTED
    assert (check_of(outcome, "treble", "FL", "A1").why_not or "").startswith(
        "it or FR was not measured over the whole range"
    )


def test_the_mean_of_a_seat_is_over_the_checks_with_a_value() -> None:
    def cell(*values: float | None) -> Any:
        checks = [Check(id="seats.level", value=each, unit="dB", why_not=None if each else "x") for each in values]
        return SimpleNamespace(checks=checks)

    assert seats._mean([cell(1.0), cell(None), cell(3.0, None)], "level") == 2.0
    assert seats._mean([cell(None)], "level") is seats._mean([cell(1.0)], "bass") is None


def test_a_cell_has_its_level_among_its_details() -> None:
    grid = outcome_of(small_room()).grids[0]
    level = re.compile(r"level −?\d+\.\d dB")
    assert all(any(level.match(line) for line in cell.detail) for cell in grid.cells.values())


@pytest.mark.parametrize(
    ("open_places", "agreeing", "placed"),
    [
        ({"TpBL": (), "TpBR": ()}, [], True),
        ({"TpBL": ("BL",), "TpBR": ("BR",)}, [("BL", "BR")], True),
        ({"TpBL": ("BL",), "TpBR": ("BR",)}, [("SiL", "SiR")], False),
        ({"TpBL": ("BL", "FC"), "TpBR": ()}, [("BL", "BR")], False),
        ({"TpBL": ()}, [], False),  # the other one has no clock
    ],
)
def test_a_pair_sounds_from_its_places_where_those_it_may_be_exchanged_with_are_like_their_partners(
    open_places: dict[str, tuple[str, ...]], agreeing: list[tuple[str, str]], placed: bool
) -> None:
    compared: Any = SimpleNamespace(
        _indistinguishable={c: frozenset(o) for c, o in open_places.items()}, _job=job_of(defined(cinema()))
    )
    assert polarity.PolarityComparison._placed(compared, ("TpBL", "TpBR"), [], agreeing) is placed


@pytest.mark.parametrize(("heard", "correlation", "placed"), [(3, 0.4, True), (3, -0.6, False), (0, 0.0, False)])
def test_without_a_clock_a_pair_sounds_from_its_places_where_every_other_channel_is_unlike_both(
    heard: int, correlation: float, placed: bool
) -> None:
    made: Any = object.__new__(polarity.PolarityComparison)
    made._indistinguishable, made._job = {}, job_of(defined(cinema()))
    mains = [c.id for c in made._job.system.channels if not c.is_sub]
    made._relation = lambda one, other: Relation(sign=None, correlation=correlation, agree=heard, seats=heard)
    assert made._placed(("FL", "FR"), mains, []) is placed
    assert not made._placed(("FL", "FR"), mains[:-1], [])  # the last one may sound from either place
