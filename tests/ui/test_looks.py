"""Pictures of the screens on the sample job; renew with --snapshot-update and look at them before you commit."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from builders import keep_steps
from solved_services import SolvedServices
from test_shell import ROOT, SIZES, settle, to_step

from commission.cli.local_services import LocalServices
from commission.diagnosis import RULES, unexplained_checks
from commission.job.store import JobFile
from commission.model import JobCreated, Noted, ReadingEntered, RoundOpened, Withdrawn
from commission.model.limits import default_profile
from commission.steps import TITLES, all_steps
from commission.steps.shared.limits_table import limits_tables
from commission.ui.app import CommissionApp
from commission.ui.screens import tables
from commission.ui.widgets.picker import Picker

STEPS = ("site", "layout", "levels", "distances", "seats", "compare", "drift", "handover")
"""The steps that the pictures know; the picture of another step adds that step alone, behind them."""
KEYS = {
    "overview": [],
    "site": ["step site"],
    "layout": ["step layout"],
    "levels": ["step levels"],
    "distances": ["step distances"],
    "seats": ["step seats"],
    "compare": ["r", "down", "enter", "step compare"],
    "handover": ["r", "down", "enter", "step handover"],
    "sheet": ["s"],
    "findings": ["f"],
    "import": ["i"],
    "import-rows": ["i", "=files", "enter", "down"],
    "import-delays": ["i", "tab", "tab", "down", "enter"],
    "curve": ["step seats", "down", "down", "enter"],
    "rounds": ["r"],
    "how": ["step levels", "question_mark"],
    "text-refused": ["step site", "field temperature_c", "enter", "=warm", "enter"],
    "confirm": ["step site", "field seats.3.weight", "d"],
    "photograph": ["step levels", "p", "=nowhere.jpg", "enter"],
    "limits": ["colon", "=limits", "enter", "down"],
    "budget": ["step levels", "u", "down"],
    "record": ["colon", "=write the record", "enter"],
}
"""What is pressed on the overview; "=…" is typed, "step …" opens a step, "field …" moves the form's cursor to a field."""

DIALOGS = ("import-rows", "import-delays", "text-refused", "confirm", "photograph", "record")
"""Pictures of a dialog or of another row: at the smaller size alone, where room is short; `import` shows its screen at both."""
PICTURES = [(screen, size) for screen in KEYS for size in (SIZES[:1] if screen in DIALOGS else SIZES)]

LIMITS = (
    "distances.arrival",
    "distances.setting",
    "levels.match",
    "levels.reference",
    "levels.repeat",
    "seats.level",
)
"""The limits that the picture of their list shows: another one does not change it."""


@pytest.fixture
def files(tmp_path: Path) -> None:
    """Files in every state: in order, already stored, damaged, empty, without a seat in the name."""
    source = ROOT / "sample_measurements"
    folder = tmp_path / "files" / "as-left"
    folder.mkdir(parents=True)
    shutil.copy(source / "as-left" / "A1_FL.flac", folder / "A1_FL.flac")
    shutil.copy(source / "as-found" / "B2_FR.flac", folder / "B2_FR.flac")
    shutil.copy(source / "as-left" / "A1_FC.flac", folder / "take [b]one FC.flac")
    (folder / "A3_FR.wav").write_bytes(b"RIFF nothing")
    (folder.parent / "A2_SUB1.wav").write_bytes(b"")


async def press(pilot: Any, key: str) -> None:
    """A key, a typed text, a step of the overview, or the cursor of the Site form on a field."""
    if key.startswith("step "):
        await to_step(pilot, key.removeprefix("step "))
    elif key.startswith("field "):
        pilot.app.screen.query_one("#fields", Picker).select(key.removeprefix("field "))
    else:
        await pilot.press(*(key[1:] if key.startswith("=") else [key]))
    await settle(pilot)


def keep_lists(monkeypatch: pytest.MonkeyPatch) -> None:
    """Show only `LIMITS` in the list of limits and two symptoms as not examined, so that additions change no picture."""
    monkeypatch.setattr(unexplained_checks, "not_examined", lambda _: ("silence", "hum from one loudspeaker"))
    profile, *_ = limits_tables(default_profile(), all_steps(), RULES)
    few = replace(profile, rows=tuple(each for each in profile.rows if each.key in LIMITS))
    monkeypatch.setattr(tables, "limits_tables", lambda *_: (few,))


@pytest.mark.usefixtures("files")
@pytest.mark.parametrize(("screen", "size"), PICTURES, ids=[f"{s}-{w}x{h}" for s, (w, h) in PICTURES])
def test_screen_looks_as_accepted(
    screen: str,
    size: tuple[int, int],
    sample_copy: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    snap_compare: Any,
) -> None:
    monkeypatch.chdir(tmp_path)
    keep_steps(monkeypatch, *dict.fromkeys((*STEPS, *(each for each in TITLES if each == screen))))

    keep_lists(monkeypatch)

    async def walk(pilot: Any) -> None:
        await settle(pilot)
        for key in KEYS[screen]:
            await press(pilot, key)
        for each in pilot.app.screen.walk_children():  # a blinking cursor would change the picture
            if hasattr(each, "cursor_blink"):
                each.cursor_blink = False
        await pilot.pause()

    app = CommissionApp(SolvedServices(tmp_path / "state"), sample_copy, keys=tmp_path / "no-keys.toml")
    assert snap_compare(app, run_before=walk, terminal_size=size)


def test_the_first_screen_looks_as_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, snap_compare: Any
) -> None:
    monkeypatch.chdir(tmp_path)

    async def wait(pilot: Any) -> None:
        await settle(pilot)

    app = CommissionApp(LocalServices(tmp_path / "state"), None, keys=tmp_path / "no-keys.toml")
    assert snap_compare(app, run_before=wait, terminal_size=(80, 24))


@pytest.mark.parametrize("size", SIZES, ids=["80x24", "120x40"])
def test_the_log_looks_as_accepted(
    size: tuple[int, int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, snap_compare: Any
) -> None:
    """A separate log with a stopped clock, since the sample's log carries the time of the test."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "loft.commission"
    journal = JobFile.create(path, clock=lambda: datetime(2026, 11, 20, 9, 30, tzinfo=UTC))
    readings = [
        ReadingEntered(
            round="as-found", step="levels", channel=channel, seat="A2", quantity="level", value=value, unit="dB"
        )
        for channel, value in (("FL", 76.5), ("FC", 67.0))
    ]
    journal.append((JobCreated(title="Loft", program_version="0"), *readings))
    journal.append((Noted(step="levels", round="as-found", text="meter at arm's length, [b]not markup[/b] " * 3),))
    journal.append((Withdrawn(seq=3, reason="typing error"), RoundOpened(round="as-left")))
    journal.close()

    async def walk(pilot: Any) -> None:
        await settle(pilot)
        await press(pilot, "l")

    app = CommissionApp(LocalServices(tmp_path / "state"), path, keys=tmp_path / "no-keys.toml")
    assert snap_compare(app, run_before=walk, terminal_size=size)
