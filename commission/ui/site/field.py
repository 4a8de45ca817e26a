"""What a field of the Site form is, and the small parsers that several fields share. No Textual here."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from commission.model import InputError, Job, Setting, SettingEntered, System
from commission.model.units import clean_text, counted, parse_length_m, parse_number

Apply = Callable[[System, str], System]
LENGTH_HINT = "3.42, 342 cm, 11' 2 1/2\""


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One line of the form."""

    key: str
    label: str
    shown: str
    typed: str
    """The value as it would be typed, to begin with."""
    change: Apply
    hint: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    item_id: str | None = None

    @property
    def title(self) -> str:
        """What is asked for."""
        return f"{self.item_id}: {self.label.strip()}" if self.item_id else self.label.strip()

    def apply(self, job: Job, text: str) -> System:
        """The system with this value; raises InputError."""
        return self.change(job.system, text)


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingField:
    """One setting of the processor in a round."""

    key: str
    label: str
    shown: str
    typed: str
    channel: str
    make: Callable[[str], Setting]
    hint: str = ""
    choices: tuple[tuple[str, str], ...] = ()

    @property
    def title(self) -> str:
        """What is asked for."""
        return self.label.strip()

    def apply(self, job: Job, text: str) -> SettingEntered:
        """The event; raises InputError."""
        return SettingEntered(setting=self.make(text))


def word(text: str) -> str:
    """A name as it is stored."""
    return clean_text(text).strip()


def plain(value: float | None) -> str:
    """A number as it would be typed; empty for what is not known."""
    return "" if value is None else f"{value:g}"


def lengths(text: str, where: str, example: str, *, signed: str = "") -> tuple[float, float, float] | None:
    """Three lengths in metres with ; or × or blanks between them; None for an empty text.

    `signed` names the axes (x, y, z) that may be negative.
    """
    if not text.strip():
        return None
    parts = [part for part in re.split(r"\s*[;x×]\s*", text.strip(), flags=re.IGNORECASE) if part]
    if len(parts) == 1:
        parts = text.split()
    if len(parts) != 3:
        raise InputError(where, counted(len(parts), "length"), f"three, such as {example}")
    x, y, z = (
        parse_length_m(part, f"{where} {axis}", signed=axis in signed)
        for part, axis in zip(parts, "xyz", strict=True)
    )
    return x, y, z


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
