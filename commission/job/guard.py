"""Guards an open job file against a second writer and against changes by other programs.

SQLite's own lock keeps other SQLite programs out, but it is a POSIX lock, which any other close of the file by this
process drops. The guard therefore holds a second lock, of an open file description (fcntl(2), F_OFD_SETLK; Linux), on
a byte that SQLite neither locks nor stores anything in. Where the system has no such lock, SQLite's is the only one.

Before each append the guard also compares the file with what it was after the last one: same file under that path,
same header (its change counter grows with every transaction), same size and time.
"""

from __future__ import annotations

import errno
import os
import struct
from pathlib import Path
from typing import IO

from commission.model import StoreError
from commission.model.outside_files import Identity, is_open_job, note_closed_job, note_open_job

_LOCK_BYTE = 0x40000000 + 512
"""SQLite locks the 512 bytes from 1 GiB on, and leaves the page that holds them empty (file format, 1.4)."""
_HEADER_BYTES = 100
_WAL_AT = 18
"""Offset of the read and write version of the file format: both 1 for a rollback journal, 2 for a write-ahead log."""
_JOURNAL_END = bytes.fromhex("d9d505f920a163d7")
"""Last bytes of a journal that names a super-journal, which SQLite may delete. Ours never name one."""

try:
    import fcntl

    _LOCK_COMMAND = getattr(fcntl, "F_OFD_SETLK", None)
except ImportError:  # Windows: locks belong to the handle, and closing another one does not drop them
    _LOCK_COMMAND = None


class JobGuard:
    """The open file of one `JobFile`, and its last known state."""

    def __init__(self, path: Path, *, writer: bool) -> None:
        """Raises StoreError if another program writes, or for a file that SQLite must not open; OSError from the system."""
        self._path = path
        self._seen: tuple[bytes, int, int] | None = None
        status = os.stat(path)
        self.identity: Identity = (status.st_dev, status.st_ino)
        self._file: IO[bytes] | None = None
        known = is_open_job(self.identity)  # a reader in the same program must not open and close the file
        note_open_job(self.identity)
        self._closed = False
        try:
            if writer or not known:
                self._file = open(path, "r+b" if writer else "rb", buffering=0)
                self._refuse_dangerous(self._file)
            if writer and not self._lock():
                raise StoreError(f"{path} is in use by another program. Close it there first; nothing was changed.")
        except BaseException:
            self.close()
            raise

    def _lock(self) -> bool:
        """Take the writer's lock; whether no other program holds it."""
        if _LOCK_COMMAND is None or self._file is None:
            return True
        # struct flock: type, whence, start, length, process (0 for this kind of lock)
        wanted = struct.pack("hhqqi", fcntl.F_WRLCK, os.SEEK_SET, _LOCK_BYTE, 1, 0)
        try:
            fcntl.fcntl(self._file, _LOCK_COMMAND, wanted)
        except OSError as error:
            return error.errno not in (
                errno.EAGAIN,
                errno.EACCES,
            )  # any other error: the file system has no such lock
        return True

    def _refuse_dangerous(self, file: IO[bytes]) -> None:
        """Refuse file properties that no job has and that would make SQLite touch other files."""
        header = file.read(_HEADER_BYTES)
        if header.startswith(b"SQLite format 3\0") and header[_WAL_AT : _WAL_AT + 2] != b"\1\1":
            raise StoreError(
                f"{self._path} stores its log in a format that no job uses ({header[18]}, {header[19]}): another "
                "program changed it. Continue with your last copy of it."
            )
        journal = Path(f"{self._path}-journal")
        try:
            if not journal.is_file() or journal.stat().st_size < len(_JOURNAL_END):
                return
            with journal.open("rb") as open_journal:
                open_journal.seek(-len(_JOURNAL_END), os.SEEK_END)
                dangerous = open_journal.read() == _JOURNAL_END
        except OSError:
            return  # it was removed meanwhile: another program has finished
        if dangerous:
            raise StoreError(
                f"{journal} is not the journal of a job: it names other files. Move it away, and check the job with "
                "`commission verify`."
            )

    def remember(self) -> None:
        """Record the present state of the file as ours."""
        self._seen = self._state()

    def forget(self) -> None:
        """Forget the state of the file while we change it."""
        self._seen = None

    @property
    def knows(self) -> bool:
        """Whether there is a state to compare with."""
        return self._seen is not None

    def changed(self) -> bool:
        """Whether the file differs from the recorded state, even in its time alone."""
        return self._state() != self._seen

    def _state(self) -> tuple[bytes, int, int]:
        """(header or b"moved", size, time) of the file. Raises OSError if the path does not exist."""
        assert self._file is not None, "only writers look"
        there = os.stat(self._path)
        self._file.seek(0)
        moved = (there.st_dev, there.st_ino) != self.identity
        return b"moved" if moved else self._file.read(_HEADER_BYTES), there.st_size, there.st_mtime_ns

    def replaced(self) -> bool:
        """Whether another file is at the path, or header or size differ from the recorded state."""
        return self._seen is None or self._state()[:2] != self._seen[:2]

    def close(self) -> None:
        """Release the file; call it after the database is closed."""
        if not self._closed:
            self._closed = True
            note_closed_job(self.identity, self._file)

    def __del__(self) -> None:
        if not getattr(self, "_closed", True):
            self.close()
