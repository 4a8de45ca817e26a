"""Sentences of the command line about a return visit and the earlier job."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from commission.model.errors import CommissionError
from commission.model.units import clean_text, counted, round_name

if TYPE_CHECKING:
    from commission.model import EarlierVisit
    from commission.visit import Visit

NOTHING_HELD = (
    "nothing was entered or measured at that visit, so nothing can be compared: return to the visit before it"
)


def figures_line(earlier: EarlierVisit) -> str:
    """A sentence on the figures that a new return visit will be compared with."""
    if not earlier.figures:
        return NOTHING_HELD
    round_id = round_name(earlier.round)
    what = counted(len(earlier.figures), "figure")
    return f"{what} of the visit closed {earlier.closed_at[:10]}, {round_id}, to compare with"


def earlier_job_line(visit: Visit) -> str | None:
    """Whether the earlier job in the same folder is unchanged; None if this is not a return visit.

    Its figures are in this job's own log, so it may be missing. It may have grown since; earlier events stay the
    same.
    """
    earlier = visit.job.earlier
    if earlier is None:
        return None
    name = clean_text(Path(earlier.file_name).name)
    start = f"returns to {name}, event digest {clean_text(earlier.digest)}:"
    path = visit.path.parent / Path(earlier.file_name).name
    if not os.path.isfile(path):  # accepts any text; a log may name a file that cannot exist
        return f"– {start} not found beside this job, so not checked; the values to compare with are in this job's own log"
    from commission.job.store import JobFile

    try:
        journal = JobFile.open(path, read_only=True)
    except CommissionError as error:
        return clean_text(f"? {start} {error}")
    try:
        broken = journal.verify()
        found = next((event.seq for event in journal.events() if event.digest == earlier.digest), None)
    finally:
        journal.close()
    if broken is not None:
        return clean_text(f"? {start} its log is broken: {broken}")
    if found is None:
        return f"? {start} the file of that name beside this job does not contain it: another job, or its log has changed"
    return f"✓ {start} found beside this job as event {found}; its log is whole"
