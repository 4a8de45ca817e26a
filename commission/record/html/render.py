r"""The record as one HTML file: nothing is fetched, nothing runs, everything is escaped.

Accessibility follows WCAG 2.2 AA (contrast 4.5:1, headings in order, tables with scopes, drawings with words). The
first JSON attachment is in a data block `<script type="application/json" id="results">`, in which every "<" is
written `\u003c`: equal JSON, and no end tag or comment can begin in it. Other attachments are links to data.
"""

from __future__ import annotations

import re
from base64 import b64decode, b64encode
from collections.abc import Sequence
from html import unescape
from importlib.resources import files
from itertools import groupby
from urllib.parse import unquote_to_bytes

from commission.record.document import (
    Attachment,
    Block,
    Bullets,
    Document,
    Facts,
    Figure,
    Heading,
    Letterhead,
    Paragraph,
    Photo,
    PrintedTable,
    Section,
    SignaturePlace,
    Signatures,
    tone_of,
    with_units,
)
from commission.record.drawing.svg import text_of

RESULTS_ID = "results"
LONG_CELL, SHORT_CELL = 40, 18
"""A cell with more letters keeps some width on a narrow screen; a value with no more is not broken: the table scrolls."""
WHOLE_ROWS = 16
"""A table with no more rows is printed on one page."""
MANY_PARTS = 4
_JSON_BLOCK = f'<script type="application/json" id="{RESULTS_ID}">'
_LINK = re.compile(r'<a download="([^"]*)" href="data:([^;,"]*);base64,([^"]*)"')
_ESCAPED_LESS = re.compile(r"(?<!\\)((?:\\\\)*)\\u003c")


def render_html(document: Document) -> bytes:
    """The whole file, UTF-8; the same document gives the same bytes."""
    head = (
        f'<!DOCTYPE html>\n<html lang="en" dir="ltr">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
        'img-src data:">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{text_of(document.name)}</title>\n<style>\n{_style(document)}</style>\n</head>\n"
    )
    ids = _Ids()
    body = "".join(_section(section, (i,), ids) for i, section in enumerate(document.sections))
    text = (
        f'{head}<body>\n<a class="skip" href="#record">Skip to the record</a>\n'
        f'{_header(document)}{_contents(document, ids)}<main id="record">\n{body}</main>\n'
        f"{_footer(document)}{_data_block(document)}</body>\n</html>\n"
    )
    return text.encode("utf-8")


class _Ids:
    """Makes the ids of a page unique, whatever the document calls its parts."""

    def __init__(self) -> None:
        self._used = {"record", RESULTS_ID}
        self._sections: dict[tuple[int, ...], str] = {}

    def new(self, wanted: str) -> str:
        base = re.sub(r"[^A-Za-z0-9]+", "-", wanted).strip("-").lower() or "part"
        name, count = base, 1
        while name in self._used:
            count += 1
            name = f"{base}-{count}"
        self._used.add(name)
        return name

    def of(self, section: Section, place: tuple[int, ...]) -> str:
        """The id of the section at that place in the document, for its heading and the contents."""
        if place not in self._sections:
            self._sections[place] = self.new(section.id)
        return self._sections[place]


def _style(document: Document) -> str:
    """The shared style, and the page margins in print: job and date above, digest and page number below."""
    paper = "A4" if document.paper == "a4" else "letter"
    numbers = '"Page " counter(page) " of " counter(pages)'
    digest = _css_string(f"Log {document.digest}")
    margins = (
        f"@page{{size:{paper};margin:20mm 15mm 18mm;"
        f"@top-left{{content:{_css_string(document.name)};font:8pt system-ui,sans-serif}}"
        f"@top-right{{content:{_css_string(document.date_text)};font:8pt system-ui,sans-serif}}"
        f"@bottom-left{{content:{digest};font:6.5pt ui-monospace,monospace;width:75%}}"
        f"@bottom-right{{content:{numbers};font:8pt system-ui,sans-serif}}}}\n"
        f"@page wide{{size:{paper} landscape}}\n"
    )
    return files("commission.record.html").joinpath("record.css").read_text(encoding="utf-8") + margins


def _css_string(text: str) -> str:
    """A CSS string in which all characters except letters, digits and spaces are escaped."""
    return '"' + "".join(c if c.isascii() and (c.isalnum() or c == " ") else f"\\{ord(c):x} " for c in text) + '"'


def _header(document: Document) -> str:
    return (
        f"<header>\n{_letterhead(document.letterhead)}<h1>{text_of(document.title)}</h1>\n"
        f'<p class="subtitle">{text_of(document.subtitle)}</p>\n<p class="date">{text_of(document.date_text)}</p>\n'
        "</header>\n"
    )


def _letterhead(letterhead: Letterhead) -> str:
    logo = ""
    if letterhead.logo is not None and letterhead.logo_media_type is not None:
        # Embedded as an image, never inline: a script in a foreign drawing cannot run.
        logo = f'<img class="logo" src="{_data(letterhead.logo_media_type, letterhead.logo)}" alt="">'
    lines = "".join(f"<br>{text_of(line)}" for line in letterhead.lines)
    if not (logo or lines or letterhead.name):
        return ""
    return f'<div class="letterhead">{logo}<p><strong>{text_of(letterhead.name)}</strong>{lines}</p></div>\n'


def _data(media_type: str, data: bytes) -> str:
    return f"data:{media_type};base64,{b64encode(data).decode('ascii')}"


def _contents(document: Document, ids: _Ids) -> str:
    if len(document.sections) < 2:
        return ""
    items = "".join(_entry(section, (i,), ids) for i, section in enumerate(document.sections))
    return f'<nav aria-label="Contents"><p>Contents</p><ul>\n{items}</ul></nav>\n'


def _entry(section: Section, place: tuple[int, ...], ids: _Ids) -> str:
    """A line of the contents, with its parts if they are many, except those of page one."""
    link = f'<a href="#{ids.of(section, place)}">{text_of(section.title)}</a>'
    if len(place) > 1 or place == (0,) or len(section.sections) < MANY_PARTS:
        return f"<li>{link}</li>\n"
    inside = "".join(_entry(each, (*place, i), ids) for i, each in enumerate(section.sections))
    return f"<li>{link}<ul>\n{inside}</ul></li>\n"


def _section(section: Section, place: tuple[int, ...], ids: _Ids) -> str:
    level = len(place) + 1
    tag = f"h{min(level, 6)}"
    name = ids.of(section, place)
    css = ' class="new-page"' if section.new_page else ""
    named = (
        f' aria-labelledby="{name}"' if level == 2 else ""
    )  # a landmark for each section, but not for every small part
    parts = (_section(each, (*place, i), ids) for i, each in enumerate(section.sections))
    inside = _blocks(section.blocks, ids) + "".join(parts)
    return f'<section{css}{named}>\n<{tag} id="{name}">{text_of(section.title)}</{tag}>\n{inside}</section>\n'


def _stands_beside(block: Block) -> bool:
    return isinstance(block, Photo) or (isinstance(block, Figure) and not block.wide)


def _blocks(blocks: Sequence[Block], ids: _Ids) -> str:
    out = []
    for beside, run in groupby(blocks, key=_stands_beside):
        inside = "".join(_block(block, ids) for block in run)
        out.append(f'<div class="pair">\n{inside}</div>\n' if beside else inside)
    return "".join(out)


def _block(block: Block, ids: _Ids) -> str:
    match block:
        case Paragraph():
            return f'<p class="{block.kind}">{text_of(block.text)}</p>\n'
        case Bullets():
            return "<ul>\n" + "".join(f"<li>{text_of(item)}</li>\n" for item in block.items) + "</ul>\n"
        case Facts():
            pairs = "".join(f"<div><dt>{text_of(a)}</dt><dd>{text_of(b)}</dd></div>\n" for a, b in block.pairs)
            return f"<dl>\n{pairs}</dl>\n" if pairs else ""
        case PrintedTable():
            return _table(block, ids)
        case Figure():
            caption = f"<span>{text_of(block.caption)}</span>" if block.caption else ""
            # On a narrow screen it scrolls, also by keyboard, before its type becomes too small to read.
            broad = ' class="broad" tabindex="0"' if block.wide else ""
            return (
                f'<figure id="{ids.new(block.id)}"{broad}>\n{_drawing(block)}\n'
                f"<figcaption><strong>{text_of(block.title)}</strong> {caption}</figcaption></figure>\n"
            )
        case Photo():
            return (
                f'<figure id="{ids.new(block.id)}"><img src="{_data(block.media_type, block.data)}" '
                f'alt="{text_of(block.alt)}"><figcaption>{text_of(block.caption)}</figcaption></figure>\n'
            )
        case Signatures():
            return f'<div class="signatures">\n{"".join(_signature(p) for p in block.places)}</div>\n'


def _drawing(figure: Figure) -> str:
    """The drawing with its name and its description inside, whatever its source."""
    head, rest = figure.svg.split(">", 1)
    if 'role="img"' not in head:
        head += ' role="img"'
    rest = re.sub(r"^<title>.*?</title>", "", rest, flags=re.DOTALL)
    rest = re.sub(r"^<desc>.*?</desc>", "", rest, flags=re.DOTALL)
    return f"{head}><title>{text_of(figure.title)}</title><desc>{text_of(figure.alt)}</desc>{rest}"


def _table(grid: PrintedTable, ids: _Ids) -> str:
    grid, name = with_units(grid), ids.new(grid.id)
    columns = len(grid.headings)
    size = " wide" if columns >= 16 else " dense" if columns >= 12 else " tight" if columns >= 8 else ""
    size += " whole" if len(grid.rows) <= WHOLE_ROWS else ""
    heads = "".join(_head_cell(heading) for heading in grid.headings)
    rows = "".join(f"<tr>{_cells(row, grid.headings)}</tr>\n" for row in grid.rows)
    remark = f'<p class="remark">{text_of(grid.remark)}</p>\n' if grid.remark else ""
    return (
        f'<div class="table{size}" role="group" aria-labelledby="{name}" tabindex="0">\n<table>\n'
        f'<caption id="{name}">{text_of(grid.title)}</caption>\n<thead><tr>{heads}</tr></thead>\n'
        f"<tbody>\n{rows}</tbody>\n</table>\n</div>\n{remark}"
    )


def _head_cell(heading: Heading) -> str:
    unit = f" <small>{text_of(heading.unit)}</small>" if heading.unit else ""
    css = ' class="n"' if heading.numeric else ""
    if not heading.title and not heading.unit:
        return "<td></td>"
    return f'<th scope="col"{css}>{text_of(heading.title)}{unit}</th>'


def _cells(row: Sequence[str], headings: Sequence[Heading]) -> str:
    out = []
    for index, (text, heading) in enumerate(zip(row, headings, strict=True)):
        mark = tone_of(text)
        css = " ".join(filter(None, ("n" if heading.numeric else _kind(text, mark), mark)))
        tag, scope = ("th", ' scope="row"') if index == 0 and text.strip() else ("td", "")
        sentence = f' class="{css}"' if css else ""
        out.append(f"<{tag}{scope}{sentence}>{text_of(text)}</{tag}>")
    return "".join(out)


def _kind(text: str, mark: str) -> str:
    if len(text) > LONG_CELL:
        return "long"
    value = len(text) <= SHORT_CELL and any(map(str.isdecimal, text)) and "; " not in text
    return "k" if value and not mark else ""


def _signature(place: SignaturePlace) -> str:
    lines = (("Signature", ""), ("Name", place.name), ("Date", place.date))
    sentence = "".join(
        f'<p class="line"><span class="ink">{text_of(text) or "&nbsp;"}</span><span>{label}</span></p>'
        for label, text in lines
    )
    return f"<div><p><strong>{text_of(place.role)}</strong></p>{sentence}</div>\n"


def _footer(document: Document) -> str:
    block = _results(document)
    items = []
    for each in document.attachments:
        if each is block:
            name = f"{text_of(each.name)} (inside this file as text)"
        else:
            name = f'<a download="{text_of(each.name)}" href="{_data(each.media_type, each.data)}">{text_of(each.name)}</a>'
        items.append(f"<li>{name}: {text_of(each.description)}</li>\n")
    listed = f"<p>Attached files</p>\n<ul>\n{''.join(items)}</ul>\n" if items else ""
    return (
        f"<footer>\n<p>Log <code>{text_of(document.digest)}</code></p>\n"
        f"<p>{text_of(document.how_to_check)}</p>\n{listed}</footer>\n"
    )


def _results(document: Document) -> Attachment | None:
    return next((each for each in document.attachments if each.media_type == "application/json"), None)


def _data_block(document: Document) -> str:
    attachment = _results(document)
    if attachment is None:
        return ""
    text = attachment.data.decode("utf-8").replace("<", "\\u003c")
    return f'<script type="application/json" id="{RESULTS_ID}">{text}</script>\n'


def read_attachments(text: str) -> dict[str, bytes]:
    """The attachments of a page made here: the JSON block as "results.json", links under their names.

    Raises ValueError for a link that is not base64.
    """
    found: dict[str, bytes] = {}
    block, ended, _ = text.partition(_JSON_BLOCK)[2].partition("</script>")
    if ended:
        found["results.json"] = _ESCAPED_LESS.sub(r"\1<", block).encode("utf-8")
    for name, _, data in _LINK.findall(text):
        found[unescape(name)] = b64decode(unquote_to_bytes(data), validate=True)
    return found
