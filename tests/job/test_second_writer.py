"""The writer's lock survives other reads of the file, and a job changed by another program takes no entry."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import nullcontext
from pathlib import Path

import pytest

from commission import model
from commission.cli.local_services import LocalServices
from commission.job.guard import JobGuard
from commission.job.store import JobFile
from commission.model import InputError, JobCreated, Noted, StoreError, System
from commission.model.outside_files import kind_of, read_outside
from commission.model.progress import unwatched

OPENING = [JobCreated(title="Harbour Lane", program_version="0")]
NOTE = [Noted(step="site", text="the note")]
OTHER_WRITER = (
    "import sys; from pathlib import Path; from commission.job.store import JobFile; from commission.model import Noted\n"
    "JobFile.open(Path(sys.argv[1])).append([Noted(step='site', text='of the second program')])"
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "job.commission"
    JobFile.create(path, OPENING).close()
    return path


def second_program(path: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", OTHER_WRITER, str(path)], capture_output=True, text=True)


@pytest.mark.skipif(sys.platform != "linux", reason="locks of an open file description are Linux's")
def test_closing_another_descriptor_of_the_job_keeps_a_second_writer_out(path: Path) -> None:
    """POSIX.1-2017, fcntl: closing any descriptor of a file drops all locks that the process has on it."""
    job = JobFile.open(path)
    path.open("rb").close()
    refused = second_program(path)
    assert refused.returncode != 0
    assert "in use by another program" in refused.stderr
    job.append(NOTE)
    job.close()
    assert second_program(path).returncode == 0
    job = JobFile.open(path)
    assert [event.seq for event in job.events()] == [1, 2, 3]
    assert job.verify() is None
    job.close()


def test_entries_of_another_program_are_not_overwritten(path: Path) -> None:
    """Written while the lock is lost, by a program that does not know it: here SQLite's own shell."""
    job = JobFile.open(path)
    path.open("rb").close()
    digest = b"\1" * 32
    insert = "INSERT INTO event VALUES (2, '2026-03-14T09:00:00.000+00:00', 'noted', '{}', NULL, (SELECT hash FROM event), ?)"
    code = f"import sqlite3; d = sqlite3.connect({str(path)!r}); d.execute({insert!r}, ({digest!r},)); d.commit()"
    subprocess.run([sys.executable, "-c", code], check=True)
    for _ in range(2):
        with pytest.raises(StoreError, match=r"changed by another program .* no more entries are stored"):
            job.append(NOTE)
    job.close()
    with sqlite3.connect(path) as other:
        assert other.execute("SELECT hash FROM event ORDER BY seq DESC").fetchone()[0] == digest
    other.close()


@pytest.mark.parametrize("how", ["copied over", "replaced", "cut off", "emptied"])
def test_an_overwritten_job_stores_nothing_more(path: Path, tmp_path: Path, how: str) -> None:
    older = shutil.copy(path, tmp_path / "older.commission")
    job = JobFile.open(path)
    job.append(NOTE)
    if how == "copied over":
        shutil.copyfile(older, path)  # the same file, other content
    elif how == "replaced":
        os.replace(older, path)  # another file under the name
    else:
        os.truncate(path, 4096 if how == "cut off" else 0)
    assert "changed by another program while it was open" in str(job.file_problem())
    with pytest.raises(StoreError, match="changed by another program while it was open"):
        job.append(NOTE)
    job.close()


def test_an_event_that_another_program_edited_in_place_is_noticed(path: Path) -> None:
    """Size, header and the end of the log stay the same: the other program writes bytes without SQLite."""
    job = JobFile.open(path)
    job.append(NOTE)
    job.append(NOTE)
    assert job.file_problem() is None
    with path.open("r+b") as file:
        file.seek(path.read_bytes().index(b"the note"))
        file.write(b"THE NOTE")
    assert "changed by another program" in str(job.file_problem())
    with pytest.raises(StoreError, match="no more entries are stored"):
        job.append(NOTE)
    job.close()


def test_a_job_moved_away_takes_entries_once_it_is_back(path: Path, tmp_path: Path) -> None:
    job = JobFile.open(path)
    path.rename(tmp_path / "elsewhere")
    assert "is gone" in str(job.file_problem())
    (tmp_path / "elsewhere").rename(path)
    assert job.file_problem() is None
    job.append(NOTE)
    job.close()


def test_a_job_that_was_only_touched_or_backed_up_takes_entries(path: Path, tmp_path: Path) -> None:
    job = JobFile.open(path)
    os.utime(path, (time.time() + 100, time.time() + 100))
    job.append(NOTE)
    subprocess.run(["cp", str(path), str(tmp_path / "backup")], check=True)
    job.append(NOTE)
    assert job.verify() is None
    job.close()


def test_the_open_job_is_refused_wherever_a_file_is_named(path: Path, tmp_path: Path) -> None:
    """Under its own name, through a link, and as another name of the same file: before it is opened."""
    services = LocalServices(tmp_path / "state")
    names = [tmp_path / "one.wav", tmp_path / "two.csv", tmp_path / "three.toml"]
    names[0].symlink_to(path)
    names[1].hardlink_to(path)
    names[2].hardlink_to(path)
    visit = services.create(tmp_path / "own", System(title="Own"))
    own = [tmp_path / "own.wav", tmp_path / "own.csv", tmp_path / "own.toml", tmp_path / "own.pdf"]
    for name in own:
        name.hardlink_to(visit.path)
    from commission.job.photos import read_photo
    from commission.job.toml import load_definition
    from commission.record.export import write_bytes
    from commission.record.letterhead import load_letterhead
    from commission.record.verify.stored_record import read_record

    tried = {
        "photo": lambda: read_photo(own[0]),
        "definition": lambda: load_definition(own[2]),
        "letterhead": lambda: load_letterhead(own[2]),
        "limits": lambda: services.use_limits(visit, own[2]),
        "record": lambda: read_record(own[3]),
        "stimulus": lambda: services.importer.survey(
            (tmp_path,), visit.job, model.ImportOptions(stimulus=own[0]), None, _never(), unwatched
        ),
        "mapping": lambda: services.importer.survey(
            (), visit.job, model.ImportOptions(), own[1], _never(), unwatched
        ),
        "import": lambda: services.importer.survey(
            (own[1],), visit.job, model.ImportOptions(), None, _never(), unwatched
        ),
        "target": lambda: write_bytes(own[3], b"x"),
    }
    for attempt in tried.values():
        with pytest.raises(InputError, match="the job file that is open here"):
            attempt()
    (row,) = services.importer.survey((own[0],), visit.job, model.ImportOptions(), None, _never(), unwatched)
    assert "the job file that is open here" in str(row.problem)
    refused = second_program(visit.path)
    assert "in use by another program" in refused.stderr
    visit.append(*NOTE)
    visit.close()
    assert read_outside(own[0], "bytes", largest_bytes=10**7).startswith(b"SQLite")  # closed: a file like any other


def _never() -> threading.Event:
    return threading.Event()


def test_special_files_are_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with (tmp_path / "sparse").open("wb") as file:
        file.truncate(4_000_000_000)
    for name, found in (
        ("pipe", "a pipe or a device"),
        ("sparse", "4,000 MB"),
        ("", "a folder"),
        ("x" * 300, "no such"),
    ):
        with pytest.raises(InputError, match=found):
            read_outside(tmp_path / name, "a file", largest_bytes=1000)
    with pytest.raises(InputError, match="a pipe or a device"):
        read_outside(Path("/dev/zero"), "a file", largest_bytes=1000)
    assert kind_of(tmp_path / "\0") == "missing"


@pytest.mark.parametrize(
    ("number", "in_use"), [(errno.EAGAIN, True), (errno.EACCES, True), (errno.ENOLCK, False), (errno.EINVAL, False)]
)
def test_a_file_system_without_locks_is_not_mistaken_for_a_second_writer(
    number: int, in_use: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """fcntl(2): EAGAIN or EACCES where another process holds the lock; other errors where locks are missing, as on some
    networks.
    """
    path = tmp_path / "a.commission"
    JobFile.create(path).close()

    def refused(*_: object) -> None:
        raise OSError(number, "")

    monkeypatch.setattr("fcntl.fcntl", refused)
    with pytest.raises(StoreError, match="in use by another program") if in_use else nullcontext():
        JobFile.open(path).close()


def test_a_changed_header_means_another_file_but_a_changed_time_does_not(tmp_path: Path) -> None:
    path = tmp_path / "a.commission"
    JobFile.create(path).close()
    guard = JobGuard(path, writer=True)
    try:
        guard.remember()
        assert not guard.changed() and not guard.replaced()
        os.utime(path, (1, 1))
        assert guard.changed() and not guard.replaced()
        with path.open("r+b") as file:
            file.seek(27)  # the last byte of the change counter (sqlite.org/fileformat.html, 1.3.7)
            file.write(b"\xff")
        assert guard.changed() and guard.replaced()
    finally:
        guard.close()
