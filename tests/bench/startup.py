"""Time to the first paint of the first screen against an empty Textual app.

Whole processes on a pseudo-terminal of 80 x 24, in turn: from the start of the process until the terminal receives the last
row of the screen. So the figures include everything that a person waits for, the interpreter's start among them; that start
is measured too, and the ratios are also given without it.
"""

from __future__ import annotations

import os
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROUNDS = 9
LIMIT_S = 30.0
EMPTY = """
from textual.app import App
from textual.widgets import Static
class Empty(App):
    def compose(self):
        yield Static("nothing at all")
Empty().run()
"""


def until_painted(command: list[str], marker: bytes, folder: Path) -> float:
    """Seconds from the start of a process until its terminal receives `marker`; the process is stopped then."""
    import fcntl
    import pty
    import select
    import termios

    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    ours = {
        "TERM": "xterm-256color",
        "XDG_STATE_HOME": str(folder / "state"),
        "XDG_CONFIG_HOME": str(folder / "state"),
    }
    seen, begun = b"", time.perf_counter()
    process = subprocess.Popen(
        command,
        stdin=slave,
        stdout=slave,
        stderr=slave,
        cwd=folder,
        env={**os.environ, **ours},
        start_new_session=True,
    )
    os.close(slave)
    try:
        while marker not in seen:
            ready, _, _ = select.select([master], [], [], LIMIT_S)
            if not ready:
                raise TimeoutError(f"{command[1:3]} did not paint {marker!r} within {LIMIT_S:.0f} s")
            seen += os.read(master, 65536)  # raises OSError when the process ended without painting
        return time.perf_counter() - begun
    finally:
        process.kill()
        process.wait()
        os.close(master)


def _interpreter() -> float:
    begun = time.perf_counter()
    subprocess.run([sys.executable, "-c", "pass"], check=True)
    return time.perf_counter() - begun


def run(channels: int) -> None:
    """Print medians and their ratios."""
    from commission.cli.local_services import LocalServices

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = LocalServices(folder / "state" / "commission").demo(folder)
        cases = {
            "empty app": ([sys.executable, "-c", EMPTY], b"nothing at all"),
            "choice of jobs": ([sys.executable, "-m", "commission"], b"Rehearsal in a simulated room"),
            "sample job's overview": ([sys.executable, "-m", "commission", str(path)], b"Hand over"),
        }
        bare: list[float] = []
        seconds: dict[str, list[float]] = {case: [] for case in cases}
        for turn in range(ROUNDS + 1):
            for case, (command, marker) in cases.items():
                taken = until_painted(command, marker, folder)
                if turn:  # the first turn only fills the caches
                    seconds[case].append(taken)
            bare.append(_interpreter())
    python = statistics.median(bare)
    empty = statistics.median(seconds["empty app"])
    print(f"  process start to first paint, median of {ROUNDS} in turn; bare interpreter {python:.3f} s")
    for case, each in seconds.items():
        taken = statistics.median(each)
        ratio, without = taken / empty, (taken - python) / (empty - python)
        goal = (
            ""
            if case == "empty app"
            else f"   ratio {ratio:.2f} (goal: under 1.5), {without:.2f} without interpreter"
        )
        print(f"  {case:<22} {taken:.3f} s{goal}")
