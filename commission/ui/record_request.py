"""A request for a record: options and target."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from commission.services import RECORD_OPTIONS
from commission.ui.paths import existing_file, new_file


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRequest:
    """The request as typed."""

    file: str
    paper: Literal["a4", "us-letter"] = "a4"
    letterhead: str = ""

    @property
    def target(self) -> Path:
        """The path of the record; raises InputError if it cannot be written."""
        return Path.cwd() / new_file(self.file, tuple(RECORD_OPTIONS))

    @property
    def letterhead_file(self) -> Path | None:
        """The letterhead; None: a record without one. Raises InputError if it is not a file."""
        return existing_file(self.letterhead) if self.letterhead.strip() else None
