"""What screens ask of the program that shows them: the open job, its results, other screens, work in the background.

Screens know this protocol alone; `app.py` implements it and knows the screens.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

if TYPE_CHECKING:  # the first screen is painted before what computes is loaded
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
    """The program as a screen sees it. What happens on a wrong path or a full disk is shown here, not raised."""

    services: Services
    round_id: str
    """The round that is looked at."""
    finding_histories: tuple[FindingHistory, ...]
    unexplained: tuple[OpenChecks, ...]
    advice: Advice | None
    sheet: tuple[SheetLine, ...] | None
    """The settings sheet of all rounds; None before it is known."""
    sheet_to_keep: tuple[SheetIssued, ...]
    """What the first tick on the sheet stores with it."""
    verdict_changes: VerdictComparison | None
    working: str
    """The progress line while something runs; empty when nothing does."""
    analysis_stopped: bool
    file_problem: str | None
    """Why nothing can be stored any more; None: it can."""
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
        """Outcomes of the round, by step; those that are computed."""

    def open_job(self, path: Path) -> None:
        """Open a job file and show its overview."""

    def show_visit(self, visit: Visit) -> None:
        """Go on with an open job."""

    # --- screens ------------------------------------------------------------------------------------------------

    @property
    def screen(self) -> Screen[Any]:
        """The screen on top."""

    def push_screen(self, screen: Screen[T], callback: Callable[[T | None], Any] | None = None) -> Any:
        """Show a screen on top; `callback` gets what it is left with."""

    def call_later(self, callback: Callable[..., Any]) -> bool:
        """Call something once what is being handled is done."""

    def key_of(self, binding: str, usual: str) -> str:
        """The key that a binding has here: the user's own where there is one."""

    def open_step(self, step_id: str, *, by_digit: bool = False) -> None:
        """Open a step's screen, in place of another step's; `by_digit`: with the key of its number."""

    def show_round(self, name: str) -> None:
        """Look at another round."""

    def choose_round(self) -> None:
        """Look at another round, or begin one."""

    def action_sheet(self) -> None:
        """The settings sheet."""

    def action_import_files(self) -> None:
        """Import responses."""

    def action_log(self) -> None:
        """The log."""

    def action_photo(self) -> None:
        """Attach a photograph to a step."""

    def action_export(self) -> None:
        """Write the record to a file."""

    def action_check_record(self) -> None:
        """Check a record against the job."""

    def action_limits(self) -> None:
        """The limits in force."""

    def action_verdict_changes(self) -> None:
        """Verdicts that this version would give differently."""

    def action_look(self) -> None:
        """The theme."""

    def action_other_job(self) -> None:
        """Back to the choice of jobs."""

    async def action_quit(self) -> None:
        """Quit; while something runs, stop it first and ask."""

    # --- work and notices ---------------------------------------------------------------------------------------

    def compute(self) -> None:
        """Bring results up to date, in the background."""

    def run_job(
        self,
        what: Callable[[CancelToken, Progress], T],
        done: Callable[[T], None],
        failed: Callable[[str], None] | None = None,
    ) -> None:
        """Run `what(cancel, progress)` in the background, then `done(result)` on the screen's thread."""

    def stop_job(self) -> bool:
        """Cancel what was asked for (a sweep, an import, a record); whether anything ran."""

    def stop_work(self) -> None:
        """Cancel what was asked for, else the analysis."""

    def refuse(self, sentence: str) -> None:
        """Show why something was not done."""

    def say(self, sentence: str) -> None:
        """Show what was done."""

    def notify(self, message: str, *, timeout: float | None = None, markup: bool = True) -> None:
        """Show a notice."""
