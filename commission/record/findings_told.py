"""Findings in the record: what became of each, in plain words for the homeowner and with evidence for the trade."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from commission.diagnosis.room import SPOILT
from commission.model import Finding
from commission.model.outcome import Cause
from commission.record.checks import farthest, kind_name, verdict_counts
from commission.record.document import Block, Facts, Paragraph, Section
from commission.record.telling import FOUND, OPTIONAL, Telling, capital, measured_in, sentence
from commission.steps.handover import fate, judged_again, same_fault

CAUSES: tuple[Cause, ...] = ("electronics", "settings", "room")


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One finding over the visit."""

    first: Finding
    """As it was found, or as it first showed."""
    now: Finding | None
    """As it stands in the last round; None where it is not seen there."""
    fate: str
    """What became of it; empty in a visit that changed nothing. "new" where only the last round shows it and the first
    would have, "hidden at first" and "first seen" where the first could not."""
    rest: tuple[str, ...] = ()
    """The channels that are still at fault, where the others of the finding are put right."""

    @property
    def open(self) -> bool:
        """Whether it may be there now: seen, or not shown to be gone."""
        return self.now is not None or self.fate != "mended"


def told_findings(telling: Telling) -> tuple[Told, ...]:
    """Every finding of as found with its fate, then what only the last round shows."""
    found = telling.visit.findings(FOUND)
    if telling.after is None:
        return tuple(Told(first=finding, now=finding, fate="") for finding in found)
    left = telling.visit.findings(telling.after)
    return (
        *(_followed(telling, finding, left, telling.after) for finding in found),
        *(
            Told(first=finding, now=finding, fate=_where_it_was(telling, finding, found))
            for finding in left
            if not any(same_fault(finding, other) for other in found)
        ),
    )


def _followed(telling: Telling, finding: Finding, left: Sequence[Finding], after: str) -> Told:
    """A finding of as found, followed to the last round."""
    now = next((other for other in left if same_fault(finding, other)), None)
    outcomes = telling.visit.outcomes(after)
    what = fate(finding, left, outcomes)
    if not any(measured_in(telling.job, after)) and what not in ("still open", "set anew, but not measured again"):
        what = "not checked again"
    if what == "mended" and hidden(telling, finding.cause, left):
        what = "not seen again, but what was measured as left cannot tell"
    rest: tuple[str, ...] = ()
    if now is not None and set(now.channels) < set(finding.channels):
        others = tuple(channel for channel in finding.channels if channel not in now.channels)
        if fate(replace(finding, channels=others), (), outcomes) == "mended":
            what, rest = "partly mended", now.channels
    return Told(first=finding, now=now, fate=what, rest=rest)


def _where_it_was(telling: Telling, finding: Finding, found: Sequence[Finding]) -> str:
    """What is known of the first round of a finding that only the last one shows."""
    if hidden(telling, finding.cause, found):
        return "hidden at first"
    outcome = telling.visit.outcomes(FOUND).get(finding.step)
    return "new" if outcome is not None and judged_again(finding, outcome) == "all" else "first seen"


def hidden(telling: Telling, cause: str, findings: Iterable[Finding]) -> bool:
    """Whether the room cannot be judged yet, because other findings spoil what was measured of its bass."""
    subs = {channel.id for channel in telling.job.system.channels if channel.is_sub}
    spoilt = (each for each in findings if each.id in SPOILT)
    return cause == "room" and any(not each.channels or subs & set(each.channels) for each in spoilt)


def merged(telling: Telling, found: Iterable[Told]) -> list[Told]:
    """For the homeowner: faults of one kind that met the same fate as one, where the words have a sentence for the kind."""
    groups: dict[tuple[object, ...], list[Told]] = {}
    for i, told in enumerate(found):
        kind = told.first.id if telling.words.has(f"findings.{told.first.id}.was") else i
        groups.setdefault((kind, told.fate, told.now is None, told.rest), []).append(told)
    return [
        replace(
            group[0],
            first=_union([told.first for told in group]),
            now=None if group[0].now is None else _union([told.now for told in group if told.now is not None]),
        )
        for group in groups.values()
    ]


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
    return sentence(
        telling.say(
            key,
            channels=telling.channel_names(finding.channels),
            seats=telling.seat_names(finding.seats),
            title=telling.told(finding.title),
        )
    )


def fate_told(telling: Telling, told: Told) -> str:
    """What became of it, as a sentence; empty where there is nothing to say."""
    if not told.fate:
        return ""
    key = f"fates.{told.fate.replace(' ', '-').replace(',', '')}"
    if not telling.words.has(key):
        return sentence(telling.told(told.fate))
    return telling.say(key, channels=telling.channel_names(told.rest))


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
    head = Paragraph(text=" ".join(part for part in (title, fate_told(telling, told)) if part), kind="lead")
    pairs: list[tuple[str, str]] = []

    def add(key: str, *texts: str) -> None:
        said = [telling.told(text) for text in texts if text]
        if said:
            pairs.append((telling.say(f"findings_section.{key}"), "; ".join(said)))

    add("evidence", *first.evidence)
    if now is not None and now.evidence != first.evidence:
        add("evidence_now", *now.evidence)
    if told.fate in _SHOWN_AGAIN:
        again = _judged_again(telling, first)
        pairs += [(telling.say("findings_section.judged_again"), again)] if again else []
    if first.confidence is not None:
        pairs.append((telling.say("findings_section.confidence"), f"{first.confidence:.0%}".replace("%", " %")))
    add("alternatives", *first.alternatives)
    add("confirm", first.confirm)
    add("remedy", first.remedy)
    return [head, Facts(pairs=tuple(pairs))] if pairs else [head]


_SHOWN_AGAIN = ("mended", "partly mended", "not seen again, but not everything was checked again")


def _judged_again(telling: Telling, finding: Finding) -> str:
    """What the last round says of the checks that would show a finding: what "put right" rests on."""
    if telling.after is None or not finding.check:
        return ""
    checks = [
        check
        for check in telling.outcome(finding.step, telling.after).checks
        if check.id == finding.check
        and (not finding.channels or check.channel in (None, *finding.channels))
        and (not finding.seats or check.seat in (None, *finding.seats))
    ]
    if not checks:
        return ""
    worst = farthest(telling, checks)
    key = "judged_value" if worst == OPTIONAL else "judged_worst"
    return telling.say(
        f"findings_section.{key}",
        what=capital(kind_name(telling, checks)),
        worst=worst,
        round=telling.round(telling.after),
        verdicts=verdict_counts(checks),
    )
