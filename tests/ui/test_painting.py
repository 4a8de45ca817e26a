"""The effect of a key is painted once, when the key is done; while a slow key is handled, it is painted earlier."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import idle_screens
import pytest
from builders import cinema, levels
from stand_ins import settle

from commission.cli.local_services import LocalServices
from commission.ui import typeahead
from commission.ui.app import CommissionApp
from commission.ui.screens.step import StepScreen
from commission.ui.typeahead import PaintedOnce
from commission.ui.widgets.result_table import ResultTable


@pytest.fixture
def app(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> CommissionApp:
    """The program on a job with a few readings, painting whenever a screen asks for it."""
    monkeypatch.setattr(idle_screens, "AT_ONCE", True)
    services = LocalServices(tmp_path / "state")
    visit = services.create(tmp_path / "job", cinema(["FL", "FC"], ["A1", "A2"]))
    visit.append(*levels({"FL": 75.0, "FC": 76.0}))
    visit.close()
    return CommissionApp(services, visit.path, keys=tmp_path / "no-keys.toml")


@pytest.fixture
def paints(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The class of the screen at each paint, with the prefix “early ” while a key is being handled."""
    names: list[str] = []
    paint = PaintedOnce.paint

    def note(screen: PaintedOnce[Any]) -> None:
        early = isinstance(screen.app, CommissionApp) and screen.app.handling_key
        if screen is screen.app.screen:  # a screen below the top one paints nothing
            names.append("early " * early + type(screen).__name__)
        paint(screen)

    monkeypatch.setattr(PaintedOnce, "paint", note)
    return names


async def test_a_key_that_opens_a_step_is_painted_when_it_is_done(
    app: CommissionApp, paints: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(typeahead, "LATEST_PAINT_S", 30.0)  # a busy machine is no reason for a second paint
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        paints.clear()
        await pilot.press("5")
        while app.handling_key:
            await pilot.pause(0.01)
        assert isinstance(app.screen, StepScreen)
        assert "StepScreen" in paints
        assert not [each for each in paints if each.startswith("early")]
        await settle(pilot)
        assert not app.screen._compositor._dirty_regions  # nothing is left unpainted


async def test_a_slow_key_is_painted_before_it_is_done(
    app: CommissionApp, paints: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before_end: list[int] = []

    async def action_help(_screen: object) -> None:
        paints.clear()
        app.screen.refresh()
        await asyncio.sleep(10 * typeahead.LATEST_PAINT_S)
        before_end.append(paints.count("early Overview"))

    monkeypatch.setattr("commission.ui.screens.base.VisitScreen.action_help", action_help)
    async with app.run_test() as pilot:
        await settle(pilot)
        await pilot.press("question_mark")
        for _ in range(100):
            await pilot.pause(0.05)
            if before_end:
                break
    assert before_end[0] >= 1


async def test_a_step_that_opens_is_refreshed_once(app: CommissionApp, monkeypatch: pytest.MonkeyPatch) -> None:
    refreshed: list[StepScreen] = []
    refresh = StepScreen.refresh_results

    def note(screen: StepScreen) -> None:
        refreshed.append(screen)
        refresh(screen)

    monkeypatch.setattr(StepScreen, "refresh_results", note)
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await pilot.press("5")
        await settle(pilot)
        assert sum(each is app.screen for each in refreshed) == 1  # a slow machine prepares other steps meanwhile


async def test_tables_of_a_long_page_are_made_for_one_width(
    app: CommissionApp, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scroll bar that appears behind the layout would have them made again, for one column less."""
    widths: dict[int, list[int]] = {}
    paint = ResultTable.paint

    def note(table: ResultTable, width: int, height: int) -> Any:
        widths.setdefault(id(table), []).append(width)
        return paint(table, width, height)

    monkeypatch.setattr(ResultTable, "paint", note)
    async with app.run_test(size=(120, 12)) as pilot:
        await settle(pilot)
        await pilot.press("6")
        await settle(pilot)
        page = app.screen.query_one("#result")
        assert page.max_scroll_y > 0
    assert widths
    assert all(len(set(each)) == 1 for each in widths.values()), widths
