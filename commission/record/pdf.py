"""The record as PDF/A-3a and PDF/UA-1, typeset by Typst from `record.typ`.

All text goes in as JSON through `sys_inputs` and is never part of the markup; pictures and attachments lie in a folder
that is gone when the file is made. Only the fonts inside the `typst` package are used, so that a record made again
elsewhere has the same bytes. A letter that they cannot draw would spoil PDF/A: then this computer's fonts are asked,
and what no font has is written as its name or number in brackets.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import tempfile
import unicodedata
from importlib.resources import files
from pathlib import Path
from typing import Any, cast

from commission.model import CommissionError
from commission.model.units import clean_text
from commission.record.columns import fit_columns
from commission.record.document import (
    MARKS,
    Attachment,
    Block,
    Bullets,
    Document,
    Facts,
    Figure,
    Grid,
    Paragraph,
    Photo,
    Section,
    Signatures,
)
from commission.record.letters import FONTS, Text, drawable
from commission.record.svg import shortened, width_em

STANDARDS = ("a-3a", "ua-1")
PAGES_PT = {"a4": (595.28, 841.89), "us-letter": (612.0, 792.0)}
MARGIN_PT = 51.0
TITLE_EM, HEADING_EM, TEXT_EM, TERM_EM, SIGNATURE_EM, HALF_EM = 21.0, 29.0, 42.0, 14.4, 18.0, 20.0
"""What fits one line of the title, a heading, running text, the name of a fact, a signature, a caption in half a page."""
TOGETHER_ROWS, TOGETHER = 16, 1600
"""A table of no more rows and letters is not torn between pages."""
HEADER_TITLE_EM, HEADER_DATE_EM = 38.0, 16.0
BREAK = "\u200b"
_HTML_INSTEAD = "Write the record as HTML instead (-o record.html): it holds the same."


def render_pdf(document: Document) -> bytes:
    """The whole file; the same document gives the same bytes with the same version of Typst.

    Raises CommissionError where the typesetter is not available or refuses.
    """
    typst = _typst()
    draw, system_fonts = drawable(typst, document)
    with tempfile.TemporaryDirectory(prefix="record-") as folder:
        root = Path(folder)
        data = json.dumps(_document(document, draw, root), ensure_ascii=False)
        return _compile(typst, _template(), {"document": data}, root, system_fonts)


def _typst() -> Any:
    try:
        import typst
    except ImportError as error:
        raise CommissionError(
            "A PDF needs the package “typst”, which is not made for every computer (there is none for Windows on ARM) "
            f"and is missing here. {_HTML_INSTEAD}"
        ) from error
    return typst


def _template() -> bytes:
    return files("commission.record").joinpath("record.typ").read_bytes()


def _compile(typst: Any, source: bytes, inputs: dict[str, str], root: Path | None, system_fonts: bool) -> bytes:
    try:
        return cast(
            bytes,
            typst.compile(
                source, format="pdf", root=None if root is None else str(root), sys_inputs=inputs,
                pdf_standards=list(STANDARDS), ignore_system_fonts=not system_fonts,
            ),
        )  # fmt: skip
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
        # A mark over a letter stays with it.
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
    logo = None
    if letterhead.logo is not None and letterhead.logo_media_type is not None:
        logo = keep(letterhead.logo, letterhead.logo_media_type)
    return {
        "language": document.language.split("-")[0].lower(),
        "region": next((p.upper() for p in document.language.split("-")[1:] if len(p) == 2), None),
        "fonts": FONTS,
        "paper": document.paper,
        "margin": MARGIN_PT,
        "name": draw(document.name),
        "title": breakable(draw(document.title), TITLE_EM),
        "header_title": shortened(draw(document.name), HEADER_TITLE_EM),
        "header_date": shortened(draw(document.date_text), HEADER_DATE_EM),
        "subtitle": say(document.subtitle),
        "date": [made.year, made.month, made.day, made.hour, made.minute, made.second],
        "date_text": say(document.date_text),
        "digest": document.digest,
        "digest_label": shortened(draw(document.digest_label), HEADER_TITLE_EM),
        "page_label": re.split(r"(\{pages?\})", draw(document.page_label)),
        "how_to_check": say(document.how_to_check),
        "contents": say(document.labels.contents),
        "attached": say(document.labels.attached),
        "letterhead": {"name": say(letterhead.name), "lines": [say(line) for line in letterhead.lines], "logo": logo},
        "sections": [
            _section(section, draw, keep, width - 2 * MARGIN_PT, height - 2 * MARGIN_PT)
            for section in document.sections
        ],
        "attachments": [_attachment(each, say, keep) for each in document.attachments],
    }


class _Files:
    """Puts bytes where the typesetter can read them; gives the path."""

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
    # ISO 19005-3: JSON is the data that the pages show, all else goes beside it.
    data = each.media_type == "application/json"
    return {
        "name": clean_text(each.name), "shown": say(each.name), "media_type": each.media_type,
        "description": say(each.description), "relationship": "data" if data else "supplement",
        "file": keep(each.data, each.media_type),
    }  # fmt: skip


def _section(section: Section, draw: Text, keep: _Files, width: float, side: float) -> dict[str, Any]:
    return {
        "title": breakable(draw(section.title), HEADING_EM),
        "new_page": section.new_page,
        "blocks": [_block(block, draw, keep, width, side) for block in section.blocks],
        "sections": [_section(each, draw, keep, width, side) for each in section.sections],
    }


def _block(block: Block, draw: Text, keep: _Files, width: float, side: float) -> dict[str, Any]:
    def say(text: str) -> str:
        return breakable(draw(text))

    match block:
        case Paragraph():
            return {"is": "paragraph", "kind": block.kind, "text": say(block.text)}
        case Bullets():
            return {"is": "bullets", "items": [say(item) for item in block.items]}
        case Facts():
            pairs = [(breakable(draw(a), TERM_EM), breakable(draw(b), TEXT_EM - TERM_EM)) for a, b in block.pairs]
            return {"is": "facts", "pairs": [[a, b, width_em(a) > TERM_EM] for a, b in pairs]}
        case Grid():
            return _grid(block, draw, width, side)
        case Figure():
            room = TEXT_EM if block.wide else HALF_EM
            title, caption = (breakable(draw(text), room) for text in (block.title, block.caption))
            return {"is": "figure", "svg": draw(block.svg), "title": title, "caption": caption,
                    "alt": draw(block.alt), "wide": block.wide}  # fmt: skip
        case Photo():
            return {"is": "photo", "file": keep(block.data, block.media_type),
                    "caption": breakable(draw(block.caption), HALF_EM),
                    "alt": draw(block.alt)}  # fmt: skip
        case Signatures():

            def sign(text: str) -> str:
                return breakable(draw(text), SIGNATURE_EM)

            places = [{"role": sign(p.role), "name": sign(p.name), "date": sign(p.date)} for p in block.places]
            return {"is": "signatures", "places": places, "name": sign(block.name_label),
                    "date": sign(block.date_label), "sign": sign(block.sign_label)}  # fmt: skip


def tone(cell: str) -> str:
    """How a cell is coloured: by the symbol that its verdict begins with."""
    return MARKS.get(cell[:1], "") if cell[1:2] in ("", " ") else ""


def _grid(grid: Grid, draw: Text, width: float, side: float) -> dict[str, Any]:
    columns = fit_columns(grid, width, side)
    room = columns.room_em
    return {
        "is": "grid",
        "title": breakable(draw(grid.title)),
        "remark": breakable(draw(grid.remark)),
        "heads": [
            {"title": breakable(draw(h.title), em), "unit": breakable(draw(h.unit), em), "numeric": h.numeric}
            for h, em in zip(grid.headings, room, strict=True)
        ],
        "rows": [
            [[breakable(draw(text), em), tone(text)] for text, em in zip(row, room, strict=True)] for row in grid.rows
        ],
        "widths": [share * (side if columns.landscape else width) for share in columns.shares],
        "size": columns.size_pt,
        "landscape": columns.landscape,
        "together": len(grid.rows) <= TOGETHER_ROWS
        and sum(len(text) for row in grid.rows for text in row) <= TOGETHER,
    }
