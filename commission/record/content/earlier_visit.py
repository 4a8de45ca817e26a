"""Page one of a return visit: in plain words, what has drifted since the earlier visit, and what was set differently."""

from __future__ import annotations

from collections.abc import Iterable

from commission.model import AS_FOUND
from commission.model.formatting import number
from commission.record.content.context import MOST_NAMES, Context
from commission.record.document import Block, Bullets, Paragraph, Section
from commission.steps.drift.figures import ARRIVAL, HEARD, HELD, LEVEL, POLARITY, RESPONSE, SPREAD, TAPE, TRIM, kind
from commission.steps.drift.result import Drift, DriftResult, compared_round, solve
from commission.steps.shared.subwoofers import SUBS

MOST = 5
"""Most drifts listed here; the step lists all."""
FROM_LEFT = "The state in which the room was found this time is compared with the state in which it was left then."
FROM_FOUND = (
    "The state in which the room was found this time is compared with the state in which it was found then: that visit "
    "recorded nothing else."
)
UNCHANGED = "Nothing that was measured both times has changed by more than the uncertainty of the two measurements."
NOT_MEASURED_YET = "Nothing that the earlier visit measured has been measured again yet."
NOTHING_TO_COMPARE = "The earlier visit measured nothing that could be compared."
ONLY_SETTINGS = (
    "Only settings could be compared: nothing that the earlier visit measured has been measured again yet."
)
OR_SET = "Its setting may have changed as well: it was not recorded at both visits."
TOGETHER_DB = 1.0
"""A change common to all loudspeakers is mentioned from this size on (common practice, no source)."""


def earlier_section(context: Context) -> Section | None:
    """The changes since the earlier visit; None if this is not a return visit."""
    earlier = context.job.earlier
    if earlier is None:
        return None
    result = solve(context.job, compared_round(context.job), context.visit.analyses)
    blocks: list[Block] = []
    if not result.drifts:
        blocks.append(Paragraph(text=NOT_MEASURED_YET if earlier.figures else NOTHING_TO_COMPARE))
    else:
        blocks.append(Paragraph(text=FROM_FOUND if earlier.round == AS_FOUND else FROM_LEFT))
        items = (
            *_settings(context, result),
            *_drifts(context, result),
            *_explained(context, result),
            *_together(result),
        )
        if items:
            blocks.append(Bullets(items=items))
        if partly := _compared_count(context, result):
            blocks.append(Paragraph(text=partly))
        if not result.drifted():
            blocks.append(Paragraph(text=UNCHANGED if _measured(result) else ONLY_SETTINGS))
    title = f"Since the visit of {context.date(earlier.closed_at)}"
    return Section(id=context.id("summary", "earlier"), title=title, blocks=tuple(blocks))


def quieter_since(context: Context) -> set[str]:
    """Channels that have become quieter since the earlier visit, unexplained by their settings."""
    if context.job.earlier is None:
        return set()
    result = solve(context.job, compared_round(context.job), context.visit.analyses)
    return {
        d.channel for d in result.drifted() if d.channel and kind(d.quantity) in (LEVEL, RESPONSE) and d.change < 0
    }


def _compared_count(context: Context, result: DriftResult) -> str:
    """The number of loudspeakers compared by measurement; "" if all were."""
    known = [channel.id for channel in context.job.system.channels]
    compared = {d.channel for d in result.drifts if not d.is_setting} & set(known)
    if not compared or len(compared) == len(known):
        return ""
    missing = [channel for channel in known if channel not in compared]
    return f"{len(compared)} of {len(known)} loudspeakers could be compared; not: {context.channel_names(missing)}."


def _measured(result: DriftResult) -> bool:
    return any(not d.is_setting for d in result.drifts)


def _settings(context: Context, result: DriftResult) -> Iterable[str]:
    """Settings that differ from those left at the earlier visit, by kind."""
    unticked = set(context.job.earlier.not_typed_in) if context.job.earlier is not None else set()
    for quantity, what in ((TRIM, "loudness"), (HELD, "timing"), (POLARITY, "polarity")):
        own = [d for d in result.changed_settings() if d.quantity == quantity]
        if changed := [d for d in own if d.channel not in unticked]:
            yield f"The {what} setting has been changed since then: {_channels_text(context, changed)}."
        if changed := [d for d in own if d.channel in unticked]:
            yield (
                f"The {what} setting is not what was planned then, and may never have been entered: "
                f"{_channels_text(context, changed)}."
            )


def _channels_text(context: Context, changed: list[Drift]) -> str:
    """Loudspeakers in a sentence; up to `MOST_NAMES` with a changed trim, each with its change."""
    if changed[0].quantity != TRIM or len(changed) > MOST_NAMES:
        return context.channel_names(d.channel or "" for d in changed)
    turned = [
        f"{context.channel_name(d.channel or '')} ({number(abs(d.change), 1)} dB {'louder' if d.change > 0 else 'quieter'})"
        for d in changed
    ]
    return context.listed(turned)


def _drifts(context: Context, result: DriftResult) -> Iterable[str]:
    """Drifts, surest first; of two measurements of one loudness only the surer. Each band of a spread is listed."""
    texts: dict[tuple[str, str | None], str] = {}
    for d in sorted(result.drifted(), key=lambda d: -abs(d.change) / max(d.expanded, 1e-9)):
        what = LEVEL if d.quantity == RESPONSE else d.quantity
        texts.setdefault((what, d.channel), _drift(context, d))
    yield from list(texts.values())[:MOST]
    if len(texts) > MOST:
        yield (
            "One more change is listed in the step “Since last time”."
            if len(texts) - MOST == 1
            else f"{len(texts) - MOST} more changes are listed in the step “Since last time”."
        )


def _drift(context: Context, d: Drift) -> str:
    more = d.change > 0
    name = "The subwoofers together" if d.channel == SUBS else context.channel_name(d.channel or "")
    what = kind(d.quantity)
    if what == HEARD:
        text = f"{name} now pushes where it pulled then, or the other way round: its polarity has changed."
    elif what == TAPE:
        by = context.quantity(abs(d.change), "m")
        text = f"{name} is {by} {'farther from' if more else 'nearer to'} the reference seat."
    else:
        digits = 2 if what == ARRIVAL else 1
        by, doubt = number(abs(d.change), digits), number(d.expanded, digits)
        if what == SPREAD:
            band = d.quantity.split(" ")[-1].replace("-", "–")
            text = (
                f"{name}: at {band} Hz the seats differ {by} dB {'more' if more else 'less'} from each other than then "
                f"(± {doubt} dB)."
            )
        elif what == ARRIVAL:
            text = (
                f"{name} is heard {by} ms {'later' if more else 'sooner'} than then; the measurements are uncertain by "
                f"± {doubt} ms."
            )
        else:
            text = (
                f"{name} has become {by} dB {'louder' if more else 'quieter'}; the measurements are uncertain by "
                f"± {doubt} dB."
            )
    return text if d.explained is not None else f"{text} {OR_SET}"


def _together(result: DriftResult) -> Iterable[str]:
    """The change common to all loudspeakers, if it is large enough to mention."""
    shift = result.shared.get(LEVEL, 0.0)
    if abs(shift) >= TOGETHER_DB:
        yield (
            f"All loudspeakers together read {number(abs(shift), 1)} dB {'louder' if shift > 0 else 'quieter'} than "
            "then; this may only be the volume setting of the day, and is not counted as a change."
        )


def _explained(context: Context, result: DriftResult) -> Iterable[str]:
    """Loudspeakers whose change follows from their settings: adjusted, not drifted."""
    drifted = {d.channel for d in result.drifted()}
    names = list(
        dict.fromkeys(
            d.channel or ""
            for d in result.drifts
            if d.word == "explained" and d.quantity in (LEVEL, RESPONSE, HEARD) and d.channel not in drifted
        )
    )
    if names:
        yield f"Changed settings explain the change of {context.channel_names(names)}; this is not a drift."
