"""The base of all views drawn in characters: turns named styles into those of the theme."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from typing import Self

from rich.color import Color as RichColor
from rich.segment import Segment
from rich.style import Style
from textual.color import Color
from textual.geometry import Region, Size, Spacing
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from commission.model.units import clean_text
from commission.ui.blank import ground, is_plain, shown_style
from commission.ui.widgets.draw.canvas import Line


@dataclass(frozen=True, slots=True)
class Ink:
    """The look of a named style: a theme colour with its opacity, weight and background.

    `plain` is its colour where the terminal's own sixteen are used, which know no opacity.
    """

    color: str
    opacity: float = 1.0
    plain: str = "ansi_default"
    bold: bool = False
    behind: str = ""
    behind_opacity: float = 1.0
    weight: str = ""
    """With the terminal's own colours: "dim" or "reverse"."""


# Not in the style sheet, which would add a rule and a lookup for each of them, for every view, to the first paint.
INKS = {
    "dim": Ink("foreground", 0.65, weight="dim"),
    "faint": Ink("foreground", 0.28, "ansi_bright_black"),
    "head": Ink("foreground", 0.75, bold=True),
    "accent": Ink("text-accent", plain=""),
    "main": Ink("text-accent", plain="", bold=True),
    "second": Ink("foreground"),
    "other": Ink("foreground", 0.60, weight="dim"),
    "band": Ink("foreground", 0.38, "ansi_bright_black"),
    "mark": Ink("foreground", bold=True),
    "pass": Ink("text-success", plain="ansi_green"),
    "fail": Ink("text-error", plain="ansi_red", bold=True),
    "unsure": Ink("text-warning", plain="ansi_yellow"),
    "none": Ink("foreground", 0.60, weight="dim"),
    "warn": Ink("text-warning", plain="ansi_yellow"),
    "key": Ink("footer-key-foreground", plain="", bold=True),
    "key-description": Ink("footer-description-foreground", plain=""),
    "selected": Ink("", plain="", bold=True, behind="panel", weight="reverse"),
    "edit": Ink("foreground", bold=True, behind="accent", behind_opacity=0.30, weight="reverse"),
}


class Painted(Widget, can_focus=True):
    """A view of a list of lines made by `paint(width, height)`, again on request and when resized."""

    DEFAULT_CSS = "Painted { height: auto; width: 1fr; }"

    class Edge(Message):
        """The cursor moved beyond the first (-1) or last (+1) row: another view may take over."""

        def __init__(self, view: Painted, direction: int) -> None:
            self.view, self.direction = view, direction
            super().__init__()

        @property
        def control(self) -> Painted:
            """The view that the cursor left."""
            return self.view

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._lines: Sequence[Line] = ()
        self._made_for: tuple[int, int] | None = None
        self._styles: dict[str, Style] = {}
        self._strips: dict[int, Strip] = {}
        self._strips_size = Size(0, 0)
        """The lines painted last, with padding, and their size."""

    @abstractmethod
    def paint(self, width: int, height: int) -> Sequence[Line]:
        """The lines for a region of that size; height 0 requests all of them.

        With `height: auto` both must be the same: they are made once.
        """

    def begin(self) -> None:
        """Reset the selection to that of a new view, which is repainted afterwards."""

    def repaint(self, layout: bool = False) -> None:
        """Make the lines again after a change; `layout` if their number may have changed."""
        self._made_for = None
        self.refresh(layout=layout)

    def row_in_view(self, row: int, rows: int = 1) -> None:
        """Scroll the containers of this view so that some of its rows are visible, after layout."""
        self.call_after_refresh(self._bring_into_view, row, rows)

    def _bring_into_view(self, row: int, rows: int) -> None:
        if isinstance(self.parent, Widget) and self.parent.is_scrollable:
            place = Region(0, row, max(self.size.width, 1), rows).translate(self.virtual_region.offset)
            self.parent.scroll_to_region(place, animate=False, spacing=Spacing(1, 0, 1, 0))

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """The number of lines, for `height: auto`."""
        if self._made_for != (width, len(self._lines)):
            self._lines = self.paint(width, 0)
            self._made_for = (width, len(self._lines))
        return len(self._lines)

    def notify_style_update(self) -> None:
        super().notify_style_update()
        self._styles.clear()
        self._strips.clear()

    def refresh(self, *regions: Region, repaint: bool = True, layout: bool = False, recompose: bool = False) -> Self:
        self._strips.clear()
        return super().refresh(*regions, repaint=repaint, layout=layout, recompose=recompose)

    def render_lines(self, crop: Region) -> list[Strip]:
        """Lines without Textual's borders and effects, which cost more than the lines themselves."""
        if not is_plain(self):
            return super().render_lines(crop)
        if self._strips_size != self.region.size:
            self._strips.clear()
            self._strips_size = self.region.size
        if missing := [y for y in crop.line_range if y not in self._strips]:
            self._strips |= zip(missing, self._padded_lines(missing), strict=True)
        strips = [self._strips[y] for y in crop.line_range]
        whole = crop.column_span == (0, self.region.width)
        return strips if whole else [strip.crop(*crop.column_span) for strip in strips]

    def _padded_lines(self, rows: Sequence[int]) -> list[Strip]:
        """Rows of the region, padding included."""
        size, padding, width, beside = self.size, self.styles.padding, self.region.width, ground(self)
        left = [Segment(" " * padding.left, beside)] if padding.left else []
        self._make_lines(size)
        strips = (self._strip(y - padding.top, size.width) for y in rows)
        padded = (Strip([*left, *each], each.cell_length + padding.left) if left else each for each in strips)
        return [each.extend_cell_length(width, beside) for each in padded]

    def render_line(self, y: int) -> Strip:
        self._make_lines(self.size)
        return self._strip(y, self.size.width)

    def _make_lines(self, size: Size) -> None:
        if self._made_for != (size.width, size.height):
            self._lines = self.paint(size.width, size.height)
            self._made_for = (size.width, size.height)

    def _strip(self, y: int, width: int) -> Strip:
        """A line without padding."""
        base = self._style_of("")
        if not 0 <= y < len(self._lines):
            return Strip.blank(width, base)
        segments = []
        for style, runs in groupby(self._lines[y], key=itemgetter(1)):
            text = "".join(text for text, _ in runs)
            segments.append(
                Segment(text if text.isprintable() else clean_text(text), self._style_of(style))
            )  # names come from files
        return Strip(segments).adjust_cell_length(width, base)

    def _style_of(self, names: str) -> Style:
        known = self._styles.get(names)
        if known is None:
            known = self.rich_style
            for name in names.split():
                known += self._ink(INKS[name])
            self._styles[names] = known = shown_style(self, known)
        return known

    def _ink(self, ink: Ink) -> Style:
        """A style in theme colours on this view's background."""
        plain, variables, ground = self.app.native_ansi_color, self.app.theme_variables, self.background_colors[1]

        def colour(name: str, opacity: float) -> RichColor:
            parsed = Color.parse(variables.get(name, name))
            return (ground + parsed.multiply_alpha(opacity)).rich_color

        front = ink.plain or ink.color if plain else ink.color
        behind = ("ansi_default" if plain else ink.behind) if ink.behind else ""
        return Style(
            color=colour(front, 1.0 if plain else ink.opacity) if front else None,
            bgcolor=colour(behind, 1.0 if plain else ink.behind_opacity) if behind else None,
            bold=ink.bold or None,
            dim=(plain and ink.weight == "dim") or None,
            reverse=(plain and ink.weight == "reverse") or None,
        )
