"""Runs work in the background: updates results, runs jobs, reports progress, and cancels with Escape. No screen waits."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from textual import on, work
from textual.message import Message
from textual.worker import Worker, WorkerState, get_current_worker

from commission.model.errors import Cancelled, CommissionError
from commission.model.units import clean_text
from commission.ui import garbage
from commission.ui.typeahead import TypeaheadApp

if TYPE_CHECKING:  # the first screen is painted before the computing modules load
    from commission.diagnosis.unexplained_checks import OpenChecks
    from commission.diagnosis.verdict_changes import VerdictComparison
    from commission.model import Advice, CancelToken, FindingHistory, Outcome, Progress, SheetIssued
    from commission.steps.handover.settings_sheet import SheetLine
    from commission.ui.text import TimeLeft
    from commission.visit import Visit

log = logging.getLogger("commission")
FILE_CHECK_S = 2.0
"""Interval of checks of the job file; each takes some microseconds."""
T = TypeVar("T")


@dataclass
class Progressed(Message):
    """The progress of the work; unread ones are replaced by the newest."""

    line: str

    def can_replace(self, message: Message) -> bool:
        """Whether this message replaces an unread one."""
        return isinstance(message, Progressed)


@dataclass
class Computed(Message):
    """Results of one round, computed by the worker."""

    round_id: str
    outcomes: dict[str, Outcome]
    finding_histories: tuple[FindingHistory, ...]
    advice: Advice | None
    unexplained: tuple[OpenChecks, ...] = ()
    sheet: tuple[SheetLine, ...] | None = None
    sheet_to_keep: tuple[SheetIssued, ...] = ()
    complete: bool = True


@dataclass
class FileChecked(Message):
    """Whether the job file is still as this program left it; `problem` is a sentence if it is not."""

    visit: Visit
    problem: str | None


@dataclass
class VerdictsCompared(Message):
    """Stored verdicts compared with today's."""

    visit: Visit
    found: VerdictComparison | None


class WorkingApp(TypeaheadApp):
    """An app with at most one open job and its results. Subclasses choose the job and the screens."""

    def __init__(self) -> None:
        super().__init__()
        self._visit: Visit | None = None
        self.round_id = ""
        """The round shown; set with the job."""
        self.outcomes: dict[str, Outcome] = {}
        self.finding_histories: tuple[FindingHistory, ...] = ()
        """The findings up to the round shown, each with its fate."""
        self.unexplained: tuple[OpenChecks, ...] = ()
        """Failed checks that no finding explains."""
        self.advice: Advice | None = None
        self.sheet: tuple[SheetLine, ...] | None = None
        """The settings sheet of all rounds; None before it is computed."""
        self.sheet_to_keep: tuple[SheetIssued, ...] = ()
        """The prediction of the sheet, stored with the first tick on it unless the log has it."""
        self.verdict_changes: VerdictComparison | None = None
        """Verdicts that differ today; None before they are compared, or if none are stored."""
        self.working = ""
        """The progress line of running work; empty if none is running."""
        self.file_problem: str | None = None
        """Why the open job takes no entries, shown as long as it applies: another program changed its file."""
        self._failures_shown: set[str] = set()
        self._frozen: Visit | None = None
        """The job whose first results have been computed."""
        self.analysis_stopped = False
        """Whether Escape stopped the analysis: results stay incomplete until it resumes."""

    def on_mount(self) -> None:
        """Start checking the job file."""
        self.set_interval(FILE_CHECK_S, self.check_file)

    def check_file(self) -> None:
        """Check in the background whether another program changed the job file; one check at a time, as a disk may hang."""
        if self._visit is not None and not any(each.group == "file" and each.is_running for each in self.workers):
            self._check_file(self._visit)

    @work(thread=True, exit_on_error=False, group="file")
    def _check_file(self, visit: Visit) -> None:
        self.post_message(FileChecked(visit, visit.file_problem()))

    @on(FileChecked)
    def show_file_problem(self, message: FileChecked) -> None:
        """Notify on a change, and again when it is over; meanwhile the first line of each screen shows it."""
        if message.visit is not self._visit or message.problem == self.file_problem:
            return
        self.file_problem = message.problem
        if message.problem is not None:
            self.refuse(message.problem)
        else:
            self.say("The job file is as it was left here: entries are stored again.")
        self._refresh_screen()

    def compute(self) -> None:
        """Update results in the background."""
        self.analysis_stopped = False
        if self._visit is not None:
            self._compute(self._visit, self.round_id)

    @work(thread=True, exclusive=True, exit_on_error=False, group="compute")
    def _compute(self, visit: Visit, round_id: str) -> None:
        from commission.ui.text import TimeLeft

        worker = get_current_worker()
        left = TimeLeft()
        first = {each.id: visit.outcome(each.id, round_id) for each in visit.steps if each.entry == "form"}
        before = (self.finding_histories, self.advice, self.unexplained, self.sheet)
        self.post_message(Computed(round_id, self.outcomes | first, *before, complete=False))
        try:
            visit.analyse(worker.cancelled_event, lambda f, t: self._analysed(left, f, t))
        except Cancelled:
            self.post_message(Progressed(""))  # a report still in the queue would otherwise stay for good
            return
        if worker.is_cancelled:
            return
        self.post_message(FileChecked(visit, visit.file_problem()))  # arrives before the results
        outcomes = {}
        for each in visit.steps:
            if worker.is_cancelled:  # another entry follows, and replaces these results
                return
            outcomes[each.id] = visit.outcome(each.id, round_id)
        found = visit.finding_histories(round_id)
        if not worker.is_cancelled:
            failed, sheet = visit.unexplained(round_id), visit.settings_sheet()
            advice, keep = visit.next_advice(round_id), visit.sheet_to_keep()
            self.post_message(Computed(round_id, outcomes, found, advice, failed, sheet, keep))
        for sentence in visit.failures(round_id):
            if sentence not in self._failures_shown:
                self._failures_shown.add(sentence)
                self.call_from_thread(self.refuse, sentence)
        # Takes half a second for a job with stored verdicts, so not between two consecutive readings.
        if not visit.job.stored_verdicts or not worker.cancelled_event.wait(0.3):
            self.post_message(VerdictsCompared(visit, visit.verdict_changes()))

    def _analysed(self, left: TimeLeft, fraction: float, text: str) -> None:
        if text:
            self.post_message(Progressed(left.line(fraction, text, stops=False)))

    def _progress(self, left: TimeLeft, fraction: float, text: str) -> None:
        self.post_message(Progressed(left.line(fraction, text)))

    @on(Progressed)
    def show_progress(self, message: Progressed) -> None:
        self.working = message.line
        self._refresh_screen()

    @on(Computed)
    def show_results(self, message: Computed) -> None:
        if message.round_id != self.round_id:
            return
        self.outcomes, self.finding_histories, self.advice = (
            message.outcomes,
            message.finding_histories,
            message.advice,
        )
        self.unexplained, self.sheet = message.unexplained, message.sheet
        self.sheet_to_keep = message.sheet_to_keep
        if message.complete:
            self.working = ""
            if self._frozen is not self._visit:
                self._frozen = self._visit
                garbage.keep_all()  # loaded and computed objects last as long as the job
        self._refresh_screen()

    @on(VerdictsCompared)
    def show_verdict_changes(self, message: VerdictsCompared) -> None:
        if message.visit is self._visit and message.found is not self.verdict_changes:
            self.verdict_changes = message.found
            self._refresh_screen()

    def _refresh_screen(self) -> None:
        if not self.screen_stack:  # the program is closing
            return
        if self.screen.is_mounted and (refresh := getattr(self.screen, "refresh_results", None)) is not None:
            refresh()

    def run_job(
        self,
        what: Callable[[CancelToken, Progress], T],
        done: Callable[[T], None],
        failed: Callable[[str], None] | None = None,
    ) -> None:
        """Run `what(cancel, progress)` in a worker; `done(result)` afterwards on the screen's thread.

        A refusal goes to `failed`; without one it becomes a notice.
        """
        from commission.ui.text import TimeLeft

        self.working = TimeLeft().line(0.0, "begins")  # at once: a sweep may be audible before its first report
        self._refresh_screen()
        self._run_job(what, done, failed or self.refuse)

    @work(thread=True, exclusive=True, exit_on_error=False, group="job")
    def _run_job(
        self,
        what: Callable[[CancelToken, Progress], Any],
        done: Callable[[Any], None],
        failed: Callable[[str], None],
    ) -> None:
        from commission.ui.text import TimeLeft

        left = TimeLeft()
        worker = get_current_worker()
        try:
            result = what(worker.cancelled_event, lambda f, t: self._progress(left, f, t))
        except Cancelled:
            self.call_from_thread(self._job_over, self.say, "Stopped; everything stored so far is kept.")
        except CommissionError as error:
            self.call_from_thread(self._job_over, failed, str(error))
        else:
            self.call_from_thread(self._job_over, done, result)

    def _job_over(self, then: Callable[[Any], None], what: object) -> None:
        self.working = ""
        self._refresh_screen()  # before a question opens above it
        then(what)
        self._refresh_screen()
        self.compute()

    @on(Worker.StateChanged)
    def worker_failed(self, event: Worker.StateChanged) -> None:
        """Show and log an unexpected error in a worker; the screen stays usable."""
        if event.state is WorkerState.ERROR:
            self.working = ""
            self.analysis_stopped |= (
                event.worker.group == "compute"
            )  # otherwise results would be "being computed" for ever
            log.error("worker failed", exc_info=event.worker.error)
            self._refresh_screen()  # removes the progress line as well
            self.refuse(f"Internal error: {event.worker.error!r}. Stored data was not changed.")

    def stop_job(self) -> bool:
        """Cancel requested work (a sweep, an import, a record); whether any was running. The analysis continues."""
        return self._cancel("job")

    def stop_work(self) -> None:
        if not self.stop_job() and self.working and self._cancel("compute"):
            self.working, self.analysis_stopped = "", True
            self._refresh_screen()

    def _cancel(self, group: str) -> bool:
        running = [worker for worker in self.workers if worker.is_running and worker.group == group]
        for worker in running:
            worker.cancel()
        return bool(running)

    def refuse(self, sentence: str) -> None:
        """Show why something was not done."""
        self.notify(clean_text(sentence), severity="error", timeout=12, markup=False)

    def say(self, sentence: str) -> None:
        """Show what was done; file names are cleaned."""
        self.notify(clean_text(sentence), timeout=8, markup=False)
