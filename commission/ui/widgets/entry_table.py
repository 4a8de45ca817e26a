"""The table for typing readings: a digit begins an entry, Enter stores it and goes one row down."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from commission.model import InputError, Prompt
from commission.model.units import Units, clean_text, in_other_units
from commission.ui.typeahead import typed_ahead
from commission.ui.widgets.character_view import Painted
from commission.ui.widgets.draw.canvas import Line, wrap
from commission.ui.widgets.draw.entry import (
    STARTS,
    EntryRow,
    Typing,
    draw_entry,
    entry_value,
    impossible,
    outside,
    question,
    row_of_line,
)

LONGEST = 18


class EntryTable(Painted):
    """Rows of prompts. It stores nothing itself, but reports what was entered."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", show=False, id="entry.up"),
        Binding("down", "move(1)", show=False, id="entry.down"),
        Binding("home", "move(-999)", show=False, id="entry.first"),
        Binding("end", "move(999)", show=False, id="entry.last"),
        Binding("enter", "store", "Store", id="entry.store", show=False),
        Binding("x", "withdraw", "Undo", id="entry.withdraw"),
    ]

    class Selected(Message):
        """Another row is selected."""

        def __init__(self, prompt: Prompt) -> None:
            self.prompt = prompt
            super().__init__()

    class Entered(Message):
        """A number was typed and Enter pressed: `value` in the prompt's unit, `text` as typed."""

        def __init__(self, prompt: Prompt, text: str, value: float) -> None:
            self.prompt, self.text, self.value = prompt, text, value
            super().__init__()

    class WithdrawLast(Message):
        """Requests withdrawal of the last reading of a row."""

        def __init__(self, prompt: Prompt) -> None:
            self.prompt = prompt
            super().__init__()

    def __init__(
        self,
        rows: Sequence[EntryRow] = (),
        units: Units = "metric",
        unusual: Callable[[Prompt, float], str] = lambda prompt, value: "",
        *,
        id: str | None = None,
        classes: str | None = None,
    ) -> None:
        """`unusual` gives a sentence on an unusual value, shown with the expected range; empty: nothing."""
        super().__init__(id=id, classes=classes)
        self.rows = tuple(rows)
        self.units: Units = units
        self.cursor = 0
        self.typing = Typing()
        self._unusual = unusual

    def show(self, rows: Sequence[EntryRow]) -> None:
        """Show new readings; the selected row and the typed text stay. Nothing happens for the tuple shown already."""
        if rows is self.rows:
            return
        old = self.prompt
        self.rows = tuple(rows)
        if old is not None:
            same = [i for i, row in enumerate(self.rows) if _key(row.prompt) == _key(old)]
            if same and self.cursor not in same:
                self.cursor = same[0]
        self.cursor = min(self.cursor, max(len(self.rows) - 1, 0))
        self.repaint(layout=True)

    @property
    def prompt(self) -> Prompt | None:
        return self.rows[self.cursor].prompt if 0 <= self.cursor < len(self.rows) else None

    def paint(self, width: int, height: int) -> list[Line]:
        return draw_entry(self.rows, self.cursor, self.typing, width, self.units, self.has_focus)

    # --- typing -----------------------------------------------------------------------------------------------

    def check_consume_key(self, key: str, character: str | None) -> bool:
        """Whether a key is part of an entry rather than a command."""
        return character is not None and self._takes(character)

    def _takes(self, character: str) -> bool:
        if self.prompt is None or not character.isprintable():
            return False
        # Once a number is begun, every key belongs to it: swallowing one would turn 1e9 into 19, and
        # obeying one would start a command in the middle of a number.
        return bool(self.typing.text) or character in STARTS

    def on_key(self, event: events.Key) -> None:
        """Begin an entry with a digit; while typing, Backspace deletes and Escape cancels."""
        typed = self.typing.text
        if event.character is not None and self._takes(event.character):
            self._type((typed + event.character)[:LONGEST])
        elif typed and event.key == "backspace":
            self._type(typed[:-1])
        elif self.typing.asking and event.key == "escape":
            self._type(typed)
        elif (typed or self.typing.problem) and event.key == "escape":
            self._type("")
        else:
            return
        event.stop()
        event.prevent_default()

    def on_paste(self, event: events.Paste) -> None:
        """Enter pasted text as if it were typed; Enter stores it. A list of numbers is not accepted."""
        text = " ".join(event.text.split())
        if self.prompt is None or not text:
            return
        event.stop()
        self._type(text[:LONGEST])
        if len(text) > LONGEST:
            self._say(
                f"This is more than one number: “{clean_text(text[:LONGEST])}…”. Escape drops it.", asking=False
            )

    def _type(self, text: str) -> None:
        had_problem = bool(self.typing.problem)
        self.typing = Typing(text)
        self.repaint(layout=had_problem)

    def action_store(self) -> None:
        """Check what was typed: show an error, ask if it is unusual, else report it and go down."""
        if self.prompt is None or not self.typing.text:
            self.action_move(1)
        elif not (self.typing.asking and typed_ahead(self.app)):
            self._enter(1, sure=self.typing.asking)

    def _enter(self, rows: int, *, sure: bool) -> None:
        """Report what was typed and move by a number of rows; stay if there is a question about it."""
        prompt, typed = self.prompt, self.typing.text
        assert prompt is not None
        try:
            value = entry_value(prompt, typed, self.units)
        except InputError as error:
            self._say(str(error), asking=False)
            return
        if problem := impossible(prompt, value):
            self._say(problem, asking=False)
            return
        if not sure and (sentence := self._question(prompt, typed, value)):
            self._say(sentence, asking=True)
            return
        self.typing = Typing()
        self.repaint(layout=True)
        self.post_message(self.Entered(prompt, typed, value))
        target = min(max(self.cursor + rows, 0), len(self.rows) - 1)
        if target != self.cursor:
            self.cursor = target
            self._moved()

    def _question(self, prompt: Prompt, typed: str, value: float) -> str:
        """The question before a value is stored; empty for a value that is stored for this row already."""
        if value in self.rows[self.cursor].values:
            return ""
        sentence = self._strange(prompt, value)
        other = in_other_units(typed, self.units) if sentence and prompt.unit == "m" else ""
        try:
            fits = other and not self._strange(prompt, entry_value(prompt, other, self.units))
        except InputError:
            fits = False
        return f"{sentence} Is it {other}? Then type the unit." if fits else sentence

    def _strange(self, prompt: Prompt, value: float) -> str:
        return question(prompt, value, self.units) if outside(prompt, value) else self._unusual(prompt, value)

    def refuse(self, sentence: str) -> None:
        """Show beside the selected row why nothing was stored."""
        self._say(sentence, asking=False)

    def _say(self, sentence: str, *, asking: bool) -> None:
        self.typing = Typing(self.typing.text, sentence, asking)
        self.repaint(layout=True)
        self.row_in_view(self.cursor + 1, 1 + len(wrap(sentence, max(self.size.width - 4, 10))))

    def action_withdraw(self) -> None:
        if self.prompt is not None and self.rows[self.cursor].values:
            self.post_message(self.WithdrawLast(self.prompt))

    # --- moving -----------------------------------------------------------------------------------------------

    def action_move(self, rows: int) -> None:
        """Move to another row; typed text is entered first, as by Enter: a reading must not be lost."""
        if not self.rows:
            return
        if self.typing.text:
            self._enter(rows, sure=False)
            return
        target = min(max(self.cursor + rows, 0), len(self.rows) - 1)
        if target == self.cursor and abs(rows) == 1:
            self.post_message(self.Edge(self, rows))
            return
        self.cursor = target
        self.typing = Typing()
        self._moved()

    def select(self, index: int) -> None:
        """Select a row by its number; typed text that was not entered is dropped."""
        self.typing = Typing()
        self.action_move(index - self.cursor)

    def on_focus(self) -> None:
        self._moved()

    def on_blur(self) -> None:
        self.repaint()

    def on_click(self, event: events.Click) -> None:
        text = wrap(self.typing.problem, max(self.size.width - 4, 10)) if self.typing.problem else []
        row = row_of_line(len(self.rows), self.cursor, len(text), event.y)
        if 0 <= row < len(self.rows) and row != self.cursor:
            self.action_move(row - self.cursor)

    def _moved(self) -> None:
        self.repaint(layout=True)
        first = 0 if self.cursor == 0 else self.cursor + 1  # the heading scrolls into view with the first row
        self.row_in_view(first, self.cursor + 2 - first)
        if self.prompt is not None:
            self.post_message(self.Selected(self.prompt))


def _key(prompt: Prompt) -> tuple[str | None, str | None, str]:
    return prompt.channel, prompt.seat, prompt.quantity
