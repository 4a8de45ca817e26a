"""Delimited text for spreadsheets: one tidy table of all checks, and the settings sheet."""

from __future__ import annotations

import csv
import io
import math
import re
import unicodedata
from collections.abc import Iterable, Sequence

from commission.model import Check
from commission.model.units import clean_text

CHECK_HEADER = (
    "step",
    "round",
    "check",
    "channel",
    "seat",
    "value",
    "unit",
    "standard_uncertainty",
    "limit_low",
    "limit_high",
    "limit_basis",
    "verdict",
    "why",
)

_FORMULA_STARTS = ("=", "+", "-", "@")
_AFTER_SEMICOLON = re.compile(r"(;\s*)(?=\S)")


def safe_text(text: str) -> str:
    """Text that a spreadsheet shows and never evaluates: an apostrophe is put before a leading = + - @.

    Also after spaces, which some programs take off; in their full-width forms, which others turn into the narrow ones;
    and after a semicolon, at which a spreadsheet set to a decimal comma parts the cells. Source: OWASP, "CSV Injection"
    (from memory).
    """
    parts = _AFTER_SEMICOLON.split(clean_text(text))
    return "".join(f"'{part}" if _computes(part) else part for part in parts)


def _computes(text: str) -> bool:
    return unicodedata.normalize("NFKC", text.lstrip()[:1]).startswith(_FORMULA_STARTS)


def write_csv(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """RFC 4180 text; numbers as numbers, text made safe, None and non-finite numbers as empty cells."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)
    writer.writerow(header)
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return buffer.getvalue()


def _cell(value: object) -> object:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    return safe_text(value) if isinstance(value, str) else value


def check_row(step: str, round_id: str, check: Check) -> tuple[object, ...]:
    """One check as a row under CHECK_HEADER."""
    limit = check.limit
    return (
        step,
        round_id,
        check.id,
        check.channel,
        check.seat,
        check.value,
        check.unit,
        None if check.undecided else check.uncertainty,
        limit.low if limit else None,
        limit.high if limit else None,
        limit.basis if limit else None,
        check.verdict.value,
        check.why_not,
    )
