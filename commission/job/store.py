"""The job file: one SQLite database that only grows.

Anyone can check it with sqlite3 and SHA-256 alone (README has the program). Read `SELECT seq, at, kind, body, blob,
prev, hash FROM event ORDER BY seq`. For every row: `prev` is the `hash` of the row before (empty for the first), and
`hash` is the SHA-256 of `prev` followed by the UTF-8 text of seq (decimal), at, kind, body and blob (empty when
NULL), joined by the unit separator U+001F. Every `blob.sha256` is the hex SHA-256 of its `data`.

Durability: default rollback journal (a job at rest is one file), one transaction per append, synchronous=EXTRA: with
FULL the removal of the journal is not synchronised, and after a power cut the journal that is still there takes back
what was committed (sqlite.org/pragma.html#pragma_synchronous).

The writer keeps `BEGIN IMMEDIATE` open between appends: SQLite's RESERVED lock lets others read and refuses a second
writer, leaves no lock file, and the system releases it when the program is killed. `JobGuard` holds a lock that no
other close of the file can drop, and detects changes by other programs.

The file is not trusted: tables and triggers must be exactly ours, sizes are limited before anything is read, every
value is checked for its type, and no reading takes more than `MOST_CPU_S` of processor time.
"""

from __future__ import annotations

import hashlib
import os
import re
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from commission.job.codec import decode, encode, kind_of
from commission.job.guard import JobGuard
from commission.job.identity import APPLICATION_ID, VERSION, check_identity
from commission.model import Event, EventBody, InputError, PhotoAttached, ResponseStored, StimulusStored, StoreError
from commission.model.outside_files import KIND_NAMES
from commission.model.outside_files import kind_of as file_kind
from commission.model.unfinished_files import remove_leftovers, unfinished_name

if TYPE_CHECKING:
    from commission.model import Progress

_WITH_BLOB = (ResponseStored, StimulusStored, PhotoAttached)
_SEPARATOR = "\x1f"
_BUSY_S = 2.0
"""How long a reader waits while the writer commits."""
SYNCHRONOUS = "EXTRA"
MOST_CPU_S = 8.0
"""Processor time that one read operation may take; an honest log of a thousand responses takes a tenth of a second."""
LARGEST_BLOB_BYTES = 420_000_000
LARGEST_EVENT_BYTES = 8_000_000
LARGEST_LOG_BYTES = 64_000_000
"""Limit of all events without their recordings; 960 responses take one megabyte, all verdicts of such a job half of one."""
MOST_EVENTS = 200_000
_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}\+00:00")
_DIGEST = re.compile(r"[0-9a-f]{64}")
_CHECK_S_PER_BYTE = 1 / 20e6
"""Ten times the measured time of checking the pages of a large file."""


def utc_now() -> datetime:
    """The current time; the default clock of a job file."""
    return datetime.now(UTC)


def row_digest(prev: bytes, seq: int, at: str, kind: str, body: str, blob: str | None) -> bytes:
    """SHA-256 of a row chained to the previous one; see the recipe above."""
    return hashlib.sha256(prev + _SEPARATOR.join((str(seq), at, kind, body, blob or "")).encode()).digest()


def refuse_taken(path: Path) -> None:
    """Raise StoreError if no new job can be made at `path`; called before slow work, and when it is made."""
    try:
        if os.path.lexists(path):
            raise StoreError(f"{path} exists already. Open it, or choose another name; nothing is overwritten.")
        if file_kind(path.parent) != "folder":
            raise StoreError(f"{path.parent} is not a folder. Make it first, or choose another place.")
    except (OSError, ValueError) as error:
        raise StoreError(
            f"{path} cannot be made: {getattr(error, 'strerror', error)}. Choose another name."
        ) from error


class _Row(NamedTuple):
    """One row of the log, with every value of the right type."""

    seq: int
    at: str
    kind: str
    body: str
    blob: str | None
    prev: bytes
    hash: bytes


class _Deadline:
    """The time at which SQLite has to give up."""

    at_s = float("inf")

    def is_over(self) -> bool:
        """Whether the time is up; SQLite calls this regularly on the working thread."""
        return time.thread_time() > self.at_s


class JobFile:
    """`model.Journal` on SQLite; safe to use from several threads of one program."""

    def __init__(
        self,
        path: Path,
        database: sqlite3.Connection,
        guard: JobGuard,
        read_only: bool,
        clock: Callable[[], datetime],
    ) -> None:
        self._path, self._db, self._guard, self._read_only, self._clock = path, database, guard, read_only, clock
        self._lock = threading.RLock()
        self._closed = False
        self._end: tuple[int, bytes] | None = None
        """Number and digest of the last event known to this program; None before it was read."""
        self._deadline = _Deadline()
        database.set_progress_handler(self._deadline.is_over, 50_000)

    # --- making and opening -----------------------------------------------------------------------------------

    @classmethod
    def create(cls, path: Path, bodies: Sequence[EventBody] = (), clock: Callable[[], datetime] = utc_now) -> JobFile:
        """A new job file that begins with these events; raises StoreError if the path is taken or cannot be written.

        It is made under another name and renamed when complete: a killed program leaves no partial job.
        """
        refuse_taken(path)
        unfinished = unfinished_name(path)
        try:
            os.close(os.open(unfinished, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666))
        except OSError as error:
            raise StoreError(f"{path} cannot be made: {error.strerror}. Choose a folder you may write in.") from error
        try:
            _fill(unfinished, bodies, clock)
            put_in_place(unfinished, path)
        except StoreError as error:
            raise StoreError(str(error).replace(str(unfinished), str(path))) from error
        finally:
            with suppress(OSError):
                unfinished.unlink()
        return cls.open(path, clock=clock)

    @classmethod
    def open(cls, path: Path, *, read_only: bool = False, clock: Callable[[], datetime] = utc_now) -> JobFile:
        """An existing job; read-only on request or if the file or its folder cannot be written.

        Raises StoreError for a missing path, a folder, and a file that is foreign, changed, damaged, newer or in use
        elsewhere.
        """
        try:
            kind = file_kind(path)
            if kind == "missing":
                raise StoreError(f"{path} does not exist. Check the name, or make it with `commission new`.")
            if kind != "file":
                raise StoreError(f"{path} is {KIND_NAMES[kind]}; a job is a file that ends in .commission.")
            writable = os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)
            guard = JobGuard(path, writer=writable and not read_only)
        except OSError as error:
            raise StoreError(
                f"{path} cannot be read: {error.strerror}. Ask its owner, or use your own copy."
            ) from error
        read_only = read_only or not writable
        database = None
        try:
            with _explained(path):
                if read_only and writable and Path(f"{path}-journal").exists():
                    _recover(path)
                database = _connect(path, "ro" if read_only else "rw")
                job = cls(path, database, guard, read_only, clock)
                with job._limited():
                    check_identity(path, database)
                    if not read_only:
                        job._reserve()
        except BaseException:
            if database is not None:
                database.close()
            guard.close()
            raise
        if not read_only:
            # SQLite has rolled back or discarded what was in a journal; only the writer may have one now.
            with suppress(OSError):
                Path(f"{path}-journal").unlink(missing_ok=True)
            remove_leftovers(path)
        return job

    def _reserve(self) -> None:
        """Take SQLite's writer lock at once or not at all; a reader's wait for a commit does not apply here.

        Raises StoreError if the log no longer ends where this program left it.
        """
        self._db.execute("PRAGMA busy_timeout=0")
        try:
            self._db.execute("BEGIN IMMEDIATE")
        finally:
            self._db.execute(f"PRAGMA busy_timeout={int(_BUSY_S * 1000)}")
        end = self._last()
        if self._end is None:
            self._end = end
        elif end != self._end:
            raise StoreError(self._changed())
        if not self._guard.knows:
            self._guard.remember()

    def _last(self) -> tuple[int, bytes]:
        row = self._db.execute("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1").fetchone()
        if row is None:
            return 0, b""
        if not isinstance(row[0], int) or not isinstance(row[1], bytes):
            raise StoreError(f"{self._path} is damaged: its last event has no number or no digest. {_LAST_COPY}")
        return row[0], row[1]

    def _changed(self) -> str:
        return (
            f"{self._path} was changed by another program while it was open here: no more entries are stored. "
            "Close it, keep that file and your last copy of it, and open the one that is right."
        )

    def _refuse_changed(self) -> None:
        """Raise StoreError if the file differs from its recorded state: SQLite itself trusts its own lock."""
        try:
            if not self._db.in_transaction:
                self._reserve()  # an earlier failure released the lock
            if not self._guard.changed():
                return
            if not self._guard.replaced() and self._same_log():  # only its time changed
                self._guard.remember()
                return
        except OSError:
            raise StoreError(
                f"{self._path} is gone: it was moved, renamed or deleted while it was open. Put it back, then do this "
                "again."
            ) from None
        raise StoreError(self._changed())

    def _same_log(self) -> bool:
        """Whether the log in the file, not in SQLite's cache, ends where this program left it."""
        end = (0, b"")
        try:
            with self._limited(), _closing(_connect(self._path, "ro")) as file:
                file.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_EVENT_BYTES)
                file.set_progress_handler(self._deadline.is_over, 50_000)
                check_identity(self._path, file)
                for row in _chain(file):
                    end = (row.seq, row.hash)
        except StoreError:
            return False
        return end == self._end

    @contextmanager
    def _limited(self, cpu_s: float = MOST_CPU_S) -> Iterator[None]:
        """Limit the operations inside to one thread, to `cpu_s` of processor time, and to rows no larger than an
        event; errors of SQLite become StoreError.

        What SQLite cannot do is a StoreError.
        """
        with self._lock, _explained(self._path):
            if self._closed:
                raise StoreError(f"{self._path.name} is closed.")
            self._deadline.at_s = time.thread_time() + cpu_s
            usual = self._db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_EVENT_BYTES)
            try:
                yield
            finally:
                self._deadline.at_s = float("inf")
                self._db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, usual)

    # --- the protocol -----------------------------------------------------------------------------------------

    @property
    def path(self) -> Path:
        """The job file."""
        return self._path

    @property
    def read_only(self) -> bool:
        """Whether the job is open for reading only."""
        return self._read_only

    def file_problem(self) -> str | None:
        """Why the file would refuse the next entry; None if it would not."""
        with self._lock:
            if not self._closed and not self._read_only:
                try:
                    with _explained(self._path):
                        self._refuse_changed()
                except StoreError as error:
                    return str(error)
        return None

    def append(self, bodies: Sequence[EventBody], blobs: Mapping[str, bytes] | None = None) -> tuple[Event, ...]:
        """Store events and their recordings in one transaction, all or nothing."""
        encoded = [(kind_of(body), encode(body), body) for body in bodies]  # refuses NaN before anything is changed
        with self._lock:
            if self._closed:
                raise StoreError(f"{self._path.name} is closed.")
            if self._read_only:
                raise StoreError(
                    f"{self._path.name} is open for reading only, so nothing can be stored. "
                    "Copy it to a folder you may write in, and open the copy."
                )
            try:
                with _explained(self._path):
                    self._refuse_changed()
                    events, end = self._insert(encoded, blobs or {})
                    if self._last() != end:
                        raise StoreError(f"{self._path.name} did not accept this entry; nothing was stored.")
                    self._db.execute("COMMIT")
            except BaseException:
                self._roll_back()
                raise
            self._end = end
            self._guard.forget()
            with suppress(sqlite3.Error, OSError, StoreError):
                self._reserve()  # another program may have written meanwhile: the next append reports it
            return events

    def _insert(
        self, encoded: list[tuple[str, str, EventBody]], blobs: Mapping[str, bytes]
    ) -> tuple[tuple[Event, ...], tuple[int, bytes]]:
        """The events, and (number, digest) of the last one."""
        assert self._end is not None
        seq, prev = self._end
        at = self._clock().astimezone(UTC).isoformat(timespec="milliseconds")
        events = []
        for kind, text, body in encoded:
            sha256 = body.file_sha256 if isinstance(body, _WITH_BLOB) else None
            if sha256 is not None:
                self._insert_blob(sha256, blobs, kind)
            seq += 1
            digest = row_digest(prev, seq, at, kind, text, sha256)
            self._db.execute("INSERT INTO event VALUES (?,?,?,?,?,?,?)", (seq, at, kind, text, sha256, prev, digest))
            events.append(Event(seq=seq, at=at, body=body, blob_sha256=sha256, digest=digest.hex()))
            prev = digest
        return tuple(events), (seq, prev)

    def _insert_blob(self, sha256: str, blobs: Mapping[str, bytes], kind: str) -> None:
        if self._db.execute("SELECT 1 FROM blob WHERE sha256=?", (sha256,)).fetchone() is not None:
            return
        data = blobs.get(sha256)
        if data is None:
            raise InputError(
                kind, f"no recording with digest {sha256[:12]}…", "the recording together with its event"
            )
        if hashlib.sha256(data).hexdigest() != sha256:
            raise InputError(kind, "a recording that does not match its digest", "the bytes that were digested")
        self._db.execute("INSERT INTO blob VALUES (?,?)", (sha256, data))

    def _roll_back(self) -> None:
        # SQLite rolls a failed transaction back itself; the next append takes the lock again.
        with suppress(sqlite3.Error, OSError, StoreError):
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            self._reserve()

    def events(self) -> tuple[Event, ...]:
        """The whole log, oldest first."""
        with self._limited():
            try:
                return tuple(
                    Event(
                        seq=row.seq,
                        at=row.at,
                        body=decode(row.kind, row.body, row.seq),
                        blob_sha256=row.blob,
                        digest=row.hash.hex(),
                    )
                    for row in _rows(self._db)
                )
            except StoreError as error:
                raise StoreError(f"{self._path}: {error}") from error

    def blob(self, sha256: str) -> bytes:
        """A stored recording, checked against its digest."""
        with self._limited():
            row = self._db.execute("SELECT rowid FROM blob WHERE sha256=?", (sha256,)).fetchone()
            if row is None:
                raise StoreError(f"The recording {sha256[:12]}… is missing from {self._path.name}.")
            # Read in one piece: SELECT would hold it in memory twice.
            with self._db.blobopen("blob", "data", row[0], readonly=True) as stored:
                if len(stored) > LARGEST_BLOB_BYTES:
                    raise StoreError(f"The recording {sha256[:12]}… in {self._path.name} is impossibly large.")
                data = stored.read()
        if hashlib.sha256(data).hexdigest() != sha256:
            raise StoreError(f"The recording {sha256[:12]}… in {self._path.name} was altered after it was stored.")
        return data

    def verify(self, progress: Progress | None = None) -> str | None:
        """None if the chain and every recording are intact; else one sentence on where they break."""
        try:
            with self._limited(MOST_CPU_S + self._path.stat().st_size * _CHECK_S_PER_BYTE):
                damage = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
                if damage != "ok":
                    return f"the file itself is damaged ({damage})"
                named = self._verify_rows()
            # The lock is released between two recordings: digesting all takes a while, and others store and read.
            for index, (sha256, seq) in enumerate(named.items()):
                if progress is not None:
                    progress(index / len(named), f"recording {index + 1} of {len(named)}")
                try:
                    self.blob(sha256)
                except StoreError as error:
                    return f"event {seq}: {error}"
        except (StoreError, OSError) as error:
            return str(error)
        if progress is not None:
            progress(1.0, "")
        return None

    def _verify_rows(self) -> dict[str, int]:
        """Each recording in the log with its first event; raises StoreError where the chain breaks."""
        named: dict[str, int] = {}
        row = None
        for row in _chain(self._db):
            body = decode(row.kind, row.body, row.seq)
            if row.blob != (body.file_sha256 if isinstance(body, _WITH_BLOB) else None):
                raise StoreError(f"event {row.seq} ({row.kind}) names a recording that is not its own")
            if row.blob is not None:
                named.setdefault(row.blob, row.seq)
        if row is None:
            raise StoreError("the log is empty")
        return named

    def close(self) -> None:
        """Release the file and its lock."""
        with self._lock:
            if not self._closed:
                self._closed = True
                self._db.close()  # SQLite rolls back what was not committed
                self._guard.close()


def _rows(database: sqlite3.Connection) -> Iterator[_Row]:
    """The log, row by row; raises StoreError at the first row that is missing, too large or of another type."""
    total = 0
    rows = database.execute("SELECT seq, at, kind, body, blob, prev, hash FROM event ORDER BY seq")
    for expected, values in enumerate(rows, start=1):
        row = _Row(*values)
        if row.seq != expected:
            raise StoreError(f"event {expected} is missing; the log goes on with event {str(row.seq)[:20]}")
        total += _size(row)
        if total > LARGEST_LOG_BYTES or expected > MOST_EVENTS:
            raise StoreError(f"the log is larger than that of any visit (at event {expected})")
        yield row


def _chain(database: sqlite3.Connection) -> Iterator[_Row]:
    """`_rows` with the hash chain checked; raises StoreError at the first row that was edited or does not follow."""
    prev = b""
    for row in _rows(database):
        if row.prev != prev:
            raise StoreError(
                f"event {row.seq} does not follow event {row.seq - 1}: one of the two was replaced or reordered"
            )
        if row_digest(prev, row.seq, row.at, row.kind, row.body, row.blob) != row.hash:
            raise StoreError(f"event {row.seq} ({row.kind}, {row.at}) was edited after it was stored")
        yield row
        prev = row.hash


def _size(row: _Row) -> int:
    """Approximate size of a row in bytes; raises StoreError if a value has another type than the log stores."""
    texts = (row.at, row.kind, row.body, "" if row.blob is None else row.blob)
    if not all(isinstance(text, str) for text in texts) or not all(
        isinstance(d, bytes) for d in (row.prev, row.hash)
    ):
        raise StoreError(f"event {row.seq} holds values of the wrong type")
    if len(row.hash) != 32 or (row.blob is not None and not _DIGEST.fullmatch(row.blob)):
        raise StoreError(f"event {row.seq} holds an invalid digest")
    if not _is_time(row.at):
        raise StoreError(f"event {row.seq} is dated “{row.at[:40]}”, which is not a valid time")
    return sum(len(text) for text in texts)


def _is_time(text: str) -> bool:
    try:
        return _TIME.fullmatch(text) is not None and datetime.fromisoformat(text) is not None
    except ValueError:  # the 31st of February
        return False


# --- making -------------------------------------------------------------------------------------------------------


def _fill(path: Path, bodies: Sequence[EventBody], clock: Callable[[], datetime]) -> None:
    """Make the empty file a job with these events, and synchronise it."""
    from importlib.resources import files  # imported late: opening a job does not need it

    guard = JobGuard(path, writer=True)
    try:
        with _explained(path), _closing(_connect(path, "rw")) as database:
            for pragma in ("journal_mode=MEMORY", "synchronous=OFF"):  # if killed now, none of it remains
                database.execute(f"PRAGMA {pragma}")
            schema = files("commission.job").joinpath("schema.sql").read_text(encoding="utf-8")
            database.executescript(
                f"BEGIN IMMEDIATE; PRAGMA application_id={APPLICATION_ID}; PRAGMA user_version={VERSION};"
                f"{schema} COMMIT;"
            )
            if bodies:
                JobFile(path, database, guard, False, clock).append(bodies)
                database.execute("ROLLBACK")  # release the lock taken for a next entry
    finally:
        guard.close()
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def put_in_place(unfinished: Path, path: Path) -> None:
    """Give a finished file its name, never overwriting; raises StoreError if the name is taken or not possible."""
    try:
        try:
            os.link(unfinished, path)
        except FileExistsError:
            raise StoreError(f"{path} exists already. Choose another name; nothing is overwritten.") from None
        except OSError:  # no links here, as on a memory stick: a short moment of risk remains between the two calls
            refuse_taken(path)
            os.rename(unfinished, path)
        else:
            unfinished.unlink()
        if hasattr(os, "O_DIRECTORY"):
            folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(folder)  # the name, too, must survive a power cut
            finally:
                os.close(folder)
    except OSError as error:
        raise StoreError(f"{path} cannot be made: {error.strerror}. Choose a folder you may write in.") from error


# --- SQLite -------------------------------------------------------------------------------------------------------


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    database = sqlite3.connect(
        f"{path.resolve().as_uri()}?mode={mode}",
        uri=True,
        isolation_level=None,  # transactions are begun and ended here
        check_same_thread=False,
        timeout=_BUSY_S,
    )
    database.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_BLOB_BYTES)
    for pragma in ("trusted_schema=OFF", "foreign_keys=ON", f"synchronous={SYNCHRONOUS}", "cell_size_check=ON"):
        database.execute(f"PRAGMA {pragma}")
    return database


@contextmanager
def _closing(database: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    try:
        yield database
    finally:
        database.close()


def _recover(path: Path) -> None:
    """Let SQLite roll back what a killed writer left half done; a read-only connection may not do it."""
    with _closing(_connect(path, "rw")) as database:
        database.execute("SELECT 1 FROM sqlite_master").fetchone()


_LAST_COPY = "Keep it as it is, and continue with your last copy of it."


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    """Turn errors of SQLite into StoreError with one sentence."""
    try:
        yield
    except sqlite3.Error as error:
        raise StoreError(_explain(path, error)) from error
    except (UnicodeError, OverflowError) as error:  # from values, and from messages about them
        raise StoreError(f"{path} is damaged: it contains invalid text or numbers. {_LAST_COPY}") from error


def _explain(path: Path, error: sqlite3.Error) -> str:
    """An error of SQLite as one sentence."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_NOTADB:
        return f"{path} is not a job file (not a database at all). Choose a file that ends in .commission."
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return f"{path} is in use by another program. Close it there first; nothing was changed."
    if code == sqlite3.SQLITE_FULL:
        return (
            f"The disk is full: nothing of this entry was stored, all before it is safe in {path}. Free some space."
        )
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR) and not path.exists():
        return f"{path} is gone: it was moved, renamed or deleted while it was open. Put it back, then do this again."
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        journal = f"{path}-journal"
        if os.path.exists(journal):
            return (
                f"{path} was being written when the computer or the program stopped, and what is half written must be "
                f"taken back first, which needs a folder that can be written. Copy it together with {journal} to such "
                "a folder, and open the copy."
            )
        return f"{path} cannot be written here. Copy it to a folder you may write in, and open the copy."
    if code == sqlite3.SQLITE_INTERRUPT:
        return f"{path} takes longer to read than any job should: it is damaged or was made that way. {_LAST_COPY}"
    if code == sqlite3.SQLITE_TOOBIG:
        return f"{path} holds an entry that is impossibly large: it is damaged. {_LAST_COPY}"
    if code == sqlite3.SQLITE_IOERR:
        return (
            f"{path} could not be read or written ({error}): check the disk, its free space, and how large a file may "
            "be here (`ulimit -f`). What was stored before is not touched."
        )
    return f"{path} is damaged ({error}). {_LAST_COPY}"
