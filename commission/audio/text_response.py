"""Reads frequency responses from delimited text: frequency, level and optionally phase; skips comments and headers."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from commission.model import RELATIVE, SOUND_PRESSURE, FloatArray, InputError
from commission.model.units import clean_text

FEWEST_POINTS = 8
MOST_LINES = 500_000
LARGEST_BYTES = 25_000_000
LONGEST_LINE = 1000
_COMMENTS = ("#", ";", "*", "//", '"', "%", "!")
_SPL = re.compile(r"\bd ?b ?\(?spl\b|\bspl\b|20 ?[µμu]pa", re.IGNORECASE)
_RELATIVE = re.compile(
    r"\bd ?b ?\(?(fs|r|rel(ative)?|v|u|m)\b|\brelative\b|\bnormali[sz]ed\b|\bre (1|full)\b", re.IGNORECASE
)
_NUMBER = re.compile(r"[-+−]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")


@dataclass(frozen=True, slots=True, eq=False)
class TextResponse:
    """Frequencies [Hz], levels [dB] and phases [rad], ascending in frequency. [shape=(n,)]"""

    freq_hz: FloatArray
    level_db: FloatArray
    phase_rad: FloatArray | None
    reference: str | None = None
    """What the levels are relative to, as a header or comment states it; None if none does."""


def decode_text(data: bytes, name: str) -> str:
    """Bytes as text: UTF-8, UTF-16 with a byte order mark, else Latin-1; refuses binary data."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return data.decode("utf-16")
        except UnicodeDecodeError as error:
            raise InputError(name, "broken UTF-16 text", "a text file", "Save it again as UTF-8.") from error
    if b"\x00" in data[:4096]:
        raise InputError(name, "binary data", "a text file with frequency and level")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def parse_response(data: bytes, name: str) -> TextResponse:
    """Read a text response. Raises InputError with the number of the bad line."""
    rows: list[list[float]] = []
    style: tuple[str, int] | None = None
    headers: list[str] = []
    comments: list[str] = []
    if len(data) > LARGEST_BYTES:
        raise InputError(name, f"{len(data) / 1e6:.0f} MB of text", f"at most {LARGEST_BYTES / 1e6:.0f} MB")
    for number, line in enumerate(io.StringIO(decode_text(data, name), newline=None), start=1):
        if number > MOST_LINES:
            raise InputError(name, f"more than {MOST_LINES} lines", f"at most {MOST_LINES}")
        if len(line) > LONGEST_LINE:
            found = f"{len(line):,} characters in one line"
            raise InputError(f"{name} line {number}", found, "frequency and level, perhaps phase, in each line")
        text = line.strip()
        if not text or text.startswith(_COMMENTS):
            comments.append(text)
            continue
        delimiter, cells = split_line(text)
        if not all(_NUMBER.fullmatch(cell) for cell in cells):
            if re.search(r"\b(nan|inf)", text, re.IGNORECASE) and rows:
                raise InputError(f"{name} line {number}", f"“{clean_text(text)[:40]}”", "finite numbers")
            headers.append(text)
            if rows:
                raise InputError(
                    f"{name} line {number}",
                    f"words after the numbers began (“{clean_text(text)[:40]}”)",
                    "one header, then numbers only",
                    "Two measurements in one file? Save each to its own.",
                )
            continue
        if style is None:
            style = (delimiter, len(cells))
            if len(cells) < 2:
                raise InputError(f"{name} line {number}", "one column", "frequency and level, perhaps phase")
        elif (delimiter, len(cells)) != style:
            raise InputError(
                f"{name} line {number}",
                f"{len(cells)} columns separated by {_delimiter_name(delimiter)}",
                f"{style[1]} columns separated by {_delimiter_name(style[0])} as before",
            )
        rows.append([float(cell.replace(",", ".").replace("−", "-")) for cell in cells[:3]])
    return _checked(rows, len(headers), name, stated_reference(headers) or stated_reference(comments[-1:]))


def stated_reference(lines: Sequence[str]) -> str | None:
    """What levels are relative to, by headers or comments; None if they name no reference, or two."""
    text = " ".join(lines)
    pressure, relative = _SPL.search(text), _RELATIVE.search(text)
    if (pressure is None) == (relative is None):
        return None
    return SOUND_PRESSURE if pressure is not None else RELATIVE


def split_line(text: str) -> tuple[str, list[str]]:
    """(delimiter, cells): tab, semicolon, comma or blanks; a comma beside another delimiter is a decimal comma."""
    for delimiter in ("\t", ";"):
        if delimiter in text:
            return delimiter, [cell.strip() for cell in text.split(delimiter) if cell.strip()]
    if re.search(r",\s", text) or ("," in text and not re.search(r"\s", text)):
        return ",", [cell.strip() for cell in text.split(",") if cell.strip()]
    return " ", text.split()


def _delimiter_name(delimiter: str) -> str:
    return {"\t": "tabs", ";": "semicolons", ",": "commas", " ": "blanks"}[delimiter]


def _checked(rows: list[list[float]], headers: int, name: str, reference: str | None) -> TextResponse:
    if len(rows) < FEWEST_POINTS:
        found = f"{len(rows)} lines of numbers" + (f" and {headers} of words" if headers else "")
        raise InputError(name, found, f"at least {FEWEST_POINTS} lines with frequency and level")
    table = np.array(rows, dtype=float)
    if not np.isfinite(table).all():
        raise InputError(name, "a number that is too large", "finite numbers")
    freq, level = table[:, 0], table[:, 1]
    keep = freq > 0  # a first line at 0 Hz is common and has no place on a logarithmic axis
    freq, level = freq[keep], level[keep]
    phase = np.deg2rad(table[keep, 2]) if table.shape[1] > 2 else None
    steps = np.diff(freq)
    if len(freq) < FEWEST_POINTS or not (np.all(steps > 0) or np.all(steps < 0)):
        raise InputError(name, "frequencies that go up and down", "one ascending column of frequencies in Hz")
    if steps[0] < 0:
        freq, level, phase = freq[::-1], level[::-1], None if phase is None else phase[::-1]
    if freq[-1] < 100 or freq[0] > 20000 or np.max(np.abs(level)) > 300:
        raise InputError(
            name, f"{freq[0]:g} to {freq[-1]:g} and levels to {np.max(np.abs(level)):g}", "Hz and decibels"
        )
    return TextResponse(freq, level, phase, reference)
