"""Entry in a hurry: no number is read in the wrong unit, looking changes no setting, unusual values need confirmation.

Feet: NIST SP 811, Appendix B.8, 1 ft = 0.3048 m.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from builders import cinema, defined, job_of, levels, setting
from stand_ins import StandInSource, app_of, screen_text, settle
from test_typeahead import after, burst
from textual.widgets import Input, Static

from commission.model import DelayUnit, InputError, System, SystemDefined
from commission.ui.screens.dialogs import Choose
from commission.ui.screens.site import SiteForm
from commission.ui.screens.step import StepScreen
from commission.ui.site import fields_of
from commission.ui.site.delay_unit import CONVERT, LEAVE, RANGE_ONLY, SAME_NUMBERS, unit_events, unit_question
from commission.ui.widgets.entry_table import EntryTable
from commission.ui.widgets.picker import Picker
from commission.ui.widgets.room_plan import RoomPlanView

FOOT_M = 0.3048
IMPERIAL = cinema(units="imperial")


def fields(system: System) -> dict[str, Any]:
    return {field.key: field for _, found in fields_of(job_of(defined(system)), "as-found") for field in found}


# --- lengths ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("9.7", 9.7 * FOOT_M),
        ("9,7", 9.7 * FOOT_M),
        ("9.7 m", 9.7),
        ("970 cm", 9.7),
        ("31' 9 7/8\"", 381.875 * 0.0254),
        ("31 ft 9 in", 381 * 0.0254),
    ],
)
def test_every_length_field_reads_a_bare_number_in_the_units_of_the_job(text: str, metres: float) -> None:
    held = fields(IMPERIAL)
    job = job_of(defined(IMPERIAL))
    assert held["room.length_m"].apply(job, text).room.length_m == pytest.approx(metres)
    assert held["channels.0.distance"].apply(job, text).channels[0].distance_m == pytest.approx(metres)
    placed = held["channels.0.position"].apply(job, f"-{text}; {text}; {text}").channels[0].position_m
    assert placed == pytest.approx((-metres, metres, metres))
    bare = replace(IMPERIAL, room=None)
    size = fields(bare)["room.size"].apply(job_of(defined(bare)), f"{text}; {text}; {text}").room
    assert size.height_m == pytest.approx(metres)
    metric = fields(cinema())["room.length_m"].apply(job_of(defined(cinema())), text).room.length_m
    assert metric == pytest.approx(9.7 if text in ("9.7", "9,7") else metres)


def test_what_is_typed_is_shown_with_its_unit_before_it_is_stored() -> None:
    held = fields(IMPERIAL)
    assert held["channels.0.distance"].echo("9.7") == "9' 8 3/8\" (2.96 m)"
    assert held["channels.0.distance"].echo("9.7 m") == "31' 9 7/8\" (9.70 m)"
    assert held["channels.0.position"].echo("-4.75; 0.5; 3") == "−4' 9\"; 0' 6\"; 3' 0\""
    assert held["channels.0.distance"].echo("9' x") == ""
    assert held["setting.FL.distance"].echo("11.22 ft") == "3.41986 m"
    assert held["setting.FL.trim"].echo("-3,5") == "−3.5 dB"
    assert fields(cinema())["room.width_m"].echo("15' 6\"") == "4.72 m"


def test_a_field_accepts_its_own_text_and_keeps_digits_beyond_it() -> None:
    exact = replace(IMPERIAL.channels[0], position_m=(-1.4512, 0.1034, 1.1567), distance_m=3.4567)
    system = replace(IMPERIAL, channels=(exact, *IMPERIAL.channels[1:]))
    job = job_of(defined(system))
    for key, field in fields(system).items():
        if field.typed and not field.choices and not key.startswith("setting"):
            assert field.apply(job, field.typed) == system, key
    typed = fields(system)["channels.0.position"].typed.split("; ")
    moved = fields(system)["channels.0.position"].apply(job, "; ".join([*typed[:2], "4'"]))
    assert moved.channels[0].position_m == pytest.approx((-1.4512, 0.1034, 4 * FOOT_M))


@pytest.mark.parametrize(
    ("unit", "text", "value"),
    [
        ("m", "3.42", 3.42),
        ("m", "3.42 m", 3.42),
        ("m", "342 cm", 3.42),
        ("m", "11' 3\"", 135 * 0.0254),
        ("ft", "11.2", 11.2),
        ("ft", "11.2 ft", 11.2),
        ("ft", "3.42 m", 3.42 / FOOT_M),
        ("ms", "5.2", 5.2),
        ("ms", "5,2 ms", 5.2),
    ],
)
@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_a_bare_delay_is_in_the_unit_of_its_column(units: str, unit: DelayUnit, text: str, value: float) -> None:
    system = cinema(units=units)
    system = replace(system, processor=replace(system.processor, delay=replace(system.processor.delay, unit=unit)))
    job = job_of(defined(system))
    assert fields(system)["setting.FL.distance"].apply(job, text).setting.distance == pytest.approx(value)
    assert fields(system)["processor.delay.max"].apply(job, text).processor.delay.max == pytest.approx(value)


@pytest.mark.parametrize(("unit", "text"), [("ms", "1.7 m"), ("m", "5 ms"), ("ft", "5 ms"), ("m", "loud")])
def test_a_time_is_not_accepted_as_a_distance(unit: DelayUnit, text: str) -> None:
    system = cinema()
    system = replace(system, processor=replace(system.processor, delay=replace(system.processor.delay, unit=unit)))
    with pytest.raises(InputError, match="FL .*: found .* expected"):
        fields(system)["setting.FL.distance"].apply(job_of(defined(system)), text)


def test_a_number_that_fits_the_other_unit_is_questioned_with_that_unit() -> None:
    job = job_of(defined(IMPERIAL))
    question = fields(IMPERIAL)["channels.0.distance"].question(job, "3.5")  # 3.5 ft, where positions say 3.51 m
    assert "but the positions give 11' 6 3/8\"" in question
    assert question.endswith("Is it 3.5 m? Then type the unit.")
    assert fields(IMPERIAL)["channels.0.distance"].question(job, "11.5") == ""
    assert fields(IMPERIAL)["channels.0.distance"].question(job, "3.5 m") == ""


async def test_a_bare_tape_in_feet_is_shown_in_its_row_and_stored_in_feet() -> None:
    app = app_of(system=IMPERIAL)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "7", "=11.5")
        row = next(line for line in screen_text(app).splitlines() if "11.5▏" in line)
        assert "= 11' 6\"" in row
        await after(pilot, "enter")
        assert app.visit.job.readings[-1].body.value == pytest.approx(11.5 * FOOT_M)


async def test_a_tape_reading_far_from_the_positions_is_questioned_and_escape_returns_to_it() -> None:
    app = app_of(system=IMPERIAL)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "7", "=3.5", "enter")
        assert not app.visit.job.readings
        text = " ".join(screen_text(app).split())
        assert "3' 6\" to Front left (FL), but the positions give 11' 6 3/8\"." in text
        assert "Is it 3.5 m? Then type the unit." in text
        await after(pilot, "escape")
        table = app.screen.query_one(EntryTable)
        assert (table.typing.text, table.typing.problem) == ("3.5", "")
        await after(pilot, "=m", "enter")
        assert app.visit.job.readings[-1].body.value == 3.5
        assert isinstance(app.screen, StepScreen)


# --- odd readings and settings ----------------------------------------------------------------------------------


async def test_an_outlier_among_repeats_is_questioned_once_and_stored() -> None:
    app = app_of(*levels({"FL": (76.0, 76.2)}))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(
            pilot, "6", "home", "=86.3", "enter", "enter"
        )  # the second key arrives before the question appears
        assert len(app.visit.job.readings) == 2
        assert "10.2 dB above the other readings here (76.1 dB)" in " ".join(screen_text(app).split())
        await after(pilot, "enter")
        assert app.visit.job.readings[-1].body.value == 86.3
        await after(pilot, "home", "=86.3", "enter")
        assert [each.body.value for each in app.visit.job.readings] == [76.0, 76.2, 86.3, 86.3]


async def test_a_setting_out_of_range_is_questioned_and_stored() -> None:
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "1")
        await after(pilot, "enter", "=-15", "enter")  # the first missing value is the first trim
        printed = str(app.screen.query_one("#refusal", Static).content)
        assert printed == "? Trim −15 dB is outside the range of the processor, −12.0 to +12.0 dB."
        assert "Enter stores it as it is · Escape goes back to the field" in screen_text(app)
        assert not app.visit.job.settings
        await after(pilot, "escape")
        assert isinstance(app.focused, Input)
        assert app.focused.value == "-15"
        await after(pilot, "enter", "enter", "enter")  # typed before the question appeared, so not an answer to it
        assert not app.visit.job.settings
        await after(pilot, "enter")
        assert app.visit.job.setting("as-found", "FL").trim_db == -15.0
        app.screen.query_one("#fields", Picker).select("setting.FL.trim")
        count = len(app.visit.job.log)
        await after(pilot, "enter", "=-15", "enter")  # the same value again: no question, and no second event
        assert isinstance(app.screen, SiteForm)
        assert len(app.visit.job.log) == count


# --- choice lists -----------------------------------------------------------------------------------------------


CHOICES = (
    "units",
    "processor.delay.unit",
    "processor.passes",
    "seats.0.reference",
    "seats.1.reference",
    "channels.3.role",
    "channels.11.role",
    "sweep.synchronised",
    "setting.FL.polarity",
    "setting.FC.polarity",
)


async def test_opening_and_closing_a_choice_with_enter_changes_nothing() -> None:
    system = cinema(units="imperial")
    processor = replace(
        system.processor, sweeps_pass_delays=False, delay=replace(system.processor.delay, unit="ft", max=59.0)
    )
    app = app_of(setting("FL", polarity="reversed"), system=replace(system, processor=processor))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "1")
        log = len(app.visit.job.log)
        for key in CHOICES:
            app.screen.query_one("#fields", Picker).select(key)
            await after(pilot, "enter", "enter")
            assert isinstance(app.screen, SiteForm), key
            assert len(app.visit.job.log) == log, key
            assert app.screen.query_one("#fields", Picker).key != key  # Enter moves down


async def test_the_plan_gives_lengths_in_the_units_of_the_job() -> None:
    app = app_of(system=IMPERIAL)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "3", "v", "right")
        shown = "\n".join(
            "".join(run[0] for run in line) for line in app.screen.query_one("#room", RoomPlanView).paint(78, 0)
        )
        assert "' " in shown
        assert " m from the screen wall" not in shown


# --- the unit of delays -----------------------------------------------------------------------------------------


def test_changing_the_unit_converts_the_range_and_the_noted_settings() -> None:
    job = job_of(
        defined(cinema()),
        setting("FL", distance=3.42),
        setting("FR", distance=3.0),
        setting("FR", distance=3.42, applied=True),
        setting("FC", distance=3.0, applied=True),
        setting("FC", distance=3.3),
    )
    title, options = unit_question(job, "ft")
    assert (
        title == "The processor's range is 0 to 18 m, step 0.03 m, and 3 distances are noted. Which is right in feet?"
    )
    assert [key for key, _ in options] == [CONVERT, SAME_NUMBERS, LEAVE]
    defined_event, *settings = unit_events(job, "ft", CONVERT)
    assert isinstance(defined_event, SystemDefined)
    delay = defined_event.system.processor.delay
    assert (delay.unit, delay.max, delay.step) == ("ft", 59.06, 0.098)  # 18 m / 0.3048 m; 0.03 m / 0.3048 m
    after_change = job_of(*(event.body for event in job.log[1:]), defined_event, *settings)
    assert {c: after_change.setting("as-found", c).distance for c in ("FL", "FR", "FC")} == {
        "FL": 11.22,
        "FR": 11.22,
        "FC": 10.83,
    }
    ticked = {channel: held.distance for (_, channel), held in after_change.typed_in.items()}
    assert ticked == {"FR": 11.22, "FC": 9.84}


def test_numbers_already_in_the_new_unit_are_kept() -> None:
    job = job_of(defined(cinema()), setting("FL", distance=11.2))
    (only,) = unit_events(job, "ft", SAME_NUMBERS)
    assert isinstance(only, SystemDefined)
    assert (only.system.processor.delay.unit, only.system.processor.delay.max) == ("ft", 18.0)
    assert unit_events(job, "ft", LEAVE) == ()


def test_single_distances_do_not_become_delays() -> None:
    job = job_of(defined(cinema()), setting("FL", distance=5.2))
    _, options = unit_question(job, "ms")
    assert [key for key, _ in options] == [RANGE_ONLY, SAME_NUMBERS, LEAVE]
    (only,) = unit_events(job, "ms", RANGE_ONLY)
    assert isinstance(only, SystemDefined)
    # c = 331.3·√(1 + 21.5/273.15) = 344.1 m/s (ISO 9613-1, 4.2): 18 m take 52.3 ms.
    assert only.system.processor.delay.max == pytest.approx(18 / 344.1 * 1000, rel=2e-3)


async def test_a_change_of_the_delay_unit_asks_before_it_changes_anything() -> None:
    app = app_of(setting("FL", distance=3.42))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "1")
        app.screen.query_one("#fields", Picker).select("processor.delay.unit")
        await after(pilot, "enter", "down", "enter")
        assert isinstance(app.screen, Choose)
        assert app.visit.job.system.processor.delay.unit == "m"
        await after(pilot, "enter")
        assert (app.visit.job.system.processor.delay.unit, app.visit.job.system.processor.delay.max) == ("ft", 59.06)
        assert app.visit.job.setting("as-found", "FL").distance == 11.22


# --- choices ----------------------------------------------------------------------------------------------------


async def test_the_empty_choice_removes_an_entry() -> None:
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        for keys, answer in ((("enter",), ""), (("down", "enter"), "slope"), (("down", "up", "enter"), "")):
            answers: list[str | None] = []
            app.push_screen(Choose("Filter", [("", "not entered"), ("slope", "24 dB")], ""), answers.append)
            await after(pilot, *keys)
            assert answers == [answer]


# --- quitting ---------------------------------------------------------------------------------------------------


async def test_q_during_a_sweep_stops_the_sound_and_asks() -> None:
    source = StandInSource()
    source.gate.clear()
    app = app_of(source=source)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "8", "m")
        burst(app, "enter")
        while not source.asked:
            await pilot.pause(0.01)
        burst(app, "q")
        while not isinstance(app.screen, Choose):
            await pilot.pause(0.01)
        assert app.return_code is None
        assert not any(worker.is_running for worker in app.workers if worker.group == "job")
        await settle(pilot)
        assert "Quit as well?" in screen_text(app)
        await after(pilot, "enter")
        assert isinstance(app.screen, StepScreen)
        assert not app.visit.job.responses
        burst(app, "q")
        await pilot.pause(0.2)
    assert app.return_code == 0
