"""Failed checks without a finding, and symptoms not examined: silence must not be mistaken for a good result."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from commission.diagnosis import RULES, Rule, rule_of
from commission.model import Check, Finding, Outcome, Verdict
from commission.model.formatting import place_text

MOST_PLACES = 4
"""With more places than this, a line gives their number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenChecks:
    """All checks of one kind with the same verdict in one step."""

    step: str
    id: str
    """Id of the checks, without its third part if that names a band."""
    verdict: Verdict
    checks: tuple[Check, ...]
    of: int
    """Number of checks of this kind in the step, whatever their result."""

    @property
    def text(self) -> str:
        """Text common to the checks, without band or frequency."""
        first, last = (pick(check.text for check in self.checks) for pick in (min, max))
        same = next((n for n, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), len(first))
        whole = same == len(first) == len(last)
        return (first if whole else first[:same].rpartition(",")[0]).partition(", deepest")[0] or self.id

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels concerned."""
        return tuple(dict.fromkeys(check.channel for check in self.checks if check.channel is not None))

    def sentence(self, title: str) -> str:
        """One line for all of them; `title` is the name of the step."""
        word = {Verdict.FAIL: "failed", Verdict.UNSURE: "unsure", Verdict.NOT_TESTED: "not tested"}[self.verdict]
        places = [place_text(check.channel, check.seat) for check in self.checks]
        few = f" ({', '.join(places)})" if len(places) <= MOST_PLACES and any(places) else ""
        if not few and self.channels and len(self.channels) <= MOST_PLACES:
            few = f" ({', '.join(self.channels)})"
        return f"{title}, {self.text}: {len(self.checks)} of {self.of} {word}{few}"


def unexplained(outcomes: Mapping[str, Outcome], findings: Iterable[Finding]) -> tuple[OpenChecks, ...]:
    """Failed checks that no finding explains, grouped by kind, in the order of the steps."""
    known = tuple(findings)
    return _grouped(outcomes, Verdict.FAIL, known)


def explained(check: Check, step: str, findings: Iterable[Finding]) -> bool:
    """Whether a finding is about this very check, or its rule lists it as a consequence.

    Narrower than the checks that `unexplained` leaves out: the record states a failed level of a reversed channel.
    """
    return any(
        _of_channel(finding, check) and (_about_just(finding, step, check) or _named_by_rule(finding, check))
        for finding in findings
    )


def _of_channel(finding: Finding, check: Check) -> bool:
    return not finding.channels or check.channel is None or check.channel in finding.channels


def _at_seat(finding: Finding, check: Check) -> bool:
    return not finding.seats or check.seat is None or check.seat in finding.seats


def _about_just(finding: Finding, step: str, check: Check) -> bool:
    at_seat = finding.place != "seat" or _at_seat(finding, check)
    return finding.step == step and finding.check == check.id and at_seat


def _named_by_rule(finding: Finding, check: Check) -> bool:
    """Whether the rule of a finding lists the check as a consequence."""
    rule = rule_of(finding.id)
    return rule is not None and check.id.startswith(rule.explains)


def undecided(outcomes: Mapping[str, Outcome]) -> tuple[OpenChecks, ...]:
    """Undecided checks, then those not tested, grouped by kind."""
    return (*_grouped(outcomes, Verdict.UNSURE, ()), *_grouped(outcomes, Verdict.NOT_TESTED, ()))


def _grouped(
    outcomes: Mapping[str, Outcome], verdict: Verdict, findings: tuple[Finding, ...]
) -> tuple[OpenChecks, ...]:
    groups: dict[tuple[str, str], list[Check]] = {}
    count: dict[tuple[str, str], int] = {}
    for step, outcome in outcomes.items():
        for check in outcome.checks:
            key = (step, check.kind)  # bands of one kind belong together
            count[key] = count.get(key, 0) + 1
            if check.verdict is verdict and not any(_explains(finding, step, check) for finding in findings):
                groups.setdefault(key, []).append(check)
    return tuple(
        OpenChecks(step=step, id=check_id, verdict=verdict, checks=tuple(checks), of=count[(step, check_id)])
        for (step, check_id), checks in groups.items()
    )


def _explains(finding: Finding, step: str, check: Check) -> bool:
    """Whether a finding explains a failed check: it concerns that place and that quantity.

    Nothing else is concluded about a channel with an electronic fault before its repair, nor from a recording that a
    measuring mistake spoilt.
    """
    mistake = finding.id.startswith("measurement.")
    by_seat = finding.place == "seat" or mistake
    if not _of_channel(finding, check) or (by_seat and not _at_seat(finding, check)):
        return False
    if mistake:
        return step not in ("levels", "site")
    whole_channel = finding.cause == "electronics" and bool(finding.channels)
    whole_step = finding.cause == "settings" and finding.step == step and step in ("levels", "distances")
    return whole_channel or whole_step or finding.check == check.id or _named_by_rule(finding, check)


def not_examined(outcomes: Mapping[str, Outcome]) -> tuple[str, ...]:
    """Symptoms, named by the rules, that no measurement so far could have shown."""
    carried = {c.kind for outcome in outcomes.values() for c in outcome.checks if c.verdict is not Verdict.NOT_TESTED}
    rules = [rule for rule in rules_of_cinema() if not rule.returns or "drift" in outcomes]
    seen = {rule.symptom for rule in rules if rule.check in carried}
    return tuple(dict.fromkeys(rule.symptom for rule in rules if rule.symptom not in seen))


def examined(outcomes: Mapping[str, Outcome]) -> bool:
    """Whether anything was measured that a rule rests on."""
    checks = {rule.check for rule in rules_of_cinema() if rule.step != "layout"}  # which is entered, not measured
    return any(
        check.kind in checks and check.verdict is not Verdict.NOT_TESTED
        for outcome in outcomes.values()
        for check in outcome.checks
    )


def rules_of_cinema() -> tuple[Rule, ...]:
    """The rules that check the cinema by figures: not those about the measurement itself, nor those about the checklist."""
    return tuple(rule for rule in RULES if not rule.id.startswith("measurement.") and rule.step != "checklist")
