"""Formats numbers, verdicts and table cells as text, the same on the screen and on paper."""

from __future__ import annotations

import math
from collections.abc import Sequence

from commission.model.outcome import Column
from commission.model.system import Channel, Filter, FilterRanges, System
from commission.model.units import clean_text, format_length
from commission.model.verdict import Verdict


def number(value: float | None, decimals: int, *, signed: bool = False) -> str:
    """Digits with a true minus sign, never "-0.0"; a dash for a missing value."""
    if value is None or not math.isfinite(value):
        return "–"
    rounded = round(value, decimals) + 0.0
    return f"{rounded:{'+' if signed and rounded else ''}.{decimals}f}".replace("-", "−")


def two_digits(value: float) -> str:
    """Two significant digits, as uncertainties are stated (JCGM 100 7.2.6), without an exponent."""
    if not math.isfinite(value):
        return "∞"
    if value == 0:
        return "0"
    decimals = 1 - math.floor(math.log10(abs(value)))
    return f"{round(value, decimals):.{max(decimals, 0)}f}".replace("-", "−")


def place_text(channel: str | None, seat: str | None) -> str:
    """A channel and a seat as in "FL at A2"; either may be None."""
    return " at ".join(clean_text(part) for part in (channel, seat) if part)


def verdict_word(verdict: Verdict | None) -> str:
    """Symbol and word, as in "✓ pass"."""
    return "" if verdict is None else f"{verdict.symbol} {verdict.value}"


def cell_text(value: float | str | None, column: Column, units: str) -> str:
    """One table cell; lengths and temperatures in the job's units."""
    if value is None:
        return "–"
    if isinstance(value, str):
        return clean_text(value)
    if units == "imperial" and column.unit == "m":
        return format_length(value, "imperial")
    if units == "imperial" and column.unit == "°C":
        value = value * 1.8 + 32.0
    return number(value, 2 if column.decimals is None else column.decimals, signed=column.signed)


def unit_text(column: Column, units: str) -> str:
    """A column's unit as shown in its heading, in the job's units."""
    if units == "imperial":
        return {"m": "ft in", "°C": "°F"}.get(column.unit, column.unit)
    return column.unit


def filter_texts(filters: Sequence[Filter], ranges: FilterRanges | None) -> tuple[str, ...]:
    """Filters in the processor's terms, as in "45 Hz −6.0 dB Q 4.0"."""
    width = ranges.width if ranges is not None else "q"

    def one(each: Filter) -> str:
        value = f"{each.width:.4g}"
        wide = f"{value} octaves" if width == "octaves" else f"Q {value}"
        return f"{each.frequency_hz:.5g} Hz {number(each.gain_db, 1, signed=True)} dB {wide}"

    return tuple(one(each) for each in filters)


def crossover_text(system: System, channel: Channel) -> str:
    """A channel's crossover as in "high-pass 80 Hz, Linkwitz-Riley 24 dB/octave"; empty if none is entered."""
    sides = (
        ("high-pass", channel.high_pass_hz, system.high_pass(channel)),
        ("low-pass", channel.low_pass_hz, system.low_pass(channel)),
    )
    return "; ".join(
        f"{side} {hz:g} Hz" + ("" if kind is None else f", {kind.text}") for side, hz, kind in sides if hz is not None
    )
