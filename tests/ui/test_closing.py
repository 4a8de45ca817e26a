"""The end of a visit: the remaining tasks, and the record written from the last step and verified against the job."""

import json
from dataclasses import replace
from typing import Any

import pytest
from builders import CREATED, cinema
from memory_journal import MemoryJournal
from stand_ins import app_of, settle
from test_returning import begun, shown
from test_shell import to_step
from textual.widgets import Input, Static

from commission.cli.local_services import LocalServices
from commission.model import AS_LEFT, ReadingEntered, RoundOpened, Setting, SettingEntered, Signed
from commission.ui.screens.handover import left_to_do
from commission.ui.screens.record import CheckResults, WriteRecord


@pytest.fixture
def services(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    services = LocalServices(tmp_path / "state")
    services.create(tmp_path / "soft", cinema(["FL", "FC", "FR"])).close()
    return services


def usual(binding, key):
    return key


def left(app):
    visit = app.visit
    titles = {each.id: each.title for each in visit.steps}
    return left_to_do(
        visit.job,
        visit.outcomes(AS_LEFT),
        visit.finding_histories(AS_LEFT),
        visit.unexplained(AS_LEFT),
        titles,
        AS_LEFT,
        usual,
    )


def test_remaining_tasks_are_listed_until_done():
    held = [Setting(round=name, channel="FL", trim_db=trim) for name, trim in (("as-found", 0.0), (AS_LEFT, -1.5))]
    reading: dict[str, Any] = {
        "step": "levels",
        "channel": "FL",
        "seat": "A2",
        "quantity": "level",
        "value": 76.5,
        "unit": "dB",
    }
    app = app_of(SettingEntered(setting=held[0]), ReadingEntered(round="as-found", **reading))
    app.get_default_screen()
    printed = "\n".join(left(app))
    assert "Nothing is measured as left: r begins that round" in printed
    app.visit.append(RoundOpened(round=AS_LEFT), SettingEntered(setting=held[1]))
    printed = "\n".join(left(app))
    for part in (
        "Levels 0 of",
        "Not ticked as applied: FL (s",
        "Levels were not read again as left: FL",
        "The technician has not signed (g)",
        "The client has not signed (g)",
    ):
        assert part in printed, printed
    app.visit.append(SettingEntered(setting=held[1], applied=True), ReadingEntered(round=AS_LEFT, **reading))
    app.visit.append(Signed(role="technician", name="T"))
    printed = "\n".join(left(app))
    for part in ("as applied", "not read again", "technician"):
        assert part not in printed, printed
    app.visit.append(ReadingEntered(round=AS_LEFT, **reading))
    assert "Events were logged after the technician signed: sign again (g)." in left(app)


async def test_the_last_step_lists_remaining_tasks_with_their_keys():
    app = app_of(journal=MemoryJournal(CREATED))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await to_step(pilot, "handover")
        text = shown(app)
        for part in ("Before it is handed over:", "g Sign", "w Write record", "k Check record"):
            assert part in text, text


async def test_a_record_is_written_and_confirmed(services, tmp_path):
    app = begun(services, tmp_path, tmp_path / "soft.commission")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await to_step(pilot, "handover")
        await pilot.press("w")
        await settle(pilot)
        dialog = app.screen
        assert isinstance(dialog, WriteRecord)
        dialog.query_one("#record-file", Input).value = "soft.html"
        dialog.query_one("#record-letterhead", Input).value = "nowhere.toml"
        await pilot.press("enter")
        await pilot.pause()
        assert "nowhere.toml" in str(dialog.query_one("#refusal", Static).content)
        assert not (tmp_path / "soft.html").exists()
        dialog.query_one("#record-letterhead", Input).value = ""
        await pilot.press("enter")
        await settle(pilot)
        assert '<html lang="en"' in (tmp_path / "soft.html").read_text(encoding="utf-8")
        await pilot.press("k")
        await settle(pilot)
        assert app.screen.query_one(Input).value == "soft.html"
        await pilot.press("enter")
        await settle(pilot)
        assert isinstance(app.screen, CheckResults)
        assert "✓ This record is confirmed." in shown(app)


async def test_a_record_of_other_numbers_is_not_confirmed(services, tmp_path):
    app = begun(services, tmp_path, tmp_path / "soft.commission")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        services.export(app.visit, tmp_path / "soft.json")
        forged = json.loads((tmp_path / "soft.json").read_text(encoding="utf-8"))
        forged["results"]["job"]["title"] = "another"
        (tmp_path / "soft.json").write_text(json.dumps(forged), encoding="utf-8")
        app.action_check_record()
        await settle(pilot)
        app.screen.query_one(Input).value = "soft.json"
        await pilot.press("enter")
        await settle(pilot)
        assert "✗ This record does not match the job." in shown(app)
        await pilot.press("escape")
        assert not isinstance(app.screen, CheckResults)


def test_imperial_jobs_default_to_us_letter_and_a_firm_to_its_letterhead(monkeypatch):
    app = app_of(system=replace(cinema(), units="imperial"))
    app.get_default_screen()
    monkeypatch.setattr(app.services, "letterhead", app.visit.path.with_name("letterhead.toml"))
    asked: list[Any] = []
    monkeypatch.setattr(app, "push_screen", lambda screen, then: asked.append(screen))
    app.action_export()
    assert asked[0]._wanted.paper == "us-letter"
    assert asked[0]._wanted.letterhead == "letterhead.toml"


async def test_a_signature_needs_a_name_and_the_missing_signatory_is_proposed():
    app = app_of(system=replace(cinema(), technician="", client="the owner"))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await to_step(pilot, "handover")
        await pilot.press("g", "enter", "enter")
        await pilot.pause()
        assert "the name of the person who signs" in " ".join(shown(app).replace("│", " ").split())
        assert not app.visit.job.signatures
        await pilot.press("T", "enter")
        await settle(pilot)
        await pilot.press("g", "enter", "enter")
        await settle(pilot)
        signed = [event.body for event in app.visit.job.signatures if isinstance(event.body, Signed)]
        assert [(body.role, body.name) for body in signed] == [
            ("technician", "T"),
            ("client", "the owner"),
        ]
