"""Attaches a photograph to a step: path, caption, round. A refusal is shown, and everything typed stays."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, cast

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from commission.model import CommissionError
from commission.model.units import clean_text
from commission.ui.paths import existing_file
from commission.ui.screens.dialogs import Choose
from commission.ui.text import round_name
from commission.ui.typeahead import PaintedOnce
from commission.ui.widgets.picker import Picker, text_item

if TYPE_CHECKING:
    from commission.model import Event
    from commission.ui.program import Program

NO_ROUND = " "
"""Key of "no round"; no round has this name."""


def ask_photo(app: Program, step_id: str | None = None) -> None:
    """Attach a picture to a step: the named one, that of the screen, or one asked for."""
    step = step_id or getattr(getattr(app.screen, "step", None), "id", None)
    if step is not None:
        app.push_screen(Attach(str(step)))
        return
    options = [(each.id, each.title) for each in app.visit.steps]
    app.push_screen(
        Choose("Attach a photograph to which step?", options),
        lambda key: ask_photo(app, key) if key is not None else None,
    )


class Attach(PaintedOnce[None], ModalScreen[None]):
    """Asks for a photograph and stores it."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "leave", "Leave", id="dialog.leave")]

    DEFAULT_CSS = """
    Attach .labelled { height: auto; max-height: 6; }
    Attach .labelled > Static { width: 10; }
    Attach Input { height: 1; border: none; padding: 0 1; background: $background; }
    Attach Input:focus { border: none; background: $panel; }
    """

    def __init__(self, step_id: str) -> None:
        super().__init__()
        self._step_id = step_id
        self._refused = ""

    @property
    def commission(self) -> Program:
        return cast("Program", self.app)

    def compose(self) -> ComposeResult:
        visit = self.commission.visit
        title = next((each.title for each in visit.steps if each.id == self._step_id), self._step_id)
        rounds = [text_item(name, f" {round_name(name)}") for name in visit.job.rounds]
        with Vertical(classes="dialog"):
            yield Static(Content(f"Photograph to {title}"), classes="dialog-title")
            with Horizontal(classes="labelled"):
                yield Static("Path")
                yield Input(placeholder="a JPEG or PNG file; ~ is your home", id="photo-path")
            with Horizontal(classes="labelled"):
                yield Static("Caption")
                yield Input(placeholder="what it shows (optional)", id="photo-caption")
            with Horizontal(classes="labelled"):
                yield Static("Round")
                yield Picker([*rounds, text_item(NO_ROUND, " no round: the whole job")], id="photo-round")
            yield Static(
                Content("Stored smaller, without location and camera data; the file itself is not changed."),
                classes="dim",
            )
            yield Static("", id="refusal", classes="refusal")
            yield Static(Content("Enter goes on, then attaches · Tab changes fields · Escape leaves"), classes="dim")

    def on_mount(self) -> None:
        self.query_one("#photo-round", Picker).select(self.commission.round_id)
        self.query_one("#photo-path").focus()

    def refresh_results(self) -> None:
        """Show progress, or the reason for a refusal."""
        text = self.commission.working or (f"✗ {clean_text(self._refused)}" if self._refused else "")
        self.query_one("#refusal", Static).update(Content(text))

    def _refuse(self, sentence: str) -> None:
        self._refused = sentence
        if self.is_attached:
            self.refresh_results()
            if sentence:  # any sentence is about the picture
                self.query_one("#photo-path").focus()
        else:
            self.commission.refuse(sentence)

    @on(Input.Changed, "#photo-path")
    def mended(self) -> None:
        """Clear the refusal, which was about the old path."""
        self._refused = ""
        self.refresh_results()

    @on(Input.Submitted, "#photo-path")
    def path_given(self, event: Input.Submitted) -> None:
        """Check that the path is a file, then ask for the caption."""
        try:
            existing_file(event.value)
        except CommissionError as error:
            self._refuse(str(error))
            return
        self._refuse("")
        self.query_one("#photo-caption").focus()

    @on(Input.Submitted, "#photo-caption")
    @on(Picker.Chosen)
    def attach(self) -> None:
        """Read the picture and store it in the background: a large one takes a second."""
        app, visit = self.commission, self.commission.visit
        caption = self.query_one("#photo-caption", Input).value
        chosen = self.query_one("#photo-round", Picker).key
        round_id = None if chosen == NO_ROUND else chosen
        try:
            path = existing_file(self.query_one("#photo-path", Input).value)
        except CommissionError as error:
            self._refuse(str(error))
            return

        def done(event: Event) -> None:
            app.say(f"{path.name} is stored with this step as event {event.seq}; you can take it back in the log.")
            if self.is_attached:
                self.dismiss()

        def read(cancel: object, progress: object) -> Event:
            return app.services.attach_photo(visit, path, step=self._step_id, round_id=round_id, caption=caption)

        self.query_one("#refusal", Static).update(Content("Reading the picture …"))
        app.run_job(read, done, self._refuse)

    def action_leave(self) -> None:
        """Leave; a picture being read is still stored, with a notice."""
        self.dismiss()
