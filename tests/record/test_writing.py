"""Writing to a file: completely or not at all, and never over a job."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from builders import cinema, levels

from commission.cli import main
from commission.cli.local_services import LocalServices
from commission.model import CommissionError, unfinished_files
from commission.record.export import write_bytes


def test_a_job_is_never_overwritten(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither by its name, by another name of the same file, nor through a link."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    visit = LocalServices(tmp_path / "state").create(tmp_path / "loft", cinema())
    visit.append(*levels({"FL": 75.0}))
    visit.close()
    job = Path("loft.commission")
    Path("loft.csv").symlink_to(job)
    os.link(job, "loft.json")
    assert main(["sheet", str(job), "-o", str(job)]) == 2
    assert main(["sheet", str(job), "-o", "loft.csv"]) == 2
    assert main(["record", str(job), "-o", "loft.json"]) == 2
    assert main(["record", str(job), "-o", "loft.csv"]) == 2
    for name in ("loft.commission", "loft.csv", "loft.json", "empty.commission"):
        Path("empty.commission").write_bytes(b"")
        with pytest.raises(CommissionError, match="is a job: nothing was written"):
            write_bytes(Path(name), b"x")
    assert main(["verify", str(job)]) == 0
    with_readings = LocalServices(tmp_path / "state").open(job, read_only=True)
    assert [each.body.value for each in with_readings.job.readings] == [75.0]
    with_readings.close()


def test_a_link_is_followed_and_folders_and_devices_are_refused(tmp_path: Path) -> None:
    (tmp_path / "old.html").write_text("old")
    (tmp_path / "link.html").symlink_to("old.html")
    write_bytes(tmp_path / "link.html", b"new")
    assert (tmp_path / "link.html").is_symlink()
    assert (tmp_path / "old.html").read_text() == "new"
    write_bytes(tmp_path / ("n" * 250 + ".pdf"), b"a long name")
    for name, named in ((".", "is a folder"), ("none/x.pdf", "No such file.*Choose another folder")):
        with pytest.raises(CommissionError, match=named):
            write_bytes(tmp_path / name, b"new")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe.pdf")
        with pytest.raises(CommissionError, match="a device, not a file"):
            write_bytes(tmp_path / "pipe.pdf", b"new")
    assert not [each for each in tmp_path.iterdir() if each.name.startswith(".")]


@pytest.mark.parametrize("fails", ["write", "fsync", "replace"])
def test_a_full_disk_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: str) -> None:
    target = tmp_path / "record.pdf"
    target.write_bytes(b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    class Full:
        def __enter__(self) -> Full:
            return self

        def __exit__(self, *_: object) -> None:
            os.close(self.handle)

        def __init__(self, handle: int, _: str) -> None:
            self.handle = handle

        write = full

    if fails == "write":
        monkeypatch.setattr(os, "fdopen", Full)
    else:
        monkeypatch.setattr(os, fails, full)
    with pytest.raises(CommissionError, match=r"record\.pdf: cannot be written \(No space.*Free some space"):
        write_bytes(target, b"new" * 1000)
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_a_kill_during_writing_leaves_the_old_file(tmp_path: Path) -> None:
    """SIGKILL while the bytes are written: no clean-up can run, and the target is still intact."""
    target = tmp_path / "record.pdf"
    target.write_bytes(b"old")
    program = (
        "import os, pathlib, sys\n"
        "from commission.record import export\n"
        "def wait(_):\n    print('here', flush=True)\n    sys.stdin.read()\n"
        "os.fsync = wait\n"
        f"export.write_bytes(pathlib.Path({str(target)!r}), b'new' * 100000)\n"
    )
    run = subprocess.Popen([sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert run.stdout is not None
    assert run.stdout.readline() == b"here\n"
    run.send_signal(signal.SIGKILL)
    run.communicate()
    assert target.read_bytes() == b"old"
    if hasattr(os, "O_TMPFILE"):  # a file without a name disappears with its program
        assert list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize("unnamed", [True, False])
def test_leftovers_of_a_kill_are_removed_with_the_next_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, unnamed: bool
) -> None:
    """This also holds where files need a name from the start, as on a memory stick; a file that is being written stays."""
    if not unnamed:
        monkeypatch.setattr(unfinished_files, "_UNNAMED", 0)
    target = tmp_path / "record.pdf"
    killed, busy, other = (
        unfinished_files.unfinished_name(tmp_path / name) for name in ("record.pdf", "record.pdf", "other.pdf")
    )
    for each in (killed, busy, other):
        each.write_bytes(b"half")
    for each in (killed, other):
        os.utime(each, (0, 0))
    write_bytes(target, b"new")
    assert target.read_bytes() == b"new"
    assert sorted(tmp_path.iterdir()) == sorted([target, busy, other])
    umask = os.umask(0)
    os.umask(umask)
    assert target.stat().st_mode & 0o777 == 0o666 & ~umask  # a record is meant to be passed on
