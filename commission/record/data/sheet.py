"""The settings sheet as text, CSV and plain rows: exactly what to enter in the processor."""

from __future__ import annotations

from typing import Any

from commission.model import AS_FOUND, AS_LEFT, Channel, Filter, Job
from commission.model.formatting import filter_texts
from commission.model.units import clean_text
from commission.record.data.csv_text import write_csv
from commission.steps.handover.settings_sheet import Kind, SheetLine, entered_crossovers, source_sentence
from commission.visit import Visit

HEADER = ("channel", "name", "what", "old", "new", "unit", "change", "applied", "as_left", "round", "why")
"""`old` is the setting in `round`, `new` the proposal from its readings, empty if `why` gives a reason; `as_left` is the
setting noted in that round, to be entered after a reset.
"""


def sheet_rows(visit: Visit) -> list[dict[str, Any]]:
    """The sheet as plain values."""
    return [dict(zip(HEADER, row, strict=True)) for row in _rows(visit)]


def sheet_csv(visit: Visit) -> str:
    """The sheet as CSV."""
    return write_csv(HEADER, _rows(visit))


def _rows(visit: Visit) -> list[tuple[Any, ...]]:
    """The lines of the sheet; after those of a channel, its other settings noted as left."""
    job = visit.job
    lines, crossovers = visit.settings_sheet(), entered_crossovers(job.system)
    out = []
    for channel in job.system.channels:
        own = [line for line in lines if line.channel == channel.id]
        out += [(*_row(line), _held(job, AS_LEFT, channel, line.kind), line.round, line.why or None) for line in own]
        for kind in ("trim", "delay", "polarity", "filters"):
            left = _held(job, AS_LEFT, channel, kind)
            if left is not None and kind not in [line.kind for line in own]:
                old, unit = _held(job, AS_FOUND, channel, kind), _unit(job, kind)
                out.append((channel.id, channel.label, kind, old, None, unit, False, False, left, None, None))
        if (crossover := crossovers.get(channel.id)) is not None:
            out.append((channel.id, channel.label, "crossover", None, None, "", False, False, crossover, None, None))
    return out


def _held(job: Job, round_id: str, channel: Channel, kind: Kind) -> float | str | None:
    setting = job.setting(round_id, channel.id)
    if kind == "filters":
        return None if setting.filters is None else ", ".join(_filters(job, setting.filters)) or "none"
    return {"trim": setting.trim_db, "delay": setting.distance, "polarity": setting.polarity}[kind]


def _filters(job: Job, filters: tuple[Filter, ...]) -> tuple[str, ...]:
    return filter_texts(filters, job.system.processor.filters)


def _unit(job: Job, kind: Kind) -> str:
    unit = job.system.processor.delay.unit
    return {
        "trim": "dB",
        "delay": f"{unit} {'delay' if unit == 'ms' else 'distance'}",
        "polarity": "",
        "filters": "",
    }[kind]


def _row(line: SheetLine) -> tuple[Any, ...]:
    old = round(line.old, 4) if isinstance(line.old, float) else line.old
    return (line.channel, line.name, line.kind, old, line.new, line.unit, line.change, line.ticked)


def sheet_lines(visit: Visit) -> list[str]:
    """The sheet as text, old → new, with "no change" if nothing is to be done."""
    lines = visit.settings_sheet()
    failures = tuple(dict.fromkeys(each for r in visit.job.rounds for each in visit.failures(r)))
    if not lines:
        return ["Nothing to set yet: read levels or measure distances first.", *failures]
    out = [f"Settings sheet: {source_sentence(lines)}", ""]
    for line in lines:
        if line.kind == "filters":
            state = "applied" if line.ticked else ""
            out.append(f"{line.channel:<6} {line.name:<18} filters, current: {line.old}; new: {state}".rstrip())
            out += [f"{'':<26}{text}" for text in _filters(visit.job, line.filters)]
            continue
        old, new = (line.text(value) for value in (line.old, line.new))
        state = line.why or ("applied" if line.ticked else "" if line.change else "no change")
        out.append(
            f"{line.channel:<6} {line.name:<18} {line.kind:<8} {old:>8} → {new:>8} {line.unit:<12} {state}".rstrip()
        )
    if crossovers := entered_crossovers(visit.job.system):
        out += ["", "Crossovers as entered, not changed by this sheet:"]
        out += [f"{channel:<6} {text}" for channel, text in crossovers.items()]
    return [clean_text(line) for line in (*out, *failures)]
