"""The terminal program: one open job, its screens, and the worker that computes."""

from __future__ import annotations

import gc
import logging
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

from textual import on, work
from textual.app import App, SystemCommand
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.screen import Screen
from textual.worker import Worker, WorkerState, get_current_worker

from commission import model, steps
from commission.model.errors import Cancelled, CommissionError
from commission.ui.keys import load_keys

if TYPE_CHECKING:  # the first screen is painted before what computes is loaded
    from pathlib import Path

    from commission.model import Advice, CancelToken, Finding, Outcome, Progress
    from commission.ui.text import TimeLeft
    from commission.visit import Visit, Workshop

log = logging.getLogger("commission")
T = TypeVar("T")


@dataclass
class Progressed(Message):
    """How far the work is; a backlog of these collapses into the newest."""

    line: str

    def can_replace(self, message: Message) -> bool:
        """Only the newest counts."""
        return isinstance(message, Progressed)


@dataclass
class Computed(Message):
    """Results of one round, computed by the worker."""

    round_id: str
    outcomes: dict[str, Outcome]
    findings: tuple[Finding, ...]
    advice: Advice | None
    complete: bool = True


class CommissionApp(App[int]):
    """Guides the visit. `workshop` makes everything that touches the world outside."""

    TITLE = "commission"
    CSS_PATH = "commission.tcss"
    ENABLE_COMMAND_PALETTE = True
    COMMAND_PALETTE_BINDING = "colon"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q", "quit", "Quit", show=False, id="app.quit"),
    ]

    def __init__(self, workshop: Workshop, path: Path | None = None, keys: Path | None = None) -> None:
        super().__init__()
        self.workshop = workshop
        self._path, self._keys = path, keys
        self._refusal = ""
        """Why the job named at the start was not opened; told once there is a screen."""
        self._visit: Visit | None = None
        self.round_id = ""
        """The round that is looked at; set with the job."""
        self.outcomes: dict[str, Outcome] = {}
        self.findings: tuple[Finding, ...] = ()
        self.advice: Advice | None = None
        self.working = ""
        """The progress line while something runs; empty when nothing does."""

    # --- opening ----------------------------------------------------------------------------------------------

    def get_default_screen(self) -> Screen[Any]:
        """The first screen stands at the bottom: a blank one below it would be laid out and painted before it."""
        if self._path is not None:
            try:
                self._take(self.workshop.open(self._path))
            except CommissionError as error:
                self._refusal = str(error)
        if self._visit is not None:
            from commission.ui.screens.overview import Overview

            return Overview()
        from commission.ui.screens.start import Start

        return Start()

    def on_mount(self) -> None:
        """Read the keys, say what was refused, and compute."""
        self.call_after_refresh(gc.enable)  # off while the program loads
        keys, problem = load_keys(self._keys)
        if keys:
            self.set_keymap(keys)
        for sentence in filter(None, (problem, self._refusal)):
            self.refuse(sentence)
        if self._visit is not None:
            self._begin(self._visit)

    def choose_job(self) -> None:
        """Show the choice of jobs, under everything else."""
        from commission.ui.screens.start import Start

        while len(self.screen_stack) > 1 and not isinstance(self.screen, Start):
            self.pop_screen()
        if not isinstance(self.screen, Start):
            self.push_screen(Start())

    @property
    def visit(self) -> Visit:
        """The open job."""
        assert self._visit is not None
        return self._visit

    def open_job(self, path: Path) -> None:
        """Open a job file and show its overview; a refusal is shown and changes nothing."""
        try:
            self.show_visit(self.workshop.open(path))
        except CommissionError as error:
            self.refuse(str(error))

    def show_visit(self, visit: Visit) -> None:
        """Go on with an open job."""
        from commission.ui.screens.overview import Overview

        self._take(visit)
        self.push_screen(Overview())
        self._begin(visit)

    def _take(self, visit: Visit) -> None:
        if self._visit is not None:
            self._visit.close()
        self._visit = visit
        self.round_id = visit.job.current_round
        self.outcomes, self.findings, self.advice = {}, (), None

    def _begin(self, visit: Visit) -> None:
        if visit.read_only:
            self.notify("This job is open for reading only: nothing can be stored here.", severity="warning")
        self.call_after_refresh(self.compute)  # what computes would fight the first paint for the processor

    def on_unmount(self) -> None:
        """Release the file."""
        if self._visit is not None:
            self._visit.close()

    # --- computing --------------------------------------------------------------------------------------------

    def compute(self) -> None:
        """Bring results up to date, in the background."""
        if self._visit is not None:
            self._compute(self._visit, self.round_id)

    @work(thread=True, exclusive=True, exit_on_error=False, group="compute")
    def _compute(self, visit: Visit, round_id: str) -> None:
        from commission.ui.text import TimeLeft

        worker = get_current_worker()
        left = TimeLeft()
        first = {each.id: visit.outcome(each.id, round_id) for each in visit.steps if each.entry == "form"}
        self.post_message(Computed(round_id, self.outcomes | first, self.findings, self.advice, complete=False))
        try:
            visit.analyse(worker.cancelled_event, lambda f, t: self._tell(left, f, t) if t else None)
        except Cancelled:
            return
        if worker.is_cancelled:
            return
        outcomes = visit.outcomes(round_id)
        found = visit.findings(round_id)
        if not worker.is_cancelled:
            self.post_message(Computed(round_id, outcomes, found, visit.next_advice(round_id)))

    def _tell(self, left: TimeLeft, fraction: float, text: str) -> None:
        self.post_message(Progressed(left.line(fraction, text)))

    @on(Progressed)
    def show_progress(self, message: Progressed) -> None:
        """Show how far the work is."""
        self.working = message.line
        self._refresh_screen()

    @on(Computed)
    def show_results(self, message: Computed) -> None:
        """Results are there."""
        if message.round_id != self.round_id:
            return
        self.outcomes, self.findings, self.advice = message.outcomes, message.findings, message.advice
        if message.complete:
            self.working = ""
        self._refresh_screen()

    def _refresh_screen(self) -> None:
        from commission.ui.screens.base import VisitScreen

        if isinstance(self.screen, VisitScreen) and self.screen.is_mounted:
            self.screen.refresh_results()

    def run_job(self, what: Callable[[CancelToken, Progress], T], done: Callable[[T], None]) -> None:
        """Run `what(cancel, progress)` in a worker; `done(result)` afterwards on the screen's thread."""
        self._run_job(what, done)

    @work(thread=True, exclusive=True, exit_on_error=False, group="job")
    def _run_job(self, what: Callable[[CancelToken, Progress], Any], done: Callable[[Any], None]) -> None:
        from commission.ui.text import TimeLeft

        left = TimeLeft()
        worker = get_current_worker()
        try:
            result = what(worker.cancelled_event, lambda f, t: self._tell(left, f, t))
        except Cancelled:
            self.call_from_thread(self._job_over, "Stopped; what was stored stays stored.", None, None)
        except CommissionError as error:
            self.call_from_thread(self._job_over, str(error), None, None)
        else:
            self.call_from_thread(self._job_over, "", done, result)

    def _job_over(self, said: str, done: Callable[[Any], None] | None, result: object) -> None:
        self.working = ""
        if said:
            self.refuse(said)
        if done is not None:
            done(result)
        self._refresh_screen()
        self.compute()

    @on(Worker.StateChanged)
    def worker_failed(self, event: Worker.StateChanged) -> None:
        """An unexpected error in a worker is told and logged; the screen stays alive."""
        if event.state is WorkerState.ERROR:
            self.working = ""
            log.error("worker failed", exc_info=event.worker.error)
            self.refuse(f"That went wrong inside the program: {event.worker.error!r}. Nothing stored was touched.")

    def stop_work(self) -> bool:
        """Cancel what runs; whether anything did."""
        running = [w for w in self.workers if w.is_running and w.group in ("job", "compute")]
        jobs = [w for w in running if w.group == "job"]
        for worker in jobs or (running if self.working else []):
            worker.cancel()
        if not jobs and self.working and running:
            self.working = ""
            self.notify("Analysis stopped; it goes on with the next change.")
        return bool(jobs) or (bool(running) and bool(self.working))

    def refuse(self, sentence: str) -> None:
        """Say why something was not done."""
        self.notify(sentence, severity="error", timeout=12, markup=False)

    # --- going places -----------------------------------------------------------------------------------------

    def open_step(self, step_id: str) -> None:
        """Open a step's screen, in place of another step's."""
        from commission.ui.screens.site import SiteForm
        from commission.ui.screens.step import StepScreen

        while len(self.screen_stack) > 1 and isinstance(self.screen, StepScreen | SiteForm):
            self.pop_screen()
        found = steps.step(step_id)
        self.push_screen(SiteForm(step_id) if found.entry == "form" else StepScreen(step_id))

    def choose_round(self) -> None:
        """Look at another round, or begin one."""
        from commission.ui.screens.dialogs import Choose
        from commission.ui.text import round_name

        rounds = list(self.visit.job.rounds)
        options = [(name, f"{round_name(name)}: look at it") for name in rounds]
        count = sum(name not in (model.AS_FOUND, model.AS_LEFT) for name in rounds) + 1
        options.append((f"interim-{count}", f"begin interim round {count}"))
        if model.AS_LEFT not in rounds:
            options.append((model.AS_LEFT, "begin the round as left"))
        self.push_screen(Choose("Which round?", options, self.round_id), self._round_chosen)

    def _round_chosen(self, name: str | None) -> None:
        if name is None:
            return
        if name not in self.visit.job.rounds:
            try:
                self.visit.append(model.RoundOpened(round=name))
            except CommissionError as error:
                self.refuse(str(error))
                return
        self.round_id = name
        self.outcomes, self.findings, self.advice = {}, (), None
        self._refresh_screen()
        self.compute()

    def action_sheet(self) -> None:
        """The settings sheet."""
        from commission.ui.screens.sheet import Sheet

        self.push_screen(Sheet())

    def action_import_files(self) -> None:
        """Import responses."""
        from commission.ui.screens.imports import Imports

        self.push_screen(Imports())

    def action_log(self) -> None:
        """The log."""
        from commission.ui.screens.log import Log

        self.push_screen(Log())

    def action_stop_or_stay(self) -> None:
        """Escape on the overview: stop what runs, leave nothing."""
        self.stop_work()

    def action_other_job(self) -> None:
        """Back to the choice of jobs."""
        self.choose_job()

    def action_export(self) -> None:
        """Write the record to a file."""
        from commission.ui.screens.dialogs import AskText

        name = f"{self.visit.path.stem}-record.json"
        self.push_screen(AskText("Write the record to", "ends in .json or .csv", name), self._export)

    def _export(self, name: str | None) -> None:
        if name:
            target = Path(name).expanduser()
            self.run_job(lambda cancel, progress: self.workshop.export(self.visit, target),
                         lambda said: self.notify(str(said), markup=False))  # fmt: skip

    def get_system_commands(self, screen: Screen[Any]) -> Iterable[SystemCommand]:
        """Everything there is, by name."""
        if self._visit is not None:
            for n, each in enumerate(self._visit.steps, start=1):
                yield SystemCommand(f"Step {n}: {each.title}", each.question, lambda i=each.id: self.open_step(i))
            yield SystemCommand("Settings sheet", "Exactly what to type into the processor", self.action_sheet)
            yield SystemCommand(
                "Import responses", "WAV, FLAC or text files, folders, a mapping", self.action_import_files
            )
            yield SystemCommand("Log", "Every event; take entries back; verify the chain", self.action_log)
            yield SystemCommand("Round", "Look at another round, or begin one", self.choose_round)
            yield SystemCommand("Write the record", "Results and the log as JSON or CSV", self.action_export)
            yield SystemCommand("Other job", "Back to the choice of jobs", self.action_other_job)
            yield SystemCommand("Live measurement", "Which device would be used",
                                lambda: self.notify(self.workshop.live_status(), timeout=12))  # fmt: skip
        yield SystemCommand("Quit", "Everything is stored already", self.action_quit)
        yield SystemCommand("Theme", "Dark, light, or the terminal's own colours", self.action_change_theme)
