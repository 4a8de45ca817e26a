"""The log of a job in memory, as `commission.job.store` keeps it in a file but for its digests."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from builders import events_of

from commission.model import Event, EventBody, StoreError


class MemoryJournal:
    """A log in a list; with `full` it refuses entries as a full disk does."""

    path = Path("harbour-lane.commission")
    full = False

    def __init__(self, *bodies: EventBody, blobs: Mapping[str, bytes] | None = None, read_only: bool = False) -> None:
        self._events, self._blobs, self.read_only = events_of(*bodies), dict(blobs or {}), read_only

    def append(self, bodies: Sequence[EventBody], blobs: Mapping[str, bytes] | None = None) -> tuple[Event, ...]:
        if self.full:
            raise StoreError("The disk is full: nothing was stored. Free some space, then press Enter again.")
        if self.read_only:
            raise StoreError("This job is open for reading only.")
        new = events_of(*bodies, start=len(self._events) + 1)
        self._events += new
        self._blobs |= blobs or {}
        return new

    def file_problem(self) -> None:
        return None

    def events(self) -> tuple[Event, ...]:
        return self._events

    def blob(self, sha256: str) -> bytes:
        if sha256 not in self._blobs:
            raise StoreError(f"The recording {sha256[:12]} is not in the job file.")
        return self._blobs[sha256]

    def verify(self, progress: Any = None) -> None:
        return None

    def close(self) -> None:
        return None
