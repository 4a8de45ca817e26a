"""All actions by name, for the search; loaded on first use."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

from commission.ui.screens.action_search import Offer

if TYPE_CHECKING:
    from commission.ui.program import Program


def offers(app: Program) -> Iterator[Offer]:
    """The actions available now, by name."""
    from commission.ui.screens.return_visit import ask_return

    if app.has_job:
        yield from _of_the_job(app)
    yield Offer("Return to an earlier job", "A later visit to the same room", lambda: ask_return(app))
    yield Offer("Quit", "Everything is stored already", app.action_quit)
    yield Offer("Theme", "Dark, light, or the terminal's own colours", app.action_look)


def _of_the_job(app: Program) -> Iterator[Offer]:
    for n, each in enumerate(app.visit.steps, start=1):
        yield Offer(f"Step {n}: {each.title}", "", partial(app.open_step, each.id))
    yield Offer("Settings sheet", "Exactly what to type into the processor", app.action_sheet)
    yield Offer("Import responses", "WAV, FLAC or text; folders; a mapping", app.action_import_files)
    yield Offer("Photograph", "Attach a picture to a step, by its path", app.action_photo)
    yield Offer("Log", "Every event; take back; verify the chain", app.action_log)
    yield Offer("Round", "Look at another round, or begin one", app.choose_round)
    yield Offer("Limits", "The limits of all verdicts; your own file", app.action_limits)
    yield Offer("Write the record", "PDF, HTML, JSON, CSV or SOFA", app.action_export)
    yield Offer("Check a record", "Compared with this job: digest, rows, pages", app.action_check_record)
    if app.verdict_changes is not None:
        yield Offer("Changed verdicts", "Stored verdicts compared with today's", app.action_verdict_changes)
    yield Offer("Other job", "Back to the choice of jobs", app.action_other_job)
    yield Offer(
        "Live measurement",
        "Which device would be used",
        lambda: app.notify(app.services.live_status(), timeout=12, markup=False),
    )
