"""What a rule is: which symptom it looks for, whose fault that is, on what ground, and how it is looked for."""

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
"""Bases of thresholds, each with the script that shows what they give in simulated rooms."""
CABLES = "Switch the amplifier off before touching loudspeaker cables; fixed mains wiring is for a licensed trade."
OVERHEAD = (
    "Footed ladder, two people; heavy loudspeakers overhead stay fastened, and are for a licensed trade to move."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingDetails:
    """A finding but for what its rule gives: id, cause group and step."""

    title: str
    channels: tuple[str, ...] = ()
    seats: tuple[str, ...] = ()
    confidence: float | None = None
    evidence: tuple[str, ...]
    alternatives: tuple[str, ...]
    confirm: str
    remedy: str
    item: str = ""
    """What makes it a kind of its own, such as an item of the checklist: the end of its id."""
    step: str = ""
    """Where the evidence came from another step than the rule's: which, with `check`."""
    check: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One kind of trouble. `look` sees the evidence and what earlier rules found, so that one fault is reported once."""

    id: str
    cause: Cause
    step: str
    """The step whose numbers it rests on."""
    symptom: str
    basis: str
    """The number that decides, and where it comes from."""
    check: str
    """Id of the checks of that step which would show it again."""
    explains: tuple[str, ...] = ()
    """Ids, or their beginnings, of other checks of the same channels that fail because of it."""
    look: Callable[[Evidence, Found], Iterator[FindingDetails]]
    place: Literal["channel", "seat"] = "channel"
    """What makes it the same fault in another round: its channels, or its seats."""
    returns: bool = False
    """It compares with an earlier visit, and looks at nothing on a first one."""

    def check_of(self, finding_id: str) -> str:
        """Id of the checks that would show one of its findings again; an item of a list has its own."""
        return self.check + finding_id.removeprefix(self.id)

    def apply(self, evidence: Evidence, found: Found) -> list[Finding]:
        """The findings of this rule."""
        if self.returns and evidence.job.earlier is None:
            return []
        return [self._finding(details) for details in self.look(evidence, found)]

    def _finding(self, details: FindingDetails) -> Finding:
        names = [field.name for field in fields(FindingDetails) if field.name not in ("item", "step", "check")]
        finding_id = f"{self.id}.{details.item}" if details.item else self.id
        return Finding(
            id=finding_id,
            cause=self.cause,
            step=details.step or self.step,
            check=details.check or self.check_of(finding_id),
            place=self.place,
            **{name: getattr(details, name) for name in names},
        )


class Found(tuple[Finding, ...]):
    """What earlier rules found."""

    __slots__ = ()

    def channels(self, *ids: str) -> set[str]:
        """Channels named by findings of these ids."""
        return {channel for finding in self if finding.id in ids for channel in finding.channels}

    def seats(self, *ids: str) -> set[str]:
        """Seats named by findings of these ids."""
        return {seat for finding in self if finding.id in ids for seat in finding.seats}

    def any(self, *ids: str) -> bool:
        """Whether one of these was found."""
        return any(finding.id in ids for finding in self)


def caution(evidence: Evidence, *channels: str) -> str:
    """What to say before somebody touches these loudspeakers."""
    system = evidence.job.system
    high = any((channel := system.channel(c)) is not None and channel.role == "height" for c in channels)
    return f"{CABLES} {OVERHEAD}" if high else CABLES


def signed(value: float, decimals: int = 1) -> str:
    """A number with its sign and a true minus."""
    return number(value, decimals, signed=True)
