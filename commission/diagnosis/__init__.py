"""From outcomes to causes: rules that name what is wrong, why we think so, and what would settle it."""

from __future__ import annotations

from collections.abc import Mapping

from commission.model import Analyses, Finding, Job, Outcome


def findings(job: Job, round_id: str, analyses: Analyses, outcomes: Mapping[str, Outcome]) -> tuple[Finding, ...]:
    """Everything that can be said of one round, strongest first."""
    return ()
