"""Placeholder until the step is written."""

from __future__ import annotations

from commission.model import Analyses, Job, Outcome, Step, Task


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """Nothing to do yet."""
    return ()


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """Nothing to say yet."""
    return Outcome(step="seats", round=round_id)


STEP = Step(id="seats", title="seats", question="", help="", plan=plan, evaluate=evaluate)
