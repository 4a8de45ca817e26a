"""What a record file carries: its JSON read back from .json, .html or .pdf."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from commission.model import InputError
from commission.model.units import clean_text

RESULTS = "results.json"
LARGEST_RECORD = 200_000_000
"""Bytes; a record with many photographs has some ten million."""
_EXPECTED = "a record made with `commission record` (.pdf, .html or .json)"


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRecord:
    """A record file: its bytes, and the JSON inside as plain values."""

    path: Path
    kind: Literal["pdf", "html", "json"]
    raw: bytes
    data: dict[str, Any]
    attachments: dict[str, bytes]


def read_record(path: Path) -> StoredRecord:
    """Read a record by what it is, not by its name; raises InputError in one sentence."""
    where = clean_text(str(path))
    try:
        if not path.is_file():
            raise InputError(where, "no such file", _EXPECTED)
        if path.stat().st_size > LARGEST_RECORD:
            raise InputError(where, "a file of more than 200 MB", _EXPECTED)
        raw = path.read_bytes()
    except OSError as error:
        raise InputError(where, f"a file that cannot be read ({error.strerror})", _EXPECTED) from error
    kind: Literal["pdf", "html", "json"]
    if raw.startswith(b"%PDF-"):
        kind, attachments = "pdf", _of_pdf(raw, where)
    elif raw[:200].lstrip().lower().startswith(b"<!doctype html"):
        kind, attachments = "html", _of_html(raw, where)
    else:
        kind, attachments = "json", {RESULTS: raw}
    if RESULTS not in attachments:
        raise InputError(where, f"no {RESULTS} in it", _EXPECTED)
    return StoredRecord(
        path=path, kind=kind, raw=raw, data=_json(attachments[RESULTS], where), attachments=attachments
    )


def _of_html(raw: bytes, where: str) -> dict[str, bytes]:
    from commission.record.html import read_attachments

    try:
        return read_attachments(raw.decode("utf-8"))
    except ValueError as error:
        raise InputError(where, "an HTML file whose attachments are damaged", _EXPECTED) from error


def _of_pdf(raw: bytes, where: str) -> dict[str, bytes]:
    from pypdf import PdfReader

    try:
        found = PdfReader(io.BytesIO(raw)).attachments
        return {name: parts[0] for name, parts in found.items() if len(parts) == 1}
    except Exception as error:  # the reader raises whatever a damaged file provokes
        raise InputError(where, f"a PDF that cannot be read ({clean_text(str(error))[:80]})", _EXPECTED) from error


def pdf_pages(raw: bytes) -> list[str]:
    """The text of each page; raises what the reader raises for a damaged file."""
    from pypdf import PdfReader

    return [page.extract_text() for page in PdfReader(io.BytesIO(raw)).pages]


def _json(raw: bytes, where: str) -> dict[str, Any]:
    import msgspec

    try:
        data = msgspec.json.decode(raw)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(where, f"no valid JSON ({clean_text(str(error))[:80]})", _EXPECTED) from error
    if not isinstance(data, dict) or not str(data.get("schema", "")).startswith("commission-record/"):
        raise InputError(where, "JSON that is not a record", _EXPECTED)
    return data
