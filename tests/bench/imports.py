"""Mutated files by the thousand: `python tests/bench imports` (see `tests/mutated_files.py`); prints what came of them."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

COUNT, PART = 11_000, 250
"""Of each kind, some 100,000 in all; and of one process: a crash of a library ends no more than these."""
LONGEST_S = 3600.0


def run(_channels: int) -> None:
    """Make and read them, in one process after the other, for an hour at most; name every crash and hang."""
    begin, bad, count, refused = time.monotonic(), 0, 0, 0
    slowest_s, most_bytes = 0.0, 0
    for seed in range(1000, 1000 + COUNT // PART):
        words = [sys.executable, str(Path(__file__).parents[1] / "mutated_files.py"), str(PART), str(seed)]
        done = subprocess.run(words, stdout=subprocess.PIPE, text=True)
        if done.returncode:
            bad += 1
            print(f"  a process ended with {done.returncode}: {words}", flush=True)
            continue
        tallies = json.loads(done.stdout)
        most_bytes = max(most_bytes, tallies["memory_bytes"])
        for tally in tallies["kinds"].values():
            for each in (*tally["crashes"], *tally["hangs"]):
                bad += 1
                print(f"  seed {seed}: {each}", flush=True)
            count, refused = count + tally["count"], refused + tally["refused"]
            slowest_s = max(slowest_s, tally["slowest_s"])
        print(f"\r  {count} files, {bad} crashes and hangs", end="", file=sys.stderr, flush=True)
        if time.monotonic() - begin > LONGEST_S:
            break
    print(f"\n  {count} files: {bad} crashes and hangs, {refused} refused in a sentence")
    print(f"  slowest {slowest_s:.1f} s, most memory {most_bytes / 1e6:.0f} MB")
