"""Holds a record against the job it was made from: log, results, pages; each in one sentence.

A record is right when its digest is one of the job's log, every row it quotes stands so in the job, and everything it
prints follows again from the readings as they stood then.
"""

from __future__ import annotations

import re
import threading
from base64 import b64decode
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from html import unescape
from itertools import zip_longest
from pathlib import Path
from typing import Any

from commission import __version__
from commission.model import CancelToken, CommissionError, Event, InputError, Progress
from commission.model.units import clean_text
from commission.record.document import Letterhead
from commission.record.export import record_document, render
from commission.record.reading import RESULTS, StoredRecord, pdf_pages, read_record
from commission.record.results import RECORD_SCHEMA, log_rows, record_json
from commission.record.words import SHIPPED
from commission.visit import Visit

MOST_NAMED = 5
"""So many differences are named of each kind; the rest are counted."""
_MISSING = object()
_TAG = re.compile(r"<[^>]*>")
_UNSEEN = re.compile(r"<(style|script|desc)\b.*?</\1>", re.DOTALL)
_FRAME = ("how_to_check", "printed", "log", "digest", "schema", "program_version", "created_at")
"""Members of the JSON that are not results: compared on their own or by the pages."""


@dataclass(frozen=True, slots=True)
class Said:
    """One sentence of the check: True it is so, False it is not, None it could not be told."""

    holds: bool | None
    text: str

    @property
    def symbol(self) -> str:
        """✓ ✗ ?"""
        return "?" if self.holds is None else "✓" if self.holds else "✗"


def quiet(fraction: float, text: str) -> None:
    """A progress that nobody watches."""


def check_record(
    path: Path,
    visit: Visit,
    *,
    words: str | Path | None = None,
    cancel: CancelToken | None = None,
    progress: Progress = quiet,
) -> tuple[Said, ...]:
    """Everything that can be said of a record and its job; the record is right when nothing has `holds` False.

    `words`: the file of words the record was printed with, where it was none of the shipped ones. Whether the job
    itself is whole is said by `visit.verify`. Raises InputError for a file that is no record.
    """
    record = read_record(path)
    if record.data["schema"] != RECORD_SCHEMA:
        schema = clean_text(str(record.data["schema"]))
        return (
            Said(
                None, f"The record has the form “{schema}”; this program reads “{RECORD_SCHEMA}”. Update commission."
            ),
        )
    event, about_digest = _event_of(record, visit)
    said = [about_digest, *_log(record, visit.job.log)]
    if event is None:
        return (
            *said,
            Said(None, "Results and pages were not compared, because it is not known which log they are of."),
        )
    printed = record.data.get("printed")
    name = printed.get("job_file") if isinstance(printed, dict) else None
    # Under the name it had then: the record says how to check it, and names the file.
    then = visit.as_of(event.seq, visit.path.with_name(Path(name).name) if isinstance(name, str) and name else None)
    then.analyse(cancel or threading.Event(), progress)
    said += _results(record, then)
    if record.kind != "json":
        said += _pages(record, then, words)
    return tuple(said)


# --- the log ----------------------------------------------------------------------------------------------------


def _event_of(record: StoredRecord, visit: Visit) -> tuple[Event | None, Said]:
    digest, log = record.data.get("digest"), visit.job.log
    event = next((each for each in log if each.digest == digest), None)
    if event is None:
        return None, Said(
            False,
            f"The record's digest {_short(digest)} is of no event in {visit.path.name}: the record is of another job, or "
            "one of the two was changed.",
        )
    later = len(log) - event.seq
    since = "the log has not grown since" if not later else f"{later} later events are not in the record"
    return event, Said(True, f"The record's digest is that of event {event.seq} of {visit.path.name}; {since}.")


def _log(record: StoredRecord, log: Sequence[Event]) -> list[Said]:
    """Every row that the record quotes, against the job's."""
    rows = record.data.get("log")
    if not isinstance(rows, list) or not rows:
        return [Said(False, "The record quotes no log.")]
    import msgspec

    # Through JSON and back, so that both sides are the same plain values.
    expected = msgspec.json.decode(msgspec.json.encode(log_rows(log[: len(rows)])))
    wrong: list[str] = []
    for row, own in zip_longest(rows, expected):
        seq = row.get("seq") if isinstance(row, dict) else "?"
        if own is None:
            wrong.append(f"event {_shown(seq)} is in the record and not in the job")
        elif row != own:
            found = next(_differences(row, own), ("", _MISSING, _MISSING))
            wrong.append(f"event {own['seq']} ({own['kind']}): {_told(found)}")
    if wrong:
        return [Said(False, f"Of the log, {text}.") for text in _few(wrong)]
    if rows[-1].get("digest") != record.data.get("digest"):
        return [
            Said(
                False,
                "The last event that the record quotes does not have the record's digest: events were left out.",
            )
        ]
    return [Said(True, f"All {len(rows)} events that the record quotes stand so in the job.")]


# --- results and pages ------------------------------------------------------------------------------------------


def _results(record: StoredRecord, then: Visit) -> list[Said]:
    """What the readings give now, against what the record says."""
    import msgspec

    own = msgspec.json.decode(record_json(then))
    wrong = [
        f"{key}{_told_at(found)}"
        for key in sorted((set(own) | set(record.data)) - set(_FRAME))
        for found in _differences(record.data.get(key, _MISSING), own.get(key, _MISSING))
    ]
    if not wrong:
        return [Said(True, "Everything computed in the record follows again from the readings of that moment.")]
    made = record.data.get("program_version")
    if made != __version__:
        first = f"It was made by version {_shown(made)} and checked by {__version__}, which may judge differently"
        return [Said(None, f"{first}: {text}.") for text in _few(wrong)]
    return [Said(False, f"In the results, {text}.") for text in _few(wrong)]


def _pages(record: StoredRecord, then: Visit, words: str | Path | None) -> list[Said]:
    """The same pages made again, against those of the record."""
    made = record.data.get("program_version")
    if made != __version__:
        return [
            Said(None, f"The pages were made by version {_shown(made)} and could not be compared by {__version__}.")
        ]
    try:
        fresh = render(_again(record, then, words), f".{record.kind}")
    except CommissionError as error:
        return [Said(None, f"The pages could not be compared: {error}")]
    if fresh == record.raw:
        return [Said(True, "The pages are, to the byte, those that this job gives.")]
    compare: Callable[[bytes, bytes], list[str]] = _html_text if record.kind == "html" else _pdf_text
    wrong = compare(record.raw, fresh)
    if wrong:
        return [Said(False, f"On the pages, {text}.") for text in _few(wrong)]
    if record.kind == "html":
        return [
            Said(
                False,
                "The text of the page is right, but its drawings, pictures or data were changed after it was made.",
            )
        ]
    return [_same_text(record.raw, fresh)]


def _same_text(raw: bytes, fresh: bytes) -> Said:
    """A PDF whose words are right and whose bytes are not."""
    if raw.startswith(fresh):
        return Said(
            None,
            "The text of every page is right; something was added after the record was made, such as a signature.",
        )
    return Said(
        None,
        "The text of every page is right. Drawings and pictures could not be compared, because the file was saved again "
        "by another program, or typeset by another version or with other fonts.",
    )


def _again(record: StoredRecord, then: Visit, words: str | Path | None) -> Any:
    printed = record.data.get("printed")
    if not isinstance(printed, dict):
        raise InputError(record.path.name, "no word on how it was printed", "a record made by this version")
    used = printed.get("words")
    if words is None:
        if used not in SHIPPED:
            raise InputError(
                record.path.name, f"words from the file {_shown(used)}", "that file", "Give it with --language."
            )
        words = str(used)
    head = printed.get("letterhead")
    head = head if isinstance(head, dict) else {}
    logo = head.get("logo_base64")
    try:
        letterhead = Letterhead(
            name=str(head.get("name", "")), lines=tuple(map(str, head.get("lines", ()))),
            logo=None if logo is None else b64decode(logo, validate=True), logo_media_type=head.get("logo_media_type"),
        )  # fmt: skip
    except (TypeError, ValueError) as error:
        raise InputError(record.path.name, "a damaged letterhead", "the letterhead it was printed with") from error
    paper = printed.get("paper")
    return record_document(
        then, language=words, paper="us-letter" if paper == "us-letter" else "a4", letterhead=letterhead,
        created_at=str(record.data.get("created_at", "")),
    )  # fmt: skip


def _html_text(raw: bytes, fresh: bytes) -> list[str]:
    def lines(data: bytes) -> list[str]:
        text = _UNSEEN.sub("", data.decode("utf-8", "replace"))
        return [line for each in text.splitlines() if (line := unescape(_TAG.sub(" ", each)).strip())]

    return _unlike(lines(raw), lines(fresh), "")


def _pdf_text(raw: bytes, fresh: bytes) -> list[str]:
    try:
        found = pdf_pages(raw)
    except Exception as error:  # the reader raises whatever a damaged file provokes
        return [f"the text cannot be read ({clean_text(str(error))[:80]})"]
    expected = pdf_pages(fresh)
    if len(found) != len(expected):
        return [f"there are {len(found)} in the record, and this job gives {len(expected)}"]
    return [
        text
        for number, (page, own) in enumerate(zip(found, expected, strict=True), start=1)
        for text in _unlike(page.splitlines(), own.splitlines(), f"page {number}, ")
    ]


def _unlike(found: Sequence[str], expected: Sequence[str], where: str) -> list[str]:
    import difflib

    out = []
    for kind, i1, i2, j1, j2 in difflib.SequenceMatcher(None, found, expected, autojunk=False).get_opcodes():
        if kind != "equal":
            said, own = (" / ".join(each) or "nothing" for each in (found[i1:i2], expected[j1:j2]))
            out.append(f"{where}the record has “{_around(said, own)}” where the job gives “{_around(own, said)}”")
    return out


def _around(text: str, other: str) -> str:
    """The part of a text in which it differs from another."""
    start = next((i for i, (a, b) in enumerate(zip(text, other, strict=False)) if a != b), min(len(text), len(other)))
    start = max(0, start - 30)
    return clean_text(("…" if start else "") + text[start : start + 70] + ("…" if len(text) > start + 70 else ""))


# --- differences in words ---------------------------------------------------------------------------------------

Difference = tuple[str, object, object]


def _differences(record: object, own: object, path: str = "") -> Iterator[Difference]:
    """Where two plain values differ: the path, the record's value, the job's."""
    if isinstance(record, dict) and isinstance(own, dict):
        for key in dict.fromkeys((*own, *record)):
            yield from _differences(
                record.get(key, _MISSING), own.get(key, _MISSING), f"{path}.{clean_text(str(key))}"
            )
    elif isinstance(record, list) and isinstance(own, list):
        for i, (a, b) in enumerate(zip_longest(record, own, fillvalue=_MISSING)):
            yield from _differences(a, b, f"{path}[{i}]")
    elif type(record) is not type(own) or record != own:
        yield path, record, own


def _told(found: Difference) -> str:
    path, record, own = found
    return f"{path.lstrip('.')} is {_shown(record)} in the record and {_shown(own)} in the job"


def _told_at(found: Difference) -> str:
    path, record, own = found
    return f"{path} is {_shown(record)} in the record, and the readings give {_shown(own)}"


def _shown(value: object) -> str:
    if value is _MISSING:
        return "missing"
    text = clean_text(str(value))
    return text if len(text) <= 60 else f"{text[:59]}…"


def _short(digest: object) -> str:
    return f"{_shown(digest)[:12]}…"


def _few(texts: Sequence[str]) -> list[str]:
    rest = len(texts) - MOST_NAMED
    return [*texts[:MOST_NAMED], *([f"{rest} more differences are not listed"] if rest > 0 else [])]


__all__ = ["RESULTS", "Said", "check_record"]
