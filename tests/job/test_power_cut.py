"""Power cuts: entries shown as stored are there afterwards, and the log is intact.

Two independent methods: every state that a disk may be left in by SQLite's own order of writing and synchronising
(`unsynced.py`), and images of a mounted file system, copied the moment an entry is acknowledged.
"""

from __future__ import annotations

import os
import pickle
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from unsynced import states

from commission.job.store import JobFile
from commission.model import JobCreated, Noted

HERE = Path(__file__).parent
WRITER = """
import hashlib, pickle, sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
import unsynced
from commission.job import store
from commission.model import Noted, ResponseStored
operations = []
unsynced.install(operations)
store.SYNCHRONOUS = sys.argv[3]
job = store.JobFile.open(Path(sys.argv[2]))
for n in range(5):
    data = bytes([n]) * 9000
    sha = hashlib.sha256(data).hexdigest()
    body = ResponseStored(round="as-found", channel="FL", seat=f"A{n}", kind="impulse", file_name="x", file_sha256=sha)
    job.append([body], {sha: data}) if n % 2 else job.append([Noted(step="site", text="x" * 200 * n)])
    operations.append(("stored", "", n + 2))
job.close()
sys.stdout.buffer.write(pickle.dumps(operations))
"""


@pytest.fixture
def job_path(tmp_path: Path) -> Path:
    path = tmp_path / "job.commission"
    JobFile.create(path, [JobCreated(title="Harbour Lane", program_version="0")]).close()
    return path


def losses(job_path: Path, synchronous: str) -> tuple[int, int]:
    """(states examined, states in which a stored entry was lost or damaged)."""
    asked = f"import sys; sys.path.insert(0, {str(HERE)!r}); import unsynced; sys.exit(not unsynced.works())"
    if subprocess.run([sys.executable, "-c", asked]).returncode:
        pytest.skip(
            "this Python has SQLite built in, or its library goes by another name: nothing can be put between"
        )
    before = {str(job_path): job_path.read_bytes()}
    words = [sys.executable, "-c", WRITER, str(HERE), str(job_path), synchronous]
    operations = pickle.loads(subprocess.run(words, capture_output=True, check=True).stdout)
    assert sum(operation[0] == "stored" for operation in operations) == 5
    cut = job_path.parent / "cut"
    seen, lost, stored = set(), 0, 1
    for operation, files in states(before, operations, seed=1):
        if operation[0] == "stored":
            stored = operation[2]
        key = (stored, *((name, hash(data)) for name, data in sorted(files.items())))
        if key in seen:
            continue
        seen.add(key)
        shutil.rmtree(cut, ignore_errors=True)
        cut.mkdir()
        for name, data in files.items():
            (cut / Path(name).name).write_bytes(data)
        job = JobFile.open(cut / job_path.name)
        lost += len(job.events()) < stored or job.verify() is not None
        job.close()
    return len(seen), lost


def test_no_power_cut_loses_a_stored_entry(job_path: Path) -> None:
    seen, lost = losses(job_path, "EXTRA")
    assert seen > 100
    assert lost == 0


def test_the_same_cuts_lose_entries_if_the_folder_is_not_synchronised(job_path: Path) -> None:
    """This shows that the test above can fail: SQLite's usual setting leaves the removal of the journal to the system."""
    assert losses(job_path, "FULL")[1] > 0


def mounted(image: Path, place: Path) -> None:
    place.mkdir(exist_ok=True)
    subprocess.run(["mount", "-o", "loop", str(image), str(place)], check=True, capture_output=True)


@pytest.mark.skipif(
    sys.platform != "linux" or os.getuid() != 0 or shutil.which("mkfs.ext4") is None,
    reason="to mount a file system takes Linux, root and mkfs.ext4",
)
def test_a_file_system_copied_right_after_an_entry_contains_it(tmp_path: Path) -> None:
    image, copy, disk, again = (tmp_path / name for name in ("image", "copy", "disk", "again"))
    with image.open("wb") as file:
        file.truncate(12_000_000)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True, capture_output=True)
    try:
        mounted(image, disk)
    except subprocess.CalledProcessError as error:
        pytest.skip(f"no file system can be mounted here ({error.stderr.decode().strip()[:80]})")
    try:
        job = JobFile.create(disk / "job.commission", [JobCreated(title="Harbour Lane", program_version="0")])
        for n in range(4):
            job.append([Noted(step="site", text=f"{n}" * 500)])
            shutil.copy(image, copy)
            mounted(copy, again)
            try:
                left = JobFile.open(again / "job.commission")
                assert len(left.events()) == n + 2
                assert left.verify() is None
                left.close()
            finally:
                subprocess.run(["umount", str(again)], check=True)
        job.close()
    finally:
        subprocess.run(["umount", str(disk)], check=True)
