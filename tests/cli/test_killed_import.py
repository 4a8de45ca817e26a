"""A real import killed with SIGKILL at random moments: nothing is stored by half or twice, and the chain is intact."""

from __future__ import annotations

import os
import random
import time
from pathlib import Path

from programs import run, start
from test_commands import SAMPLE

from commission.job.store import JobFile
from commission.model import ResponseStored


def test_a_killed_import_continues_where_it_stopped(tmp_path: Path) -> None:
    assert run(tmp_path, "new", "a.commission", "--from", str(SAMPLE / "harbour-lane.toml")).returncode == 0
    files = [str(path) for path in sorted((SAMPLE / "as-found").glob("A[12]_*.flac"))]
    words = ["import", "a.commission", *files, "--round", "as-found"]
    words += ["--stimulus", str(SAMPLE / "stimulus.flac")]
    environment = os.environ | {"HOME": str(tmp_path), "XDG_STATE_HOME": str(tmp_path / "state")}
    rng, counts, printed = random.Random(3), [], tmp_path / "printed"
    for _ in range(4):
        printed.unlink(missing_ok=True)
        importing = start(words, tmp_path, environment, (os.devnull, str(printed), os.devnull))
        while importing.is_alive() and not (printed.exists() and printed.stat().st_size):
            time.sleep(0.002)  # the list is printed when the survey is over and storing begins
        time.sleep(rng.uniform(0.0, 0.1))
        importing.kill()
        importing.join()
        job = JobFile.open(tmp_path / "a.commission")
        assert job.verify() is None
        counts.append(sum(isinstance(e.body, ResponseStored) for e in job.events()))
        job.close()
    assert counts == sorted(counts)  # everything stored so far is kept
    done = run(tmp_path, *words)
    assert done.returncode == 0, done.stderr
    job = JobFile.open(tmp_path / "a.commission", read_only=True)
    stored = [e.body for e in job.events() if isinstance(e.body, ResponseStored)]
    assert job.verify() is None
    job.close()
    # 13 channels at 2 seats, 2 repeated places, 4 sweeps 10 dB louder, 4 recordings of noise (see the script)
    assert len(stored) == len(files) == 36
    assert len({(b.file_sha256, b.channel, b.seat) for b in stored}) == len(stored)
