"""Every limit as tables: those of the profile, those fixed by the program, the thresholds of findings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from commission.model import Column, LimitsProfile, Row, Step, Table

_PROFILE_COLUMNS = (
    Column(key="quantity", title="Quantity"),
    Column(key="low", title="Low", decimals=2),
    Column(key="high", title="High", decimals=2),
    Column(key="unit", title="Unit"),
    Column(key="own", title="Source"),
    Column(key="checks", title="Checks"),
    Column(key="applies", title="Applies to"),
    Column(key="basis", title="Basis"),
)
_FIXED_COLUMNS = (
    Column(key="checks", title="Checks"),
    Column(key="low", title="Low", decimals=2),
    Column(key="high", title="High", decimals=2),
    Column(key="unit", title="Unit"),
    Column(key="applies", title="Applies to"),
    Column(key="basis", title="Basis"),
)
_RULE_COLUMNS = (
    Column(key="finding", title="Finding"),
    Column(key="symptom", title="Symptom"),
    Column(key="basis", title="Threshold and basis"),
)


class FindingRule(Protocol):
    """What is shown of a rule of diagnosis."""

    @property
    def id(self) -> str:
        """Of the findings."""

    @property
    def symptom(self) -> str:
        """What is noticed in the room."""

    @property
    def basis(self) -> str:
        """Its threshold, and where that comes from."""


def limits_tables(profile: LimitsProfile, steps: Sequence[Step], rules: Sequence[FindingRule]) -> tuple[Table, ...]:
    """Everything that verdicts and findings rest on."""
    return _profile_table(profile, steps), _fixed_table(steps), _rules_table(rules)


def _profile_table(profile: LimitsProfile, steps: Sequence[Step]) -> Table:
    """Every limit of a profile with the checks that it judges; what the firm's own file changed says so."""
    judged = [entry for step in steps for entry in step.limits if entry.quantity]
    rows = []
    for each in profile.limits:
        entries = [entry for entry in judged if entry.quantity == each.quantity]
        also = dict.fromkeys(entry.applies for entry in entries if entry.applies)
        rows.append(
            Row(
                key=each.quantity,
                cells=(
                    each.quantity,
                    each.low,
                    each.high,
                    each.unit,
                    profile.name if each.own else "default",
                    ", ".join(entry.check for entry in entries) or "findings only",
                    "; ".join((each.applies, *also)),
                    each.basis,
                ),
            )
        )
    return Table(id="limits", title=f"Limits: {profile.title}", columns=_PROFILE_COLUMNS, rows=tuple(rows))


def _fixed_table(steps: Sequence[Step]) -> Table:
    """The limits that no profile changes: yes or no, or the uncertainty of the measurement itself."""
    rows = tuple(
        Row(
            key=f"check {entry.check}",
            cells=(
                entry.check,
                entry.low or entry.limit.low,
                entry.high or entry.limit.high,
                entry.limit.unit,
                entry.applies,
                entry.limit.basis,
            ),
        )
        for step in steps
        for entry in step.limits
        if entry.limit is not None
    )
    return Table(id="fixed-limits", title="Limits fixed by the program", columns=_FIXED_COLUMNS, rows=rows)


def _rules_table(rules: Sequence[FindingRule]) -> Table:
    """What findings rest on."""
    rows = tuple(Row(key=f"finding {each.id}", cells=(each.id, each.symptom, each.basis)) for each in rules)
    return Table(id="rules", title="Thresholds of findings", columns=_RULE_COLUMNS, rows=rows)
