"""Renders the record as PDF/A-3a and PDF/UA-1, typeset by Typst from `record.typ`.

All text goes in as JSON through `sys_inputs` and is never part of the markup; pictures and attachments are in a folder
that is gone when the file is made. Only the fonts inside the `typst` package are used, so that a record made again
elsewhere has the same bytes. A letter that they cannot draw would spoil PDF/A: then this computer's fonts are asked, and
what no font has is written as its name or number in brackets.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import re
import tempfile
import unicodedata
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any, cast

from commission.model import CommissionError
from commission.model.units import clean_text
from commission.record.document import (
    Attachment,
    Block,
    Bullets,
    Document,
    Facts,
    Figure,
    Letterhead,
    Paragraph,
    Photo,
    PrintedTable,
    Section,
    Signatures,
    tone_of,
    with_units,
)
from commission.record.drawing.svg import shortened, width_em
from commission.record.pdf.columns import Columns, fit_columns
from commission.record.pdf.glyphs import FONTS, Text, drawable

STANDARDS = ("a-3a", "ua-1")
PAGES_PT = {"a4": (595.28, 841.89), "us-letter": (612.0, 792.0)}
MARGIN_PT, FOOT_PT = 51.0, 6.0
TITLE_EM, HEADING_EM, TEXT_EM, TERM_EM, SIGNATURE_EM, HALF_EM = 21.0, 29.0, 42.0, 13.5, 18.0, 20.0
"""Widths of one line of the title, a heading, running text, the name of a fact, a signature, a caption in half a page."""
BESIDE_EM, FIRM_EM = 12.0, 17.5
"""Widths of a line of the title beside a letterhead, and of the letterhead."""
LONG_TITLE = 120
"""A title with more letters is set below the letterhead."""
TOGETHER_PT = 290.0
"""A table of at most about this height is not split between pages."""
SHORT = 1500
"""A part of at most this many letters, all sentences, is not split either."""
HEADER_TITLE_EM, HEADER_DATE_EM = 38.0, 16.0
BREAK, KEPT, JOINED = "\u200b", "\u00a0", "\u2060"
"""Zero-width space (allows a break), no-break space, word joiner (forbids a break)."""
_UNIT = re.compile(r"(?<=\d) (?=(?:dB²?|k?Hz|m?s|c?m|m/s|°C|°F|%|K|ft|in)(?![\w/]))")
_CELL = re.compile(
    rb"(\n\d+ 0 obj\n<</Type/StructElem/S/T)D(/P \d+ 0 R/A\[<</O/Table)(/Headers\[\(U\d+x(\d+)y0\)\])(?=>>)"
)
_HTML_INSTEAD = "Write the record as HTML instead (-o record.html): it holds the same."


def render_pdf(document: Document) -> bytes:
    """The whole file; the same document gives the same bytes with the same version of Typst.

    Raises CommissionError if the typesetter is not available or fails.
    """
    typst = _typst()
    draw, system_fonts = drawable(typst, document)
    with tempfile.TemporaryDirectory(prefix="record-") as folder:
        root = Path(folder)
        data = json.dumps(_document(document, draw, root), ensure_ascii=False)
        return _rows_named(_compile(typst, _template(), {"document": data}, root, system_fonts))


def _typst() -> Any:
    try:
        import typst
    except ImportError as error:
        raise CommissionError(
            "A PDF needs the package “typst”, which is not made for every computer (there is none for Windows on ARM) "
            f"and is missing here. {_HTML_INSTEAD}"
        ) from error
    return typst


def _rows_named(raw: bytes) -> bytes:
    """Make the first cell of every row its header, so that a screen reader announces the channel of a figure.

    The typesetter makes headers of whole rows alone. Its tags are plain text: each is written over at equal length, so
    that nothing else in the file moves. What a cell belongs to then follows from the scopes (ISO 32000-1, 14.8.5.7).
    """

    def of_row(found: re.Match[bytes]) -> bytes:
        letter, scope = (b"H", b"/Scope/Row") if found[4] == b"0" else (b"D", b"")
        return found[1] + letter + found[2] + scope.ljust(len(found[3]))

    return _CELL.sub(of_row, raw)


def _template() -> bytes:
    return files("commission.record.pdf").joinpath("record.typ").read_bytes()


def _compile(typst: Any, source: bytes, inputs: dict[str, str], root: Path | None, system_fonts: bool) -> bytes:
    try:
        return cast(
            bytes,
            typst.compile(
                source,
                format="pdf",
                root=None if root is None else str(root),
                sys_inputs=inputs,
                pdf_standards=list(STANDARDS),
                ignore_system_fonts=not system_fonts,
            ),
        )
    except typst.TypstError as error:
        raise CommissionError(
            f"The PDF could not be typeset: {clean_text(str(error.message))}. {_HTML_INSTEAD}"
        ) from error


# --- the document as plain values -----------------------------------------------------------------------------------


def breakable(text: str, room_em: float = TEXT_EM) -> str:
    """The text with places to break in words that are wider than their line."""
    if len(text) <= room_em:  # no letter is wider than 1 em
        return text
    return " ".join(_split(word, room_em) for word in text.split(" "))


def _split(word: str, room_em: float) -> str:
    if len(word) <= room_em or width_em(word) <= room_em:
        return word
    parts, width = [""], 0.0
    for char in word:
        wide = width_em(char)
        # A combining mark stays with its letter.
        if width + wide > room_em and parts[-1] and not unicodedata.combining(char):
            parts.append("")
            width = 0.0
        parts[-1] += char
        width += wide
    return BREAK.join(parts)


def _document(document: Document, draw: Text, root: Path) -> dict[str, Any]:
    made = dt.datetime.fromisoformat(document.created_at.replace("Z", "+00:00")).astimezone(dt.UTC)
    width, height = PAGES_PT[document.paper]
    keep = _Files(root)

    def say(text: str) -> str:
        return breakable(draw(text))

    letterhead = document.letterhead
    beside = letterhead != Letterhead() and len(document.title) <= LONG_TITLE
    logo = None
    if letterhead.logo is not None and letterhead.logo_media_type is not None:
        logo = keep(letterhead.logo, letterhead.logo_media_type)
    return {
        "fonts": FONTS,
        "paper": document.paper,
        "margin": MARGIN_PT,
        "foot": FOOT_PT,
        "name": draw(document.name),
        "title": breakable(draw(document.title), BESIDE_EM if beside else TITLE_EM),
        "beside": beside,
        "header_title": shortened(draw(document.name), HEADER_TITLE_EM),
        "header_date": shortened(draw(document.date_text), HEADER_DATE_EM),
        "subtitle": say(document.subtitle),
        "date": [made.year, made.month, made.day, made.hour, made.minute, made.second],
        "date_text": say(document.date_text),
        "digest": document.digest,
        "how_to_check": say(document.how_to_check),
        "letterhead": {
            "name": breakable(draw(letterhead.name), FIRM_EM),
            "lines": [breakable(draw(line), FIRM_EM) for line in letterhead.lines],
            "logo": logo,
        },
        "sections": [
            _section(section, draw, keep, width - 2 * MARGIN_PT, height - 2 * MARGIN_PT)
            for section in document.sections
        ],
        "height": height - 2 * MARGIN_PT - FOOT_PT,
        "words": any(each.id.endswith("summary-words") for part in document.sections[:1] for each in part.sections),
        "attachments": [_attachment(each, say, keep) for each in document.attachments],
    }


class _Files:
    """Writes bytes where the typesetter can read them; returns the path."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._count = 0

    def __call__(self, data: bytes, media_type: str) -> dict[str, str]:
        self._count += 1
        name = f"{self._count}.bin"
        (self._root / name).write_bytes(data)
        kind = {"image/jpeg": "jpg", "image/png": "png", "image/svg+xml": "svg"}.get(media_type, "")
        return {"path": f"/{name}", "format": kind}


def _attachment(each: Attachment, say: Text, keep: _Files) -> dict[str, Any]:
    # ISO 19005-3: JSON is the data of the pages, everything else is supplementary.
    data = each.media_type == "application/json"
    return {
        "name": clean_text(each.name),
        "shown": say(each.name),
        "media_type": each.media_type,
        "description": say(each.description),
        "relationship": "data" if data else "supplement",
        "file": keep(each.data, each.media_type),
    }


def _section(
    section: Section, draw: Text, keep: _Files, width: float, side: float, inner: bool = False
) -> dict[str, Any]:
    blocks = [_block(block, draw, keep, width, side) for block in section.blocks]
    for block in blocks if inner else ():
        if block.get("kind") == "lead":
            block["kind"] = "summary"  # under a small heading it must not be larger than the heading
    return {
        "title": breakable(draw(section.title), HEADING_EM),
        "new_page": section.new_page,
        "blocks": blocks,
        "short": not section.sections and _short(section.blocks),
        "sections": [_section(each, draw, keep, width, side, True) for each in section.sections],
    }


def _short(blocks: Sequence[Block]) -> bool:
    """Whether a part is a few sentences, which stay on one page with their heading."""
    length = 0
    for block in blocks:
        if not isinstance(block, Paragraph | Bullets):
            return False
        length += sum(len(text) + 40 for text in ((block.text,) if isinstance(block, Paragraph) else block.items))
    return length < SHORT


def _block(block: Block, draw: Text, keep: _Files, width: float, side: float) -> dict[str, Any]:
    def say(text: str) -> str:
        return breakable(draw(text))

    match block:
        case Paragraph():
            return {"is": "paragraph", "kind": block.kind, "text": say(block.text)}
        case Bullets():
            return {"is": "bullets", "items": [say(item) for item in block.items]}
        case Facts():
            pairs = [[breakable(draw(a), TERM_EM), breakable(draw(b), TEXT_EM - TERM_EM)] for a, b in block.pairs]
            return {"is": "facts", "pairs": pairs}
        case PrintedTable():
            return _grid(block, draw, width, side)
        case Figure():
            room = TEXT_EM if block.wide else HALF_EM
            title, caption = (breakable(draw(text), room) for text in (block.title, block.caption))
            return {
                "is": "figure",
                "svg": draw(block.svg),
                "title": title,
                "caption": caption,
                "alt": draw(block.alt),
                "wide": block.wide,
            }
        case Photo():
            return {
                "is": "photo",
                "file": keep(block.data, block.media_type),
                "caption": breakable(draw(block.caption), HALF_EM),
                "alt": draw(block.alt),
            }
        case Signatures():

            def sign(text: str) -> str:
                return breakable(draw(text), SIGNATURE_EM)

            places = [{"role": sign(p.role), "name": sign(p.name), "date": sign(p.date)} for p in block.places]
            return {"is": "signatures", "places": places}


def bound(text: str, room_em: float) -> str:
    """A cell of several lines: numbers stay with their units, and text between semicolons stays whole if it fits."""
    if len(text) <= room_em:  # no letter is wider than 1 em
        return text
    parts = [
        part.replace(" ", KEPT) if any(map(str.isdecimal, part)) and width_em(part) + 0.3 <= room_em else part
        for part in text.split("; ")
    ]
    return _UNIT.sub(KEPT, "; ".join(parts if len(parts) > 1 else [text])).replace("m/s", f"m/{JOINED}s")


def _height_pt(grid: PrintedTable, columns: Columns) -> float:
    """Approximate height of a table: 0.44 em per letter, lines by the fullest cell of each row."""
    lines = sum(
        max((math.ceil(0.44 * len(text) / em) for text, em in zip(row, columns.room_em, strict=True)), default=1)
        for row in grid.rows
    )
    return columns.size_pt * (1.15 * (lines + 2) + 0.7 * (len(grid.rows) + 1))


def _grid(grid: PrintedTable, draw: Text, width: float, side: float) -> dict[str, Any]:
    grid = with_units(grid)
    columns = fit_columns(grid, width, side)
    room = columns.room_em
    return {
        "is": "grid",
        "title": breakable(draw(grid.title)),
        "remark": breakable(draw(grid.remark)),
        "heads": [
            {
                "title": breakable(draw(h.title), em),
                "unit": breakable(draw(h.unit).replace(" ", KEPT), em),
                "numeric": h.numeric,
            }
            for h, em in zip(grid.headings, room, strict=True)
        ],
        "rows": [
            [[breakable(bound(draw(text), em), em), tone_of(text)] for text, em in zip(row, room, strict=True)]
            for row in grid.rows
        ],
        "widths": [share * (side if columns.landscape else width) for share in columns.shares],
        "size": columns.size_pt,
        "landscape": columns.landscape,
        "together": _height_pt(grid, columns) <= TOGETHER_PT,
    }
