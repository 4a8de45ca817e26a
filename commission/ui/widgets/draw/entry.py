"""Draws the entry table in characters, and interprets typed text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from rich.cells import cell_len

from commission.model import InputError, Prompt
from commission.model.formatting import number
from commission.model.quantities import DECIMALS, quantity
from commission.model.units import (
    Units,
    clean_text,
    parse_length_m,
    parse_number,
    parse_temperature_c,
    without_unit,
)
from commission.ui.widgets.draw.canvas import Line, Run, fit, wrap

STARTS = "0123456789.,-−+"
"""Characters that begin an entry; any other key is a command of the screen."""


@dataclass(frozen=True, slots=True)
class EntryRow:
    """One prompt with its readings so far (in the prompt's unit), oldest first."""

    prompt: Prompt
    values: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Typing:
    """The text being typed in the selected row, and the sentence beside it."""

    text: str = ""
    problem: str = ""
    asking: bool = False
    """The sentence is a question: a second Enter stores the value, Escape goes back to it."""


def entry_value(prompt: Prompt, text: str, units: Units = "metric") -> float:
    """The number in the prompt's unit, which may follow it; raises InputError with a sentence for the technician.

    A length without a unit is in the job's `units`.
    """
    where = row_name(prompt) + (f" {prompt.quantity}" if prompt.quantity else "")
    if prompt.unit == "m":
        low = prompt.expected[0] if prompt.expected else 0.0
        return parse_length_m(text, where, signed=low < 0, units=units)
    if prompt.unit == "°C":
        return parse_temperature_c(text, where)
    return parse_number(without_unit(text, prompt.unit), where)


def echo(prompt: Prompt, text: str, units: Units) -> str:
    """A typed length or temperature as understood, with its unit; empty if it is not valid yet."""
    if prompt.unit not in ("m", "°C"):
        return ""
    try:
        return f"= {quantity(entry_value(prompt, text, units), prompt.unit, units)}"
    except InputError:
        return ""


def outside(prompt: Prompt, value: float) -> bool:
    """Whether a value needs confirmation before storing."""
    return prompt.expected is not None and not prompt.expected[0] <= value <= prompt.expected[1]


def impossible(prompt: Prompt, value: float) -> str:
    """Why a value is refused that is farther outside the expected range than the range is wide; else empty."""
    if prompt.expected is None:
        return ""
    low, high = prompt.expected
    if low - (high - low) <= value <= high + (high - low):
        return ""
    text = f"{value:g}" if abs(value) < 1e6 else f"{value:.0e}"
    return f"{text} {prompt.unit} cannot be right here. Is a decimal sign missing, or is it another unit?"


def question(prompt: Prompt, value: float, units: Units) -> str:
    """The question before an unusual value is stored."""
    low, high = prompt.expected or (0.0, 0.0)
    span = f"{quantity(low, prompt.unit, units)} to {quantity(high, prompt.unit, units)}"
    text = quantity(value, prompt.unit, units)
    return f"{text} is outside the usual {span}."


def row_name(prompt: Prompt) -> str:
    """Channel and seat of a prompt, else its quantity."""
    place = " ".join(part for part in (prompt.channel, prompt.seat) if part)
    return place or prompt.quantity


def draw_entry(
    rows: Sequence[EntryRow], cursor: int, typing: Typing, width: int, units: Units = "metric", focused: bool = True
) -> list[Line]:
    """Heading, one line for each row, and below it the sentence of the selected row."""
    if not rows:
        return []  # the line above gives the reason
    columns = _columns(rows, units, width)
    heads = [fit(title, size, align) for title, size, align in columns]
    lines: list[Line] = [(("  " + " ".join(heads), "dim"),)]
    for index, row in enumerate(rows):
        chosen = index == cursor and focused
        lines.append(_row_line(row, columns, typing if index == cursor else Typing(), chosen, width, units))
        if index == cursor and typing.problem:
            style = "warn" if typing.asking else "fail"
            lead = "? " if typing.asking else "✗ "
            sentence = wrap(typing.problem, max(width - 4, 10))
            lines += [((("  " + (lead if i == 0 else "  ") + text), style),) for i, text in enumerate(sentence)]
    hint = "Type a number, Enter stores it and goes down. x takes the last one back."
    if any(row.prompt.given is not None and not row.values for row in rows):
        hint += " Distances given or calculated from positions apply until you read them."
    if typing.text:
        hint = "Enter stores it, Backspace corrects it, Escape discards it."
    if typing.asking:
        hint = "Enter stores it as it is, Escape goes back to the number."
    return [*lines, ((" ", ""),), *(((f"  {text}", "dim"),) for text in wrap(hint, max(width - 2, 10)))]


def row_of_line(rows: int, cursor: int, problem_lines: int, y: int) -> int:
    """The row at a painted line, for the mouse."""
    index = y - 1
    return index if index <= cursor else max(index - problem_lines, cursor) if index < rows + problem_lines else -1


Columns = list[tuple[str, int, str]]


def _columns(rows: Sequence[EntryRow], units: str, width: int) -> Columns:
    several = len({row.prompt.quantity for row in rows}) > 1
    seats = len({row.prompt.seat for row in rows}) > 1
    one_unit = {row.prompt.unit for row in rows}
    shown_unit = ""
    if len(one_unit) == 1:
        unit = next(iter(one_unit))
        shown_unit = {"m": "ft in", "°C": "°F"}.get(unit, unit) if units == "imperial" else unit
    read = {(value, row.prompt.unit) for row in rows for value in row.values}  # the same numbers recur often
    widest = [quantity(value, unit, units) for value, unit in read]
    widest += [quantity(r.prompt.given[0], r.prompt.unit, units) for r in rows if r.prompt.given is not None]
    value = max([cell_len(text) for text in widest] + [10])
    name = max([cell_len(clean_text(r.prompt.channel or r.prompt.quantity)) for r in rows] + [7])
    columns: Columns = [("Channel" if any(r.prompt.channel for r in rows) else "Reading", name, "left")]
    if seats:
        columns.append(("Seat", max([cell_len(clean_text(r.prompt.seat or "")) for r in rows] + [4]), "left"))
    if several and any(r.prompt.channel for r in rows):
        columns.append(("What", max([cell_len(clean_text(r.prompt.quantity)) for r in rows] + [4]), "left"))
    columns.append((f"Last {shown_unit}".strip(), value, "right"))
    columns += [("n", 3, "right"), ("Mean", 8, "right"), ("Spread", 7, "right")]
    while sum(size + 1 for _, size, _ in columns) + 2 > width and len(columns) > 3:
        columns.pop()
    return columns


def _row_line(row: EntryRow, columns: Columns, typing: Typing, chosen: bool, width: int, units: Units) -> Line:
    prompt, values = row.prompt, row.values
    behind = " selected" if chosen else ""
    line: list[Run] = [("▸ " if chosen else "  ", "accent" + behind)]
    used = 2
    for title, size, align in columns:
        style, text = "", ""
        if title in ("Channel", "Reading"):
            style, text = "mark", prompt.channel or prompt.quantity
        elif title == "Seat":
            text = prompt.seat or ""
        elif title == "What":
            text = prompt.quantity
        elif title.startswith("Last"):
            if chosen and typing.text:
                typed = typing.text + "▏"
                typed = typed if cell_len(typed) <= size else "…" + typed[1 - size :]  # the end is being typed
                line.append((fit(typed, size, "right"), "edit"))
                meaning = echo(prompt, typing.text, units)
                if meaning:  # replaces the columns to the right
                    line.append((fit(f" {meaning}", max(width - used - size, 0)), "main" + behind))
                    return tuple(line)
                line.append((" ", behind.strip()))
                used += size + 1
                continue
            style, text = _last(row, title, units)
        elif title == "n":
            style, text = "dim", str(len(values)) if values else ""
        elif not values and prompt.given is not None:
            style, text = "dim", prompt.given[1] if title == "Mean" else ""
        elif len(values) > 1:
            style = "dim"
            text = _figure(fmean(values) if title == "Mean" else max(values) - min(values), prompt.unit, units)
        line.append((fit(text, size, align), style + behind))
        line.append((" ", behind.strip()))
        used += size + 1
    line.append((" " * max(width - used, 0), behind.strip()))
    return tuple(line)


def _last(row: EntryRow, title: str, units: str) -> tuple[str, str]:
    given = row.prompt.given
    if not row.values and given is None:
        return "faint", "····"
    style, value = ("", row.values[-1]) if row.values or given is None else ("dim", given[0])
    if title == "Last":  # rows of different units show theirs
        return style, quantity(value, row.prompt.unit, units)
    return style, _figure(value, row.prompt.unit, units)


def _figure(value: float, unit: str, units: str) -> str:
    """The number without its unit, which is in the heading."""
    if units == "imperial" and unit in ("m", "°C"):
        return quantity(value, unit, units).removesuffix(" °F")
    return number(value, DECIMALS.get(unit, 2))
