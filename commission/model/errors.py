"""Errors, each with one clear sentence for the technician."""

from __future__ import annotations


class CommissionError(Exception):
    """An error that the technician must know about; its text is shown unchanged."""


class InputError(CommissionError):
    """Unusable input: where it is, what was found, what is expected, how to mend it."""

    def __init__(self, where: str, found: str, expected: str, mend: str = "") -> None:
        self.where, self.found, self.expected, self.mend = where, found, expected, mend
        sentence = f"{where}: found {found}, expected {expected}."
        super().__init__(f"{sentence} {mend}" if mend else sentence)


class StoreError(CommissionError):
    """An error of the job file: in use, foreign, damaged, from a newer version, read-only, or the disk is full."""


class Cancelled(Exception):
    """The technician pressed Escape."""
