"""Measuring one seat from a step's screen: caution first, quiet start, everything stored the moment it is there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from commission.model import Capture, CommissionError, Job, Step
from commission.model.units import clean_text
from commission.ui.screens.dialogs import Choose
from commission.ui.text import round_name

if TYPE_CHECKING:
    from commission.runner import Run
    from commission.ui.app import CommissionApp

NOT_NOW = " "
"""Key of the choice to leave it; no seat is called so."""


def captures(step: Step, job: Job, round_id: str) -> list[Capture]:
    """Everything a step wants recorded."""
    return [task for task in step.plan(job, round_id) if isinstance(task, Capture)]


def missing(step: Step, job: Job, round_id: str) -> list[Capture]:
    """What of that the round does not hold yet."""
    held = {(stored.body.channel, stored.body.seat) for stored in job.responses_of(round_id)}
    return [task for task in captures(step, job, round_id) if (task.channel, task.seat) not in held]


def captures_text(step: Step, job: Job, round_id: str, then: str) -> tuple[str, str]:
    """(what to record next, its caution); `then` follows where nothing is missing, without a caution."""
    total, left = len(captures(step, job, round_id)), missing(step, job, round_id)
    if not total:
        return "Nothing to measure yet: describe channels and seats on the Site form first.", ""
    if not left:
        return f"All {total} places are measured. {then}", ""
    return f"{total - len(left)} of {total} places measured. Next: {left[0].text}", left[0].caution


def ask_and_measure(app: CommissionApp, step: Step, seat: str | None) -> None:
    """Ask where the microphone stands (`seat` is proposed) and begin; where nothing can measure, say why."""
    visit, round_id = app.visit, app.round_id
    try:
        source = app.workshop.source(visit)
    except CommissionError as error:
        app.refuse(str(error))
        return
    wanted = captures(step, visit.job, round_id)
    if source is None:
        app.notify(app.workshop.live_status(), timeout=12, markup=False)
        return
    if not wanted:
        app.refuse("Nothing to measure: describe channels and seats on the Site form first.")
        return
    open_at = [task.seat for task in missing(step, visit.job, round_id)]
    options = [(NOT_NOW, "not now")]
    for each in dict.fromkeys(task.seat for task in wanted):
        count = open_at.count(each)
        sweeps = "1 sweep" if count == 1 else f"{count} sweeps"
        options.append((each, f"at {each}: {sweeps}" if count else f"at {each}: all once more"))
    proposed = seat if seat in open_at or not open_at else open_at[0]
    caution = next((task.caution for task in wanted if task.caution), "")
    title = clean_text(
        f"⚠ {caution} It begins quietly; Escape stops the sound. "
        f"{source.name}, round {round_name(round_id)}: where is the microphone?"
    )

    def start(answer: str | None) -> None:
        if answer is not None and answer != NOT_NOW:
            _measure(app, step, answer, again=answer not in open_at)

    app.push_screen(Choose(title, options, proposed), start)


def _measure(app: CommissionApp, step: Step, seat: str, *, again: bool) -> None:
    from commission.runner import run_captures

    visit, round_id = app.visit, app.round_id
    source = app.workshop.source(visit)
    if source is None:
        return

    def done(result: object) -> None:
        run: Run = result  # type: ignore[assignment]
        for capture, why in run.left_out[:3]:
            app.refuse(f"{capture.channel} at {capture.seat}: {why}")
        app.notify(f"{len(run.stored)} responses of {clean_text(seat)} stored.", markup=False)

    app.run_job(
        lambda cancel, progress: run_captures(
            visit, step, source, round_id, cancel, progress, seat=seat, only_missing=not again
        ),
        done,
    )
