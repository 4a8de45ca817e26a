"""Containers without content of their own: their blank lines are made once for a paint instead of one by one.

Half of the lines that Textual makes for a screen belong to containers, and their children cover most of them.
"""

from __future__ import annotations

from rich.segment import Segment
from rich.style import Style as RichStyle
from textual.containers import Horizontal, VerticalScroll
from textual.geometry import Region
from textual.strip import Strip
from textual.style import Style
from textual.widget import Widget


def is_plain(widget: Widget) -> bool:
    """Whether a widget has neither border nor opacity, so that a line is its content and its padding."""
    return widget.opacity == 1.0 and not any(edge for edge, _ in widget.styles.border)


def shown_style(widget: Widget, style: RichStyle) -> RichStyle:
    """A style in the colours that the terminal can show, cached for each style."""
    segments = [Segment(" ", style)]
    for each in widget.get_line_filters():
        segments = each.apply(segments, widget.background_colors[1])
    return segments[0].style or style


def ground(widget: Widget) -> RichStyle:
    """The background style of a widget's text."""
    below, own = widget.background_colors
    return shown_style(widget, Style(background=below + own).rich_style)


def blank_lines(widget: Widget, crop: Region) -> list[Strip]:
    """Lines of the background alone."""
    return [Strip.blank(crop.width, ground(widget))] * crop.height


class Blank(Widget):
    """Blank lines, unless it has a border. Must be the second base: Textual inherits styles from the first alone."""

    def render_lines(self, crop: Region) -> list[Strip]:
        return blank_lines(self, crop) if is_plain(self) else super().render_lines(crop)


class Pane(VerticalScroll, Blank, can_focus=False):
    """A scrolling container; its child has the focus."""


class PaneRow(Horizontal, Blank):
    """Panes side by side."""
