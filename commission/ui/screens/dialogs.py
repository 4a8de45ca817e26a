"""Small dialogs on top of a screen: a text, a choice."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from commission.model import CommissionError, InputError
from commission.model.plausible import LONGEST_TEXT
from commission.model.units import clean_text
from commission.ui.typeahead import PaintedOnce, typed_ahead
from commission.ui.widgets.picker import Picker, text_item


class AskText(PaintedOnce[str | None], ModalScreen[str | None]):
    """Asks for one line; `check` raises CommissionError with the sentence to show. Escape returns None.

    `echo` gives the value with its unit while the text is typed. `question` gives a sentence on what is unusual about
    it: a second Enter keeps the text, Escape goes back to the field.
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Leave", id="dialog.leave")]

    def __init__(
        self,
        title: str,
        hint: str = "",
        value: str = "",
        check: Callable[[str], object] | None = None,
        *,
        enter: str = "stores it",
        begun: bool = False,
        echo: Callable[[str], str] | None = None,
        question: Callable[[str], str] | None = None,
    ) -> None:
        """`enter` says what Enter does; with `begun`, `value` was just typed and typing continues after it."""
        super().__init__()
        self._enter = enter
        self._title, self._check = clean_text(title), check
        self._echo, self._question = echo, question
        self._asking = False
        """Whether the question is shown, so that Enter keeps the text."""
        self._hint = "\n".join(clean_text(line) for line in hint.split("\n"))
        self._field = Input(clean_text(value), select_on_focus=not begun)

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield Static(Content(self._title), classes="dialog-title")
            yield self._field
            if self._echo is not None:
                yield Static("", id="echo")
            yield Static(Content(self._hint), classes="dim")
            yield Static("", id="refusal", classes="refusal")
            yield Static(id="keys", classes="dim")

    def on_mount(self) -> None:
        """Show the meaning of the text, and the keys."""
        self.edited()

    @on(Input.Changed)
    def edited(self) -> None:
        """Clear the refusal or question, which was about the old text."""
        self._asking = False
        self._say("", f"Enter {self._enter} · Escape leaves everything as it is")
        if self._echo is not None:
            meaning = self._echo(self._field.value)
            self.query_one("#echo", Static).update(Content(f"= {clean_text(meaning)}" if meaning else ""))

    def _say(self, sentence: str, keys: str) -> None:
        text = self.query_one("#refusal", Static)
        text.update(Content(sentence))
        text.set_class(self._asking, "asking")
        self.query_one("#keys", Static).update(Content(keys))

    @on(Input.Submitted)
    def accept(self, event: Input.Submitted) -> None:
        """Check and return the text, or show a refusal or question."""
        if self._asking and typed_ahead(self.app):
            return
        try:
            if len(event.value) > LONGEST_TEXT:
                raise InputError(self._title, f"{len(event.value):,} characters", f"at most {LONGEST_TEXT:,}")
            if self._check is not None:
                self._check(event.value)
            question = self._question(event.value) if self._question is not None and not self._asking else ""
        except CommissionError as error:
            self._say(f"✗ {clean_text(str(error))}", f"Enter {self._enter} · Escape leaves everything as it is")
            return
        if question:
            self._asking = True
            self._say(f"? {clean_text(question)}", "Enter stores it as it is · Escape goes back to the field")
            return
        self.dismiss(event.value)

    def action_leave(self) -> None:
        """Return from the question to the field; from the field, leave without a change."""
        if self._asking:
            self.edited()
        else:
            self.dismiss(None)


class Choose(PaintedOnce[str | None], ModalScreen[str | None]):
    """Asks for one of some options: (key, text). Escape returns None.

    The list identifies them by number, since an empty key would be a heading there.
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)", "Leave", id="dialog.leave")]

    def __init__(self, title: str, options: Sequence[tuple[str, str]], current: str | None = None) -> None:
        super().__init__()
        self._title, self._options, self._current = clean_text(title), options, current

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield Static(Content(self._title), classes="dialog-title")
            with VerticalScroll(classes="dialog-list"):
                yield Picker([text_item(str(k), f" {text}") for k, (_, text) in enumerate(self._options)])
            yield Static(Content("Enter chooses · Escape leaves everything as it is"), classes="dim")

    def on_mount(self) -> None:
        """Select the present value."""
        picker = self.query_one(Picker)
        picker.focus()
        at = next((k for k, (key, _) in enumerate(self._options) if key == self._current), None)
        if at is not None:
            picker.select(str(at))

    @on(Picker.Chosen)
    def accept(self, event: Picker.Chosen) -> None:
        self.dismiss(self._options[int(event.key)][0])
