"""The job file: round trips, refusals, tampering, two programs, a full disk, and kill -9 at any moment."""

from __future__ import annotations

import hashlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from commission import history
from commission.history import fold
from commission.job.codec import decode, encode, kind_of
from commission.job.identity import APPLICATION_ID
from commission.job.store import JobFile, _Deadline
from commission.model import (
    ActionLogged,
    Decided,
    Event,
    EventBody,
    InputError,
    JobCreated,
    Noted,
    ReadingEntered,
    ResponseStored,
    RoundOpened,
    Setting,
    SettingEntered,
    Signed,
    StoreError,
    System,
    SystemDefined,
    Withdrawn,
)

OPENING = (
    JobCreated(title="Harbour Lane cinema", program_version="0"),
    SystemDefined(system=System(title="Harbour Lane")),
)

words = st.text(max_size=12)
bodies = st.one_of(
    st.builds(
        SettingEntered,
        setting=st.builds(
            Setting,
            round=st.sampled_from(["as-found", "as-left"]),
            channel=words,
            trim_db=st.none() | st.floats(-20, 20),
            distance=st.none() | st.floats(0, 30),
            polarity=st.sampled_from([None, "normal", "reversed"]),
        ),
    ),
    st.builds(
        ReadingEntered,
        round=words,
        step=words,
        channel=st.none() | words,
        seat=st.none() | words,
        quantity=words,
        value=st.floats(-200, 1000),
        unit=words,
    ),
    st.builds(Noted, step=words, round=st.none() | words, text=words),
    st.builds(
        ActionLogged,
        round=words,
        finding=words,
        title=words,
        channels=st.lists(words, max_size=2).map(tuple),
        seats=st.lists(words, max_size=2).map(tuple),
        action=st.sampled_from(["repaired", "adjusted", "replaced", "accepted", "later"]),
        by=words,
        note=words,
    ),
    st.builds(Decided, round=words, step=words, key=words, value=words),
    st.builds(Signed, role=st.sampled_from(["technician", "client"]), name=words),
    st.builds(RoundOpened, round=words),
    st.builds(Withdrawn, seq=st.integers(1, 12), reason=words),
)


@given(body=bodies)
def test_encoding_and_decoding_gives_the_same_event(body: EventBody) -> None:
    assert decode(kind_of(body), encode(body), 1) == body


@given(log=st.lists(bodies, max_size=12), cut=st.integers(0, 12))
def test_folding_in_two_parts_equals_folding_at_once(log: list[EventBody], cut: int) -> None:
    events = [Event(seq=i, at="", body=body) for i, body in enumerate(log, start=1)]
    assert fold(events[cut:], fold(events[:cut])) == fold(events)
    one_by_one = fold(())
    for event in events:
        one_by_one = fold((event,), one_by_one)
    assert one_by_one == fold(events)


def test_a_new_entry_is_folded_without_the_earlier_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    taken: list[int] = []
    take = history._PartialJob.take
    monkeypatch.setattr(history._PartialJob, "take", lambda self, event: taken.append(event.seq) or take(self, event))  # type: ignore[func-returns-value]
    log = [Event(seq=i, at="", body=Noted(step="site", text="x")) for i in range(1, 100)]
    job = fold(log[:98])
    taken.clear()
    assert fold(log[98:], job).log == tuple(log)
    assert taken == [99]


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_values_that_json_cannot_hold_are_refused_before_anything_is_written(value: float, tmp_path: Path) -> None:
    job = JobFile.create(tmp_path / "a.commission")
    job.append(OPENING)
    reading = ReadingEntered(round="as-found", step="levels", quantity="level", value=value, unit="dB")
    with pytest.raises(InputError, match="value"):
        job.append([Noted(step="site", text="fine"), reading])
    assert len(job.events()) == 2
    job.close()


def test_half_a_surrogate_pair_is_refused_with_the_kind_of_its_entry() -> None:
    with pytest.raises(InputError) as caught:
        encode(Noted(step="site", text="a\ud800b"))  # as file names may hold
    assert (caught.value.where, caught.value.found, caught.value.expected) == (
        "noted",
        "an invalid character",
        "text",
    )


@pytest.mark.parametrize(("kind", "text"), [("from-the-future", "{}"), ("noted", "{"), ("noted", '{"text": 3}')])
def test_unreadable_events_are_named(kind: str, text: str) -> None:
    with pytest.raises(StoreError, match="Event 7"):
        decode(kind, text, 7)


@pytest.fixture
def stored(tmp_path: Path) -> Path:
    """A job with two recordings, closed."""
    path = tmp_path / "job.commission"
    job = JobFile.create(path)
    job.append(OPENING)
    for n in range(2):
        data = bytes([n]) * 1000
        sha = hashlib.sha256(data).hexdigest()
        job.append(
            [
                ResponseStored(
                    round="as-found", channel="FL", seat=f"A{n}", kind="impulse", file_name="x.wav", file_sha256=sha
                )
            ],
            {sha: data},
        )
    job.append([Noted(step="site", text="done")])
    job.close()
    return path


def test_the_chain_can_be_recomputed_from_the_recipe_alone(stored: Path) -> None:
    """With sqlite3 and hashlib, by the recipe in the module docstring."""
    database = sqlite3.connect(stored)
    prev = b""
    for seq, at, kind, body, blob, stored_prev, digest in database.execute(
        "SELECT seq, at, kind, body, blob, prev, hash FROM event ORDER BY seq"
    ):
        assert stored_prev == prev
        prev = hashlib.sha256(prev + "\x1f".join([str(seq), at, kind, body, blob or ""]).encode()).digest()
        assert prev == digest
    for sha, data in database.execute("SELECT sha256, data FROM blob"):
        assert hashlib.sha256(data).hexdigest() == sha
    assert database.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
    database.close()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE event SET body = '{}' WHERE seq = 2",
        "DELETE FROM event WHERE seq = 2",
        "INSERT OR REPLACE INTO event SELECT seq, at, kind, '{}', blob, prev, hash FROM event WHERE seq = 2",
        "INSERT INTO event SELECT seq + 40, at, kind, body, blob, prev, hash FROM event WHERE seq = 2",
        "UPDATE blob SET data = x'00'",
        "DELETE FROM blob",
        "INSERT OR REPLACE INTO blob SELECT sha256, x'00' FROM blob LIMIT 1",
    ],
)
def test_the_file_itself_refuses_changes(stored: Path, statement: str) -> None:
    database = sqlite3.connect(stored)
    with pytest.raises(sqlite3.Error):
        database.execute(statement)
    database.close()


def _tamper(path: Path, *statements: str) -> None:
    database = sqlite3.connect(path, isolation_level=None)
    triggers = database.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        database.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        database.execute(statement)
    for _, sql in triggers:  # put back, since the file would otherwise be refused before its log is read
        database.execute(sql)
    database.close()


@pytest.mark.parametrize(
    ("statements", "word"),
    [
        (("UPDATE event SET body = replace(body, 'done', 'gone') WHERE seq = 5",), "event 5"),
        (("UPDATE event SET at = '2020-01-01T00:00:00.000+00:00' WHERE seq = 1",), "event 1"),
        (("DELETE FROM event WHERE seq = 4",), "event 4 is missing"),
        (
            (
                "UPDATE event SET seq = 99 WHERE seq = 3",
                "UPDATE event SET seq = 3 WHERE seq = 4",
                "UPDATE event SET seq = 4 WHERE seq = 99",
            ),
            "event 3",
        ),
        (("UPDATE blob SET data = x'00' WHERE rowid = 1",), "event 3"),
        (("DELETE FROM blob WHERE rowid = 2",), "event 4"),
    ],
)
def test_every_kind_of_tampering_is_detected(stored: Path, statements: tuple[str, ...], word: str) -> None:
    whole = JobFile.open(stored, read_only=True)
    assert whole.verify() is None
    whole.close()
    _tamper(stored, "PRAGMA foreign_keys=OFF", *statements)
    job = JobFile.open(stored, read_only=True)
    broken = job.verify()
    job.close()
    assert broken is not None
    assert word in broken


def test_verification_reports_its_progress(stored: Path) -> None:
    printed: list[tuple[float, str]] = []
    with closing(JobFile.open(stored, read_only=True)) as job:
        assert job.verify(lambda share, text: printed.append((share, text))) is None
    assert printed == [(0.0, "recording 1 of 2"), (0.5, "recording 2 of 2"), (1.0, "")]


def test_a_second_writer_is_refused_but_readers_are_not(stored: Path) -> None:
    first = JobFile.open(stored)
    with pytest.raises(StoreError, match="in use by another program"):
        JobFile.open(stored)
    reader = JobFile.open(stored, read_only=True)
    before = len(reader.events())
    first.append([Noted(step="site", text="while being read")])
    assert len(reader.events()) == before + 1
    with pytest.raises(StoreError, match="reading only"):
        reader.append([Noted(step="site", text="no")])
    reader.close()
    first.close()
    JobFile.open(stored).close()
    assert [p.name for p in stored.parent.iterdir()] == [stored.name]  # a closed job is a single file


def test_a_writer_in_another_program_is_refused_too(stored: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from commission.job.store import JobFile\n"
        "job = JobFile.open(Path(sys.argv[1])); print('open', flush=True); sys.stdin.read()"
    )
    other = subprocess.Popen([sys.executable, "-c", code, str(stored)], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert other.stdout is not None
    assert other.stdout.readline().strip() == b"open"
    with pytest.raises(StoreError, match="in use"):
        JobFile.open(stored)
    other.kill()
    other.communicate()
    JobFile.open(stored).close()  # the lock ended with the program


def test_each_kind_of_wrong_file_has_its_own_message(tmp_path: Path, stored: Path) -> None:
    foreign, text, newer, cut = (tmp_path / name for name in ("f.db", "t.commission", "n.commission", "c.commission"))
    sqlite3.connect(foreign).execute("CREATE TABLE t (a)").connection.close()
    text.write_text("hello " * 100)
    newer.write_bytes(stored.read_bytes())
    database = sqlite3.connect(newer)
    database.execute("PRAGMA user_version = 99")
    database.close()
    cut.write_bytes(stored.read_bytes()[:5000])
    empty = tmp_path / "e.commission"
    empty.touch()
    sentences = {}
    for path in (foreign, text, newer, empty, tmp_path, tmp_path / "missing.commission"):
        with pytest.raises(StoreError) as caught:
            JobFile.open(path)
        sentences[path.name] = str(caught.value)
    assert len(set(sentences.values())) == 6
    for name, word in (
        ("f.db", "other program"),
        ("t.commission", "not a job"),
        ("n.commission", "newer"),
        ("e.commission", "empty"),
        ("missing.commission", "does not exist"),
    ):
        assert word in sentences[name]
    try:
        damaged = JobFile.open(cut)
    except StoreError as error:
        assert "damaged" in str(error)
    else:
        assert damaged.verify() is not None
        damaged.close()


def test_creating_never_overwrites(stored: Path, tmp_path: Path) -> None:
    before = stored.read_bytes()
    with pytest.raises(StoreError, match="exists already"):
        JobFile.create(stored)
    assert stored.read_bytes() == before
    with pytest.raises(StoreError, match="not a folder"):
        JobFile.create(tmp_path / "nowhere" / "x.commission")


def test_a_full_disk_loses_nothing_that_was_stored(stored: Path) -> None:
    """SQLite's own page limit replaces the full disk: the same error code, SQLITE_FULL."""
    job = JobFile.open(stored)
    count = len(job.events())
    pages = job._db.execute("PRAGMA page_count").fetchone()[0]
    job._db.execute(f"PRAGMA max_page_count={pages}")
    data = os.urandom(300_000)
    sha = hashlib.sha256(data).hexdigest()
    body = ResponseStored(round="as-found", channel="FL", seat="B1", kind="impulse", file_name="x", file_sha256=sha)
    with pytest.raises(StoreError, match="disk is full"):
        job.append([body], {sha: data})
    assert len(job.events()) == count
    job._db.execute("PRAGMA max_page_count=1000000")
    job.append([body], {sha: data})
    assert job.verify() is None
    job.close()


def test_a_log_without_events_is_not_valid(tmp_path: Path) -> None:
    with closing(JobFile.create(tmp_path / "begun.commission")) as job:
        assert job.verify() == "the log is empty"


@pytest.mark.skipif(os.name == "nt", reason="Windows keeps an open file where it is")
def test_a_file_removed_while_open_is_reported(stored: Path) -> None:
    journal = JobFile.open(stored)
    aside = stored.rename(stored.with_name("aside.commission"))
    with pytest.raises(StoreError, match=r"is gone: it was moved, renamed or deleted"):
        journal.append((Noted(step="site", round=None, text="into the void"),))
    aside.rename(stored)
    journal.append((Noted(step="site", round=None, text="back again"),))
    journal.close()


def test_a_file_that_cannot_be_written_opens_for_reading(stored: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Root may write anywhere, so the answer of the system is replaced here."""
    monkeypatch.setattr(os, "access", lambda path, mode: mode != os.W_OK)
    job = JobFile.open(stored)
    assert job.read_only
    assert len(job.events()) == 5
    job.close()


def test_a_recording_must_match_its_digest(tmp_path: Path) -> None:
    job = JobFile.create(tmp_path / "a.commission")
    body = ResponseStored(round="r", channel="c", seat="s", kind="impulse", file_name="x", file_sha256="0" * 64)
    for blobs in ({}, {"0" * 64: b"other"}):
        with pytest.raises(InputError):
            job.append([JobCreated(title="t", program_version="0"), body], blobs)
    assert job.events() == ()
    job.close()


WRITER = """
import hashlib, os, sys
from pathlib import Path
from commission.job.store import JobFile, _Deadline
from commission.model import ResponseStored
job = JobFile.open(Path(sys.argv[1]))
n = 0
while True:
    data = os.urandom(20000)
    sha = hashlib.sha256(data).hexdigest()
    event, = job.append([ResponseStored(round="as-found", channel="FL", seat="A1", kind="impulse", file_name=f"{n}.wav",
                                        file_sha256=sha)], {sha: data})
    print(event.seq, sha, flush=True)
    n += 1
"""


def test_kill_at_any_moment_loses_no_acknowledged_event(stored: Path) -> None:
    """Twelve times a writer is killed with SIGKILL; what it had acknowledged is there, and the chain is whole."""
    rng = random.Random(1)
    acknowledged: dict[int, str] = {}
    for _ in range(12):
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(stored)], stdout=subprocess.PIPE, text=True)
        assert writer.stdout is not None
        line = writer.stdout.readline()
        time.sleep(rng.uniform(0.0, 0.12))
        writer.send_signal(signal.SIGKILL)
        rest, _ = writer.communicate()
        for printed in (line + rest).splitlines():
            parts = printed.split()
            if len(parts) == 2 and len(parts[1]) == 64:  # the last line may be incomplete
                acknowledged[int(parts[0])] = parts[1]
    job = JobFile.open(stored)
    assert job.verify() is None
    events = {event.seq: event for event in job.events()}
    assert len(acknowledged) >= 12
    for seq, sha in acknowledged.items():
        assert events[seq].blob_sha256 == sha
        job.blob(sha)
    job.close()


def test_sqlite_gives_up_only_past_its_deadline() -> None:
    deadline = _Deadline()
    assert not deadline.is_over()  # none is set
    for left_s, over in ((10.0, False), (-0.001, True)):
        deadline.at_s = time.thread_time() + left_s
        assert deadline.is_over() is over
