"""`commission verify` and the README's script that checks a job without the program must agree."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from programs import run

from commission.job.store import JobFile, row_digest
from commission.model import JobCreated, Noted, PhotoAttached, SystemDefined
from commission.model.system import System

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = (
    (ROOT / "README.md")
    .read_text(encoding="utf-8")
    .split("### Check a job without this program")[1]
    .split("```python\n")[1]
    .split("```")[0]
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "job #1.commission"
    data = b"\x89PNG a picture"
    sha = hashlib.sha256(data).hexdigest()
    photo = PhotoAttached(
        step="site", caption="", file_name="x", file_sha256=sha, media_type="image/png", width_px=1, height_px=1
    )
    job = JobFile.create(path, [JobCreated(title="t", program_version="0"), SystemDefined(system=System(title="t"))])
    job.append([Noted(step="site", text="ä note \x1f")])
    job.append([photo], {sha: data})
    job.append([Noted(step="site", text="the last")])
    job.close()
    return path


def script(path: Path) -> subprocess.CompletedProcess[str]:
    """The script of the README, run without access to the package."""
    return subprocess.run([sys.executable, "-I", "-S", "-c", SCRIPT, str(path)], capture_output=True, text=True)


def digest_of(path: Path) -> str:
    job = JobFile.open(path, read_only=True)
    digest = job.events()[-1].digest
    job.close()
    return digest


def change(path: Path, work: Callable[[sqlite3.Connection], object]) -> None:
    """Change rows and restore the triggers, as a forger would."""
    database = sqlite3.connect(path, isolation_level=None)
    triggers = database.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        database.execute(f"DROP TRIGGER {name}")
    work(database)
    for _, sql in triggers:
        database.execute(sql)
    database.close()


def rechain(database: sqlite3.Connection) -> None:
    """Compute the whole chain again."""
    prev = b""
    for seq, at, kind, body, blob in database.execute("SELECT seq, at, kind, body, blob FROM event").fetchall():
        digest = row_digest(prev, seq, at, kind, body, blob)
        database.execute("UPDATE event SET prev = ?, hash = ? WHERE seq = ?", (prev, digest, seq))
        prev = digest


def test_the_script_is_about_twenty_lines_of_the_standard_library() -> None:
    assert len(SCRIPT.splitlines()) <= 22
    (line,) = [line for line in SCRIPT.splitlines() if "import" in line]
    assert set(line.removeprefix("import ").split(", ")) <= sys.stdlib_module_names


def test_script_and_program_agree_on_a_valid_job(path: Path) -> None:
    before = path.read_bytes()
    done = script(path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"5 events and 1 recordings, digest {digest_of(path)}\n"
    printed = run(path.parent, "verify", path.name)
    assert printed.returncode == 0
    assert printed.stdout.startswith("✓ the chain of the log is whole: 5 events")
    assert f"digest {digest_of(path)}" in printed.stdout
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("statement", "where"),
    [
        ("UPDATE event SET body = replace(body, 'last', 'first') WHERE seq = 5", "event 5"),
        ("UPDATE event SET at = '2020-01-01T00:00:00.000+00:00' WHERE seq = 2", "event 2"),
        ("DELETE FROM event WHERE seq = 3", "event 3"),
        ("UPDATE event SET prev = x'00' WHERE seq = 1", "event 1"),
        ("UPDATE event SET blob = NULL WHERE seq = 4", "event 4"),
        ("UPDATE blob SET data = x'00'", "recording"),
        ("DELETE FROM blob", "recording"),
    ],
)
def test_script_and_program_find_every_change(path: Path, statement: str, where: str) -> None:
    change(path, lambda database: database.execute(statement))
    done = script(path)
    assert done.returncode != 0
    assert where in done.stderr
    printed = run(path.parent, "verify", path.name)
    assert printed.returncode != 0
    assert where in printed.stdout + printed.stderr


def test_a_truncated_log_and_a_new_chain_change_only_the_digest(path: Path) -> None:
    digest = digest_of(path)
    record = run(path.parent, "record", path.name, "-o", "record.json")
    assert record.returncode == 0, record.stderr
    cut, again = path.with_name("cut.commission"), path.with_name("again.commission")
    for other in (cut, again):
        shutil.copy(path, other)
    change(cut, lambda database: database.execute("DELETE FROM event WHERE seq >= 5"))

    def forge(database: sqlite3.Connection) -> None:
        database.execute("UPDATE event SET body = replace(body, 'last', 'first') WHERE seq = 5")
        rechain(database)

    change(again, forge)
    for other in (cut, again):
        done = script(other)
        assert done.returncode == 0
        assert digest not in done.stdout
        printed = run(path.parent, "verify", other.name)
        assert printed.returncode == 0
        assert digest not in printed.stdout
        assert "cut off, or whose whole chain was computed again, is recognised only by comparing" in printed.stdout
        against = run(path.parent, "verify", other.name, "--record", "record.json")
        assert against.returncode == 1, "the record has the digest that was"
        assert "is of no event" in against.stdout


def test_impossible_times_fail_verification(tmp_path: Path) -> None:
    path = tmp_path / "job.commission"
    clock = [datetime.now(UTC) - timedelta(days=12000)]
    job = JobFile.create(path, [JobCreated(title="t", program_version="0")], clock=lambda: clock[0])
    clock[0] = datetime.now(UTC)
    job.append([Noted(step="site", text="x")])
    job.close()
    printed = run(tmp_path, "verify", "job.commission")
    assert printed.returncode == 1
    assert "✓ the chain of the log is whole" in printed.stdout
    assert "? event 2 is dated" in printed.stdout and "32 years after event 1" in printed.stdout


def test_a_log_with_text_in_place_of_a_time_is_refused(path: Path) -> None:
    def forge(database: sqlite3.Connection) -> None:
        database.execute("UPDATE event SET at = '\x1b[31mlater' WHERE seq = 3")
        rechain(database)

    change(path, forge)
    printed = run(path.parent, "verify", path.name)
    assert printed.returncode != 0
    assert "event 3 is dated" in printed.stderr and "which is not a valid time" in printed.stderr
    assert "\x1b" not in printed.stdout + printed.stderr
