"""Reads job definitions in TOML (see README for an example). Errors name the file and the dotted path."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import msgspec

from commission.model import (
    Band,
    Channel,
    EventBody,
    InputError,
    Instrument,
    Obstacle,
    Processor,
    ReadingEntered,
    Room,
    Seat,
    Setting,
    SettingEntered,
    Sweep,
    System,
    SystemDefined,
    Target,
)
from commission.model.outside_files import read_outside
from commission.model.plausible import long_text, problem_of, table_problem
from commission.model.toml_text import read_toml
from commission.model.units import Units, clean_text, is_bare_number, parse_delay, parse_length_m, parse_temperature_c

SCHEMA = 1
_LARGEST_BYTES = 1_000_000
"""Twice a cinema of 50 loudspeakers and 5,000 readings; parsed nested tables take 300 times the memory."""
LISTS: dict[str, tuple[str, type]] = {
    "channel": ("channels", Channel),
    "seat": ("seats", Seat),
    "instrument": ("instruments", Instrument),
    "obstacle": ("obstacles", Obstacle),
    "band": ("bands", Band),
}
_TABLES: dict[str, type] = {"room": Room, "processor": Processor, "sweep": Sweep, "target": Target}
_POINTS = ("position_m", "aim_m", "move_from_m", "move_to_m", "from_m", "to_m")
_PLAIN = ("title", "client", "place", "technician", "units")
_READING_UNITS = {"value_db": ("level", "dB"), "value_m": ("distance", "m"), "value_c": ("temperature", "°C")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Definition:
    """A job definition as read: the system, and the events that follow it."""

    system: System
    settings: tuple[SettingEntered, ...] = ()
    readings: tuple[ReadingEntered, ...] = ()

    @property
    def bodies(self) -> tuple[EventBody, ...]:
        """Everything as event bodies, in the order of storing."""
        return (SystemDefined(system=self.system, note="from the job definition"), *self.settings, *self.readings)

    def of_round(self, round_id: str) -> Definition:
        """The same definition with the settings and readings of one round only."""
        return replace(
            self,
            settings=tuple(each for each in self.settings if each.setting.round == round_id),
            readings=tuple(each for each in self.readings if each.round == round_id),
        )


def load_definition(path: Path) -> Definition:
    """Read a job definition; raises InputError with file and path of the mistake."""
    try:
        text = read_outside(path, "a job definition in TOML", largest_bytes=_LARGEST_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(str(path), f"a byte that is not UTF-8 at {error.start}", "text saved as UTF-8") from error
    return parse_definition(text, path.name)


def parse_definition(text: str, where: str = "definition") -> Definition:
    """`load_definition` from text; `where` names it in errors."""
    data = _cleaned(read_toml(text, where, "TOML 1.0"))
    schema = data.pop("schema", SCHEMA)
    if schema != SCHEMA:
        raise InputError(f"{where}: schema", str(schema), str(SCHEMA), "A newer schema needs a newer program.")
    settings, readings = data.pop("setting", []), data.pop("reading", [])
    system = _system(data, where)
    if (problem := problem_of(SystemDefined(system=system))) is not None:
        raise InputError(f"{where}: {problem.path.removeprefix('system.')}", problem.found, problem.expected)
    if (long := long_text(system, "")) is not None:
        raise InputError(f"{where}: {long.path.lstrip('.')}", long.found, long.expected, "Shorten it.")
    return Definition(
        system=system,
        settings=tuple(_setting(raw, system, f"{where}: setting[{i}]") for i, raw in enumerate(_tables(settings))),
        readings=tuple(_reading(raw, system, f"{where}: reading[{i}]") for i, raw in enumerate(_tables(readings))),
    )


def _cleaned(value: Any) -> Any:
    if isinstance(value, str):
        return clean_text(value)
    if isinstance(value, dict):
        return {clean_text(key): _cleaned(item) for key, item in value.items()}
    return [_cleaned(item) for item in value] if isinstance(value, list) else value


def _tables(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def _system(data: dict[str, Any], where: str) -> System:
    values: dict[str, Any] = {}
    units: Units = "imperial" if data.get("units") == "imperial" else "metric"
    for key, value in data.items():
        if key in _PLAIN:
            values[key] = value
        elif key == "temperature_c":
            values[key] = parse_temperature_c(value, f"{where}: temperature_c")
        elif key in _TABLES:
            values[key] = _convert(value, _TABLES[key], f"{where}: {key}", units)
        elif key in LISTS:
            name, kind = LISTS[key]
            values[name] = tuple(
                _convert(v, kind, f"{where}: {key}[{i}]", units) for i, v in enumerate(_tables(value))
            )
        else:
            known = ", ".join((*_PLAIN, "temperature_c", *_TABLES, *LISTS, "setting", "reading"))
            raise InputError(f"{where}: {key}", "an unknown name", f"one of {known}")
    if not isinstance(values.get("title"), str) or not values["title"].strip():
        raise InputError(f"{where}: title", "nothing", "the name of the job in quotes")
    try:
        return msgspec.convert(values, System)
    except msgspec.ValidationError as error:
        raise _validation(error, where, System) from error


def _length_m(value: Any, where: str, units: Units, *, signed: bool = False) -> float:
    """A length; in an imperial job a text needs its unit, since the field's name says metres."""
    if units == "imperial" and isinstance(value, str) and is_bare_number(value):
        text = clean_text(value)
        raise InputError(
            where, f"“{text}” without a unit", f'"{text} ft", "{text} m", or a number without quotes (metres)'
        )
    return parse_length_m(value, where, signed=signed)


def _convert(raw: Any, kind: type, where: str, units: Units = "metric") -> Any:
    """Convert one table to its type: lengths in any notation, `class` to its field, unknown names refused."""
    if not isinstance(raw, dict):
        raise InputError(where, type(raw).__name__, "a table of names and values")
    values = {}
    known = {field.name for field in fields(kind)}
    for key, value in raw.items():
        name = "accuracy_class" if kind is Instrument and key == "class" else key
        if name not in known:
            raise InputError(f"{where}.{key}", "an unknown name", "one of " + ", ".join(sorted(known)))
        if name in _POINTS:
            value = _position(value, f"{where}.{key}", units)
        elif name.endswith("_m") and name != "speed_of_sound_m_s" and value is not None:
            value = _length_m(value, f"{where}.{key}", units)
        values[name] = value
    try:
        converted: Any = msgspec.convert(values, kind)
    except msgspec.ValidationError as error:
        raise _validation(error, where, kind) from error
    if (problem := table_problem(converted)) is not None:
        raise InputError(f"{where}.{problem.path}", problem.found, problem.expected)
    return converted


def _position(value: Any, where: str, units: Units) -> tuple[float, float, float]:
    if not isinstance(value, list) or len(value) != 3:
        raise InputError(where, "something else", "three lengths: right of the centre, back from the screen, up")
    x, y, z = (_length_m(v, f"{where}[{i}]", units, signed=i < 2) for i, v in enumerate(value))
    return x, y, z


def _validation(error: msgspec.ValidationError, where: str, kind: type) -> InputError:
    """An error of msgspec such as "Expected `float`, got `str` - at `$.trim_db.step`" as an InputError."""
    text, _, path = str(error).partition(" - at ")
    path = path.strip("`").lstrip("$")
    expected, _, got = text.partition(", got ")
    if got:
        return InputError(where + path, _in_words(got), _in_words(expected.removeprefix("Expected ")))
    if text.startswith("Object missing required field"):
        path += "." + text.rpartition(" ")[2].strip("`")
        return InputError(where + path, "nothing", "a value of the kind that the README shows")
    if text.startswith("Invalid enum value") and (words := _words_of(kind, path)):
        return InputError(where + path, text.removeprefix("Invalid enum value "), f"one of {', '.join(words)}")
    return InputError(where + path, text.replace("`", ""), "a value of the kind that the README shows")


_KINDS = {
    "str": "text",
    "float": "a number",
    "int": "a whole number",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
}


def _in_words(kinds: str) -> str:
    """Types as msgspec lists them, in words: "a number" for "`float | null`"."""
    return " or ".join(_KINDS.get(kind, kind) for kind in kinds.replace("`", "").split(" | ") if kind != "null")


def _words_of(kind: Any, path: str) -> tuple[str, ...]:
    """The words that a field accepts, by its path within a table such as ".high_pass.type"; none for other fields."""
    for name in path.lstrip(".").split("."):
        hint = get_type_hints(kind).get(name) if isinstance(kind, type) else None
        kind = get_args(hint)[0] if get_origin(hint) in (Union, UnionType) else hint
    return get_args(kind) if get_origin(kind) is Literal else ()


def _setting(raw: Any, system: System, where: str) -> SettingEntered:
    if isinstance(raw, dict) and isinstance(raw.get("distance"), str):
        distance = parse_delay(raw["distance"], f"{where}.distance", system.processor.delay.unit)
        raw = raw | {"distance": distance}
    setting = _convert(raw, Setting, where)
    if system.channel(setting.channel) is None:
        raise InputError(f"{where}.channel", f"“{setting.channel}”", "a channel of this job", _known(system))
    return SettingEntered(setting=setting)


def _reading(raw: Any, system: System, where: str) -> ReadingEntered:
    if not isinstance(raw, dict):
        raise InputError(where, type(raw).__name__, "a table of names and values")
    raw = dict(raw)
    given = [key for key in _READING_UNITS if key in raw]
    if len(given) > 1:
        raise InputError(where, " and ".join(given), "one value")
    if given:
        quantity, unit = _READING_UNITS[given[0]]
        value = raw.pop(given[0])
        place = f"{where}.{given[0]}"
        if unit == "m":
            value = _length_m(value, place, system.units)
        elif unit == "°C":
            value = parse_temperature_c(value, place)
        raw = {"quantity": quantity, "unit": unit, "value": value} | raw
    try:
        reading: ReadingEntered = _convert(raw, ReadingEntered, where)
    except InputError as error:
        if given and error.where == f"{where}.value":  # the file has another name for the field
            raise InputError(f"{where}.{given[0]}", error.found, error.expected, error.mend) from error
        raise
    if reading.channel is not None and system.channel(reading.channel) is None:
        raise InputError(f"{where}.channel", f"“{reading.channel}”", "a channel of this job", _known(system))
    if reading.seat is not None and system.seat(reading.seat) is None:
        seats = ", ".join(seat.id for seat in system.seats)
        raise InputError(f"{where}.seat", f"“{reading.seat}”", "a seat of this job", f"It has {seats or 'none'}.")
    return reading


def _known(system: System) -> str:
    return f"It has {', '.join(channel.id for channel in system.channels) or 'none'}."
