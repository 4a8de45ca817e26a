"""Determines the column widths and type size of a printed table: pure, from the texts alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from commission.record.document import MARKS, PrintedTable
from commission.record.drawing.svg import width_em

SIZES_PT = (9.5, 9.0, 8.5, 8.0, 7.5, 7.0, 6.5)
"""Type sizes, tried from the largest; smaller ones cannot be read."""
PADDING_EM = 1.22
"""Left and right padding of each cell together."""
BOLD = 1.09
"""Width of bold letters relative to regular ones; headings and first columns are bold."""
KEPT_WHOLE = 18
"""A number such as `11' 2 1/2"` or a verdict of at most this length stays on one line."""
SHORT = 9
"""A text as short as "U (k = 2)" or "0.55 dB" also stays on one line."""
LONGEST_EM = 14.0
"""A wider word may break if its column is narrower."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Shares of the text width (sum 1), type size, and whether the page must be landscape."""

    shares: tuple[float, ...]
    size_pt: float
    landscape: bool = False
    room_em: tuple[float, ...] = ()
    """Line width of each column; wider words get places to break."""


def fit_columns(grid: PrintedTable, text_pt: float, landscape_pt: float) -> Columns:
    """The largest type in which no word exceeds its column; portrait if at all possible."""
    words, *wishes = _needs(grid)
    for width, sideways in ((text_pt, False), (landscape_pt, True)):
        for size in SIZES_PT:
            if sum(words) * size <= width:
                return _shared(words, wishes, width, size, sideways)
    size = SIZES_PT[-1]
    # Nothing fits: words break, and each column gets its share.
    return _shared([w * landscape_pt / (sum(words) * size) for w in words], wishes, landscape_pt, size, True)


def _needs(grid: PrintedTable) -> tuple[list[float], ...]:
    """(widest word; that or a short heading; widest cell; that or any heading) of each column in em with padding.

    A very long word counts in part.
    """
    words, short, cells, whole = [], [], [], []
    for index, heading in enumerate(grid.headings):
        texts = [row[index] for row in grid.rows]
        parts = [word for text in (*texts, heading.title, heading.unit) for word in text.split()]
        parts += [
            text
            for text in texts
            if len(text) <= KEPT_WHOLE and (heading.numeric or text[:1] in MARKS or not any(map(str.isalpha, text)))
        ]
        head = f"{heading.title} {heading.unit}".strip()
        parts += [text for text in (heading.title, *texts) if len(text) <= SHORT]
        longest = max((width_em(word) for word in parts), default=0.0)
        lines = [line for text in texts for line in _lines(text)]
        words.append(min(longest, LONGEST_EM) * BOLD + PADDING_EM)
        titled = width_em(head) * BOLD + PADDING_EM
        short.append(max(words[-1], titled if len(head) <= SHORT else 0.0))
        cells.append(max(short[-1], max(map(width_em, lines), default=0.0) * BOLD + PADDING_EM))
        whole.append(max(cells[-1], titled))
    return words, short, cells, whole


def _lines(text: str) -> list[str]:
    """Texts that should each stay on one line: the text, or its parts if it is a few values such as "0.06 ms; 1.00 ms"."""
    parts = text.split("; ")
    return [f"{part};" for part in parts] if len(parts) > 1 and max(map(len, parts)) <= KEPT_WHOLE else [text]


def _shared(
    words: Sequence[float], wishes: Sequence[Sequence[float]], width: float, size: float, landscape: bool
) -> Columns:
    """Widths for each column's widest word, with the remaining space given to one wish after the other.

    A table that needs less than the full width stays narrow: the shares then sum to less than 1.
    """
    available = width / size
    columns = list(words)
    for wish in wishes:
        wanted = [max(0.0, w - c) for w, c in zip(wish, columns, strict=True)]
        columns = [c + x for c, x in zip(columns, _granted(wanted, available - sum(columns)), strict=True)]
    shares = tuple(c / available for c in columns)
    room = tuple(max(2.0, (c - PADDING_EM) / BOLD) for c in columns)
    return Columns(shares=shares, size_pt=size, landscape=landscape, room_em=room)


def _granted(wanted: Sequence[float], spare: float) -> list[float]:
    """The share of each wish: small ones are granted in full, the others in proportion."""
    given, left = list(wanted), max(0.0, spare)
    order = sorted(range(len(wanted)), key=wanted.__getitem__)
    for rank, i in enumerate(order):
        if wanted[i] * (len(order) - rank) > left:
            total = sum(wanted[j] for j in order[rank:])
            for j in order[rank:]:
                given[j] = wanted[j] * left / total
            break
        left -= wanted[i]
    return given
