"""Parses and formats lengths and temperatures as technicians write them, in metres and °C inside, and cleans outside
text.

Source of the conversions: NIST SP 811 (2008), Appendix B.8: 1 ft = 0.3048 m, 1 in = 0.0254 m, exactly; °C = (°F −
32)/1.8.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from commission.model.errors import InputError

if TYPE_CHECKING:  # the first screen needs no model of a system
    from commission.model.system import DelayUnit

INCH_M = 0.0254
FOOT_M = 0.3048
LONGEST_M = 1000.0
"""A longer length in a home is a typing error."""

_METRIC = {"m": 1.0, "cm": 0.01, "mm": 0.001}
_NUMBER = r"\d+(?:\.\d+)?|\.\d+"
_INCHES = rf"(?:(?P<inch>{_NUMBER})(?:\s+(?P<num>\d+)/(?P<den>\d+))?|(?P<num_only>\d+)/(?P<den_only>\d+))"
_METRIC_FORM = re.compile(rf"(?P<value>{_NUMBER})\s*(?P<unit>mm|cm|m)?")
_FEET_FORM = re.compile(rf"(?P<feet>{_NUMBER})\s*(?:'|ft)(?:\s*{_INCHES}\s*(?:\"|in)?)?")
_INCH_FORM = re.compile(rf"{_INCHES}\s*(?:\"|in)")
_TEMPERATURE_FORM = re.compile(rf"(?P<value>-?(?:{_NUMBER}))\s*°?\s*(?P<unit>[cf])?")
_BARE_NUMBER = re.compile(rf"[-+]?(?:{_NUMBER})")
_EXPECTED_LENGTH = {
    "metric": "a length such as 3.42, 342 cm, 11' 2 1/2\" or 134.5 in",
    "imperial": "a length such as 11' 2 1/2\", 11.2 (feet), 134.5 in or 3.42 m",
}
Units = Literal["metric", "imperial"]


def counted(count: int, word: str) -> str:
    """A count with its noun: "1 file", "2 files"."""
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def round_name(round_id: str) -> str:
    """A round in words: "as found", "as left"; any other by its id."""
    from commission.model.system import AS_FOUND, AS_LEFT  # late: the first screen needs no model of a system

    return {AS_FOUND: "as found", AS_LEFT: "as left"}.get(round_id, clean_text(round_id))


def clean_text(text: str) -> str:
    """Text from outside without terminal control characters: C0, C1 and bidirectional overrides; tabs become spaces."""
    if text.isprintable():  # nearly always: no control characters
        return text
    kept = (" " if char in "\t\n\r" else char for char in text)
    return "".join(char for char in kept if unicodedata.category(char) not in ("Cc", "Cf", "Cs", "Co", "Cn"))


def _plain(text: str) -> str:
    """The text in lower case with one kind of quote and a decimal point."""
    text = clean_text(text).strip().lower()
    for mark in "’‘′`":
        text = text.replace(mark, "'")
    for mark in "”“″":
        text = text.replace(mark, '"')
    text = text.replace("''", '"').replace("−", "-")
    text = re.sub(r"(?<=\d),(?=\d{1,3}(?:\D|$))", ".", text)
    return re.sub(r"\b(?:feet|foot)\b", "ft", re.sub(r"\b(?:inches|inch)\b", "in", text))


def parse_length_m(
    text: str | float, where: str = "length", *, signed: bool = False, units: Units = "metric"
) -> float:
    """A length in metres from a number (metres) or one of the notations of the trade.

    `3.42`, `3,42 m`, `342 cm`, `3420 mm`, `11' 2 1/2"`, `11 ft 2.5 in`, `134.5 in`, `11'`. A text without a unit is in
    feet where `units` is imperial, else in metres. With `signed` a leading minus is allowed (coordinates left of the
    screen's centre). Raises InputError naming `where`.
    """
    if isinstance(text, int | float) and not isinstance(text, bool):
        return _checked(float(text), where, str(text), signed)
    shown = f"“{clean_text(str(text))[:40]}”"
    plain = _plain(str(text))
    sign = 1.0
    if plain.startswith(("-", "+")):
        sign, plain = (-1.0 if plain[0] == "-" else 1.0), plain[1:].strip()
    if match := _METRIC_FORM.fullmatch(plain):
        bare = FOOT_M if units == "imperial" else 1.0
        value = float(match["value"]) * (_METRIC[match["unit"]] if match["unit"] else bare)
    elif match := _FEET_FORM.fullmatch(plain):
        inches = _inches(match, where, shown)
        if inches >= 12:
            raise InputError(where, shown, "fewer than 12 inches after the feet")
        value = float(match["feet"]) * FOOT_M + inches * INCH_M
    elif match := _INCH_FORM.fullmatch(plain):
        value = _inches(match, where, shown) * INCH_M
    else:
        raise InputError(where, shown, _EXPECTED_LENGTH[units])
    return _checked(sign * value, where, shown, signed)


def is_bare_number(text: str) -> bool:
    """Whether a text is a number without a unit: "9.7", "−1,45"."""
    return _BARE_NUMBER.fullmatch(_plain(text)) is not None


def in_other_units(text: str, units: Units) -> str:
    """Bare numbers with the unit that the job does not use: "9.7" becomes "9.7 m" in a job in feet.

    Several lengths may stand with ; or × between them. Empty where a unit was typed.
    """
    parts = split_lengths(text)
    other = "m" if units == "imperial" else "ft"
    return "; ".join(f"{part} {other}" for part in parts) if parts and all(map(is_bare_number, parts)) else ""


def split_lengths(text: str) -> list[str]:
    """Several lengths with ; or × or blanks between them, each as text."""
    parts = [part for part in re.split(r"\s*[;x×]\s*", text.strip(), flags=re.IGNORECASE) if part]
    return text.split() if len(parts) == 1 else parts


def without_unit(text: str, unit: str) -> str:
    """A number without the unit that may follow it, such as "76.5 dB(C)"."""
    pattern = rf"(?<=[\d.,])\s*{re.escape(unit)}(\(?[ACZ]\)?)?$"
    return re.sub(pattern, "", text.strip(), flags=re.IGNORECASE)


def parse_delay(text: str, where: str, unit: DelayUnit) -> float:
    """A delay or distance setting in the processor's `unit`, which also applies to a bare number.

    A distance may have any unit of length. Raises InputError naming `where`, also for a time where the processor
    takes distances, and the other way round: neither follows from the other without the other channels.
    """
    number = without_unit(text, unit)
    if is_bare_number(number):
        return parse_number(_plain(number), where)
    shown = f"“{clean_text(text)[:40]}”"
    if unit == "ms":
        raise InputError(where, shown, "a time such as 5.2 or 5.2 ms")
    try:
        value_m = parse_length_m(text, where, signed=True)
    except InputError:
        raise InputError(where, shown, f"a distance such as 11.2 or 11.2 {unit}") from None
    return value_m / (FOOT_M if unit == "ft" else 1.0)


def _inches(match: re.Match[str], where: str, shown: str) -> float:
    whole = float(match["inch"]) if match["inch"] else 0.0
    top, bottom = match["num"] or match["num_only"], match["den"] or match["den_only"]
    if not top:
        return whole
    if int(bottom) == 0 or int(top) >= int(bottom) or not whole.is_integer():
        raise InputError(where, shown, "a proper fraction of an inch, such as 2 1/2")
    return whole + int(top) / int(bottom)


def _checked(value: float, where: str, shown: str, signed: bool) -> float:
    if not math.isfinite(value) or abs(value) > LONGEST_M:
        raise InputError(where, shown, f"a length below {LONGEST_M:g} m")
    if value < 0 and not signed:
        raise InputError(where, shown, "a length that is not negative")
    return value + 0.0


def parse_temperature_c(text: str | float, where: str = "temperature") -> float:
    """A temperature in °C from a number (°C) or `21.5`, `21.5 °C`, `70.7 °F`, `70.7F`. Raises InputError."""
    if isinstance(text, int | float) and not isinstance(text, bool):
        value, shown = float(text), str(text)
    else:
        shown = f"“{clean_text(str(text))[:40]}”"
        match = _TEMPERATURE_FORM.fullmatch(_plain(str(text)))
        if match is None:
            raise InputError(where, shown, "a temperature such as 21.5 °C or 70.7 °F")
        value = float(match["value"])
        if match["unit"] == "f":
            value = (value - 32.0) / 1.8
    if not -20.0 <= value <= 50.0:
        raise InputError(where, shown, "a room temperature from −20 to 50 °C (−4 to 122 °F)")
    return value


def parse_number(text: str | float, where: str, *, low: float | None = None, high: float | None = None) -> float:
    """A plain decimal number, comma or point; raises InputError naming `where` if it is invalid or out of range."""
    shown = f"“{clean_text(str(text))[:40]}”"
    try:
        value = float(str(text).strip().replace("−", "-").replace(",", "."))
    except ValueError:
        raise InputError(where, shown, "a number") from None
    if not math.isfinite(value):
        raise InputError(where, shown, "a finite number")
    if (low is not None and value < low) or (high is not None and value > high):
        span = f"{'' if low is None else f'{low:g}'} to {'' if high is None else f'{high:g}'}"
        raise InputError(where, shown, f"a number from {span}")
    return value


def format_length(value_m: float, units: Units = "metric") -> str:
    """`3.42 m`, or feet and inches to the nearest eighth: `11' 2 1/2"`."""
    if not math.isfinite(value_m):
        return "–"
    if units == "metric":
        return f"{value_m + 0.0:.2f} m".replace("-", "−")
    eighths = round(abs(value_m) / INCH_M * 8)
    feet, rest = divmod(eighths, 96)
    inches, part = divmod(rest, 8)
    sign = "−" if value_m < 0 and eighths else ""
    divisor = math.gcd(part, 8)
    fraction = f" {part // divisor}/{8 // divisor}" if part else ""
    return f"{sign}{feet}' {inches}{fraction}\""


def format_temperature(value_c: float, units: Units = "metric") -> str:
    """`21.5 °C` or `70.7 °F`."""
    value, unit = (value_c, "°C") if units == "metric" else (value_c * 1.8 + 32, "°F")
    return f"{value:.1f} {unit}".replace("-", "−")


def listed(names: Sequence[str]) -> str:
    """Names joined as in "A, B and C"."""
    return " and ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else "".join(names)
