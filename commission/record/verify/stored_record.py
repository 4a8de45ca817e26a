"""Reads a record file back: its bytes, and its JSON from .json, .html or .pdf."""

from __future__ import annotations

import io
import json
import math
from codecs import BOM_UTF8
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from commission.model import InputError
from commission.model.child_process import Decoded, decode_in_child
from commission.model.outside_files import read_outside
from commission.model.units import clean_text

if TYPE_CHECKING:
    from pypdf import PdfReader

RESULTS = "results.json"
LARGEST_RECORD = 100_000_000
"""Size limit in bytes; a record with many photographs has some ten million."""
LARGEST_JSON = 15_000_000
"""Size limit in bytes; as plain values it takes up to thirty times the memory. The results of a large cinema are some
three million.
"""
_EXPECTED = "a record made with `commission record` (.pdf, .html or .json)"
_OPEN = "Records are never encrypted: ask for the original."
_FETCH = "Get the file again, as it was written."


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredRecord:
    """A record file: its bytes, and the JSON inside as plain values."""

    path: Path
    kind: Literal["pdf", "html", "json"]
    raw: bytes
    data: dict[str, Any]
    attachments: dict[str, bytes]


def read_record(path: Path) -> StoredRecord:
    """Read a record by its content, not by its name; raises InputError."""
    where = clean_text(str(path))
    raw = read_outside(path, _EXPECTED, largest_bytes=LARGEST_RECORD, where=where, mend="")
    if not raw:
        raise InputError(where, "an empty file", _EXPECTED, _FETCH)
    kind: Literal["pdf", "html", "json"]
    start = raw[:200].removeprefix(BOM_UTF8).lstrip().lower()
    if raw.startswith(b"%PDF-"):
        kind, attachments = "pdf", _of_pdf(raw, where)
    elif start.startswith((b"<!doctype html", b"<html")):
        kind, attachments = "html", _of_html(raw, where)
    elif start.startswith(b"{"):
        kind, attachments = "json", {RESULTS: raw.removeprefix(BOM_UTF8)}
    else:
        raise InputError(where, "a file that begins like none of these", _EXPECTED)
    if RESULTS not in attachments:
        raise InputError(where, f"no {RESULTS} in it", _EXPECTED, _FETCH)
    return StoredRecord(
        path=path, kind=kind, raw=raw, data=_json(attachments[RESULTS], where), attachments=attachments
    )


def _of_html(raw: bytes, where: str) -> dict[str, bytes]:
    from commission.record.html.render import read_attachments

    try:
        return read_attachments(raw.decode("utf-8-sig"))
    except ValueError as error:
        raise InputError(where, "an HTML file whose attachments are damaged", _EXPECTED, _FETCH) from error


def _of_pdf(raw: bytes, where: str) -> dict[str, bytes]:
    names, parts = decode_in_child(
        "commission.record.verify.stored_record:decode_attachments", raw, where, _EXPECTED, mend=_FETCH
    )
    return {name: bytes(part) for name, part in zip(names, parts, strict=True)}


def decode_attachments(raw: bytes, options: dict[str, Any]) -> Decoded:
    """The files inside a PDF, decoded in a child process: its filters can expand to any amount of data."""
    from pypdf.errors import DependencyError, PdfReadError

    where = options["where"]
    try:
        reader = _pdf_reader(raw)
        if reader.is_encrypted:
            raise InputError(where, "an encrypted PDF", _EXPECTED, _OPEN)
        found = {str(name): list(parts) for name, parts in reader.attachments.items()}
    except (InputError, MemoryError):
        raise
    except Exception as error:  # the reader raises arbitrary errors for a damaged file
        if isinstance(error, DependencyError | PdfReadError) and b"/Encrypt" in raw:
            raise InputError(where, "an encrypted PDF", _EXPECTED, _OPEN) from error
        reason = clean_text(str(error))[:80]
        raise InputError(where, f"a PDF that cannot be read ({reason})", _EXPECTED, _FETCH) from error
    twice = next((name for name, parts in found.items() if len(parts) != 1), None)
    if twice is not None:
        raise InputError(where, f"several files “{clean_text(twice)[:60]}” inside", "each file once", _FETCH)
    return list(found), [parts[0] for parts in found.values()]


def _pdf_reader(raw: bytes) -> PdfReader:
    """A PDF reader with its own warnings off; raises arbitrary errors for a damaged file."""
    import logging

    from pypdf import PdfReader

    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # our own sentence describes the problem of a file
    return PdfReader(io.BytesIO(raw))


def pdf_pages(raw: bytes) -> list[str]:
    """The text of each page of a PDF that this program has just made."""
    return [page.extract_text() for page in _pdf_reader(raw).pages]


def foreign_pdf_pages(raw: bytes, where: str, most: int, cpu_s: float) -> list[str]:
    """The text of at most `most` + 1 pages, read in a child process within that processor time.

    Raises InputError.
    """
    pages, _ = decode_in_child(
        "commission.record.verify.stored_record:decode_pages",
        raw,
        where,
        _EXPECTED,
        cpu_s=math.ceil(cpu_s),
        most=most,
    )
    return [str(page) for page in pages]


def decode_pages(raw: bytes, options: dict[str, Any]) -> Decoded:
    """Decoder of `foreign_pdf_pages` in its child process: the texts, or empty ones if there are too many."""
    try:
        pages = _pdf_reader(raw).pages
        if (count := len(pages)) > options["most"]:
            return [""] * (options["most"] + 1), ()
        return [pages[index].extract_text() for index in range(count)], ()
    except MemoryError:
        raise
    except Exception as error:  # the reader raises arbitrary errors for a damaged file
        reason = clean_text(str(error))[:80]
        raise InputError(options["where"], f"a PDF that cannot be read ({reason})", _EXPECTED) from error


def _json(raw: bytes, where: str) -> dict[str, Any]:
    import msgspec

    if len(raw) > LARGEST_JSON:
        raise InputError(where, f"results of {len(raw) / 1e6:.0f} MB", f"at most {LARGEST_JSON / 1e6:.0f} MB")
    try:
        msgspec.json.decode(raw)  # strict: no NaN, no invalid UTF-8, no endless numbers
        data = json.loads(raw, object_pairs_hook=_unique_keys)
    except (msgspec.DecodeError, ValueError, RecursionError) as error:
        raise InputError(where, f"invalid JSON ({clean_text(str(error))[:80]})", _EXPECTED, _FETCH) from error
    if not isinstance(data, dict) or not str(data.get("schema", "")).startswith("commission-record/"):
        raise InputError(where, "JSON that is not a record", _EXPECTED)
    return data


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object; refuses duplicate names, which can be read in two ways (RFC 8259, 4)."""
    made = dict(pairs)
    if len(made) < len(pairs):
        names: set[str] = set()
        twice = next(name for name, _ in pairs if name in names or names.add(name))  # type: ignore[func-returns-value]
        raise ValueError(f"“{twice[:40]}” appears twice")
    return made
