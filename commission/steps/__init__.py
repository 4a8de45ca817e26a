"""The steps of the visit, in order. To add one, add its file, which defines `STEP`, and its line here.

Titles are available without importing the steps: the first screen lists them before anything is computed.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from commission.model import Job, Step

TITLES = {
    "site": "Site",
    "checklist": "Checklist",
    "layout": "Layout",
    "quiet": "Quiet",
    "wiring": "Wiring",
    "levels": "Levels",
    "distances": "Distances",
    "seats": "Seats",
    "dialogue": "Dialogue",
    "bass": "Bass",
    "compare": "Compare",
    "drift": "Since last time",
    "handover": "Hand over",
}
"""Title by id, in order; the id is the name of the step's module."""


def step(step_id: str) -> Step:
    """The step with that id; KeyError if there is none."""
    if step_id not in TITLES:
        raise KeyError(step_id)
    found: Step = import_module(f"{__name__}.{step_id}").STEP
    return found


def all_steps() -> tuple[Step, ...]:
    """All steps, in order; imports them all."""
    return tuple(step(step_id) for step_id in TITLES)


def belongs(step_id: str, job: Job) -> bool:
    """Whether a step belongs to this visit; one that does not is not shown."""
    return step_id != "drift" or job.earlier is not None


def listed(job: Job) -> tuple[tuple[str, str], ...]:
    """Id and title of every step of this visit, in order; imports none of them."""
    return tuple((step_id, title) for step_id, title in TITLES.items() if belongs(step_id, job))
