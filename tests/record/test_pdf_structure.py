"""Properties that no validator checks: whether the tags of a PDF record give all of its content correctly and in order.

ISO 14289-1:2014 (PDF/UA-1) and ISO 32000-1:2008 are cited from memory. Each check must also reject a record broken on
purpose.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Callable, Iterator

import pdf_reading
import pikepdf
import pytest
from pdf_reading import SpokenPiece, elements, role
from record_samples import hostile, ordinary

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
from commission.record.pdf.render import render_pdf


@pytest.fixture(scope="module", params=[ordinary, hostile], ids=["ordinary", "hostile"])
def made(request: pytest.FixtureRequest) -> Iterator[tuple[Document, pikepdf.Pdf]]:
    document = request.param()
    with pikepdf.open(io.BytesIO(render_pdf(document))) as file:
        yield document, file


@pytest.fixture(scope="module")
def plain() -> bytes:
    return render_pdf(ordinary())


def bare(text: str) -> str:
    """The text without spaces and hyphens that depend on line breaks."""
    return re.sub(r"[\s\u00ad\u200b‐-]", "", text)


def pieces(document: Document) -> Iterator[tuple[str, str]]:
    """(kind of element, words) in the order in which a document of plain letters should be read aloud."""
    yield "Title", document.title
    yield from (("P", text) for text in (document.subtitle, document.date_text) if text)
    yield from (("P", text) for text in (document.letterhead.name, *document.letterhead.lines) if text)
    for section in document.sections:
        yield from of_section(section, 1)
    yield "P", document.how_to_check
    yield "P", "Attached files"
    yield from (("LBody", f"{each.name}: {each.description}") for each in document.attachments)


def of_section(section: Section, level: int) -> Iterator[tuple[str, str]]:
    yield f"H{level}", section.title
    for block in section.blocks:
        yield from of_block(block)
    for part in section.sections:
        yield from of_section(part, level + 1)


def of_block(block: Block) -> Iterator[tuple[str, str]]:
    match block:
        case Paragraph():
            yield "P", block.text
        case Bullets():
            yield from (("LBody", item) for item in block.items)
        case Facts():
            for name, value in block.pairs:
                yield from (("Lbl", name), ("LBody", value))
        case PrintedTable():
            yield "Caption", block.title
            yield from (("TH", head.title + head.unit) for head in block.headings)
            yield from (("TD" if i else "TH", cell) for row in block.rows for i, cell in enumerate(row))
            if block.remark:
                yield "P", block.remark
        case Figure():
            yield "Caption", block.title + block.caption
            yield "Figure", block.alt
        case Photo():
            yield from (("Caption", block.caption), ("Figure", block.alt))
        case Signatures():
            for place in block.places:
                yield "P", place.role
                for label, words in (("Signature", ""), ("Name", place.name), ("Date", place.date)):
                    yield from (("P", text) for text in (words, label) if text)


def test_everything_is_read_aloud_in_the_order_of_the_document() -> None:
    document = ordinary()
    with pikepdf.open(io.BytesIO(render_pdf(document))) as file:
        reported = [(each.role, bare(each.text)) for each in pdf_reading.heard(file)]
    assert reported == [(kind, bare(text)) for kind, text in pieces(document)]


def test_tags_and_content_refer_to_each_other(made: tuple[Document, pikepdf.Pdf]) -> None:
    assert pdf_reading.numbering_faults(made[1]) == []


def test_every_cell_has_a_column_and_a_row_header(made: tuple[Document, pikepdf.Pdf]) -> None:
    assert pdf_reading.table_faults(made[1]) == []


def test_the_reading_order_follows_the_layout(made: tuple[Document, pikepdf.Pdf]) -> None:
    assert pdf_reading.order_faults(made[1]) == []


def test_every_piece_is_inside_a_block(made: tuple[Document, pikepdf.Pdf]) -> None:
    """Two pieces of text that are tagged as mere spans of the page are heard as one: “… cinema14 March”."""
    assert [each.text for each in pdf_reading.heard(made[1]) if each.role == "Span"] == []


def test_bookmarks_are_the_headings(made: tuple[Document, pikepdf.Pdf]) -> None:
    """ISO 14289-1, 7.4.2: the first heading is of level 1, and none is skipped on the way down; 7.17: navigation."""
    document, file = made

    def titles(sections: tuple[Section, ...], level: int) -> Iterator[tuple[int, str]]:
        for section in sections:
            yield level, section.title
            yield from titles(section.sections, level + 1)

    reported = [
        (int(each.role[1]), bare(each.text)) for each in pdf_reading.heard(file) if re.fullmatch("H[1-6]", each.role)
    ]
    marked = [(level, bare(title)) for level, title in pdf_reading.bookmarks(file)]
    assert (
        [level for level, _ in marked]
        == [level for level, _ in reported]
        == [n for n, _ in titles(document.sections, 1)]
    )
    if document.title == ordinary().title:  # hostile letters are described, and right to left is shown left to right
        assert marked == reported == [(level, bare(title)) for level, title in titles(document.sections, 1)]


def test_every_figure_has_a_caption_and_alternative_text(made: tuple[Document, pikepdf.Pdf]) -> None:
    """ISO 14289-1, 7.3: alternative text; a logo is no figure but decoration."""
    reported = pdf_reading.heard(made[1])
    figures = [i for i, each in enumerate(reported) if each.role == "Figure"]
    assert len(figures) == sum(
        1 for section in _all(made[0].sections) for b in section.blocks if isinstance(b, Figure | Photo)
    )
    assert all(reported[i].text.strip() and reported[i - 1].role == "Caption" for i in figures)


def _all(sections: tuple[Section, ...]) -> Iterator[Section]:
    for section in sections:
        yield section
        yield from _all(section.sections)


def test_language_title_and_dates_agree_everywhere() -> None:
    with pikepdf.open(io.BytesIO(render_pdf(ordinary()))) as file:
        assert str(file.Root.Lang) == "en"
        assert {str(e.Lang) for e in elements(file.Root.StructTreeRoot.K) if "/Lang" in e} <= {"en"}
        assert bool(file.Root.ViewerPreferences.DisplayDocTitle)
        with file.open_metadata() as meta:
            assert {str(each) for each in meta["dc:language"]} == {"en"}
            assert meta["dc:title"] == str(file.docinfo["/Title"])
            assert meta["dc:title"] == ordinary().name
            assert meta["xmp:CreateDate"] == meta["xmp:ModifyDate"] == "2026-03-14T16:20:05Z"
            assert str(file.docinfo["/CreationDate"]) == str(file.docinfo["/ModDate"]) == "D:20260314162005Z"


def test_attachments_are_described_in_full(made: tuple[Document, pikepdf.Pdf]) -> None:
    """ISO 19005-3, 6.8 and annex E: both names, description, type, relationship; size and checksum where they are given."""
    document, file = made
    assert [str(spec.UF) for spec in file.Root.AF] == [each.name for each in document.attachments]
    for spec, attachment in zip(file.Root.AF, document.attachments, strict=True):
        stream = spec.EF.F
        assert str(spec.F) == str(spec.UF) == attachment.name
        assert str(spec.Desc).strip()
        assert str(stream.Subtype) == f"/{attachment.media_type}"
        assert str(spec.AFRelationship) == ("/Data" if attachment.media_type == "application/json" else "/Supplement")
        assert stream.read_bytes() == attachment.data
        assert int(stream.Params.Size) == len(attachment.data)
        if "/CheckSum" in stream.Params:
            assert bytes(stream.Params.CheckSum) == hashlib.md5(attachment.data).digest()


# --- the checks above detect what they are for
# ------------------------------------------------------------------------------


def rolled(file: pikepdf.Pdf, old: str, new: str) -> None:
    for element in elements(file.Root.StructTreeRoot.K):
        if role(element) == old:
            element.S = pikepdf.Name(f"/{new}")


def without(name: str, of: str) -> Callable[[pikepdf.Pdf], None]:
    def change(file: pikepdf.Pdf) -> None:
        for element in elements(file.Root.StructTreeRoot.K):
            if role(element) == of:
                del element[name]

    return change


def first_after_last(file: pikepdf.Pdf) -> None:
    parts = next(e for e in elements(file.Root.StructTreeRoot.K) if role(e) == "Document").K
    first, last = parts[0], parts[len(parts) - 1]
    parts[0], parts[len(parts) - 1] = last, first


def a_cell_short(file: pikepdf.Pdf) -> None:
    row = next(e for e in elements(file.Root.StructTreeRoot.K) if role(e) == "TR" and role(e.K[1]) == "TD")
    del row.K[len(row.K) - 1]


def content_as_decoration(file: pikepdf.Pdf) -> None:
    page = file.pages[0]
    page.Contents = file.make_stream(re.sub(rb"/\w+<</MCID \d+>>BDC", b"/Artifact BMC", page.Contents.read_bytes()))


def no_way_back(file: pikepdf.Pdf) -> None:
    del file.Root.StructTreeRoot["/ParentTree"]


@pytest.mark.parametrize(
    ("breaks", "sees"),
    [
        (without("/A", "TH"), pdf_reading.table_faults),
        (lambda file: rolled(file, "TH", "TD"), pdf_reading.table_faults),
        (a_cell_short, pdf_reading.table_faults),
        (first_after_last, pdf_reading.order_faults),
        (content_as_decoration, pdf_reading.numbering_faults),
        (no_way_back, pdf_reading.numbering_faults),
    ],
    ids=["scope", "headers", "cell", "order", "decoration", "way-back"],
)
def test_a_broken_record_is_detected(
    plain: bytes, breaks: Callable[[pikepdf.Pdf], None], sees: Callable[[pikepdf.Pdf], list[str]]
) -> None:
    with pikepdf.open(io.BytesIO(plain)) as file:
        assert sees(file) == []
        breaks(file)
        assert sees(file) != []


def test_two_blocks_in_one_element_are_detected(plain: bytes) -> None:
    with pikepdf.open(io.BytesIO(plain)) as file:
        before = pdf_reading.heard(file)
        rolled(file, "P", "Span")
        after = pdf_reading.heard(file)
    assert [each.text for each in before] == [each.text for each in after]
    assert not any(each.role == "Span" for each in before)
    assert any(isinstance(each, SpokenPiece) and each.role == "Span" for each in after)
