"""Guards an open job file: against a second writer, and against changes behind our back.

SQLite's own lock keeps other SQLite programs out, but it is a POSIX lock, which any other close of the file by this
process drops. The guard therefore holds a second lock, of an open file description (fcntl(2), F_OFD_SETLK; Linux), on a
byte that SQLite neither locks nor stores anything in. Where the system has no such lock, SQLite's is the only one.

Before each append the guard also compares the file with what it was after the last one: same file under that path, same
header (its change counter grows with every transaction), same size and time.
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
"""Read and write version of the file format: 1 each for a rollback journal, 2 for a write-ahead log."""
_JOURNAL_END = bytes.fromhex("d9d505f920a163d7")
"""Ends a journal that names a super-journal: SQLite may delete the file so named. Ours never name one."""

try:
    import fcntl

    _LOCK_COMMAND = getattr(fcntl, "F_OFD_SETLK", None)
except ImportError:  # Windows: locks belong to the handle, and no other close drops them
    _LOCK_COMMAND = None


class JobGuard:
    """The open file of one `JobFile`, and what it was when last looked at."""

    def __init__(self, path: Path, *, writer: bool) -> None:
        """Raises StoreError when another program writes, or for a file that SQLite must not open; OSError as it comes."""
        self._path = path
        self._seen: tuple[bytes, int, int] | None = None
        status = os.stat(path)
        self.identity: Identity = (status.st_dev, status.st_ino)
        self._file: IO[bytes] | None = None
        known = is_open_job(self.identity)  # a reader beside it must not open and close it
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
        """Whether no other program holds the lock of the writer."""
        if _LOCK_COMMAND is None or self._file is None:
            return True
        # struct flock: type, whence, start, length, process (0 for this kind of lock)
        wanted = struct.pack("hhqqi", fcntl.F_WRLCK, os.SEEK_SET, _LOCK_BYTE, 1, 0)
        try:
            fcntl.fcntl(self._file, _LOCK_COMMAND, wanted)
        except OSError as error:
            return error.errno not in (errno.EAGAIN, errno.EACCES)  # any other: this file system has none
        return True

    def _refuse_dangerous(self, file: IO[bytes]) -> None:
        """What a job never is, and what would make SQLite touch other files."""
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
            return  # it went while we looked: another program has finished
        if dangerous:
            raise StoreError(
                f"{journal} is no journal of a job: it names other files. Move it away, and check the job with "
                "`commission verify`."
            )

    def remember(self) -> None:
        """What the file is now is what we left."""
        self._seen = self._state()

    def forget(self) -> None:
        """The file is being changed by us."""
        self._seen = None

    @property
    def knows(self) -> bool:
        """Whether there is a state to compare with."""
        return self._seen is not None

    def changed(self) -> bool:
        """Whether the file is another one than we left. True for a mere new time: look closer then."""
        return self._state() != self._seen

    def _state(self) -> tuple[bytes, int, int]:
        """Raises OSError where the path leads nowhere."""
        assert self._file is not None, "only writers look"
        there = os.stat(self._path)
        self._file.seek(0)
        moved = (there.st_dev, there.st_ino) != self.identity
        return b"moved" if moved else self._file.read(_HEADER_BYTES), there.st_size, there.st_mtime_ns

    def replaced(self) -> bool:
        """Whether another file is at the path now, or header or size are not what we left."""
        return self._seen is None or self._state()[:2] != self._seen[:2]

    def close(self) -> None:
        """Let the file go; after the database was closed."""
        if not self._closed:
            self._closed = True
            note_closed_job(self.identity, self._file)

    def __del__(self) -> None:
        if not getattr(self, "_closed", True):
            self.close()
