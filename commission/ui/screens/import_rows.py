"""Formats rows of an import as text."""

from __future__ import annotations

from collections.abc import Sequence

from commission.model import ImportRow
from commission.model.units import clean_text
from commission.ui.text import round_name
from commission.ui.widgets.draw.canvas import Line, fit

_NAME, _CHANNEL, _SEAT, _ROUND, _KIND = 24, 8, 6, 10, 9
HEADING = (
    fit("   File", _NAME + 3)
    + fit("Channel", _CHANNEL)
    + fit("Seat", _SEAT)
    + fit("Round", _ROUND)
    + fit("Kind", _KIND)
    + "State"
)


def counts(rows: Sequence[ImportRow]) -> str:
    """The number of rows with and without problems."""
    numbers = (
        (sum(row.ready for row in rows), "in order"),
        (sum(row.problem is not None and not row.skip for row in rows), "with a problem"),
        (sum(row.duplicate_of is not None for row in rows), "stored already"),
        (sum(row.skip and not row.is_stimulus for row in rows), "left out"),
        (sum(row.is_stimulus for row in rows), "played"),
    )
    text = ", ".join(f"{count} {what}" for index, (count, what) in enumerate(numbers) if count or index == 0)
    return text + (". w stores what is in order." if numbers[0][0] else ".")


def alike(rows: Sequence[ImportRow], row: ImportRow, what: str) -> tuple[ImportRow, ...]:
    """The rows with the same value in a column (round, kind …)."""
    return tuple(each for each in rows if getattr(each, what) == getattr(row, what))


def explained(row: ImportRow) -> str:
    """The problem or kind of a row, then the source of its place and its kind."""
    if row.is_stimulus:
        return clean_text(f"{row.path.name}: {row.kind_reason}")
    stored = f"stored already as event {row.duplicate_of}" if row.duplicate_of is not None else ""
    name = clean_text(row.path.name)
    sentence = clean_text("left out" if row.skip else row.problem or stored or row.warning or "in order")
    text = sentence if sentence.startswith(name) else f"{name}: {sentence}"
    return f"{text}{'' if text.endswith('.') else '.'} {clean_text(row.reasons)}." if row.reasons else text


def row_line(row: ImportRow, width: int) -> Line:
    """File, place, and its problem in short."""
    mark: tuple[str, str]
    if row.is_stimulus:
        mark = ("– played", "dim")
    elif row.skip:
        mark = ("– left out", "dim")
    elif row.duplicate_of is not None:
        mark = (f"– stored as {row.duplicate_of}", "dim")
    elif row.problem is not None:
        mark = ("✗ " + _short(row), "fail")
    else:
        mark = ("? " + row.warning if row.warning else "✓ in order", "unsure" if row.warning else "pass")
    name = clean_text(row.path.name) + (f" [{row.file_channel + 1}]" if row.file_channel else "")
    places = (
        (row.state if row.kind == "noise" else row.channel, _CHANNEL),
        (row.seat, _SEAT),
        (row.round and round_name(row.round), _ROUND),
        (row.kind, _KIND),
    )
    return (
        (fit(f" {name}", _NAME + 1) + " ", ""),
        ("".join(fit(text or "?", cells - 1) + " " for text, cells in places), "second"),
        (fit(mark[0], max(width - (_NAME + 3 + sum(cells for _, cells in places)), 12)), mark[1]),
    )


def _short(row: ImportRow) -> str:
    """A problem without the file's name, which is in its row already."""
    return (row.problem or "").removeprefix(clean_text(row.path.name) + ": ").removeprefix("found ")
