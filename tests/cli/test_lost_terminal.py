"""A program whose terminal is gone ends and lets the job go, also where it ignores the hang-up."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from commission.cli.local_services import LocalServices
from commission.job.store import JobFile
from commission.model import System

pty = pytest.importorskip("pty")


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
