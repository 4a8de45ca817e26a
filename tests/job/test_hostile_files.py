"""Hostile and truncated job files are refused promptly in one sentence."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import pytest

from commission.job import store
from commission.job.identity import SCHEMA_DIGESTS, VERSION, schema_digest
from commission.job.store import JobFile, row_digest
from commission.model import EventBody, JobCreated, Noted, ReadingEntered, StoreError
from commission.model.unfinished_files import unfinished_name

OPENING: list[EventBody] = [
    JobCreated(title="Harbour Lane", program_version="0"),
    Noted(step="site", text="the note"),
]
AT = "2026-03-14T09:00:00.000+00:00"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "job.commission"
    JobFile.create(path, OPENING).close()
    return path


def read(path: Path, read_only: bool) -> None:
    job = JobFile.open(path, read_only=read_only)
    try:
        job.events()
    finally:
        job.close()


def refusal(path: Path, *, read_only: bool = False) -> str:
    """The error of opening and reading the log, which must come within two seconds."""
    begin = time.process_time()
    with pytest.raises(StoreError) as error:
        read(path, read_only)
    assert time.process_time() - begin < 2
    assert str(error.value).count("\n") == 0
    return str(error.value)


def change(path: Path, *statements: str) -> None:
    database = sqlite3.connect(path, isolation_level=None)
    for statement in statements:
        database.execute(statement)
    database.close()


def test_the_known_schema_matches_the_file() -> None:
    database = sqlite3.connect(":memory:")
    database.executescript(files("commission.job").joinpath("schema.sql").read_text(encoding="utf-8"))
    assert schema_digest(database) == SCHEMA_DIGESTS[VERSION]
    database.close()


@pytest.mark.parametrize(
    "statements",
    [
        ("CREATE TRIGGER swallow BEFORE INSERT ON event BEGIN SELECT RAISE(IGNORE); END",),
        ("CREATE TRIGGER other AFTER INSERT ON event BEGIN INSERT INTO blob VALUES ('x', x'00'); END",),
        ("DROP TRIGGER event_no_update",),
        ("ALTER TABLE event RENAME TO log", "CREATE VIEW event AS SELECT * FROM log"),
        (
            "ALTER TABLE event RENAME TO log",
            "CREATE VIEW event AS WITH RECURSIVE n(seq) AS (SELECT 1 UNION ALL SELECT seq + 1 FROM n) "
            "SELECT seq, '' AS at, '' AS kind, '' AS body, NULL AS blob, x'' AS prev, x'' AS hash FROM n",
        ),
        ("ALTER TABLE event ADD COLUMN more TEXT",),
        ("CREATE INDEX by_kind ON event (kind)",),
        ("CREATE TABLE more (a)",),
        ("ANALYZE",),
        ("PRAGMA user_version = 0",),
        ("DROP TABLE event",),
    ],
)
def test_other_tables_views_and_triggers_are_refused(path: Path, statements: tuple[str, ...]) -> None:
    change(path, *statements)
    assert "other tables, views or triggers than a job" in refusal(path)
    assert "other tables, views or triggers than a job" in refusal(path, read_only=True)


def test_a_write_ahead_log_is_refused_and_not_opened(path: Path) -> None:
    change(path, "PRAGMA journal_mode = WAL")
    assert "in a format that no job uses" in refusal(path)
    assert [each.name for each in path.parent.iterdir()] == [path.name]


def test_a_journal_that_names_another_file_deletes_nothing(path: Path, tmp_path: Path) -> None:
    """SQLite deletes the super-journal that a journal names, once it has rolled back (file format, 3; pager.c)."""
    victim = tmp_path / "victim.txt"
    victim.write_text("keep me")
    name = os.fsencode(victim)
    page = (512).to_bytes(4, "big")
    header = (
        b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7" + bytes(12) + (2).to_bytes(4, "big") + page + (4096).to_bytes(4, "big")
    )
    end = b"\0\0\0\0" + name + len(name).to_bytes(4, "big") + sum(name).to_bytes(4, "big") + header[:8]
    (tmp_path / "job.commission-journal").write_bytes(header.ljust(512, b"\0") + end)
    assert "is not the journal of a job" in refusal(path)
    assert "is not the journal of a job" in refusal(path, read_only=True)
    assert victim.read_text() == "keep me"


def raw(path: Path, *values: object) -> None:
    """Add a third event with these values in spite of strict types, by declaring the table without them for a while."""
    sql = _declare(path, None)
    database = sqlite3.connect(path, isolation_level=None)
    database.execute("INSERT INTO event VALUES (?,?,?,?,?,?,?)", values)
    database.close()
    _declare(path, sql)


def _declare(path: Path, sql: str | None) -> str:
    """Replace the declaration of the log by this one, or by one without strict types; returns the original."""
    database = sqlite3.connect(path, isolation_level=None)
    ((own,),) = database.execute("SELECT sql FROM sqlite_master WHERE name = 'event'")
    loose = own.replace("STRICT", "").replace(" NOT NULL", "")
    database.execute("PRAGMA writable_schema = ON")
    database.execute("UPDATE sqlite_master SET sql = ? WHERE name = 'event'", (loose if sql is None else sql,))
    database.close()
    return str(own)


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ((3, b"5", "noted", "{}", None, b"\1" * 32, b"\1" * 32), "the wrong type"),
        ((3, AT, None, "{}", None, b"\1" * 32, b"\1" * 32), "the wrong type"),
        ((3, AT, "noted", b"{}", None, b"\1" * 32, b"\1" * 32), "the wrong type"),
        ((3, AT, b"noted", "{}", None, b"\1" * 32, b"\1" * 32), "the wrong type"),
        ((3, AT, "noted", "{}", b"x", b"\1" * 32, b"\1" * 32), "the wrong type"),
        ((3, AT, "noted", "{}", None, "prev", b"\1" * 32), "the wrong type"),
        ((3, AT, "noted", "{}", None, None, None), "the wrong type|no digest"),
        ((3, AT, "noted", "{}", None, b"\1" * 32, b"\1" * 31), "an invalid digest"),
        ((3, AT, "noted", "{}", "../../x", b"\1" * 32, b"\1" * 32), "recording|invalid digest"),
        (
            (3, "yesterday", "noted", "{}", None, b"\1" * 32, b"\1" * 32),
            "dated “yesterday”, which is not a valid time",
        ),
        (
            (3, "2026-02-31T09:00:00.000+00:00", "noted", "{}", None, b"\1" * 32, b"\1" * 32),
            "which is not a valid time",
        ),
    ],
)
def test_values_of_another_type_are_refused(path: Path, values: tuple[object, ...], word: str) -> None:
    raw(path, *values)
    assert re.search(word, refusal(path, read_only=True))


def test_invalid_characters_are_refused(path: Path) -> None:
    database = sqlite3.connect(path, isolation_level=None)
    database.execute("DROP TRIGGER event_no_update")
    database.execute("UPDATE event SET body = CAST(x'7b22ff227d' AS TEXT) WHERE seq = 2")
    database.close()
    database = sqlite3.connect(path, isolation_level=None)
    script = files("commission.job").joinpath("schema.sql").read_text(encoding="utf-8")
    (line,) = (line for line in script.splitlines() if "event_no_update" in line)
    database.execute(line.rstrip(";"))
    database.close()
    assert "damaged" in refusal(path)


def test_a_damaged_schema_is_refused_in_one_sentence(path: Path) -> None:
    data = bytearray(path.read_bytes())
    for word, other in ((b"CREATE TABLE event", b"CREATE TABLE \xff\xfeent"), (b"TRIGGER", b"TR\xffGGER")):
        place = data.find(word)
        data[place : place + len(word)] = other
    path.write_bytes(data)
    assert "damaged" in refusal(path) or "other tables" in refusal(path)


def test_any_damage_gives_one_sentence(path: Path, tmp_path: Path) -> None:
    """Random bytes anywhere in the file: it opens, is refused or fails `verify`; never a traceback, never slow."""
    import random

    rng = random.Random(5)
    whole = path.read_bytes()
    other = tmp_path / "other.commission"
    for _ in range(300):
        data = bytearray(whole)
        for _ in range(rng.choice((1, 3, 30))):
            start = rng.choice((rng.randrange(100), rng.randrange(4096), rng.randrange(len(data))))
            data[start] = rng.randrange(256)
        other.write_bytes(data[: rng.choice((len(data), len(data), rng.randrange(len(data))))])
        begin = time.process_time()
        try:
            job = JobFile.open(other)
            try:
                job.events()
            finally:
                job.verify()
                job.close()
        except StoreError as error:
            assert len(str(error)) < 600
        assert time.process_time() - begin < 2
        for left in tmp_path.glob("other.commission-*"):
            left.unlink()


def test_sizes_are_limited_before_anything_is_read(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    job = JobFile.open(path)
    job.append([Noted(step="site", text="x" * 5000)])
    job.close()
    monkeypatch.setattr(store, "LARGEST_EVENT_BYTES", 4000)
    assert "impossibly large" in refusal(path)
    monkeypatch.setattr(store, "LARGEST_EVENT_BYTES", 10_000)
    for name, most in (("LARGEST_LOG_BYTES", 5000), ("MOST_EVENTS", 2)):
        with monkeypatch.context() as limited:
            limited.setattr(store, name, most)
            assert "larger than that of any visit" in refusal(path)


def test_reading_stops_at_its_time_limit(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading a log that keeps SQLite busy is given up; here a slow query keeps it busy."""
    job = JobFile.open(path, read_only=True)
    monkeypatch.setattr(store, "MOST_CPU_S", 0.2)
    endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT count(*) FROM n"
    with pytest.raises(StoreError, match="longer to read than any job"), job._limited(0.2):
        job._db.execute(endless).fetchone()
    assert len(job.events()) == 2  # and works again afterwards
    job.close()


# --- files that cannot be read or written ---------------------------------------------------------------------------


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user may enter."""
    folder = Path(tempfile.mkdtemp(dir="/tmp"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


def as_nobody(path: Path) -> str:
    """The error of opening the job for reading, as a user without rights."""
    os.setresuid(65534, 65534, 0)
    try:
        job = JobFile.open(path, read_only=True)
        printed = f"{len(job.events())} events"
        job.close()
    except StoreError as error:
        printed = str(error)
    finally:
        os.setresuid(0, 0, 0)
    return printed


@pytest.mark.skipif(not hasattr(os, "setresuid") or os.getuid() != 0, reason="takes root, to become somebody else")
def test_the_reason_why_a_job_cannot_be_read_is_stated(path: Path, open_folder: Path) -> None:
    other = Path(shutil.copy(path, open_folder / "job.commission"))
    other.chmod(0o644)
    assert as_nobody(other) == "2 events"
    other.chmod(0o600)
    assert "cannot be read: Permission denied" in as_nobody(other)
    other.chmod(0o644)
    killed = (
        "import os, sys; from pathlib import Path; from commission.job import store; from commission.model import Noted\n"
        "job = store.JobFile.open(Path(sys.argv[1])); job._db.execute('PRAGMA cache_size = 1')\n"
        "job._db.execute(\"INSERT INTO blob VALUES ('x', zeroblob(900000))\"); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", killed, str(other)])
    journal = Path(f"{other}-journal")
    assert journal.stat().st_size > 0
    journal.chmod(0o644)
    printed = as_nobody(other)
    assert f"Copy it together with {journal}" in printed
    job = JobFile.open(other, read_only=True)  # whoever may write rolls back the unfinished transaction
    assert len(job.events()) == 2
    job.close()


def test_a_pipe_is_reported_as_a_pipe(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "x.commission")
    assert "is a pipe or a device" in refusal(tmp_path / "x.commission")
    assert "does not exist" in refusal(tmp_path / ("x" * 300))


def test_an_empty_journal_is_removed(path: Path) -> None:
    """A kill before its first page was written leaves one that SQLite neither plays back nor removes."""
    journal = Path(f"{path}-journal")
    journal.write_bytes(bytes(512))
    JobFile.open(path, read_only=True).close()
    assert journal.exists(), "a reader changes nothing"
    job = JobFile.open(path)
    assert not journal.exists()
    job.append([Noted(step="site", text="x")])
    assert job.verify() is None
    job.close()


# --- making ---------------------------------------------------------------------------------------------------------

MAKER = """
import sys
from pathlib import Path
from commission.job.store import JobFile
from commission.model import JobCreated, Noted
for n in range(int(sys.argv[2]), 100000):
    bodies = [JobCreated(title="t", program_version="0"), *(Noted(step="site", text="x") for _ in range(200))]
    JobFile.create(Path(sys.argv[1]) / f"{n}.commission", bodies).close()
    print(n, flush=True)
"""


def test_a_kill_while_a_job_is_made_leaves_no_partial_file(tmp_path: Path) -> None:
    import random

    rng, next_number = random.Random(2), 0
    for _ in range(9):
        words = [sys.executable, "-c", MAKER, str(tmp_path), str(next_number)]
        maker = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        assert maker.stdout is not None
        maker.stdout.readline()
        time.sleep(rng.uniform(0, 0.05))
        maker.send_signal(signal.SIGKILL)
        maker.communicate()
        made = sorted(tmp_path.glob("*.commission"), key=lambda each: int(each.stem))
        for each in made[next_number:]:  # every file with a name is complete
            job = JobFile.open(each)
            assert len(job.events()) == 201
            assert job.verify() is None
            job.close()
        next_number = len(made)
    JobFile.create(tmp_path / f"{next_number}.commission", OPENING).close()  # and the name can be used again


def test_leftovers_of_the_same_name_are_removed_and_others_stay(tmp_path: Path) -> None:
    path = tmp_path / "job.commission"
    stale = unfinished_name(path)
    fresh, other = unfinished_name(path), unfinished_name(tmp_path / "other.commission")
    for each in (stale, fresh, other):
        each.write_bytes(b"x")
    for each in (stale, other):
        os.utime(each, (0, 0))
    JobFile.create(path, OPENING).close()
    assert sorted(tmp_path.iterdir()) == sorted([path, fresh, other])


def test_a_name_that_was_taken_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "job.commission"
    unfinished = unfinished_name(path)
    unfinished.write_bytes(b"mine")
    path.write_bytes(b"theirs")
    with pytest.raises(StoreError, match="exists already"):
        store.put_in_place(unfinished, path)
    assert path.read_bytes() == b"theirs"


def test_a_name_that_is_too_long_is_refused_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be made"):
        JobFile.create(tmp_path / ("x" * 300 + ".commission"), OPENING)


def test_a_recording_that_belongs_to_another_event_breaks_the_log(path: Path) -> None:
    """The chain covers the recording that a row names; a separate check compares it with the body."""
    database = sqlite3.connect(path, isolation_level=None)
    ((seq, prev),) = database.execute("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1")
    sha = hashlib.sha256(b"data").hexdigest()
    database.execute("INSERT INTO blob VALUES (?, ?)", (sha, b"data"))
    body = '{"step":"site","text":"x"}'
    digest = row_digest(prev, seq + 1, AT, "noted", body, sha)
    database.execute("INSERT INTO event VALUES (?,?,?,?,?,?,?)", (seq + 1, AT, "noted", body, sha, prev, digest))
    database.close()
    job = JobFile.open(path)
    assert "names a recording that is not its own" in str(job.verify())
    job.close()


def test_storing_a_reading_takes_little_time(path: Path) -> None:
    """Nobody notices ten milliseconds for an entry; the time for synchronising the disk is not counted."""
    job = JobFile.open(path)
    reading = ReadingEntered(round="as-found", step="levels", channel="FL", quantity="level", value=75.0, unit="dB")
    begin = time.process_time()
    for _ in range(50):
        job.append([reading])
    assert (time.process_time() - begin) / 50 < 0.01
    job.close()
