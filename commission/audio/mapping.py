"""Reads the mapping file: CSV with the header `file,round,channel,seat,kind`, and finds the files it names."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath

from commission.audio.files import shown
from commission.audio.text_response import decode_text
from commission.model import InputError
from commission.model.events import ResponseKind
from commission.model.outside_files import read_outside, refuse_open_job
from commission.model.units import clean_text

COLUMNS = ("file", "round", "channel", "seat", "kind")
_NUMBERS = ("file_channel", "loopback")
_OPTIONAL = (*_NUMBERS, "state", "level")
_KINDS: tuple[ResponseKind, ...] = ("impulse", "sweep", "noise", "response")
_MOST_BYTES = 4_000_000
MOST_LINES = 5000
LONGEST_STATE = 60
DRIVE_RANGE_DB = (-40.0, 20.0)
"""Range of levels in a mapping, re the reference level: +20 dB is a hundred times the power."""
LONGEST_CELL = 1000
"""Longest cell in characters; most systems allow 255 for each name in a path."""
_SUFFIXES = (".csv", ".tsv", ".txt")


@dataclass(frozen=True, slots=True, kw_only=True)
class MappedFile:
    """One line of the mapping; empty cells are None."""

    line: int
    file: str
    """The path as written in the line."""
    round: str | None
    channel: str | None
    seat: str | None
    kind: ResponseKind | None
    file_channel: int | None = None
    """Counted from 0; the optional columns `file_channel` and `loopback` in the file count from 1."""
    loopback: int | None = None
    state: str | None = None
    """For noise: what was switched on."""
    drive_db: float | None = None
    """Playback level relative to the reference level."""
    problem: str | None = None


def is_mapping(path: Path) -> bool:
    """Whether a file begins with the header of a mapping."""
    if path.suffix.lower() not in _SUFFIXES:
        return False
    refuse_open_job(path, "a recording or a mapping")
    try:
        start = read_outside(path, "a mapping", largest_bytes=400, start_only=True)
    except InputError:
        return False
    first = start.split(b"\n", 1)[0]
    head = [cell.strip().casefold() for cell in _cells(decode_quietly(first))]
    return "file" in head and bool({"channel", "state"} & set(head))


def decode_quietly(data: bytes) -> str:
    """The text of a first line in any encoding."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", "replace")
    return data.decode("utf-8-sig", "replace")


def _cells(line: str) -> list[str]:
    return line.replace(";", ",").replace("\t", ",").replace("|", ",").split(",")


def read_mapping(path: Path) -> tuple[MappedFile, ...]:
    """Read a mapping; raises InputError if the file as a whole is unusable, else marks single lines."""
    name = shown(path)
    data = read_outside(path, "a mapping", largest_bytes=_MOST_BYTES, where=name)
    text = decode_text(data, name)
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t|", key=first.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    except csv.Error as error:
        raise InputError(name, f"no readable table ({error})", "CSV") from error
    if len(rows) > MOST_LINES + 1:
        found_lines = f"{len(rows) - 1:,} lines below its header"
        raise InputError(name, found_lines, f"at most {MOST_LINES:,}", "Split it, and import the parts one by one.")
    for number, row in enumerate(rows, start=1):
        if any(len(cell) > LONGEST_CELL for cell in row):
            longest = max(map(len, row))
            raise InputError(
                f"{name} line {number}", f"a cell of {longest:,} characters", f"at most {LONGEST_CELL:,}"
            )
    rows = [[clean_text(cell).strip() for cell in row] for row in rows]
    head = [cell.casefold() for cell in rows[0]] if rows else []
    if "file" not in head or not set(head) <= {*COLUMNS, *_OPTIONAL}:
        raise InputError(f"{name} line 1", ",".join(head)[:80] or "nothing", ",".join(COLUMNS))
    found = [_mapped(name, number, head, row) for number, row in enumerate(rows[1:], start=2) if any(row)]
    if not found:
        raise InputError(name, "a header and nothing below it", "one line for each file")
    return tuple(found)


def _mapped(name: str, number: int, head: list[str], row: list[str]) -> MappedFile:
    cells = dict(zip(head, row, strict=False))
    kind = cells.get("kind", "").casefold() or None
    where, problem = f"{name} line {number}", None
    numbers: dict[str, int | None] = {}
    for column in _NUMBERS:
        text = cells.get(column, "")
        good = text.isdecimal() and len(text) <= 3 and 1 <= int(text) <= 256
        numbers[column] = int(text) - 1 if good else None
        if text and not good:
            problem = f"{where}: found {column} “{text[:20]}”, expected a number from 1 to 256."
    if kind is not None and kind not in _KINDS:
        problem = f"{where}: found kind “{kind[:20]}”, expected one of {', '.join(_KINDS)}."
    state = cells.get("state") or None
    if state is not None and len(state) > LONGEST_STATE:
        problem = f"{where}: found a state of {len(state)} characters, expected at most {LONGEST_STATE}."
    if state is not None and kind not in (None, "noise"):
        problem = f"{where}: found a state with kind {kind[:20]}, expected one with kind noise only."
    level, drive_db = cells.get("level", ""), None
    if level:
        drive_db = drive_of(level)
        if drive_db is None:
            low, high = DRIVE_RANGE_DB
            problem = (
                f"{where}: found level “{level[:20]}”, expected reference or {low:g} to {high:+g} dB, such as +10."
            )
        elif kind == "noise":
            problem = f"{where}: found a level with kind noise, expected one with a response only."
    if len(row) != len(head):
        problem = f"{where}: found {len(row)} cells, expected {len(head)}."
    if not cells.get("file"):
        problem = f"{where}: no file is named."
    return MappedFile(
        line=number,
        file=cells.get("file", ""),
        round=cells.get("round") or None,
        channel=cells.get("channel") or None,
        seat=cells.get("seat") or None,
        kind=kind if kind in _KINDS else "noise" if state is not None else None,
        state=state,
        drive_db=drive_db,
        file_channel=numbers["file_channel"],
        loopback=numbers["loopback"],
        problem=problem,
    )


def drive_of(text: str) -> float | None:
    """Level re the reference level [dB] from "reference", "+10" or "+10 dB"; None for any other text."""
    if text.casefold() in ("reference", "ref"):
        return 0.0
    number = re.fullmatch(r"([+\-−]?)(\d{1,2}(?:[.,]\d)?)\s*(?:db)?", text.casefold())
    if number is None:
        return None
    value = float(number[2].replace(",", ".")) * (-1.0 if number[1] in ("-", "−") and number[1] else 1.0)
    return value if DRIVE_RANGE_DB[0] <= value <= DRIVE_RANGE_DB[1] else None


def locate(text: str, folder: Path, files: Iterable[Path], working_folder: Path) -> tuple[Path, str | None]:
    """(the file that a line names, why it cannot be found or None).

    Tried in this order: an absolute path; a path from the mapping's `folder`; from the working folder; the one of the
    `files` whose path ends like that, with slashes either way; the one with the same base name.
    """
    spellings = list(dict.fromkeys((text, text.replace("\\", "/"))))
    for base in (folder, working_folder):
        for each in spellings:
            try:
                if (path := (base / each).expanduser()).is_file():
                    return path, None
            except (OSError, RuntimeError, ValueError):  # a name that no file can have
                continue
    parts = _parts(text)
    for count in range(len(parts), 0, -1):
        ending = parts[-count:]
        found = [path for path in files if tuple(part.casefold() for part in path.parts[-count:]) == ending]
        exact = [path for path in found if path.name == PureWindowsPath(text).name]
        found = exact or found
        if len(found) == 1:
            return found[0], None
        if found:
            listed = ", ".join(sorted(clean_text(str(path)) for path in found)[:3])
            return found[0], f"{len(found)} files end with “{'/'.join(ending)}” ({listed}): write the path of the one"
    return folder / spellings[-1], None


def _parts(text: str) -> tuple[str, ...]:
    """The components of a path in either spelling, case-folded, without drive, root, `.` and `..`."""
    pure = PureWindowsPath(text) if "\\" in text else PurePosixPath(text)
    return tuple(part.casefold() for part in pure.parts if part not in (pure.anchor, ".", "..", "/"))
