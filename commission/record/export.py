"""Writes a record to a file, completely or not at all; the same visit at the same time gives the same bytes."""

from __future__ import annotations

import datetime as dt
import errno
import os
from base64 import b64encode
from dataclasses import replace
from pathlib import Path
from typing import Any

from commission.model import CommissionError, InputError, Progress, unwatched
from commission.model.outside_files import refuse_open_job
from commission.model.unfinished_files import write_whole
from commission.model.units import clean_text
from commission.record.data.csv_text import CHECK_HEADER, check_row, write_csv
from commission.record.data.results import json_text, record_json
from commission.record.document import Document, Letterhead, Paper
from commission.visit import Visit

_DATABASE = b"SQLite format 3\0"
FORMATS = (".pdf", ".html", ".json", ".csv")


def utc_now() -> str:
    """The current second in UTC, the date of a record."""
    return dt.datetime.now(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def write_record(
    visit: Visit,
    target: Path,
    *,
    paper: Paper = "a4",
    letterhead: Letterhead | None = None,
    created_at: str | None = None,
    progress: Progress = unwatched,
) -> str:
    """Write the record in the format of the suffix; returns one sentence on the result. Analyse first.

    `created_at`: UTC as `2026-03-14T17:05:00Z`, None: now. Raises CommissionError, and any error of `progress`, with
    nothing written.
    """
    suffix = target.suffix.lower()
    if suffix not in FORMATS:
        raise InputError(str(target), f"the ending “{suffix or 'none'}”", "one of " + ", ".join(FORMATS))
    if suffix == ".json":
        write_text(target, record_json(visit))
        return f"{target}: results, settings sheet and the whole log as JSON."
    if suffix == ".csv":
        write_text(target, checks_csv(visit))
        return f"{target}: every check of every round as CSV."
    progress(0.1, "putting the record together")
    document = record_document(visit, paper=paper, letterhead=letterhead, created_at=created_at or utc_now())
    progress(0.4, "drawing its pages")
    data = render(document, suffix)
    progress(0.9, f"writing {target.name}")
    write_bytes(target, data)
    kind = "one HTML file" if suffix == ".html" else "PDF for printing and for the archive"
    return f"{target}: the record as {kind}, with the results and the settings sheet inside."


def record_document(visit: Visit, *, paper: Paper, letterhead: Letterhead | None, created_at: str) -> Document:
    """The record as printed; its JSON also has what is needed to print it again."""
    from commission.record.content.assembly import document

    made = document(visit, created_at=created_at, letterhead=letterhead, paper=paper)
    printed = {
        "job_file": clean_text(visit.path.name),
        "paper": paper,
        "letterhead": _plain(made.letterhead),
    }
    first, *others = made.attachments
    return replace(made, attachments=(replace(first, data=_with(first.data, "printed", printed)), *others))


def _plain(letterhead: Letterhead) -> dict[str, Any]:
    logo = None if letterhead.logo is None else b64encode(letterhead.logo).decode("ascii")
    return {
        "name": letterhead.name,
        "lines": list(letterhead.lines),
        "logo_base64": logo,
        "logo_media_type": letterhead.logo_media_type,
    }


def _with(data: bytes, key: str, value: object) -> bytes:
    """A JSON object with one more member."""
    import msgspec

    return json_text({**msgspec.json.decode(data), key: value}).encode()


def render(document: Document, suffix: str) -> bytes:
    """The bytes of a record, `.html` or `.pdf`."""
    if suffix == ".html":
        from commission.record.html.render import render_html

        return render_html(document)
    from commission.record.pdf.render import render_pdf

    return render_pdf(document)


def checks_csv(visit: Visit) -> str:
    """Every check of every round, one row each."""
    rows = [
        check_row(step.id, round_id, check)
        for round_id in visit.job.rounds
        for step in visit.steps
        for check in visit.outcome(step.id, round_id).checks
    ]
    return write_csv(CHECK_HEADER, rows)


def write_text(target: Path, text: str) -> None:
    """Write text as UTF-8, completely or not at all."""
    write_bytes(target, text.encode("utf-8"))


def write_bytes(target: Path, data: bytes) -> None:
    """Write the whole file or nothing: an old one is never left half overwritten.

    A link is followed. Raises CommissionError, with nothing changed, if the target cannot be written, is not a file, or
    is a job: readings are never overwritten.
    """
    shown = clean_text(str(target))
    try:
        place = Path(os.path.realpath(target))
        _refuse_what_stands_there(place, shown)
        write_whole(place, data)
    except OSError as error:
        reason = error.strerror or clean_text(str(error))
        mend = "Free some space, or choose another folder" if error.errno == errno.ENOSPC else "Choose another folder"
        raise CommissionError(f"{shown}: cannot be written ({reason}). {mend}.") from error


def _refuse_what_stands_there(place: Path, shown: str) -> None:
    if not place.exists():
        return
    if not place.is_file():
        kind = "a folder" if place.is_dir() else "a device, not a file"
        raise CommissionError(f"{shown} is {kind}: nothing was written. Give the name of a file.")
    refuse_open_job(place, "another name")  # before it is opened
    with place.open("rb") as old:
        if place.suffix.lower() == ".commission" or old.read(len(_DATABASE)) == _DATABASE:
            raise CommissionError(f"{shown} is a job: nothing was written, it is as it was. Give another name.")
