"""Writing a record to a file: whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from commission.model import CommissionError, InputError
from commission.record.csv_out import CHECK_HEADER, check_row, write_csv
from commission.record.results import record_json
from commission.steps import STEPS
from commission.visit import Visit

FORMATS = (".json", ".csv")


def write_record(visit: Visit, target: Path) -> str:
    """Write the record in the format of the suffix; returns one sentence on what was written.

    The verdicts that it tells are kept in the log first, where the job may be written to.
    """
    suffix = target.suffix.lower()
    if suffix in FORMATS:
        visit.keep_verdicts()
    if suffix == ".json":
        write_text(target, record_json(visit))
        return f"{target}: results, settings sheet and the whole log as JSON."
    if suffix == ".csv":
        write_text(target, checks_csv(visit))
        return f"{target}: every check of every round as CSV."
    raise InputError(str(target), f"the ending “{suffix or 'none'}”", "one of " + ", ".join(FORMATS))


def checks_csv(visit: Visit) -> str:
    """Every check of every round, one row each."""
    rows = [
        check_row(step.id, round_id, check)
        for round_id in visit.job.rounds
        for step in STEPS
        for check in visit.outcome(step.id, round_id).checks
    ]
    return write_csv(CHECK_HEADER, rows)


def write_text(target: Path, text: str) -> None:
    """Write beside the target first, then put it in place: an old file is never left half overwritten."""
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}-")
        try:
            with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
                file.write(text)
            umask = os.umask(0)
            os.umask(umask)
            os.chmod(name, 0o666 & ~umask)  # mkstemp makes private files; a record is to be passed on
            os.replace(name, target)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        reason = error.strerror or str(error)
        raise CommissionError(f"{target}: cannot be written ({reason}). Choose another folder with -o.") from error
