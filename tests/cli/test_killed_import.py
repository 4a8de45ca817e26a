"""A real import, killed with SIGKILL at random moments: nothing half stored, nothing twice, the chain whole."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

from programs import run
from test_commands import SAMPLE

from commission.job.store import JobFile
from commission.model import ResponseStored


def test_a_killed_import_goes_on_where_it_stopped(tmp_path: Path) -> None:
    assert run(tmp_path, "new", "a.commission", "--from", str(SAMPLE / "harbour-lane.toml")).returncode == 0
    words = [
        sys.executable,
        "-m",
        "commission",
        "import",
        "a.commission",
        str(SAMPLE / "as-found"),
        "--round",
        "as-found",
        "--stimulus",
        str(SAMPLE / "stimulus.flac"),
    ]
    rng, counts = random.Random(3), []
    for _ in range(4):
        importing = subprocess.Popen(words, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        assert importing.stdout is not None
        # The list is printed when the survey is over and storing begins; the pipe must be emptied meanwhile.
        importing.stdout.readline()
        drain = threading.Thread(target=importing.stdout.read, daemon=True)
        drain.start()
        time.sleep(rng.uniform(0.0, 0.25))
        importing.send_signal(signal.SIGKILL)
        importing.wait()
        drain.join()
        importing.stdout.close()
        job = JobFile.open(tmp_path / "a.commission")
        assert job.verify() is None
        counts.append(sum(isinstance(e.body, ResponseStored) for e in job.events()))
        job.close()
    assert counts == sorted(counts)  # everything stored so far is kept
    done = run(tmp_path, *words[3:])
    assert done.returncode == 0, done.stderr
    job = JobFile.open(tmp_path / "a.commission", read_only=True)
    stored = [e.body for e in job.events() if isinstance(e.body, ResponseStored)]
    assert job.verify() is None
    job.close()
    # 13 channels at 6 seats, 4 repeated places, 4 sweeps 10 dB louder, 4 recordings of noise (see the script)
    assert len(stored) == 90
    assert len({(b.file_sha256, b.channel, b.seat) for b in stored}) == len(stored)
