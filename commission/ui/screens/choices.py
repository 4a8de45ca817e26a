"""Choices of round and theme, and progress that can be cancelled."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from commission import model
from commission.model.errors import Cancelled, CommissionError
from commission.ui.screens.dialogs import Choose
from commission.ui.text import round_name

if TYPE_CHECKING:
    from textual.app import App

    from commission.model import CancelToken, Progress
    from commission.ui.program import Program


def choose_round(app: Program) -> None:
    """Ask which round to show, or begin one."""
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


def choose_theme(app: App[Any]) -> None:
    """Ask for the theme: dark, light, or the terminal's own colours."""
    plain = {
        "textual-dark": "dark",
        "textual-light": "light",
        "ansi-dark": "the terminal's own colours, on dark",
        "ansi-light": "the terminal's own colours, on light",
    }
    names = [*plain, *sorted(name for name in app.available_themes if name not in plain)]

    def chosen(name: str | None) -> None:
        if name is not None:
            app.theme = name

    app.push_screen(Choose("Which colours?", [(name, plain.get(name, name)) for name in names], app.theme), chosen)


def stoppable(cancel: CancelToken, progress: Progress) -> Progress:
    """A progress that raises Cancelled after Escape was pressed."""

    def report(fraction: float, text: str) -> None:
        if cancel.is_set():
            raise Cancelled
        progress(fraction, text)

    return report
