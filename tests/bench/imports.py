"""Mutated files by the thousand: `python tests/bench imports` (see `tests/mutated_files.py`); prints their outcomes."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1])]

from mutants import LARGEST_BYTES  # noqa: E402
from mutated_files import KINDS, RECORDINGS  # noqa: E402

COUNT, PART = 24_000, 500
"""Number of recordings of each kind, some 100,000 in all; and of each process: a crash of a library ends no more than
these."""
OTHERS_EVERY = 4
"""One process in this many also makes the other kinds of files."""
LONGEST_S = 4800.0


def run(_channels: int) -> None:
    """Make and read them, in one process after the other, for 80 minutes at most; name every crash, hang and flood."""
    begin, bad = time.monotonic(), 0
    counts, refused = Counter[str](), Counter[str]()
    slowest_s, most_bytes = 0.0, 0
    for seed in range(1000, 1000 + COUNT // PART):
        kinds = KINDS if seed % OTHERS_EVERY == 0 else RECORDINGS
        words = [sys.executable, str(Path(__file__).parents[1] / "mutated_files.py"), str(PART), str(seed), *kinds]
        done = subprocess.run(words, stdout=subprocess.PIPE, text=True)
        if done.returncode:
            bad += 1
            print(f"  a process ended with {done.returncode}: {words}", flush=True)
            continue
        tallies = json.loads(done.stdout)
        most_bytes = max(most_bytes, tallies["memory_bytes"])
        if tallies["memory_bytes"] > LARGEST_BYTES:
            bad += 1
            print(f"  seed {seed}: {tallies['memory_bytes'] / 1e6:.0f} MB", flush=True)
        for kind, tally in tallies["kinds"].items():
            for each in (*tally["crashes"], *tally["hangs"]):
                bad += 1
                print(f"  seed {seed}: {each}", flush=True)
            counts[kind] += tally["count"]
            refused[kind] += tally["refused"]
            slowest_s = max(slowest_s, tally["slowest_s"])
        print(f"\r  {counts.total()} files, {bad} faults", end="", file=sys.stderr, flush=True)
        if time.monotonic() - begin > LONGEST_S:
            break
    recordings = sum(counts[kind] for kind in RECORDINGS)
    print(
        f"\n  {recordings} recordings and {counts.total() - recordings} other files: {bad} crashes, hangs and floods"
    )
    for kind, count in counts.items():
        print(f"  {kind}: {count}, {refused[kind]} refused in a sentence, {count - refused[kind]} read")
    print(
        f"  slowest {slowest_s:.1f} s, most memory {most_bytes / 1e6:.0f} MB, {time.monotonic() - begin:.0f} s in all"
    )
