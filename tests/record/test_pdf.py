"""PDF records checked against the standards with independent programs: pikepdf (qpdf), pypdf, pdftotext.

test_pdf_validated.py checks whole records with an open validator, and test_pdf_structure.py their tags. Here the most
important clauses are checked one by one with older and better known programs. ISO 19005-3:2012 (PDF/A-3), ISO 14289-1:2014
(PDF/UA-1) and ISO 32000-1:2008 are cited from memory.
"""

from __future__ import annotations

import io
import re
import shutil
import subprocess

import pikepdf
import pypdf
import pytest
from record_samples import DIGEST, HOSTILE, grid, hostile, ordinary, png

from commission.model import CommissionError
from commission.model.units import clean_text
from commission.record.document import (
    Bullets,
    Document,
    Heading,
    Letterhead,
    Paragraph,
    Photo,
    PrintedTable,
    Section,
    tone_of,
    with_units,
)
from commission.record.drawing.svg import width_em
from commission.record.pdf import glyphs as letters
from commission.record.pdf import render as pdf
from commission.record.pdf.columns import SIZES_PT, fit_columns


@pytest.fixture(scope="module", params=[ordinary, hostile], ids=["ordinary", "hostile"])
def made(request: pytest.FixtureRequest) -> tuple[Document, bytes]:
    document = request.param()
    return document, pdf.render_pdf(document)


def pages(raw: bytes) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(raw)).pages]


def test_the_file_meets_the_archive_and_accessibility_standards(made: tuple[Document, bytes]) -> None:
    """ISO 19005-3: 6.6.2 metadata and identification, 6.2.3 output intent or device-independent colour, 6.1.3 no
    encryption, 6.2.11.4 fonts embedded; ISO 14289-1: 5 identification, 7.1 marked and titled, 7.2 language."""
    document, raw = made
    with pikepdf.open(io.BytesIO(raw)) as file:
        assert not file.is_encrypted
        with file.open_metadata() as meta:
            assert (meta["pdfaid:part"], meta["pdfaid:conformance"]) == ("3", "A")
            assert meta["pdfuaid:part"] == "1"
            assert clean_text(document.title)[:30] in meta["dc:title"]
        root = file.Root
        assert root.MarkInfo.Marked is True or bool(root.MarkInfo.Marked)
        assert "/StructTreeRoot" in root
        assert str(root.Lang).startswith("en")
        assert bool(root.ViewerPreferences.DisplayDocTitle)
        assert root.OutputIntents[0].S == "/GTS_PDFA1"
        assert "/JavaScript" not in root.get("/Names", {})
        assert "/OpenAction" not in root or not isinstance(root.OpenAction, pikepdf.Dictionary)
        for page in file.pages:
            for font in page.resources.get("/Font", {}).values():
                inner = font.DescendantFonts[0] if "/DescendantFonts" in font else font
                assert any(f"/FontFile{n}" in inner.FontDescriptor for n in ("", "2", "3"))
                assert "/ToUnicode" in font


def test_attachments_are_unchanged(made: tuple[Document, bytes]) -> None:
    """ISO 19005-3 6.8: each embedded file is an associated file with relationship, type and description."""
    document, raw = made
    with pikepdf.open(io.BytesIO(raw)) as file:
        assert len(file.Root.AF) == len(document.attachments)
        for attachment in document.attachments:
            spec = file.attachments[attachment.name]
            assert spec.get_file().read_bytes() == attachment.data
            assert spec.get_file().mime_type == attachment.media_type
            assert str(spec.relationship) in ("/Data", "/Supplement")
    found = pypdf.PdfReader(io.BytesIO(raw)).attachments
    assert {name: parts[0] for name, parts in found.items()} == {a.name: a.data for a in document.attachments}


def test_every_page_carries_job_date_digest_and_number(made: tuple[Document, bytes]) -> None:
    document, raw = made
    found = pages(raw)
    for number, text in enumerate(found, start=1):
        assert DIGEST in text.replace("\n", "")
        assert f"Page {number} of {len(found)}" in text
        assert clean_text(document.subtitle)[:12] in text
        assert clean_text(document.date_text)[:9] in text


def test_numbers_are_printed_to_the_digit() -> None:
    document = ordinary(sections=(Section(id="t", title="T", blocks=(grid(13, 60), grid(4, 3))),))
    raw = pdf.render_pdf(document)
    texts = [" ".join(pages(raw))]
    if shutil.which("pdftotext"):  # poppler as a second reader, where it is installed
        done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=raw, capture_output=True, check=True)
        texts.append(done.stdout.decode())
    for text in texts:
        numbers = re.findall(r"−\d+\.\d+", text)
        expected = [f"−{r}.{i}" for n, rows in ((13, 60), (4, 3)) for r in range(rows) for i in range(1, n)]
        assert sorted(numbers) == sorted(expected)


def test_table_headers_are_repeated_on_every_page() -> None:
    raw = pdf.render_pdf(ordinary(sections=(Section(id="t", title="T", blocks=(grid(5, 150),)),)))
    found = pages(raw)
    assert len(found) >= 3
    assert all("Value" in text for text in found if "FL " in text)


def test_hostile_text_stays_text() -> None:
    text = re.sub(r"\s+", "", " ".join(pages(pdf.render_pdf(hostile()))))
    for sentence in (HOSTILE[0], HOSTILE[1], HOSTILE[6]):
        assert re.sub(r"\s+", "", sentence) in text
    assert "W" * 20 in text
    assert "[grinningface]" in text
    assert "root:" not in text
    assert not any(c in text for c in "\x07\x1b\x00\u202e")


def test_letters_missing_from_all_fonts_are_described() -> None:
    """Symbols by their names in the Unicode Character Database."""
    plain = ordinary(sections=(Section(id="s", title="Жук Ω ŵ", blocks=(Paragraph(text="אולם"),)),))
    assert "Жук Ω ŵ" in " ".join(pages(pdf.render_pdf(plain)))
    document = ordinary(
        sections=(
            Section(
                id="s",
                title="Letters",
                blocks=(Paragraph(text="smile \U0001f600 and G clef \U0001d11e; Å é ß ✓ ✗ Ω ж stay"),),
            ),
        )
    )
    text = " ".join(pages(pdf.render_pdf(document)))
    assert "smile [grinning face]" in text
    assert "[musical symbol g clef]" in text
    assert "Å é ß ✓ ✗ Ω ж stay" in text


def test_common_letters_are_drawn() -> None:
    import typst

    assert letters._missing(typst, sorted(letters.KNOWN), system_fonts=False) == set()
    assert letters._missing(typst, ["映", "A", "\U0001f600"], system_fonts=False) == {"映", "\U0001f600"}


def test_the_same_document_gives_the_same_bytes_with_its_own_date() -> None:
    document = ordinary()
    raw = pdf.render_pdf(document)
    assert pdf.render_pdf(document) == raw
    when = pypdf.PdfReader(io.BytesIO(raw)).metadata
    assert when is not None
    assert when.creation_date is not None
    assert when.creation_date.isoformat() == "2026-03-14T16:20:05+00:00"


@pytest.mark.parametrize("paper,size", [("a4", (595.28, 841.89)), ("us-letter", (612.0, 792.0))])
def test_paper_sizes_follow_the_standards(paper: str, size: tuple[float, float]) -> None:
    """ISO 216: A4 is 210 by 297 mm; ANSI A is 8.5 by 11 in."""
    page = pypdf.PdfReader(io.BytesIO(pdf.render_pdf(ordinary(paper=paper)))).pages[0]
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(size, abs=0.1)


def test_png_and_jpeg_logos_are_drawn() -> None:
    from PIL import Image

    jpeg = io.BytesIO()
    Image.linear_gradient("L").save(jpeg, "JPEG")
    for data, kind in ((png(), "image/png"), (jpeg.getvalue(), "image/jpeg")):
        head = Letterhead(name="Quill", logo=data, logo_media_type=kind)  # type: ignore[arg-type]
        assert pdf.render_pdf(ordinary(letterhead=head)).startswith(b"%PDF-1.7")


def test_units_are_written_alike_in_all_column_headings() -> None:
    table = PrintedTable(
        id="t",
        title="T",
        rows=(("FL", "3.51", "3.51", "x"),),
        headings=(
            Heading(title="Channel"),
            Heading(title="Distance [m], as found", numeric=True),
            Heading(title="Enter [ft]", numeric=True),
            Heading(title="Seats [any]"),
        ),
    )
    titles = [(h.title, h.unit) for h in with_units(table).headings]
    assert titles == [("Channel", ""), ("Distance, as found", "m"), ("Enter", "ft"), ("Seats [any]", "")]


def test_a_count_of_verdicts_has_the_colour_of_the_worst_one() -> None:
    assert [
        tone_of(text) for text in ("✓ pass", "✓ 9 ✗ 2", "✗ 1 ? 4", "✓ 9  ? 4", "– 3", "– not tested", "✓ bass −10")
    ] == ["good", "bad", "bad", "open", "none", "none", "good"]
    assert tone_of("9 ✗ 2") == tone_of("✓x") == tone_of("") == ""


def test_the_owners_page_fits_one_sheet_in_smaller_type_if_necessary() -> None:
    def summary(lines: int) -> Document:
        items = tuple(f"Seat {i}: better. Loudness within 3.9 dB (was 6.2)." for i in range(lines))
        first = Section(id="summary", title="In plain words", blocks=(Bullets(items=items),))
        return ordinary(sections=(first, Section(id="trade", title="For the trade", new_page=True)))

    def sheets(lines: int) -> int:
        return next(i for i, text in enumerate(pages(pdf.render_pdf(summary(lines)))) if "For the trade" in text)

    assert sheets(20) == sheets(56) == 1  # of 10 pt and of smaller type
    assert sheets(80) > 1  # but never of type too small to be read with ease


def test_a_heading_stays_with_its_content() -> None:
    """Wherever the page ends, heading, sentence and the following table or section start on one page."""
    for filled in range(30, 52, 6):
        filler = Paragraph(text=" \u2028".join(["a line that fills the page"] * filled))
        inner = Section(id="round", title="Inner heading", blocks=(Paragraph(text="State."), grid(4, 12)))
        step = Section(
            id="step", title="Outer heading", blocks=(Paragraph(text="Question?", kind="note"),), sections=(inner,)
        )
        found = pages(
            pdf.render_pdf(ordinary(sections=(Section(id="f", title="Filler", blocks=(filler,), sections=(step,)),)))
        )
        (where,) = [text for text in found if "Outer heading" in text]
        assert all(
            printed in where for printed in ("Question?", "Inner heading", "State.", "Trims and delays", "FL 11")
        )


def test_a_split_table_has_rows_on_its_first_page() -> None:
    for filled in range(36, 52, 4):
        filler = Paragraph(text=" \u2028".join(["a line that fills the page"] * filled))
        found = pages(
            pdf.render_pdf(ordinary(sections=(Section(id="f", title="Filler", blocks=(filler, grid(4, 40))),)))
        )
        first = next(text for text in found if "Trims and delays" in text)
        assert all(f"FL {i}" in first for i in range(3))


def test_cells_break_between_values_and_not_within_them() -> None:
    kept = "\u00a0"
    assert (
        pdf.bound("within ±0.10 ms; within ±2.00 ms", 9.0) == f"within{kept}±0.10{kept}ms; within{kept}±2.00{kept}ms"
    )
    assert pdf.bound("at least −10.0 dB", 6.0) == f"at least −10.0{kept}dB"
    assert pdf.bound("300.0 to 380.0 m/s", 9.0) == f"300.0 to 380.0{kept}m/\u2060s"
    assert pdf.bound("10 cm left; common practice", 8.0) == f"10{kept}cm{kept}left; common practice"
    assert pdf.bound("no number at all", 4.0) == "no number at all"
    assert pdf.bound("5 dB", 9.0) == "5 dB"


def test_a_photograph_fills_its_half_of_the_page_or_its_height() -> None:
    """Wide and tall side by side: tops aligned, neither larger than its space (half of 493 pt; 62 mm)."""
    wide, tall = (
        Photo(id=n, data=png(w, h), media_type="image/png", caption=n, alt=n)
        for n, w, h in (("wide", 90, 30), ("tall", 30, 60))
    )
    raw = pdf.render_pdf(ordinary(sections=(Section(id="p", title="P", blocks=(wide, tall)),)))
    with pikepdf.open(io.BytesIO(raw)) as file:
        drawn, matrix, stack = [], pikepdf.Matrix(), []
        for each in pikepdf.parse_content_stream(file.pages[0]):
            operands, operator = each.operands, each.operator
            if str(operator) == "q":
                stack.append(matrix)
            elif str(operator) == "Q":
                matrix = stack.pop()
            elif str(operator) == "cm":
                matrix = pikepdf.Matrix(operands) @ matrix
            elif str(operator) == "Do":
                drawn.append(matrix)
    (w, h), (w2, h2) = ((abs(m.a), abs(m.d)) for m in drawn)
    assert w == pytest.approx((493.28 - 14) / 2, abs=1)
    assert h == pytest.approx(w / 3, rel=0.01)
    assert h2 == pytest.approx(62 * 72 / 25.4, abs=1)
    assert w2 == pytest.approx(h2 / 2, rel=0.01)
    assert drawn[0].f + h == pytest.approx(drawn[1].f + h2, abs=1)


def test_a_minimal_document_has_no_empty_parts() -> None:
    raw = pdf.render_pdf(ordinary(letterhead=Letterhead(), sections=(), attachments=(), subtitle=""))
    assert len(pages(raw)) == 1


def test_without_a_typesetter_the_message_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(CommissionError, match=r"Windows on ARM.*HTML instead"):
        pdf.render_pdf(ordinary())


def test_columns_keep_words_and_numbers_whole() -> None:
    text_pt, side_pt = 493.0, 740.0
    for columns in range(2, 26):
        table = grid(columns, 4)
        fitted = fit_columns(table, text_pt, side_pt)
        assert sum(fitted.shares) <= 1.0 + 1e-9
        assert fitted.size_pt in SIZES_PT
        width = side_pt if fitted.landscape else text_pt
        for share, heading in zip(fitted.shares, table.headings, strict=True):
            for word in heading.title.split():
                assert width_em(word) * fitted.size_pt < share * width
    # A row's name stays on one line where there is room, however long the other headings are.
    heads = (
        Heading(title="Channel"),
        *(Heading(title=f"Distance, as {r}", unit="m", numeric=True) for r in ("found", "left") * 3),
    )
    table = PrintedTable(id="t", title="T", headings=heads, rows=(("TpFL (Top front left)", *("10.50",) * 6),))
    fitted = fit_columns(table, text_pt, side_pt)
    assert width_em(table.rows[0][0]) * 1.09 * fitted.size_pt < fitted.shares[0] * text_pt
    # A change such as "+0.2 → −0.5" is never split.
    changes = PrintedTable(
        id="t", title="T", headings=tuple(Heading(title=f"A{i}") for i in range(8)), rows=(("+0.2 → −0.5",) * 8,)
    )
    fitted = fit_columns(changes, text_pt, side_pt)
    assert all(width_em("+0.2 → −0.5") * fitted.size_pt < share * text_pt for share in fitted.shares)
    assert not fit_columns(grid(13, 4), text_pt, side_pt).landscape
    assert fit_columns(grid(40, 4), text_pt, side_pt).landscape
