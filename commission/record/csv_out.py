"""Delimited text for spreadsheets: one tidy table of all checks, and the settings sheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from commission.model import Check
from commission.model.units import clean_text

CHECK_HEADER = (
    "step", "round", "check", "channel", "seat", "value", "unit", "standard_uncertainty",
    "limit_low", "limit_high", "limit_basis", "verdict", "why",
)  # fmt: skip

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def safe_text(text: str) -> str:
    """Text that a spreadsheet shows and never computes: a leading = + - @ gets an apostrophe before it.

    Source: OWASP, "CSV Injection" (from memory).
    """
    text = clean_text(text)
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def write_csv(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """RFC 4180 text; numbers as numbers, text made safe, None as an empty cell."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer)
    writer.writerow(header)
    for row in rows:
        writer.writerow(["" if v is None else safe_text(v) if isinstance(v, str) else v for v in row])
    return buffer.getvalue()


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
        check.uncertainty,
        limit.low if limit else None,
        limit.high if limit else None,
        limit.basis if limit else None,
        check.verdict.value,
        check.why_not,
    )
