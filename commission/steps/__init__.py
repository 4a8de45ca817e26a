"""The steps of the visit, in order. Adding one is adding its file and its name here."""

from __future__ import annotations

from commission.model import Step
from commission.steps import compare, distances, handover, layout, levels, seats, site

STEPS: tuple[Step, ...] = (
    site.STEP,
    layout.STEP,
    levels.STEP,
    distances.STEP,
    seats.STEP,
    compare.STEP,
    handover.STEP,
)


def step(step_id: str) -> Step:
    """The step of that id; KeyError when there is none."""
    return {step.id: step for step in STEPS}[step_id]
