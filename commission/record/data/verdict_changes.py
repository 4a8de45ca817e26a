"""Verdicts that a newer version decides differently, as plain values and as text."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from commission.diagnosis.verdict_changes import VerdictChange, VerdictComparison
from commission.model.formatting import number

SHOWN = 40
"""Most lines of text; JSON has all."""


def verdict_change_values(found: VerdictComparison | None) -> dict[str, Any] | None:
    """The changes for JSON; None if no verdicts are stored."""
    if found is None:
        return None
    return {
        "stored": {
            "event": found.stored.seq,
            "at": found.stored.at,
            "occasion": found.then.occasion,
            "program_version": found.then.program_version,
        },
        "program_version": found.program_version,
        "compared": found.count,
        "checks": [asdict(each) for each in found.differences],
        "left_out": list(found.left_out),
    }


def verdict_change_lines(found: VerdictComparison | None) -> list[str]:
    """The changes for a terminal; empty if no verdicts are stored."""
    if found is None:
        return []
    lines = [found.sentence, *(f"    {_line(each)}" for each in found.differences[:SHOWN])]
    if (more := len(found.differences) - SHOWN) > 0:
        lines.append(f"    and {more} more (all of them with --json)")
    return [*lines, *(f"    Not compared: {text}." for text in found.left_out)]


def _line(each: VerdictChange) -> str:
    place = " ".join(part for part in (each.channel, each.seat) if part)
    values = [number(v, 2) for v in (each.value_then, each.value_now) if v is not None]
    value = f" ({' → '.join(dict.fromkeys(values))} {each.unit}".rstrip() + ")" if values else ""
    words = f"{each.then or 'not checked'} → {each.now or 'not checked'}"
    return f"{each.id} {place}".rstrip() + f" ({each.round}): {words}{value}"
