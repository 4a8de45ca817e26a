"""What can go wrong, each as one clear sentence for the technician."""

from __future__ import annotations


class CommissionError(Exception):
    """Something the technician must know; its text is shown unchanged."""


class InputError(CommissionError):
    """Input that cannot be used: where it is, what was found, what is expected, how to mend it."""

    def __init__(self, where: str, found: str, expected: str, mend: str = "") -> None:
        self.where, self.found, self.expected, self.mend = where, found, expected, mend
        sentence = f"{where}: found {found}, expected {expected}."
        super().__init__(f"{sentence} {mend}" if mend else sentence)


class StoreError(CommissionError):
    """The job file refuses: in use, foreign, damaged, from a newer version, read-only, disk full."""


class Cancelled(Exception):
    """The technician pressed Escape."""
