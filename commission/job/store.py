"""The job file: one SQLite database that only grows.

Anyone can check it with sqlite3 and SHA-256 alone. Read `SELECT seq, at, kind, body, blob, prev, hash FROM event ORDER
BY seq`. For every row: `prev` is the `hash` of the row before (empty for the first), and `hash` is the SHA-256 of
`prev` followed by the UTF-8 text of seq (decimal), at, kind, body and blob (empty when NULL), joined by the unit
separator U+001F. Every `blob.sha256` is the hex SHA-256 of its `data`.

Durability: default rollback journal (a job at rest is one file), synchronous=FULL, one transaction per append. The
writer keeps `BEGIN IMMEDIATE` open between appends: SQLite's RESERVED lock lets others read and refuses a second
writer, leaves no lock file, and the system releases it when the program is killed.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from commission.job.codec import decode, encode, kind_of
from commission.model import Event, EventBody, InputError, PhotoAttached, ResponseStored, StimulusStored, StoreError

if TYPE_CHECKING:
    from commission.model import Progress

APPLICATION_ID = 0x434D4E31
"""Marks a SQLite file as one of ours: "CMN1"."""
VERSION = 1
_WITH_BLOB = (ResponseStored, StimulusStored, PhotoAttached)
_SEPARATOR = "\x1f"
_BUSY_S = 2.0
"""How long a reader waits while the writer commits."""


def utc_now() -> datetime:
    """The time, as the default clock of a job file."""
    return datetime.now(UTC)


def row_digest(prev: bytes, seq: int, at: str, kind: str, body: str, blob: str | None) -> bytes:
    """SHA-256 of a row chained to the one before; see the recipe above."""
    return hashlib.sha256(prev + _SEPARATOR.join((str(seq), at, kind, body, blob or "")).encode()).digest()


def refuse_taken(path: Path) -> None:
    """Raise StoreError where no new job can be made at `path`: before slow work, and when it is made."""
    if path.exists():
        raise StoreError(f"{path} exists already. Open it, or choose another name; nothing is overwritten.")
    if not path.parent.is_dir():
        raise StoreError(f"{path.parent} is not a folder. Make it first, or choose another place.")


class JobFile:
    """`model.Journal` on SQLite; safe to use from several threads of one program."""

    def __init__(
        self, path: Path, database: sqlite3.Connection, read_only: bool, clock: Callable[[], datetime]
    ) -> None:
        self._path, self._db, self._read_only, self._clock = path, database, read_only, clock
        self._lock = threading.RLock()
        self._closed = False

    # --- making and opening -----------------------------------------------------------------------------------

    @classmethod
    def create(cls, path: Path, clock: Callable[[], datetime] = utc_now) -> JobFile:
        """A new, empty job file; raises StoreError when the path is taken or cannot be written."""
        refuse_taken(path)
        try:
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666))
        except OSError as error:
            raise StoreError(f"{path} cannot be made: {error.strerror}. Choose a folder you may write in.") from error
        try:
            database = _connect(path, "rw")
            from importlib.resources import files  # late: opening a job needs none

            schema = files("commission.job").joinpath("schema.sql").read_text(encoding="utf-8")
            database.executescript(
                f"BEGIN IMMEDIATE; PRAGMA application_id={APPLICATION_ID}; PRAGMA user_version={VERSION};"
                f"{schema} COMMIT;"
            )
            job = cls(path, database, False, clock)
            job._reserve()
        except BaseException as error:
            path.unlink(missing_ok=True)
            if isinstance(error, sqlite3.Error):
                raise StoreError(_explain(path, error)) from error
            raise
        return job

    @classmethod
    def open(cls, path: Path, *, read_only: bool = False, clock: Callable[[], datetime] = utc_now) -> JobFile:
        """An existing job; read-only when asked or when the file or its folder cannot be written.

        Raises StoreError with one sentence: missing, a folder, foreign, damaged, newer, in use by another program.
        """
        if path.is_dir():
            raise StoreError(f"{path} is a folder; a job is a file that ends in .commission.")
        if not path.is_file():
            raise StoreError(f"{path} does not exist. Check the name, or make it with `commission new`.")
        writable = os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)
        read_only = read_only or not writable
        try:
            if read_only and writable and Path(f"{path}-journal").exists():
                _recover(path)
            database = _connect(path, "ro" if read_only else "rw")
        except sqlite3.Error as error:
            raise StoreError(_explain(path, error)) from error
        job = cls(path, database, read_only, clock)
        try:
            _check_identity(path, database)
            if not read_only:
                job._reserve()
        except sqlite3.Error as error:
            database.close()
            raise StoreError(_explain(path, error)) from error
        except BaseException:
            database.close()
            raise
        return job

    def _reserve(self) -> None:
        """Take the writer's lock at once or not at all; a reader's commit wait does not apply here."""
        self._db.execute("PRAGMA busy_timeout=0")
        try:
            self._db.execute("BEGIN IMMEDIATE")
        finally:
            self._db.execute(f"PRAGMA busy_timeout={int(_BUSY_S * 1000)}")

    # --- the protocol -----------------------------------------------------------------------------------------

    @property
    def path(self) -> Path:
        """The job file."""
        return self._path

    @property
    def read_only(self) -> bool:
        """Whether appending is refused."""
        return self._read_only

    def append(self, bodies: Sequence[EventBody], blobs: Mapping[str, bytes] | None = None) -> tuple[Event, ...]:
        """Store events and their recordings in one transaction, all or nothing."""
        encoded = [(kind_of(body), encode(body), body) for body in bodies]  # refuses NaN before anything is touched
        with self._lock:
            if self._closed:
                raise StoreError(f"{self._path.name} is closed.")
            if self._read_only:
                raise StoreError(
                    f"{self._path.name} is open for reading only, so nothing can be stored. "
                    "Copy it to a folder you may write in, and open the copy."
                )
            try:
                if not self._db.in_transaction:
                    self._reserve()  # an earlier failure gave the lock back
                events = self._insert(encoded, blobs or {})
                self._db.execute("COMMIT")
            except BaseException as error:
                self._roll_back()
                if isinstance(error, sqlite3.Error):
                    raise StoreError(_explain(self._path, error)) from error
                raise
            try:
                self._reserve()
            except sqlite3.Error:
                pass  # another program slipped in between; the next append says so, what is stored is stored
            return events

    def _insert(self, encoded: list[tuple[str, str, EventBody]], blobs: Mapping[str, bytes]) -> tuple[Event, ...]:
        last = self._db.execute("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1").fetchone()
        seq, prev = last if last is not None else (0, b"")
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
        return tuple(events)

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
        if self._db.in_transaction:
            try:
                self._db.execute("ROLLBACK")
                self._reserve()
            except sqlite3.Error:
                pass  # SQLite rolls a failed transaction back by itself; the next append takes the lock again

    def events(self) -> tuple[Event, ...]:
        """The whole log, oldest first."""
        try:
            with self._lock:
                rows = self._db.execute("SELECT seq, at, kind, body, blob, hash FROM event ORDER BY seq").fetchall()
        except sqlite3.Error as error:
            raise StoreError(_explain(self._path, error)) from error
        return tuple(
            Event(seq=seq, at=at, body=decode(kind, body, seq), blob_sha256=blob, digest=digest.hex())
            for seq, at, kind, body, blob, digest in rows
        )

    def blob(self, sha256: str) -> bytes:
        """A stored recording, held against its digest."""
        try:
            with self._lock:
                row = self._db.execute("SELECT data FROM blob WHERE sha256=?", (sha256,)).fetchone()
        except sqlite3.Error as error:
            raise StoreError(_explain(self._path, error)) from error
        if row is None:
            raise StoreError(f"The recording {sha256[:12]}… is missing from {self._path.name}.")
        data: bytes = row[0]
        if hashlib.sha256(data).hexdigest() != sha256:
            raise StoreError(f"The recording {sha256[:12]}… in {self._path.name} was altered after it was stored.")
        return data

    def verify(self, progress: Progress | None = None) -> str | None:
        """None when the chain and every recording are whole; else one sentence that says where it breaks."""
        try:
            with self._lock:
                damage = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
                if damage != "ok":
                    return f"the file itself is damaged ({damage})"
                broken = self._verify_rows()
            # The lock is let go between two recordings: to digest them all takes a while, and others store and read.
            return broken or self._verify_blobs(progress)
        except sqlite3.Error as error:
            return _explain(self._path, error)

    def _verify_rows(self) -> str | None:
        prev = b""
        for expected, row in enumerate(self._db.execute("SELECT * FROM event ORDER BY seq"), start=1):
            seq, at, kind, body, blob, stored_prev, digest = row
            if seq != expected:
                return f"event {expected} is missing; the log goes on with event {seq}"
            if stored_prev != prev:
                return f"event {seq} does not follow event {seq - 1}: one of the two was replaced or reordered"
            if row_digest(prev, seq, at, kind, body, blob) != digest:
                return f"event {seq} ({kind}, {at}) was edited after it was stored"
            try:
                decode(kind, body, seq)
            except StoreError as error:
                return str(error)
            prev = digest
        if not prev:
            return "the log is empty"
        return None

    def _verify_blobs(self, progress: Progress | None) -> str | None:
        with self._lock:
            named = self._db.execute(
                "SELECT blob, min(seq) FROM event WHERE blob IS NOT NULL GROUP BY blob"
            ).fetchall()
        for index, (sha256, seq) in enumerate(named):
            if progress is not None:
                progress(index / len(named), f"recording {index + 1} of {len(named)}")
            try:
                self.blob(sha256)
            except StoreError as error:
                return f"event {seq}: {error}"
        if progress is not None:
            progress(1.0, "")
        return None

    def close(self) -> None:
        """Release the file and its lock."""
        with self._lock:
            if not self._closed:
                self._closed = True
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                self._db.close()


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    database = sqlite3.connect(
        f"{path.resolve().as_uri()}?mode={mode}",
        uri=True,
        isolation_level=None,  # transactions are ours to begin and end
        check_same_thread=False,
        timeout=_BUSY_S,
    )
    for pragma in ("trusted_schema=OFF", "foreign_keys=ON", "synchronous=FULL", "cell_size_check=ON"):
        database.execute(f"PRAGMA {pragma}")
    return database


def _recover(path: Path) -> None:
    """Let SQLite roll back what a killed writer left half done; a read-only connection may not do it."""
    database = _connect(path, "rw")
    try:
        database.execute("SELECT 1 FROM sqlite_master").fetchone()
    finally:
        database.close()


def _check_identity(path: Path, database: sqlite3.Connection) -> None:
    def pragma(name: str) -> Any:
        return database.execute(f"PRAGMA {name}").fetchone()[0]

    version, application = pragma("user_version"), pragma("application_id")
    if application != APPLICATION_ID:
        raise StoreError(f"{path} is a database of some other program, not a job. Choose a file made by commission.")
    if version > VERSION:
        raise StoreError(
            f"{path} was written by a newer program (format {version}, this one reads {VERSION}). "
            "Update commission; the file was not touched."
        )
    database.execute("SELECT 1 FROM event LIMIT 1")


def _explain(path: Path, error: sqlite3.Error) -> str:
    """One sentence for what SQLite says."""
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
        return f"{path} cannot be written here. Copy it to a folder you may write in, and open the copy."
    if code == sqlite3.SQLITE_CORRUPT:
        return f"{path} is damaged ({error}). Keep it as it is, and go on from your last copy of it."
    if code == sqlite3.SQLITE_IOERR:
        return (
            f"{path} could not be read or written ({error}): check the disk. What was stored before is not touched."
        )
    return f"{path}: the log refuses ({error})."
