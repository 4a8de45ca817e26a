"""A step defined in this test alone is shown and takes entries without any screen code. The snapshots show this step, so
that new wording in a real step does not change them.
"""

import numpy as np
import pytest
from builders import add_step, cinema, keep_steps
from stand_ins import FREQ, app_of, screen_text, settle
from textual.widgets import Static

from commission.model import (
    Advice,
    Check,
    Column,
    Curve,
    Grid,
    GridCell,
    Limit,
    Outcome,
    PlanItem,
    Prompt,
    RoomPlan,
    Row,
    Series,
    Step,
    Table,
)
from commission.ui.screens.curve import CurveScreen
from commission.ui.screens.step import StepScreen
from commission.ui.widgets.plot import Plot
from commission.ui.widgets.result_table import ResultTable
from commission.ui.widgets.room_plan import RoomPlanView
from commission.ui.widgets.seat_grid import SeatGrid

CHANNELS, SEATS = ("FL", "FC", "FR"), ("A1", "A2")
LIMIT = Limit(low=-1.0, high=1.0, unit="dB", basis="common practice")


def plan(job, round_id):
    return tuple(
        Prompt(
            channel=c,
            seat="A2",
            quantity="tilt",
            unit="dB",
            text=f"Tilt {c} toward the reference seat; read the dial.",
            expected=(-6.0, 6.0),
            caution="Two people on the ladder." if c == "FR" else "",
        )
        for c in CHANNELS
    )


def evaluate(job, round_id, analyses):
    read = {r.body.channel: r.body.value for r in job.readings_of(round_id, "tilt")}
    checks = tuple(
        Check(id="tilt", channel=c, seat="A2", value=v, unit="dB", uncertainty=0.2, limit=LIMIT, text="tilt")
        for c, v in read.items()
    )
    columns = (Column(key="c", title="Channel"), Column(key="t", title="Tilt", unit="dB", decimals=1, signed=True))
    table = Table(
        id="tilts",
        title="Tilts",
        columns=columns,
        rows=tuple(Row(key=str(k.channel), cells=(k.channel, k.value), check=k) for k in checks),
    )
    cells = {
        (c, s): GridCell(
            verdict=k.verdict, figure=f"{k.value:+.1f}", detail=(f"tilt {k.value:+.1f} dB",), curve_id=f"{c}:{s}"
        )
        for k in checks
        for s in SEATS
        if (c := k.channel)
    }
    shape = 75 - 8 * np.log2(FREQ / 1000) ** 2 / 10
    curves = tuple(
        Curve(
            id=f"{k.channel}:{s}",
            title=f"{k.channel} at {s}",
            channel=k.channel,
            seat=s,
            caption="smooth",
            series=(
                Series(name="lowest", x=FREQ, y=shape - 3, kind="low"),
                Series(name="highest", x=FREQ, y=shape + 3, kind="high"),
                Series(name=s, x=FREQ, y=shape + (k.value or 0.0) * n),
            ),
        )
        for k in checks
        for n, s in enumerate(SEATS)
    )
    items = tuple(PlanItem(label=c.id, kind="loudspeaker", position_m=c.position_m) for c in job.system.channels)
    items += tuple(PlanItem(label=s.id, kind="seat", position_m=s.position_m) for s in job.system.seats)
    room = RoomPlan(length_m=6.4, width_m=4.7, height_m=2.6, items=items)
    return Outcome(
        step="tilt",
        round=round_id,
        done=len(read),
        total=len(CHANNELS),
        checks=checks,
        tables=(table,),
        grids=(Grid(id="g", title="Tilt by seat", seats=SEATS, channels=CHANNELS, cells=cells),) if cells else (),
        curves=curves,
        room_plans=(room,),
        advice=(Advice(text="Tilt.", step="tilt", priority=99),),
        remarks=("The dial reads from [−6, 6] dB.",),
    )


TILT = Step(
    id="tilt",
    title="Tilt",
    question="Is every loudspeaker aimed?",
    help="Turn the *dial*.",
    plan=plan,
    evaluate=evaluate,
    entry="readings",
)
WATCH = Step(
    id="tilt",
    title="Tilt",
    question="Is every loudspeaker aimed?",
    help="",
    plan=lambda job, round_id: (),
    evaluate=evaluate,
)


@pytest.fixture
def app(monkeypatch):
    keep_steps(monkeypatch, "site", "layout", "levels", "distances", "seats", "compare", "handover")
    add_step(monkeypatch, TILT)
    return app_of(system=cinema(CHANNELS, SEATS))


async def enter_all(pilot):
    await settle(pilot)
    pilot.app.open_step("tilt")
    await settle(pilot)
    await pilot.press("2", "full_stop", "4", "enter", "minus", "0", "full_stop", "9", "enter", "0", "enter")
    await settle(pilot)


@pytest.mark.parametrize("size", [(80, 24), (120, 40)], ids=["80x24", "120x40"])
async def test_every_kind_of_result_appears(app, size):
    async with app.run_test(size=size) as pilot:
        await enter_all(pilot)
        screen = app.screen
        assert isinstance(screen, StepScreen)
        for kind in (ResultTable, SeatGrid, RoomPlanView, Plot):
            assert len(screen.query(kind)) == 1, kind
        assert "[−6, 6]" in str(screen.query_one(".remark", Static).content)


async def test_selecting_an_entry_row_selects_its_channel_in_table_plan_and_curve(app):
    async with app.run_test(size=(120, 40)) as pilot:
        await enter_all(pilot)
        await pilot.press("up")
        await settle(pilot)
        screen = app.screen
        assert screen.query_one(ResultTable).row.key == "FC"
        assert screen.query_one(RoomPlanView).selected == "FC"
        assert screen.query_one(SeatGrid).place == ("FC", "A2")
        assert screen.query_one(Plot).curve.id == "FC:A2"


async def test_the_caution_is_shown_where_it_matters(app):
    async with app.run_test(size=(80, 24)) as pilot:
        await enter_all(pilot)
        caution = app.screen.query_one("#caution", Static)
        assert caution.display
        assert "ladder" in str(caution.content)
        await pilot.press("up")
        await settle(pilot)
        assert not caution.display


async def test_arrow_keys_alone_reach_all_results(app):
    async with app.run_test(size=(80, 24)) as pilot:
        await enter_all(pilot)
        await pilot.press("v")
        await settle(pilot)
        seen = [type(app.focused)]
        for _ in range(20):
            await pilot.press("down")
            await pilot.pause()
            if type(app.focused) is not seen[-1]:
                seen.append(type(app.focused))
        assert seen == [SeatGrid, ResultTable, RoomPlanView, Plot]


async def test_results_take_the_full_width_when_nothing_is_entered(monkeypatch):
    add_step(monkeypatch, WATCH)
    app = app_of(system=cinema(CHANNELS, SEATS))
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        app.open_step("tilt")
        await settle(pilot)
        table, room = app.screen.query_one(ResultTable), app.screen.query_one(RoomPlanView)
        assert table.region.right <= room.region.x
        await pilot.press("v")
        assert app.focused is room
        await pilot.press("o")
        await settle(pilot)
        assert "Side view" in screen_text(app)


# --- snapshots --------------------------------------------------------------------------------------------------


async def entered(pilot):
    await enter_all(pilot)
    await pilot.press("up", "up")
    await settle(pilot)


async def curve_open(pilot):
    await enter_all(pilot)
    await pilot.press("v")
    await settle(pilot)
    await pilot.press("right", "enter")
    await settle(pilot)
    await pilot.press("right", "right")
    await settle(pilot)
    assert isinstance(pilot.app.screen, CurveScreen)


SIZES = pytest.mark.parametrize("size", [(80, 24), (120, 40)], ids=["80x24", "120x40"])


@SIZES
def test_step_looks_as_accepted(app, snap_compare, size):
    assert snap_compare(app, terminal_size=size, run_before=entered)


@SIZES
def test_curve_looks_as_accepted(app, snap_compare, size):
    assert snap_compare(app, terminal_size=size, run_before=curve_open)
