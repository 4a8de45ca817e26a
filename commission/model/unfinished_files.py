"""Writes files completely or not at all, even if the program is killed meanwhile.

Where the system can, a file gets a name only when it is complete (open(2), O_TMPFILE; Linux). Elsewhere it is made
under a hidden name beside its own; what a kill leaves there is removed the next time the same name is written.
"""

from __future__ import annotations

import hashlib
import os
import time
from contextlib import suppress
from pathlib import Path

UNFINISHED = ".unfinished"
_STALE_S = 60.0
"""An unfinished file untouched for this long was left by a program that was killed."""
_UNNAMED = getattr(os, "O_TMPFILE", 0)


def write_whole(path: Path, data: bytes, *, synchronised: bool = True) -> None:
    """Write a file in place of any with its name. `synchronised`: it survives a power cut. Raises OSError."""
    unfinished = unfinished_name(path)
    try:
        handle, unnamed = _open(unfinished)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            if synchronised:
                os.fsync(file.fileno())  # a computer that loses power must not be left with an empty file
            if unnamed:
                _give_name(file.fileno(), unfinished)
        os.replace(unfinished, path)
    except BaseException:
        with suppress(OSError):
            unfinished.unlink()
        raise


def _open(path: Path) -> tuple[int, bool]:
    """A new file, and whether it has no name yet."""
    if _UNNAMED and os.path.isdir("/proc/self/fd"):
        with suppress(OSError):  # this file system needs names; the next line reports any other error
            return os.open(path.parent, _UNNAMED | os.O_WRONLY, 0o666), True
    return os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_BINARY", 0), 0o666), False


def _give_name(handle: int, path: Path) -> None:
    """Name a file by linkat(2) with AT_SYMLINK_FOLLOW, which Python only passes on with a folder's descriptor."""
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.link(f"/proc/self/fd/{handle}", path.name, src_dir_fd=folder, dst_dir_fd=folder, follow_symlinks=True)
    finally:
        os.close(folder)


def unfinished_name(path: Path) -> Path:
    """A temporary name beside `path`; a file left there by a killed program is removed later."""
    remove_leftovers(path)
    return path.with_name(f"{_start(path)}{os.getpid():x}-{os.urandom(4).hex()}{UNFINISHED}")


def _start(path: Path) -> str:
    return f".{hashlib.sha256(os.fsencode(path.name)).hexdigest()[:12]}-"  # short, however long the name is


def remove_leftovers(path: Path) -> None:
    """Remove what a killed program left of a file to be named `path`."""
    start = _start(path)
    with suppress(OSError, ValueError):
        for name in os.listdir(path.parent):
            if name.startswith(start) and UNFINISHED in name:
                with suppress(OSError):  # it may have been named meanwhile
                    leftover = path.with_name(name)
                    if time.time() - leftover.stat().st_mtime > _STALE_S or leftover.samefile(path):
                        leftover.unlink()
