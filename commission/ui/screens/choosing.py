"""Two questions of the whole job: which round, and where to write the record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from commission import model
from commission.model.errors import Cancelled, CommissionError
from commission.ui.paths import new_file
from commission.ui.screens.dialogs import AskText, Choose
from commission.ui.text import round_name

if TYPE_CHECKING:
    from pathlib import Path

    from commission.model import CancelToken, Progress
    from commission.ui.app import CommissionApp

RECORDS = (".pdf", ".html", ".json", ".csv", ".sofa")
RECORD_HINT = """.pdf to print, .html for any browser: the record for the client
.json everything, .csv every check, .sofa the responses (AES69)
A name such as loft.de.pdf makes it German."""


def choose_round(app: CommissionApp) -> None:
    """Look at another round, or begin one."""
    rounds = list(app.visit.job.rounds)
    options = [(name, f"{round_name(name)}: look at it") for name in rounds]
    count = sum(name not in (model.AS_FOUND, model.AS_LEFT) for name in rounds) + 1
    options.append((f"interim-{count}", f"begin interim round {count}"))
    if model.AS_LEFT not in rounds:
        options.append((model.AS_LEFT, "begin the round as left"))

    def chosen(name: str | None) -> None:
        if name is None:
            return
        if name not in app.visit.job.rounds:
            try:
                app.visit.append(model.RoundOpened(round=name))
            except CommissionError as error:
                app.refuse(str(error))
                return
        app.show_round(name)

    app.push_screen(Choose("Which round?", options, app.round_id), chosen)


def stoppable(cancel: CancelToken, progress: Progress) -> Progress:
    """A progress that ends the work, by Cancelled, where Escape was pressed."""

    def report(fraction: float, text: str) -> None:
        if cancel.is_set():
            raise Cancelled
        progress(fraction, text)

    return report


def ask_record(app: CommissionApp) -> None:
    """Where to write the record, and in which form its ending says."""

    def asked(name: str | None) -> None:
        if name is None:
            return
        target = new_file(name, RECORDS)
        if not target.exists():
            _write(app, target)
            return
        options = [("keep", "keep it, and choose another name"), ("replace", "replace it")]
        app.push_screen(
            Choose(f"{target.name} is there already.", options, "keep"),
            lambda answer: _write(app, target) if answer == "replace" else ask_record(app) if answer else None,
        )

    name = f"{app.visit.path.stem}-record.pdf"
    app.push_screen(AskText("Write the record to", RECORD_HINT, name, lambda text: new_file(text, RECORDS)), asked)


def _write(app: CommissionApp, target: Path) -> None:
    visit = app.visit

    def write(cancel: CancelToken, progress: Progress) -> str:
        visit.analyse(cancel, lambda f, t: progress(f / 2, t) if t else None)
        return app.workshop.export(visit, target, progress=stoppable(cancel, lambda f, t: progress(0.5 + f / 2, t)))

    app.run_job(write, app.say)
