"""The record of a job on a full or read-only disk can still be written to another disk."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from programs import run

from commission.cli.local_services import LocalServices
from commission.job.store import JobFile
from commission.model import StoredVerdicts, System
from commission.model.events import EventBody


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of two megabytes."""
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "none", str(place)], capture_output=True, text=True
    )
    if done.returncode:
        pytest.skip(f"no file system can be mounted here ({done.stderr.strip()[:80]})")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def fill(place: Path) -> None:
    with suppress(OSError), (place / "full").open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))


@pytest.mark.skipif(sys.platform != "linux" or os.getuid() != 0, reason="to mount a file system takes Linux and root")
@pytest.mark.parametrize("how", ["full", "read-only"])
def test_records_of_a_job_on_a_full_disk_are_written_elsewhere(small_disk: Path, tmp_path: Path, how: str) -> None:
    path = small_disk / "loft.commission"
    LocalServices(tmp_path / "state").create(path, System(title="Loft")).close()
    if how == "full":
        fill(small_disk)
    else:
        subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    before = path.read_bytes()
    for name in ("loft.pdf", "loft.html", "loft.json", "loft.csv"):
        done = run(tmp_path, "record", str(path), "-o", name)
        assert done.returncode == 0, done.stderr
        if how == "full":
            assert "The job does not remember the verdicts of this record: The disk is full" in done.stderr
        if not name.endswith(".csv"):
            checked = run(tmp_path, "verify", str(path), "--record", name)
            assert checked.returncode == 0, checked.stdout
    assert path.read_bytes() == before
    for words in (["results", str(path)], ["sheet", str(path), "-o", "sheet.csv"], ["verify", str(path)]):
        assert run(tmp_path, *words).returncode == 0


def test_the_verdicts_of_a_record_are_stored_where_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same without a disk: SQLite's own page limit gives the error of a full disk."""
    services = LocalServices(tmp_path / "state")
    visit = services.create_from_toml(
        tmp_path / "loft", Path(__file__).resolve().parents[2] / "sample_measurements" / "harbour-lane.toml"
    )
    journal = visit._journal
    assert isinstance(journal, JobFile)
    pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
    journal._db.execute(f"PRAGMA max_page_count = {pages}")
    printed = services.export(visit, tmp_path / "one.json")
    assert "does not remember the verdicts of this record: The disk is full" in printed
    assert not any(isinstance(event.body, StoredVerdicts) for event in visit.job.log)
    journal._db.execute("PRAGMA max_page_count = 100000")
    assert "remember" not in services.export(visit, tmp_path / "two.json")
    assert isinstance(visit.job.log[-1].body, StoredVerdicts)
    visit.close()


def test_other_failures_of_a_record_are_not_hidden(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    services = LocalServices(tmp_path / "state")
    visit = services.create(tmp_path / "loft", System(title="Loft"))

    def fails(*bodies: EventBody) -> None:
        raise AssertionError("a mistake of ours")

    monkeypatch.setattr(visit, "keep_verdicts", fails)
    with pytest.raises(AssertionError):
        services.export(visit, tmp_path / "one.json")
    visit.close()
