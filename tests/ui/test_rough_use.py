"""Rough use: windows that are too small, hostile names, a terminal without colours, practice in a simulated room."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from builders import cinema, levels, setting
from solved_services import SolvedServices
from test_shell import footer_fits, settle, shown, to_step

from commission.cli.local_services import LocalServices
from commission.ui.app import CommissionApp
from commission.ui.screens.overview import Overview

ESCAPE = "\x1b[31mred\x1b[0m"
MARKUP = "[bold]x[/] [@click=app.quit]y[/]"
LONG = "name without an end " * 3
"""The longest id that a channel or a seat can have."""


def everywhere(app: CommissionApp) -> list[str]:
    """The ids of all steps, then the keys of the other screens that open from the overview."""
    return [*(step.id for step in app.visit.steps), "s", "f", "i", "l"]


def app_on(path: Path, tmp_path: Path) -> CommissionApp:
    return CommissionApp(SolvedServices(tmp_path / "state"), path, keys=tmp_path / "no-keys.toml")


async def test_a_small_window_shows_less_and_never_fails(
    sample_copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    app = app_on(sample_copy, tmp_path)
    async with app.run_test(size=(30, 8)) as pilot:
        await settle(pilot)
        for key in everywhere(app):
            await (to_step(pilot, key) if len(key) > 1 else pilot.press(key))
            await settle(pilot)
            await pilot.press("down", "down", "v", "right", "v")
            if key != "i":  # there every character is part of the path
                await pilot.press("question_mark", "escape")
            await settle(pilot)
            assert not isinstance(app.screen, Overview), key
            await pilot.press("escape")
            await settle(pilot)
            assert isinstance(app.screen, Overview), key
        await pilot.resize_terminal(120, 40)
        await settle(pilot)
        assert "Harbour Lane cinema" in shown(app)
        await pilot.resize_terminal(20, 4)
        await settle(pilot)
    assert app.return_code in (None, 0)


async def test_names_are_shown_as_plain_text_on_every_screen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    services = LocalServices(tmp_path / "state")
    system = cinema(["FL", "FC", "FR", "SUB1"], ["A1", "A2", "A3", "B1"])
    names = (ESCAPE, MARKUP, LONG)
    channels = [replace(c, id=n, name=n) for c, n in zip(system.channels, names, strict=False)]
    seats = [replace(s, id=n, name=n) for s, n in zip(system.seats, names, strict=False)]
    system = replace(
        system,
        title=MARKUP + ESCAPE,
        client=LONG,
        place=ESCAPE,
        technician=MARKUP,
        channels=(*channels, *system.channels[3:]),
        seats=(*seats, *system.seats[3:]),
        processor=replace(system.processor, model=LONG),
    )
    visit = services.create(tmp_path / "x", system)
    visit.append(*levels({ESCAPE: 79.0, MARKUP: 75.0, LONG: 70.0}), *(setting(n, trim_db=1.0) for n in names))
    visit.close()
    app = app_on(tmp_path / "x.commission", tmp_path)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        for key in everywhere(app):
            await (to_step(pilot, key) if len(key) > 1 else pilot.press(key))
            await settle(pilot)
            await pilot.press("down", "v")
            await settle(pilot)
            text = shown(app)
            assert "\x1b" not in text, key
            assert len(text.splitlines()) <= 24
            assert all(len(line) <= 80 for line in text.splitlines()), key
            await pilot.press("escape")
            await settle(pilot)
            assert isinstance(app.screen, Overview), key
        assert MARKUP.split()[0] in shown(app)


async def test_without_colours_the_words_and_signs_stay(
    sample_copy: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """NO_COLOR (no-color.org): whatever colour shows is also shown by a sign and a word."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("NO_COLOR", "1")
    app = app_on(sample_copy, tmp_path)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert "▸1 Site" in shown(app)
        await to_step(pilot, "seats")
        assert app.no_color
        text = shown(app)
        for sign in ("[? opposite", "✗ HF", "✓ 70.7", "Round"):
            assert sign in text
        assert footer_fits(app)


async def test_a_simulated_room_can_be_practised_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    path = LocalServices(tmp_path / "state").rehearsal(tmp_path, 1)
    app = app_on(path, tmp_path)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await to_step(pilot, "seats")
        await pilot.press("m")
        await pilot.pause()
        text = shown(app)
        assert "where is the microphone?" in text
        assert "any key stops the sound" in " ".join(text.split())
        await pilot.press("enter")
        await settle(pilot)
        seat = next(s.id for s in app.visit.job.system.seats if app.visit.job.responses_of("as-found", seat=s.id))
        assert len(app.visit.job.responses_of("as-found", seat=seat)) == len(app.visit.job.system.channels)
        assert all(r.body.source == "rehearsal" for r in app.visit.job.responses)
