"""Re-opening the sample job: from nothing to the results of all responses, as whole processes.

Once with every recording analysed again, as on another computer, and once with analyses cached by an earlier opening.
"""

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
from commission.cli.local_services import LocalServices
from commission.model import unwatched
visit = LocalServices(Path(sys.argv[1])).open(
    Path(sys.argv[2]), read_only=True, afresh=sys.argv[3] == "computed")
visit.analyse(threading.Event(), unwatched)
for round_id in visit.job.rounds:
    visit.outcomes(round_id)
    visit.findings(round_id)
print(time.perf_counter() - t, len(visit.analyses))
"""


def run(channels: int) -> None:
    """Print the median."""
    from commission.cli.local_services import LocalServices

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = LocalServices(folder / "state").demo(folder)
        seconds: dict[str, list[float]] = {"computed": [], "kept": []}
        count = "0"
        for turn in range(ROUNDS + 1):
            for how, each in seconds.items():
                command = [sys.executable, "-c", CODE, str(folder / "state"), str(path), how]
                done = subprocess.run(command, capture_output=True, text=True, check=True)
                taken, count = done.stdout.split()
                if turn:  # the first turn only fills the cache
                    each.append(float(taken))
    for how, each in seconds.items():
        print(
            f"  {count} responses with all results, {how}: {statistics.median(each):.2f} s (goal: under 2), "
            f"median of {ROUNDS}"
        )
