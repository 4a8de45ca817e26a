"""What the screens need of files, devices and the record; `cli.local_services` implements it."""

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
"""How a record may end, and which choices mean something for it."""


class Services(Protocol):
    """Jobs, files, devices and the record, as the screens ask for them."""

    importer: Importer

    def open(self, path: Path, *, read_only: bool = False) -> Visit:
        """Open a job; raises StoreError with one clear sentence."""

    def create(self, path: Path, system: System) -> Visit:
        """A new job file of that system; raises StoreError when the file exists."""

    def create_from_toml(self, path: Path, definition: Path) -> Visit:
        """A new job file from a job definition, with the settings and readings it holds."""

    def create_return(self, path: Path, earlier: Path, progress: Progress = ...) -> Visit:
        """A new job of the same room, which compares itself with the earlier one.

        A `progress` that raises Cancelled stops it with nothing made.
        """

    def demo(self, folder: Path, cancel: CancelToken | None = None, progress: Progress = ...) -> Path:
        """Copy the sample job into a folder, never overwriting; returns its path."""

    def rehearsal(self, folder: Path, seed: int) -> Path:
        """A new practice job with its own simulated room as source; returns its path."""

    def recent(self) -> tuple[Path, ...]:
        """Jobs opened lately that still exist, newest first."""

    def use_limits(self, visit: Visit, path: Path) -> Event:
        """Use a firm's own limits for a job from now on; raises InputError with one clear sentence for a bad file."""

    def use_checklist(self, visit: Visit, path: Path) -> Event:
        """Use a firm's own checklist from now on; raises InputError with one clear sentence for a bad file."""

    def attach_photo(self, visit: Visit, path: Path, *, step: str, round_id: str | None, caption: str) -> Event:
        """Store a photograph with a step; raises InputError with one clear sentence for a file that is none."""

    @property
    def letterhead(self) -> Path | None:
        """The firm's own letterhead, where there is one."""

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
        """Write the record in the format of the suffix; one sentence on what was written.

        `letterhead` "none" leaves out the firm's own, too.

        A `progress` that raises Cancelled stops it with nothing written.
        """

    def export_sheet(self, visit: Visit, target: Path) -> str:
        """Write the settings sheet as CSV; one sentence on what was written."""

    def source(self, visit: Visit) -> Source | None:
        """Where live measurements of this job come from: its simulated room, the audio device, or None."""

    def live_status(self) -> str:
        """One sentence: which device live measurement would use, or why it is off and how to switch it on."""
