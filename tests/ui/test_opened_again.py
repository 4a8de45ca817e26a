"""The screen of a step is built once for each job; opened again, it shows what a new screen would show."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from builders import levels, setting
from solved_services import SolvedServices
from stand_ins import app_of, screen_text, settle
from textual.pilot import Pilot

from commission.model import AS_LEFT, RoundOpened, SystemDefined
from commission.ui.app import CommissionApp

LEFT, RIGHT = ("down", "down", "right", "pagedown"), ("z", "right", "o", "down", "end")
"""Keys that select something else in the views of the left and of the right side."""


async def opened(pilot: Pilot[Any], step_id: str) -> list[list[tuple[str, str]]]:
    """The painted screen of a step."""
    pilot.app.open_step(step_id)  # type: ignore[attr-defined]
    await settle(pilot)
    return looks(pilot)


def looks(pilot: Pilot[Any]) -> list[list[tuple[str, str]]]:
    """Texts and styles of all lines."""
    strips = pilot.app.screen._compositor.render_strips()
    return [[(each.text, str(each.style)) for each in strip.simplify()] for strip in strips]


@pytest.mark.parametrize("step_id", ["site", "layout", "levels", "seats", "compare", "checklist"])
async def test_a_reopened_step_shows_what_a_new_screen_shows(step_id: str, sample_copy: Path, tmp_path: Path) -> None:
    services = SolvedServices(tmp_path / "state")
    app = CommissionApp(services, sample_copy, keys=tmp_path / "no-keys.toml")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        new, screen = await opened(pilot, step_id), app.screen
        await pilot.press("v")
        await settle(pilot)
        new_right = looks(pilot)
        await pilot.press("v", *LEFT)
        if step_id == "levels":
            await pilot.press("8")
        else:
            await pilot.press("v", *RIGHT)
        app.pop_screen()  # a key would end the typed number first
        await settle(pilot)
        assert await opened(pilot, step_id) == new
        assert app.screen is screen
        await pilot.press("v")
        await settle(pilot)
        assert looks(pilot) == new_right


async def test_other_units_another_theme_or_another_job_get_a_new_screen() -> None:
    app = app_of()
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)

        async def levels() -> Any:
            await opened(pilot, "levels")
            screen = app.screen
            app.pop_screen()
            await settle(pilot)
            return screen

        first = await levels()
        assert await levels() is first
        assert app.visit.append(SystemDefined(system=replace(app.visit.job.system, units="imperial")))
        second = await levels()
        app.theme = "textual-light"
        third = await levels()
        app.show_visit(app.visit)
        await settle(pilot)
        assert len({first, second, third, await levels()}) == 4
        assert [each.is_attached for each in (first, second, third)] == [False] * 3


@pytest.mark.parametrize("step_id", ["site", "layout", "levels", "distances", "handover"])
async def test_a_reopened_step_shows_entries_made_meanwhile(step_id: str) -> None:
    """Readings, settings and places of a round; then another round, which has none of these yet."""
    app = app_of(*levels({"FL": 75.0, "FR": 76.0}))
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        seats = app.visit.job.system.seats
        moved = replace(app.visit.job.system, seats=(replace(seats[0], position_m=(0.3, 4.1, 1.1)), *seats[1:]))
        changes: tuple[Any, ...] = (
            (
                *levels({"FL": 81.3, "FC": 70.0}),
                setting("FL", trim_db=-4.5, distance=3.7),
                SystemDefined(system=moved),
            ),
            (RoundOpened(round=AS_LEFT), *levels({"FL": 79.9}, round_id=AS_LEFT)),
        )
        shown, kept = [await opened(pilot, step_id)], app.screen
        for bodies in changes:
            app.pop_screen()
            app.visit.append(*bodies)
            app.show_round(app.visit.job.current_round)
            await settle(pilot)
            shown.append(await opened(pilot, step_id))
            assert app.screen is kept
            assert await opened(pilot, step_id) == shown[-1] and app.screen is not kept  # a new screen
        if step_id == "levels":
            assert "79.9" in screen_text(app) and "81.3" not in screen_text(app)
        assert all(before != after for before, after in pairwise(shown))


async def test_steps_prepared_in_a_pause_show_entries_made_before_they_are_opened(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("commission.ui.app.PREPARE_AFTER_S", 0.001)
    monkeypatch.setattr("commission.ui.garbage.PAUSE_S", 1.0)
    app = app_of(*levels({"FL": 75.0}))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        overview, ids = looks(pilot), [each.id for each in app.visit.steps]
        app._use_pause()
        while not all(app.is_screen_installed(step_id) for step_id in ids):
            await pilot.pause(0.01)
        assert looks(pilot) == overview
        await pilot.resize_terminal(120, 40)
        app.visit.append(*levels({"FL": 81.3, "FR": 76.0}))
        app.compute()
        await settle(pilot)
        for step_id in ids:
            prepared = await opened(pilot, step_id)
            assert app.screen is app.get_screen(step_id)
            assert await opened(pilot, step_id) == prepared and app.screen is not app.get_screen(step_id)


async def test_a_step_opened_above_its_own_screen_gets_a_second_screen() -> None:
    app = app_of()
    async with app.run_test(size=(100, 30)) as pilot:
        await settle(pilot)
        await opened(pilot, "levels")
        below = app.screen
        app.action_log()
        await settle(pilot)
        await opened(pilot, "levels")
        above = app.screen
        assert above is not below
        app.pop_screen()
        app.pop_screen()
        await settle(pilot)
        assert app.screen is below
        assert not above.is_attached


async def test_a_reopened_step_fits_a_terminal_resized_meanwhile() -> None:
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await opened(pilot, "levels")
        app.pop_screen()
        await pilot.resize_terminal(120, 40)
        again, kept = await opened(pilot, "levels"), app.screen
        new = await opened(pilot, "levels")
        assert app.screen is not kept
        assert new == again
