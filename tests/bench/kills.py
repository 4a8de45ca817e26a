"""A thousand commands killed at random moments: `python tests/bench kills` (see `tests/killing.py`)."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

COUNT = 1000


def run(_channels: int) -> None:
    """Kill the commands, and name what was lost or damaged."""
    from killing import kill_loop

    def report(text: str) -> None:
        print(f"\r  {text}", end="", file=sys.stderr, flush=True)

    with tempfile.TemporaryDirectory() as folder:
        found = kill_loop(Path(folder), COUNT, 1, report, rehearsal=20.0)
    print(f"\n  {found.kills} killed, {found.finished} over before; {len(found.problems)} problems")
    print("  " + ", ".join(f"{name} {count}" for name, count in sorted(found.by_command.items())))
    for problem in found.problems:
        print(f"  {problem}")
