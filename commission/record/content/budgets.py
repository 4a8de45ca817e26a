"""The uncertainty budgets of every step, each kind once (JCGM 100, annex H)."""

from __future__ import annotations

import math
from collections.abc import Iterable

from commission.model import Budget, Contribution, Outcome, Step
from commission.model.formatting import two_digits
from commission.model.units import clean_text
from commission.record.content.context import Context, table
from commission.record.document import Block, Heading, Paragraph, PrintedTable, Section

OWN_TABLE = ":uncertainty"
"""Ending of the id of a table in which a step lists its budgets itself."""
EXPANDED = "U = 2 u"
MANY = 1000
"""From this many degrees of freedom on, Student's t for 95 % is within 0.1 % of the normal: they are not printed."""


def budgets_section(context: Context) -> Section | None:
    """Budget tables of the newest round that has any, step by step; None if no step has a budget."""
    sections, elsewhere = [], []
    for step in context.visit.steps:
        outcomes = (context.outcome(step.id, round_id) for round_id in reversed(context.job.rounds))
        outcome = next((each for each in outcomes if each.budgets), None)
        if outcome is None:
            continue
        if any(each.id.endswith(OWN_TABLE) and each.rows for each in outcome.tables):
            elsewhere.append(clean_text(step.title))
        else:
            sections.append(_step(context, step, outcome))
    if not sections and not elsewhere:
        return None
    intro: list[Block] = [
        Paragraph(
            text=(
                "Each uncertainty is combined from its sources (JCGM 100). u is the standard uncertainty of a source, in "
                "the unit of that source; share is its part of the combined variance. Type A is evaluated from the "
                "readings of this visit, type B from other information: an instrument class, a data sheet, experience. "
                "A shared error is the same for all channels, so that repeating the measurement does not reduce it. "
                "Each kind is listed once, with its largest value; the attached results.json contains all of them."
            )
        )
    ]
    intro += [Paragraph(text=f"{title}: see the table in that step.") for title in elsewhere]
    return Section(
        id=context.id("budgets"),
        title="Sources of uncertainty",
        blocks=tuple(intro),
        sections=tuple(sections),
    )


def _step(context: Context, step: Step, outcome: Outcome) -> Section:
    """The budgets of a step: one table for each result of several sources, one shared table for results of one source."""
    kinds = _kinds(context, outcome.budgets)
    title = f"{clean_text(step.title)}, {context.round(outcome.round)}"
    blocks = [_grid(context, place, budget) for place, budget in kinds if len(budget.contributions) > 1]
    single = [pair for pair in kinds if len(pair[1].contributions) == 1]
    blocks += [_together(context, single)] if single else []
    return Section(id=context.id("budgets", step.id), title=title, blocks=tuple(blocks))


def _kinds(context: Context, budgets: Iterable[Budget]) -> list[tuple[str, Budget]]:
    """Each kind of result once, loudspeakers and subwoofers apart: (what it applies to, the largest of its budgets)."""
    subs = {channel.id for channel in context.job.system.channels if channel.is_sub}
    kinds: dict[tuple[str, bool], list[Budget]] = {}
    for each in budgets:
        kinds.setdefault((each.title, each.channel in subs), []).append(each)
    found = []
    for own in kinds.values():
        largest = max(own, key=lambda each: each.u)
        places = list(dict.fromkeys(each.channel for each in own if each.channel is not None))
        where = _where(context, places, subs)
        if where and any(each.u < 0.995 * largest.u for each in own):
            worst, seat = (clean_text(part or "") for part in (largest.channel, largest.seat))
            worst = f"{worst} at {seat}" if worst and seat else worst or seat
            where = f"{where}; the largest, of {worst}"
        found.append((where, largest))
    return found


def _where(context: Context, places: list[str], subs: set[str]) -> str:
    everything = {channel.id for channel in context.job.system.channels}
    for name, all_of_them in (
        ("all channels", everything),
        ("all loudspeakers except the subwoofers", everything - subs),
        ("subwoofers", subs),
    ):
        if len(places) > 1 and set(places) == all_of_them:
            return name
    return context.listed(places)


def _grid(context: Context, place: str, budget: Budget) -> PrintedTable:
    rows = [_row(budget, each) for each in budget.contributions]
    u, expanded = (f"{two_digits(value)} {budget.unit}" for value in (budget.u, budget.expanded))
    remark = f"Combined u = {u}; U = 2 u = {expanded}."
    if budget.dof < MANY:  # truncated: JCGM 100 G.4.1
        remark += " " + f"Effective degrees of freedom: {math.floor(budget.dof + 1e-09)}."
    headings = _headings("Source", "u", "Type", "Share", "Basis")
    return table(context.id("budget", budget.id), _title(place, budget), headings, rows, remark)


def _title(place: str, budget: Budget) -> str:
    title = clean_text(budget.title)
    return f"{title}: {place}" if place else title


def _together(context: Context, single: list[tuple[str, Budget]]) -> PrintedTable:
    rows = []
    for place, budget in single:
        source, u, kind, _, basis = _row(budget, budget.contributions[0])
        expanded = f"{two_digits(budget.expanded)} {budget.unit}"
        rows.append((_title(place, budget), source, u, kind, expanded, basis))
    headings = _headings("Result", "Source", "u", "Type", EXPANDED, "Basis")
    return table(context.id("budgets-single"), "Results with one source of uncertainty", headings, rows)


def _headings(*titles: str) -> list[Heading]:
    return [
        Heading(title=title, unit="%" if title == "Share" else "", numeric=title in ("u", "Share", EXPANDED))
        for title in titles
    ]


def _row(budget: Budget, each: Contribution) -> tuple[str, ...]:
    source = clean_text(each.source)
    share = 100 * budget.share(each)
    return (
        f"{source} (shared)" if each.shared else source,
        f"{two_digits(each.u)} {each.unit}",
        f"{each.evaluation}, {clean_text(each.distribution)}",
        "< 1" if 0 < share < 0.5 else f"{share:.0f}",
        clean_text(each.basis),
    )
