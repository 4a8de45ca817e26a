"""A program that loses its terminal ends and closes the job, even if it ignores the hang-up; a terminal is restored."""

from __future__ import annotations

import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest
from programs import start

from commission.cli.local_services import LocalServices
from commission.job.store import JobFile
from commission.model import System

pty = pytest.importorskip("pty")
termios = pytest.importorskip("termios")


@pytest.mark.parametrize("ignores", [True, False])
def test_a_lost_terminal_ends_the_program(tmp_path: Path, ignores: bool) -> None:
    path = LocalServices(tmp_path / "state").create(tmp_path / "loft", System(title="Loft"))
    path.close()
    ours, theirs = pty.openpty()
    handler = signal.SIG_IGN if ignores else signal.SIG_DFL
    before = signal.signal(signal.SIGHUP, handler)  # inherited
    try:
        process = subprocess.Popen(
            [sys.executable, "-m", "commission", str(tmp_path / "loft.commission")],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
            env=os.environ | {"TERM": "xterm-256color", "XDG_STATE_HOME": str(tmp_path / "state")},
        )
    finally:
        signal.signal(signal.SIGHUP, before)
    os.close(theirs)
    shown = b""
    while b"Loft" not in shown:
        shown += os.read(ours, 65536)
    os.close(ours)
    begin = time.monotonic()
    process.wait(timeout=60)
    assert time.monotonic() - begin < 30
    job = JobFile.open(tmp_path / "loft.commission")
    assert not job.read_only
    assert job.verify() is None
    job.close()


def modes_at_end(output: bytes) -> dict[int, bool]:
    """Each private terminal mode that the program has changed, and whether it is set at the end."""
    changes = re.findall(rb"\x1b\[\?([\d;]+)([hl])", output)
    return {int(number): word == b"h" for numbers, word in changes for number in numbers.split(b";")}


@contextmanager
def screens(folder: Path) -> Iterator[tuple[BaseProcess, str, int, bytes]]:
    """The program on a job in its own terminal: process, name of the terminal, our end of it, output so far."""
    LocalServices(folder / "state").create(folder / "loft", System(title="Loft")).close()
    ours, theirs = pty.openpty()
    name = os.ttyname(theirs)
    environment = os.environ | {"TERM": "xterm-256color", "XDG_STATE_HOME": str(folder / "state")}
    process = start(["loft.commission"], folder, environment, (name, name, name))
    try:
        shown = b""
        while b"Loft" not in shown:
            shown += os.read(ours, 65536)
        yield process, name, ours, shown
    finally:
        process.kill()
        process.join()
        os.close(theirs)
        os.close(ours)


@pytest.mark.parametrize("signal_name", ["SIGHUP", "SIGTERM"])
def test_a_signal_that_ends_the_program_restores_the_terminal(tmp_path: Path, signal_name: str) -> None:
    with screens(tmp_path) as (process, _, terminal, shown):
        assert not termios.tcgetattr(terminal)[3] & termios.ECHO
        os.kill(process.pid or 0, getattr(signal, signal_name))
        process.join(10)
        assert process.exitcode == -getattr(signal, signal_name)
        while select.select([terminal], [], [], 0)[0]:
            shown += os.read(terminal, 65536)
        assert termios.tcgetattr(terminal)[3] & (termios.ECHO | termios.ICANON)
    # DEC private modes as a terminal starts (xterm control sequences, from memory): wrapped lines and a cursor
    assert {number for number, is_set in modes_at_end(shown).items() if is_set} == {7, 25}
    assert len(re.findall(rb"\x1b\[>\d+u", shown)) == shown.count(b"\x1b[<u")


def test_a_blocked_terminal_does_not_delay_the_end(tmp_path: Path) -> None:
    with screens(tmp_path) as (process, name, _, _):
        writer = os.open(name, os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
        with suppress(BlockingIOError):
            while os.write(writer, b"x" * 65536):
                pass
        os.kill(process.pid or 0, signal.SIGHUP)
        begin = time.monotonic()
        process.join(10)
        assert process.exitcode == -signal.SIGHUP
        assert time.monotonic() - begin < 5  # 0.2 s on an idle machine
        os.close(writer)
