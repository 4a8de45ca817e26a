"""The program driven by keyboard alone, at 80x24 and at 120x40, on the sample job."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from builders import cinema, levels
from stand_ins import screen_text as shown
from textual import events
from textual.pilot import Pilot
from textual.widgets import Input, Static

from commission.cli.local_services import LocalServices
from commission.model import Noted, Room, SettingEntered, SheetIssued, System
from commission.ui.app import CommissionApp
from commission.ui.keys import load_keys
from commission.ui.screens.findings import Findings
from commission.ui.screens.help import Help
from commission.ui.screens.imports import Imports
from commission.ui.screens.log import Log
from commission.ui.screens.overview import Overview
from commission.ui.screens.sheet import Sheet
from commission.ui.screens.site import SiteForm
from commission.ui.screens.start import Start
from commission.ui.screens.step import StepScreen
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.picker import Picker

ROOT = Path(__file__).resolve().parents[2]
SIZES = [(80, 24), (120, 40)]
both_sizes = pytest.mark.parametrize("size", SIZES, ids=["80x24", "120x40"])


async def settle(pilot: Pilot[Any]) -> None:
    """Wait until all computing has ended."""
    await pilot.pause()
    for _ in range(200):
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()
        if not any(w.is_running for w in pilot.app.workers):
            return


async def to_step(pilot: Pilot[Any], step_id: str) -> None:
    """Choose a step in the list of the overview, whatever its number."""
    pilot.app.screen.query_one("#step-list", Picker).select(step_id)
    await pilot.press("enter")
    await settle(pilot)


def footer_fits(app: CommissionApp) -> bool:
    """The footer shows at most six keys, all within the width."""
    keys = app.screen.query_one(KeyLine).keys
    return 0 < len(keys) <= 6 and sum(key.cells for key in keys) <= app.size.width


@both_sizes
async def test_the_overview_says_what_is_wrong_and_what_to_do(app: CommissionApp, size: tuple[int, int]) -> None:
    async with app.run_test(size=size) as pilot:
        await settle(pilot)
        text = shown(app)
        for word in (
            "Harbour Lane cinema",
            "as found",
            "13 channels · 6 seats",
            "Levels",
            "13/13",
            "✗",
            "fail",
            "FR reversed; no treble from SiL",
            "✗ TpBL and TpBR 0.3 m ahead of the back row's ears",  # open findings come first
            "Findings: room 2 open, 8 no longer found",
            # below the last line of a small terminal
            *(["✓ BL and BR swapped"] if size[1] >= 40 else []),
            "164 responses",
            "Next",
        ):
            assert word in text, word
        assert "look at the newest round, as left" in text.splitlines()[-2]
        assert footer_fits(app)
        await pilot.press("n")
        await settle(pilot)
        assert app.round_id == "as-left"
        await pilot.press("n")
        await settle(pilot)
        assert isinstance(app.screen, StepScreen)
        assert app.screen.step.id == app.advice.step  # type: ignore[union-attr]


async def footers_fit(app: CommissionApp, pilot: Pilot[Any], *keys: str) -> bool:
    """The footer fits at both sizes, before and after these keys. The window keeps the second size."""
    fits = []
    for size in SIZES if app.size == SIZES[0] else SIZES[::-1]:
        await pilot.resize_terminal(*size)
        for key in ("", *keys):
            await pilot.press(*([key] if key else []))
            await settle(pilot)
            fits.append(footer_fits(app))
    return all(fits)


async def test_every_screen_opens_by_keyboard_and_escape_returns(app: CommissionApp) -> None:
    async with app.run_test(size=SIZES[0]) as pilot:
        await settle(pilot)
        for number, step in enumerate(app.visit.steps, start=1):
            if number <= 10:
                await pilot.press(str(number % 10))
                await settle(pilot)
            else:
                await to_step(pilot, step.id)
            assert isinstance(app.screen, SiteForm if step.entry == "form" else StepScreen), step.id
            assert f"{number} {step.title}" in shown(app)
            assert await footers_fit(app, pilot, *([] if step.entry == "form" else ["v"])), step.id
            await pilot.press("question_mark")
            await settle(pilot)
            assert isinstance(app.screen, Help)
            await pilot.press("escape")
            await pilot.press("escape")
            await settle(pilot)
            assert isinstance(app.screen, Overview)
        for key, screen, word in (
            ("s", Sheet, "→"),
            ("l", Log, "digest"),
            ("f", Findings, "Evidence"),
            ("i", Imports, "Path"),
        ):
            await pilot.press(key)
            await settle(pilot)
            assert isinstance(app.screen, screen)
            assert word in shown(app)
            assert await footers_fit(app, pilot)
            await pilot.press("escape")
            await settle(pilot)
        assert isinstance(app.screen, Overview)


async def test_ticking_the_sheet_enters_the_log_as_applied(soft_app: CommissionApp) -> None:
    async with soft_app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        before = len(soft_app.visit.job.log)
        await pilot.press("s")
        await settle(pilot)
        await pilot.press("space")
        await settle(pilot)
        entered = [type(event.body) for event in soft_app.visit.job.log[before:]]
        assert entered == [SheetIssued, SettingEntered], "the first tick keeps what the sheet predicts"
        assert ("as-left", "FL") in soft_app.visit.job.applied
        assert "applied" in shown(soft_app)


async def test_after_a_change_of_round_the_repair_shows(app: CommissionApp) -> None:
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await pilot.press("r", "down", "enter")
        await settle(pilot)
        assert app.round_id == "as-left"
        text = shown(app)
        assert "as left" in text
        # Earlier findings stay, with their present state; open ones come from this round.
        reversed_line = next(line for line in text.splitlines() if "FR reversed" in line)
        assert "✓" in reversed_line
        assert "no longer found" in reversed_line
        assert "✗ NC 29 with ventilation high" in text


async def test_an_entry_is_withdrawn_in_the_log(soft_app: CommissionApp) -> None:
    async with soft_app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        soft_app.visit.append(Noted(step="site", text="a mistake [bold]not markup[/bold]"))
        await pilot.press("l")
        await settle(pilot)
        assert "[bold]not markup[/bold]" in shown(soft_app)
        await pilot.press("end", "x")
        await pilot.pause()
        await pilot.press(*"typo", "enter")
        await settle(pilot)
        assert soft_app.visit.job.notes == ()
        assert "(withdrawn)" in shown(soft_app)
        await pilot.press("v")
        await settle(pilot)
        assert soft_app.visit.verify() is None


async def test_the_site_form_stores_one_event_per_edit_and_refuses_nonsense(soft_app: CommissionApp) -> None:
    async with soft_app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await to_step(pilot, "site")
        before = len(soft_app.visit.job.log)
        form = soft_app.screen
        assert isinstance(form, SiteForm)
        picker = form.query_one("#fields")
        picker.select("room.length_m")  # type: ignore[attr-defined]
        await pilot.press("enter")
        await pilot.pause()
        soft_app.screen.query_one(Input).value = "21 elephants"
        await pilot.press("enter")
        await pilot.pause()
        assert "found “21 elephants”" in shown(soft_app)
        assert len(soft_app.visit.job.log) == before
        soft_app.screen.query_one(Input).value = "21' 6\""
        await pilot.press("enter")
        await settle(pilot)
        assert len(soft_app.visit.job.log) == before + 1
        room = soft_app.visit.job.system.room
        assert room is not None
        assert room.length_m == pytest.approx(21.5 * 0.3048)


async def test_importing_shows_the_mapping_before_anything_is_stored(soft_app: CommissionApp, tmp_path: Path) -> None:
    folder = tmp_path / "files"
    folder.mkdir()
    shutil.copy(ROOT / "sample_measurements" / "as-left" / "A1_FL.flac", folder / "take one FL.flac")
    (folder / "A1_FC.wav").write_bytes(b"RIFF nothing")
    async with soft_app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        before = len(soft_app.visit.job.log)
        await pilot.press("i")
        await settle(pilot)
        soft_app.screen.query_one("#path", Input).value = str(folder)
        await pilot.press("enter")
        await settle(pilot)
        text = shown(soft_app)
        assert "0 in order, 2 with a problem" in text
        assert "take one FL.flac" in text
        assert len(soft_app.visit.job.log) == before
        await pilot.press("down", "a")
        await pilot.pause()
        await pilot.press("end", "enter")
        await settle(pilot)
        assert "1 in order" in shown(soft_app)
        await pilot.press("w")
        await settle(pilot)
        assert len(soft_app.visit.job.log) == before + 1
        stored = soft_app.visit.job.responses[-1].body
        assert (stored.channel, stored.seat, stored.round) == ("FL", "B3", "as-found")
        assert "1 file left out" in shown(soft_app)


async def test_a_new_job_is_made_from_scratch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    app = CommissionApp(LocalServices(tmp_path / "state"), None, keys=tmp_path / "none.toml")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert isinstance(app.screen, Start)
        await pilot.press("enter")
        await pilot.pause()
        await pilot.press(*"Loft", "enter")
        await settle(pilot)
        assert isinstance(app.screen, Overview)
        assert (tmp_path / "loft.commission").is_file()
        assert "Fill in" in shown(app)
        await pilot.press("n")
        await settle(pilot)
        await pilot.press("a")
        await pilot.pause()
        await pilot.press("enter")
        await pilot.pause()
        await pilot.press("A", "1", "enter")
        await settle(pilot)
        assert [s.id for s in app.visit.job.system.seats] == ["A1"]


async def test_a_hostile_title_is_shown_as_plain_text(tmp_path: Path) -> None:
    services = LocalServices(tmp_path / "state")
    services.create(tmp_path / "x", System(title="[red]loud[/red] [@click=app.quit]x[/] \x1b[31m")).close()
    app = CommissionApp(services, tmp_path / "x.commission", keys=tmp_path / "none.toml")
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        assert "[red]loud[/red] [@click=app.quit]x[/]" in shown(app)
        assert "\x1b" not in shown(app)


async def test_a_job_in_use_is_refused_and_the_program_goes_on(app: CommissionApp, tmp_path: Path) -> None:
    held = LocalServices(tmp_path / "other").open(tmp_path / "harbour-lane.commission")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert isinstance(app.screen, Start)
        assert any("in use by another program" in n.message for n in app._notifications)
    held.close()


def test_custom_keys_are_read_from_a_file(tmp_path: Path) -> None:
    keys = tmp_path / "keys.toml"
    assert load_keys(keys) == ({}, None)
    keys.write_text('"overview.sheet" = "p"\n')
    assert load_keys(keys) == ({"overview.sheet": "p"}, None)
    for text in ('"a" = 3', "nonsense"):
        keys.write_text(text)
        found, problem = load_keys(keys)
        assert found == {}
        assert problem is not None
        assert "keys.toml" in problem


async def test_a_rebound_key_works(soft_app: CommissionApp, tmp_path: Path) -> None:
    (tmp_path / "no-keys.toml").write_text('"overview.sheet" = "p"\n')
    async with soft_app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("p")
        await settle(pilot)
        assert isinstance(soft_app.screen, Sheet)


async def test_a_common_offset_is_offered_when_a_channel_is_out_of_range(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    services = LocalServices(tmp_path / "state")
    system = cinema(["FL", "FC", "FR"])
    visit = services.create(tmp_path / "soft", system)
    visit.append(*levels({"FL": 76.0, "FC": 75.0, "FR": 60.0}))
    visit.close()
    app = CommissionApp(services, tmp_path / "soft.commission", keys=tmp_path / "none.toml")
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await to_step(pilot, "levels")
        assert "FR cannot reach" in shown(app)
        assert footer_fits(app)
        await pilot.press("c", "down", "enter")
        await settle(pilot)
        assert app.visit.job.decisions == {("as-found", "levels", "common_offset"): "-3.00"}
        assert "A common offset of -3.0 dB was chosen" in shown(app).replace("−", "-")
        assert "FR cannot reach" not in shown(app)


async def test_the_choices_of_clock_and_delays_state_their_consequences(
    soft_app: CommissionApp, tmp_path: Path
) -> None:
    folder = tmp_path / "files" / "as-left"
    folder.mkdir(parents=True)
    for name in ("A1_FL.flac", "A1_FC.flac"):
        shutil.copy(ROOT / "sample_measurements" / "as-left" / name, folder / name.replace("A1", "A2"))
    async with soft_app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("i")
        await settle(pilot)
        assert "Site form: passed" in shown(soft_app)
        await pilot.press(*str(folder.parent), "enter")
        await settle(pilot)
        assert {row.round for row in soft_app.screen.rows} == {"as-left"}  # type: ignore[attr-defined]
        await pilot.press("t", "down", "enter")
        await settle(pilot)
        assert "arrivals are not checked" in shown(soft_app)
        await pilot.press("l", "end", "enter")
        await settle(pilot)
        assert "not the delays" in shown(soft_app)
        await pilot.press("o", "home", "enter")
        await pilot.pause()
        assert "for which files?" in shown(soft_app)
        await pilot.press("end", "enter")
        await settle(pilot)
        assert {row.round for row in soft_app.screen.rows} == {"as-found"}  # type: ignore[attr-defined]
        await pilot.press("w")
        await settle(pilot)
        stored = [response.body for response in soft_app.visit.job.responses[-2:]]
        assert [(body.round, body.clock, body.passes_delays) for body in stored] == [("as-found", None, False)] * 2


async def test_layout_opens_on_the_places_and_the_round_changes_within_a_step(app: CommissionApp) -> None:
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await to_step(pilot, "layout")
        assert "▸   Ears" in shown(app)
        await pilot.press("escape")
        await to_step(pilot, "levels")
        assert "r Round" in shown(app)
        await pilot.press("r", "end", "up", "enter")
        await settle(pilot)
        assert app.round_id == "as-left"
        assert "as left" in shown(app).splitlines()[0]


async def test_the_form_opens_on_its_first_gap_and_a_digit_starts_editing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    services = LocalServices(tmp_path / "state")
    services.create(tmp_path / "bare", System(title="Bare")).close()
    app = CommissionApp(services, tmp_path / "bare.commission", keys=tmp_path / "no-keys.toml")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("n")
        await settle(pilot)
        assert app.screen.query_one("#fields", Picker).key == "room.size"
        await pilot.press("6", *"; 4.7; 2.6", "enter")
        await settle(pilot)
        assert app.visit.job.system.room == Room(length_m=6.0, width_m=4.7, height_m=2.6)
        assert "missing: at least one seat · a adds it" in shown(app)
        await pilot.press("a", "enter", *"A1 A2", "enter")
        await settle(pilot)
        assert [seat.id for seat in app.visit.job.system.seats] == ["A1", "A2"]
        assert app.screen.query_one("#fields", Picker).key == "seats.0.name"
        await pilot.press("down", "enter", *"0; 3; 1.1", "enter")
        await settle(pilot)
        assert app.screen.query_one("#fields", Picker).key == "seats.0.weight"  # Enter goes down
        for character in "0.75":  # pressed before the question appears: all keys at once
            app.post_message(events.Key(character, character))
        await settle(pilot)
        assert app.screen.query_one(Input).value == "0.75"
        await pilot.press("enter")
        await settle(pilot)
        assert app.visit.job.system.seats[0].weight == 0.75
        app.screen.query_one("#fields", Picker).select("seats.0.position")
        for key in ("down", "enter", *"1.25"):  # replaces the present value, and Enter is not overtaken by it
            app.post_message(events.Key(key, key if len(key) == 1 else None))
        await settle(pilot)
        assert app.screen.query_one(Input).value == "1.25"
        assert "A1: Weight" in shown(app)
        assert str(app.screen.query_one("#refusal", Static).content) == ""
        await pilot.press("escape")
        await settle(pilot)
        assert isinstance(app.screen, SiteForm)
