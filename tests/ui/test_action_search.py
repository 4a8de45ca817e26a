"""The search for commands by name, and the theme that is remembered."""

from pathlib import Path

from stand_ins import app_of, settle
from textual.widgets import Input

from commission.ui.screens.action_search import CommandSearch, Offer, found
from commission.ui.screens.log import Log
from commission.ui.screens.overview import Overview
from commission.ui.theme import chosen_theme, keep_theme
from commission.ui.widgets.picker import Picker

OFFERS = [
    Offer(name, about, lambda: None)
    for name, about in (("Log", "every event"), ("Write the record", "PDF"), ("Check a record", "against the log"))
]


def names(text):
    return [each.name for each in found(OFFERS, text)]


def test_matches_in_names_come_before_matches_in_descriptions():
    assert names("") == ["Log", "Write the record", "Check a record"]
    assert names("REC") == ["Write the record", "Check a record"]
    assert names("log") == ["Log", "Check a record"]
    assert names("record pdf") == ["Write the record"]
    assert names("nothing of it") == []


async def test_a_few_letters_and_enter_run_a_command():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("colon", *"lo", "down", "up", "enter")
        await settle(pilot)
        assert isinstance(app.screen, Log)
        await pilot.press("escape", "colon", *"xyz", "enter")
        await settle(pilot)
        assert isinstance(app.screen, Overview)  # no command matches, so nothing happens
        await pilot.press("colon", "escape")
        assert isinstance(app.screen, Overview)


async def test_the_command_that_enter_runs_is_marked_while_the_field_has_the_focus():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("colon", "down")
        await settle(pilot)
        assert isinstance(app.screen, CommandSearch)
        assert isinstance(app.focused, Input)
        picker = app.screen.query_one(Picker)
        marked = [line for line in picker.paint(60, 0) if line[0] == ("▸", "accent selected")]
        assert len(marked) == 1


def test_a_chosen_theme_is_remembered_and_an_unknown_one_is_ignored(tmp_path: Path):
    kept, known = tmp_path / "state" / "theme", frozenset({"textual-light"})
    assert chosen_theme(kept, known) is None
    keep_theme(kept, "textual-light")
    assert chosen_theme(kept, known) == "textual-light"
    keep_theme(kept, "no such theme")
    assert chosen_theme(kept, known) is None
    keep_theme(tmp_path / "state" / "theme" / "below-a-file", "textual-light")  # failing to remember it is harmless
    assert chosen_theme(None, known) is None
