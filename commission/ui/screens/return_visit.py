"""Begins a return visit: asks for the earlier job and the name of the new one, and opens it."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import TYPE_CHECKING

from commission.model.units import clean_text
from commission.ui.paths import SUFFIX, existing_file, new_job
from commission.ui.screens.choices import stoppable
from commission.ui.screens.dialogs import AskText, Choose

if TYPE_CHECKING:
    from commission.ui.program import Program
    from commission.visit import Visit

BY_PATH = " "
"""Key of the choice of another job; no path has this name."""


def ask_return(app: Program) -> None:
    """Ask for the earlier job among the recent ones, or by its path."""
    recent = app.services.recent()
    if not recent:
        _ask_path(app)
        return
    options = [(str(path), f"{path.stem}  {path.parent}") for path in recent]
    options.append((BY_PATH, "another one, by its path"))

    def chosen(key: str | None) -> None:
        if key == BY_PATH:
            _ask_path(app)
        elif key is not None:
            _ask_name(app, existing_file(key))

    app.push_screen(Choose("Return to which job?", options), chosen)


def _ask_path(app: Program) -> None:
    app.push_screen(
        AskText("Path of the earlier job", "ends in .commission; ~ is your home", "", existing_file, enter="goes on"),
        lambda text: _ask_name(app, existing_file(text)) if text is not None else None,
    )


def _ask_name(app: Program, earlier: Path) -> None:
    hint = f"A new job in this folder: the room of {earlier.name}, to be compared with the state as left then."
    app.push_screen(
        AskText("Name of the new job", hint, suggested(earlier, dt.date.today().year), new_job, enter="makes it"),
        lambda text: _make(app, Path.cwd() / new_job(text), earlier) if text is not None else None,
    )


def suggested(earlier: Path, year: int) -> str:
    """A free name for the new job: `loft-2027` after `loft` and after `loft-2026`; numbered if it exists."""
    stem = re.sub(r"-\d{4}(-\d+)?$", "", clean_text(earlier.stem)) + f"-{year}"
    name, count = stem, 1
    while Path(name + SUFFIX).exists():
        count += 1
        name = f"{stem}-{count}"
    return name


def _make(app: Program, target: Path, earlier: Path) -> None:
    app.run_job(
        lambda cancel, progress: app.services.create_return(target, earlier, progress=stoppable(cancel, progress)),
        lambda visit: _begin(app, visit),
    )


def _begin(app: Program, visit: Visit) -> None:
    app.show_visit(visit)
    back = visit.job.earlier
    if back is not None and not back.figures:
        app.say("Nothing was entered or measured at that visit, so nothing can be compared.")
