"""Site and layout: filled-in entries, and entries that cannot be right."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import pytest
from builders import LOUDSPEAKERS, SEATS, cinema, defined, job_of, setting, tapes

from commission.model import Analyses, Check, Job, Outcome, Position, Processor, Room, System, Verdict
from commission.steps import all_steps, distances, layout, site
from commission.steps.layout.coverage import clause

NONE = Analyses()
AWAY = math.dist(LOUDSPEAKERS["FL"][2], SEATS["A2"])


def printed(job: Job) -> Outcome:
    return layout.evaluate(job, "as-found", NONE)


def placed(channel: str, position: Position) -> System:
    system = cinema()
    moved = tuple(replace(c, position_m=position) if c.id == channel else c for c in system.channels)
    return replace(system, channels=moved)


def failed(outcome: Outcome) -> list[Check]:
    return [check for check in outcome.checks if check.verdict is Verdict.FAIL]


# --- layout


def test_a_room_as_it_stands_passes_and_is_drawn() -> None:
    outcome = printed(job_of(defined(cinema())))
    assert outcome.verdict is Verdict.PASS
    assert (outcome.done, outcome.total) == (19, 19)
    drawn = {item.label: item for item in outcome.room_plans[0].items}
    assert set(drawn) == set(LOUDSPEAKERS) | set(SEATS)
    assert drawn["A2"].kind == "reference"
    assert drawn["SUB1"].kind == "sub"
    assert drawn["FL"].position_m == LOUDSPEAKERS["FL"][2]


def test_directions_from_the_reference_seat() -> None:
    # FL is 1.45 m left and 3.20 m ahead: atan(1.45/3.20) = 24.4°; 0.05 m above the ears at 3.513 m: 0.8°.
    table = printed(job_of(defined(cinema()))).tables[0]
    row = next(row for row in table.rows if row.key == "FL")
    cells = dict(zip((column.key for column in table.columns), row.cells, strict=True))
    assert cells["azimuth"] == pytest.approx(24.38, abs=0.01)
    assert cells["elevation"] == pytest.approx(0.815, abs=0.01)
    assert cells["distance"] == pytest.approx(AWAY)


@pytest.mark.parametrize(
    ("channel", "position"),
    [
        ("FL", (-14.5, 0.10, 1.15)),  # misplaced decimal point
        ("BL", (-1.15, 62.5, 1.55)),
        ("TpFL", (-1.10, 2.00, 25.0)),
        ("TpFL", (-1.10, 2.00, -2.5)),  # wrong sign
    ],
)
def test_a_slip_that_leaves_the_room_is_caught(channel: str, position: Position) -> None:
    outcome = printed(job_of(defined(placed(channel, position))))
    assert [(c.id, c.channel) for c in failed(outcome)] == [("layout.inside", channel)]
    assert outcome.main_result == f"{channel} is outside the room"
    assert outcome.advice[0].text.startswith(f"Check the position of {channel}")
    marked = {item.label: item.verdict for item in outcome.room_plans[0].items}
    assert marked[channel] is Verdict.FAIL


def test_loudspeakers_in_walls_and_behind_the_screen_are_no_slip() -> None:
    assert failed(printed(job_of(defined(placed("FC", (0.0, -0.25, 0.95)))))) == []
    assert failed(printed(job_of(defined(placed("FC", (0.0, -0.45, 0.95)))))) != []


def test_ears_outside_the_room_are_caught() -> None:
    system = cinema()
    moved = tuple(replace(s, position_m=(0.8, 33.0, 1.1)) if s.id == "A3" else s for s in system.seats)
    found = failed(printed(job_of(defined(replace(system, seats=moved)))))
    assert [(c.id, c.seat, c.channel) for c in found] == [("layout.inside", "A3", None)]


def test_a_sign_that_mirrors_a_loudspeaker_is_caught_once_for_the_pair() -> None:
    for x in (2.25, 2.40):  # without its minus sign: at the place of SiR, or beyond it
        outcome = printed(job_of(defined(placed("SiL", (x, 3.35, 1.45)))))
        assert [(c.id, c.channel) for c in failed(outcome) if c.id == "layout.side"] == [("layout.side", "SiL")]
    outcome = printed(job_of(defined(placed("FL", (1.50, 0.10, 1.15)))))
    assert outcome.main_result == "FL is not left of FR"
    assert [check.channel for check in failed(outcome)] == ["FL"]


@pytest.mark.parametrize(
    ("tape", "verdict"),
    # 10 cm, guarded by 1.645 · 2 cm = 3.3 cm
    [
        (AWAY, Verdict.PASS),
        (AWAY + 0.06, Verdict.PASS),
        (AWAY + 0.09, Verdict.UNSURE),
        (AWAY - 0.12, Verdict.UNSURE),
        (AWAY + 0.14, Verdict.FAIL),
        (AWAY - 1.0, Verdict.FAIL),
    ],
)
def test_tape_against_position(tape: float, verdict: Verdict) -> None:
    system = cinema()
    channels = tuple(replace(c, distance_m=tape) if c.id == "FL" else c for c in system.channels)
    by_job = printed(job_of(defined(replace(system, channels=channels))))
    by_reading = printed(job_of(defined(system), *tapes({"FL": tape})))
    for outcome in (by_job, by_reading):
        check = next(check for check in outcome.checks if check.id == "layout.tape")
        assert check.channel == "FL"
        assert check.value == pytest.approx(tape - AWAY)
        assert check.verdict is verdict


def test_positions_are_not_needed_where_the_tape_is() -> None:
    system = cinema(["FL", "FC"])
    blind = tuple(replace(c, position_m=None) for c in system.channels)
    outcome = printed(job_of(defined(replace(system, channels=blind)), *tapes({"FL": 3.5})))
    assert (outcome.done, outcome.total) == (7, 8)
    assert outcome.advice[0].text == "Enter the missing positions or tape distances."
    assert [item.label for item in outcome.room_plans[0].items] == list(SEATS)


def test_without_a_room_nothing_is_drawn_and_nothing_is_outside() -> None:
    outcome = printed(job_of(defined(replace(placed("FL", (-14.5, 0.1, 1.15)), room=None))))
    assert outcome.room_plans == ()
    assert [check for check in outcome.checks if check.id == "layout.inside"] == []


def test_a_smaller_room_never_passes_what_a_larger_one_fails() -> None:
    for length in (3.0, 5.0, 6.2, 6.4, 9.0):
        room = Room(length_m=length, width_m=4.7, height_m=2.6)
        larger = Room(length_m=length + 1, width_m=4.7, height_m=2.6)
        outside = {c.channel or c.seat for c in failed(printed(job_of(defined(replace(cinema(), room=room)))))}
        outside_larger = {
            c.channel or c.seat for c in failed(printed(job_of(defined(replace(cinema(), room=larger)))))
        }
        assert outside_larger <= outside


# --- site


def test_an_empty_job_asks_for_one_thing_at_a_time() -> None:
    outcome = site.evaluate(job_of(defined(System(title="Harbour Lane cinema"))), "as-found", NONE)
    assert (outcome.done, outcome.total) == (1, 7)
    assert len(outcome.advice) == 1
    assert outcome.main_result.startswith("missing: ")
    missing = [check for check in outcome.checks if check.verdict is Verdict.NOT_TESTED]
    assert len(missing) == 6
    assert all(check.why_not for check in missing)


def test_a_filled_in_site_is_done() -> None:
    noted = [setting(c, trim_db=0.0) for c in LOUDSPEAKERS]
    outcome = site.evaluate(job_of(defined(cinema()), *noted), "as-found", NONE)
    assert outcome.state == "done"
    assert outcome.verdict is Verdict.PASS
    assert outcome.advice == ()
    values = {row.key: row.cells[1] for row in outcome.tables[0].rows}
    # c = 343.2·sqrt(294.65/293.15) at 21.5 °C (ISO 9613-1)
    assert values["Speed of sound"] == "344.1 m/s"
    assert values["Reference seat"] == "A2"
    assert "class 2" in str(values["meter"])


def test_settings_of_another_round_do_not_fill_this_one() -> None:
    noted = [setting(c, trim_db=0.0, round_id="as-left") for c in LOUDSPEAKERS]
    outcome = site.evaluate(job_of(defined(cinema()), *noted), "as-found", NONE)
    check = next(check for check in outcome.checks if check.id == "site.settings")
    assert check.verdict is Verdict.NOT_TESTED


def test_a_tape_reading_counts_as_a_place() -> None:
    system = cinema(["FL"])
    blind = replace(system, channels=(replace(system.channels[0], position_m=None),))
    assert "site.places" in unfilled(job_of(defined(blind)))
    assert "site.places" not in unfilled(job_of(defined(blind), *tapes({"FL": 3.5})))


def unfilled(job: Job) -> set[str]:
    return {c.id for c in site.evaluate(job, "as-found", NONE).checks if c.verdict is Verdict.NOT_TESTED}


@pytest.mark.parametrize(
    ("own", "verdict"), [(343.0, Verdict.PASS), (340.3, Verdict.PASS), (1125.0, Verdict.FAIL), (34.3, Verdict.FAIL)]
)
def test_a_speed_of_sound_in_another_unit_is_caught(own: float, verdict: Verdict) -> None:
    # 343 m/s is 1125 ft/s (0.3048 m to the foot, NIST SP 811).
    system = cinema(processor=Processor(speed_of_sound_m_s=own))
    outcome = site.evaluate(job_of(defined(system)), "as-found", NONE)
    assert next(c for c in outcome.checks if c.id == "site.assumed-speed").verdict is verdict
    assert (f"cannot be {own:g} m/s" in outcome.main_result) is (verdict is Verdict.FAIL)
    reported = distances.evaluate(job_of(defined(system)), "as-found", NONE)
    assert any("impossible in air" in remark for remark in reported.remarks) is (verdict is Verdict.FAIL)
    # The plain distance is then entered, not a multiple of it.
    entered = distances.solve(job_of(defined(system)), "as-found", NONE).channels["FL"].setting.setting
    assert entered == pytest.approx(AWAY, rel=0.02)


# --- all steps


@pytest.mark.parametrize("each", all_steps(), ids=lambda each: each.id)
def test_every_step_asks_a_question_has_help_and_stands_an_empty_job(each: object) -> None:
    assert each.question.endswith("?")  # type: ignore[attr-defined]
    assert len(each.help) > 100  # type: ignore[attr-defined]
    for job in (job_of(), job_of(defined(System(title=""))), job_of(defined(cinema()))):
        outcome = each.evaluate(job, "as-found", NONE)  # type: ignore[attr-defined]
        assert outcome.step == each.id  # type: ignore[attr-defined]
        each.plan(job, "as-found")  # type: ignore[attr-defined]
        for check in outcome.checks:
            assert check.verdict is not Verdict.NOT_TESTED or check.why_not, f"{check.id} does not say why"
            assert check.limit is None or check.limit.basis, f"{check.id} has a limit without a basis"


def test_a_seat_at_the_wall_is_at_no_distance_from_it() -> None:
    checks = [
        Check(id="layout.seat-wall", seat=seat, value=value, unit="m", text="from the rear wall")
        for seat, value in (("B1", 0.0), ("B2", 0.4))
    ]
    assert clause("too near to a wall", checks) == "B1 and B2 0.00 m from a wall"
    assert clause("too near to a wall", checks[:1]) == "B1 0.00 m from the rear wall"


@pytest.mark.parametrize(
    ("serial", "calibrated", "text"),
    [
        ("", None, "class 2 sound level meter, class 2"),
        ("1234", None, "class 2 sound level meter, class 2, serial 1234"),
        ("1234", date(2026, 1, 10), "class 2 sound level meter, class 2, serial 1234, calibrated 2026-01-10"),
    ],
)
def test_the_meter_is_listed_with_what_is_known_of_it(serial: str, calibrated: date | None, text: str) -> None:
    meter = replace(cinema().instruments[0], serial=serial, calibrated=calibrated)
    assert site._instrument_text(job_of(defined(replace(cinema(), instruments=(meter,)))), "meter") == text
