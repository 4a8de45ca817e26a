"""Loudspeakers and seats moved by keys, on the sample job."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest
from builders import tradeoff_curve
from test_shell import footer_fits, settle, shown, to_step

from commission.model import SystemDefined
from commission.ui.app import CommissionApp
from commission.ui.screens.places import PlacesScreen
from commission.ui.widgets.draw.tradeoff import draw_tradeoff


def give_space(app: CommissionApp, *labels: str) -> None:
    """Allow the side loudspeakers alone to move, along their walls."""
    system = app.visit.job.system
    channels = tuple(
        replace(c, move_from_m=(c.position_m[0], 2.5, 1.2), move_to_m=(c.position_m[0], 5.0, 2.0))
        if c.id in labels and c.position_m is not None
        else replace(c, move_from_m=None, move_to_m=None)
        for c in system.channels
    )
    app.visit.append(SystemDefined(system=replace(system, channels=channels)))


async def opened(pilot, app: CommissionApp) -> PlacesScreen:
    await settle(pilot)
    await to_step(pilot, "layout")
    await pilot.press("e")
    await settle(pilot)
    assert isinstance(app.screen, PlacesScreen)
    return app.screen


async def test_arrows_move_a_seat_and_every_check_follows(app: CommissionApp) -> None:
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await opened(pilot, app)
        assert footer_fits(app)
        assert screen.selected == "A1"
        before = screen.movable["A1"]
        await pilot.press("right", "down", "shift+down")
        await settle(pilot)
        assert screen.places["A1"] == pytest.approx((before[0] + 0.05, before[1] + 0.55, before[2]))
        assert "1 place changed" in shown(app)
        assert "Failed checks" in shown(app)
        await pilot.press("o", "up")
        assert screen.places["A1"][2] == pytest.approx(before[2] + 0.05)
        took = []
        for _ in range(6):
            start = time.process_time()
            screen.action_shift(1, 0)
            took.append(time.process_time() - start)
        assert min(took) < 0.05  # the longest permitted time until a key shows its effect
        await pilot.press("z")
        assert screen.places == {}
        await pilot.press("tab")
        assert screen.selected == "A2"
        seat = app.visit.job.system.seat("A1")
        assert seat is not None and seat.position_m == before


async def test_the_best_places_are_accepted_and_stored(app: CommissionApp) -> None:
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        give_space(app, "SiL", "SiR")
        screen = await opened(pilot, app)
        pane = screen.query_one("#places-right")
        await pilot.press("pagedown")
        await settle(pilot)
        assert pane.scroll_offset.y > 0
        assert "Weight of all seats 0.5" in shown(app)
        await pilot.press("pageup", "plus", "plus")
        await settle(pilot)
        assert pane.scroll_offset.y == pane.max_scroll_y  # where the trade-off is drawn
        await pilot.press("b")
        await settle(pilot)
        assert screen.weight == 0.7
        assert set(screen.places) == {"SiL", "SiR"}
        best = screen.places["SiL"]
        await pilot.press("enter")
        await settle(pilot)
        channel = app.visit.job.system.channel("SiL")
        assert channel is not None and channel.position_m == pytest.approx(best)
        assert app.visit.job.decisions["as-found", "layout", "weight"] == "0.7"
        assert screen.places == {}
        await pilot.press("b")
        assert screen.places == {}  # they are at these places already


async def test_without_a_space_there_is_nothing_to_search(app: CommissionApp) -> None:
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        give_space(app)
        screen = await opened(pilot, app)
        await pilot.press("b")
        assert screen.places == {}
        await pilot.press("right", "escape")
        await settle(pilot)
        assert not isinstance(app.screen, PlacesScreen)


def test_the_tradeoff_is_drawn_with_the_chosen_weight_and_the_present_layout() -> None:
    lines = draw_tradeoff(tradeoff_curve([(1.0, 9.0), (2.0, 6.0), (4.0, 5.0)], 1, (4.5, 10.0)), 40, 8)
    assert len(lines) == 8
    assert max(map(len, lines)) <= 40
    assert sum(line.count("●") for line in lines) == sum(line.count("×") for line in lines) == 1
    assert "×" in lines[0]  # the worst over all seats, and
    assert lines[0].rstrip().endswith("×")  # at the reference seat
    assert lines[0].startswith("10.0°")
    assert "5.0°" in lines[5]
    assert lines[7].strip().startswith("1.0° reference seat")
    assert draw_tradeoff(tradeoff_curve([], 0, (1.0, 1.0)), 40, 8) == []
    point = tradeoff_curve([(1.0, 1.0)], 0, (1.0, 1.0))
    assert draw_tradeoff(point, 12, 3) == []
    assert len(draw_tradeoff(point, 40, 6)) == 6
