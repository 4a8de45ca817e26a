"""Page one of a return visit: in plain words, what has changed since the visit before, and what was set otherwise."""

from __future__ import annotations

from collections.abc import Iterable

from commission.model import AS_FOUND
from commission.model.show import number
from commission.record.document import Block, Bullets, Paragraph, Section
from commission.record.telling import MOST_NAMES, Telling
from commission.steps.compare.result import SUBS
from commission.steps.drift.figures import ARRIVAL, HEARD, HELD, LEVEL, POLARITY, RESPONSE, SPREAD, TAPE, TRIM, kind
from commission.steps.drift.result import Drift, DriftResult, compared_round, solve

MOST = 5
"""More drifts than this are counted; the step tells them all."""
TOGETHER_DB = 1.0
"""From here a change of all loudspeakers alike is told (common practice, no source)."""


def earlier_section(telling: Telling) -> Section | None:
    """What has changed since the visit that this one returns to; None where this is no return."""
    earlier = telling.job.earlier
    if earlier is None:
        return None
    result = solve(telling.job, compared_round(telling.job), telling.visit.analyses)
    blocks: list[Block] = []
    if not result.drifts:
        blocks.append(Paragraph(text=telling.say("earlier.nothing" if earlier.figures else "earlier.held_nothing")))
    else:
        key = "earlier.found" if earlier.round == AS_FOUND else "earlier.left"
        blocks.append(Paragraph(text=telling.say(key)))
        items = (
            *_settings(telling, result),
            *_drifts(telling, result),
            *_explained(telling, result),
            *_together(telling, result),
        )
        if items:
            blocks.append(Bullets(items=items))
        if not result.drifted():
            blocks.append(
                Paragraph(text=telling.say("earlier.same" if _measured(result) else "earlier.not_measured"))
            )
    title = telling.say("earlier.short_title", when=telling.date(earlier.closed_at))
    return Section(id=telling.id("summary", "earlier"), title=title, blocks=tuple(blocks))


def _measured(result: DriftResult) -> bool:
    return any(not d.is_setting for d in result.drifts)


def _settings(telling: Telling, result: DriftResult) -> Iterable[str]:
    """What is not set as it was left, by what was set."""
    unticked = set(telling.job.earlier.not_typed_in) if telling.job.earlier is not None else set()
    for quantity, key in ((TRIM, "trim"), (HELD, "delay"), (POLARITY, "polarity")):
        own = [d for d in result.changed_settings() if d.quantity == quantity]
        for word, changed in (
            ("set", [d for d in own if d.channel not in unticked]),
            ("unticked", [d for d in own if d.channel in unticked]),
        ):
            if changed:
                yield telling.say(f"earlier.{word}_{key}", channels=_named(telling, changed))


def _named(telling: Telling, changed: list[Drift]) -> str:
    """A few loudspeakers with what each was turned by, where that is loudness; else as everywhere."""
    if changed[0].quantity != TRIM or len(changed) > MOST_NAMES:
        return telling.channel_names(d.channel or "" for d in changed)
    turned = [
        telling.say(
            f"earlier.turned_{'up' if d.change > 0 else 'down'}",
            by=number(abs(d.change), 1),
            channel=telling.channel_name(d.channel or ""),
        )
        for d in changed
    ]
    return telling.listed(turned)


def _drifts(telling: Telling, result: DriftResult) -> Iterable[str]:
    """The surest first; of two measurements of the same loudness the surer one. Each band of a spread is its own."""
    said: dict[tuple[str, str | None], str] = {}
    for d in sorted(result.drifted(), key=lambda d: -abs(d.change) / max(d.expanded, 1e-9)):
        what = LEVEL if d.quantity == RESPONSE else d.quantity
        said.setdefault((what, d.channel), _drift(telling, d))
    yield from list(said.values())[:MOST]
    if len(said) > MOST:
        yield telling.say("earlier.more", len(said) - MOST)


def _drift(telling: Telling, d: Drift) -> str:
    more = d.change > 0
    name = telling.say("earlier.subs") if d.channel == SUBS else telling.channel_name(d.channel or "")
    what = kind(d.quantity)
    if what == HEARD:
        text = telling.say("earlier.heard", channel=name)
    elif what == TAPE:
        by = telling.quantity(abs(d.change), "m")
        text = telling.say(f"earlier.{'farther' if more else 'nearer'}", channel=name, by=by)
    else:
        key = {
            LEVEL: ("louder", "quieter"),
            RESPONSE: ("louder", "quieter"),
            ARRIVAL: ("later", "sooner"),
            SPREAD: ("uneven", "even"),
        }[what][0 if more else 1]
        digits = 2 if what == ARRIVAL else 1
        text = telling.say(
            f"earlier.{key}",
            channel=name,
            by=number(abs(d.change), digits),
            doubt=number(d.expanded, digits),
            band=d.quantity.split(" ")[-1].replace("-", "–"),
        )
    return text if d.explained is not None else f"{text} {telling.say('earlier.or_set')}"


def _together(telling: Telling, result: DriftResult) -> Iterable[str]:
    """What all loudspeakers have in common, where it is worth a word."""
    shift = result.shared.get(LEVEL, 0.0)
    if abs(shift) >= TOGETHER_DB:
        key = "louder" if shift > 0 else "quieter"
        yield telling.say(f"earlier.together_{key}", by=number(abs(shift), 1))


def _explained(telling: Telling, result: DriftResult) -> Iterable[str]:
    """Loudspeakers that do what they were set to: somebody's hand, and no drift."""
    drifted = {d.channel for d in result.drifted()}
    names = list(
        dict.fromkeys(
            d.channel or ""
            for d in result.drifts
            if d.word == "as explained" and d.quantity in (LEVEL, RESPONSE, HEARD) and d.channel not in drifted
        )
    )
    if names:
        yield telling.say("earlier.explained", channels=telling.channel_names(names))
