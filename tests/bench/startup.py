"""Time to the first paint of the overview against an empty Textual app, as whole processes in turn."""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

ROUNDS = 7
EMPTY = """
import time; t = time.perf_counter()
from textual.app import App
from textual.widgets import Static
class Empty(App):
    def compose(self): yield Static("x")
    def on_mount(self): self.call_after_refresh(self.exit)
Empty().run(headless=True)
print(time.perf_counter() - t)
"""
OURS = """
import sys, time; t = time.perf_counter()
from pathlib import Path
from commission.cli.workshop import LocalWorkshop
from commission.ui.app import CommissionApp
import commission.ui.app as module
class Timed(CommissionApp):
    CSS_PATH = str(Path(module.__file__).with_name("commission.tcss"))
    def show_visit(self, visit):
        super().show_visit(visit)
        self.call_after_refresh(self._painted)
    def _painted(self):
        print(time.perf_counter() - t, flush=True)
        self.exit()
Timed(LocalWorkshop(Path(sys.argv[1])), Path(sys.argv[2])).run(headless=True)
"""


def _seconds(code: str, *words: str) -> float:
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=True)
    return float(done.stdout.split()[0])


def run(channels: int) -> None:
    """Print medians and their ratio."""
    from commission.cli.workshop import LocalWorkshop

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = LocalWorkshop(folder / "state").demo(folder)
        empty, ours = [], []
        for _ in range(ROUNDS):
            empty.append(_seconds(EMPTY))
            ours.append(_seconds(OURS, str(folder / "state"), str(path)))
    a, b = statistics.median(empty), statistics.median(ours)
    print(
        f"  empty app {a:.3f} s, sample job's overview {b:.3f} s: ratio {b / a:.2f} (goal: under 1.5), median of {ROUNDS}"
    )
