"""Reads files from outside, and keeps track of the job files that are open in this program.

A job file that is open here must not be opened a second time as anything else. POSIX locks belong to the process and
the file: closing any other descriptor of the file drops them (POSIX.1-2017, fcntl), and with them SQLite's protection
against a second writer.
"""

from __future__ import annotations

import errno
import os
import stat
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import IO, Literal

from commission.model.errors import InputError
from commission.model.unfinished_files import write_whole
from commission.model.units import clean_text

Identity = tuple[int, int]
"""Device and inode, which identify a file under any name."""
FileKind = Literal["file", "folder", "device", "missing", "circle"]
KIND_NAMES: Mapping[FileKind, str] = {
    "file": "a file",
    "folder": "a folder",
    "device": "a pipe or a device",
    "missing": "no such file",
    "circle": "a symbolic link that leads back to itself",
}


def kind_of(path: Path) -> FileKind:
    """The kind of file at a path; "missing" also for impossible names, "circle" for circular symbolic links.

    "device" is a pipe or socket, too. Raises OSError where a folder on the way may not be entered.
    """
    try:
        mode = os.stat(path).st_mode
    except ValueError:  # a zero byte
        return "missing"
    except OSError as error:
        if error.errno in (errno.ENOENT, errno.ENOTDIR, errno.ENAMETOOLONG):
            return "missing"
        if error.errno == errno.ELOOP:
            return "circle"
        raise
    if stat.S_ISREG(mode):
        return "file"
    return "folder" if stat.S_ISDIR(mode) else "device"


def read_outside(
    path: Path,
    expected: str,
    *,
    largest_bytes: int,
    where: str | None = None,
    mend: str = "Check the path.",
    start_only: bool = False,
) -> bytes:
    """All bytes of a file; raises InputError if it is not a regular file, is too large, or is a job that is open
    here.

    `where` names the file in the sentence (None: its path), `expected` what should be there. With `start_only`, the
    first `largest_bytes` of a file of any size.
    """
    where = clean_text(str(path)) if where is None else where
    try:
        kind = kind_of(path)
        if kind != "file":
            raise InputError(where, KIND_NAMES[kind], expected, mend)
        refuse_open_job(path, expected, where=where)
        with open(
            os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)), "rb"
        ) as file:
            status = os.fstat(file.fileno())  # the path may have been replaced meanwhile
            if not stat.S_ISREG(status.st_mode):
                raise InputError(where, KIND_NAMES["device"], expected, mend)
            if start_only:
                return file.read(largest_bytes)
            data = b"" if status.st_size > largest_bytes else file.read(largest_bytes + 1)
            size = max(status.st_size, len(data))
    except OSError as error:
        raise InputError(where, f"a file that cannot be read ({error.strerror})", expected, mend) from error
    if size > largest_bytes:
        raise InputError(where, f"a file of {_size(size)}", f"{expected} of at most {_size(largest_bytes)}")
    return data


def replace_own(path: Path, text: str) -> None:
    """Write a file of the program's own in place of anything with its name; writing to a pipe would block.

    Raises OSError.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, text.encode("utf-8"), synchronised=False)


def _size(size: int) -> str:
    return f"{size / 1e6:,.0f} MB" if size >= 1e6 else f"{size / 1e3:.0f} kB"


# --- jobs that are open here --------------------------------------------------------------------------------------

_lock = threading.RLock()
_open_jobs: dict[Identity, int] = {}
"""Number of times that each job is open."""
_to_close: dict[Identity, list[IO[bytes]]] = {}
"""Unneeded descriptors of open jobs, to be closed when the job is closed for the last time."""


def refuse_open_job(path: Path, expected: str, *, where: str | None = None) -> None:
    """Raise InputError if `path` leads to a job that is open in this program; to be called before opening the file."""
    try:
        status = os.stat(path)
    except (OSError, ValueError):
        return  # the caller reports it when it opens the file
    with _lock:
        held = (status.st_dev, status.st_ino) in _open_jobs
    if held:
        where = clean_text(str(path)) if where is None else where
        raise InputError(where, "the job file that is open here", expected, "Choose another file.")


def is_open_job(identity: Identity) -> bool:
    """Whether the file is a job that is open in this program."""
    with _lock:
        return identity in _open_jobs


def note_open_job(identity: Identity) -> None:
    """Record that a job file was opened; `note_closed_job` must follow."""
    with _lock:
        _open_jobs[identity] = _open_jobs.get(identity, 0) + 1


def note_closed_job(identity: Identity, file: IO[bytes] | None = None) -> None:
    """Record that a job file was closed. Its descriptor `file` is closed once the job is open nowhere in this program."""
    with _lock:
        if file is not None:
            _to_close.setdefault(identity, []).append(file)
        _open_jobs[identity] -= 1
        if _open_jobs[identity] == 0:
            del _open_jobs[identity]
            for each in _to_close.pop(identity, []):
                each.close()
