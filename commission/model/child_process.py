"""Decoding in a child process with limits on processor time, wall-clock time and memory.

It is meant for formats whose headers do not say what decoding costs, and whose libraries can loop for ever or crash
on a damaged file: HDF5, PDF, PNG and JPEG. The child runs one function on the bytes of one file and ends. What it
returns is plain JSON and bytes: nothing that it sends is executed here, even where a file has taken control of the
library that reads it.

Processor time and memory are limited where the system has `setrlimit` (POSIX); the wall-clock limit holds everywhere.
"""

from __future__ import annotations

import codecs
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

from commission.model.errors import InputError

CPU_S = 6
"""Processor time for one file; the largest accepted file takes about two seconds."""
WALL_S = 60.0
"""Limit for a child that waits without computing, or a system that cannot limit processor time."""
LARGEST_MEMORY_BYTES = 900_000_000
"""Address space of the child; the libraries alone take 120 million."""
LARGEST_ANSWER_BYTES = 420_000_000
_LENGTH_BYTES = 8
_START = (
    "import json,sys;sys.path[:0]=[p for p in json.loads(sys.argv[1]) if p not in sys.path];"
    "from commission.model.child_process import run_child;run_child(*sys.argv[2:])"
)

Decoded = tuple[Any, Sequence[bytes | bytearray | memoryview]]
"""Plain values for JSON, and bytes that are passed on unchanged."""
Decoder = Callable[[bytes, dict[str, Any]], Decoded]
"""Decodes the bytes of a file with options, including `where` (its name in errors). May raise InputError."""


def decode_in_child(
    function: str,
    data: bytes,
    where: str,
    expected: str,
    *,
    mend: str = "",
    cpu_s: int | None = None,
    **options: Any,
) -> tuple[Any, list[bytearray]]:
    """Run the decoder `function` ("package.module:name") on `data` and the options in a child process; returns its
    result.

    `cpu_s`: processor time that it may take; None: `CPU_S`. Raises InputError: the decoder's own, or one of `where`,
    `expected` and `mend` when the child exceeds a limit or crashes.
    """
    cpu_s = CPU_S if cpu_s is None else cpu_s
    try:
        process = _start(function, options | {"where": where}, cpu_s)
    except OSError as error:
        found = f"that no process can be started to read it ({error.strerror})"
        raise InputError(where, found, expected, "Close other programs, and try again.") from error
    assert process.stdin is not None and process.stdout is not None
    late = threading.Event()

    def end() -> None:
        late.set()
        process.kill()

    timer = threading.Timer(WALL_S + 4 * (cpu_s - CPU_S), end)
    writer = threading.Thread(target=_write_and_close, args=(process.stdin, data), daemon=True)
    timer.start()
    writer.start()
    try:
        answer = _read_answer(process.stdout)
        process.wait()
    finally:
        timer.cancel()
        process.kill()
        process.wait()
        writer.join()
        process.stdout.close()
    if answer is None:
        raise InputError(where, _reason(process.returncode, late.is_set(), cpu_s), expected, mend)
    values, parts = answer
    if "error" in values:
        raise InputError(*values["error"])
    return values["value"], parts


def _start(function: str, options: dict[str, Any], cpu_s: int) -> subprocess.Popen[bytes]:
    """A child that runs the decoder. Raises OSError."""
    paths = [*(os.path.abspath(path) for path in sys.path if path), str(Path(__file__).parents[2])]
    command = [sys.executable, "-IB", "-c", _START, json.dumps(paths), function, json.dumps(options), str(cpu_s)]
    return subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1", "HDF5_PLUGIN_PRELOAD": "::"},
        bufsize=0,
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )


def _reason(code: int, late: bool, cpu_s: int) -> str:
    """Why a child gave no answer, by its exit code (on POSIX the negative number of a signal)."""
    import signal

    if late or -code in (getattr(signal, "SIGXCPU", None), getattr(signal, "SIGKILL", None)):
        return f"a file that takes longer than {cpu_s} s to read: it is damaged or was made to do so"
    if code == _NO_MEMORY:
        return f"a file that needs more than {LARGEST_MEMORY_BYTES / 1e6:.0f} MB of memory to read"
    return "a file that crashes the library that reads it"


def _write_and_close(pipe: IO[bytes], data: bytes) -> None:
    with suppress(OSError):  # the child ended early, and its exit code says why
        rest = memoryview(data)
        while rest:
            rest = rest[pipe.write(rest) :]
    with suppress(OSError):
        pipe.close()


def _read_answer(pipe: IO[bytes]) -> tuple[dict[str, Any], list[bytearray]] | None:
    """The values and parts sent by a child; None if it ends too early or sends anything else."""
    try:
        head = _read(pipe, int.from_bytes(_read(pipe, _LENGTH_BYTES), "big"))
        values = json.loads(head)
        sizes = values["sizes"]
        if sum(sizes) > LARGEST_ANSWER_BYTES or min(sizes, default=0) < 0:
            return None
        return values, [_read(pipe, size) for size in sizes]
    except (OSError, EOFError, ValueError, KeyError, TypeError, RecursionError):
        return None


def _read(pipe: IO[bytes], size: int) -> bytearray:
    """Exactly `size` bytes. Raises EOFError if fewer follow, ValueError if `size` exceeds any valid answer."""
    if size > LARGEST_ANSWER_BYTES:
        raise ValueError(size)
    data = bytearray(size)
    rest = memoryview(data)
    while rest:
        count = pipe.readinto(rest)  # type: ignore[attr-defined]
        if not count:
            raise EOFError
        rest = rest[count:]
    return data


# --- in the child ---------------------------------------------------------------------------------------------------

_NO_MEMORY = 77


def run_child(function: str, options: str, cpu_s: str) -> None:
    """Read a file from standard input, decode it, write the answer to standard output. Entry point of the child."""
    _limit(int(cpu_s))
    import importlib

    module, name = function.split(":")
    out = os.fdopen(os.dup(1), "wb", buffering=0)
    os.dup2(2, 1)  # output printed by a library is not part of the answer
    try:
        decoder: Decoder = getattr(importlib.import_module(module), name)
        data = sys.stdin.buffer.read()
        try:
            value, parts = decoder(data, json.loads(options))
            answer = {"value": value}
        except InputError as error:
            answer, parts = {"error": [error.where, error.found, error.expected, error.mend]}, ()
        head = json.dumps(answer | {"sizes": [memoryview(part).nbytes for part in parts]}).encode()
        _write_all(out, len(head).to_bytes(_LENGTH_BYTES, "big") + head)
        for part in parts:
            _write_all(out, memoryview(part).cast("B"))
    except MemoryError:
        os._exit(_NO_MEMORY)
    except OSError:  # the parent has gone
        os._exit(1)
    os._exit(0)  # a library's cleanup at exit is not needed


def _write_all(out: IO[bytes], data: bytes | memoryview) -> None:
    rest = memoryview(data)
    while rest:
        rest = rest[out.write(rest) :]


def _limit(cpu_s: int) -> None:
    """Limit this process to the resources allowed for one file, where the system can."""
    try:
        import resource
    except ImportError:  # Windows: the parent's limit of wall-clock time remains
        return
    for name, most in (
        ("RLIMIT_CORE", 0),
        ("RLIMIT_FSIZE", 0),
        ("RLIMIT_CPU", cpu_s),
        ("RLIMIT_AS", LARGEST_MEMORY_BYTES),
    ):
        with suppress(OSError, ValueError, AttributeError):  # the system does not know the limit, or allows even less
            resource.setrlimit(getattr(resource, name), (most, most + (name == "RLIMIT_CPU")))


def forbid_files() -> None:
    """Prevent this process from opening further files; a decoder calls it once its libraries are loaded.

    A library that follows a path inside the file then finds nothing, even if earlier checks missed it. It must only
    be called in a child of `decode_in_child`.
    """
    try:
        import resource
    except ImportError:
        return
    for encoding in (
        "ascii",
        "latin-1",
        "utf-8",
        "utf-16",
        "utf-16-be",
        "cp1252",
        "mac-roman",
    ):  # each in a separate file
        codecs.lookup(encoding)
    with suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (0, 0))  # files that are open stay open
