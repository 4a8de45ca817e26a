"""The first screen: recent jobs, a new one, the sample, a rehearsal."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, cast

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.widgets import Static

from commission import model
from commission.model.errors import CommissionError, InputError
from commission.model.units import clean_text
from commission.ui.paths import existing_file
from commission.ui.typeahead import PaintedOnce
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.picker import Item, Menu, Picker, text_item

if TYPE_CHECKING:
    from commission.ui.program import Program

HELP = """
A **job** is one file that ends in `.commission`: everything measured and decided in one cinema, in an append-only log.

- *New job* asks for a name and makes the file in this folder. A definition in TOML can be read instead.
- *Sample job* makes "Harbour Lane cinema", an invented room with real faults in its wiring and settings.
- *Return to an earlier job* makes a job for a later visit to the same room: it contains the room, loudspeakers and
  limits. Enter the settings and measure **as found** again: the step *Since last time* compares them with the state then.
- *Rehearsal* makes a practice job whose room is simulated: measure it as if you were there.
"""


class Start(PaintedOnce[None]):
    """Choose a job."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q", "app.quit", "Quit", id="app.quit"),
        Binding("question_mark", "help", "How", key_display="?", id="app.help"),
        Binding("escape", "stop", show=False, id="app.back"),
    ]

    @property
    def commission(self) -> Program:
        return cast("Program", self.app)

    def compose(self) -> ComposeResult:
        yield Static(Content(" commission"), classes="headline")
        yield Static(
            Content("Levels, delays and bass for every seat, as found and as left, with a record."), id="banner"
        )
        with VerticalScroll():
            yield Menu(id="choices")
        yield Static("", id="live", classes="remark")
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one(Picker).focus()
        self._fill()

    def on_screen_resume(self) -> None:
        """Refresh the recent jobs, which may include a new one."""
        self._fill()

    def refresh_results(self) -> None:
        """Show the progress of a job being made."""
        text = self.commission.working
        self.query_one("#live", Static).update(Content(text))

    def action_stop(self) -> None:
        self.commission.stop_work()

    def _fill(self) -> None:
        items: list[Item] = []
        recent = self.commission.services.recent()
        if recent:
            items.append(text_item("", " Recent", "head"))
            items += [
                text_item(f"open:{path}", f" {clean_text(path.stem)}  {clean_text(str(path.parent))}")
                for path in recent
            ]
        items += [
            text_item("", " Begin", "head"),
            text_item("new", " New job"),
            text_item("toml", " New job from a definition (TOML)"),
            text_item("path", " Open a job by its path"),
            text_item("return", " Return to an earlier job"),
            text_item("demo", " Sample job: Harbour Lane cinema"),
            text_item("rehearse", " Rehearsal in a simulated room"),
        ]
        self.query_one(Picker).show(items)

    def action_help(self) -> None:
        from commission.ui.screens.help import Help

        self.app.push_screen(Help("Jobs", HELP))

    @on(Picker.Chosen)
    def chosen(self, event: Picker.Chosen) -> None:
        from commission.ui.screens.dialogs import AskText

        key = event.key
        if key.startswith("open:"):
            self.commission.open_job(Path(key.removeprefix("open:")))
        elif key == "new":
            self.app.push_screen(
                AskText(
                    "Title of the new job",
                    "such as: Loft cinema; its file is made in this folder",
                    "",
                    _title,
                    enter="makes it",
                ),
                self._new,
            )
        elif key == "toml":
            self.app.push_screen(
                AskText("Path of the definition", "ends in .toml", "", existing_file, enter="reads it"),
                self._from_toml,
            )
        elif key == "path":
            self.app.push_screen(
                AskText("Path of the job", "ends in .commission", "", existing_file, enter="opens it"), self._open
            )
        elif key == "return":
            from commission.ui.screens.return_visit import ask_return

            ask_return(self.commission)
        elif key == "demo":
            self.commission.run_job(
                lambda cancel, progress: self.commission.services.demo(Path.cwd(), cancel, progress),
                self.commission.open_job,
            )
        elif key == "rehearse":
            self.app.push_screen(
                AskText("Number of the room", "the same number, the same room", "1", _seed, enter="opens it"),
                self._rehearse,
            )

    def _open(self, path: str | None) -> None:
        if path:
            self.commission.open_job(existing_file(path))

    def _new(self, title: str | None) -> None:
        if title:
            name = "-".join("".join(c if c.isalnum() else " " for c in title.lower()).split()) or "job"
            self._make(
                lambda: self.commission.services.create(Path.cwd() / name, model.System(title=clean_text(title)))
            )

    def _from_toml(self, path: str | None) -> None:
        if path:
            source = existing_file(path)
            target = Path.cwd() / source.stem
            self._make(lambda: self.commission.services.create_from_toml(target, source))

    def _make(self, make: object) -> None:
        try:
            visit = make()  # type: ignore[operator]
        except CommissionError as error:
            self.commission.refuse(str(error))
            return
        self.commission.show_visit(visit)

    def _rehearse(self, seed: str | None) -> None:
        if seed:
            try:
                self._open(str(self.commission.services.rehearsal(Path.cwd(), int(seed))))
            except CommissionError as error:
                self.commission.refuse(str(error))


def _title(text: str) -> None:
    if not text.strip():
        raise InputError("title", "nothing", "a name for the job")


def _seed(text: str) -> None:
    if not text.strip().isdecimal() or int(text) > 10**9:
        raise InputError("room", f"“{clean_text(text)}”", "a whole number from 0")
