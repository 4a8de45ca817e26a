"""The mapping file: CSV with the header `file,round,channel,seat,kind`."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

from commission.audio.files import read_bytes, shown
from commission.audio.text_response import decode_text
from commission.model import InputError
from commission.model.events import ResponseKind
from commission.model.units import clean_text

COLUMNS = ("file", "round", "channel", "seat", "kind")
_OPTIONAL = ("file_channel",)
_KINDS: tuple[ResponseKind, ...] = ("impulse", "sweep", "noise", "response")
_MOST_BYTES = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class MappedFile:
    """One line of the mapping; empty cells are None."""

    line: int
    path: Path
    round: str | None
    channel: str | None
    seat: str | None
    kind: ResponseKind | None
    file_channel: int = 0
    """From 0; in the file an optional column `file_channel` counts from 1."""
    problem: str | None = None


def read_mapping(path: Path) -> tuple[MappedFile, ...]:
    """Read a mapping; raises InputError when the file as a whole is unusable, else marks single lines."""
    name = shown(path)
    data = read_bytes(path)
    if len(data) > _MOST_BYTES:
        raise InputError(name, f"{len(data) / 1e6:.0f} MB", "a mapping of a few kB")
    text = decode_text(data, name)
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t|", key=first.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    except csv.Error as error:
        raise InputError(name, f"no readable table ({error})", "CSV") from error
    rows = [[clean_text(cell).strip() for cell in row] for row in rows]
    head = [cell.casefold() for cell in rows[0]] if rows else []
    if "file" not in head or not set(head) <= {*COLUMNS, *_OPTIONAL}:
        raise InputError(f"{name} line 1", ",".join(head)[:80] or "nothing", ",".join(COLUMNS))
    found = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(row):
            continue
        cells = dict(zip(head, row, strict=False))
        kind = cells.get("kind", "").casefold() or None
        part = cells.get("file_channel", "") or "1"
        problem = None
        if len(row) != len(head):
            problem = f"{name} line {number}: found {len(row)} cells, expected {len(head)}."
        elif kind is not None and kind not in _KINDS:
            problem = f"{name} line {number}: found kind “{kind}”, expected one of {', '.join(_KINDS)}."
        elif not (part.isdecimal() and 1 <= int(part) <= 256):
            problem = f"{name} line {number}: found file_channel “{part}”, expected a number from 1."
        found.append(
            MappedFile(
                line=number,
                path=(path.parent / cells.get("file", "")) if cells.get("file") else path,
                round=cells.get("round") or None,
                channel=cells.get("channel") or None,
                seat=cells.get("seat") or None,
                kind=kind if kind in _KINDS else None,
                file_channel=int(part) - 1 if part.isdecimal() and part != "0" else 0,
                problem=problem if cells.get("file") else f"{name} line {number}: no file is named.",
            )
        )
    if not found:
        raise InputError(name, "a header and nothing below it", "one line for each file")
    return tuple(found)
