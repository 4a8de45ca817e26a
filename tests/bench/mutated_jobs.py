"""Mutated jobs by the thousand: `python tests/bench mutants` (see `tests/mutants.py`); prints their outcomes."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

COUNT, PROCESSES = 5000, 2
PART = 250
"""Mutants of one process: a crash of a library ends no more than these."""


def run(_channels: int) -> None:
    """Make and read them; name every crash and hang."""
    worst_bytes, slowest_s, made, refused, bad = 0, 0.0, 0, 0, 0
    failures: dict[str, int] = {}
    seeds = list(range(COUNT // PART))
    for start in range(0, len(seeds), PROCESSES):
        words = [
            [sys.executable, str(Path(__file__).parents[1] / "mutants.py"), str(PART), str(1000 + s)] for s in seeds
        ]
        running = [subprocess.Popen(w, stdout=subprocess.PIPE, text=True) for w in words[start : start + PROCESSES]]
        for process in running:
            out, _ = process.communicate()
            if process.returncode:
                bad += 1
                print(f"  a process ended with {process.returncode}: {process.args!r}")
                continue
            tally = json.loads(out)
            for each in (*tally["crashes"], *tally["hangs"]):
                print(f"  {each}")
            bad += len(tally["crashes"]) + len(tally["hangs"])
            made, refused = made + tally["count"], refused + tally["refused"]
            worst_bytes, slowest_s = max(worst_bytes, tally["memory_bytes"]), max(slowest_s, tally["slowest_s"])
            for sentence, count in tally["failures"].items():
                failures[sentence] = failures.get(sentence, 0) + count
            print(f"\r  {made} jobs, {bad} faults", end="", file=sys.stderr, flush=True)
    print(f"\n  {made} jobs: {bad} crashes and hangs, {refused} refused in a sentence")
    print(f"  slowest {slowest_s:.1f} s, most memory {worst_bytes / 1e6:.0f} MB")
    for sentence, count in sorted(failures.items(), key=lambda each: -each[1]):
        print(f"  isolated {count} times: {sentence[:150]}")
