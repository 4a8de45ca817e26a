"""Checks in the record: results with limit, uncertainty and basis; failed and undecided checks; checks not tested."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from commission.model import Check, Limit, Outcome, Verdict
from commission.model.units import clean_text
from commission.record.content.context import Context, capital, table
from commission.record.document import Block, Bullets, Heading, PrintedTable

MOST_ROWS = 48
"""Limit of listed checks that did not pass; the rest is in the attached results."""
MOST_PLACES, MOST_LIMITS = 8, 3
NAMES = {
    "site.settings": "settings entered",
    "site.assumed-speed": "speed of sound that the processor assumes",
    "layout.inside": "inside the room",
    "layout.tape": "tape distance minus distance by position",
    "layout.side": "left loudspeaker left of its right partner",
    "layout.seats-centred": "seats on the screen's centre line",
    "layout.outside-heads": "loudspeaker outside the outermost head",
    "layout.front-heights": "front heights ahead of the front row",
    "layout.rear-heights": "rear heights behind the back row",
    "layout.sight": "sight line over the head in front",
    "layout.seat-back": "direct path over the back of a seat",
    "layout.obstacle": "direct path inside an obstacle",
    "layout.aim": "angle off the axis of the loudspeaker",
    "layout.direction": "angle outside the range of ITU-R BS.2051",
    "layout.seat-wall": "ears from the nearest wall",
    "wiring.compression": "compression without what distortion explains",
    "wiring.rattle": "burst of treble at one tone, in two recordings",
    "levels.match": "level relative to the other channels",
    "levels.reference": "level of all main channels relative to the reference",
    "levels.sum": "level of all subwoofers together relative to their reference",
    "levels.repeat": "spread of repeated readings",
    "distances.setting": "delay set minus delay required",
    "distances.arrival": "arrival of the sound",
    "distances.place": "position that it plays from",
    "seats.snr": "signal-to-noise ratio",
    "seats.clipped": "recording not clipped",
    "seats.polarity": "polarity",
    "seats.treble": "treble relative to its partner",
    "seats.mids": "middle range relative to its partner",
    "seats.lows": "lows relative to its partner",
    "seats.level": "level relative to the mean of the seats",
    "seats.direct": "direct sound, 4–10 kHz, relative to the mean of the other seats",
    "seats.bass": "lowest third octave of bass relative to the mean of the seats",
}
"""The subject of a check, by its id; others use their own text."""


def check_blocks(context: Context, outcome: Outcome, in_tables: Collection[Check]) -> list[Block]:
    """The checks of an outcome by kind; those that did not pass are listed one by one, unless a table of the step has
    them.

    `in_tables`: the checks in rows of a table.
    """
    if not outcome.checks:
        return []
    blocks: list[Block] = [_kinds(context, outcome)]
    failed = [
        check
        for check in outcome.checks
        if check not in in_tables and check.verdict in (Verdict.FAIL, Verdict.UNSURE) and check.limit is not None
    ]
    failed.sort(key=lambda check: -check.verdict.severity)
    if failed:
        blocks.append(_not_passed(context, outcome, failed))
    untested = _untested(outcome.checks)
    if untested:
        blocks.append(Bullets(items=untested))
    return blocks


def kinds(checks: Sequence[Check]) -> list[list[Check]]:
    """Checks grouped by kind: the same id, or no unit and the same basis."""
    groups: dict[tuple[object, ...], list[Check]] = {}
    for check in checks:
        plain = not check.unit and check.limit is not None
        key = (check.limit.basis, check.limit.low, check.limit.high) if plain and check.limit else (check.id,)
        groups.setdefault(key, []).append(check)
    return list(groups.values())


def kind_name(checks: Sequence[Check]) -> str:
    """The subject of a kind of check in words: by its id in `NAMES`, else the common part of its texts."""
    names = []
    for ident in dict.fromkeys(check.id for check in checks):
        if ident in NAMES:
            names.append(NAMES[ident])
            continue
        texts = list(dict.fromkeys(check.text for check in checks if check.id == ident))
        common = texts[0] if len(texts) == 1 else _common(texts)
        names.append(clean_text(common) if common.strip() else clean_text(ident))
    common = _common(names) if len(names) > MOST_LIMITS else ""
    return common or ("; " if any("," in name for name in names) else ", ").join(names)


def _common(texts: Sequence[str]) -> str:
    """The common beginning of texts up to a comma; empty if there is none."""
    first, last = min(texts), max(texts)
    length = next(
        (i for i, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), min(len(first), len(last))
    )
    return first[:length].rpartition(",")[0]


def kind_limit(context: Context, checks: Sequence[Check]) -> str:
    """The limit of a kind of check; "yes or no" without a unit, a range if the limits differ."""
    limits = list(dict.fromkeys(check.limit for check in checks if check.limit is not None))
    if not limits:
        return "none"
    if all(not limit.unit for limit in limits):
        return "yes or no"
    if len(limits) <= MOST_LIMITS:
        return "; ".join(context.limit(limit) for limit in limits)
    edges = [edge for limit in limits for edge in (limit.low, limit.high) if edge is not None]
    unit, like = limits[0].unit, limits[0]
    low, high = (context.quantity(edge, unit, like=like) for edge in (min(edges), max(edges)))
    return f"each its own, {low} to {high}"


def kind_basis(checks: Sequence[Check]) -> str:
    """The basis of the limit of a kind."""
    return "; ".join(dict.fromkeys(clean_text(check.limit.basis) for check in checks if check.limit is not None))


def kind_uncertainty(context: Context, checks: Sequence[Check]) -> str:
    """The largest U = 2 u of a kind; if it has a few different limits, one for each in the same order."""
    by_limit: dict[Limit | None, list[Check]] = {}
    for check in checks:
        by_limit.setdefault(check.limit, []).append(check)
    groups = list(by_limit.values())
    if None in by_limit or len(groups) > MOST_LIMITS:
        groups = [list(checks)]
    lines = [_largest(context, group) for group in groups]
    return lines[0] if len(set(lines)) == 1 else "; ".join(lines)


def _largest(context: Context, checks: Sequence[Check]) -> str:
    largest = max(checks, key=lambda check: check.uncertainty)
    return context.quantity(2 * largest.uncertainty, largest.unit, like=largest.limit) if largest.uncertainty else "–"


def _kinds(context: Context, outcome: Outcome) -> PrintedTable:
    rows = []
    for group in kinds(outcome.checks):
        rows.append(
            (
                capital(kind_name(group)),
                verdict_counts(group),
                farthest(context, group),
                kind_uncertainty(context, group),
                kind_limit(context, group),
                kind_basis(group),
            )
        )
    titles = ("Checked", "Verdicts", "Worst value", "U", "Limit", "Basis")
    headings = tuple(Heading(title=title) for title in titles)
    ident = context.id("checks", outcome.step, outcome.round)
    return table(ident, "What was checked", headings, rows)


def verdict_counts(group: Sequence[Check]) -> str:
    """Every verdict that occurs, with its symbol and count."""
    counted = [(verdict, sum(check.verdict is verdict for check in group)) for verdict in Verdict]
    return "  ".join(f"{verdict.symbol} {count}" for verdict, count in counted if count)


def farthest(context: Context, group: Sequence[Check]) -> str:
    """The worst value, with its place."""
    judged = [check for check in group if check.verdict is not Verdict.NOT_TESTED]
    if not judged:
        return "–"
    worst = max(judged, key=lambda check: (check.verdict.severity, _beyond(check)))
    place = _place(worst)
    if not worst.unit or worst.words:
        if worst.verdict is Verdict.PASS:
            return "–"
        text = clean_text(worst.words)
        return f"{text} ({place})" if text and place else text or place or "–"
    value = context.quantity(worst.value, worst.unit, like=worst.limit)
    return f"{value} ({place})" if place else value


def _beyond(check: Check) -> float:
    """How far a value is beyond its nearer limit; negative inside."""
    limit: Limit | None = check.limit
    if limit is None or check.value is None:
        return 0.0
    edges = []
    if limit.low is not None:
        edges.append(limit.low - check.value)
    if limit.high is not None:
        edges.append(check.value - limit.high)
    return max(edges, default=0.0)


def _place(check: Check) -> str:
    return " ".join(clean_text(part) for part in (check.channel, check.seat) if part)


def _not_passed(context: Context, outcome: Outcome, failed: Sequence[Check]) -> PrintedTable:
    rows = []
    for check in failed[:MOST_ROWS]:
        assert check.limit is not None
        value = context.quantity(check.value, check.unit, like=check.limit) if check.unit else "–"
        value = clean_text(check.words) or value
        spread = context.quantity(2 * check.uncertainty, check.unit, like=check.limit) if check.uncertainty else "–"
        limit = context.limit(check.limit) if check.unit else "yes or no"
        verdict = f"{check.verdict.symbol} {clean_text(check.verdict.value)}"
        own = check.text and (check.unit or check.id not in NAMES)
        what = capital(clean_text(check.text) if own else kind_name([check]))
        rows.append((_place(check) or "–", what, value, spread, limit, verdict))
    headings = tuple(Heading(title=title) for title in ("Where", "Checked", "Value", "U", "Limit", "Verdict"))
    rest = len(failed) - len(rows)
    ident, title = context.id("not-passed", outcome.step, outcome.round), "What did not pass"
    return table(
        ident,
        title,
        headings,
        rows,
        (
            "One more is listed in the attached results.json."
            if rest == 1
            else f"{rest} more are listed in the attached results.json."
        )
        if rest
        else "",
    )


def _untested(checks: Sequence[Check]) -> tuple[str, ...]:
    """Reasons for checks that were not tested, each with its places."""
    reasons: dict[tuple[str, str], list[Check]] = {}
    for check in checks:
        if check.verdict is Verdict.NOT_TESTED:
            reasons.setdefault((check.id, check.why_not or ""), []).append(check)
    out = []
    for (_, why), group in reasons.items():
        places = [place for check in group if (place := _place(check))]
        shown = ", ".join(places[:MOST_PLACES])
        if len(places) > MOST_PLACES:
            shown = f"{shown} and {len(places) - MOST_PLACES} more"
        what = capital(kind_name(group))
        what = f"{what} ({shown})" if shown else what
        out.append(f"– not tested: {what}, because {clean_text(why)}." if why else f"– not tested: {what}.")
    return tuple(out)
