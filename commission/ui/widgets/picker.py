"""A list of lines with a cursor: arrows move, Enter chooses."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from commission.ui.widgets.character_view import Painted
from commission.ui.widgets.draw.canvas import Line, Run, fit, width_of


@dataclass(frozen=True, slots=True)
class Item:
    """One line; an empty key makes it a heading that the cursor passes over."""

    key: str
    runs: Line


class LateItem:
    """A line whose text is made when it is first painted: of thousands only some are ever seen."""

    def __init__(self, key: str, make: Callable[[], Line]) -> None:
        self.key, self._make = key, make

    @cached_property
    def runs(self) -> Line:
        return self._make()


class _Lines(Sequence[Line]):
    """Lines that are made when they are painted."""

    def __init__(self, count: int, make: Callable[[int], Line]) -> None:
        self._count, self._make = count, make

    def __len__(self) -> int:
        return self._count

    def __getitem__(self, index: Any) -> Any:
        return self._make(index)


def text_item(key: str, text: str, style: str = "") -> Item:
    """A line of one style."""
    return Item(key, ((text, style),))


class Picker(Painted):
    """Lines of which one is selected."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", show=False, id="list.up"),
        Binding("down", "move(1)", show=False, id="list.down"),
        Binding("pageup", "move(-10)", show=False, id="list.page-up"),
        Binding("pagedown", "move(10)", show=False, id="list.page-down"),
        Binding("home", "move(-9999)", show=False, id="list.first"),
        Binding("end", "move(9999)", show=False, id="list.last"),
        Binding("enter", "choose", show=False, id="list.choose"),
    ]

    class Selected(Message):
        """Another line was selected."""

        def __init__(self, view: Picker, key: str) -> None:
            self.view, self.key = view, key
            super().__init__()

        @property
        def control(self) -> Picker:
            return self.view

    class Chosen(Selected):
        """Enter was pressed on a line."""

    def __init__(
        self, items: Sequence[Item | LateItem] = (), *, id: str | None = None, classes: str | None = None
    ) -> None:
        super().__init__(id=id, classes=classes)
        self.items: tuple[Item | LateItem, ...] = ()
        self.cursor = 0
        self.show(items)

    def show(self, items: Sequence[Item | LateItem]) -> None:
        """Show other lines; the selected key stays selected if it still exists."""
        old = self.key
        self.items = tuple(items)
        keys = [item.key for item in self.items]
        if old and old in keys:
            self.cursor = keys.index(old)
        else:
            self.cursor = min(self.cursor, max(len(keys) - 1, 0))
            if keys and not keys[self.cursor]:
                self.cursor = next((i for i, key in enumerate(keys) if key), 0)
        self.repaint(layout=True)

    def begin(self) -> None:
        self.cursor = 0

    @property
    def key(self) -> str:
        """Key of the selected line; empty if there is none."""
        return self.items[self.cursor].key if 0 <= self.cursor < len(self.items) else ""

    def select(self, key: str) -> None:
        keys = [item.key for item in self.items]
        if key in keys:
            self.cursor = keys.index(key)
            self._moved()

    def paint(self, width: int, height: int) -> Sequence[Line]:
        """All lines, the selected one marked by a sign as well as by its background."""
        return _Lines(len(self.items), lambda index: self._line(self.items[index], index == self.cursor, width))

    def _line(self, item: Item | LateItem, selected: bool, width: int) -> Line:
        if not item.key:
            return item.runs
        lit = self.has_focus or not self.can_focus  # a list that cannot have the focus follows a field that has it
        behind = " selected" if selected and lit else ""
        runs: list[Run] = [("▸" if selected else " ", ("accent" if lit else "faint") + behind)]
        runs += [(text, (style + behind).strip()) for text, style in item.runs]
        pad = width - width_of(tuple(runs))
        if pad < 0:  # the last run is cut
            text, style = runs[-1]
            runs[-1] = (fit(text, max(width_of(((text, style),)) + pad, 0)), style)
            pad = 0
        return (*runs, (" " * pad, behind.strip()))

    def action_move(self, by: int) -> None:
        """Select another line, skipping headings."""
        places = [i for i, item in enumerate(self.items) if item.key]
        if not places:
            return
        now = min(range(len(places)), key=lambda n: abs(places[n] - self.cursor))
        self.cursor = places[min(max(now + by, 0), len(places) - 1)]
        self._moved()

    def action_choose(self) -> None:
        if self.key:
            self.post_message(self.Chosen(self, self.key))

    def on_click(self, event: events.Click) -> None:
        """Select a line, or choose it if it is selected already."""
        if 0 <= event.y < len(self.items) and self.items[event.y].key:
            if event.y == self.cursor:
                self.action_choose()
            else:
                self.cursor = event.y
                self._moved()

    def on_focus(self) -> None:
        self.repaint()

    def on_blur(self) -> None:
        """Keep the sign, drop the background."""
        self.repaint()

    def _moved(self) -> None:
        self.repaint()
        self.row_in_view(self.cursor)
        if self.key:
            self.post_message(self.Selected(self, self.key))


class Menu(Picker):
    """A list whose lines open something, as the key line shows."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "choose", "Open", key_display="Enter", id="list.choose"),
    ]


class Form(Picker):
    """A list whose lines are edited, as the key line shows."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "choose", "Edit", key_display="Enter", id="list.choose"),
    ]
