"""PDF records under an independent validator of PDF/A-3a (ISO 19005-3:2012) and PDF/UA-1 (ISO 14289-1:2014).

`page-validation` shares no code with the program that sets the pages and its authors test it with the open test files of
veraPDF and Isartor. A validator that accepts everything proves nothing, so it must also reject records broken on purpose.
What it does not check (order, correct words, headers and rows, tags without content) is tested in test_pdf_structure.py.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import page
import pikepdf
import pytest
from builders import cinema, levels
from decoded_here import decode_here
from jobs import CREATED_AT
from pdf_reading import elements, role
from pikepdf import Array, Dictionary, Name, Pdf, String
from record_samples import hostile, ordinary, png
from solved_services import SolvedServices
from test_content import ODD

from commission.cli.local_services import LocalServices
from commission.job import photos
from commission.record.document import Document, Letterhead
from commission.record.export import record_document, render
from commission.record.pdf.render import render_pdf
from commission.visit import Visit

STANDARDS = ("3a", "ua1")
SAMPLE_TOML = Path(__file__).resolve().parents[2] / "sample_measurements" / "harbour-lane.toml"


def failed(raw: bytes, profile: str) -> list[str]:
    """The rules that a file breaks, each with the validator's message."""
    report = page.validate_pdf_bytes(raw, profile=profile)
    assert report.rules.total > 100  # the validator has run
    assert report.is_compliant == (not report.failures)
    return [f"{each.rule_id}: {each.message}" for each in report.failures if not _ends_in_a_return(raw, each)]


def _ends_in_a_return(raw: bytes, failure: page.ValidationFailure) -> bool:
    """Version 0.11 mistakes a carriage return at the end of a stream for part of the line ending after it."""
    if not failure.rule_id.endswith("STREAM-LENGTH-001"):
        return False
    # It does not always name the stream: then each must end where its length says, and one with a carriage return.
    number = rb"\d+" if failure.object_id is None else b"%d" % failure.object_id.object_number
    pattern = rb"\n%s 0 obj\s*<<[^>]*?/Length (\d+)\b(?! \d+ R).*?>>\s*?stream\r?\n" % number
    ends = [found.end() + int(found[1]) for found in re.finditer(pattern, raw, re.DOTALL)]
    whole = all(re.match(rb"\r?\n?endstream", raw[end : end + 12]) for end in ends)
    return whole and any(raw[end - 1 :].startswith(b"\r\nendstream") for end in ends)


def pdf_of(visit: Visit, **options: object) -> bytes:
    options = {"paper": "a4", "letterhead": None} | options
    return render(record_document(visit, created_at=CREATED_AT, **options), ".pdf")  # type: ignore[arg-type]


def transparent_logo() -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.linear_gradient("L").convert("RGBA").resize((60, 30)).save(out, "PNG")
    picture = Image.open(out)
    picture.putalpha(Image.linear_gradient("L").resize((60, 30)))
    out = io.BytesIO()
    picture.save(out, "PNG")
    return out.getvalue()


def headed() -> Document:
    """A letterhead with long lines and a transparent logo."""
    head = Letterhead(
        name="Federkiel " * 8, lines=("Kaistraße am Alten Hafen " * 4,) * 8, logo=png(), logo_media_type="image/png"
    )
    return ordinary(letterhead=head)


@pytest.mark.parametrize("document", [ordinary, hostile, headed])
def test_documents_with_every_kind_of_block_are_valid(document: Callable[[], Document]) -> None:
    raw = render_pdf(document())
    for profile in STANDARDS:
        assert failed(raw, profile) == []


@pytest.mark.parametrize("odd", [name for name in ODD if "twenty" not in name])
def test_records_of_odd_jobs_are_valid(odd: str) -> None:
    """All but the largest, whose kinds of blocks also occur in the sample and the documents above."""
    raw = pdf_of(ODD[odd]())
    for profile in STANDARDS:
        assert failed(raw, profile) == []


@pytest.fixture(scope="module")
def services(sample: Path) -> LocalServices:
    return SolvedServices(sample.parent / "state")


def test_the_sample_on_letter_paper_with_letterhead_is_valid(services: LocalServices, sample: Path) -> None:
    visit = services.open(sample, read_only=True)
    head = Letterhead(
        name="Federkiel & Töchter",
        lines=("Seestraße 1", "post@example.org"),
        logo=transparent_logo(),
        logo_media_type="image/png",
    )
    raw = pdf_of(visit, paper="us-letter", letterhead=head)
    visit.close()
    for profile in STANDARDS:
        assert failed(raw, profile) == []


def test_photographs_of_every_kind_are_valid(
    services: LocalServices, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from PIL import Image

    decode_here(monkeypatch, photos)
    visit = services.create(tmp_path / "loft", cinema(["FL"], ["A2"]))
    for i, mode in enumerate(("RGB", "L", "CMYK", "RGBA", "P", "1")):
        picture = tmp_path / f"{mode}.{'jpg' if i < 3 else 'png'}"
        Image.linear_gradient("L").convert("RGB").convert(mode).save(picture)
        services.attach_photo(visit, picture, step="wiring", round_id=None, caption=f"Gestell „{mode}“ & <Kabel>")
    raw = pdf_of(visit)
    visit.close()
    with pikepdf.open(io.BytesIO(raw)) as file:
        assert sum(role(each) == "Figure" for each in elements(file.Root.StructTreeRoot.K)) >= 6
    for profile in STANDARDS:
        assert failed(raw, profile) == []


def test_the_record_of_a_return_visit_is_valid(services: LocalServices, tmp_path: Path) -> None:
    """A return to the sample's hand-entered readings, with every kind of compared value except those of its recordings."""
    services.create_from_toml(tmp_path / "then", SAMPLE_TOML).close()
    visit = services.create_return(tmp_path / "back", tmp_path / "then.commission")
    visit.append(*levels({"FL": 74.0, "FC": 75.0, "FR": 78.0}))
    raw = pdf_of(visit)
    visit.close()
    for profile in STANDARDS:
        assert failed(raw, profile) == []


# --- it detects what is broken
# ----------------------------------------------------------------------------------------------

Break = Callable[[Pdf], None]
BREAKS: dict[tuple[str, str], Break] = {}
"""(profile, name) → what is done to a record."""


def breaks(*profiles: str) -> Callable[[Break], Break]:
    def keep(change: Break) -> Break:
        BREAKS.update({(profile, change.__name__): change for profile in profiles})
        return change

    return keep


def first(file: Pdf, name: str) -> pikepdf.Object:
    return next(e for e in elements(file.Root.StructTreeRoot.K) if role(e) == name)


def fonts(file: Pdf) -> Iterator[pikepdf.Object]:
    for sheet in file.pages:
        yield from sheet.resources.get("/Font", Dictionary()).values()


def descriptor(file: Pdf) -> pikepdf.Object:
    return next(fonts(file)).DescendantFonts[0].FontDescriptor


def in_metadata(file: Pdf, old: bytes, new: bytes) -> None:
    raw = file.Root.Metadata.read_bytes()
    changed = re.sub(old, new, raw, flags=re.DOTALL)
    assert changed != raw
    file.Root.Metadata.write(changed)


def on_page_one(file: Pdf, change: Callable[[bytes], bytes]) -> None:
    raw = file.pages[0].Contents.read_bytes()
    assert change(raw) != raw
    file.pages[0].Contents = file.make_stream(change(raw))


@breaks("ua1")
def no_language(file: Pdf) -> None:
    del file.Root.Lang


@breaks("3a", "ua1")
def no_language_that_exists(file: Pdf) -> None:
    file.Root.Lang = String("x!!y")


@breaks("ua1")
def a_figure_without_words(file: Pdf) -> None:
    del first(file, "Figure")["/Alt"]


@breaks("ua1")
def untagged_content(file: Pdf) -> None:
    on_page_one(file, lambda raw: re.sub(rb"/\w+<</MCID 1>>BDC(.*?)EMC", rb"\1", raw, count=1, flags=re.DOTALL))


@breaks("ua1")
def decoration_inside_of_content(file: Pdf) -> None:
    on_page_one(file, lambda raw: raw.replace(b"<</MCID 1>>BDC", b"<</MCID 1>>BDC /Artifact BMC EMC", 1))


@breaks("ua1")
def a_row_too_short(file: Pdf) -> None:
    row = next(e for e in elements(file.Root.StructTreeRoot.K) if role(e) == "TR" and role(e.K[1]) == "TD")
    del row.K[len(row.K) - 1]


@breaks("ua1")
def a_list_of_rows(file: Pdf) -> None:
    first(file, "LI").S = Name.TR


@breaks("ua1")
def a_heading_skipped(file: Pdf) -> None:
    first(file, "H2").S = Name.H5


@breaks("3a", "ua1")
def an_element_that_nobody_knows(file: Pdf) -> None:
    first(file, "P").S = Name.Blurb


@breaks("3a", "ua1")
def not_tagged(file: Pdf) -> None:
    file.Root.MarkInfo.Marked = False


@breaks("ua1")
def a_title_that_is_not_shown(file: Pdf) -> None:
    file.Root.ViewerPreferences.DisplayDocTitle = False


@breaks("ua1")
def no_title(file: Pdf) -> None:
    in_metadata(file, rb"<dc:title>.*?</dc:title>", b"")


@breaks("ua1")
def not_claimed_to_be_accessible(file: Pdf) -> None:
    in_metadata(file, rb"<pdfuaid:part>1</pdfuaid:part>", b"")


@breaks("ua1")
def a_link_without_words(file: Pdf) -> None:
    link = Dictionary(
        Type=Name.Annot,
        Subtype=Name.Link,
        F=4,
        Rect=Array([0, 0, 9, 9]),
        A=Dictionary(S=Name.URI, URI=String("http://example.org")),
    )
    file.pages[0].Annots = Array([file.make_indirect(link)])


@breaks("3a")
def another_part_of_the_standard(file: Pdf) -> None:
    in_metadata(file, rb"<pdfaid:part>3", b"<pdfaid:part>2")


@breaks("3a")
def metadata_that_is_no_xml(file: Pdf) -> None:
    in_metadata(file, rb"</rdf:RDF>", b"</rdf:RDFX>")


@breaks("3a")
def no_output_intent(file: Pdf) -> None:
    del file.Root.OutputIntents


@breaks("3a")
def colours_of_a_press(file: Pdf) -> None:
    on_page_one(file, lambda raw: b"/Artifact BMC 0 1 0 0 k 0 0 9 9 re f EMC\n" + raw)


@breaks("3a", "ua1")
def a_font_that_is_not_inside(file: Pdf) -> None:
    for name in ("/FontFile", "/FontFile2", "/FontFile3"):
        if name in descriptor(file):
            del descriptor(file)[name]


@breaks("3a", "ua1")
def letters_without_their_meaning(file: Pdf) -> None:
    del next(fonts(file))["/ToUnicode"]


@breaks("3a")
def a_glyph_that_is_missing(file: Pdf) -> None:
    on_page_one(
        file,
        lambda raw: re.sub(
            rb"<</MCID 1>>BDC(.*?)\[\(.*?\)\]\s*TJ", rb"<</MCID 1>>BDC\1(\\000\\000)Tj", raw, count=1, flags=re.DOTALL
        ),
    )


@breaks("3a")
def a_script(file: Pdf) -> None:
    file.Root.OpenAction = Dictionary(S=Name.JavaScript, JS=String("app.alert(1)"))


@breaks("3a")
def a_picture_that_may_be_smoothed(file: Pdf) -> None:
    pictures = [o for o in file.objects if isinstance(o, pikepdf.Stream) and o.get("/Subtype") == Name.Image]
    pictures[0].Interpolate = True


@breaks("3a")
def an_attachment_that_belongs_to_nothing(file: Pdf) -> None:
    del file.Root["/AF"]


@breaks("3a")
def an_attachment_without_relationship(file: Pdf) -> None:
    del file.Root.AF[0]["/AFRelationship"]


@breaks("3a")
def an_attachment_without_type(file: Pdf) -> None:
    del file.Root.AF[0].EF.F["/Subtype"]


@pytest.fixture(scope="module")
def plain() -> bytes:
    return render_pdf(ordinary())


def saved(file: Pdf, **options: object) -> bytes:
    out = io.BytesIO()
    file.save(out, fix_metadata_version=False, **options)  # type: ignore[arg-type]
    return out.getvalue()


@pytest.mark.parametrize("profile", STANDARDS)
def test_a_record_saved_again_is_valid(plain: bytes, profile: str) -> None:
    with pikepdf.open(io.BytesIO(plain)) as file:
        assert failed(saved(file), profile) == []


@pytest.mark.parametrize(("profile", "name"), list(BREAKS))
def test_a_broken_record_is_rejected(plain: bytes, profile: str, name: str) -> None:
    with pikepdf.open(io.BytesIO(plain)) as file:
        BREAKS[profile, name](file)
        assert failed(saved(file), profile) != []


def test_an_encrypted_record_is_rejected(plain: bytes) -> None:
    with pikepdf.open(io.BytesIO(plain)) as file:
        assert failed(saved(file, encryption=pikepdf.Encryption(owner="o", user="")), "3a") != []
