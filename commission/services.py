"""The protocol of files, devices and the record for the screens; `cli.local_services` implements it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, Protocol

if TYPE_CHECKING:
    from pathlib import Path

    from commission.model import CancelToken, Event, Importer, Progress, Source, System
    from commission.visit import Visit

RECORD_OPTIONS = {
    ".pdf": ("paper", "letterhead"),
    ".html": ("paper", "letterhead"),
    ".json": (),
    ".csv": (),
    ".sofa": ("round",),
}
"""Suffixes of records, and the options that apply to each."""


class Services(Protocol):
    """Jobs, files, devices and the record, as used by the screens."""

    importer: Importer

    def open(self, path: Path, *, read_only: bool = False) -> Visit:
        """Open a job; raises StoreError."""

    def create(self, path: Path, system: System) -> Visit:
        """A new job file of that system; raises StoreError when the file exists."""

    def create_from_toml(self, path: Path, definition: Path) -> Visit:
        """A new job file from a job definition, with its settings and readings."""

    def create_return(self, path: Path, earlier: Path, progress: Progress = ...) -> Visit:
        """A new job of the same room, to be compared with the earlier one.

        If `progress` raises Cancelled, no file is made.
        """

    def demo(self, folder: Path, cancel: CancelToken | None = None, progress: Progress = ...) -> Path:
        """Copy the sample job into a folder, never overwriting; returns its path."""

    def rehearsal(self, folder: Path, seed: int) -> Path:
        """A new practice job with its own simulated room as source; returns its path."""

    def recent(self) -> tuple[Path, ...]:
        """Recently opened jobs that still exist, newest first."""

    def use_limits(self, visit: Visit, path: Path) -> Event:
        """Use a firm's own limits for a job from now on; raises InputError for a bad file."""

    def use_checklist(self, visit: Visit, path: Path) -> Event:
        """Use a firm's own checklist from now on; raises InputError for a bad file."""

    def attach_photo(self, visit: Visit, path: Path, *, step: str, round_id: str | None, caption: str) -> Event:
        """Store a photograph with a step; raises InputError for any other file."""

    @property
    def letterhead(self) -> Path | None:
        """The firm's own letterhead; None if there is none."""

    def check_record(
        self, visit: Visit, path: Path, *, cancel: CancelToken, progress: Progress = ...
    ) -> tuple[tuple[str, str], ...]:
        """A record compared with the job: (symbol, sentence), the summary first; raises InputError for another file."""

    def export(
        self,
        visit: Visit,
        target: Path,
        *,
        paper: Literal["a4", "us-letter"] | None = None,
        letterhead: Path | Literal["none"] | None = None,
        progress: Progress = ...,
    ) -> str:
        """Write the record in the format of the suffix; returns a sentence on the result.

        `letterhead` "none" leaves out the firm's own, too. If `progress` raises Cancelled, nothing is written.
        """

    def export_sheet(self, visit: Visit, target: Path) -> str:
        """Write the settings sheet as CSV; returns a sentence on the result."""

    def source(self, visit: Visit) -> Source | None:
        """The source of live measurements for this job: its simulated room, the audio device, or None."""

    def live_status(self) -> str:
        """One sentence: which device live measurement would use, or why it is off and how to switch it on."""
