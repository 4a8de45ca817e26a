"""Re-opening the sample job: from nothing to the results of all responses, as whole processes."""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

ROUNDS = 5
CODE = """
import sys, threading, time; t = time.perf_counter()
from pathlib import Path
from commission.cli.workshop import LocalWorkshop
from commission.model import unwatched
visit = LocalWorkshop(Path(sys.argv[1])).open(Path(sys.argv[2]), read_only=True)
visit.analyse(threading.Event(), unwatched)
for round_id in visit.job.rounds:
    visit.outcomes(round_id)
    visit.findings(round_id)
print(time.perf_counter() - t, len(visit.analyses))
"""


def run(channels: int) -> None:
    """Print the median."""
    from commission.cli.workshop import LocalWorkshop

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = LocalWorkshop(folder / "state").demo(folder)
        seconds, count = [], "0"
        for _ in range(ROUNDS):
            done = subprocess.run([sys.executable, "-c", CODE, str(folder / "state"), str(path)], capture_output=True,
                                  text=True, check=True)  # fmt: skip
            first, count = done.stdout.split()
            seconds.append(float(first))
    print(
        f"  {count} responses with all results: {statistics.median(seconds):.2f} s (goal: under 2), median of {ROUNDS}"
    )
