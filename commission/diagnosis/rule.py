"""Rules of diagnosis: the symptom, the cause group, the threshold with its basis, and the function that finds it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from typing import Literal

from commission.diagnosis.evidence import Evidence
from commission.model import Finding
from commission.model.formatting import number
from commission.model.outcome import Cause

FAULT_MATRIX = "determined by simulation (tests/bench/faults.py)"
ARRIVAL_MATCHING = "determined by simulation (tests/references/matching_rates.py)"
"""Bases of thresholds, each with the script that shows its results in simulated rooms."""
CAUSES: dict[str, Cause] = {
    "wiring": "electronics",
    "settings": "settings",
    "room": "room",
    "measurement": "settings",
}
"""Cause group by the subject of a rule."""
CABLES = "Switch the amplifier off before touching loudspeaker cables; fixed mains wiring is for a licensed trade."
OVERHEAD = (
    "Footed ladder, two people; heavy loudspeakers overhead stay fastened, and are for a licensed trade to move."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingDetails:
    """A finding without the parts added by its rule: id, cause group, step and check."""

    title: str
    channels: tuple[str, ...] = ()
    seats: tuple[str, ...] = ()
    confidence: float | None = None
    evidence: tuple[str, ...]
    alternatives: tuple[str, ...]
    confirm: str
    remedy: str
    item: str = ""
    """Ending of the id that makes it a separate kind, such as an item of the checklist."""
    check: str = ""
    """Id of the checks that would show it again, if these are not the rule's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One kind of fault. `look` sees the evidence and the findings of earlier rules, so that one fault is reported once."""

    id: str
    """Its first part is the subject: wiring, settings, room, measurement or checklist."""
    symptom: str
    basis: str
    """The deciding number and its source."""
    check: str
    """Id of the checks that would show it again; it begins with the step that the rule rests on."""
    explains: tuple[str, ...] = ()
    """Ids, or their beginnings, of other checks of the same channels that fail because of this fault."""
    look: Callable[[Evidence, Findings], Iterator[FindingDetails]]
    place: Literal["channel", "seat"] = "channel"
    """Whether channels or seats identify the same fault in another round."""
    compares: bool = False
    """Whether it compares each channel with all others: a round with fewer of them does not show that the fault is gone."""
    returns: bool = False
    """Whether it compares with an earlier visit, so that it finds nothing on a first one."""
    own_cause: Cause | None = None
    """Cause group, if not the usual one of the subject."""

    @property
    def step(self) -> str:
        """The step that the rule rests on."""
        return step_of(self.check)

    @property
    def cause(self) -> Cause:
        """Cause group of its findings."""
        return self.own_cause or CAUSES[self.id.partition(".")[0]]

    def check_of(self, finding_id: str) -> str:
        """Id of the checks that would show one of its findings again; an item of a list has a separate one."""
        return self.check + finding_id.removeprefix(self.id)

    def apply(self, evidence: Evidence, found: Findings) -> list[Finding]:
        """The findings of this rule."""
        if self.returns and evidence.job.earlier is None:
            return []
        return [self._finding(details) for details in self.look(evidence, found)]

    def _finding(self, details: FindingDetails) -> Finding:
        names = [field.name for field in fields(FindingDetails) if field.name not in ("item", "check")]
        finding_id = f"{self.id}.{details.item}" if details.item else self.id
        check = details.check or self.check_of(finding_id)
        return Finding(
            id=finding_id,
            cause=self.cause,
            step=step_of(check),
            check=check,
            place=self.place,
            **{name: getattr(details, name) for name in names},
        )


def step_of(check_id: str) -> str:
    """The step that produces the checks with that id."""
    return check_id.partition(".")[0]


class Findings(tuple[Finding, ...]):
    """The findings of earlier rules."""

    __slots__ = ()

    def channels(self, *ids: str) -> set[str]:
        """Channels named by findings of these ids."""
        return {channel for finding in self if finding.id in ids for channel in finding.channels}

    def seats(self, *ids: str) -> set[str]:
        """Seats named by findings of these ids."""
        return {seat for finding in self if finding.id in ids for seat in finding.seats}

    def any(self, *ids: str) -> bool:
        """Whether any of these was found."""
        return any(finding.id in ids for finding in self)


def caution(evidence: Evidence, *channels: str) -> str:
    """The safety caution for work on these loudspeakers."""
    system = evidence.job.system
    high = any((channel := system.channel(c)) is not None and channel.role == "height" for c in channels)
    return f"{CABLES} {OVERHEAD}" if high else CABLES


def signed(value: float, decimals: int = 1) -> str:
    """A number with its sign, using a true minus."""
    return number(value, decimals, signed=True)
