"""The whole record as a document, made from an open visit; pure except for reading stored photographs.

Page one is for the homeowner; then site, settings and plan for the trade, every step in the order of the visit,
findings, limits, notes, cautions, signatures. Steps are rendered from their outcomes alone.
"""

from __future__ import annotations

import datetime as dt
import re
import shlex
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from commission.model import AS_LEFT, InputError
from commission.model.errors import Cancelled
from commission.model.units import clean_text
from commission.record.content.context import Context
from commission.record.content.figures import plans
from commission.record.content.findings import finding_histories, findings_section
from commission.record.content.lengths import shortened
from commission.record.content.page_one import summary_section
from commission.record.content.settings import settings_section
from commission.record.content.site import (
    cautions_section,
    limits_section,
    notes_section,
    signatures_section,
    site_section,
)
from commission.record.content.steps import step_section
from commission.record.data.results import record_json
from commission.record.data.sheet import sheet_csv
from commission.record.document import (
    Attachment,
    Block,
    Document,
    Figure,
    Letterhead,
    Paper,
    Paragraph,
    PrintedTable,
    Section,
)
from commission.steps.shared.isolation import why_failed

if TYPE_CHECKING:
    from commission.visit import Visit

_MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}Z")
LONG_LINES, LONGEST_LINES = 250, 600
"""Limits in lines: some five and some twelve pages."""
_OWN = ("handover",)
"""Steps whose outcome is the record itself: settings, notes, cautions and signatures have sections of their own."""


def document(
    visit: Visit,
    *,
    created_at: str,
    letterhead: Letterhead | None = None,
    paper: Paper = "a4",
) -> Document:
    """The record of a visit; analyse it first. The same log, time and letterhead give the same document.

    `created_at`: UTC as `2026-03-14T17:05:00Z`; raises InputError for anything else.
    """
    if not _is_moment(created_at):
        raise InputError("moment of the record", f"“{clean_text(created_at)}”", "UTC such as 2026-03-14T17:05:00Z")
    context = Context(visit)
    job, name = visit.job, _typed(visit.path.name)
    made = Document(
        title="Commissioning record",
        subtitle=clean_text(job.system.title) or "Home cinema",
        created_at=created_at,
        date_text=context.date(created_at),
        digest=job.digest,
        how_to_check=(
            "Everything in this record comes from the log of the visit. The line of letters and digits at the "
            "foot of every page is the fingerprint of that log: if anything in it is changed, added or taken "
            f"out, the fingerprint changes. To check it, keep the job file {clean_text(visit.path.name)} and "
            f"run: commission verify {name}. It prints the same fingerprint, unless the log "
            "has later events. A log whose end was cut off, or that was rewritten as a whole, is recognised only by a "
            "fingerprint that was kept elsewhere, such as on this paper. To check every page and figure of this file "
            f"too, run: commission verify {name} --record and the name of this file."
        ),
        paper=paper,
        letterhead=letterhead or Letterhead(),
        sections=tuple(_sections(context)),
        attachments=_attachments(context, created_at),
    )
    return shortened(made)


def _is_moment(text: str) -> bool:
    try:
        return bool(_MOMENT.fullmatch(text) and dt.datetime.fromisoformat(text))
    except ValueError:  # the 31st of February
        return False


def _typed(file_name: str) -> str:
    """A file name as typed after a command: quoted if a shell would split it."""
    name = clean_text(file_name)
    name = f"./{name}" if name.startswith("-") else name
    if re.fullmatch(r"[\w./-]+", name):
        return name
    return f'"{name}"' if not set(name) & set('"$`\\!') else shlex.quote(name)


def _sections(context: Context) -> list[Section]:
    found = finding_histories(context)
    parts: list[Section | None] = [
        _written(context, "Summary", lambda: summary_section(context, found)),
        _written(context, "Site", lambda: site_section(context)),
        _written(context, "Settings", lambda: settings_section(context)),
        _written(context, "Plan of the room", lambda: _plan_section(context)),
        _steps_section(context),
        _written(context, "Findings", lambda: findings_section(context, found) if _examined(context) else None),
        _written(context, "Limits", lambda: limits_section(context)),
        notes_section(context),
        cautions_section(context),
        signatures_section(context),
    ]
    there = [part for part in parts if part is not None]
    # A long part begins a page, and so does the part after it.
    return [
        replace(part, new_page=True) if i and _lines(there[i - 1]) > LONG_LINES else part
        for i, part in enumerate(there)
    ]


def _written(context: Context, title: str, make: Callable[[], Section | None]) -> Section | None:
    """A part of the record; if it cannot be made, the reason in its place."""
    try:
        return make()
    except Cancelled:
        raise
    except Exception as error:
        text = f"This part could not be written, because {why_failed(error)}."
        return Section(id=context.id(title), title=title, blocks=(Paragraph(text=text),))


def _examined(context: Context) -> bool:
    return bool(context.job.readings or context.job.responses)


def _plan_section(context: Context) -> Section | None:
    """The plan of the room in the newest round; None if nothing has a position."""
    for round_id in reversed(context.job.rounds):
        for step in context.visit.steps:
            drawn = plans(context, context.outcome(step.id, round_id))
            if drawn:
                return Section(id=context.id("plan"), title="Plan of the room", blocks=tuple(drawn))
    return None


def _steps_section(context: Context) -> Section:
    parts = [
        _written(context, step.title, lambda step=step: step_section(context, step))  # type: ignore[misc]
        for step in context.visit.steps
        if step.id not in _OWN
    ]
    intro: tuple[Block, ...] = (
        Paragraph(
            text=(
                "Verdicts: ✓ pass and ✗ fail mean that the value is inside or outside its limit by more than 1.645 "
                "times its standard uncertainty u (tables show U = 2 u); ? unsure means that it is closer to the limit; "
                "– not tested is always followed by the reason."
            ),
            kind="note",
        ),
    )
    there = [part for part in parts if part is not None]
    # A long run begins a page, since the typesetter sets it side by side; a short one would leave a page half empty.
    placed, before = [], 0
    for part in there:
        long = before > LONGEST_LINES
        placed.append(replace(part, new_page=long))
        before = _lines(part) + (0 if long else before)
    return Section(
        id=context.id("steps"),
        title="The visit, step by step",
        blocks=intro,
        new_page=sum(map(_lines, there)) > LONG_LINES,
        sections=tuple(placed),
    )


def _lines(section: Section) -> int:
    """Approximate number of lines of a section on paper, by its tables and drawings."""
    own = sum(
        len(block.rows) + 3 if isinstance(block, PrintedTable) else 6 if isinstance(block, Figure) else 1
        for block in section.blocks
    )
    return own + sum(map(_lines, section.sections))


def _attachments(context: Context, created_at: str) -> tuple[Attachment, ...]:
    results = record_json(context.visit, created_at).encode()
    sheet = sheet_csv(context.visit).encode()
    columns = "as found (old), proposed by the readings (new)"
    if any(place[0] == AS_LEFT for place in context.job.settings):
        columns += ", entered as left (as_left)"
    return (
        Attachment(
            name="results.json",
            media_type="application/json",
            data=results,
            description="Everything computed, and the whole log, as JSON",
        ),
        Attachment(
            name="settings.csv",
            media_type="text/csv",
            data=sheet,
            description=f"Settings as a table (CSV): {columns}",
        ),
    )
