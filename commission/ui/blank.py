"""Containers that show nothing of their own: their lines are blank, made once for a paint instead of one by one.

Half of the lines that Textual makes for a screen are those of containers, and what is in them covers most.
"""

from __future__ import annotations

from rich.style import Style as RichStyle
from textual.containers import Horizontal, VerticalScroll
from textual.geometry import Region
from textual.strip import Strip
from textual.style import Style
from textual.widget import Widget


def is_plain(widget: Widget) -> bool:
    """Whether it has neither a border nor opacity, so that a line is its content and its padding."""
    return widget.opacity == 1.0 and not any(edge for edge, _ in widget.styles.border)


def filtered(widget: Widget, strips: list[Strip]) -> list[Strip]:
    """Lines in the colours that the terminal can show."""
    behind = widget.background_colors[1]
    for each in widget.get_line_filters():
        strips = [strip.apply_filter(each, behind) for strip in strips]
    return strips


def ground(widget: Widget) -> RichStyle:
    """The style of what is behind its text."""
    below, own = widget.background_colors
    return Style(background=below + own).rich_style


def blank_lines(widget: Widget, crop: Region) -> list[Strip]:
    """Lines of the ground alone."""
    return filtered(widget, [Strip.blank(crop.width, ground(widget))]) * crop.height


class Blank(Widget):
    """Blank lines, unless it has a border. The second base of a container: Textual inherits styles from the first alone."""

    def render_lines(self, crop: Region) -> list[Strip]:
        return blank_lines(self, crop) if is_plain(self) else super().render_lines(crop)


class Pane(VerticalScroll, Blank, can_focus=False):
    """Scrolls what is in it, which has the keys."""


class Sides(Horizontal, Blank):
    """Panes side by side."""
