"""The protocol between screens and program: the open job, its results, other screens, work in the background.

Screens know this protocol alone; `app.py` implements it and knows the screens.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

if TYPE_CHECKING:  # the first screen is painted before the computing modules load
    from pathlib import Path

    from textual.screen import Screen

    from commission.diagnosis.unexplained_checks import OpenChecks
    from commission.diagnosis.verdict_changes import VerdictComparison
    from commission.model import Advice, CancelToken, FindingHistory, Outcome, Progress, SheetIssued
    from commission.services import Services
    from commission.steps.handover.settings_sheet import SheetLine
    from commission.ui.record_request import RecordRequest
    from commission.visit import Visit

T = TypeVar("T")


class Program(Protocol):
    """The program as seen by a screen. Errors such as a wrong path or a full disk are shown, not raised."""

    services: Services
    round_id: str
    """The round shown."""
    finding_histories: tuple[FindingHistory, ...]
    unexplained: tuple[OpenChecks, ...]
    advice: Advice | None
    sheet: tuple[SheetLine, ...] | None
    """The settings sheet of all rounds; None before it is computed."""
    sheet_to_keep: tuple[SheetIssued, ...]
    """Events to store with the first tick on the sheet."""
    verdict_changes: VerdictComparison | None
    working: str
    """The progress line of running work; empty if none is running."""
    analysis_stopped: bool
    file_problem: str | None
    """Why nothing can be stored any more; None if it can."""
    last_record: RecordRequest | None

    # --- the open job -------------------------------------------------------------------------------------------

    @property
    def has_job(self) -> bool:
        """Whether a job is open."""

    @property
    def visit(self) -> Visit:
        """The open job."""

    @property
    def outcomes(self) -> Mapping[str, Outcome]:
        """Outcomes of the round by step, as far as computed."""

    def open_job(self, path: Path) -> None:
        """Open a job file and show its overview."""

    def show_visit(self, visit: Visit) -> None:
        """Continue with an open job."""

    # --- screens ------------------------------------------------------------------------------------------------

    @property
    def screen(self) -> Screen[Any]:
        """The screen on top."""

    def push_screen(self, screen: Screen[T], callback: Callable[[T | None], Any] | None = None) -> Any:
        """Show a screen on top; `callback` gets its result."""

    def call_later(self, callback: Callable[..., Any]) -> bool:
        """Call a function after the current message is handled."""

    def key_of(self, binding: str, usual: str) -> str:
        """The key of a binding: the user's own if there is one."""

    def open_step(self, step_id: str, *, by_digit: bool = False) -> None:
        """Open a step's screen in place of another step's; `by_digit`: with the key of its number."""

    def show_round(self, name: str) -> None:
        """Show another round."""

    def choose_round(self) -> None:
        """Show another round, or begin one."""

    def action_sheet(self) -> None:
        """Show the settings sheet."""

    def action_import_files(self) -> None:
        """Import responses."""

    def action_log(self) -> None:
        """Show the log."""

    def action_photo(self) -> None:
        """Attach a photograph to a step."""

    def action_export(self) -> None:
        """Write the record to a file."""

    def action_check_record(self) -> None:
        """Check a record against the job."""

    def action_limits(self) -> None:
        """Show the limits in force."""

    def action_verdict_changes(self) -> None:
        """Show verdicts that this version decides differently."""

    def action_look(self) -> None:
        """Choose the theme."""

    def action_other_job(self) -> None:
        """Return to the choice of jobs."""

    async def action_quit(self) -> None:
        """Quit; if something is running, stop it first and ask."""

    # --- work and notices ---------------------------------------------------------------------------------------

    def compute(self) -> None:
        """Update results in the background."""

    def run_job(
        self,
        what: Callable[[CancelToken, Progress], T],
        done: Callable[[T], None],
        failed: Callable[[str], None] | None = None,
    ) -> None:
        """Run `what(cancel, progress)` in the background, then `done(result)` on the screen's thread."""

    def stop_job(self) -> bool:
        """Cancel requested work (a sweep, an import, a record); whether any was running."""

    def stop_work(self) -> None:
        """Cancel requested work, else the analysis."""

    def refuse(self, sentence: str) -> None:
        """Show why something was not done."""

    def say(self, sentence: str) -> None:
        """Show what was done."""

    def notify(self, message: str, *, timeout: float | None = None, markup: bool = True) -> None:
        """Show a notice."""
