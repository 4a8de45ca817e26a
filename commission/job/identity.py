"""Checks whether a SQLite file is a job, by its application id and its exact tables and triggers.

A foreign trigger can discard what is stored, and a view can run for ever: nothing is read before this check.
"""

from __future__ import annotations

import hashlib
import sqlite3
from pathlib import Path
from typing import Any

from commission.model import StoreError

APPLICATION_ID = 0x434D4E31
"""Marks a SQLite file as one of ours: "CMN1"."""
VERSION = 1
SCHEMA_DIGESTS = {1: "a990372d4105d3a8d28b1a9a4766355ea4f51ef8b3b0630daf51a5b2bf08b160"}
"""`schema_digest` of a file made by schema.sql, by version."""
_MOST_OBJECTS = 100


def schema_digest(database: sqlite3.Connection) -> str:
    """SHA-256 of the file's own list of tables, indexes, triggers and views with their SQL, as bytes."""
    cursor = database.cursor()
    digest = hashlib.sha256()
    texts, database.text_factory = database.text_factory, bytes  # a damaged schema may not be text
    try:
        for row in cursor.execute(
            "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY type, name LIMIT ?", (_MOST_OBJECTS,)
        ):
            digest.update(b"\x1e" + b"\x1f".join(part if isinstance(part, bytes) else b"" for part in row))
    finally:
        database.text_factory = texts
    return digest.hexdigest()


def check_identity(path: Path, database: sqlite3.Connection) -> None:
    """Raise StoreError for a database that is not a job, is from a newer program, or has other tables than a job."""

    def pragma(name: str) -> Any:
        return database.execute(f"PRAGMA {name}").fetchone()[0]

    if pragma("page_count") == 0:
        raise StoreError(f"{path} is empty, not a job. Choose a file made by commission, or its last copy.")
    version, application = pragma("user_version"), pragma("application_id")
    if application != APPLICATION_ID:
        raise StoreError(f"{path} is a database of some other program, not a job. Choose a file made by commission.")
    if version > VERSION:
        raise StoreError(
            f"{path} was written by a newer program (format {version}, this one reads {VERSION}). "
            "Update commission; the file was not touched."
        )
    if schema_digest(database) != SCHEMA_DIGESTS.get(version):
        raise StoreError(
            f"{path} has other tables, views or triggers than a job: another program changed it, so nothing in it is "
            "shown or stored. Continue with your last copy of it."
        )
