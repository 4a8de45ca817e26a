"""The steps of the visit, in order. Adding one is adding its file and its name here.

Their names are known without loading them: the first screen lists the steps before anything is computed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from commission.model import Job, Step

    STEPS: tuple[Step, ...]

TITLES = {
    "site": "Site",
    "layout": "Layout",
    "levels": "Levels",
    "distances": "Distances",
    "seats": "Seats",
    "compare": "Compare",
    "drift": "Since last time",
    "handover": "Hand over",
}
"""Title by id, in order; the steps themselves are made of these names' modules."""


def step(step_id: str) -> Step:
    """The step of that id; KeyError when there is none."""
    from commission.steps import STEPS  # by way of __getattr__, where nobody asked before

    return {step.id: step for step in STEPS}[step_id]


def belongs(step_id: str, job: Job) -> bool:
    """Whether a step belongs to this visit at all; one that does not is shown nowhere."""
    return step_id != "drift" or job.earlier is not None


def listed(job: Job) -> tuple[tuple[str, str], ...]:
    """Id and title of every step of this visit, in order; loads none of them."""
    steps: tuple[Step, ...] | None = globals().get("STEPS")
    titles = TITLES.items() if steps is None else ((step.id, step.title) for step in steps)
    return tuple((step_id, title) for step_id, title in titles if belongs(step_id, job))


if not TYPE_CHECKING:

    def __getattr__(name: str) -> tuple[Step, ...]:
        if name != "STEPS":
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        from importlib import import_module

        made = tuple(import_module(f"{__name__}.{step_id}").STEP for step_id in TITLES)
        return globals().setdefault("STEPS", made)
