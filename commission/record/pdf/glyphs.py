"""Replaces letters that the fonts of a PDF cannot draw: PDF/A allows no missing glyph."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Callable, Iterator
from typing import Any

from commission.model import CommissionError
from commission.model.units import clean_text
from commission.record.document import (
    Block,
    Bullets,
    Document,
    Facts,
    Figure,
    Paragraph,
    Photo,
    PrintedTable,
    Section,
    Signatures,
)

FONTS = ("Libertinus Serif", "New Computer Modern", "DejaVu Sans Mono")
"""Fonts of the `typst` package, in the order of use."""
KNOWN = frozenset(map(chr, range(0x20, 0x7F))) | frozenset("°±²³µ·×÷–—‘’“”…„‚€≤≥≈−→←√∞Δσ✓✗äöüÄÖÜßéèêáàóçñøåÅØ§")
"""Letters known to exist; a document without others needs no trial."""
_CANNOT = re.compile(r'the text `?"((?:[^"\\]|\\.)*)"`? could not be displayed')
_SELECTORS = re.compile("[\ufe00-\ufe0f]")

Text = Callable[[str], str]


def drawable(typst: Any, document: Document) -> tuple[Text, bool]:
    """A function that makes text drawable, and whether this computer's fonts are needed for it."""
    joined = "\n".join(_texts(document))
    if set(joined) - {"\n"} <= KNOWN:
        return str, False
    strange = sorted(set(normal(joined)) - KNOWN)
    if not strange:
        return normal, False
    missing = _missing(typst, strange, system_fonts=False)
    system = False
    if any(unicodedata.category(c)[0] in "LMN" for c in missing):
        with_system = _missing(typst, sorted(missing), system_fonts=True)
        system = with_system != missing
        missing = with_system
    if not missing:
        return normal, system
    table = {ord(c): _described(c) for c in missing}
    return (lambda text: normal(text).translate(table)), system


def other_fonts_matter(typst: Any, document: Document) -> bool:
    """Whether the package's own fonts lack any of the letters: another computer may set them differently."""
    strange = sorted(set(normal("\n".join(_texts(document)))) - KNOWN - {"\n"})
    return bool(strange) and any(
        unicodedata.category(c)[0] in "LMN" for c in _missing(typst, strange, system_fonts=False)
    )


def normal(text: str) -> str:
    """Text to be set: no control characters, composed letters, no variation selectors."""
    if text.isascii() and text.isprintable():
        return text
    composed = unicodedata.normalize("NFC", clean_text(text))
    return _SELECTORS.sub("", composed)


def _described(char: str) -> str:
    """A symbol by its Unicode name, a letter by its number."""
    if unicodedata.category(char)[0] == "S":
        return f"[{unicodedata.name(char, f'U+{ord(char):04X}').lower()}]"
    return f"[U+{ord(char):04X}]"


def _missing(typst: Any, chars: list[str], *, system_fonts: bool) -> set[str]:
    """Which of these letters the fonts cannot draw, as reported by the typesetter.

    Raises CommissionError if it reports anything else.
    """
    source = (
        b'#set document(title: "letters", date: datetime(year: 2000, month: 1, day: 1))\n'
        b'#set text(lang: "en", font: json(bytes(sys.inputs.fonts)))\n'
        b"#for c in json(bytes(sys.inputs.letters)) [#c \\\n]"
    )
    inputs = {"letters": json.dumps(chars), "fonts": json.dumps(FONTS)}
    own = not system_fonts
    try:
        typst.compile(source, format="pdf", sys_inputs=inputs, pdf_standards=["a-3b"], ignore_system_fonts=own)
    except typst.TypstError as error:
        sentence = {c for text in _CANNOT.findall(str(error.diagnostic)) for c in _unquoted(text)} & set(chars)
        if not sentence:
            raise CommissionError(f"The PDF's fonts could not be tried: {clean_text(str(error.message))}.") from error
        return sentence
    return set()


def _unquoted(text: str) -> str:
    """The letters of a string as printed by the typesetter."""
    text = re.sub(r"\\u\{([0-9a-fA-F]+)\}", lambda found: chr(int(found[1], 16)), text)
    return re.sub(r"\\(.)", r"\1", text)


def _texts(document: Document) -> Iterator[str]:
    """Every text to be set."""

    def within(section: Section) -> Iterator[str]:
        yield section.title
        for block in section.blocks:
            yield from _block_texts(block)
        for each in section.sections:
            yield from within(each)

    letterhead = document.letterhead
    yield from (document.title, document.subtitle, document.date_text)
    yield from (document.how_to_check, letterhead.name, *letterhead.lines)
    for attachment in document.attachments:
        yield from (attachment.name, attachment.description)
    for section in document.sections:
        yield from within(section)


def _block_texts(block: Block) -> Iterator[str]:
    match block:
        case Paragraph():
            yield block.text
        case Bullets():
            yield from block.items
        case Facts():
            yield from (text for pair in block.pairs for text in pair)
        case PrintedTable():
            yield from (block.title, block.remark)
            yield from (text for heading in block.headings for text in (heading.title, heading.unit))
            yield from (text for row in block.rows for text in row)
        case Figure():
            yield from (block.title, block.caption, block.alt, block.svg)
        case Photo():
            yield from (block.caption, block.alt)
        case Signatures():
            yield from (text for place in block.places for text in (place.role, place.name, place.date))
