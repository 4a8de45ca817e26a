"""Mutated recordings, tables and records through import and analysis (`mutated_files.py` makes and reads them)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from mutants import LARGEST_BYTES

HERE = Path(__file__).parent


def test_no_mutated_file_causes_a_crash_a_hang_or_a_flood_of_memory(tmp_path: Path) -> None:
    """Some 2,000; `python tests/bench imports` makes 100,000."""
    words = [sys.executable, str(HERE / "mutated_files.py"), "280", "0"]
    environment = os.environ | {"TMPDIR": str(tmp_path)}
    done = subprocess.run(words, env=environment, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stderr == ""
    tallies = json.loads(done.stdout)
    assert sum(each["count"] for each in tallies["kinds"].values()) > 1900
    for kind, tally in tallies["kinds"].items():
        assert tally["crashes"] == [], kind
        assert tally["hangs"] == [], kind
    for kind in ("wav", "float wav", "text", "mapping"):
        tally = tallies["kinds"][kind]
        assert tally["refused"] < 0.95 * tally["count"], f"{kind}: some are to be read, not refused"
    assert tallies["memory_bytes"] < LARGEST_BYTES
