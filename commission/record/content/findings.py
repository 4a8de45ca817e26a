"""Findings in the record: the fate of each, in plain words for the homeowner and with evidence for the trade."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Literal

from commission.diagnosis.room import SPOILT
from commission.model import Fate, Finding, FindingHistory, Verdict
from commission.model.fate import ACTION_WORDS
from commission.model.outcome import Cause
from commission.model.units import clean_text
from commission.record.content.checks import farthest, kind_name, verdict_counts
from commission.record.content.context import FOUND, OPTIONAL, Context, capital, sentence
from commission.record.content.plain_findings import PLAIN_FINDINGS
from commission.record.document import Block, Facts, Paragraph, Section

CAUSES: tuple[Cause, ...] = ("electronics", "settings", "room")
CAUSE_TITLES: dict[Cause, str] = {
    "electronics": "Electronics: equipment and wiring",
    "settings": "Settings of the processor",
    "room": "Room: construction and layout",
}
MEASURING = "measurement."
"""Beginning of the ids of measuring mistakes, which are not faults of the cinema."""


def finding_histories(context: Context) -> tuple[FindingHistory, ...]:
    """Every finding of the visit with its fate in the newest round that has data."""
    return context.visit.finding_histories(context.after or FOUND)


def of_the_cinema(history: FindingHistory) -> bool:
    """Whether it is a fault of the cinema, not a mistake of the measurement or a setting that could be better."""
    return not history.first.id.startswith(MEASURING) and not is_improvement(history)


def is_improvement(history: FindingHistory) -> bool:
    """Whether a setting could be better without being wrong: healthy loudspeakers' slopes can also leave a weaker sum."""
    return history.first.id == "settings.crossover"


def electronics_open(context: Context) -> set[str]:
    """Channels with an open fault of the equipment or its wiring, except those accepted by the client."""
    faults = [
        each
        for each in finding_histories(context)
        if each.first.cause == "electronics"
        and of_the_cinema(each)
        and not each.fate.gone
        and each.fate is not Fate.ACCEPTED
    ]
    return {channel for each in faults for channel in (each.open_channels or each.finding.channels)}


def hidden(context: Context, cause: Cause, findings: Iterable[Finding]) -> bool:
    """Whether the room cannot be checked yet, because other findings invalidate the measurements of its bass."""
    subs = {channel.id for channel in context.job.system.channels if channel.is_sub}
    spoilt = (each for each in findings if each.id in SPOILT)
    return cause == "room" and any(not each.channels or subs & set(each.channels) for each in spoilt)


# --- in plain words -------------------------------------------------------------------------------------------------


def merged(histories: Iterable[FindingHistory]) -> list[FindingHistory]:
    """Findings for the homeowner: faults of one kind with the same fate become one, if the kind has a sentence."""
    groups: dict[tuple[object, ...], list[FindingHistory]] = {}
    for i, each in enumerate(histories):
        kind = each.first.id if each.first.id in PLAIN_FINDINGS else i
        did = tuple(action.seq for action in each.actions)
        key = (kind, each.fate, bool(each.now), each.open_channels, did, each.new_settings, each.round)
        groups.setdefault(key, []).append(each)
    return [
        replace(
            group[0],
            first=_union([each.first for each in group]),
            now=(_union([one for each in group for one in each.now]),) if group[0].now else (),
        )
        for group in groups.values()
    ]


def _union(findings: Sequence[Finding]) -> Finding:
    channels, seats = (
        dict.fromkeys(name for each in findings for name in getattr(each, key)) for key in ("channels", "seats")
    )
    titles = "; ".join(dict.fromkeys(each.title for each in findings))
    return replace(findings[0], channels=tuple(channels), seats=tuple(seats), title=titles)


def plain(context: Context, finding: Finding, part: Literal["was", "now", "notice", "mending"]) -> str:
    """One part of the meaning of a finding, as a sentence; empty if there is none for this kind."""
    known = PLAIN_FINDINGS.get(finding.id)
    if known is None:
        return ""
    text = (
        known.sentence(past=part == "was", several=len(finding.channels) > 1)
        if part in ("was", "now")
        else {"notice": known.notice, "mending": known.mending}[part]
    )
    return sentence(
        text.format(
            channels=context.channel_names(finding.channels),
            seats=context.seat_names(finding.seats) or "some seats",
            title=clean_text(finding.title),
        )
    )


def description(context: Context, finding: Finding, tense: Literal["was", "now"]) -> str:
    """A sentence on what was or is wrong; its own title if its kind has none. With alternatives it says "likely", names
    the other cause, or says on which entries it rests.
    """
    text = plain(context, finding, tense) or sentence(clean_text(finding.title))
    qualified = any(word in text.lower() for word in ("likely", "unless", "by the entered positions"))
    return text if qualified or not finding.alternatives else f"Likely: {text}"


def status_sentences(context: Context, history: FindingHistory) -> str:
    """The fate of a finding, never more than is known; empty in a visit that only measured once."""
    some = history.open_channels
    where = f": {context.channel_names(some)}" if some else ""
    did = _action(context, history)
    match history.fate:
        case Fate.OPEN:
            status = ""
        case Fate.STILL_THERE:
            after = (
                f", although it was {did}" if did and history.actions else ", with the new settings" if did else ""
            )
            status = f"Still there{where}{after}."
        case Fate.NEW:
            status = "It was not there in the first measurement."
        case Fate.FIRST_EXAMINED:
            status = "The first measurement could not show this."
        case Fate.NOT_MEASURED_AGAIN:
            status = f"Not measured again{where}, so its present state is not known."
        case Fate.NOT_DETERMINED:
            status = f"Measured again, but the measurement cannot show whether it is gone{where}."
        case Fate.REPAIRED_NOT_MEASURED:
            status = f"{capital(did)}, but not measured since{where}, so its present state is not known."
        case Fate.REPAIRED:
            status = f"{capital(did)}; no longer found."
        case Fate.NO_LONGER_FOUND:
            status = "No longer found."
        case Fate.ACCEPTED | Fate.LEFT_FOR_LATER:
            status = f"{capital(did or history.fate.value)}."
    return f"{status}{_others(context, history)}".strip()


def _others(context: Context, history: FindingHistory) -> str:
    """The state of those channels of a finding that its status does not name, if it names some."""
    some = history.open_channels
    known: dict[str, list[str]] = {}
    for channel in history.first.channels if some else ():
        if channel not in some:
            known.setdefault(_checked_later(context, history, channel), []).append(channel)
    return "".join(f" {text}: {context.channel_names(channels)}." for text, channels in known.items())


def _action(context: Context, history: FindingHistory) -> str:
    """The last action on it, by whom and when, as a clause; "" if nothing is logged."""
    mends = history.fate in (Fate.REPAIRED, Fate.REPAIRED_NOT_MEASURED, Fate.STILL_THERE)
    actions = [each for each in history.actions if each.mends or not mends]
    if not actions:
        return f"new settings were {history.new_settings}" if history.new_settings else ""
    body = actions[-1].body
    by = f" by {clean_text(body.by)}" if body.by and body.action not in ("accepted", "later") else ""
    note = f" ({clean_text(body.note)})" if body.note else ""
    return f"{ACTION_WORDS[body.action]}{by} on {context.date(actions[-1].at)}{note}"


def _checked_later(context: Context, history: FindingHistory, channel: str) -> str:
    """The results of later rounds for one channel of a finding."""
    rounds = context.job.rounds
    later = rounds[rounds.index(history.round) + 1 :] if history.round in rounds else ()
    verdicts = [
        check.verdict
        for round_id in later
        for check in context.outcome(history.first.step, round_id).checks
        if check.id == history.first.check and check.channel in (None, channel)
    ]
    if Verdict.FAIL in verdicts:
        return "Still outside the limit"
    return "No longer found" if set(verdicts) - {Verdict.NOT_TESTED} else "Not measured again"


# --- for the trade --------------------------------------------------------------------------------------------------


def findings_section(context: Context, found: tuple[FindingHistory, ...]) -> Section:
    """Every finding with its evidence, alternatives, confirming test, remedy, and actions."""
    ident, title = context.id("findings"), "Findings"
    failures = dict.fromkeys(each for r in context.job.rounds for each in context.visit.failures(r))
    not_known = tuple(Paragraph(text=sentence(clean_text(each))) for each in failures)
    if not found:
        nothing = "No rule named a cause. What did not pass is listed in each step."
        return Section(id=ident, title=title, blocks=(Paragraph(text=nothing), *not_known))
    parts = []
    for cause in CAUSES:
        own = [each for each in found if each.first.cause == cause]
        if own:
            blocks = tuple(block for each in own for block in _blocks(context, each))
            parts.append(Section(id=context.id("findings", cause), title=CAUSE_TITLES[cause], blocks=blocks))
    intro = Paragraph(
        text="Each finding with its evidence, what else it could be, and what would settle it.",
        kind="note",
    )
    return Section(id=ident, title=title, blocks=(intro, *not_known), sections=tuple(parts))


def _blocks(context: Context, history: FindingHistory) -> list[Block]:
    first, now = history.first, history.now
    parts = (sentence(clean_text(first.title)), status_sentences(context, history))
    head = Paragraph(text=" ".join(filter(None, parts)), kind="lead")
    pairs: list[tuple[str, str]] = []

    def add(name: str, *texts: str) -> None:
        known = [clean_text(text) for text in texts if text]
        if known:
            pairs.append((name, "; ".join(known)))

    add("Evidence", *first.evidence)
    newest = tuple(dict.fromkeys(text for each in now for text in each.evidence))
    if newest != first.evidence:
        add("Evidence now", *newest)
    add("Checked again", _checked_again(context, history))
    if first.confidence is not None:
        pairs.append(("Confidence", f"{first.confidence:.0%}".replace("%", " %")))
    add("Could also be", *first.alternatives)
    add("To confirm", first.confirm)
    add("Remedy", first.remedy)
    add(
        "Done",
        *(
            _logged(context, action.body.action, action.body.by, action.at, action.body.note)
            for action in history.actions
        ),
    )
    return [head, Facts(pairs=tuple(pairs))] if pairs else [head]


def _logged(context: Context, action: str, by: str, at: str, note: str) -> str:
    who = f" by {by}" if by and action not in ("accepted", "later") else ""
    return f"{ACTION_WORDS[action]}{who}, {context.date(at)} {at[11:16]} UTC{f': {note}' if note else ''}"


def _checked_again(context: Context, history: FindingHistory) -> str:
    """The newest results of the checks that would show a finding: the reason why it counts as gone."""
    finding = history.first
    if context.after is None or not finding.check or history.now or history.round == context.after:
        return ""
    checks = [
        check
        for check in context.outcome(finding.step, context.after).checks
        if check.id == finding.check
        and (not finding.channels or check.channel in (None, *finding.channels))
        and (finding.place != "seat" or check.seat in (None, *finding.seats))
    ]
    if not checks:
        return ""
    worst = farthest(context, checks)
    result = f"{capital(kind_name(checks))}, {context.round(context.after)}: {verdict_counts(checks)}"
    return result if worst == OPTIONAL else f"{result}, at worst {worst}"
