"""A step by keyboard, at 80x24 and 120x40: entry, results, one or two panes, measuring, refusals."""

import threading
import time

import pytest
from builders import CREATED, cinema, defined, levels
from memory_journal import MemoryJournal
from stand_ins import StandInSource, app_of, screen_text, settle
from textual import constants, events
from textual.widgets import Input, Static
from textual.worker import Worker, get_current_worker

from commission.model import (
    Check,
    Curve,
    Grid,
    GridCell,
    Limit,
    Noted,
    Outcome,
    ResponseStored,
    RoundOpened,
    Row,
    Series,
    Signed,
    Table,
    Verdict,
)
from commission.model.outcome import Column
from commission.ui.screens.curve import CurveScreen
from commission.ui.screens.overview import Overview
from commission.ui.screens.results import check_for, curve_for
from commission.ui.screens.step import StepScreen
from commission.ui.widgets.entry_table import EntryTable
from commission.ui.widgets.picker import Picker
from commission.ui.widgets.plot import Plot
from commission.ui.widgets.result_table import ResultTable
from commission.ui.widgets.seat_grid import SeatGrid

from stand_ins import FREQ  # isort: skip


async def open_step(app, pilot, step_id):
    await settle(pilot)
    app.open_step(step_id)
    await settle(pilot)
    assert isinstance(app.screen, StepScreen)
    return app.screen


def _curve_id(app):
    assert isinstance(app.screen, CurveScreen) and app.screen.curve is not None
    return app.screen.curve.id


def words(app, selector):
    return str(app.screen.query_one(selector, Static).content)


def readings(app):
    return [(r.body.channel, r.body.value) for r in app.visit.job.readings_of("as-found", "levels")]


async def test_readings_are_stored_at_once_and_results_follow():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await open_step(app, pilot, "levels")
        assert "Front left" in words(app, "#todo")
        assert "low" in words(app, "#caution")
        await pilot.press("7", "6", "full_stop", "5", "enter")
        assert readings(app) == [("FL", 76.5)]
        assert "Centre" in words(app, "#todo")
        await pilot.press("7", "4", "enter")
        await settle(pilot)
        assert readings(app) == [("FL", 76.5), ("FC", 74.0)]
        assert [row.key for row in screen.query_one(ResultTable).table.rows] == ["FL", "FC"]


async def test_the_selected_row_shows_limit_uncertainty_and_basis():
    app = app_of(*levels({"FL": 79.0, "FC": 75.0}))
    async with app.run_test(size=(80, 24)) as pilot:
        await open_step(app, pilot, "levels")
        assert words(app, "#judgement").startswith(
            "– not tested  FR"
        )  # the cursor begins at the first missing reading
        await pilot.press("home")
        text = words(app, "#judgement")
        assert text.startswith("✗ fail")
        assert "+4.0 dB" in text
        assert "limit −1.5 to 1.5 dB" in text
        assert "U = " in text
        assert "basis" in text
        shown = " ".join(screen_text(app).split())
        assert " ".join(text.split()) in shown  # down to its last word, on the smallest screen


async def test_entry_and_results_are_two_pages_at_80_columns():
    app = app_of(*levels({"FL": 79.0}))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await open_step(app, pilot, "levels")
        assert screen.query_one("#entry").display
        assert not screen.query_one(ResultTable).region
        await pilot.press("v")
        await settle(pilot)
        assert not screen.query_one(EntryTable).region
        assert isinstance(app.focused, ResultTable)
        await pilot.press("tab")
        await settle(pilot)
        assert isinstance(app.focused, EntryTable)


async def test_entry_and_results_are_side_by_side_at_120_columns():
    app = app_of(*levels({"FL": 79.0}))
    async with app.run_test(size=(120, 40)) as pilot:
        screen = await open_step(app, pilot, "levels")
        left, right = screen.query_one(EntryTable).region, screen.query_one(ResultTable).region
        assert left
        assert right
        assert left.right <= right.x
        await pilot.press("v")
        assert isinstance(app.focused, ResultTable)
        await pilot.press("v")
        assert isinstance(app.focused, EntryTable)


async def test_a_withdrawn_reading_stays_in_the_log():
    app = app_of(*levels({"FL": [79.0, 76.0]}))
    async with app.run_test(size=(80, 24)) as pilot:
        await open_step(app, pilot, "levels")
        before = len(app.visit.job.log)
        await pilot.press("home", "x")
        await settle(pilot)
        assert readings(app) == [("FL", 79.0)]
        assert len(app.visit.job.log) == before + 1


async def test_a_full_disk_is_reported_beside_the_row_and_the_number_stays():
    journal = MemoryJournal(CREATED, defined(cinema()))
    app = app_of(journal=journal)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await open_step(app, pilot, "levels")
        journal.full = True
        await pilot.press("7", "6", "enter")
        await settle(pilot)
        assert readings(app) == []
        table = screen.query_one(EntryTable)
        assert (table.cursor, table.typing.text) == (0, "76")
        assert "disk is full" in screen_text(app)
        journal.full = False
        await pilot.press("enter")
        await settle(pilot)
        assert readings(app) == [("FL", 76.0)]


async def test_a_disk_that_fills_between_two_numbers_is_reported():
    class Filling(MemoryJournal):
        def append(self, bodies, blobs=None):
            stored = super().append(bodies, blobs)
            self.full = True
            return stored

    app = app_of(journal=Filling(CREATED, defined(cinema())))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await open_step(app, pilot, "levels")
        for key in ("7", "6", "enter", "7", "4", "enter"):
            app.post_message(events.Key(key, key if len(key) == 1 else None))
        await settle(pilot)
        assert readings(app) == [("FL", 76.0)]
        table = screen.query_one(EntryTable)
        assert (table.cursor, table.typing.text) == (1, "74")


async def test_an_answer_refused_by_a_full_disk_stays_in_its_dialog():
    journal = MemoryJournal(CREATED, defined(cinema()))
    app = app_of(journal=journal)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.open_step("site")
        await settle(pilot)
        app.screen.query_one("#fields", Picker).select("temperature_c")
        await settle(pilot)
        journal.full = True
        await pilot.press("2", "3", "enter")
        await settle(pilot)
        assert app.screen.query_one(Input).value == "23"
        journal.full = False
        await pilot.press("enter")
        await settle(pilot)
        assert app.visit.job.system.temperature_c == 23.0


async def test_a_note_is_stored_in_the_log():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_step(app, pilot, "levels")
        await pilot.press("n")
        await pilot.pause()
        await pilot.press(*"door", "enter")
        await settle(pilot)
        assert [e.body for e in app.visit.job.notes] == [Noted(step="levels", round="as-found", text="door")]


async def test_signatures_are_entered_on_the_last_step():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_step(app, pilot, "handover")
        await pilot.press("g")
        await pilot.pause()
        await pilot.press("enter")
        await pilot.pause()
        await pilot.press(*"Ada", "enter")
        await settle(pilot)
        assert [e.body for e in app.visit.job.signatures] == [Signed(role="technician", name="Ada")]


async def test_brackets_change_the_step_and_escape_leaves():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_step(app, pilot, "levels")
        await pilot.press("right_square_bracket")
        await settle(pilot)
        assert isinstance(app.screen, StepScreen)
        assert app.screen.step.id == "distances"
        await pilot.press("left_square_bracket")
        await settle(pilot)
        assert isinstance(app.screen, StepScreen)
        assert app.screen.step.id == "levels"
        await pilot.press("escape")
        await settle(pilot)
        assert not isinstance(app.screen, StepScreen)


async def test_entries_in_quick_succession_do_not_queue_their_results(monkeypatch):
    app = app_of(system=cinema(["FL", "FC", "FR"], ["A1"]))
    async with app.run_test(size=(80, 24)) as pilot:
        await open_step(app, pilot, "levels")
        solved = app.visit.outcome
        whole: set[Worker[object]] = set()

        def slow(step_id, round_id):
            if step_id == "handover":  # the last one
                whole.add(get_current_worker())
            time.sleep(0.03)
            return solved(step_id, round_id)

        monkeypatch.setattr(app.visit, "outcome", slow)
        for _ in range(6):
            app.compute()
            await pilot.pause(0.1)
        await settle(pilot)
        assert len(whole) == 1  # the results of the others would never be seen
        assert set(app.outcomes) == {each.id for each in app.visit.steps}


# --- measuring --------------------------------------------------------------------------------------------------


async def measuring_dialog_text(app, pilot, step):
    """The text of the dialog that `m` opens in a step."""
    await open_step(app, pilot, step)
    await pilot.press("m")
    await pilot.pause()
    return " ".join(screen_text(app).split())


async def test_measuring_warns_first_and_stores_each_response():
    source = StandInSource()
    app = app_of(system=cinema(["FL", "FC"], ["A1", "A2"]), source=source)
    async with app.run_test(size=(80, 24)) as pilot:
        text = await measuring_dialog_text(app, pilot, "seats")
        assert "start low" in text
        assert "any key stops the sound" in text
        await pilot.press("home", "enter")  # not now
        await settle(pilot)
        assert source.asked == []
        await pilot.press("m")
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        assert source.asked == [("FL", "A1"), ("FC", "A1")]
        assert len(app.visit.job.responses) == 2


async def test_wiring_warns_of_the_louder_sweep_and_asks_for_both_levels():
    source = StandInSource()
    app = app_of(system=cinema(["FL", "FC"], ["A1", "A2"]), source=source)
    async with app.run_test(size=(80, 24)) as pilot:
        text = await measuring_dialog_text(app, pilot, "wiring")
        assert "10 dB louder. Leave the room" in text and "at A2: 4 sweeps" in text
        await pilot.press("enter")
        await settle(pilot)
        assert source.asked == [("FL", "A2"), ("FC", "A2")]


@pytest.mark.parametrize(
    ("step_id", "keys"), [("wiring", ["escape"]), ("seats", ["escape", "x", "ctrl+c", "3", "colon"])]
)
async def test_any_key_stops_the_sound_and_does_nothing_else(step_id, keys):
    source = StandInSource()
    source.gate.clear()
    app = app_of(source=source)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await open_step(app, pilot, step_id)
        usual = constants.ESCAPE_DELAY
        for sweeps, key in enumerate(keys, start=1):
            await pilot.press("m")
            await pilot.pause()
            await pilot.press("enter")
            await pilot.pause(0.1)
            assert "Any key stops the sound" in screen_text(app)
            assert constants.ESCAPE_DELAY == 0  # or Escape would wait for the rest of an escape sequence
            await pilot.press(key)
            await settle(pilot)
            assert app.screen is screen, key
            assert app.visit.job.responses == ()
            assert len(source.asked) == sweeps
            assert constants.ESCAPE_DELAY == usual


async def test_noise_is_recorded_for_the_state_that_is_chosen():
    source = StandInSource()
    app = app_of(system=cinema(["FL", "FC"], ["A1", "A2"]), source=source)
    async with app.run_test(size=(80, 24)) as pilot:
        await open_step(app, pilot, "quiet")
        seat = app.visit.job.system.reference_seat
        assert seat is not None
        reference = seat.id
        await pilot.press("m")
        await settle(pilot)
        text = " ".join(screen_text(app).split())
        assert "is played. stand-in room, round as found" in text
        assert f"at {reference}; its gain stays as it is" in text
        assert source.asked == []
        await pilot.press("down", "enter")  # below “everything off”, the proposed state
        await settle(pilot)
        assert source.asked == [("ventilation low", reference)]
        assert [(n.body.state, n.body.seat) for n in app.visit.job.noises] == [("ventilation low", reference)]
        await pilot.press("m")
        await settle(pilot)
        assert "ventilation low: once more" in screen_text(app)


async def test_any_key_stops_a_recording_of_noise_and_nothing_is_stored():
    source = StandInSource()
    source.gate.clear()
    app = app_of(source=source)
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await open_step(app, pilot, "quiet")
        await pilot.press("m")
        await pilot.pause()
        await pilot.press("enter")
        await pilot.pause(0.1)
        assert "Any key stops the recording" in screen_text(app)
        await pilot.press("x")
        await settle(pilot)
        assert app.screen is screen
        assert app.visit.job.noises == ()
        assert len(source.asked) == 1


async def test_without_a_device_the_reason_is_reported():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await open_step(app, pilot, "seats")
        await pilot.press("m")
        await pilot.pause()
        assert [each.message for each in app._notifications] == ["Live measurement is off: no device here."]


# --- results of any shape ---------------------------------------------------------------------------------------

LIMIT = Limit(low=30.0, unit="dB", basis="determined by simulation")


def seats_outcome():
    """A small outcome like that of the Seats step: two channels, two seats."""
    checks, cells, curves = [], {}, []
    for channel, seat, snr in (("FL", "A1", 50.0), ("FL", "A2", 20.0), ("FC", "A1", 45.0), ("FC", "A2", 41.0)):
        check = Check(
            id="snr",
            channel=channel,
            seat=seat,
            value=snr,
            unit="dB",
            uncertainty=0.5,
            limit=LIMIT,
            text="signal to noise",
        )
        checks.append(check)
        cells[(channel, seat)] = GridCell(verdict=check.verdict, figure=f"{snr:.0f}", curve_id=f"{channel}:{seat}")
        main = Series(name=seat, x=FREQ, y=0 * FREQ + 70.0 + snr / 10)
        curves.append(
            Curve(id=f"{channel}:{seat}", title=f"{channel} at {seat}", channel=channel, seat=seat, series=(main,))
        )
    grid = Grid(id="seats", title="Cells", seats=("A1", "A2"), channels=("FL", "FC"), cells=cells)
    table = Table(
        id="t",
        title="Table",
        columns=(Column(key="c", title="Channel"),),
        rows=(Row(key="FL", cells=("FL",)), Row(key="FC", cells=("FC",))),
    )
    return Outcome(
        step="seats",
        round="as-found",
        done=4,
        total=4,
        checks=tuple(checks),
        grids=(grid,),
        tables=(table,),
        curves=tuple(curves),
        remarks=("Left out: nothing.",),
    )


async def show_outcome(app, pilot):
    screen = await open_step(app, pilot, "seats")
    app.outcomes = {**app.outcomes, "seats": seats_outcome()}
    screen.refresh_results()
    await settle(pilot)
    return screen


async def test_the_cursor_in_the_grid_selects_the_verdict_and_the_curve():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await show_outcome(app, pilot)
        assert isinstance(app.focused, SeatGrid)
        await pilot.press("right")
        await settle(pilot)
        assert words(app, "#judgement").startswith("✗ fail  FL at A2 signal to noise: 20.0 dB")
        assert screen.query_one(Plot).curve.id == "FL:A2"


async def test_enter_opens_the_curve_and_returning_keeps_the_selection():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await show_outcome(app, pilot)
        await pilot.press("enter")
        await settle(pilot)
        assert isinstance(app.screen, CurveScreen)
        seen, scale = [_curve_id(app)], app.screen.query_one(Plot).view.y_limits
        for key in ("right_square_bracket", "down", "left_square_bracket", "left_square_bracket", "up"):
            await pilot.press(key)
            await pilot.pause()
            seen.append(_curve_id(app))
            assert app.screen.query_one(Plot).view.y_limits == scale  # curves can be compared
        assert seen == ["FL:A1", "FL:A2", "FC:A2", "FC:A1", "FC:A2", "FL:A2"]
        await pilot.press("escape")
        await settle(pilot)
        assert app.screen is screen
        assert screen.query_one(SeatGrid).place == ("FL", "A2")


async def test_keys_move_the_read_out_and_zoom_to_the_bass():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await show_outcome(app, pilot)
        await pilot.press("enter")
        await settle(pilot)
        plot = app.screen.query_one(Plot)
        await pilot.press("right")
        assert plot.view.cursor_hz == pytest.approx(632.5, rel=1e-3)  # the middle: sqrt(20 · 20000)
        await pilot.press("z")
        assert plot.view.high_hz == 300.0
        assert plot.view.cursor_hz is None
        await pilot.press("left")
        await settle(pilot)
        assert "Hz: A1 75.0 dB" in screen_text(app)


def test_the_worst_check_of_a_place_is_shown():
    outcome = seats_outcome()
    worst = check_for(outcome, "FL", "A2")
    assert worst is not None and worst.verdict is Verdict.FAIL
    assert check_for(outcome, "XX", "A2") is None


def test_the_curve_of_a_row_is_found_by_id_by_check_or_by_channel():
    outcome = seats_outcome()
    assert curve_for(outcome, "FC:A2", Row(key="FC:A2", cells=())) == "FC:A2"
    assert curve_for(outcome, "x", Row(key="x", cells=("FC", 1.0))) == "FC:A1"
    assert curve_for(outcome, "x", Row(key="x", cells=(1.0,))) is None


class Slow:
    """A decoder whose second batch waits until it is released."""

    def __init__(self):
        self.begun, self.gate, self.calls = threading.Event(), threading.Event(), 0

    def __call__(self, stored, blobs, whole=()):
        if self.calls:
            self.begun.set()
            self.gate.wait(20)
        self.calls += 1
        return [(each, ValueError("empty recording")) for each in stored]


async def test_escape_leaves_a_step_during_the_analysis_and_stops_it_on_the_overview():
    slow = Slow()
    bodies = [
        ResponseStored(round="as-found", channel=c, seat=s, kind="impulse", file_name="a.wav", file_sha256="0")
        for c in ("FL", "FC", "FR", "BL", "BR", "SiL")
        for s in ("A1", "A2", "A3")
    ]
    app = app_of(journal=MemoryJournal(CREATED, defined(cinema()), *bodies), decoder=slow)
    async with app.run_test(size=(80, 24)) as pilot:
        while not slow.begun.is_set():
            await pilot.pause(0.01)
        app.open_step("levels")
        await pilot.pause()
        assert isinstance(app.screen, StepScreen)
        await pilot.press("escape")
        await pilot.pause()
        assert isinstance(app.screen, Overview)
        assert not app.analysis_stopped
        for _ in range(200):
            if app.working:
                break
            await pilot.pause(0.01)
        await pilot.press("escape")
        await pilot.pause()
        assert app.analysis_stopped
        assert "go on with the analysis" in screen_text(app)
        slow.gate.set()
        await settle(pilot)
        assert "handover" not in app.outcomes
        await pilot.press("f")
        await settle(pilot)
        assert "Not known: the analysis was stopped" in screen_text(app)  # not “nothing was found”
        await pilot.press("escape")
        await settle(pilot)
        await pilot.press("n")
        await settle(pilot)
        assert "handover" in app.outcomes
        assert "go on with the analysis" not in screen_text(app)


async def test_typing_into_an_earlier_round_shows_a_caution():
    app = app_of(*levels({"FL": 79.0}))
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await open_step(app, pilot, "levels")
        assert "has begun" not in words(app, "#caution")
        app.visit.append(RoundOpened(round="as-left"))
        screen.refresh_results()
        assert "What you type here belongs to as found, but as left has begun (r: round)." in words(app, "#caution")
        app.show_round("as-left")
        await settle(pilot)
        assert "has begun" not in words(app, "#caution")
