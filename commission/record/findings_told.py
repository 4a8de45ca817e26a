"""Findings in the record: what became of each, in plain words for the homeowner and with evidence for the trade."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from commission.model import Finding
from commission.model.outcome import Cause
from commission.record.document import Block, Facts, Paragraph, Section
from commission.record.telling import FOUND, Telling, capital, only_found, sentence
from commission.steps.handover import fate, same_fault

CAUSES: tuple[Cause, ...] = ("electronics", "settings", "room")


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One finding over the visit."""

    first: Finding
    """As it was found, or as it first showed."""
    now: Finding | None
    """As it stands in the last round; None where it is not seen there."""
    fate: str
    """What became of it; empty in a visit that changed nothing, "new" where only the last round shows it."""

    @property
    def open(self) -> bool:
        """Whether it may be there now: seen, or not shown to be gone."""
        return self.now is not None or self.fate != "mended"


def told_findings(telling: Telling) -> tuple[Told, ...]:
    """Every finding of as found with its fate, then what only the last round shows."""
    found = telling.visit.findings(FOUND)
    if only_found(telling) or telling.after is None:
        return tuple(Told(first=finding, now=finding, fate="") for finding in found)
    left = telling.visit.findings(telling.after)
    outcomes = telling.visit.outcomes(telling.after)
    out = []
    for finding in found:
        now = next((other for other in left if same_fault(finding, other)), None)
        out.append(Told(first=finding, now=now, fate=fate(finding, left, outcomes)))
    new = [other for other in left if not any(same_fault(finding, other) for finding in found)]
    return (*out, *(Told(first=finding, now=finding, fate="new") for finding in new))


def merged(telling: Telling, found: Iterable[Told]) -> list[Told]:
    """For the homeowner: faults of one kind that met the same fate as one, where the words have a sentence for the kind."""
    groups: dict[tuple[object, ...], list[Told]] = {}
    for i, told in enumerate(found):
        kind = told.first.id if telling.words.has(f"findings.{told.first.id}.was") else i
        groups.setdefault((kind, told.fate, told.now is None), []).append(told)
    return [
        replace(group[0], first=_union([told.first for told in group]),
                now=None if group[0].now is None else _union([told.now for told in group if told.now is not None]))
        for group in groups.values()
    ]  # fmt: skip


def _union(findings: Sequence[Finding]) -> Finding:
    channels, seats = (
        dict.fromkeys(name for each in findings for name in getattr(each, key)) for key in ("channels", "seats")
    )
    return replace(findings[0], channels=tuple(channels), seats=tuple(seats))


def plain(telling: Telling, finding: Finding, tense: str) -> str:
    """A finding for the homeowner, "was" or "is"; its own title where the words know no sentence for it."""
    return _plain(telling, finding, tense) or sentence(telling.told(finding.title))


def takes(telling: Telling, finding: Finding) -> str:
    """What it would take, in plain words; the remedy where the words know no sentence for it."""
    return _plain(telling, finding, "takes") or telling.told(finding.remedy)


def _plain(telling: Telling, finding: Finding, tense: str) -> str:
    key = f"findings.{finding.id}.{tense}"
    if not telling.words.has(key):
        return ""
    return sentence(telling.say(key, channels=telling.channel_names(finding.channels),
                                seats=telling.seat_names(finding.seats),
                                title=telling.told(finding.title)))  # fmt: skip


def fate_told(telling: Telling, what: str) -> str:
    """What became of it, as a sentence; empty where there is nothing to say."""
    if not what:
        return ""
    key = f"fates.{what.replace(' ', '-').replace(',', '')}"
    return telling.say(key) if telling.words.has(key) else sentence(telling.told(what))


def findings_section(telling: Telling, found: tuple[Told, ...]) -> Section:
    """Every finding with its evidence, what else it could be, what would confirm it and the remedy."""
    ident, title = telling.id("findings"), telling.say("findings_section.title")
    if not found:
        nothing = telling.say("findings_section.none")
        return Section(id=ident, title=title, blocks=(Paragraph(text=nothing),))
    parts = []
    for cause in CAUSES:
        own = [told for told in found if told.first.cause == cause]
        if own:
            blocks = tuple(block for told in own for block in _blocks(telling, told))
            name = telling.say(f"causes.{cause}")
            parts.append(Section(id=telling.id("findings", cause), title=name, blocks=blocks))
    intro = Paragraph(text=telling.say("findings_section.intro"), kind="note")
    return Section(id=ident, title=title, blocks=(intro,), sections=tuple(parts))


def _blocks(telling: Telling, told: Told) -> list[Block]:
    first, now = told.first, told.now
    title = sentence(telling.told(first.title))
    head = Paragraph(text=" ".join(part for part in (title, fate_told(telling, told.fate)) if part), kind="lead")
    pairs: list[tuple[str, str]] = []

    def add(key: str, *texts: str) -> None:
        said = [telling.told(text) for text in texts if text]
        if said:
            pairs.append((telling.say(f"findings_section.{key}"), "; ".join(said)))

    add("evidence", *first.evidence)
    if now is not None and now.evidence != first.evidence:
        add("evidence_now", *now.evidence)
    if first.confidence is not None:
        pairs.append((telling.say("findings_section.confidence"), f"{first.confidence:.0%}".replace("%", " %")))
    add("alternatives", *first.alternatives)
    add("confirm", first.confirm)
    add("remedy", first.remedy)
    return [head, Facts(pairs=tuple(pairs))] if pairs else [head]


def headline(telling: Telling, finding: Finding) -> str:
    """A finding's own clause, with a large letter."""
    return capital(telling.told(finding.title))
