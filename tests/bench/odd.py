"""Odd files as every kind of argument: `python tests/bench odd` (see `tests/odd_files.py`); prints their outcomes."""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1])]

import odd_files  # noqa: E402


def run(_channels: int) -> None:
    """Try every combination; name every crash, hang and flood of memory."""
    begin, faults, count = time.monotonic(), 0, 0
    slowest_s, most_bytes = 0.0, 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        odd_files.make_home(folder)
        for argument in odd_files.ARGUMENTS:
            print(f"  {argument}", flush=True)
            for odd in odd_files.ODD:
                cost = odd_files.try_odd(folder, argument, odd)
                count += 1
                slowest_s, most_bytes = max(slowest_s, cost.cpu_s), max(most_bytes, cost.memory_bytes)
                if cost.fault is not None:
                    faults += 1
                    print(f"    with {odd}: {cost.fault}", flush=True)
    print(f"  {count} combinations in {time.monotonic() - begin:.0f} s: {faults} crashes, hangs and floods of memory")
    print(f"  slowest {slowest_s:.1f} s, most memory {most_bytes / 1e6:.0f} MB")
