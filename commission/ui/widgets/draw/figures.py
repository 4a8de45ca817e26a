"""Quantities, limits and judgements as text, the same in every view."""

from __future__ import annotations

import math

from commission.model import Check, Limit, Verdict
from commission.model.formatting import number, place_text, two_digits, verdict_word
from commission.model.units import clean_text, format_length, format_temperature

DECIMALS = {"dB": 1, "dB²": 1, "ms": 2, "s": 2, "m": 2, "°C": 1, "Hz": 0, "°": 0, "%": 1, "NC": 0}
"""Digits after the decimal sign that mean something, by unit, where nothing else says."""
STYLES = {
    Verdict.PASS: "pass",
    Verdict.FAIL: "fail",
    Verdict.UNSURE: "unsure",
    Verdict.NOT_TESTED: "none",
}


def quantity(value: float | None, unit: str, units: str = "metric", decimals: int | None = None) -> str:
    """A number with its unit; lengths and temperatures as the job wants them."""
    if value is None or not math.isfinite(value):
        return "–"
    if units == "imperial" and unit == "m":
        return format_length(value, "imperial")
    if units == "imperial" and unit == "°C":
        return format_temperature(value, "imperial")
    usual = 0 if not unit and float(value).is_integer() else DECIMALS.get(unit, 2)
    text = number(value, usual if decimals is None else decimals)
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


def _decimals(check: Check) -> int | None:
    """One digit more than usual where the uncertainty is small enough for it to mean something."""
    usual = DECIMALS.get(check.unit, 2)
    return usual + 1 if usual < 2 and 0 < 2 * check.uncertainty < 10.0**-usual * 5 else None


def check_runs(check: Check | None, units: str = "metric") -> tuple[tuple[str, str], ...]:
    """A check in a line: verdict, what, value, limit, uncertainty, basis; or why it was not tested."""
    if check is None:
        return (("No check applies to this row.", "dim"),)
    word = (f"{verdict_word(check.verdict)}  ", STYLES[check.verdict])
    what = f"{place_text(check.channel, check.seat)} {clean_text(check.text)}".strip()
    both = check.limit is not None and check.limit.low is not None and check.limit.low < 0
    value = quantity(check.value, check.unit, units, _decimals(check))
    if both and check.value is not None and check.value > 0:
        value = f"+{value}"
    value = clean_text(check.words) or value
    has_value = check.value is not None or check.undecided
    text = f"{what}: {value}" if what and has_value else what or value
    if check.why_not is not None:
        return (word, (f"{text}; not tested, because {clean_text(check.why_not)}", "dim"))
    if check.limit is None:
        return (word, (f"{text}; no limit applies", "dim"))
    parts = [] if check.words else [f"limit {limit_text(check.limit, units)}"]
    if check.uncertainty > 0 and not check.words:
        parts.append(f"U = {uncertainty(check.uncertainty, check.unit, units)}")
    if check.limit.basis:
        parts.append(f"basis: {clean_text(check.limit.basis)}")
    return (word, (text, "mark"), ("   " + " · ".join(parts), "dim"))
