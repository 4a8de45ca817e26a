"""A job file that another program overwrites while it is open: the screens notice, say so and take no more entries."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Any

import pytest
from builders import cinema, levels
from stand_ins import screen_text, settle

from commission.cli.local_services import LocalServices
from commission.ui import background
from commission.ui.app import CommissionApp
from commission.ui.screens.overview import Overview
from commission.ui.screens.step import StepScreen

HEADLINE = "job file changed or gone: takes no entries"


@pytest.fixture
def app(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> CommissionApp:
    """The program on its own job, checking the file often; an older copy of the file is beside it."""
    monkeypatch.setattr(background, "FILE_CHECK_S", 0.05)
    services = LocalServices(tmp_path / "state")
    visit = services.create(tmp_path / "job", cinema(["FL", "FC"], ["A1", "A2"]))
    shutil.copy(visit.path, tmp_path / "older")
    visit.append(*levels({"FL": 75.0, "FC": 76.0}))
    visit.close()
    return CommissionApp(services, visit.path, keys=tmp_path / "no-keys.toml")


async def text_with(pilot: Any, part: str, *, present: bool = True) -> str:
    """The text of the screen once `part` has appeared, or disappeared; after 5 s at the latest."""
    for _ in range(100):
        await settle(pilot)
        if (part in screen_text(pilot.app)) == present:
            break
        await pilot.pause(0.05)
    return screen_text(pilot.app)


@pytest.mark.parametrize("how", ["copied over", "replaced", "emptied", "with its old times"])
async def test_an_overwritten_job_is_noticed_without_an_entry(app: CommissionApp, tmp_path: Path, how: str) -> None:
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        path = app.visit.path
        before, status = screen_text(app), path.stat()
        if how == "emptied":
            os.truncate(path, 0)
        elif how == "replaced":
            os.replace(tmp_path / "older", path)
        else:
            shutil.copyfile(tmp_path / "older", path)
            if how == "with its old times":
                os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
        text = await text_with(pilot, HEADLINE)
        assert HEADLINE in text.splitlines()[0]
        assert "was changed by another program while it was open here: no more entries are stored." in " ".join(
            text.split()
        )
        assert HEADLINE not in before
        events = app.visit.job.log
        app.open_step("levels")
        await settle(pilot)
        assert isinstance(app.screen, StepScreen)
        assert HEADLINE in screen_text(app)
        await pilot.press(*"74.0", "enter")
        await settle(pilot)
        assert "✗" in screen_text(app)
        assert app.visit.job.log == events
        await pilot.press("escape", "escape")
        await settle(pilot)
        assert isinstance(app.screen, Overview)
        assert app.is_running


async def test_a_restored_job_file_accepts_entries_again(app: CommissionApp, tmp_path: Path) -> None:
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        app.visit.path.rename(tmp_path / "elsewhere")
        assert "is gone" in await text_with(pilot, "is gone")
        (tmp_path / "elsewhere").rename(app.visit.path)
        assert HEADLINE not in await text_with(pilot, HEADLINE, present=False)
        count = len(app.visit.job.log)
        app.open_step("levels")
        await settle(pilot)
        await pilot.press(*"74.0", "enter")
        await settle(pilot)
        assert len(app.visit.job.log) == count + 1


async def test_results_are_not_shown_before_the_file_is_checked(
    app: CommissionApp, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(background, "FILE_CHECK_S", 3600.0)
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        shutil.copyfile(tmp_path / "older", app.visit.path)
        app.compute()
        await settle(pilot)
        assert HEADLINE in screen_text(app)
