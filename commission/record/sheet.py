"""The settings sheet as text, CSV and plain rows: exactly what to type into the processor."""

from __future__ import annotations

from typing import Any

from commission.model.show import number
from commission.record.csv_out import write_csv
from commission.steps.settings_sheet import SheetLine, measured_round, settings_sheet
from commission.visit import Visit

HEADER = ("channel", "name", "what", "old", "new", "unit", "change", "applied")


def sheet_rows(visit: Visit) -> list[dict[str, Any]]:
    """The sheet as plain values."""
    return [dict(zip(HEADER, _row(line), strict=True)) for line in settings_sheet(visit.job, visit.analyses)]


def _row(line: SheetLine) -> tuple[Any, ...]:
    old = round(line.old, 4) if isinstance(line.old, float) else line.old
    return (line.channel, line.name, line.kind, old, line.new, line.unit, line.change, line.ticked)


def sheet_csv(visit: Visit) -> str:
    """The sheet as CSV."""
    return write_csv(HEADER, (_row(line) for line in settings_sheet(visit.job, visit.analyses)))


def sheet_lines(visit: Visit) -> list[str]:
    """The sheet as text, old → new, what stays marked so."""
    lines = settings_sheet(visit.job, visit.analyses)
    if not lines:
        return ["Nothing to set yet: read levels or tape distances first."]
    out = [f"Settings sheet, from the readings {measured_round(visit.job)}", ""]
    for line in lines:
        old, new = (_value(value, line.decimals, signed=line.kind == "trim") for value in (line.old, line.new))
        state = "applied" if line.ticked else ("" if line.change else "stays")
        out.append(
            f"{line.channel:<6} {line.name:<18} {line.kind:<6} {old:>8} → {new:>8} {line.unit:<12} {state}".rstrip()
        )
    return out


def _value(value: float | str | None, decimals: int, *, signed: bool) -> str:
    return value if isinstance(value, str) else number(value, decimals, signed=signed)
