"""Writes the pages of a record again and compares them with those in its file: bytes, text, files inside.

Only a file that is the same to the byte is confirmed. Where another program has rewritten a PDF, its text and the files
inside are compared; that confirms nothing, since the text does not show what was drawn over it.
"""

from __future__ import annotations

import time
from base64 import b64decode
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Literal, cast

from commission import __version__
from commission.model import CommissionError, InputError
from commission.model.child_process import CPU_S
from commission.model.units import clean_text
from commission.record.document import Document, Letterhead
from commission.record.export import record_document, render
from commission.record.letterhead import check_logo
from commission.record.pdf.glyphs import other_fonts_matter
from commission.record.verify.differences import MISSING, RecordCheck, differences, few, shown, unlike
from commission.record.verify.stored_record import RESULTS, StoredRecord, foreign_pdf_pages, pdf_pages
from commission.visit import Visit


def check_pages(record: StoredRecord, then: Visit) -> list[RecordCheck]:
    """The pages written again and compared with those of the record; `then`: the job at that time, analysed."""
    made = record.data.get("program_version")
    same_version = made == __version__
    try:
        document = _rebuilt_document(record, then)
        fresh = render(document, f".{record.kind}")
    except InputError as error:
        # This version writes everything needed to print a record again.
        return [RecordCheck(False if same_version else None, f"The pages could not be made again: {error}")]
    except CommissionError as error:
        return [RecordCheck(None, f"The pages could not be compared: {error}")]
    if fresh == record.raw:
        return [RecordCheck(True, f"The pages are, to the byte, those that this job gives with {_own_part(record)}.")]
    text = _html(record, fresh) if record.kind == "html" else _pdf(record, document, fresh)
    if same_version:
        return text
    first = f"The pages were made by version {shown(made)} and compared with those of {__version__}, which may differ"
    return [each if each.matches else RecordCheck(None, f"{first}: {each.text}") for each in text]


def _own_part(record: StoredRecord) -> str:
    """A sentence on what only the record contains, not the job."""
    printed = record.data["printed"]
    head = printed.get("letterhead")
    named = [f"the date that the record bears ({shown(record.data.get('created_at'))})"]
    if isinstance(head, dict) and any(head.values()):
        named.append("its letterhead")
    return " and ".join(named)


# --- made again ---------------------------------------------------------------------------------------------------


def _rebuilt_document(record: StoredRecord, then: Visit) -> Document:
    where, printed = clean_text(record.path.name), record.data.get("printed")
    if not isinstance(printed, dict):
        raise InputError(where, "nothing about how it was printed", "a record made by this version")
    paper, created = printed.get("paper"), record.data.get("created_at")
    if paper not in ("a4", "us-letter") or not isinstance(created, str):
        raise InputError(where, f"paper {shown(paper)}, date {shown(created)}", "a4 or us-letter, and a date")
    return record_document(
        then,
        paper=cast(Literal["a4", "us-letter"], paper),
        letterhead=_letterhead(printed.get("letterhead"), where),
        created_at=created,
    )


def _letterhead(head: object, where: str) -> Letterhead:
    """The letterhead of a record, under the same rules as one from a file."""
    try:
        if not isinstance(head, dict):
            raise TypeError
        name, lines, kind = head["name"], head["lines"], head["logo_media_type"]
        logo = None if head["logo_base64"] is None else b64decode(head["logo_base64"], validate=True)
        texts = isinstance(name, str) and isinstance(lines, list) and all(isinstance(line, str) for line in lines)
        if not texts or kind not in (None, "image/png", "image/jpeg") or (kind is None) != (logo is None):
            raise TypeError
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(where, "a damaged letterhead", "the letterhead it was printed with") from error
    if logo is not None:
        check_logo(logo, f"{where}, logo")
    return Letterhead(name=name, lines=tuple(lines), logo=logo, logo_media_type=kind)


# --- HTML ---------------------------------------------------------------------------------------------------------


def _html(record: StoredRecord, fresh: bytes) -> list[RecordCheck]:
    if len(record.raw) > 1.5 * len(fresh) + 100_000:  # not parsed: a parser of broken markup may take minutes
        sizes = f"{len(record.raw) / 1000:.0f} kB, and this job gives {len(fresh) / 1000:.0f} kB"
        return [RecordCheck(False, f"The page has {sizes}: something was added to it.")]
    if wrong := unlike(_html_lines(record.raw), _html_lines(fresh), ""):
        return [RecordCheck(False, f"On the pages, {text}.") for text in few(wrong)]
    return [
        RecordCheck(
            False,
            "The words of the page are right, but its markup, styles, drawings, pictures or data were changed after it "
            "was made. A browser that saves a page does that too: check the file as it was written.",
        )
    ]


class _VisibleText(HTMLParser):
    """The visible text of a page."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.lines: list[str] = []
        self._hidden = ""

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag in ("style", "script", "desc") and not self._hidden:
            self._hidden = tag

    def handle_endtag(self, tag: str) -> None:
        if tag == self._hidden:
            self._hidden = ""

    def handle_data(self, data: str) -> None:
        if not self._hidden and (line := " ".join(data.split())):
            self.lines.append(line)


def _html_lines(raw: bytes) -> list[str]:
    seen = _VisibleText()
    seen.feed(raw.decode("utf-8-sig", "replace"))
    seen.close()
    return seen.lines


# --- PDF ----------------------------------------------------------------------------------------------------------


def _pdf(record: StoredRecord, document: Document, fresh: bytes) -> list[RecordCheck]:
    wrong = list(_attachments(record, document))
    lines = [RecordCheck(False, f"Of the files inside, {text}.") for text in few(wrong)]
    if not wrong:
        lines.append(RecordCheck(True, "The files inside are those that this job gives."))
    wrong = _pdf_text(record, fresh)
    if wrong and _set_by_other_fonts(document):
        first = "Characters that this program's own fonts lack may look different on another computer"
        return [*lines, *(RecordCheck(None, f"{first}: {text}.") for text in few(wrong))]
    if wrong:
        return [*lines, *(RecordCheck(False, f"On the pages, {text}.") for text in few(wrong))]
    return [*lines, _pdf_bytes(record.raw, fresh)]


def _set_by_other_fonts(document: Document) -> bool:
    import typst

    return other_fonts_matter(typst, document)


def _attachments(record: StoredRecord, document: Document) -> Iterator[str]:
    """Every file inside a record, compared with the expected one."""
    import msgspec

    own = {each.name: each.data for each in document.attachments}
    for name in sorted(own.keys() | record.attachments.keys()):
        shown_name = f"“{clean_text(name)[:60]}”"
        if name not in own:
            yield f"{shown_name} belongs to no record"
        elif name not in record.attachments:
            yield f"{shown_name} is missing"
        elif name == RESULTS:  # results and log have been compared value by value
            plain = msgspec.json.decode(own[name])
            for key in ("how_to_check", "printed", "created_at"):
                for path, found, expected in differences(record.data.get(key, MISSING), plain.get(key, MISSING)):
                    yield f"{key}{path} of {shown_name} is {shown(found)}, and this job gives {shown(expected)}"
        elif own[name] != record.attachments[name]:
            yield f"{shown_name} is not the one that this job gives"


def _pdf_text(record: StoredRecord, fresh: bytes) -> list[str]:
    begin = time.process_time()
    expected = pdf_pages(fresh)
    own_s = time.process_time() - begin
    try:
        found = foreign_pdf_pages(record.raw, clean_text(record.path.name), len(expected), CPU_S + 3 * own_s)
    except InputError as error:
        return [f"the text was not read: {error.found}"]
    if len(found) != len(expected):
        count = f"more than {len(expected)}" if len(found) > len(expected) else f"{len(found)}"
        return [f"there are {count} in the record, and this job gives {len(expected)}"]
    return [
        text
        for number, (page, own) in enumerate(zip(found, expected, strict=True), start=1)
        for text in unlike(page.splitlines(), own.splitlines(), f"page {number}, ")
    ]


def _pdf_bytes(raw: bytes, fresh: bytes) -> RecordCheck:
    """The result for a PDF with the right text but other bytes: the text does not show what was drawn over it."""
    if raw.startswith(fresh):
        cause = (
            "Something was added after the record was made, such as a signature; it may cover or replace what it held"
        )
    else:
        cause = (
            "The file was saved again by another program, or typeset by another version or with other fonts; or something "
            "was covered, cut off or drawn over"
        )
    return RecordCheck(
        None,
        f"The words of every page are right, but the file is not, to the byte, the one that this job gives. {cause}. "
        "Write the record again and compare the two by eye.",
    )
