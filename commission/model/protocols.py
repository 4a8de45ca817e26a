"""Small protocols of devices, files, storage and clocks."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Protocol

from commission.model.events import Event, EventBody, ResponseStored
from commission.model.imports import ImportOptions, ImportRow
from commission.model.job import Job, StoredResponse
from commission.model.progress import CancelToken, Progress
from commission.model.signal import Analysis, NoiseAnalysis, Response, Signal
from commission.model.step import Capture


class Journal(Protocol):
    """The log of one job: append-only."""

    @property
    def path(self) -> Path:
        """The job file."""

    @property
    def read_only(self) -> bool:
        """Whether appending is refused (opened for reading, read-only folder)."""

    def append(self, bodies: Sequence[EventBody], blobs: Mapping[str, bytes] | None = None) -> tuple[Event, ...]:
        """Store events and the recordings they name (by SHA-256) in one transaction: all or nothing.

        A `ResponseStored` or `StimulusStored` body refers to its recording by its `file_sha256`.
        Raises StoreError with nothing stored.
        """

    def file_problem(self) -> str | None:
        """One sentence if the file has changed since this program last wrote it, and takes no entries; cheap to call.

        None if it is unchanged, and for a log opened for reading only.
        """

    def events(self) -> tuple[Event, ...]:
        """The whole log, oldest first."""

    def blob(self, sha256: str) -> bytes:
        """A stored recording; raises StoreError if it is missing or does not match its digest."""

    def verify(self, progress: Progress | None = None) -> str | None:
        """None if the log and every recording are intact; else one sentence on where they break."""

    def close(self) -> None:
        """Release the file and its lock."""


class Decoder(Protocol):
    """Decodes stored recordings to responses."""

    def __call__(
        self, stored: Sequence[StoredResponse], blobs: Callable[[str], bytes], whole: Container[int] = ()
    ) -> Iterable[tuple[StoredResponse, Response | Exception]]:
        """Yield each stored response decoded, or why it cannot be; `blobs` fetches bytes by SHA-256.

        `whole`: the seqs of sweeps that come with their recording.
        """


class AnalysesMemory(Protocol):
    """Keeps analyses from one opening of a job to the next; saves time and never raises."""

    def recall(self, job: Job, wanted: Sequence[StoredResponse]) -> dict[int, Analysis | NoiseAnalysis]:
        """The analyses kept of these responses and noise recordings, by seq, if made by the same program."""

    def keep(self, job: Job, analyses: Mapping[int, Analysis | NoiseAnalysis]) -> None:
        """Keep the analyses of that job, by seq."""


class Importer(Protocol):
    """Reads files of responses."""

    def survey(
        self,
        paths: Sequence[Path],
        job: Job,
        options: ImportOptions,
        mapping: Path | None,
        cancel: CancelToken,
        progress: Progress,
    ) -> tuple[ImportRow, ...]:
        """Examine files and folders and propose a place for each; stores nothing, never raises for a bad file."""

    def recheck(self, rows: Sequence[ImportRow], job: Job) -> tuple[ImportRow, ...]:
        """The rows with problems and duplicates checked again after the technician edited them."""

    def read(
        self, row: ImportRow, job: Job, options: ImportOptions
    ) -> tuple[tuple[EventBody, ...], dict[str, bytes]]:
        """The events and recordings of one row, ready for `Journal.append`; raises InputError."""


class Rig(Protocol):
    """Plays and records at once: the live device, or the rehearsal room."""

    name: str

    def play_record(self, out: Signal, cancel: CancelToken, progress: Progress) -> Signal:
        """Play `out` [shape=(outputs, n)] and record the microphone(s) meanwhile [shape=(inputs, m)].

        Raises Cancelled after fading out, CommissionError when the device fails.
        """


class Source(Protocol):
    """A source of responses for a step."""

    name: str

    def why_not(self, capture: Capture) -> str | None:
        """Why this capture cannot be made from here; None if it can."""

    def measure(
        self, capture: Capture, round_id: str, cancel: CancelToken, progress: Progress
    ) -> tuple[tuple[ResponseStored, ...], dict[str, bytes]]:
        """Measure a capture: an event for each level, and the recordings, ready for `Journal.append`."""

    def record_noise(
        self, seat: str, state: str, round_id: str, cancel: CancelToken, progress: Progress
    ) -> tuple[ResponseStored, dict[str, bytes]]:
        """Record the room's noise at a seat while nothing plays; `state` names what is switched on."""
