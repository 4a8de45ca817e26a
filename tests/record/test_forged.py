"""Records altered after they were made: every change is detected, or the part that cannot be compared is named.

The forgeries are made with pikepdf (qpdf) and pypdf's own writer, programs that did not make the record. What a PDF can
hide its pages behind (annotations, boxes, later updates): ISO 32000-1, 7.5.6, 12.5, 14.11.2 (from memory).
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from builders import cinema, levels
from decoded_here import decode_here
from kept_pages import keep_pages
from pikepdf import Array, AttachedFileSpec, Dictionary, Name
from pypdf import PdfWriter
from pypdf.annotations import FreeText
from record_samples import png

from commission.cli.local_services import LocalServices
from commission.model import InputError
from commission.record import letterhead
from commission.record.document import Letterhead
from commission.record.export import write_record
from commission.record.pdf import glyphs as letters
from commission.record.pdf import render as pdf
from commission.record.verify import pages
from commission.record.verify import stored_record as reading
from commission.record.verify.comparison import RecordCheck, check_record, overall
from commission.record.verify.differences import few, unlike
from commission.visit import Visit

WHEN = "2096-03-14T17:05:00Z"


@pytest.fixture(scope="module", autouse=True)
def expected_pages_made_once() -> Iterator[None]:
    """Nearly every test here has the same expected pages: they are rendered, and their text is read, once."""
    with pytest.MonkeyPatch.context() as patch:
        keep_pages(patch, pages)
        decode_here(patch, letterhead)
        yield


@pytest.fixture
def decoded_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """The PDF is read in this process."""
    decode_here(monkeypatch, reading)


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visit]:
    """A job of three channels and one seat, whose pages are made quickly."""
    folder = tmp_path_factory.mktemp("job")
    visit = LocalServices(folder / "state").create(folder / "small", cinema(["FL", "FC", "FR"], ["A2"]))
    visit.append(*levels({"FL": 76.5, "FC": 75.0, "FR": 72.0}))
    yield visit
    visit.close()


@pytest.fixture(scope="module")
def made(visit: Visit) -> dict[str, bytes]:
    """Its record in every form."""
    head = Letterhead(name="Quill", lines=("1 Sea Road",), logo=png(), logo_media_type="image/png")
    out = {}
    for suffix in ("pdf", "html", "json"):
        target = visit.path.with_name(f"made.{suffix}")
        write_record(visit, target, created_at=WHEN, letterhead=head)
        out[suffix] = target.read_bytes()
    return out


def check(visit: Visit, raw: bytes, **options: Any) -> tuple[RecordCheck, ...]:
    path = visit.path.with_name("given.bin")
    path.write_bytes(raw)
    return check_record(path, visit, **options)


def edited(raw: bytes, change: Callable[[pikepdf.Pdf], object], **options: Any) -> bytes:
    buffer = io.BytesIO()
    with pikepdf.open(io.BytesIO(raw)) as file:
        change(file)
        file.save(buffer, **options)
    return buffer.getvalue()


def attached(name: str, change: Callable[[bytes], bytes]) -> Callable[[pikepdf.Pdf], None]:
    def work(file: pikepdf.Pdf) -> None:
        old = file.attachments[name].get_file().read_bytes() if name in file.attachments else b""
        file.attachments[name] = AttachedFileSpec(file, change(old), filename=name)

    return work


def with_json(**changes: Any) -> Callable[[pikepdf.Pdf], None]:
    """Members of the JSON inside set; those of `printed` one by one."""

    def change(raw: bytes) -> bytes:
        data = json.loads(raw)
        for key, value in changes.items():
            data[key] = {**data[key], **value} if key == "printed" and value else value
        return json.dumps(data).encode()

    return attached("results.json", change)


@pytest.mark.parametrize("options", [{}, {"linearize": True}, {"qdf": True}], ids=["plain", "web", "unpacked"])
def test_a_pdf_saved_by_another_program_is_not_verified(
    visit: Visit, made: dict[str, bytes], options: dict[str, bool]
) -> None:
    raw = edited(made["pdf"], lambda file: None, **options)
    assert raw != made["pdf"]
    output = check(visit, raw)
    assert overall(output).matches is None, output
    assert "The file was saved again by another program" in output[-1].text


def cover(file: pikepdf.Pdf) -> None:
    file.pages[0].contents_add(b"q 1 1 1 rg 0 0 600 850 re f Q")


def crop(file: pikepdf.Pdf) -> None:
    file.pages[0].obj.CropBox = Array([0, 400, 595, 842])


def annotate(file: pikepdf.Pdf) -> None:
    note = Dictionary(
        Type=Name.Annot, Subtype=Name.FreeText, Rect=Array([0, 0, 600, 800]), Contents="all pass", DA="/Helv 12 Tf"
    )
    file.pages[0].obj.Annots = Array([file.make_indirect(note)])


def swap_picture(file: pikepdf.Pdf) -> None:
    picture = next(o for o in file.objects if isinstance(o, pikepdf.Stream) and o.get("/Subtype") == Name.Image)
    picture.write(b"\0" * len(picture.read_bytes()))


@pytest.mark.parametrize("forge", [cover, crop, annotate, swap_picture])
@pytest.mark.usefixtures("decoded_here")
def test_a_page_with_covered_text_is_not_verified(
    visit: Visit, made: dict[str, bytes], forge: Callable[[pikepdf.Pdf], None]
) -> None:
    output = check(visit, edited(made["pdf"], forge))
    assert overall(output).matches is None
    assert "covered, cut off or drawn over" in output[-1].text


def run_script(file: pikepdf.Pdf) -> None:
    file.Root.OpenAction = Dictionary(S=Name.JavaScript, JS="app.alert(1)")


def say_other_words(file: pikepdf.Pdf) -> None:
    element = next(o for o in file.objects if isinstance(o, Dictionary) and "/Alt" in o)
    element.Alt = "Every seat passes."


def run_script_by_name(file: pikepdf.Pdf) -> None:
    script = file.make_indirect(Dictionary(S=Name.JavaScript, JS="app.alert(1)"))
    file.Root.Names.JavaScript = Dictionary(Names=Array(["x", script]))


def associate_another_file(file: pikepdf.Pdf) -> None:
    file.Root.AF.append(AttachedFileSpec(file, b"MZ", filename="tool.exe").obj)


@pytest.mark.parametrize("forge", [run_script, run_script_by_name, associate_another_file, say_other_words])
@pytest.mark.usefixtures("decoded_here")
def test_additions_beside_the_pages_are_not_verified(
    visit: Visit, made: dict[str, bytes], forge: Callable[[pikepdf.Pdf], None]
) -> None:
    output = check(visit, edited(made["pdf"], forge))
    assert overall(output).matches is None
    assert "not, to the byte, the one that this job gives" in output[-1].text


@pytest.mark.usefixtures("decoded_here")
def test_an_update_appended_to_a_pdf_is_named(visit: Visit, made: dict[str, bytes]) -> None:
    """Metadata and a note on a page: the record cannot show which of the two was added."""
    writer = PdfWriter(io.BytesIO(made["pdf"]), incremental=True)
    writer.add_metadata({"/Keywords": "x"})
    buffer = io.BytesIO()
    writer.write(buffer)
    output = check(visit, buffer.getvalue())
    assert overall(output).matches is None
    assert "Something was added after the record was made" in output[-1].text
    writer = PdfWriter(io.BytesIO(made["pdf"]), incremental=True)
    writer.add_annotation(1, FreeText(text="all pass", rect=(0, 0, 600, 800)))
    buffer = io.BytesIO()
    writer.write(buffer)
    assert buffer.getvalue().startswith(made["pdf"])
    output = check(visit, buffer.getvalue())
    assert overall(output).matches is None
    assert "Something was added after the record was made" in output[-1].text


def fewer(file: pikepdf.Pdf) -> None:
    del file.pages[-1]


def turned(file: pikepdf.Pdf) -> None:
    file.pages.reverse()


@pytest.mark.parametrize(
    ("forge", "named"),
    [
        (attached("settings.csv", lambda old: old.replace(b"trim", b"Trim")), "“settings.csv” is not the one"),
        (attached("tool.exe", lambda old: b"MZ"), "“tool.exe” belongs to no record"),
        (lambda file: file.attachments.__delitem__("settings.csv"), "“settings.csv” is missing"),
        (with_json(how_to_check="No need."), "how to check it as “No need.”"),
        (with_json(how_to_check="commission verify x: the digest must be the one above"), "how_to_check of “results"),
        (with_json(created_at="2096-02-31T00:00:00Z"), "2096-02-31T00:00:00Z”, expected UTC"),
        (with_json(created_at=5), "date 5"),
        (with_json(created_at="2096-03-15T00:00:00Z"), "page 1, the record has “"),
        (with_json(printed=None), "found nothing about how it was printed"),
        (with_json(printed={"job_file": "/"}), "job_file of “results.json” is /"),
        (with_json(printed={"job_file": "..\x1b[31m"}), "page"),
        (with_json(printed={"paper": "a0"}), "paper a0"),
        (with_json(printed={"letterhead": {"name": 1}}), "a damaged letterhead"),
        (
            with_json(
                printed={
                    "letterhead": {
                        "name": "x",
                        "lines": [],
                        "logo_base64": "PHN2Zz4=",
                        "logo_media_type": "image/png",
                    }
                }
            ),
            "logo: found neither PNG nor JPEG",
        ),
        (fewer, "in the record, and this job gives"),
        (turned, "page 1, the record has"),
    ],
)
@pytest.mark.usefixtures("decoded_here")
def test_each_difference_is_named(
    visit: Visit, made: dict[str, bytes], forge: Callable[[pikepdf.Pdf], object], named: str
) -> None:
    output = check(visit, edited(made["pdf"], forge))
    assert any(each.matches is False and named in each.text for each in output), output
    assert not overall(output).matches
    assert not any("\x1b" in each.text for each in output)


@pytest.mark.parametrize("encryption", [pikepdf.Encryption(owner="a", user="b"), pikepdf.Encryption(owner="a", R=4)])
def test_pdfs_that_cannot_be_read_get_one_sentence(
    visit: Visit, made: dict[str, bytes], encryption: pikepdf.Encryption, capfd: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(InputError, match="an encrypted PDF"):
        check(visit, edited(made["pdf"], lambda file: None, encryption=encryption))
    with pytest.raises(InputError, match=r"a PDF that cannot be read .* Get the file again"):
        check(visit, made["pdf"][:-300])
    assert capfd.readouterr() == ("", ""), "the reader's own remarks"


def test_a_date_before_the_last_event_is_doubted(visit: Visit) -> None:
    target = visit.path.with_name("backdated.html")
    write_record(visit, target, created_at="2001-01-01T00:00:00Z")
    output = check_record(target, visit)
    assert overall(output).matches is None
    assert any("dated 2001-01-01T00:00:00Z, before its last event" in each.text for each in output)


def test_parts_that_the_job_does_not_hold_are_reported_as_the_records_own(
    visit: Visit, made: dict[str, bytes]
) -> None:
    output = check(visit, made["html"])
    assert output[-1].text.endswith(f"gives with the date that the record bears ({WHEN}) and its letterhead.")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("</style>", "section{display:none}</style>"),
        ("</body>", "<script>document.body.textContent='all pass'</script></body>"),
        (">Quill<", ">&#81;uill<"),
        ("\n", "\r\n"),
    ],
)
def test_a_page_with_the_same_words_but_other_markup_is_refused(
    visit: Visit, made: dict[str, bytes], old: str, new: str
) -> None:
    text = made["html"].decode()
    assert old in text
    output = check(visit, text.replace(old, new).encode())
    assert overall(output).matches is False
    assert "The words of the page are right, but its markup, styles" in output[-1].text


def test_json_rewritten_by_another_program_passes_and_duplicate_names_fail(
    visit: Visit, made: dict[str, bytes]
) -> None:
    """RFC 8259, 6: 75 and 75.0 are the same number, and many programs write the one for the other; 4: names once."""

    def whole(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: whole(each) for key, each in value.items()}
        if isinstance(value, list):
            return [whole(each) for each in value]
        return int(value) if isinstance(value, float) and value == int(value) else value

    data = json.loads(made["json"])
    again = json.dumps(whole(data)).encode()
    assert b'"target_db": 75,' in again
    for raw in (again, b"\xef\xbb\xbf" + again):
        assert overall(check(visit, raw)).matches
    with pytest.raises(InputError, match="“digest” appears twice"):
        check(visit, b'{"digest": "other", ' + again[1:])
    row = next(r for r in data["log"] if r["kind"] == "system-defined")
    seat = row["body"]["system"]["seats"][0]
    seat["reference"] = {True: 1, False: 0}[seat["reference"]]
    assert any("reference is 1 in the record and True" in s.text for s in check(visit, json.dumps(data).encode()))


@pytest.mark.parametrize(
    "changes", [{"program_version": "0.0.1"}, {"created_at": WHEN}, {"printed": {"words": "en"}}]
)
def test_claims_of_a_record_about_itself_are_not_trusted(
    visit: Visit, made: dict[str, bytes], changes: dict[str, Any]
) -> None:
    output = check(visit, json.dumps(json.loads(made["json"]) | changes).encode())
    assert overall(output).matches is None


def test_a_broken_log_verifies_nothing() -> None:
    assert overall((RecordCheck(True, "x"),), log_whole=False).matches is False
    assert overall((RecordCheck(True, "x"), RecordCheck(None, "x"))).matches is None


def test_large_files_are_refused_before_they_fill_the_memory(
    visit: Visit, made: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "LARGEST_JSON", 1000)
    with pytest.raises(InputError, match="results of 0 MB"):
        check(visit, made["json"])
    monkeypatch.setattr(reading, "LARGEST_RECORD", 2000)
    with pytest.raises(InputError, match="of at most 2 kB"):
        check(visit, made["pdf"])


def test_large_values_are_reported_briefly_and_many_differences_are_counted(
    visit: Visit, made: dict[str, bytes]
) -> None:
    data = json.loads(made["json"])
    deep: list[Any] = []
    for _ in range(500):
        deep = [deep]
    data |= {"results": deep, "long": "x" * 1_000_000, "many": [[]] * 1000, "log": [[]] * 10_000}
    output = check(visit, json.dumps(data).encode())
    assert all(len(each.text) < 300 for each in output)
    assert any(each.text.endswith("9995 more differences are not listed.") for each in output)
    assert few(f"{i}" for i in range(7)) == ["0", "1", "2", "3", "4", "2 more differences are not listed"]


def test_letters_from_other_fonts_are_not_a_forgery(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A computer whose fonts have these letters draws them, another describes them; neither is a forgery."""
    visit = LocalServices(tmp_path / "state").create(tmp_path / "cinema", cinema(["FL"], ["A2"], title="映画館"))
    target = tmp_path / "record.pdf"
    write_record(visit, target, created_at=WHEN)
    monkeypatch.setattr(
        letters,
        "drawable",
        lambda typst, document: (lambda text: "".join(c if c in letters.KNOWN else "[?]" for c in text), False),
    )
    monkeypatch.setattr(pdf, "drawable", letters.drawable)
    output = check_record(target, visit)
    visit.close()
    assert overall(output).matches is None, output
    assert "may look different on another computer" in " ".join(each.text for each in output)


def test_a_page_of_another_length_is_not_compared_line_by_line(visit: Visit, made: dict[str, bytes]) -> None:
    output = check(visit, made["html"].replace(b"</body>", b"<" * 2_000_000 + b"</body>"))
    assert overall(output).matches is False
    assert "something was added to it" in output[-1].text


def test_long_pages_are_reported_by_their_beginning() -> None:
    found, own = ["a", *("x" for _ in range(5000)), "z"], ["a", *("y" for _ in range(5000)), "z"]
    assert unlike(found, own, "") == [
        "the record has “x” where the job gives “y”",
        "what follows was not compared line by line",
    ]


def test_text_repeated_in_every_row_neither_hides_a_difference_nor_takes_minutes() -> None:
    """Comparing every pair of three thousand equal lines took six minutes."""
    own = [text for i in range(500) for text in (f"row {i}", "–", "✓ pass", str(i % 9))]
    found = list(own)
    found[41], found[1801] = "forged", "forged too"
    assert unlike(found, own, "") == [
        f"the record has “{text}” where the job gives “–”" for text in ("forged", "forged too")
    ]
    assert len(unlike(["–"] * 3100, ["–", "x"] * 1550, "")) == 1
