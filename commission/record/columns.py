"""How wide the columns of a printed table are, and how small its type must be: pure, from the texts alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from commission.record.document import MARKS, Grid
from commission.record.svg import width_em

SIZES_PT = (9.5, 9.0, 8.5, 8.0, 7.5, 7.0, 6.5)
"""Tried from the largest; below the last nobody reads."""
PADDING_EM = 1.22
"""Left and right of each cell together."""
BOLD = 1.09
"""How much wider bold letters are: headings and first columns are set in them."""
KEPT_WHOLE = 18
"""A number such as `11' 2 1/2"` or a verdict, no longer than this, stays on one line."""
SHORT = 9
"""Nor is any text as short as "U (k = 2)" or "0.55 dB" torn."""
LONGEST_EM = 14.0
"""A word wider than this may break where its column is narrower."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Shares of the text width (sum 1), size of the type, whether the page must lie on its side."""

    shares: tuple[float, ...]
    size_pt: float
    landscape: bool = False
    room_em: tuple[float, ...] = ()
    """What fits each column in one line; wider words get places to break."""


def fit_columns(grid: Grid, text_pt: float, landscape_pt: float) -> Columns:
    """The largest type in which no word leaves its column; upright if at all possible."""
    words, whole = _needs(grid)
    for width, sideways in ((text_pt, False), (landscape_pt, True)):
        for size in SIZES_PT:
            if sum(words) * size <= width:
                return _shared(words, whole, width, size, sideways)
    size = SIZES_PT[-1]
    # Nothing fits: words break, each column getting its part.
    return _shared([w * landscape_pt / (sum(words) * size) for w in words], whole, landscape_pt, size, True)


def _needs(grid: Grid) -> tuple[list[float], list[float]]:
    """For each column the widest word and the widest cell, em with padding; a very long word counts in part."""
    words, whole = [], []
    for index, heading in enumerate(grid.headings):
        texts = [row[index] for row in grid.rows]
        parts = [word for text in (*texts, heading.title, heading.unit) for word in text.split()]
        parts += [text for text in texts if len(text) <= KEPT_WHOLE and (heading.numeric or text[:1] in MARKS)]
        parts += [text for text in (heading.title, *texts) if len(text) <= SHORT]
        longest = max((width_em(word) for word in parts), default=0.0)
        titles = width_em(f"{heading.title} {heading.unit}".strip())
        words.append(min(longest, LONGEST_EM) * BOLD + PADDING_EM)
        whole.append(max([titles, *(width_em(text) for text in texts)], default=0.0) * BOLD + PADDING_EM)
    return words, [max(w, c) for w, c in zip(words, whole, strict=True)]


def _shared(words: Sequence[float], whole: Sequence[float], width: float, size: float, landscape: bool) -> Columns:
    """Each column its widest word, and of what is left as much as its widest cell asks for.

    A table that needs less than the width stays narrow: the shares then sum to less than 1.
    """
    available = width / size
    spare = available - sum(words)
    wanted = [c - w for w, c in zip(words, whole, strict=True)]
    total = sum(wanted)
    part = min(1.0, max(0.0, spare) / total) if total > 0 else 0.0
    columns = [w + part * x for w, x in zip(words, wanted, strict=True)]
    shares = tuple(c / available for c in columns)
    room = tuple(max(2.0, (c - PADDING_EM) / BOLD) for c in columns)
    return Columns(shares=shares, size_pt=size, landscape=landscape, room_em=room)
