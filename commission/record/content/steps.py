"""Renders steps in the record from their outcomes alone: a new step appears by itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from commission.model import Grid, Noted, Outcome, PhotoAttached, Step, StoreError, Table, Verdict
from commission.model.formatting import cell_text, unit_text
from commission.model.pictures import stored_picture_problem
from commission.model.units import clean_text
from commission.record.content.checks import check_blocks
from commission.record.content.context import Context, sentence
from commission.record.content.figures import figures, plans
from commission.record.document import Block, Bullets, Heading, Paragraph, Photo, PrintedTable, Section

WIDEST = 10
"""Most seat columns side by side; more go into a second table."""
ABSENT = "·"
"""A place where nothing was measured."""


def step_section(context: Context, step: Step) -> Section | None:
    """One step over all rounds; None if it adds nothing: a step that only uses other steps, in a single round."""
    rounds = [(round_id, context.outcome(step.id, round_id)) for round_id in context.job.rounds]
    lines = [(round_id, outcome) for round_id, outcome in rounds if says(outcome)]
    own = attached(context, lambda of: of == step.id)
    question = Paragraph(text=clean_text(step.question), kind="note")
    ident = context.id("step", step.id)
    title = clean_text(step.title)
    if not lines:
        if step.entry == "none" and len(rounds) == 1 and not own:
            return None
        # The newest round with content gives the reason.
        why = next((o.remarks for _, o in reversed(rounds) if o.remarks), ()) if step.entry == "none" else ()
        remarks = [sentence(clean_text(text)) for text in why]
        nothing = Paragraph(text=" ".join(["Not done in this visit.", *remarks]), kind="missing")
        return Section(id=ident, title=title, blocks=(question, nothing, *own))
    if len(rounds) == 1:
        blocks = outcome_blocks(context, lines[0][1], None)
        return Section(id=ident, title=title, blocks=(question, *blocks, *own))
    parts, before = [], None
    for round_id, outcome in rounds:
        if not says(outcome):
            if step.entry != "none":
                missing = f"Not done {context.round(round_id)}."
                parts.append(_round(context, step, round_id, (Paragraph(text=missing, kind="missing"),)))
            continue
        parts.append(_round(context, step, round_id, outcome_blocks(context, outcome, before)))
        before = (round_id, outcome)
    return Section(id=ident, title=title, blocks=(question, *own), sections=tuple(parts))


def says(outcome: Outcome) -> bool:
    """Whether an outcome has anything besides remarks."""
    tables = any(not row.minor for table in outcome.tables for row in table.rows)
    plans_drawn = any(plan.items for plan in outcome.room_plans)
    grids = any(grid.cells for grid in outcome.grids)
    return bool(outcome.done or outcome.checks or outcome.curves or tables or grids or plans_drawn)


def _round(context: Context, step: Step, round_id: str, blocks: Iterable[Block]) -> Section:
    title = f"{clean_text(step.title)}, {context.round(round_id)}"
    return Section(id=context.id("step", step.id, round_id), title=title, blocks=tuple(blocks))


def outcome_blocks(context: Context, outcome: Outcome, before: tuple[str, Outcome] | None = None) -> list[Block]:
    """All of an outcome. `before`: the previous round and its outcome, which is not repeated."""
    state = _state(outcome)
    blocks: list[Block] = [Paragraph(text=state, kind="lead")] if state else []
    if before is not None and _same(before[1], outcome):
        blocks.append(Paragraph(text=f"The same as in the round “{context.round(before[0])}”."))
        return blocks
    for table in outcome.tables:
        blocks += table_grids(context, table)
    for grid in outcome.grids:
        blocks += seat_grids(context, grid)
    blocks += plans(context, outcome)
    blocks += figures(context, outcome)
    in_tables = {row.check for table in outcome.tables for row in table.rows if row.check is not None}
    blocks += check_blocks(context, outcome, in_tables)
    # This sentence is enough only if every remark of the previous round still holds.
    known = () if before is None or set(before[1].remarks) - set(outcome.remarks) else before[1].remarks
    remarks = [sentence(clean_text(text)) for text in outcome.remarks if text not in known]
    if before is not None and known:
        remarks.append(f"The notes of the round “{context.round(before[0])}” apply here too.")
    if remarks:
        blocks.append(Bullets(items=tuple(remarks)))
    return blocks


def _same(before: Outcome, now: Outcome) -> bool:
    """Whether a later round has the same results; curves are arrays and count as new."""
    return not now.curves and (before.tables, before.checks, before.grids, before.remarks) == (
        now.tables,
        now.checks,
        now.grids,
        now.remarks,
    )


def _state(outcome: Outcome) -> str:
    parts = []
    if outcome.total:
        rest = "" if outcome.state == "done" else "; the rest is missing"
        parts.append(f"{outcome.done} of {outcome.total} done{rest}.")
    counts = [(verdict, outcome.count(verdict)) for verdict in Verdict]
    words = ", ".join(f"{verdict_text(verdict)} {count}" for verdict, count in counts if count)
    if words:
        parts.append(f"Checks: {words}.")
    if outcome.main_result:
        parts.append(sentence(clean_text(outcome.main_result)))
    return " ".join(parts)


def verdict_text(verdict: Verdict | None) -> str:
    """Symbol and word."""
    return "" if verdict is None else f"{verdict.symbol} {clean_text(verdict.value)}"


# --- tables ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Column:
    heading: Heading
    cells: tuple[str, ...]
    seat: bool


def table_grids(context: Context, table: Table) -> list[PrintedTable | Paragraph]:
    """A table as one grid, or as several if there is a column for each of many seats; nothing for an empty one.

    Empty columns are left out, except the first, which names the row; so are minor rows, which are counted.
    """
    shown = tuple(row for row in table.rows if not row.minor)
    left_out = (
        (
            "One row without a real change is left out; the attached results.json contains it."
            if len(table.rows) - len(shown) == 1
            else (
                f"{len(table.rows) - len(shown)} rows without a real change are left out; the attached "
                "results.json contains them."
            )
        )
        if len(shown) < len(table.rows)
        else ""
    )
    if not shown:
        return [Paragraph(text=f"{clean_text(table.title)}: {left_out}", kind="note")] if table.rows else []
    return [*_table_grids(context, replace(table, rows=shown), left_out)]


def _table_grids(context: Context, table: Table, left_out: str) -> list[PrintedTable]:
    units, seats = context.units, {seat.id for seat in context.job.system.seats}
    columns = []
    for i, column in enumerate(table.columns):
        values = [row.cells[i] for row in table.rows]
        if i and all(value is None or value == "" for value in values):
            continue
        cells = tuple(clean_text(v) if isinstance(v, str) else cell_text(v, column, units) for v in values)
        heading = Heading(
            title=clean_text(column.title), unit=unit_text(column, units), numeric=column.decimals is not None
        )
        columns.append(_Column(heading, cells, column.key in seats))
    if table.verdicts and any(row.check is not None for row in table.rows):
        cells = tuple(verdict_text(None if row.check is None else row.check.verdict) for row in table.rows)
        columns.append(_Column(Heading(title="Verdict"), cells, False))
    remark = " ".join(filter(None, (clean_text(table.remark) if table.remark else "", left_out)))
    return _in_parts(context, table.id, clean_text(table.title), columns, remark)


def _in_parts(
    context: Context, ident: str, title: str, columns: Sequence[_Column], remark: str
) -> list[PrintedTable]:
    across = [column for column in columns if column.seat]
    step = WIDEST if len(across) > WIDEST else max(len(columns), 1)
    parts = [across[start : start + step] for start in range(0, len(across), step)] or [[]]
    grids = []
    for number_of, part in enumerate(parts):
        shown = [column for column in columns if not column.seat or column in part]
        named = f"{title} ({part[0].heading.title}–{part[-1].heading.title})" if len(parts) > 1 else title
        grids.append(
            PrintedTable(
                id=context.id(ident),
                title=named,
                headings=tuple(column.heading for column in shown),
                rows=tuple(zip(*(column.cells for column in shown), strict=True)),
                remark=remark if number_of == len(parts) - 1 else "",
            )
        )
    return grids


def seat_grids(context: Context, grid: Grid) -> list[PrintedTable]:
    """Channels down, seats across, each cell with a mark and a figure. Rows and columns without measurements are left
    out.
    """
    channels = [c for c in grid.channels if any((c, s) in grid.cells for s in grid.seats)]
    seats = [s for s in grid.seats if any((c, s) in grid.cells for c in channels)]
    if not channels or not seats:
        return []
    columns = [_Column(Heading(title="Channel"), tuple(map(clean_text, channels)), False)]
    for seat in seats:
        cells = tuple(_mark(grid, channel, seat) for channel in channels)
        columns.append(_Column(Heading(title=clean_text(seat)), cells, True))
    absent = any(cell == ABSENT for column in columns[1:] for cell in column.cells)
    remark = f"{ABSENT} not measured." if absent else ""
    return _in_parts(context, grid.id, clean_text(grid.title), columns, remark)


def _mark(grid: Grid, channel: str, seat: str) -> str:
    cell = grid.cells.get((channel, seat))
    if cell is None or (cell.verdict is None and not cell.figure):
        return ABSENT
    return f"{'' if cell.verdict is None else cell.verdict.symbol} {clean_text(cell.figure)}".strip()


# --- notes and photographs ------------------------------------------------------------------------------------------


def attached(context: Context, wanted: Callable[[str], bool]) -> list[Block]:
    """Notes and photographs of the wanted steps; a photograph that cannot be read is replaced by the reason."""
    notes = tuple(
        f"{clean_text(event.body.text)} ({_when(context, event.at, event.body.round)})"
        for event in context.job.notes
        if isinstance(event.body, Noted) and wanted(event.body.step)
    )
    blocks: list[Block] = [Bullets(items=notes)] if notes else []
    for event in context.job.photos:
        body = event.body
        if not isinstance(body, PhotoAttached) or not wanted(body.step):
            continue
        caption = clean_text(body.caption or body.file_name)
        when = _when(context, event.at, body.round)
        try:
            data = context.visit.blob(event.blob_sha256 or body.file_sha256)
            if (problem := stored_picture_problem(data)) is not None:
                raise StoreError(f"it is {problem}, which no job stores.")
        except StoreError as error:
            text = f"The photograph “{caption}” cannot be shown: {clean_text(str(error))}"
            blocks.append(Paragraph(text=text, kind="missing"))
            continue
        blocks.append(
            Photo(
                id=context.id("photo", str(event.seq)),
                data=data,
                media_type=body.media_type,
                caption=f"{caption} ({when})",
                alt=f"Photograph: {caption}",
            )
        )
    return blocks


def _when(context: Context, moment: str, round_id: str | None) -> str:
    day = context.date(moment)
    return f"{context.round(round_id)}, {day}" if round_id else day
