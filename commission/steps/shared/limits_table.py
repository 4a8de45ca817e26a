"""Every limit as tables: those of the profile, those fixed by the program, the thresholds of findings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from commission.model import CheckLimit, Column, LimitsProfile, ProfileLimit, Step, Table, table_of
from commission.model.limits import rooms_that_pass

OWN_LIMIT = "not simulated, because it is not one of the defaults"
NOT_SIMULATED = "not simulated"


class FindingRule(Protocol):
    """Displayed properties of a rule of diagnosis."""

    @property
    def id(self) -> str:
        """Id of the findings."""

    @property
    def symptom(self) -> str:
        """Symptom noticed in the room."""

    @property
    def basis(self) -> str:
        """Its threshold and the source."""


def limits_tables(profile: LimitsProfile, steps: Sequence[Step], rules: Sequence[FindingRule]) -> tuple[Table, ...]:
    """All limits and thresholds of verdicts and findings."""
    return _profile_table(profile, steps), _fixed_table(steps), _rules_table(rules)


def rooms_passing(limit: ProfileLimit) -> str:
    """Share of simulated rooms that pass a limit of the defaults."""
    return OWN_LIMIT if limit.own else rooms_that_pass().get(limit.quantity, OWN_LIMIT)


def _profile_table(profile: LimitsProfile, steps: Sequence[Step]) -> Table:
    """Every limit of a profile with the checks that use it, and whether the firm's own file changed it."""
    by_quantity: dict[str, list[CheckLimit]] = {}
    for step in steps:
        for entry in step.limits:
            by_quantity.setdefault(entry.quantity, []).append(entry)

    def checks(each: ProfileLimit) -> str:
        return ", ".join(entry.check for entry in by_quantity.get(each.quantity, ())) or "findings only"

    def applies(each: ProfileLimit) -> str:
        also = dict.fromkeys(entry.applies for entry in by_quantity.get(each.quantity, ()) if entry.applies)
        return "; ".join((each.applies, *also))

    return table_of(
        profile.limits,
        (Column(key="quantity", title="Quantity"), lambda each: each.quantity),
        (Column(key="low", title="Low", decimals=2), lambda each: each.low),
        (Column(key="high", title="High", decimals=2), lambda each: each.high),
        (Column(key="unit", title="Unit"), lambda each: each.unit),
        (Column(key="own", title="Source"), lambda each: profile.name if each.own else "default"),
        (Column(key="checks", title="Checks"), checks),
        (Column(key="applies", title="Applies to"), applies),
        (Column(key="basis", title="Basis"), lambda each: each.basis),
        (Column(key="rooms", title="Rooms that pass"), rooms_passing),
        id="limits",
        title=f"Limits: {profile.title}",
        key=lambda each: each.quantity,
    )


def _fixed_table(steps: Sequence[Step]) -> Table:
    """The limits that no profile changes: yes or no, or the uncertainty of the measurement itself."""
    return table_of(
        [(entry, entry.limit) for step in steps for entry in step.limits if entry.limit is not None],
        (Column(key="checks", title="Checks"), lambda each: each[0].check),
        (Column(key="low", title="Low", decimals=2), lambda each: each[0].low or each[1].low),
        (Column(key="high", title="High", decimals=2), lambda each: each[0].high or each[1].high),
        (Column(key="unit", title="Unit"), lambda each: each[1].unit),
        (Column(key="applies", title="Applies to"), lambda each: each[0].applies),
        (Column(key="basis", title="Basis"), lambda each: each[1].basis),
        (
            Column(key="rooms", title="Rooms that pass"),
            lambda each: rooms_that_pass().get(each[0].check, NOT_SIMULATED),
        ),
        id="fixed-limits",
        title="Limits fixed by the program",
        key=lambda each: f"check {each[0].check}",
    )


def _rules_table(rules: Sequence[FindingRule]) -> Table:
    """The thresholds of findings."""
    return table_of(
        rules,
        (Column(key="finding", title="Finding"), lambda each: each.id),
        (Column(key="symptom", title="Symptom"), lambda each: each.symptom),
        (Column(key="basis", title="Threshold and basis"), lambda each: each.basis),
        id="rules",
        title="Thresholds of findings",
        key=lambda each: f"finding {each.id}",
    )
