"""Writes the record from the terminal (file, paper, letterhead), and checks a record against the job."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar, Literal, cast

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from commission.model.errors import CommissionError
from commission.model.units import clean_text
from commission.ui.paths import existing_file
from commission.ui.record_request import RecordRequest
from commission.ui.screens.choices import stoppable
from commission.ui.screens.dialogs import AskText, Choose
from commission.ui.typeahead import PaintedOnce
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.picker import Picker, text_item

if TYPE_CHECKING:
    from collections.abc import Callable

    from commission.model import CancelToken, Progress
    from commission.ui.program import Program

CHECKED = (".pdf", ".html", ".json")
HINT = """.pdf to print, .html for any browser: the record for the client
.json everything, .csv every check, .sofa the responses (AES69)"""
PAPERS: tuple[tuple[Literal["a4", "us-letter"], str], ...] = (("a4", "A4"), ("us-letter", "US Letter"))


def ask_record(app: Program, wanted: RecordRequest | None = None, refused: str = "") -> None:
    """Ask for a record; `refused` says why the previous request failed."""
    if wanted is None:
        own = app.services.letterhead
        metric = app.visit.job.system.units == "metric"
        wanted = RecordRequest(
            file=f"{app.visit.path.stem}-record.pdf",
            paper="a4" if metric else "us-letter",
            letterhead=str(own) if own is not None else "",
        )

    def asked(answer: RecordRequest | None) -> None:
        if answer is None:
            return
        target = answer.target
        if not target.exists():
            _write(app, answer)
            return
        options = [("keep", "keep it, and choose another name"), ("replace", "replace it")]
        app.push_screen(
            Choose(f"{target.name} exists already.", options, "keep"),
            lambda text: _write(app, answer) if text == "replace" else ask_record(app, answer) if text else None,
        )

    app.push_screen(WriteRecord(wanted, refused), asked)


def _write(app: Program, wanted: RecordRequest) -> None:
    visit, target = app.visit, wanted.target

    def write(cancel: CancelToken, progress: Progress) -> str:
        visit.analyse(cancel, lambda f, t: progress(f / 2, t) if t else None)
        report = stoppable(cancel, lambda f, t: progress(0.5 + f / 2, t))
        return app.services.export(
            visit,
            target,
            paper=wanted.paper,
            letterhead=wanted.letterhead_file or "none",
            progress=report,
        )

    def done(text: str) -> None:
        app.say(text)
        if target.suffix.lower() in CHECKED:
            app.last_record = wanted

    app.run_job(write, done, lambda sentence: ask_record(app, wanted, sentence))


class WriteRecord(PaintedOnce[RecordRequest | None], ModalScreen[RecordRequest | None]):
    """Asks for all options at once; Enter writes from any field; after a refusal the typed texts stay."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)", "Leave", id="dialog.leave")]

    DEFAULT_CSS = """
    WriteRecord .labelled { height: auto; max-height: 4; }
    WriteRecord .labelled > Static { width: 12; }
    WriteRecord Input { height: 1; border: none; padding: 0 1; background: $background; }
    WriteRecord Input:focus { border: none; background: $panel; }
    """

    def __init__(self, wanted: RecordRequest, refused: str = "") -> None:
        super().__init__()
        self._wanted, self._refused = wanted, refused

    def compose(self) -> ComposeResult:
        wanted = self._wanted
        with Vertical(classes="dialog"):
            yield Static(Content("Write the record"), classes="dialog-title")
            with Horizontal(classes="labelled"):
                yield Static("File")
                yield Input(clean_text(wanted.file), id="record-file", select_on_focus=True)
            yield Static(Content(HINT), classes="dim")
            with Horizontal(classes="labelled"):
                yield Static("Paper")
                yield Picker([text_item(key, f" {name}") for key, name in PAPERS], id="record-paper")
            with Horizontal(classes="labelled"):
                yield Static("Letterhead")
                yield Input(
                    clean_text(wanted.letterhead),
                    placeholder="path of its TOML file; empty: none",
                    id="record-letterhead",
                )
            yield Static("", id="refusal", classes="refusal")
            yield Static(Content("Enter writes it · Tab changes fields · Escape leaves"), classes="dim")

    def on_mount(self) -> None:
        self.query_one("#record-paper", Picker).select(self._wanted.paper)
        self.query_one("#record-file").focus()
        self._say(self._refused)

    def _say(self, sentence: str) -> None:
        text = f"✗ {clean_text(sentence)}" if sentence else ""
        self.query_one("#refusal", Static).update(Content(text))

    @on(Input.Changed)
    def mended(self, event: Input.Changed) -> None:
        if event.input.has_focus and event.value not in (self._wanted.file, self._wanted.letterhead):
            self._say("")

    @on(Input.Submitted)
    @on(Picker.Chosen)
    def accept(self) -> None:
        """Check and return the options, or show a refusal."""
        wanted = replace(
            self._wanted,
            file=self.query_one("#record-file", Input).value,
            paper=cast("Literal['a4', 'us-letter']", self.query_one("#record-paper", Picker).key),
            letterhead=self.query_one("#record-letterhead", Input).value,
        )
        fields: tuple[tuple[str, Callable[[], object]], ...] = (
            ("#record-file", lambda: wanted.target),
            ("#record-letterhead", lambda: wanted.letterhead_file),
        )
        for field, look in fields:
            try:
                look()
            except CommissionError as error:
                self.query_one(field).focus()
                self._say(str(error))
                return
        self.dismiss(wanted)


def ask_check(app: Program) -> None:
    """Check a record against the job: the one written last, or one chosen by its path."""
    last = app.last_record
    name = last.file if last is not None else f"{app.visit.path.stem}-record.pdf"

    def chosen(text: str | None) -> None:
        if text is None:
            return
        path, visit = existing_file(text), app.visit

        def check(cancel: CancelToken, progress: Progress) -> tuple[tuple[str, str], ...]:
            return app.services.check_record(visit, path, cancel=cancel, progress=stoppable(cancel, progress))

        def show(sentence: tuple[tuple[str, str], ...]) -> None:
            app.push_screen(CheckResults(path.name, sentence))

        app.run_job(check, show)

    hint = "a record of this job (.pdf, .html, .json): its digest, its rows and every page are compared with the log"
    app.push_screen(AskText("Check which record?", hint, name, existing_file, enter="checks it"), chosen)


class CheckResults(PaintedOnce[None]):
    """The result of checking a record: a summary sentence, then each comparison."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "app.pop_screen", "Back", id="app.back")]

    def __init__(self, name: str, results: tuple[tuple[str, str], ...]) -> None:
        super().__init__()
        self._file_name, self._results = name, results

    def compose(self) -> ComposeResult:
        yield Static(Content(f" {clean_text(self._file_name)} against this job"), classes="headline")
        with VerticalScroll():
            for n, (symbol, text) in enumerate(self._results):
                with Horizontal(classes="checked"):
                    yield Static(Content(f" {symbol}"), classes="checked-symbol")
                    yield Static(Content(clean_text(text)), classes="" if n else "dialog-title")
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one(VerticalScroll).focus()
