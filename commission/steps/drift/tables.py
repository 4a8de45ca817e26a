"""The tables of a return visit: then, now, what settings explain, the change, its uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

from commission.model import Check, Column, Job, Row, Table
from commission.model.formatting import number
from commission.steps.drift.figures import (
    ARRIVAL,
    HEARD,
    HELD,
    LEVEL,
    POLARITY,
    RESPONSE,
    SETTINGS,
    SPREAD,
    TAPE,
    TRIM,
    kind,
)
from commission.steps.drift.result import Drift, DriftResult

_MEASURED = {
    LEVEL: ("Hand-read level", "dB", 1),
    RESPONSE: ("Level of the response", "dB", 1),
    ARRIVAL: ("Arrival", "ms", 2),
    TAPE: ("Tape distance", "m", 2),
}
_TABLES = (
    ("settings", "Settings: then and now", SETTINGS),
    ("levels", "Hand-read levels: then and now", (LEVEL,)),
    ("responses", "Level of the responses, mean of the seats: then and now", (RESPONSE,)),
    ("arrivals", "Arrivals: then and now", (ARRIVAL,)),
    ("tapes", "Tape distances: then and now", (TAPE,)),
    ("heard", "Measured polarity: then and now", (HEARD,)),
    ("spread", "Seat-to-seat standard deviation: then and now", (SPREAD,)),
)
_ONLY_CHANGED = ("settings", "tapes", "heard", "spread")
"""What is as it was fills no long table of these."""


def describe(quantity: str) -> tuple[str, str, int]:
    """(words, unit, decimals)."""
    if quantity.startswith(SPREAD):
        return f"seat-to-seat standard deviation, {quantity.split(' ')[-1]} Hz", "dB", 1
    if quantity in _MEASURED:
        return _MEASURED[quantity]
    return {
        TRIM: ("trim set", "dB", 1),
        HELD: ("delay or distance set", "", 2),
        POLARITY: ("polarity set", "", 0),
        HEARD: ("measured polarity", "", 0),
    }[quantity]


def tables(job: Job, result: DriftResult, checks: Mapping[int, Check]) -> tuple[Table, ...]:
    """One for each kind of figure; `checks` by the identity of their drift."""
    out = []
    for name, title, quantities in _TABLES:
        drifts = [d for d in result.drifts if kind(d.quantity) in quantities]
        if name in _ONLY_CHANGED:
            drifts = [d for d in drifts if d.drifted]
        if drifts:
            out.append(_table(job, name, title, drifts, result, checks))
    return tuple(out)


def _table(
    job: Job, name: str, title: str, drifts: list[Drift], result: DriftResult, checks: Mapping[int, Check]
) -> Table:
    signs = all(d.quantity in (POLARITY, HEARD) for d in drifts)
    unit, decimals = ("", 2) if name == "settings" else describe(drifts[0].quantity)[1:]
    measured = any(d.budget is not None for d in drifts)
    by_settings = name in ("levels", "responses", "arrivals") and any(d.is_explained for d in drifts)
    figure = partial(Column, unit=unit, decimals=None if signs else decimals)
    columns = [Column(key="channel", title="Channel")]
    columns += [Column(key="band", title="Band Hz")] if name == "spread" else []
    columns += [Column(key="what", title="Setting")] if name == "settings" else []
    columns += [figure(key="then", title="Then"), figure(key="now", title="Now")]
    columns += [figure(key="explained", title="Explained", signed=True)] if by_settings else []
    columns += [] if signs else [figure(key="change", title="Change", signed=True)]
    columns += [figure(key="U", title="U")] if measured else []
    columns += [Column(key="word", title="Result")]
    columns += [Column(key="worst", title="Largest at")] if any(len(d.seats) > 1 for d in drifts) else []
    keys = [column.key for column in columns]
    rows = []
    for d in drifts:
        cells = _cells(job, d, decimals)
        rows.append(
            Row(key=f"{d.quantity} {d.channel}", cells=tuple(cells[key] for key in keys), check=checks[id(d)])
        )
    remark = _table_remark(name, drifts, result, measured=measured, by_settings=by_settings)
    return Table(id=f"drift-{name}", title=title, columns=tuple(columns), rows=tuple(rows), remark=remark)


def _cells(job: Job, d: Drift, decimals: int) -> dict[str, float | str | None]:
    signs = d.quantity in (POLARITY, HEARD)
    seat, change = max(d.seats, key=lambda each: abs(each[1]), default=("", 0.0))
    return {
        "channel": d.channel or "all",
        "band": d.quantity.split(" ")[-1],
        "what": _setting_word(job, d.quantity) if d.is_setting else "",
        "then": sign_word(d.before) if signs else d.before,
        "now": sign_word(d.now) if signs else d.now,
        "explained": d.explained,
        "change": None if signs else d.change,
        "U": d.expanded,
        "word": d.word,
        "worst": f"{seat} ({number(change, decimals, signed=True)})" if len(d.seats) > 1 else seat,
    }


def _table_remark(name: str, drifts: list[Drift], result: DriftResult, *, measured: bool, by_settings: bool) -> str:
    parts = []
    if measured:
        low, high = (f"{each(d.k for d in drifts):.1f}" for each in (min, max))
        parts.append(f"U = {low if low == high else f'{low} to {high}'} u, which covers all comparisons together.")
    shared = drifts[0].quantity in result.shared
    if by_settings and shared:
        parts.append(
            "Change: now minus then, minus what settings and air explain, minus what the main channels share."
        )
    elif shared:
        parts.append("Change: now minus then, minus what the main channels share.")
    if name in _ONLY_CHANGED:
        parts.append("Everything not listed is unchanged.")
    return " ".join(parts)


def sign_word(value: float) -> str:
    """A polarity in a word."""
    return "normal" if value > 0 else "reversed"


def _setting_word(job: Job, quantity: str) -> str:
    unit = job.system.processor.delay.unit
    held = f"{'delay' if unit == 'ms' else 'distance'} [{unit}]"
    return {TRIM: "trim [dB]", HELD: held, POLARITY: "polarity"}[quantity]
