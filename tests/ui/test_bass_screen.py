"""Subwoofer settings entered by hand, on the sample job."""

from __future__ import annotations

import sys
import time
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import idle_screens
import pytest
from test_shell import footer_fits, settle, shown, to_step
from textual.widgets import Static

from commission.model import CrossoverFilter, FilterRanges
from commission.model.errors import Cancelled
from commission.model.formatting import number
from commission.steps.bass import result as result_of
from commission.steps.bass.entries import same_settings
from commission.steps.bass.result import BassResult
from commission.ui.app import CommissionApp
from commission.ui.screens.bass import BassScreen
from commission.ui.widgets.plot import Plot

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "steps"))
from bass_visit import CROSSOVER, as_found


@cache
def four_at_twelve() -> tuple[SimpleNamespace, BassResult]:
    """The parts of a visit that the screen reads, with four subwoofers, filters and twelve seats, and its proposal."""
    room = as_found(subs=4, seats=12, filters=FilterRanges())
    job, analyses = room.job, room.analyses
    result = result_of.solve(job, analyses)
    assert isinstance(result, BassResult)
    return SimpleNamespace(job=job, analyses=analyses, read_only=False), result


@pytest.mark.parametrize("size", [(80, 24), (120, 40)], ids=["80x24", "120x40"])
async def test_a_key_changes_one_value_and_all_results_with_it(app: CommissionApp, size: tuple[int, int]) -> None:
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        await to_step(pilot, "bass")
        await pilot.press("e")
        await settle(pilot)
        screen = app.screen
        assert isinstance(screen, BassScreen) and footer_fits(app)
        assert "Seat to seat" in shown(app) and "SUB2" in shown(app)
        before, figures = screen.settings, str(screen.query_one("#bass-figures", Static).content)
        await pilot.press("down", "right")
        assert screen.settings.delay_s[0] > before.delay_s[0]
        await pilot.press("shift+right")
        assert screen.settings.delay_s[0] - before.delay_s[0] == pytest.approx(11 * 0.03 / 343, abs=1e-6)
        assert str(screen.query_one("#bass-figures", Static).content) != figures
        took, plot = [], screen.query_one(Plot)
        for _ in range(8):
            start = time.process_time()
            screen.action_change(1)
            plot.paint(*plot.size)
            took.append(time.process_time() - start)
        assert min(took) < 0.05  # the longest permitted time until a key shows its effect
        await pilot.press("down", "left")
        assert screen.settings.polarity[0] == -1
        await pilot.press("b")
        assert list(screen.settings.gain_db) == [0.0, 0.0]
        await pilot.press("p", "enter")
        await settle(pilot)
        decisions = app.visit.job.decisions
        assert decisions["as-found", "bass", "use"] == "yes"
        assert decisions["as-found", "bass", "hand"].startswith("SUB1 ")


@pytest.mark.parametrize("size", [(80, 24), (120, 40)], ids=["80x24", "120x40"])
async def test_four_subwoofers_at_twelve_seats_fit_the_screen_and_respond_in_time(
    app: CommissionApp, size: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    visit, result = four_at_twelve()
    monkeypatch.setattr(BassScreen, "visit", visit)
    monkeypatch.setattr(idle_screens, "AT_ONCE", True)
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        app.push_screen(BassScreen(result))
        await settle(pilot)
        screen = app.screen
        assert isinstance(screen, BassScreen) and footer_fits(app)
        assert "← Less" in shown(app)  # a list that scrolls must not hide them
        await pilot.press(*["down"] * 11)  # the last value of all
        assert "SUB4" in shown(app) and "▸ polarity" in shown(app)
        for version in (*result.tradeoff, *result.others):
            assert version.name in shown(app)
        taken = set()
        for _ in result.tradeoff:
            await pilot.press("t")
            now = {each for each in result.tradeoff if same_settings(each.settings, screen.settings)}
            assert now and all(f"▸{each.name}" in shown(app) for each in now)
            assert all(f"→ {number(each.sd_db, 1)} dB" in shown(app) for each in now)
            taken |= {each.name for each in now}
        assert taken == {each.name for each in result.tradeoff}
        await pilot.press("up")
        took = []
        for key in ("right", "left", "right", "left", "right"):
            start = time.process_time()
            await pilot.press(key)
            took.append(time.process_time() - start)
        assert min(took) < 0.05  # the longest permitted time until a key shows its effect


async def test_a_stopped_search_keeps_its_best_result(app: CommissionApp, monkeypatch: pytest.MonkeyPatch) -> None:
    real = result_of.search_from

    def slow(job, result, through, analyses, start, cancel, progress):
        progress(0.3)
        if not cancel.wait(30):
            raise Cancelled
        return real(job, result, through, analyses, start, cancel, progress)

    monkeypatch.setattr("commission.ui.screens.bass.search_from", slow)
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await to_step(pilot, "bass")
        await pilot.press("e")
        await settle(pilot)
        screen = app.screen
        assert isinstance(screen, BassScreen)
        await pilot.press("b", "f")
        await pilot.pause(0.2)
        assert "searching settings" in shown(app)
        await pilot.press("escape")
        await settle(pilot)
        now = app.screen
        assert isinstance(now, BassScreen)
        assert now.settings.gain_db.shape == (2,)


async def test_another_crossover_is_tried_by_keys(app: CommissionApp, monkeypatch: pytest.MonkeyPatch) -> None:
    room = as_found(subs=1, seats=3, seed=5, high_pass_hz=80.0, clock_by_seat=False, filters_entered=True)
    result = result_of.solve(room.job, room.analyses)
    assert isinstance(result, BassResult) and not isinstance(result.front, str) and result.crossover is not None
    visit = SimpleNamespace(job=room.job, analyses=room.analyses, read_only=False)
    monkeypatch.setattr(BassScreen, "visit", visit)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.push_screen(BassScreen(result))
        await settle(pilot)
        screen = app.screen
        assert isinstance(screen, BassScreen)
        after_db = number(float(result.crossover.after_db.mean()), 1, signed=True)
        assert f"→ {after_db} dB" in figure(screen, "Sum at 80 Hz")
        assert figure(screen, "One subwoofer").endswith("output.") and "Choice (t)" not in figures(screen)
        assert "f Search" in shown(app) and "t Trade" not in shown(app)
        await pilot.press(*["down"] * 3, "right", "right")
        low, high = (CrossoverFilter(type=kind, slope_db_per_octave=slope) for kind, slope in CROSSOVER)
        other = result.front.through_other(100.0, high, low)
        assert not isinstance(other, str)
        there = other.crossover(result.through, screen.settings).after_db.mean()
        assert f"→ {number(float(there), 1, signed=True)} dB" in figure(screen, "at 100 Hz")
        start = time.process_time()
        screen.action_change(-1)
        assert time.process_time() - start < 0.05  # the longest permitted time until a key shows its effect
        await pilot.press("down", "right")
        assert "Butterworth 18 dB" in shown(app) and "Linkwitz-Riley 24 dB" in shown(app)
        await pilot.press("down", *["right"] * 3, "up", "up", "right")
        assert "would raise what was measured" in figure(screen, "Not shown")


def figures(screen: BassScreen) -> str:
    return str(screen.query_one("#bass-figures", Static).content)


def figure(screen: BassScreen, words: str) -> str:
    lines = figures(screen).splitlines()
    return next((line for line in lines if words in line), str(lines))
