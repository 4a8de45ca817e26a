"""Colours of drawn views: theme colours blended with their background, or the terminal's own where the theme uses them."""

import pytest
from stand_ins import app_of, settle
from textual.color import Color

from commission.ui.widgets.character_view import INKS
from commission.ui.widgets.picker import Picker


def _ink(view, name):
    color = view._style_of(name).color
    assert color is not None
    return color


async def test_inks_follow_the_theme():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        view = app.screen.query_one(Picker)
        for theme in ("textual-dark", "textual-light", "nord"):
            app.theme = theme
            await settle(pilot)
            ground, ink = (Color.parse(app.theme_variables[name]) for name in ("background", "foreground"))
            mixed = ground.blend(ink, 0.65 * ink.a, alpha=1.0)
            found = _ink(view, "dim").get_truecolor()
            for got, wanted in zip(found, mixed.rgb, strict=True):
                assert abs(got - wanted) <= 1, theme  # one step of 256: the toolkit decides where it rounds
            assert view._style_of("pass").color == Color.parse(app.theme_variables["text-success"]).rich_color


async def test_the_terminals_own_colours_are_named_not_mixed():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.theme = "ansi-dark"
        await settle(pilot)
        view = app.screen.query_one(Picker)
        assert {name: _ink(view, name).name for name in ("pass", "fail", "unsure", "dim")} == {
            "pass": "color(2)",
            "fail": "color(1)",
            "unsure": "color(3)",
            "dim": "default",
        }
        assert view._style_of("selected").reverse
        assert view._style_of("dim").dim


def test_every_ink_is_known():
    with pytest.raises(KeyError):
        INKS["ultraviolet"]
    assert all(ink.color or ink.behind for ink in INKS.values())
