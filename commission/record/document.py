"""The content of a record as plain values: sections of blocks. HTML and PDF render nothing else.

All text is finished: numbers are rounded, units stand in headings, verdicts are words with their symbol. Strings are
data: whoever renders them escapes them. No string contains markup.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Literal

MARKS = {"✓": "good", "✗": "bad", "?": "open", "–": "none"}
"""The symbol of a verdict → the colour class of its cell; the word is always beside it."""
WORST = ("✗", "?")
_UNIT_IN_TITLE = re.compile(r"(.+) \[(m|ft|ms)\](.*)")
Paper = Literal["a4", "us-letter"]


def tone_of(cell: str) -> str:
    """Colour class of a cell: that of its verdict, or of the worst if it counts several; "" without a verdict."""
    if cell[:1] not in MARKS or cell[1:2] not in ("", " "):
        return ""
    # Only counts such as "✓ 9 ✗ 2" have more than one symbol.
    worst = next((mark for mark in WORST if mark in cell and not any(map(str.isalpha, cell))), cell[0])
    return MARKS[worst]


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Running text. "missing" says what was not done and why; "caution" warns of harm."""

    text: str
    kind: Literal["plain", "lead", "note", "missing", "caution"] = "plain"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list of sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Pairs of a name and a value."""

    pairs: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """The heading of a column; numbers align on the decimal sign, text at the left."""

    title: str
    unit: str = ""
    numeric: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PrintedTable:
    """A table of finished texts; every row has one text for each heading. The first column names the row."""

    id: str
    title: str
    headings: tuple[Heading, ...]
    rows: tuple[tuple[str, ...], ...]
    remark: str = ""


def with_units(grid: PrintedTable) -> PrintedTable:
    """The table with the units of its titles, "Distance [m], as found", moved to the unit of the heading."""
    headings = tuple(
        replace(each, title=found[1] + found[3], unit=found[2])
        if not each.unit and (found := _UNIT_IN_TITLE.fullmatch(each.title))
        else each
        for each in grid.headings
    )
    return replace(grid, headings=headings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A drawing: SVG 1.1 made by this program, with a description for people who cannot see it."""

    id: str
    title: str
    svg: str
    alt: str
    caption: str = ""
    wide: bool = True
    """Full width; otherwise two are set side by side if there is room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A photograph, already scaled down and without position data."""

    id: str
    data: bytes
    media_type: Literal["image/jpeg", "image/png"]
    caption: str
    alt: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SignaturePlace:
    """Space for a signature by hand; name and date are filled in if it was signed on the screen."""

    role: str
    name: str = ""
    date: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signatures:
    """Signature places, side by side."""

    places: tuple[SignaturePlace, ...]


Block = Paragraph | Bullets | Facts | PrintedTable | Figure | Photo | Signatures


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A titled part; sections inside are one level deeper."""

    id: str
    title: str
    blocks: tuple[Block, ...] = ()
    sections: tuple[Section, ...] = ()
    new_page: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Letterhead:
    """The firm that issues the record; every part is optional."""

    name: str = ""
    lines: tuple[str, ...] = ()
    logo: bytes | None = None
    logo_media_type: Literal["image/png", "image/jpeg"] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """A file that travels inside the record."""

    name: str
    media_type: str
    data: bytes
    description: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """The whole record."""

    title: str
    subtitle: str
    created_at: str
    """UTC, ISO 8601 with seconds: the only time in the record, so that it can be reproduced byte for byte."""
    date_text: str
    """The date as printed on every page."""
    digest: str
    """Digest of the last event in the log, 64 hex digits."""
    how_to_check: str
    paper: Paper = "a4"
    letterhead: Letterhead = Letterhead()
    sections: tuple[Section, ...] = ()
    attachments: tuple[Attachment, ...] = ()

    @property
    def name(self) -> str:
        """The running header: the job and the kind of document."""
        return " · ".join(part for part in (self.subtitle, self.title) if part)
