"""Pictures of the screens on the sample job; renew with --snapshot-update and look at them before you commit."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from test_shell import SIZES, settle

from commission.cli.workshop import LocalWorkshop
from commission.ui.app import CommissionApp

KEYS = {
    "overview": [],
    "site": ["1"],
    "layout": ["2"],
    "levels": ["3"],
    "distances": ["4"],
    "seats": ["5"],
    "compare": ["r", "down", "enter", "6"],
    "handover": ["r", "down", "enter", "7"],
    "sheet": ["s"],
    "findings": ["f"],
    "import": ["i"],
    "rounds": ["r"],
    "how": ["3", "question_mark"],
}


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample job, made once."""
    folder = tmp_path_factory.mktemp("sample")
    return LocalWorkshop(folder / "state").demo(folder)


@pytest.mark.parametrize("size", SIZES, ids=["80x24", "120x40"])
@pytest.mark.parametrize("screen", KEYS)
def test_screen_looks_as_accepted(
    screen: str,
    size: tuple[int, int],
    sample: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    snap_compare: Any,
) -> None:
    monkeypatch.chdir(tmp_path)
    copy = tmp_path / "harbour-lane.commission"
    shutil.copy(sample, copy)

    async def walk(pilot: Any) -> None:
        await settle(pilot)
        for key in KEYS[screen]:
            await pilot.press(key)
            await settle(pilot)
        for each in pilot.app.screen.walk_children():  # a blinking cursor is no look
            if hasattr(each, "cursor_blink"):
                each.cursor_blink = False
        await pilot.pause()

    app = CommissionApp(LocalWorkshop(tmp_path / "state"), copy, keys=tmp_path / "no-keys.toml")
    assert snap_compare(app, run_before=walk, terminal_size=size)


def test_the_first_screen_looks_as_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, snap_compare: Any
) -> None:
    monkeypatch.chdir(tmp_path)

    async def wait(pilot: Any) -> None:
        await settle(pilot)

    app = CommissionApp(LocalWorkshop(tmp_path / "state"), None, keys=tmp_path / "no-keys.toml")
    assert snap_compare(app, run_before=wait, terminal_size=(80, 24))
