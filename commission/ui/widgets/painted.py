"""The base of all views drawn in characters: turns named styles into those of the theme."""

from __future__ import annotations

from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region, Size, Spacing
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from commission.model.units import clean_text
from commission.ui.widgets.draw.canvas import Line

NAMES = (
    "dim",
    "faint",
    "head",
    "accent",
    "main",
    "second",
    "other",
    "band",
    "mark",
    "pass",
    "fail",
    "unsure",
    "none",
    "warn",
    "selected",
    "edit",
)
_BEHIND = frozenset({"selected", "edit"})
"""Names that also set what is behind the text."""


class Painted(Widget, can_focus=True):
    """A view whose content is a list of lines made by `paint(width, height)`; made anew when told or resized."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"painted--{name}" for name in NAMES}
    DEFAULT_CSS = """
    Painted {
        height: auto;
        width: 1fr;
        & > .painted--dim { color: $foreground 65%; }
        & > .painted--faint { color: $foreground 28%; }
        & > .painted--head { color: $foreground 75%; text-style: bold; }
        & > .painted--accent { color: $text-accent; }
        & > .painted--main { color: $text-accent; text-style: bold; }
        & > .painted--second { color: $foreground; }
        & > .painted--other { color: $foreground 60%; }
        & > .painted--band { color: $foreground 38%; }
        & > .painted--mark { color: $foreground; text-style: bold; }
        & > .painted--pass { color: $text-success; }
        & > .painted--fail { color: $text-error; text-style: bold; }
        & > .painted--unsure { color: $text-warning; }
        & > .painted--none { color: $foreground 60%; }
        & > .painted--warn { color: $text-warning; }
        & > .painted--selected { background: $panel; text-style: bold; }
        & > .painted--edit { color: $foreground; background: $accent 30%; text-style: bold; }
        &:ansi {
            & > .painted--dim { color: ansi_default; text-style: dim; }
            & > .painted--faint { color: ansi_bright_black; }
            & > .painted--head { color: ansi_default; text-style: bold; }
            & > .painted--second { color: ansi_default; }
            & > .painted--other { color: ansi_default; text-style: dim; }
            & > .painted--band { color: ansi_bright_black; }
            & > .painted--mark { color: ansi_default; text-style: bold; }
            & > .painted--pass { color: ansi_green; }
            & > .painted--fail { color: ansi_red; text-style: bold; }
            & > .painted--unsure { color: ansi_yellow; }
            & > .painted--none { color: ansi_default; text-style: dim; }
            & > .painted--warn { color: ansi_yellow; }
            & > .painted--selected { background: ansi_default; text-style: bold reverse; }
            & > .painted--edit { color: ansi_default; background: ansi_default; text-style: bold reverse; }
        }
    }
    """

    class Edge(Message):
        """The cursor was moved beyond the first (-1) or last (+1) row: another view may take over."""

        def __init__(self, view: Painted, direction: int) -> None:
            self.view, self.direction = view, direction
            super().__init__()

        @property
        def control(self) -> Painted:
            """The view that was left."""
            return self.view

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._lines: list[Line] = []
        self._made_for: tuple[int, int] | None = None
        self._styles: dict[str, Style] = {}

    def paint(self, width: int, height: int) -> list[Line]:
        """The lines for a region of that size; height 0 asks for as many as it takes."""
        raise NotImplementedError

    def repaint(self, layout: bool = False) -> None:
        """Something changed: make the lines anew; `layout` when their number may have changed."""
        self._made_for = None
        self.refresh(layout=layout)

    def row_in_view(self, row: int, rows: int = 1) -> None:
        """Scroll whatever this view stands in so that some of its rows are visible, once it is laid out."""
        self.call_after_refresh(self._bring_into_view, row, rows)

    def _bring_into_view(self, row: int, rows: int) -> None:
        if isinstance(self.parent, Widget) and self.parent.is_scrollable:
            place = Region(0, row, max(self.size.width, 1), rows).translate(self.virtual_region.offset)
            self.parent.scroll_to_region(place, animate=False, spacing=Spacing(1, 0, 1, 0))

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """As many rows as there are lines, for `height: auto`."""
        return len(self.paint(width, 0))

    def notify_style_update(self) -> None:
        """The theme changed."""
        super().notify_style_update()
        self._styles.clear()

    def render_line(self, y: int) -> Strip:
        """One row of the view."""
        width, height = self.size
        if self._made_for != (width, height):
            self._lines = self.paint(width, height)
            self._made_for = (width, height)
        base = self.rich_style
        if not 0 <= y < len(self._lines):
            return Strip.blank(width, base)
        segments = [
            Segment(text if text.isprintable() else clean_text(text), self._style_of(style))  # names come from files
            for text, style in self._lines[y]
        ]
        return Strip(segments).adjust_cell_length(width, base)

    def _style_of(self, names: str) -> Style:
        known = self._styles.get(names)
        if known is None:
            known = self.rich_style
            for name in names.split():
                part = self.get_component_rich_style(f"painted--{name}")
                behind = name in _BEHIND
                known += Style(
                    color=None if name == "selected" else part.color,
                    bgcolor=part.bgcolor if behind else None,
                    bold=part.bold or None,
                    dim=part.dim or None,
                    reverse=part.reverse or None,
                )
            self._styles[names] = known
        return known
