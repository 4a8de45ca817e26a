"""Compares a record with the job it was made from (log, results, pages), with one sentence for each.

A record is right when its digest is one of the job's log, every row it quotes matches the job, and everything it prints
is recomputed identically from the readings of that moment. What the job does not hold (the date of the record, the
letterhead) cannot be checked, and is named as the record's own.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator, Sequence
from itertools import zip_longest
from pathlib import Path
from typing import Any

from commission import __version__
from commission.model import CancelToken, Event, Progress, unwatched
from commission.model.units import clean_text
from commission.record.data.results import RECORD_SCHEMA, log_rows, record_json
from commission.record.verify.differences import MISSING, Difference, RecordCheck, differences, few, shown
from commission.record.verify.pages import check_pages
from commission.record.verify.stored_record import StoredRecord, read_record
from commission.visit import Visit

_FRAME = ("how_to_check", "printed", "log", "digest", "schema", "program_version", "created_at")
"""Members of the JSON that are not results, which are compared separately."""
_HOW_TO_CHECK = re.compile(r"commission verify [^\n]{1,260}: the digest must be the one above")


def check_record(
    path: Path,
    visit: Visit,
    *,
    cancel: CancelToken | None = None,
    progress: Progress = unwatched,
) -> tuple[RecordCheck, ...]:
    """The comparison of a record with its job; the record is right when each `matches` is True.

    `visit.verify` checks whether the job itself is whole. Raises InputError for any other file.
    """
    record = read_record(path)
    if record.data["schema"] != RECORD_SCHEMA:
        schema = shown(record.data["schema"])
        return (
            RecordCheck(
                None, f"The record has the form “{schema}”; this program reads “{RECORD_SCHEMA}”. Update commission."
            ),
        )
    event, about_digest = _event_of(record, visit)
    results = [about_digest, *_log(record, visit.job.log)]
    if event is None:
        return (
            *results,
            RecordCheck(None, "Results and pages were not compared, because it is not known which log they are of."),
        )
    # Under its name at that time: the record explains how to check it, and names the file.
    then = visit.as_of(event.seq, visit.path.with_name(_name_then(record, visit)))
    then.analyse(cancel or threading.Event(), progress)
    results += _results(record, then)
    results += _frame(record, event)
    if record.kind != "json":
        results += check_pages(record, then)
    return tuple(results)


def overall(results: Sequence[RecordCheck], *, log_whole: bool = True) -> RecordCheck:
    """The whole check in one sentence; a record is confirmed only if all of it was compared and the log is intact."""
    if not log_whole:
        return RecordCheck(False, "The job's log is broken, so it cannot confirm any record.")
    if any(each.matches is False for each in results):
        return RecordCheck(False, "This record does not match the job.")
    if any(each.matches is None for each in results):
        return RecordCheck(
            None,
            "This record is not confirmed: not all of it could be compared, or what differs may have another cause "
            "than a change.",
        )
    return RecordCheck(True, "This record is confirmed.")


def _name_then(record: StoredRecord, visit: Visit) -> str:
    printed = record.data.get("printed")
    name = printed.get("job_file") if isinstance(printed, dict) else None
    return (Path(clean_text(name)).name if isinstance(name, str) else "") or visit.path.name


# --- the log ----------------------------------------------------------------------------------------------------


def _event_of(record: StoredRecord, visit: Visit) -> tuple[Event | None, RecordCheck]:
    digest, log, job = record.data.get("digest"), visit.job.log, clean_text(visit.path.name)
    event = next((each for each in log if each.digest == digest), None)
    if event is None:
        short = f"{shown(digest)[:12]}…" if isinstance(digest, str) else shown(digest)
        return None, RecordCheck(
            False,
            f"The record's digest {short} is of no event in {job}: the record is of another job, or "
            "one of the two was changed.",
        )
    later = len(log) - event.seq
    since = {0: "the log has not grown since", 1: "one later event is not in the record"}.get(
        later, f"{later} later events are not in the record"
    )
    return event, RecordCheck(True, f"The record's digest is that of event {event.seq} of {job}; {since}.")


def _log(record: StoredRecord, log: Sequence[Event]) -> list[RecordCheck]:
    """Every row quoted in the record, compared with the job's."""
    rows = record.data.get("log")
    if not isinstance(rows, list) or not rows:
        return [RecordCheck(False, "The record quotes no log.")]
    import msgspec

    # Through JSON and back, so that both sides are the same plain values.
    expected = msgspec.json.decode(msgspec.json.encode(log_rows(log[: len(rows)])))
    if wrong := few(_wrong_rows(rows, expected)):
        return [RecordCheck(False, f"Of the log, {text}.") for text in wrong]
    if rows[-1].get("digest") != record.data.get("digest"):
        return [
            RecordCheck(
                False,
                "The last event that the record quotes does not have the record's digest: events were left out.",
            )
        ]
    return [RecordCheck(True, f"All {len(rows)} events that the record quotes match the job.")]


def _wrong_rows(rows: Sequence[Any], expected: Sequence[dict[str, Any]]) -> Iterator[str]:
    for row, own in zip_longest(rows, expected):
        if own is None:
            seq = row.get("seq") if isinstance(row, dict) else "?"
            yield f"event {shown(seq)} is in the record and not in the job"
        elif not isinstance(row, dict):
            yield f"event {own['seq']} ({own['kind']}) is {shown(row)} in the record"
        elif (found := next(differences(row, own), None)) is not None:
            yield f"event {own['seq']} ({own['kind']}): {_row_difference(found)}"


# --- results ----------------------------------------------------------------------------------------------------


def _results(record: StoredRecord, then: Visit) -> list[RecordCheck]:
    """The recomputed results compared with those in the record."""
    import msgspec

    own = msgspec.json.decode(record_json(then))
    wrong = few(
        f"{clean_text(key)[:60]}{_result_difference(found)}"
        for key in sorted((set(own) | set(record.data)) - set(_FRAME))
        for found in differences(record.data.get(key, MISSING), own.get(key, MISSING))
    )
    if not wrong:
        same = "Everything computed in the record is recomputed identically from the readings of that moment."
        return [RecordCheck(True, same)]
    made = record.data.get("program_version")
    if made != __version__:
        first = f"It was made by version {shown(made)} and checked by {__version__}, which may judge differently"
        return [RecordCheck(None, f"{first}: {text}.") for text in wrong]
    return [RecordCheck(False, f"In the results, {text}.") for text in wrong]


def _frame(record: StoredRecord, event: Event) -> list[RecordCheck]:
    """Version, date and instructions in the JSON."""
    data, text = record.data, []
    if not _HOW_TO_CHECK.fullmatch(str(data.get("how_to_check"))):
        text.append(RecordCheck(False, f"The record says how to check it as “{shown(data.get('how_to_check'))}”."))
    made = data.get("program_version")
    if made != __version__:
        text.append(RecordCheck(None, f"The record names version {shown(made)}; this is {__version__}."))
    created = data.get("created_at")
    if isinstance(created, str) and created < event.at[:19]:
        text.append(
            RecordCheck(
                None,
                f"The record is dated {shown(created)}, before its last event ({event.at[:19]}Z): a clock was wrong, "
                "or the date was changed.",
            )
        )
    if record.kind == "json" and ("printed" in data or created is not None):
        text.append(
            RecordCheck(
                None,
                "It contains the date and letterhead of a printed record, which cannot be compared without its pages.",
            )
        )
    return text


# --- differences in words ---------------------------------------------------------------------------------------


def _row_difference(found: Difference) -> str:
    path, record, own = found
    return f"{path.lstrip('.')} is {shown(record)} in the record and {shown(own)} in the job"


def _result_difference(found: Difference) -> str:
    path, record, own = found
    gives = "nothing of the kind" if own is MISSING else shown(own)
    return f"{path} is {shown(record)} in the record, and the readings give {gives}"


__all__ = ["RecordCheck"]
