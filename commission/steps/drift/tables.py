"""The tables of a return visit: then, now, what settings explain, the change, its uncertainty."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from commission.model import Check, Column, Job, Table, table_of
from commission.model.formatting import number
from commission.model.outcome import Cell
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
"""Kinds whose tables list only changed figures."""


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


def tables(job: Job, result: DriftResult, check_of: Callable[[Drift], Check]) -> tuple[Table, ...]:
    """One table for each kind of figure."""
    out = []
    for name, title, quantities in _TABLES:
        drifts = [d for d in result.drifts if kind(d.quantity) in quantities]
        if name in _ONLY_CHANGED:
            drifts = [d for d in drifts if d.drifted]
        if drifts:
            out.append(_table(job, name, title, drifts, result, check_of))
    return tuple(out)


def _table(
    job: Job, name: str, title: str, drifts: list[Drift], result: DriftResult, check_of: Callable[[Drift], Check]
) -> Table:
    signs = all(d.quantity in (POLARITY, HEARD) for d in drifts)
    unit, decimals = ("", 2) if name == "settings" else describe(drifts[0].quantity)[1:]
    measured = any(d.budget is not None for d in drifts)
    by_settings = name in ("levels", "responses", "arrivals") and any(d.is_explained for d in drifts)
    figure = partial(Column, unit=unit, decimals=None if signs else decimals)
    columns: list[tuple[bool, Column, Callable[[Drift], Cell]]] = [
        (True, Column(key="channel", title="Channel"), lambda d: d.channel or "all"),
        (name == "spread", Column(key="band", title="Band Hz"), lambda d: d.quantity.split(" ")[-1]),
        (name == "settings", Column(key="what", title="Setting"), lambda d: _setting_word(job, d)),
        (True, figure(key="then", title="Then"), lambda d: sign_word(d.before) if _is_sign(d) else d.before),
        (True, figure(key="now", title="Now"), lambda d: sign_word(d.now) if _is_sign(d) else d.now),
        (by_settings, figure(key="explained", title="Explained", signed=True), lambda d: d.explained),
        (not signs, figure(key="change", title="Change", signed=True), lambda d: None if _is_sign(d) else d.change),
        (measured, figure(key="U", title="U"), lambda d: d.expanded),
        (True, Column(key="word", title="Result"), lambda d: d.word),
        (
            any(len(d.seats) > 1 for d in drifts),
            Column(key="worst", title="Largest at"),
            lambda d: _largest_at(d, decimals, unit),
        ),
    ]
    return table_of(
        drifts,
        *((column, value) for shown, column, value in columns if shown),
        id=f"drift-{name}",
        title=title,
        key=lambda d: f"{d.quantity} {d.channel}",
        check=check_of,
        remark=_table_remark(name, drifts, result, measured=measured, by_settings=by_settings),
    )


def _is_sign(d: Drift) -> bool:
    return d.quantity in (POLARITY, HEARD)


def _largest_at(d: Drift, decimals: int, unit: str) -> str:
    """The seat with the largest change, with that change where there are several."""
    seat, change = max(d.seats, key=lambda each: abs(each[1]), default=("", 0.0))
    return f"{seat} ({number(change, decimals, signed=True)} {unit})" if len(d.seats) > 1 else seat


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


def _setting_word(job: Job, drift: Drift) -> str:
    if not drift.is_setting:
        return ""
    unit = job.system.processor.delay.unit
    held = f"{'delay' if unit == 'ms' else 'distance'} [{unit}]"
    return {TRIM: "trim [dB]", HELD: held, POLARITY: "polarity"}[drift.quantity]
