"""Which record is wanted, and where it is written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from commission.services import RECORD_OPTIONS
from commission.ui.paths import existing_file, new_file


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRequest:
    """What was asked for, as it was typed."""

    file: str
    paper: Literal["a4", "us-letter"] = "a4"
    letterhead: str = ""

    @property
    def target(self) -> Path:
        """Where it goes; raises InputError where it cannot."""
        return Path.cwd() / new_file(self.file, tuple(RECORD_OPTIONS))

    @property
    def letterhead_file(self) -> Path | None:
        """None: a record without a letterhead. Raises InputError where it is no file."""
        return existing_file(self.letterhead) if self.letterhead.strip() else None
