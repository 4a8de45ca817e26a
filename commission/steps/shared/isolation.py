"""Isolation of steps: a failed step becomes an outcome that says so, and the others continue."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import TypeVar

from commission.model import Analyses, Check, CommissionError, Job, Outcome, Step
from commission.model.errors import Cancelled
from commission.model.units import clean_text

Value = TypeVar("Value")

LONGEST = 160
_CHECK = "computed"


def why_failed(error: Exception) -> str:
    """Reason why something could not be computed: the sentence of our own error, otherwise the program error."""
    if isinstance(error, CommissionError):
        return clean_text(str(error))
    if isinstance(error, MemoryError):
        return "it needs more memory than there is"
    logging.getLogger(__name__).info("not computed", exc_info=error)  # not shown on the terminal
    found = clean_text(f"{type(error).__name__}: {error}".removesuffix(": "))
    return f"the program failed on it ({found[:LONGEST]})"


def outcome_of(job: Job, step: Step, round_id: str, analyses: Analyses) -> Outcome:
    """The outcome of a step for a round; if it fails, one check not tested for that reason. Raises Cancelled."""
    try:
        return step.evaluate(job, round_id, analyses)
    except Cancelled:
        raise
    except Exception as error:
        why = why_failed(error)
        return Outcome(
            step=step.id,
            round=round_id,
            total=1,
            checks=(
                Check(
                    id=f"{step.id}.{_CHECK}", value=None, unit="", text="whether the step was computed", why_not=why
                ),
            ),
            main_result="not computed",
            remarks=(f"{step.title} was not computed, because {why}. The other steps do not depend on it.",),
        )


def or_else(make: Callable[[], Value], otherwise: Value) -> Value:
    """The result of `make`, or `otherwise` if it fails: the step based on the same numbers reports the reason."""
    try:
        return make()
    except Cancelled:
        raise
    except Exception as error:
        logging.getLogger(__name__).info("not computed", exc_info=error)
        return otherwise


def failed(outcome: Outcome) -> bool:
    """Whether this outcome only says that its step failed."""
    return any(check.id == f"{outcome.step}.{_CHECK}" for check in outcome.checks)
