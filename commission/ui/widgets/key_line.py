"""Shows the keys that are active on this screen in its last line; a click has the same effect.

Textual's Footer makes a widget of each key, and makes all of them again after a change of bindings or focus, which takes
half of the time of opening a screen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rich.cells import cell_len
from textual import events

from commission.ui.widgets.character_view import Painted

if TYPE_CHECKING:
    from textual.screen import Screen

    from commission.ui.widgets.draw.canvas import Line


@dataclass(frozen=True, slots=True)
class KeyName:
    """The name of a key as shown, and its action."""

    key: str
    display: str
    description: str

    @property
    def cells(self) -> int:
        """Its width: a blank before and after the key and one after the description."""
        return cell_len(self.display) + cell_len(self.description) + 3


class KeyLine(Painted, can_focus=False):
    """One line of keys."""

    DEFAULT_CSS = """
    KeyLine { dock: bottom; height: 1; background: $footer-background; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.keys: tuple[KeyName, ...] = ()

    def on_mount(self) -> None:
        self.screen.bindings_updated_signal.subscribe(self, self._changed)

    def on_unmount(self) -> None:
        self.screen.bindings_updated_signal.unsubscribe(self)

    def _changed(self, screen: Screen[Any]) -> None:
        if self.app.app_focus and screen is self.screen:
            self.repaint()

    def paint(self, width: int, height: int) -> list[Line]:
        """One key for each action that is possible now."""
        found: dict[str, KeyName] = {}
        for _, binding, _, _ in self.screen.active_bindings.values():
            if binding.show:
                name = KeyName(binding.key, self.app.get_key_display(binding), binding.description)
                found.setdefault(binding.action, name)
        self.keys = tuple(found.values())
        line: list[tuple[str, str]] = []
        for each in self.keys:
            line += [(f" {each.display} ", "key"), (f"{each.description} ", "key-description")]
        rest = max(width - sum(each.cells for each in self.keys), 0)
        return [(*line, (" " * rest, "key"))]

    def on_click(self, event: events.Click) -> None:
        start = 0
        for each in self.keys:
            if start <= event.x < start + each.cells:
                self.app.simulate_key(each.key)
            start += each.cells
