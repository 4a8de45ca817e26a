"""Activity of the threads of a process and its children, from `/proc` of Linux; not available on other systems."""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path


def threads_of(pid: int) -> list[Path]:
    """The folders in `/proc` of the threads of a process and of all its children; none once it has ended."""
    found: list[Path] = []
    with suppress(OSError):
        for thread in Path(f"/proc/{pid}/task").iterdir():
            found.append(thread)
            for child in (thread / "children").read_text().split():
                found += threads_of(int(child))
    return found


def work_of(pid: int) -> tuple[float, bool]:
    """Processor time [s] of a process and its children; whether a thread of them runs or waits for processor or disk."""
    cpu_s, at_work = 0.0, False
    for thread in threads_of(pid):
        with suppress(OSError):  # the process has ended meanwhile
            at_work |= _fields(thread / "stat")[0] in "RD"
            if thread.name == thread.parts[2]:  # of all its threads, and of its children that have ended
                cpu_s += sum(map(int, _fields(thread.parents[1] / "stat")[11:15])) / os.sysconf("SC_CLK_TCK")
    return cpu_s, at_work


def _fields(stat: Path) -> list[str]:
    """The fields after the name, from the state on (man 5 proc)."""
    return stat.read_text().rpartition(")")[2].split()


class WaitingTime:
    """Time for which threads were ready and waited for a processor on a busy computer."""

    def __init__(self, pids: Iterable[int]) -> None:
        """From now on, the threads that these processes and their children have now."""
        self._threads = [thread for pid in pids for thread in threads_of(pid)]
        self._begun = self._now()
        self._last = dict(self._begun)

    def _now(self) -> dict[Path, int]:
        found: dict[Path, int] = {}
        for thread in self._threads:
            with suppress(OSError, IndexError):  # it has ended, or the system does not count it
                found[thread] = int((thread / "schedstat").read_text().split()[1])
        return found

    def seconds(self) -> float:
        """The time of all threads together; for one that has ended, up to the last call before."""
        self._last |= self._now()
        return sum(self._last[thread] - begun for thread, begun in self._begun.items()) / 1e9
