"""A return visit from the first screen, and the record written from the program."""

import datetime as dt
import json
import sys
import threading
import time

import pytest
from builders import cinema
from stand_ins import StandInServices, app_of, settle
from test_shell import shown, to_step
from textual.widgets import Input

from commission.cli.local_services import LocalServices
from commission.model import CommissionError
from commission.steps.drift.visits import Visits
from commission.ui.app import CommissionApp
from commission.ui.screens.overview import Overview
from commission.ui.screens.return_visit import suggested
from commission.ui.screens.start import Start

YEAR = dt.date.today().year


@pytest.fixture
def services(soft):
    return soft


def begun(services, tmp_path, path=None):
    return CommissionApp(services, path, keys=tmp_path / "none.toml")


async def choose(pilot, key):
    pilot.app.screen.query_one("Picker").select(key)
    await pilot.press("enter")
    await settle(pilot)


async def test_a_return_visit_begins_from_a_recent_job(services, tmp_path):
    app = begun(services, tmp_path)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert "Return to an earlier job" in shown(app)
        await choose(pilot, "return")
        assert "Return to which job?" in shown(app) and "soft" in shown(app)
        await pilot.press("enter")
        await settle(pilot)
        assert app.screen.query_one(Input).value == f"soft-{YEAR}"
        await pilot.press("enter")
        await settle(pilot)
        assert isinstance(app.screen, Overview)
        assert app.visit.path == tmp_path / f"soft-{YEAR}.commission"
        assert app.visit.job.earlier is not None and app.visit.job.earlier.file_name == "soft.commission"
        assert "Since last time" in shown(app)
        await to_step(pilot, "drift")
        assert "Since last time" in shown(app).splitlines()[0]


async def test_a_return_visit_begins_by_path_from_within_another_job(services, tmp_path):
    (tmp_path / "other.commission").write_bytes((tmp_path / "soft.commission").read_bytes())
    app = begun(services, tmp_path, tmp_path / "soft.commission")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("colon", *"return", "enter")
        await settle(pilot)
        await pilot.press("end", "enter")
        await settle(pilot)
        await pilot.press(*"missing.commission", "enter")
        await settle(pilot)
        assert "which is not a file" in shown(app)
        app.screen.query_one(Input).value = "other.commission"
        await pilot.press("enter")
        await settle(pilot)
        app.screen.query_one(Input).value = "soft"
        await pilot.press("enter")
        await settle(pilot)
        assert "exists already" in shown(app)
        app.screen.query_one(Input).value = "again"
        await pilot.press("enter")
        await settle(pilot)
        assert app.visit.path.name == "again.commission"
        assert app.visit.job.earlier.file_name == "other.commission"


async def test_a_return_to_a_visit_without_measurements_says_so(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    services = LocalServices(tmp_path / "state")
    services.create(tmp_path / "bare", cinema(["FL"])).close()
    app = begun(services, tmp_path)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await choose(pilot, "return")
        await pilot.press("enter")
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        assert isinstance(app.screen, Overview)
        assert any("nothing can be compared" in notice.message for notice in app._notifications)


async def test_todays_temperature_is_noted_even_when_unchanged(services, tmp_path):
    """Otherwise the log would not show whether it was read today or copied."""
    visit = services.create_return(tmp_path / "again", tmp_path / "soft.commission")
    before = len(visit.job.log)
    visit.close()
    app = begun(services, tmp_path, tmp_path / "again.commission")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await to_step(pilot, "site")
        app.screen.query_one("#fields").select("temperature_c")
        await pilot.press("enter")
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        job = app.visit.job
        assert len(job.log) == before + 1
        assert job.system.temperature_c == cinema().temperature_c
        found = Visits.of(job, "as-found")
        assert found is not None and found.temperature_noted


async def test_a_broken_job_is_refused_and_no_file_is_made(services, tmp_path):
    path = tmp_path / "soft.commission"
    data = path.read_bytes()
    path.write_bytes(data.replace(b"76.0", b"71.0", 1))
    assert path.read_bytes() != data
    app = begun(services, tmp_path)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await choose(pilot, "return")
        await pilot.press("enter", "enter")
        await settle(pilot)
        assert isinstance(app.screen, Start)
        assert any("log is broken" in notice.message for notice in app._notifications)
        assert [each.name for each in tmp_path.glob("*.commission")] == ["soft.commission"]


def test_the_suggested_name_contains_the_year_and_no_existing_file(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert suggested(tmp_path / "loft.commission", 2027) == "loft-2027"
    assert suggested(tmp_path / "loft-2026.commission", 2027) == "loft-2027"
    (tmp_path / "loft-2027.commission").write_bytes(b"")
    assert suggested(tmp_path / "loft.commission", 2027) == "loft-2027-2"
    assert suggested(tmp_path / "loft-2027-2.commission", 2028) == "loft-2028"


# --- the record ---------------------------------------------------------------------------------------------------


async def test_the_extension_decides_the_format_of_the_record(services, tmp_path):
    app = begun(services, tmp_path, tmp_path / "soft.commission")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("colon", *"write the", "enter")
        await settle(pilot)
        text = shown(app)
        for word in (".pdf", ".html", ".json", ".csv", ".sofa"):
            assert word in text, word
        field = app.screen.query_one(Input)
        assert field.value == "soft-record.pdf"
        for wrong, printed in (("soft.doc", "the ending “.doc”"), ("none/soft.pdf", "expected an existing")):
            field.value = wrong
            await pilot.press("enter")
            await pilot.pause()
            assert printed in " ".join(shown(app).replace("│", " ").split())
        field.value = "soft.json"
        await pilot.press("enter")
        await settle(pilot)
        written = json.loads((tmp_path / "soft.json").read_text(encoding="utf-8"))
        assert written["results"]["job"]["title"] == app.visit.job.system.title
        assert any("as JSON" in notice.message for notice in app._notifications)


async def test_an_existing_file_is_replaced_only_after_a_warning(services, tmp_path):
    old = tmp_path / "soft-record.csv"
    old.write_text("signed by hand")
    app = begun(services, tmp_path, tmp_path / "soft.commission")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        for answer in ("enter", "down"):
            app.action_export()
            await settle(pilot)
            app.screen.query_one(Input).value = old.name
            await pilot.press("enter")
            await settle(pilot)
            assert "exists already" in shown(app)
            if answer == "enter":
                await pilot.press("enter")
                await settle(pilot)
                assert old.read_text() == "signed by hand"
                await pilot.press("escape")
            else:
                await pilot.press("down", "enter")
                await settle(pilot)
        assert "levels.match" in old.read_text(encoding="utf-8")


async def test_without_the_drawing_library_the_message_says_what_to_use(services, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "typst", None)
    app = begun(services, tmp_path, tmp_path / "soft.commission")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.action_export()
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        printed = shown(app)
        assert ".html" in printed.partition("✗")[2], (
            printed
        )  # beside the request, which stays so that it can be changed
        assert not (tmp_path / "soft-record.pdf").exists()


class SlowRecord(StandInServices):
    """Writes until it is stopped."""

    began = threading.Event()

    def export(self, visit, target, *, progress=None, **wanted):
        while True:
            self.began.set()
            progress(0.5, "drawing its pages")
            time.sleep(0.01)


async def test_escape_stops_the_writing(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    app = app_of()
    app.services = SlowRecord(app.services.visit)  # type: ignore[attr-defined]
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.action_export()
        await pilot.pause()
        await pilot.press("enter")
        while not SlowRecord.began.wait(0.01):
            await pilot.pause()
        for _ in range(50):
            await pilot.pause()
            if "drawing its pages" in shown(app):
                break
        assert "drawing its pages" in shown(app)
        await pilot.press("escape")
        await settle(pilot)
        assert isinstance(app.screen, Overview)
        assert app.working == ""
        assert any("Stopped" in notice.message for notice in app._notifications)
        assert list(tmp_path.iterdir()) == []


async def test_refusals_and_notices_are_clean_text():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.refuse("loft\x1b[31m.pdf cannot be written")
        app.say("loft\x07.pdf written")
        await pilot.pause()
        assert [n.message for n in app._notifications] == ["loft[31m.pdf cannot be written", "loft.pdf written"]
        app._run_job(lambda cancel, progress: fail(), lambda result: None, app.refuse)
        await settle(pilot)
        assert any(n.message == "a[1mb" for n in app._notifications)


def fail():
    raise CommissionError("a\x1b[1mb")
