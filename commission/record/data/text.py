"""Outcomes as plain text for a terminal, a pipe or an e-mail: every number with its unit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from commission.model import Check, Column, FindingHistory, Outcome, Row, Table, Verdict
from commission.model.fate import ACTION_WORDS
from commission.model.formatting import cell_text, unit_text, verdict_word
from commission.model.quantities import check_value, limit_text, uncertainty
from commission.model.units import clean_text
from commission.record.data.verdict_changes import verdict_change_lines
from commission.steps.shared.budget_table import budget_table, grouped
from commission.visit import Visit


def heading(column: Column, units: str) -> str:
    """The column's title with its unit."""
    return f"{column.title} {unit_text(column, units)}".strip()


def table_lines(table: Table, units: str = "metric") -> list[str]:
    """A table in aligned columns; text to the left, numbers to the right."""
    judged = table.verdicts and any(row.check is not None for row in table.rows)
    heads = [heading(column, units) for column in table.columns] + (["Verdict"] if judged else [])
    body = [_row_cells(row, table.columns, units, judged) for row in table.rows]
    widths = [
        max(len(head), *(len(cells[i]) for cells in body)) if body else len(head) for i, head in enumerate(heads)
    ]
    right = [column.decimals is not None for column in table.columns] + ([False] if judged else [])

    def line(cells: list[str]) -> str:
        return "  ".join(
            text.rjust(width) if to_right else text.ljust(width)
            for text, width, to_right in zip(cells, widths, right, strict=True)
        ).rstrip()

    lines = [table.title, line(heads), "─" * len(line(["x" * width for width in widths]))]
    lines += [line(cells) for cells in body] or ["(nothing yet)"]
    if table.remark:
        lines.append(table.remark)
    return lines


def entry_lines(table: Table, width: int) -> list[str]:
    """A table of long texts, one entry below the other; each cell has its heading."""
    from textwrap import wrap

    lines = [table.title, "─" * min(len(table.title), width)]
    for row in table.rows:
        first, *cells = _row_cells(row, table.columns, "metric", judged=False)
        lines += ["", *wrap(first, width)]
        line = ""
        for column, text in zip(table.columns[1:], cells, strict=True):
            if text in ("", "–"):
                continue
            part = f"{heading(column, 'metric')}: {text}"
            if line and len(line) + len(part) + 4 <= width:
                line = f"{line}; {part}"
                continue
            lines += wrap(line, width, initial_indent="  ", subsequent_indent="    ")
            line = part
        lines += wrap(line, width, initial_indent="  ", subsequent_indent="    ")
    return lines


def _row_cells(row: Row, columns: tuple[Column, ...], units: str, judged: bool) -> list[str]:
    cells = [cell_text(value, column, units) for value, column in zip(row.cells, columns, strict=True)]
    if judged:
        cells.append(verdict_word(row.check.verdict) if row.check is not None else "")
    return cells


def check_sentence(check: Check, units: str = "metric", seats: str | None = None) -> str:
    """A check in one line: subject, value, uncertainty, limit, basis, verdict and, without a verdict, the reason.

    `seats`: replaces the check's own seat by all seats with the same result.
    """
    text = " ".join(part for part in (check.id, check.channel, seats or check.seat) if part)
    text = f"{text}: {verdict_word(check.verdict)}"
    if check.why_not is not None:
        return f"{text}, because {check.why_not}"
    text = f"{text}, {check_value(check, units)}"
    if check.uncertainty and not check.words:
        text += f" (U = {uncertainty(check.uncertainty, check.unit, units)})"
    if check.limit is None:
        return text
    return f"{text}{'' if check.words else f', limit {limit_text(check.limit, units)}'} [{check.limit.basis}]"


def _check_sentences(checks: Iterable[Check], units: str) -> list[str]:
    """The checks, those with equal results at several seats combined."""
    alike: dict[Check, list[str]] = {}
    for check in checks:
        alike.setdefault(replace(check, seat=None), []).append(check.seat or "")
    return [check_sentence(check, units, ", ".join(seats)) for check, seats in alike.items()]


def finding_lines(history: FindingHistory, round_id: str) -> list[str]:
    """A finding with its fate, evidence, alternatives, confirming test, remedy, and actions.

    The evidence of an earlier round is given if this round does not show the finding again.
    """
    finding = history.finding
    sure = "" if finding.confidence is None else f" (confidence {finding.confidence:.0%})"
    lines = [f"{finding.cause}: {history.title}{sure}", f"    status: {history.status}"]
    if not history.now and history.round != round_id:
        return lines
    lines += [f"    evidence: {text}" for text in finding.evidence]
    lines += [f"    could also be: {text}" for text in finding.alternatives]
    if finding.confirm:
        lines.append(f"    to confirm: {finding.confirm}")
    if finding.remedy:
        lines.append(f"    remedy: {finding.remedy}")
    for each in history.actions:
        by, note = (f" by {each.body.by}" if each.body.by else "", f": {each.body.note}" if each.body.note else "")
        lines.append(f"    done: {ACTION_WORDS[each.body.action]}{by}, {each.at[:10]} {each.at[11:16]} UTC{note}")
    return lines


def outcome_lines(outcome: Outcome, title: str, units: str = "metric", *, budgets: bool = False) -> list[str]:
    """A step of one round: state and verdict, main result, tables, remarks, checks that did not pass, and with `budgets`
    its uncertainty budgets.
    """
    verdict = verdict_word(outcome.verdict) or "– nothing checked"
    lines = [f"{title} ({outcome.round}): {outcome.done} of {outcome.total} done, {verdict}"]
    lines[0] += f": {outcome.main_result}" if outcome.main_result else ""
    for table in outcome.tables:
        lines += ["", *table_lines(table, units)]
    for grid in outcome.grids:
        lines += [
            "",
            *_grid_lines(grid.title, grid.seats, grid.channels, {k: _mark(c) for k, c in grid.cells.items()}),
        ]
    if outcome.remarks:
        lines += ["", *outcome.remarks]
    shown = {row.check for table in outcome.tables for row in table.rows}
    open_checks = [
        check for check in outcome.checks if check.verdict in (Verdict.FAIL, Verdict.UNSURE) and check not in shown
    ]
    if open_checks:
        lines += ["", "Not passed:", *(f"  {each}" for each in _check_sentences(open_checks, units))]
    for budget in grouped(outcome.budgets) if budgets else ():
        lines += ["", *table_lines(budget_table(budget), "metric")]  # contributions to a length are in metres
    return [clean_text(line) for line in lines]


def _mark(grid_cell: object) -> str:
    verdict = getattr(grid_cell, "verdict", None)
    figure = getattr(grid_cell, "figure", "")
    return f"{verdict.symbol if verdict else '·'} {figure}".strip()


def _grid_lines(
    title: str, seats: Iterable[str], channels: Iterable[str], marks: dict[tuple[str, str], str]
) -> list[str]:
    seats, channels = tuple(seats), tuple(channels)
    width = max([len(mark) for mark in marks.values()] + [len(seat) for seat in seats], default=4)
    first = max((len(channel) for channel in channels), default=4)
    lines = [title, " " * first + "  " + "  ".join(seat.ljust(width) for seat in seats)]
    lines += [
        channel.ljust(first) + "  " + "  ".join(marks.get((channel, seat), "·").ljust(width) for seat in seats)
        for channel in channels
    ]
    return [line.rstrip() for line in lines]


def visit_lines(visit: Visit, only_round: str | None = None, *, budgets: bool = False) -> list[str]:
    """All results, round by round, as text; `budgets`: with the uncertainty budgets of each step."""
    job = visit.job
    units = job.system.units
    lines = [job.system.title, "=" * len(job.system.title)]
    for round_id in (only_round,) if only_round else job.rounds:
        lines += ["", f"Round: {round_id}", "-" * (7 + len(round_id))]
        for step in visit.steps:
            outcome = visit.outcome(step.id, round_id)
            if outcome.total or outcome.tables or outcome.checks or outcome.remarks:
                lines += ["", *outcome_lines(outcome, step.title, units, budgets=budgets)]
        found = visit.finding_histories(round_id)
        lines += ["", f"Findings ({round_id}):" + ("" if found else " none")]
        for history in found:
            lines += finding_lines(history, round_id)
        lines += visit.failures(round_id)
    if kept := verdict_change_lines(visit.verdict_changes()):
        lines += ["", *kept]
    lines += ["", f"Log: {len(job.log)} events, digest {job.digest}"]
    return [clean_text(line) for line in lines]
