"""Quantities, limits and uncertainties as text, the same on the screen and in printed results."""

from __future__ import annotations

import math

from commission.model.formatting import number, two_digits
from commission.model.units import clean_text, format_length, format_temperature
from commission.model.verdict import Check, Limit

DECIMALS = {"dB": 1, "dB²": 1, "ms": 2, "s": 2, "m": 2, "°C": 1, "Hz": 0, "°": 0, "%": 1, "NC": 0}
"""Usual digits after the decimal sign, by unit."""


def quantity(
    value: float | None, unit: str, units: str = "metric", decimals: int | None = None, *, signed: bool = False
) -> str:
    """A number with its unit; lengths and temperatures in the units of the job."""
    if value is None or not math.isfinite(value):
        return "–"
    if units == "imperial" and unit == "m":
        return format_length(value, "imperial")
    if units == "imperial" and unit == "°C":
        return format_temperature(value, "imperial")
    usual = 0 if not unit and float(value).is_integer() else DECIMALS.get(unit, 2)
    text = number(value, usual if decimals is None else decimals, signed=signed)
    return f"{text}{'' if unit in ('', '°') else ' '}{unit}"


def uncertainty(u: float, unit: str, units: str = "metric") -> str:
    """Expanded uncertainty U = 2 u to two digits."""
    if units == "imperial" and unit == "m":
        return f"{number(2 * u / 0.0254, 1)} in"
    if units == "imperial" and unit == "°C":
        return f"{number(2 * u * 1.8, 1)} °F"
    return f"{two_digits(2 * u)}{'' if unit == '°' else ' '}{unit}".strip()


def limit_text(limit: Limit, units: str = "metric") -> str:
    """An interval in words."""
    low = None if limit.low is None else quantity(limit.low, limit.unit, units)
    high = None if limit.high is None else quantity(limit.high, limit.unit, units)
    if low is not None and high is not None:
        shared = f" {limit.unit}"
        return f"{low.removesuffix(shared)} to {high}"
    return f"at most {high}" if high is not None else f"at least {low}" if low is not None else "none"


def check_value(check: Check, units: str = "metric") -> str:
    """What a check found: its words, or its value with one digit more than usual where a small uncertainty supports it."""
    if check.words:
        return clean_text(check.words)
    usual = DECIMALS.get(check.unit, 2)
    finer = usual < 2 and 0 < 2 * check.uncertainty < 10.0**-usual * 5
    both_ways = check.limit is not None and check.limit.low is not None and check.limit.low < 0
    return quantity(check.value, check.unit, units, usual + 1 if finer else None, signed=both_ways)
