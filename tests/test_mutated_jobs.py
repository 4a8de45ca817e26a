"""Mutated jobs with a valid chain, through results, record, verify and sheet (`mutants.py` makes and reads them)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import mutants

HERE = Path(__file__).parent


def test_no_mutant_causes_a_crash_a_hang_or_a_flood_of_memory(tmp_path: Path) -> None:
    """Twenty-five; `python tests/bench mutants` makes 5,000."""
    words = [sys.executable, str(HERE / "mutants.py"), "25", "1"]
    environment = os.environ | {"TMPDIR": str(tmp_path)}
    done = subprocess.run(words, env=environment, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stderr == ""
    tally = json.loads(done.stdout)
    assert tally["count"] > 20
    assert tally["refused"] < 0.7 * tally["count"], "most are to be read, not refused"
    assert tally["crashes"] == []
    assert tally["hangs"] == []
    assert tally["memory_bytes"] < mutants.LARGEST_BYTES


def test_the_original_job_is_valid(tmp_path: Path) -> None:
    rows, blobs = mutants.base()
    path = tmp_path / "base.commission"
    mutants.write(path, rows, blobs)
    assert mutants.read(path, 0) == []
    job = mutants.JobFile.open(path, read_only=True)
    assert job.verify() is None
    assert len({type(event.body) for event in job.events()}) > 14
    job.close()
