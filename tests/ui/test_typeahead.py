"""Keys that arrive in one burst: each goes to the screen or dialog that the keys before it have opened."""

from __future__ import annotations

import random
import time
from typing import Any

import idle_screens
import pytest
from builders import cinema, levels, setting
from stand_ins import app_of, screen_text, settle
from textual import events
from textual.widgets import Input, Static

from commission.model import Noted, SettingEntered
from commission.model.plausible import LONGEST_TEXT
from commission.ui.app import CommissionApp
from commission.ui.screens.dialogs import AskText
from commission.ui.screens.overview import Overview
from commission.ui.screens.site import SiteForm
from commission.ui.typeahead import PaintedOnce

NAMES = {":": "colon", ";": "semicolon", " ": "space", "?": "question_mark", ".": "full_stop", "'": "apostrophe"}

COMPLETE = tuple(setting(each.id, trim_db=0.0, distance=3.0) for each in cinema().channels)


def burst(app: CommissionApp, *keys: str) -> None:
    """All keys at once, as a terminal delivers them; text after "=" is typed letter by letter: "=Z9"."""
    for key in keys:
        for one in key[1:] if key.startswith("=") else [key]:
            app.post_message(events.Key(NAMES.get(one, one), one if len(one) == 1 else None))


async def after(pilot: Any, *keys: str) -> None:
    """Send a burst of keys and wait for all its effects."""
    burst(pilot.app, *keys)
    await pilot.pause()
    while pilot.app.handling_key:
        await pilot.pause(0.01)
    await settle(pilot)


async def test_a_burst_of_keys_adds_a_seat_and_renames_nothing() -> None:
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "1")
        await after(pilot, "a", "enter", "=Z9", "enter")
        system = app.visit.job.system
        assert system.title == cinema().title
        assert [seat.id for seat in system.seats][-1] == "Z9"
        assert isinstance(app.screen, SiteForm)


@pytest.mark.parametrize(("settings", "apart_s"), [((), 0.2), (COMPLETE, 0.0)], ids=["first trim", "title"])
async def test_typing_ten_for_the_tenth_step_edits_nothing(
    settings: tuple[SettingEntered, ...], apart_s: float
) -> None:
    """The form opens on the first missing trim, or on the title when nothing is missing."""
    app = app_of(*settings)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        events_before = len(app.visit.job.log)
        for part in [["1"], ["0"]] if apart_s else [["1", "0"]]:
            await after(pilot, *part)
            await pilot.pause(apart_s)
        assert "arrows select another field" in screen_text(app)
        await after(pilot, "enter")
        assert "arrows select another field" not in screen_text(app)
        assert isinstance(app.focused, Input)
        assert app.focused.value == (cinema().title if settings else "")
        await after(pilot, "enter")
        assert len(app.visit.job.log) == events_before
        await after(pilot, "up", "=4")
        assert isinstance(app.focused, Input) and app.focused.value == "4"  # chosen with an arrow
        assert not settings or f"replaces {cinema().title}" in screen_text(app)


async def test_a_burst_of_keys_stores_a_note_from_the_overview() -> None:
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "3", "n", "=fan on; door open", "enter", "escape")
        notes = [event.body for event in app.visit.job.notes]
        assert [note.text for note in notes if isinstance(note, Noted)] == ["fan on; door open"]
        assert isinstance(app.screen, Overview)
        assert not app.visit.job.readings


async def test_text_pasted_after_the_key_that_opens_a_field_enters_it() -> None:
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "3")
        burst(app, "n")
        app.post_message(events.Paste("door open"))
        await after(pilot, "enter")
        assert [event.body.text for event in app.visit.job.notes if isinstance(event.body, Noted)] == ["door open"]


async def test_keys_after_the_one_that_opens_a_field_are_its_text() -> None:
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        events_before = len(app.visit.job.log)
        for opening, typed in (
            (("1", "a", "enter"), "Z9"),  # label of a seat
            (("3", "n"), "qnx1"),  # note
            (("1", "home", "enter"), "1q"),  # title
            (("3", "p"), "~/q.jpg"),  # photograph
            (("colon",), "qr"),  # everything
            (("i",), "q1r"),  # import
            (("s", "w"), "qw"),  # sheet
        ):
            await after(pilot, *opening, f"={typed}")
            assert isinstance(app.focused, Input), opening
            assert (opening, app.focused.value) == (opening, typed)
            assert len(app.visit.job.log) == events_before
            while not isinstance(app.screen, Overview):
                await after(pilot, "escape")


async def test_no_key_is_lost_with_views_that_are_removed_one_by_one() -> None:
    """This happens when another round has other results: the focus moves to the next view, which is then removed too."""
    app = app_of()
    async with app.run_test() as pilot:
        await settle(pilot)
        screen: PaintedOnce[None] = PaintedOnce()
        await app.push_screen(screen)
        views = [Input(), Input()]
        await screen.mount(*views)
        screen.set_focus(views[0])
        for view in views:
            view.remove()
        await pilot.pause()
        assert app.focused is None
        await after(pilot, ":")
        assert app.screen is not screen


async def test_a_slow_dialog_still_gets_its_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a slow machine a dialog takes longer than the wait after which a lost answer is asked for again."""
    compose = AskText.compose

    def slow(self: AskText) -> Any:
        time.sleep(0.5)
        return compose(self)

    monkeypatch.setattr(AskText, "compose", slow)
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "3", "n", "=Z9q", "enter")
        assert [event.body.text for event in app.visit.job.notes if isinstance(event.body, Noted)] == ["Z9q"]


async def test_pasted_text_too_long_for_a_note_stays_in_its_field() -> None:
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "3", "n")
        app.post_message(events.Paste("x" * (LONGEST_TEXT + 1)))
        await after(pilot, "enter")
        assert isinstance(app.screen, AskText) and isinstance(app.focused, Input)
        assert len(app.focused.value) == LONGEST_TEXT + 1
        assert "5,001 characters" in str(app.screen.query_one("#refusal", Static).render())
        assert not app.visit.job.notes


async def test_many_keys_at_once_are_handled_quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    """200 letters, like a path dropped on the terminal, take about 0.9 s of processor time; lost markers alone would take
    60 s.
    """
    monkeypatch.setattr(idle_screens, "AT_ONCE", True)
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await after(pilot, "i")
        began, computed = time.monotonic(), time.process_time()
        burst(app, "=" + "path" * 50)
        while not (isinstance(app.focused, Input) and len(app.focused.value) == 200):
            await pilot.pause(0.01)
            assert time.monotonic() - began < 20.0  # beside other work on the machine
        assert time.process_time() - computed < 3.0


LOOSE_KEYS = (
    *("1", "2", "3", "4", "5", "a", "d", "n", "p", "r", "u", "v", "c", "s", "f", "x", "tab", "colon", "space"),
    *("enter", "enter", "enter", "enter", "down", "up", "end", "home", "escape", "right_square_bracket", "backspace"),
    *("=11.4", "=Z9", "=76.5", "=lim"),
)
"""No number among them is unusual: a question about it would wait for a key typed after it was shown."""


@pytest.mark.parametrize("seed", range(2))
async def test_any_burst_has_the_same_effect_as_single_keys(seed: int) -> None:
    choose = random.Random(seed)
    keys = [choose.choice(LOOSE_KEYS) for _ in range(12)]
    found = []
    for slowly in (True, False):
        app = app_of(*levels({"FL": 76.0, "FC": 74.0}), system=cinema(units="imperial"))
        async with app.run_test(size=(80, 24)) as pilot:
            await settle(pilot)
            for part in [[key] for key in keys] if slowly else [keys]:
                await after(pilot, *part)
            log = [event.body for event in app.visit.job.log]
            field = app.focused.value if isinstance(app.focused, Input) else None
            found.append((log, [type(screen) for screen in app.screen_stack], field))
    assert found[0] == found[1], keys
