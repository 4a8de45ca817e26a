"""Commands of the program in processes of their own, forked from one that has loaded it already.

Loading Python, numpy and scipy takes a second of processor time or more, and a command of the tests much less. A process
that forks has everything loaded and no job open (`multiprocessing`, start method "forkserver"); its children are processes
like any other: with their own folder, environment and streams, and they can be killed.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import pkgutil
import signal
import subprocess
import sys
import tempfile
from multiprocessing.process import BaseProcess
from pathlib import Path

import commission

FORKS = "forkserver" in multiprocessing.get_all_start_methods()
SLOW = ("scipy.signal", "scipy.fft", "scipy.stats", "scipy.optimize", "soundfile", "typst", "msgspec.json")
"""What commands load besides the modules of the program."""


def _modules() -> list[str]:
    """All modules of the program except that of the device, whose library starts threads when it loads."""
    found = pkgutil.walk_packages(commission.__path__, "commission.")
    return [each.name for each in found if each.name != "commission.audio.device_process"]


def start(
    words: list[str], folder: Path, environment: dict[str, str], streams: tuple[str, str, str], usage: str = ""
) -> BaseProcess:
    """Start `commission` with these words in a folder; `streams` are the files of standard input, output and errors.

    All three may be one terminal, which the process then has for itself. At its end it writes to the file `usage`, as JSON,
    the processor time [s] and the memory [bytes] that it took, its own child processes included (of memory, the largest).
    """
    arguments = words, str(folder), environment, streams, usage
    process: BaseProcess
    if FORKS:
        forking = multiprocessing.get_context("forkserver")
        forking.set_forkserver_preload([*SLOW, *_modules()])
        process = forking.Process(target=_command, args=arguments)
    else:
        process = multiprocessing.get_context("spawn").Process(target=_command, args=arguments)
    process.start()
    return process


def run(folder: Path, *words: str, timeout_s: float = 120.0) -> subprocess.CompletedProcess[str]:
    """The finished command, with a home of its own and its output in files."""
    environment = os.environ | {
        "HOME": str(folder),
        "XDG_STATE_HOME": str(folder / "state"),
        "XDG_CONFIG_HOME": str(folder / "config"),
    }
    with tempfile.TemporaryDirectory() as place:
        out, err = Path(place, "out"), Path(place, "err")
        process = start(list(words), folder, environment, (os.devnull, str(out), str(err)))
        process.join(timeout_s)
        if process.exitcode is None:
            process.kill()
            process.join()
            raise subprocess.TimeoutExpired(words, timeout_s, out.read_text(), err.read_text())
        return subprocess.CompletedProcess(
            words, process.exitcode, out.read_text(encoding="utf-8"), err.read_text(encoding="utf-8")
        )


def _command(
    words: list[str], folder: str, environment: dict[str, str], streams: tuple[str, str, str], usage: str
) -> None:
    """In the child: the command line from start to end."""
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    if len(set(streams)) == 1:
        os.setsid()  # the terminal that is opened next is its own
        signal.signal(signal.SIGHUP, signal.SIG_DFL)  # tests that run without a terminal may ignore it
    for number, name in enumerate(streams):
        opened = os.open(name, os.O_RDWR | os.O_CREAT, 0o600)
        os.dup2(opened, number)
        os.close(opened)
    for number, (name, mode) in enumerate((("stdin", "r"), ("stdout", "w"), ("stderr", "w"))):
        stream = open(number, mode, encoding="utf-8", closefd=False)
        setattr(sys, name, stream)
        setattr(sys, f"__{name}__", stream)  # screens write there
    sys.argv = ["commission", *words]
    from commission.cli import main

    try:
        code = main()
    finally:
        sys.stdout.flush()
        if usage:
            Path(usage).write_text(json.dumps(_usage()))
    sys.exit(code)


def _usage() -> tuple[float, int]:
    """Processor time [s] and the most memory [bytes] of this process and those that it has started."""
    import resource  # not on Windows

    from peak_memory import peak_bytes

    own, children = (resource.getrusage(which) for which in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    cpu_s = sum(each.ru_utime + each.ru_stime for each in (own, children))
    return cpu_s, max(peak_bytes(), 1024 * children.ru_maxrss)
