"""Time to write the record of the sample job as PDF and HTML, as whole processes, and the share of each part.

Once with every recording analysed again, as on another computer, and once with analyses cached by an earlier opening, as
after a visit. Compiled modules are kept in a folder of the benchmark, as in an installation. The shares are measured in
separate processes that write the same record and note the time after each part; they include the loading of Python and its
libraries.
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROUNDS = 5
GOAL_S = 2.0
PARTS = """
import time
parts, last = {}, 0.0
def part_done(name):
    global last
    now = time.process_time()
    parts[name] = now - last
    last = now
import json, sys, threading
from pathlib import Path
from commission.cli.local_services import LocalServices
from commission.model import unwatched
part_done("interpreter")
visit = LocalServices(Path(sys.argv[2])).open(Path(sys.argv[1]), read_only=True, afresh=True)
part_done("open the job")
visit.analyse(threading.Event(), unwatched)
part_done("analysis")
for round_id in visit.job.rounds:
    visit.outcomes(round_id)
part_done("outcomes")
from commission.record.export import record_document, render, utc_now
document = record_document(visit, paper="a4", letterhead=None, created_at=utc_now())
part_done("document")
render(document, ".html")
part_done("HTML")
render(document, ".pdf")
part_done("PDF")
print(json.dumps(parts))
"""


def run(channels: int) -> None:
    """Print medians of whole processes, and the processor's seconds in each part."""
    from commission.cli.local_services import LocalServices

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = LocalServices(folder / "state").demo(folder)
        ours = {
            **os.environ,
            "XDG_STATE_HOME": str(folder / "state"),
            "XDG_CONFIG_HOME": str(folder / "state"),
            "PYTHONPYCACHEPREFIX": str(folder / "compiled"),
        }
        ours.pop("PYTHONDONTWRITEBYTECODE", None)
        kept = folder / "state" / "commission" / "analyses"
        seconds: dict[tuple[str, str], list[tuple[float, float]]] = {
            (suffix, how): [] for suffix in ("pdf", "html") for how in ("computed", "kept")
        }
        parts: dict[str, list[float]] = {}
        for turn in range(ROUNDS + 1):
            for (suffix, how), each in seconds.items():
                if how == "computed":
                    shutil.rmtree(kept, ignore_errors=True)
                command = [sys.executable, "-m", "commission", "record", str(path), "-o", str(folder / f"x.{suffix}")]
                taken = _taken(command, ours)
                if not kept.is_dir():
                    raise RuntimeError(f"nothing was kept in {kept}")
                if turn:  # the first turn only fills the caches
                    each.append(taken)
            printed = subprocess.run(
                [sys.executable, "-c", PARTS, str(path), str(folder / "state")],
                check=True,
                capture_output=True,
                env=ours,
            )
            for part, value in json.loads(printed.stdout).items():
                parts.setdefault(part, []).append(value)
    print(f"  whole process, median of {ROUNDS} in turn, on {os.cpu_count()} cores (load {os.getloadavg()[0]:.1f})")
    for (suffix, how), each in seconds.items():
        wall, cpu = (statistics.median(values) for values in zip(*each, strict=True))
        goal = f"   goal: under {GOAL_S:.0f} s" if suffix == "pdf" else ""
        print(f"  {suffix:<5}{how}  {wall:.2f} s, least {min(each)[0]:.2f} s; {cpu:.2f} s of the processor{goal}")
    print("  seconds of the processor in each part (median)")
    for part, values in parts.items():
        print(f"    {part:<14} {statistics.median(values):.2f} s")


def _taken(command: list[str], environment: dict[str, str]) -> tuple[float, float]:
    """Seconds on the wall, and of the processor, of one process."""
    before, begun = os.times(), time.perf_counter()
    subprocess.run(command, check=True, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    wall, after = time.perf_counter() - begun, os.times()
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    return wall, spent
