"""Searches all actions by name: type a few letters, Enter runs the selected one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, ClassVar, NamedTuple

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from commission.ui.typeahead import PaintedOnce
from commission.ui.widgets.draw.canvas import fit
from commission.ui.widgets.picker import Item, Picker, text_item

if TYPE_CHECKING:
    from commission.ui.program import Program


class Offer(NamedTuple):
    """One action: its name, a description, and the function that runs it."""

    name: str
    about: str
    do: Callable[[], object]


def found(offers: Sequence[Offer], text: str) -> list[Offer]:
    """The actions that contain every word of a text; those with all words in the name come first."""
    words = text.casefold().split()
    by_name = [each for each in offers if all(word in each.name.casefold() for word in words)]
    # Names that begin with it come first: “lo” is the log before the dialogue.
    by_name.sort(key=lambda each: not each.name.casefold().startswith(words[0]) if words else False)
    rest = [each for each in offers if all(word in f"{each.name} {each.about}".casefold() for word in words)]
    return by_name + [each for each in rest if each not in by_name]


class CommandSearch(PaintedOnce[Offer | None], ModalScreen[Offer | None]):
    """An input line, and the actions that match it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)", "Leave", id="dialog.leave"),
        Binding("up", "move(-1)", show=False, priority=True, id="everything.up"),
        Binding("down", "move(1)", show=False, priority=True, id="everything.down"),
        Binding("pageup", "move(-10)", show=False, priority=True, id="everything.page-up"),
        Binding("pagedown", "move(10)", show=False, priority=True, id="everything.page-down"),
    ]

    DEFAULT_CSS = """
    CommandSearch Input, CommandSearch Input:focus { height: 1; border: none; padding: 0 1; background: $background; }
    CommandSearch VerticalScroll { height: auto; max-height: 18; }
    """

    def __init__(self, offers: Sequence[Offer]) -> None:
        super().__init__()
        self._offers = list(offers)

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield Input(placeholder="what do you want to do?")
            with VerticalScroll(can_focus=False):
                yield Picker(id="offers")
            yield Static(Content("A few letters find it · ↑ ↓ · Enter does it · Escape leaves"), classes="dim")

    def on_mount(self) -> None:
        self.query_one("#offers").can_focus = False
        self.query_one(Input).focus()
        self._list("")

    @on(Input.Changed)
    def typed(self, event: Input.Changed) -> None:
        self._list(event.value)

    def _list(self, text: str) -> None:
        fitting = found(self._offers, text)
        items: list[Item] = [
            Item(each.name, ((fit(f" {each.name}", 26), ""), (each.about, "dim"))) for each in fitting
        ]
        picker = self.query_one("#offers", Picker)
        picker.show(items or [text_item("", " Nothing has that name.", "dim")])
        if items:
            picker.select(items[0].key)

    def action_move(self, by: int) -> None:
        self.query_one("#offers", Picker).action_move(by)

    @on(Input.Submitted)
    @on(Picker.Chosen)
    def choose(self) -> None:
        """Run the action after this screen is closed."""
        key = self.query_one("#offers", Picker).key
        self.dismiss(next((each for each in self._offers if each.name == key), None) if key else None)


def open_command_search(app: Program, offers: Sequence[Offer]) -> None:
    """Ask for one of the offers, and run it."""

    def do(offer: Offer | None) -> None:
        if offer is not None:
            app.call_later(offer.do)

    app.push_screen(CommandSearch(offers), do)
