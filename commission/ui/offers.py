"""What the command palette offers; loaded when it opens."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from textual.app import SystemCommand

if TYPE_CHECKING:
    from commission.ui.app import CommissionApp


def offers(app: CommissionApp) -> Iterator[SystemCommand]:
    """Everything there is, by name."""
    from commission.ui.screens.returning import ask_return

    if app.has_job:
        yield from _of_the_job(app)
    yield SystemCommand("Return to an earlier job", "A later visit to the same room, compared with how it was left",
                        lambda: ask_return(app))  # fmt: skip
    yield SystemCommand("Quit", "Everything is stored already", app.action_quit)
    yield SystemCommand("Theme", "Dark, light, or the terminal's own colours", app.action_change_theme)


def _of_the_job(app: CommissionApp) -> Iterator[SystemCommand]:
    for n, each in enumerate(app.visit.steps, start=1):
        yield SystemCommand(f"Step {n}: {each.title}", each.question, lambda i=each.id: app.open_step(i))
    yield SystemCommand("Settings sheet", "Exactly what to type into the processor", app.action_sheet)
    yield SystemCommand("Import responses", "WAV, FLAC or text files, folders, a mapping", app.action_import_files)
    yield SystemCommand("Photograph", "Attach a picture to a step, by its path", app.action_photo)
    yield SystemCommand("Log", "Every event; take entries back; verify the chain", app.action_log)
    yield SystemCommand("Round", "Look at another round, or begin one", app.choose_round)
    yield SystemCommand("Limits", "What verdicts rest on; judge by a file of your own", app.action_limits)
    yield SystemCommand("Write the record", "PDF, HTML, JSON, CSV or SOFA", app.action_export)
    if app.rejudged is not None:
        yield SystemCommand("Judged differently", "Stored verdicts against those of today", app.action_rejudged)
    yield SystemCommand("Other job", "Back to the choice of jobs", app.action_other_job)
    yield SystemCommand("Live measurement", "Which device would be used",
                        lambda: app.notify(app.workshop.live_status(), timeout=12, markup=False))  # fmt: skip
