"""From outcomes to causes: rules that name the fault, the evidence for it, and the check that would confirm it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from commission.diagnosis import (
    bass,
    bass_management,
    checklist,
    delay_settings,
    layout,
    level_settings,
    load,
    measurement,
    noise,
    prediction,
    room,
    wiring,
)
from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import Findings, Rule
from commission.model import Analyses, Finding, Job, Outcome

__all__ = ["Rule"]

RULES: tuple[Rule, ...] = (
    *measurement.RULES,
    *wiring.RULES,
    *load.RULES,
    *delay_settings.FIRST,
    *prediction.RULES,
    *delay_settings.RULES,
    *level_settings.RULES,
    *bass_management.RULES,
    *bass.RULES,
    *room.RULES,
    *noise.RULES,
    *level_settings.LAST,
    *bass.LAST,
    *layout.RULES,
    *checklist.RULES,
    *measurement.LAST,
)
"""The order matters: a later rule sees the findings of earlier ones, and reports nothing that they explain."""

_MEASUREMENT = "measurement."

_CAUSE_ORDER = ("electronics", "settings", "room")
"""Order of repair: nothing else can be checked while the wiring is wrong."""


def findings(
    job: Job,
    round_id: str,
    analyses: Analyses,
    outcomes: Mapping[str, Outcome],
    failed: Callable[[str, Exception], None] | None = None,
) -> tuple[Finding, ...]:
    """All findings of one round, the most urgent first.

    `outcomes`: results of the steps, by step id; findings that rest on a missing step are left out. `failed(id, error)`
    is called for a rule that fails, and the others go on; if it is None, the error is raised.
    """
    evidence = Evidence(job=job, round=round_id, analyses=analyses, outcomes=outcomes)
    found = Findings()
    for rule in RULES:
        try:
            found = Findings((*found, *rule.apply(evidence, found)))
        except Exception as error:
            if failed is None:
                raise
            failed(rule.id, error)
    known = [finding for finding in found if not finding.step or finding.step in outcomes]
    return tuple(sorted(known, key=urgency))


def rule_of(finding_id: str) -> Rule | None:
    """The rule that produces findings with an id; None if no rule of this version does."""
    return next((rule for rule in RULES if finding_id == rule.id or finding_id.startswith(f"{rule.id}.")), None)


def urgency(finding: Finding) -> tuple[bool, int]:
    """Measuring mistakes first, since everything else rests on the measurement; then by cause."""
    return not finding.id.startswith(_MEASUREMENT), _CAUSE_ORDER.index(finding.cause)
