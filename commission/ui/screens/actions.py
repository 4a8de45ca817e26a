"""Logs an action on a finding: one small dialog, one event."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, NamedTuple, get_args

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from commission.model.events import ActionKind, ActionLogged
from commission.model.fate import ACTION_WORDS
from commission.model.units import clean_text
from commission.ui.typeahead import PaintedOnce
from commission.ui.widgets.picker import Picker, text_item

if TYPE_CHECKING:
    from commission.model import FindingHistory
    from commission.ui.screens.base import VisitScreen

HINTS = {
    "repaired": "measure it again afterwards: a repair in the log is not proof",
    "adjusted": "measure it again afterwards",
    "replaced": "write in the note what was fitted; measure it again afterwards",
    "accepted": "the client knows of it and wants it left as it is",
    "later": "say why, and who will do it",
}


class Answer(NamedTuple):
    """The answer as typed."""

    action: ActionKind
    by: str
    note: str


class AskAction(PaintedOnce[Answer | None], ModalScreen[Answer | None]):
    """Asks for the action, its author, and a note; Enter moves from field to field and stores at the last."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)", "Leave", id="dialog.leave")]
    DEFAULT_CSS = """
    AskAction { align: center middle; background: $background 60%; }
    AskAction .labelled { height: 1; }
    AskAction .labelled > Static { width: 12; }
    AskAction Input { height: 1; border: none; padding: 0 1; background: $background; }
    AskAction Input:focus { border: none; background: $panel; }
    """

    def __init__(self, title: str, by: str, last: ActionKind | None = None) -> None:
        """`last` is the action logged before, selected at first."""
        super().__init__()
        self._title, self._by, self._last = clean_text(title), clean_text(by), last

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield Static(Content(f"What was done: {self._title}"), classes="dialog-title")
            kinds: tuple[str, ...] = get_args(ActionKind)
            yield Picker([text_item(kind, f" {ACTION_WORDS[kind]}") for kind in kinds], id="action")
            with Horizontal(classes="labelled"):
                yield Static("By whom")
                yield Input(self._by, id="action-by", select_on_focus=True)
            with Horizontal(classes="labelled"):
                yield Static("Note")
                yield Input("", id="action-note")
            yield Static("", id="action-hint", classes="dim")
            yield Static("", id="refusal", classes="refusal")
            yield Static(
                Content("Enter goes on, and stores after the note · Escape leaves everything as it is"), classes="dim"
            )

    def on_mount(self) -> None:
        """Focus the list, on the action logged last."""
        picker = self.query_one("#action", Picker)
        picker.focus()
        if self._last is not None:
            picker.select(self._last)
        self._hint()

    @on(Picker.Selected)
    def _hint(self) -> None:
        self.query_one("#refusal", Static).update("")
        self.query_one("#action-hint", Static).update(Content(HINTS[self.query_one("#action", Picker).key]))

    @on(Picker.Chosen)
    def to_name(self) -> None:
        """Move from the action to its author."""
        self.query_one("#action-by").focus()

    @on(Input.Submitted, "#action-by")
    def to_note(self) -> None:
        """Move from the author to the note."""
        self.query_one("#action-note").focus()

    @on(Input.Changed)
    def typed(self) -> None:
        self.query_one("#refusal", Static).update("")

    @on(Input.Submitted, "#action-note")
    def accept(self) -> None:
        """Return the answer; leaving something for later needs a reason."""
        kind = self.query_one("#action", Picker).key
        by, note = (clean_text(self.query_one(f"#action-{name}", Input).value).strip() for name in ("by", "note"))
        action = next(each for each in _kinds() if each == kind)
        if action == "later" and not note:
            self.query_one("#refusal", Static).update("✗ note: nothing, expected the reason why it is left for later")
            return
        self.dismiss(Answer(action, by, note))


def _kinds() -> tuple[ActionKind, ...]:
    return get_args(ActionKind)


def ask_action(screen: VisitScreen, history: FindingHistory) -> None:
    """Ask for an action on a finding, and log it in the round shown."""
    finding = history.finding

    def store(answer: Answer | None) -> None:
        if answer is None:
            return
        body = ActionLogged(
            round=screen.round_id,
            finding=finding.id,
            title=history.title,
            channels=finding.channels,
            seats=finding.seats,
            action=answer.action,
            by=answer.by,
            note=answer.note,
        )
        if screen.store(body):
            rounds = screen.commission.key_of("app.rounds", "r")
            again = (
                f" Begin a round ({rounds}) and measure it again."
                if answer.action in ("repaired", "adjusted", "replaced")
                else ""
            )
            screen.notify(f"Logged: {ACTION_WORDS[answer.action]}.{again}", markup=False)

    last = history.action.body.action if history.action is not None else None
    screen.app.push_screen(AskAction(history.title, screen.visit.job.system.technician, last), store)
