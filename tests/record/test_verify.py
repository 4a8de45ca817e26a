"""A record verified against its job: intact records pass, and a single changed digit is named wherever it is."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pypdf
import pytest
from decoded_here import decode_here
from kept_pages import keep_pages
from record_samples import png

from commission.cli.local_services import LocalServices
from commission.model import CommissionError, InputError, Noted, ReadingEntered
from commission.record import export, letterhead
from commission.record.document import Letterhead
from commission.record.export import write_record
from commission.record.verify import comparison, pages
from commission.record.verify.comparison import RecordCheck, check_record, overall
from commission.record.verify.stored_record import read_record
from commission.visit import Visit

SAMPLE = Path(__file__).resolve().parents[2] / "sample_measurements" / "harbour-lane.toml"
WHEN = "2096-03-14T17:05:00Z"
"""After every event of a log that these tests make."""


@pytest.fixture(scope="module", autouse=True)
def pages_made_once() -> Iterator[None]:
    """Rendered once, since nearly every test here begins with the same record."""
    with pytest.MonkeyPatch.context() as patch:
        keep_pages(patch, export, pages)
        decode_here(patch, letterhead)
        yield


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample's settings and hand-entered readings, without its recordings: quick, and enough to be tampered with."""
    folder = tmp_path_factory.mktemp("typed")
    visit = LocalServices(folder / "state").create_from_toml(folder / "job", SAMPLE)
    visit.close()
    return visit.path


@pytest.fixture
def visit(job: Path, tmp_path: Path) -> Iterator[Visit]:
    visit = LocalServices(tmp_path / "state").open(Path(shutil.copy(job, tmp_path)))
    yield visit
    visit.close()


def written(visit: Visit, suffix: str, **options: object) -> Path:
    target = visit.path.with_name(f"record{suffix}")
    write_record(visit, target, created_at=WHEN, **options)  # type: ignore[arg-type]
    return target


def wrong(printed: tuple[RecordCheck, ...]) -> list[str]:
    return [each.text for each in printed if each.matches is False]


def changed(path: Path, change: Callable[[bytes], bytes]) -> Path:
    raw = path.read_bytes()
    assert change(raw) != raw
    copy = path.with_name(f"changed{path.suffix}")
    copy.write_bytes(change(raw))
    return copy


@pytest.mark.parametrize("suffix", [".json", ".html", ".pdf"])
def test_an_unchanged_record_passes(visit: Visit, suffix: str) -> None:
    record = written(visit, suffix)
    printed = check_record(record, visit)
    assert all(each.matches for each in printed), printed
    assert written(visit, suffix).read_bytes() == record.read_bytes()
    visit.append(Noted(step="handover", text="later"))
    printed = check_record(record, visit)
    assert all(each.matches for each in printed), printed
    assert "one later event is not in the record" in printed[0].text


@pytest.mark.parametrize("suffix", [".json", ".html", ".pdf"])
def test_a_record_is_compared_with_the_job_at_its_own_time(visit: Visit, suffix: str) -> None:
    """A later reading changes today's results, but not those of the record."""
    record = written(visit, suffix)
    before = read_record(record).data["results"]["levels"]["as-found"]["channels"]["FL"]["level_db"]
    visit.append(
        ReadingEntered(
            round="as-found", step="levels", channel="FL", seat="A2", quantity="level", value=70.0, unit="dB"
        )
    )
    assert all(each.matches for each in check_record(record, visit))
    record.unlink()
    now = read_record(written(visit, suffix)).data["results"]["levels"]["as-found"]["channels"]["FL"]["level_db"]
    assert now != before


def test_one_changed_digit_in_the_results_is_named(visit: Visit) -> None:
    for suffix in (".json", ".html"):
        record = changed(
            written(visit, suffix), lambda raw: re.sub(rb'("trim_exact_db": -?\d\.)\d', rb"\g<1>9", raw, count=1)
        )
        (sentence, *_) = wrong(check_record(record, visit))
        assert re.search(r"results\.levels\.as-found\.channels\.\w+\.trim_exact_db is -?\d\.9", sentence)


def test_one_changed_digit_in_the_log_is_named(visit: Visit) -> None:
    record = written(visit, ".json")
    data = json.loads(record.read_text())
    row = next(row for row in data["log"] if row["kind"] == "reading-entered")
    row["body"]["value"] += 1
    record.write_text(json.dumps(data))
    (sentence,) = wrong(check_record(record, visit))
    assert f"event {row['seq']} (reading-entered): body.value is {row['body']['value']}" in sentence


def test_one_changed_digit_on_a_page_is_named(visit: Visit) -> None:
    record = changed(written(visit, ".html"), lambda raw: raw.replace(b">14 March 2096<", b">15 March 2096<", 1))
    (sentence,) = wrong(check_record(record, visit))
    assert "“15 March 2096” where the job gives “14 March 2096”" in sentence


def _once(raw: bytes, old: bytes, new: bytes) -> bytes:
    return raw.replace(old, new, 1)


def test_a_changed_drawing_or_attachment_of_a_page_is_named(visit: Visit) -> None:
    for old, new in ((b"text/csv;base64,Y", b"text/csv;base64,Z"), (b'stroke="#000000"', b'stroke="#000001"')):
        record = changed(written(visit, ".html"), partial(_once, old=old, new=new))
        (sentence,) = wrong(check_record(record, visit))
        assert "drawings, pictures or data were changed" in sentence


def test_a_changed_job_is_named(visit: Visit, tmp_path: Path) -> None:
    record = written(visit, ".json")
    (tmp_path / "other").mkdir()
    copy = tmp_path / "other" / visit.path.name
    shutil.copy(visit.path, copy)
    with sqlite3.connect(copy) as database:
        triggers = database.execute("SELECT name, sql FROM sqlite_master WHERE type='trigger'").fetchall()
        for trigger, _ in triggers:
            database.execute(f"DROP TRIGGER {trigger}")
        database.execute("UPDATE event SET body = replace(body, '\"value\":76', '\"value\":77')")
        for _, sql in triggers:
            database.execute(sql)
    database.close()
    forged = LocalServices(tmp_path / "state").open(copy, read_only=True)
    sentences = wrong(check_record(record, forged))
    forged.close()
    assert any("(reading-entered): body.value is 76" in text and "in the record and 77" in text for text in sentences)
    assert any(text.startswith("In the results, results.levels") for text in sentences)


def test_the_record_of_another_job_is_refused(visit: Visit, tmp_path: Path) -> None:
    other = LocalServices(tmp_path / "state").create_from_toml(tmp_path / "second", SAMPLE)
    printed = check_record(written(visit, ".html"), other)
    other.close()
    assert "is of no event in second.commission" in wrong(printed)[0]
    assert printed[-1].matches is None
    assert "not compared" in printed[-1].text


def test_a_shortened_log_is_named(visit: Visit) -> None:
    record = written(visit, ".json")
    data = json.loads(record.read_text())
    data["log"].pop()
    record.write_text(json.dumps(data))
    assert "events were left out" in wrong(check_record(record, visit))[0]


@pytest.mark.parametrize("suffix", [".html", ".pdf"])
def test_the_record_stores_paper_and_letterhead(visit: Visit, suffix: str) -> None:
    head = Letterhead(name="Quill", lines=("1 Sea Road",), logo=png(), logo_media_type="image/png")
    record = written(visit, suffix, paper="us-letter", letterhead=head)  # other tests use A4
    printed = check_record(record, visit)
    assert all(each.matches for each in printed), printed


def test_a_job_under_another_name_gives_the_same_pages(visit: Visit, tmp_path: Path) -> None:
    record = written(visit, ".html")
    renamed = tmp_path / "renamed.commission"
    shutil.copy(visit.path, renamed)
    other = LocalServices(tmp_path / "state").open(renamed, read_only=True)
    printed = check_record(record, other)
    other.close()
    assert all(each.matches for each in printed), printed


def test_another_version_is_not_called_a_forgery(visit: Visit, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its pages are still compared, and differences are named without a verdict."""
    record = changed(written(visit, ".html"), lambda raw: raw.replace(b"14 March 2096", b"15 March 2096"))
    for module in (comparison, pages):
        monkeypatch.setattr(module, "__version__", "99.0")
    printed = check_record(record, visit)
    assert not wrong(printed)
    assert printed[-1].matches is None
    assert "which may differ: On the pages, the record has “15 March 2096”" in printed[-1].text
    assert overall(printed).matches is None
    # Differences are not reported as agreement either.
    assert overall(printed).text.startswith(
        "This record is not confirmed: not all of it could be compared, or what differs"
    )


@pytest.mark.parametrize(
    "raw,reason",
    [
        (b"%PDF-1.7 nothing", "a PDF that cannot be read"),
        (b"<!DOCTYPE html><p>no", "no results.json in it"),
        (b"{}", "JSON that is not a record"),
        (b"\x00\xff", "begins like none"),
        (b'{"a":' + b"[" * 100000, "invalid JSON"),
        (b"", "an empty file"),
        (b'{"schema": "commission-record/1", "a": 1, "a": 2}', "“a” appears twice"),
    ],
)
def test_files_that_are_not_records_get_one_sentence(visit: Visit, raw: bytes, reason: str) -> None:
    path = visit.path.with_name("strange.bin")
    path.write_bytes(raw)
    with pytest.raises(InputError, match=reason):
        check_record(path, visit)
    with pytest.raises(InputError, match="no such file"):
        check_record(visit.path.with_name("nowhere.pdf"), visit)


def test_a_failed_write_leaves_the_old_file(visit: Visit, monkeypatch: pytest.MonkeyPatch) -> None:
    target = visit.path.with_name("old.pdf")
    target.write_bytes(b"old")
    with pytest.raises(InputError, match=r"the ending “\.docx”, expected one of \.pdf, \.html, \.json, \.csv"):
        write_record(visit, visit.path.with_name("record.docx"))
    with pytest.raises(InputError, match="UTC such as"):
        write_record(visit, target, created_at="yesterday")
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(CommissionError, match="HTML instead"):
        write_record(visit, target, created_at=WHEN, paper="us-letter")
    assert target.read_bytes() == b"old"
    assert {p.suffix for p in visit.path.parent.iterdir() if p.is_file()} == {".pdf", ".commission"}


def test_every_setting_is_printed_to_the_digit(visit: Visit) -> None:
    """The trims and distances of the settings sheet, in the text that another program reads from the PDF."""
    record = written(visit, ".pdf")
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(record).pages)
    rows = read_record(record).data["settings_sheet"]
    assert len(rows) > 20
    for row in rows:
        if isinstance(row["new"], float):
            decimals = 1 if row["what"] == "trim" else 2
            sign = "+" if row["what"] == "trim" and row["new"] > 0 else ""
            assert f"{sign}{row['new']:.{decimals}f}".replace("-", "−") in text, row
