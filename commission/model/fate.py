"""The fate of a finding over the rounds of a visit."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from commission.model.job import Action
    from commission.model.outcome import Finding

ACTION_WORDS = {
    "repaired": "repaired",
    "adjusted": "adjusted",
    "replaced": "replaced",
    "accepted": "accepted by the client",
    "later": "left for later",
}
"""The wording of each kind of action."""


class Fate(Enum):
    """The state of a finding after the newest round; the value is the wording."""

    OPEN = "open"
    STILL_THERE = "still there"
    NEW = "new in this round"
    FIRST_EXAMINED = "not examined before"
    """Only the newest round shows it, and no earlier round could have."""
    NOT_MEASURED_AGAIN = "not measured again"
    NOT_DETERMINED = "not determined again"
    """Measured again, but these measurements cannot show whether the fault is gone."""
    REPAIRED_NOT_MEASURED = "repaired, not yet measured again"
    REPAIRED = "repaired (logged)"
    """A repair is in the log, and the fault is no longer found."""
    NO_LONGER_FOUND = "no longer found"
    ACCEPTED = "accepted by the client"
    LEFT_FOR_LATER = "left for later"

    @property
    def gone(self) -> bool:
        """Whether a measurement that would show the fault no longer shows it."""
        return self in (Fate.REPAIRED, Fate.NO_LONGER_FOUND)


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingHistory:
    """One finding over the rounds of a visit."""

    first: Finding
    """The finding as found first."""
    round: str
    """The round in which it was first found."""
    now: tuple[Finding, ...]
    """Its findings in the newest round; empty if it is no longer found."""
    fate: Fate
    actions: tuple[Action, ...] = ()
    """Actions on it, oldest first."""
    new_settings: Literal["", "entered", "noted"] = ""
    """New settings for it in the log: ticked on the settings sheet as entered, or only noted."""
    open_channels: tuple[str, ...] = ()
    """The unsettled channels, if only some are settled."""

    @property
    def finding(self) -> Finding:
        """The newest wording of the finding."""
        return self.now[0] if self.now else self.first

    @property
    def title(self) -> str:
        """Its title; several if one fault is now reported as several findings."""
        return "; ".join(each.title for each in self.now) or self.first.title

    @property
    def action(self) -> Action | None:
        """The last action on it; None if there is none."""
        return self.actions[-1] if self.actions else None

    @property
    def proven(self) -> Fate:
        """The fate if noted settings do not count: only settings ticked as entered are a repair."""
        unproven = self.fate is Fate.REPAIRED_NOT_MEASURED and self.new_settings != "entered"
        return Fate.NOT_MEASURED_AGAIN if unproven and not any(each.mends for each in self.actions) else self.fate

    @property
    def status(self) -> str:
        """Its fate in words, with the time of the last action (UTC)."""
        did = self._did
        if self.fate is Fate.REPAIRED_NOT_MEASURED:
            return f"{did}, not yet measured again"
        if self.fate is Fate.REPAIRED:
            return f"{did}, no longer found"
        if self.fate is Fate.STILL_THERE and did:
            return f"still there after it was {did}" if self.actions else f"still there with the {did}"
        if self.fate in (Fate.ACCEPTED, Fate.LEFT_FOR_LATER):
            note = self.action.body.note if self.action is not None else ""
            return f"{self.fate.value}: {note}" if note else self.fate.value
        some = ", ".join(self.open_channels)
        return f"{self.fate.value}: {some}" if some else self.fate.value

    @property
    def _did(self) -> str:
        mended = [each for each in self.actions if each.mends]
        if mended:
            return f"{ACTION_WORDS[mended[-1].body.action]} {mended[-1].at[11:16]} UTC"
        return f"new setting {self.new_settings}" if self.new_settings else ""
