"""Findings in the record: what became of each, in plain words for the homeowner and with evidence for the trade."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from commission.diagnosis.room import SPOILT
from commission.model import Finding
from commission.model.outcome import Cause
from commission.model.units import clean_text
from commission.record.content.checks import farthest, kind_name, verdict_counts
from commission.record.content.context import FOUND, OPTIONAL, Context, capital, measured_in, sentence
from commission.record.content.plain_findings import PLAIN_FINDINGS
from commission.record.document import Block, Facts, Paragraph, Section
from commission.steps.handover import fate, judged_again, same_fault

CAUSES: tuple[Cause, ...] = ("electronics", "settings", "room")
CAUSE_TITLES: dict[Cause, str] = {
    "electronics": "Electronics: equipment and wiring",
    "settings": "Settings: what the processor holds",
    "room": "Room: construction and layout",
}
FATES = {
    "mended": "Put right.",
    "partly mended": "Put right, but not for: {channels}.",
    "still open": "This remains.",
    "not checked again": "Not measured again, so how it is now is not known.",
    "not seen again, but not everything was checked again": "Gone where it was checked again, but not everything was.",
    "not seen again, but what was measured as left cannot tell": (
        "What was measured afterwards cannot show whether it is gone."
    ),
    "set anew, but not measured again": "Set anew; whether it is right now was not measured.",
    "new": "It was not there when the visit began.",
    "first seen": "At first this was not tested; it remains.",
    "hidden at first": "Other faults hid this at first; it remains.",
}
Tense = Literal["was", "now"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackedFinding:
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


def tracked_findings(context: Context) -> tuple[TrackedFinding, ...]:
    """Every finding of as found with its fate, then what only the last round shows."""
    found = context.visit.findings(FOUND)
    if context.after is None:
        return tuple(TrackedFinding(first=finding, now=finding, fate="") for finding in found)
    left = context.visit.findings(context.after)
    return (
        *(_followed(context, finding, left, context.after) for finding in found),
        *(
            TrackedFinding(first=finding, now=finding, fate=_where_it_was(context, finding, found))
            for finding in left
            if not any(same_fault(finding, other) for other in found)
        ),
    )


def _followed(context: Context, finding: Finding, left: Sequence[Finding], after: str) -> TrackedFinding:
    """A finding of as found, followed to the last round."""
    now = next((other for other in left if same_fault(finding, other)), None)
    outcomes = context.visit.outcomes(after)
    what = fate(finding, left, outcomes)
    if not any(measured_in(context.job, after)) and what not in ("still open", "set anew, but not measured again"):
        what = "not checked again"
    if what == "mended" and hidden(context, finding.cause, left):
        what = "not seen again, but what was measured as left cannot tell"
    rest: tuple[str, ...] = ()
    if now is not None and set(now.channels) < set(finding.channels):
        others = tuple(channel for channel in finding.channels if channel not in now.channels)
        if fate(replace(finding, channels=others), (), outcomes) == "mended":
            what, rest = "partly mended", now.channels
    return TrackedFinding(first=finding, now=now, fate=what, rest=rest)


def _where_it_was(context: Context, finding: Finding, found: Sequence[Finding]) -> str:
    """What is known of the first round of a finding that only the last one shows."""
    if hidden(context, finding.cause, found):
        return "hidden at first"
    outcome = context.visit.outcomes(FOUND).get(finding.step)
    return "new" if outcome is not None and judged_again(finding, outcome) == "all" else "first seen"


def hidden(context: Context, cause: str, findings: Iterable[Finding]) -> bool:
    """Whether the room cannot be judged yet, because other findings spoil what was measured of its bass."""
    subs = {channel.id for channel in context.job.system.channels if channel.is_sub}
    spoilt = (each for each in findings if each.id in SPOILT)
    return cause == "room" and any(not each.channels or subs & set(each.channels) for each in spoilt)


def merged(found: Iterable[TrackedFinding]) -> list[TrackedFinding]:
    """For the homeowner: faults of one kind that met the same fate as one, where there is a sentence for the kind."""
    groups: dict[tuple[object, ...], list[TrackedFinding]] = {}
    for i, tracked in enumerate(found):
        kind = tracked.first.id if tracked.first.id in PLAIN_FINDINGS else i
        groups.setdefault((kind, tracked.fate, tracked.now is None, tracked.rest), []).append(tracked)
    return [
        replace(
            group[0],
            first=_union([tracked.first for tracked in group]),
            now=None
            if group[0].now is None
            else _union([tracked.now for tracked in group if tracked.now is not None]),
        )
        for group in groups.values()
    ]


def _union(findings: Sequence[Finding]) -> Finding:
    channels, seats = (
        dict.fromkeys(name for each in findings for name in getattr(each, key)) for key in ("channels", "seats")
    )
    return replace(findings[0], channels=tuple(channels), seats=tuple(seats))


def plain(context: Context, finding: Finding, tense: Tense) -> str:
    """A finding for the homeowner, as it was or as it is now; its own title where there is no sentence for it."""
    return _plain(context, finding, tense) or sentence(clean_text(finding.title))


def takes(context: Context, finding: Finding) -> str:
    """What it would take, in plain words; the remedy where there is no sentence for it."""
    return _plain(context, finding, "mending") or clean_text(finding.remedy)


def _plain(context: Context, finding: Finding, part: Literal["was", "now", "mending"]) -> str:
    known = PLAIN_FINDINGS.get(finding.id)
    if known is None:
        return ""
    return sentence(
        getattr(known, part).format(
            channels=context.channel_names(finding.channels),
            seats=context.seat_names(finding.seats),
            title=clean_text(finding.title),
        )
    )


def fate_sentence(context: Context, tracked: TrackedFinding) -> str:
    """What became of it, as a sentence; empty where there is nothing to say."""
    if not tracked.fate:
        return ""
    return FATES[tracked.fate].format(channels=context.channel_names(tracked.rest))


def findings_section(context: Context, found: tuple[TrackedFinding, ...]) -> Section:
    """Every finding with its evidence, what else it could be, what would confirm it and the remedy."""
    ident, title = context.id("findings"), "Findings"
    if not found:
        nothing = "The measurements show no fault."
        return Section(id=ident, title=title, blocks=(Paragraph(text=nothing),))
    parts = []
    for cause in CAUSES:
        own = [tracked for tracked in found if tracked.first.cause == cause]
        if own:
            blocks = tuple(block for tracked in own for block in _blocks(context, tracked))
            parts.append(Section(id=context.id("findings", cause), title=CAUSE_TITLES[cause], blocks=blocks))
    intro = Paragraph(
        text=("What the numbers say is wrong, on what evidence, what else it could be, and what would settle it."),
        kind="note",
    )
    return Section(id=ident, title=title, blocks=(intro,), sections=tuple(parts))


def _blocks(context: Context, tracked: TrackedFinding) -> list[Block]:
    first, now = tracked.first, tracked.now
    title = sentence(clean_text(first.title))
    head = Paragraph(text=" ".join(part for part in (title, fate_sentence(context, tracked)) if part), kind="lead")
    pairs: list[tuple[str, str]] = []

    def add(name: str, *texts: str) -> None:
        known = [clean_text(text) for text in texts if text]
        if known:
            pairs.append((name, "; ".join(known)))

    add("Evidence", *first.evidence)
    if now is not None and now.evidence != first.evidence:
        add("Evidence now", *now.evidence)
    if tracked.fate in _SHOWN_AGAIN:
        again = _judged_again(context, first)
        pairs += [("Judged again", again)] if again else []
    if first.confidence is not None:
        pairs.append(("Confidence", f"{first.confidence:.0%}".replace("%", " %")))
    add("Could also be", *first.alternatives)
    add("To confirm", first.confirm)
    add("Remedy", first.remedy)
    return [head, Facts(pairs=tuple(pairs))] if pairs else [head]


_SHOWN_AGAIN = ("mended", "partly mended", "not seen again, but not everything was checked again")


def _judged_again(context: Context, finding: Finding) -> str:
    """What the last round says of the checks that would show a finding: what "put right" rests on."""
    if context.after is None or not finding.check:
        return ""
    checks = [
        check
        for check in context.outcome(finding.step, context.after).checks
        if check.id == finding.check
        and (not finding.channels or check.channel in (None, *finding.channels))
        and (not finding.seats or check.seat in (None, *finding.seats))
    ]
    if not checks:
        return ""
    worst = farthest(context, checks)
    result = f"{capital(kind_name(checks))}, {context.round(context.after)}: {verdict_counts(checks)}"
    return result if worst == OPTIONAL else f"{result}, at worst {worst}"
