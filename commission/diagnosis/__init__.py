"""From outcomes to causes: rules that name what is wrong, why we think so, and what would settle it."""

from __future__ import annotations

from collections.abc import Mapping

from commission.diagnosis.evidence import Evidence, gather
from commission.diagnosis.rules import RULES
from commission.model import Analyses, Finding, Job, Outcome

__all__ = ["Evidence", "findings"]

_CAUSE_ORDER = ("electronics", "settings", "room")
"""What is mended first: nothing else can be judged while the wiring is wrong."""


def findings(job: Job, round_id: str, analyses: Analyses, outcomes: Mapping[str, Outcome]) -> tuple[Finding, ...]:
    """Everything that can be said of one round, what to mend first at the top."""
    evidence = gather(job, round_id, analyses)
    found = [finding for rule in RULES for finding in rule(evidence)]
    known = {step for step in outcomes}
    return tuple(
        sorted((f for f in found if not f.step or f.step in known), key=lambda f: _CAUSE_ORDER.index(f.cause))
    )
