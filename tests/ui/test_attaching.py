"""Photographs attached from a step's screen: refusals, the count on the screen, and withdrawal in the log."""

import pytest
from PIL import Image
from test_shell import footer_fits, settle, shown, to_step
from textual.widgets import Input

from commission.ui.screens.photograph import Attach
from commission.ui.screens.step import StepScreen


@pytest.fixture
def app(soft_app, tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    Image.new("RGB", (300, 200), (90, 60, 30)).save(tmp_path / "back wall.jpg")
    (tmp_path / "broken.jpg").write_bytes(b"no picture at all")
    return soft_app


def path_field(app):
    return app.screen.query_one("#photo-path", Input)


async def test_a_photograph_is_attached_by_path_with_caption_and_round(app):
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await to_step(pilot, "levels")
        await pilot.press("p")
        await settle(pilot)
        assert isinstance(app.screen, Attach)
        assert "Photograph to Levels" in shown(app)
        await pilot.press(*"~/back wall.jpg", "enter", *"behind [b]the[/b] screen", "enter")
        await settle(pilot)
        assert isinstance(app.screen, StepScreen)
        body = app.visit.job.photos[-1].body
        assert (body.step, body.round, body.caption) == ("levels", "as-found", "behind [b]the[/b] screen")
        assert app.visit.blob(body.file_sha256)[:2] == b"\xff\xd8"  # JPEG, ITU-T T.81 B.1.1.3: SOI
        assert "1 photograph" in shown(app).splitlines()[0]
        assert app.screen._results is not None
        remarks = str(app.screen._results._remarks.render())
        assert "Photograph: back wall.jpg, behind [b]the[/b] screen" in remarks
        assert footer_fits(app)
        await pilot.press("escape", "l")
        await settle(pilot)
        assert "photograph on levels: back wall.jpg, behind [b]the[/b] screen" in shown(app)
        await pilot.press("x", "enter")
        await settle(pilot)
        assert app.visit.job.photos == ()
        assert "(withdrawn)" in shown(app)
        await pilot.press("escape")
        await to_step(pilot, "levels")
        assert "photograph" not in shown(app).splitlines()[0]


async def test_a_refused_path_stays_in_its_field_with_the_reason(app):
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        before = len(app.visit.job.log)
        await to_step(pilot, "levels")
        await pilot.press("p", *"nowhere.jpg", "enter")
        await settle(pilot)
        assert "found “nowhere.jpg”" in shown(app)
        assert path_field(app).has_focus
        path_field(app).value = "broken.jpg"
        await pilot.press("enter", *"rack", "enter")
        await settle(pilot)
        assert isinstance(app.screen, Attach)
        assert "✗ broken.jpg: found" in shown(app)
        assert "expected a photograph as JPEG or PNG" in " ".join(shown(app).replace("│", " ").split())
        assert app.screen.query_one("#photo-caption", Input).value == "rack"
        assert path_field(app).has_focus  # the message concerns the picture, whatever its wording
        assert len(app.visit.job.log) == before
        path_field(app).value = "back wall.jpg"
        app.screen.query_one("#photo-round").focus()
        await pilot.press("end", "enter")
        await settle(pilot)
        body = app.visit.job.photos[-1].body
        assert (body.caption, body.round) == ("rack", None)


async def test_the_overview_asks_which_step_a_photograph_belongs_to(app):
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("p")
        await settle(pilot)
        assert "to which step?" in shown(app)
        await pilot.press("end", "enter")
        await settle(pilot)
        await pilot.press(*"back wall.jpg", "enter", "enter")
        await settle(pilot)
        assert [event.body.step for event in app.visit.job.photos] == ["handover"]
        await to_step(pilot, "site")
        await pilot.press("p", *"back wall.jpg", "enter", "enter")
        await settle(pilot)
        assert "1 photograph" in shown(app).splitlines()[0]
        assert footer_fits(app)


async def test_escape_attaches_nothing_and_a_step_counts_and_shows_its_notes(app):
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        before = len(app.visit.job.log)
        await to_step(pilot, "levels")
        await pilot.press("p", *"back wall.jpg", "escape")
        await settle(pilot)
        assert isinstance(app.screen, StepScreen)
        assert len(app.visit.job.log) == before
        await pilot.press("n", *"door open", "enter")
        await settle(pilot)
        await pilot.press("n", *"fridge on", "enter")
        await settle(pilot)
        text = shown(app)
        assert "2 notes" in text.splitlines()[0]
        assert "Note: door open" in text and "Note: fridge on" in text
