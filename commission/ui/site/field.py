"""A field of the Site form, and the parsers that several fields share. No Textual here."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from commission.model import CrossoverFilter, InputError, Job, Setting, SettingEntered, System
from commission.model.system import CROSSOVER_SLOPES_DB
from commission.model.units import (
    Units,
    clean_text,
    counted,
    format_length,
    in_other_units,
    parse_length_m,
    parse_number,
    split_lengths,
)

Apply = Callable[[System, str], System]
LENGTH_HINTS: dict[Units, str] = {
    "metric": "3.42, 342 cm, 11' 2 1/2\"",
    "imperial": "11' 2 1/2\", 11.2 (feet), 134.5 in, 3.42 m",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FormField:
    """One line of the form."""

    key: str
    label: str
    shown: str
    typed: str
    """The initial text for editing."""
    hint: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    item_id: str | None = None
    read: Callable[[str], str] | None = None
    """Formats a typed text as a value with its unit; raises InputError. None: the text is the value."""
    unusual: Callable[[Job, str], str] | None = None
    """A sentence on an unusual text; raises InputError. None: nothing is checked."""
    bare_units: Units | None = None
    """For lengths: the units of a number without a unit."""

    @property
    def title(self) -> str:
        """The label of the field."""
        return f"{self.item_id}: {self.label.strip()}" if self.item_id else self.label.strip()

    def echo(self, text: str) -> str:
        """The value of a text with its unit; empty if it is not a value yet."""
        try:
            return self.read(text) if self.read is not None and text.strip() else ""
        except InputError:
            return ""

    def question(self, job: Job, text: str) -> str:
        """A question to ask before a text is stored; empty if nothing is unusual. Raises InputError."""
        sentence = self.unusual(job, text) if self.unusual is not None and text.strip() != self.typed else ""
        other = in_other_units(text, self.bare_units) if sentence and self.bare_units is not None else ""
        if self.unusual is None or not other:
            return sentence
        try:
            fits = not self.unusual(job, other)
        except InputError:
            fits = False
        return f"{sentence} Is it {other}? Then type the unit." if fits else sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class Field(FormField):
    """A field of the system."""

    change: Apply

    def apply(self, job: Job, text: str) -> System:
        """The system with this value, unchanged if the text is that of the present value; raises InputError."""
        return job.system if text.strip() == self.typed else self.change(job.system, text)


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingField(FormField):
    """One setting of the processor in a round."""

    channel: str
    make: Callable[[str], Setting]

    def apply(self, job: Job, text: str) -> SettingEntered:
        """The event that stores a text; raises InputError."""
        return SettingEntered(setting=self.make(text))


def word(text: str) -> str:
    """A name in its stored form."""
    return clean_text(text).strip()


def plain(value: float | None) -> str:
    """A number in its typed form; empty if unknown."""
    return "" if value is None else f"{value:g}"


def lengths(
    text: str,
    where: str,
    example: str,
    *,
    units: Units,
    signed: str = "",
    known: tuple[Sequence[float], Sequence[str]] = ((), ()),
) -> tuple[float, float, float] | None:
    """Three lengths in metres with ; or × or blanks between them; None for an empty text.

    `signed` names the axes (x, y, z) that may be negative. `known` are present values and their text: an unchanged part
    keeps the digits that are not shown.
    """
    if not text.strip():
        return None
    parts = split_lengths(text)
    if len(parts) != 3:
        raise InputError(where, counted(len(parts), "length"), f"three, such as {example}")
    shown = dict(zip(enumerate(known[1]), known[0], strict=True))
    x, y, z = (
        shown[n, part]
        if (n, part) in shown
        else parse_length_m(part, f"{where} {axis}", signed=axis in signed, units=units)
        for n, (part, axis) in enumerate(zip(parts, "xyz", strict=True))
    )
    return x, y, z


def length_text(value_m: float, units: Units) -> str:
    """A length for display: feet and inches are followed by metres."""
    return format_length(value_m, units) + (f" ({value_m:.2f} m)".replace("-", "−") if units == "imperial" else "")


def lengths_text(values_m: Sequence[float] | None, units: Units) -> str:
    """Several lengths for display."""
    return "; ".join(format_length(value, units) for value in values_m or ())


def optional_number(label: str, *, low: float | None = None, high: float | None = None) -> Callable[[str], Any]:
    """Reads a number, or None from an empty text."""
    return lambda text: parse_number(text, label, low=low, high=high) if text.strip() else None


def whole(text: str, where: str, low: int) -> int | None:
    """A whole number, or None for an empty text."""
    if not text.strip():
        return None
    value = parse_number(text, where, low=low, high=256)
    if not value.is_integer():
        raise InputError(where, f"{value:g}", "a whole number")
    return int(value)


def put_item(system: System, what: str, n: int, **values: object) -> System:
    """The system with one seat, channel or instrument changed."""
    items = list(getattr(system, what))
    items[n] = replace(items[n], **values)
    return replace(system, **{what: tuple(items)})  # type: ignore[arg-type]


CROSSOVER_FILTERS = tuple(
    CrossoverFilter(type=name, slope_db_per_octave=slope_db)
    for name, slopes_db in CROSSOVER_SLOPES_DB.items()
    for slope_db in slopes_db
)


def crossover_field(key: str, label: str, value: CrossoverFilter | None, change: Apply, unknown: str = "") -> Field:
    """The choice of type and slope of a crossover."""
    text = "" if value is None else value.text
    choices = (("", unknown or "not entered"), *((each.text, each.text) for each in CROSSOVER_FILTERS))
    return Field(key=key, label=label, shown=text, typed=text, choices=choices, change=change)


def parse_crossover(text: str) -> CrossoverFilter | None:
    """The filter of a choice; None for an empty text."""
    return next((each for each in CROSSOVER_FILTERS if each.text == text), None)
