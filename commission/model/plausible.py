"""The widest ranges of numbers, texts and lists that a job accepts, from the screens, from TOML or from a log.

The ranges are far wider than anything in a home cinema: they keep typing errors and hostile files out of the
computation, and are not limits for verdicts. Common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from functools import cache
from itertools import pairwise
from typing import NamedTuple

from commission.model.events import EarlierFigure, EventBody, ReadingEntered, SettingEntered
from commission.model.stored_verdicts import StoredVerdicts
from commission.model.system import (
    CROSSOVER_SLOPES_DB,
    Channel,
    CrossoverFilter,
    DelayRange,
    Filter,
    FilterRanges,
    Processor,
    Room,
    Steps,
    Sweep,
    System,
    Target,
    TrimRange,
)


class Problem(NamedTuple):
    """An impossible value: the dotted path of the field, the value, what is expected."""

    path: str
    found: str
    expected: str


Span = tuple[float, float]

WIDEST: Span = (-1e9, 1e9)
_BY_UNIT: dict[str, Span] = {
    "dB": (-200.0, 250.0),
    "m": (0.0, 1000.0),
    "°C": (-60.0, 100.0),
    "°": (-360.0, 360.0),
    "Hz": (0.0, 1e6),
    "ms": (-1e5, 1e5),
    "s": (-100.0, 100.0),
}
_BY_NAME: dict[str, Span] = {
    "distance": (-100.0, 5000.0),  # in the processor's unit: 18 m are 52 ms or 59 ft
    "duration_s": (0.05, 120.0),
    "rate_hz": (1000.0, 1e6),
    "speed_of_sound_m_s": (250.0, 450.0),
    "seq": (1.0, 1e9),
    "frames": (0.0, 1e10),
    "origin_frame": (-1e9, 1e9),
    "file_channel": (0.0, 4096.0),
    "output": (0.0, 10_000.0),
    "parametric_bands": (0.0, 10_000.0),
    "width": (0.01, 1000.0),
    "slope_db_per_octave": (-60.0, 120.0),
    "weight": (0.0, 1000.0),
    "coverage_deg": (10.0, 360.0),
    "resolution": (0.0, 100.0),
    "uncertainty": (0.0, 1e9),
    "dof": (0.0, 1e12),
}
_BY_ENDING: dict[str, Span] = {
    "_m": (-1000.0, 1000.0),
    "_db": (-200.0, 250.0),
    "_dbfs": (-200.0, 50.0),
    "_hz": (0.0, 1e6),
    "_ms": (-1e5, 1e5),
    "_s": (-1000.0, 1000.0),
    "_c": (-60.0, 100.0),
    "_px": (1.0, 100_000.0),
}
_ROOM: Span = (0.5, 100.0)
_MOST_SWEEP_FRAMES = 25e6
"""Two minutes at 192 kHz."""
MOST_ITEMS = 100_000
"""Longest list: the checks of a large job with all its rounds."""
_MOST: dict[str, int] = {
    "channels": 256,
    "seats": 500,
    "instruments": 200,
    "obstacles": 100,
    "bands": 100,
    "crossovers_hz": 500,
    "filters": 100,
    "points": 1000,
}
LONGEST_TEXT = 5000
"""Longest note; a page of the record holds about half of it."""

_LONGEST_BY_NAME: dict[str, int] = {
    "id": 60,
    "state": 60,
    "unit": 60,
    "name": 200,
    "client": 200,
    "place": 200,
    "technician": 200,
    "model": 200,
    "serial": 200,
    "title": 500,
    "caption": 500,
    "basis": 1000,
    "reason": 1000,
    "file_name": 1000,
}
"""Lines of a form: a name of several pages fits no table."""


@cache
def _span(name: str) -> Span:
    if name in _BY_NAME:
        return _BY_NAME[name]
    return next((span for ending, span in _BY_ENDING.items() if name.endswith(ending)), WIDEST)


def problem_of(body: EventBody) -> Problem | None:
    """The first impossible value of an event; None if there is none."""
    if isinstance(body, StoredVerdicts):  # thousands of values of any unit, used in no computation
        return next(_numbers(body, "", finite_only=True), None)
    return next(_problems(body), None)


def _problems(body: EventBody) -> Iterator[Problem]:
    if isinstance(body, ReadingEntered):
        yield from _outside(body.value, _BY_UNIT.get(body.unit, WIDEST), "value", body.unit)
    yield from _numbers(body, "")
    system = getattr(body, "system", None)
    if isinstance(system, System):
        for problem in system_problems(system):
            yield problem._replace(path=f"system.{problem.path}")


def _numbers(value: object, path: str, *, finite_only: bool = False) -> Iterator[Problem]:
    """Numbers out of range, and lists that are too long; `path` leads to the value."""
    kind = type(value)
    if kind is float or kind is int:
        name = path.rsplit(".", 1)[-1].split("[", 1)[0]
        yield from _outside(value, WIDEST if finite_only else _span(name), path, "")  # type: ignore[arg-type]
    elif value is None or kind is str or kind is bool:
        return
    elif is_dataclass(value):
        start = f"{path}." if path else ""
        if isinstance(value, EarlierFigure):
            yield from _outside(value.value, _span(value.quantity), f"{start}value", "")
        for field in fields(value):
            yield from _numbers(getattr(value, field.name), f"{start}{field.name}", finite_only=finite_only)
        yield from _inconsistent(value, start)
    elif isinstance(value, tuple | list):
        most = _MOST.get(path.rsplit(".", 1)[-1], MOST_ITEMS)
        if len(value) > most:
            yield Problem(path, f"{len(value)} items", f"at most {most}")
            return
        for index, item in enumerate(value):
            yield from _numbers(item, f"{path}[{index}]", finite_only=finite_only)


def _outside(value: float, span: Span, path: str, unit: str) -> Iterator[Problem]:
    low, high = span
    if not math.isfinite(value):
        yield Problem(path, str(value), "a finite number")
    elif not low <= value <= high:
        yield Problem(path, f"{value:.6g} {unit}".strip(), f"a number from {low:g} to {high:g} {unit}".strip())


def _inconsistent(value: object, start: str) -> Iterator[Problem]:
    """Impossible combinations of values in one table."""
    if isinstance(value, Room):
        for name in ("length_m", "width_m", "height_m"):
            length_m = getattr(value, name)
            if not _ROOM[0] <= length_m <= _ROOM[1]:
                yield Problem(f"{start}{name}", f"{length_m:g} m", "a room from 0.5 to 100 m")
    elif isinstance(value, Channel):
        if (value.move_from_m is None) != (value.move_to_m is None):
            name = "move_from_m" if value.move_from_m is None else "move_to_m"
            yield Problem(f"{start}{name}", "nothing", "both corners, move_from_m and move_to_m, or neither")
        if value.aim_m is not None and value.aim_m == value.position_m:
            yield Problem(f"{start}aim_m", "the loudspeaker's own position", "a point in front of it")
    elif isinstance(value, Processor):
        yield from _range_problems(value.trim_db, f"{start}trim_db")
        yield from _range_problems(value.delay, f"{start}delay")
    elif isinstance(value, Sweep):
        if not 0 < value.start_hz < value.stop_hz:
            yield Problem(f"{start}start_hz", f"{value.start_hz:g} Hz", f"above 0 and below {value.stop_hz:g} Hz")
        if value.duration_s * value.rate_hz > _MOST_SWEEP_FRAMES:
            found = f"{value.duration_s:g} s at {value.rate_hz} Hz"
            yield Problem(f"{start}duration_s", found, f"at most {_MOST_SWEEP_FRAMES / 1e6:.0f} million samples")
    else:
        yield from _filter_problems(value, start)


def _filter_problems(value: object, start: str) -> Iterator[Problem]:
    """Impossible values of filters, their ranges and the target."""
    if isinstance(value, FilterRanges):
        yield from _range_problems(value.frequency_hz, f"{start}frequency_hz")
        yield from _range_problems(value.gain_db, f"{start}gain_db")
        yield from _range_problems(value.widths, f"{start}widths")
        for name in ("frequency_hz", "widths"):
            if not getattr(value, name).min > 0:
                yield Problem(f"{start}{name}.min", f"{getattr(value, name).min:g}", "a number above zero")
    elif isinstance(value, Filter):
        if not 1 <= value.frequency_hz < 20_000:
            yield Problem(f"{start}frequency_hz", f"{value.frequency_hz:g} Hz", "1 to 20000 Hz")
    elif isinstance(value, CrossoverFilter):
        slopes_db = CROSSOVER_SLOPES_DB[value.type]
        if value.slope_db_per_octave not in slopes_db:
            expected = f"a multiple of {slopes_db.step} up to {slopes_db[-1]} for a {value.type.title()} filter"
            yield Problem(f"{start}slope_db_per_octave", f"{value.slope_db_per_octave}", expected)
    elif isinstance(value, Target):
        rising = [hz for hz, _ in value.points]
        if any(not 0 < a < b for a, b in pairwise((0.001, *rising))):
            yield Problem(f"{start}points", f"{rising}", "pairs of Hz and dB, frequencies above zero and rising")


def _range_problems(span: TrimRange | DelayRange | Steps, path: str) -> Iterator[Problem]:
    if span.step <= 0:
        yield Problem(f"{path}.step", str(span.step), "a step above zero")
    elif not span.min < span.max:
        yield Problem(path, "a range whose min is not below its max", "min below max")
    elif (span.max - span.min) / span.step > 1e6:
        yield Problem(f"{path}.step", f"{span.step:g}", "at most a million steps from min to max")


def system_problems(system: System) -> Iterator[Problem]:
    """Impossible combinations in a system: a duplicate label, two reference seats."""
    for name, items in (
        ("channel", system.channels),
        ("seat", system.seats),
        ("obstacle", system.obstacles),
    ):
        seen: set[str] = set()
        for index, item in enumerate(items):
            label = item.id  # type: ignore[attr-defined]
            if not label.strip():
                yield Problem(f"{name}[{index}].id", "nothing", "a short label")
            if label in seen:
                yield Problem(f"{name}[{index}].id", f"“{label[:40]}” a second time", "each label once")
            seen.add(label)
    references = [seat.id for seat in system.seats if seat.reference]
    if len(references) > 1:
        yield Problem("seat", f"{' and '.join(references)} as reference", "one reference seat")


def table_problem(table: object) -> Problem | None:
    """The first impossible value of one table of a job definition: a room, a channel, a reading."""
    if isinstance(table, ReadingEntered):
        return problem_of(table)
    return next(_numbers(table, ""), None)


def counts(body: EventBody) -> str | None:
    """Why an entry of a log is not used; None if it is.

    Earlier versions took any number: one that cannot be is left out and named, so that a slip of the finger does not
    keep the whole job from being opened.
    """
    if isinstance(body, ReadingEntered | SettingEntered) and (problem := problem_of(body)) is not None:
        return f"found {problem.found}, expected {problem.expected}"
    return None


def long_text(value: object, path: str) -> Problem | None:
    """The first text that is too long for its field; `path` leads to the value."""
    if isinstance(value, str):
        most = _LONGEST_BY_NAME.get(path.rsplit(".", 1)[-1], LONGEST_TEXT)
        if len(value) <= most:
            return None
        return Problem(path, f"{len(value):,} characters", f"at most {most:,}")
    if is_dataclass(value) and not isinstance(value, type):
        parts = ((f"{path}.{field.name}", getattr(value, field.name)) for field in fields(value))
    elif isinstance(value, tuple | list):
        parts = ((f"{path}[{index}]", item) for index, item in enumerate(value))
    else:
        return None
    return next((found for name, part in parts if (found := long_text(part, name)) is not None), None)
