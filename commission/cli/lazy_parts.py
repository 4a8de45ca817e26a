"""Services that take long to load, behind the protocols of `commission.model`: each loads on first use."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterable, Mapping, Sequence
    from pathlib import Path

    from commission.model import (
        AnalysesMemory,
        Analysis,
        CancelToken,
        EventBody,
        Importer,
        ImportOptions,
        ImportRow,
        Job,
        NoiseAnalysis,
        Progress,
        Response,
        StoredResponse,
    )


class LateDecoder:
    """Loads the readers of sound files when the first recording is decoded, not at start-up."""

    def __call__(
        self, stored: Sequence[StoredResponse], blobs: Callable[[str], bytes], whole: Container[int] = ()
    ) -> Iterable[tuple[StoredResponse, Response | Exception]]:
        """As `Decoder`."""
        from commission.audio.decoding import decode

        return decode(stored, blobs, whole)


class LateMemory:
    """Loads the memory of earlier analyses on first use."""

    def __init__(self, state_folder: Callable[[], Path]) -> None:
        self._state_folder = state_folder

    def _real(self) -> AnalysesMemory:
        from commission.job.kept import KeptAnalyses

        return KeptAnalyses(self._state_folder() / "analyses")

    def recall(self, job: Job, wanted: Sequence[StoredResponse]) -> dict[int, Analysis | NoiseAnalysis]:
        """As `AnalysesMemory`."""
        return self._real().recall(job, wanted)

    def keep(self, job: Job, analyses: Mapping[int, Analysis | NoiseAnalysis]) -> None:
        """As `AnalysesMemory`."""
        self._real().keep(job, analyses)


class LateImporter:
    """Loads the importer on first use."""

    def _real(self) -> Importer:
        from commission.audio.importing import FileImporter

        return FileImporter()

    def survey(
        self,
        paths: Sequence[Path],
        job: Job,
        options: ImportOptions,
        mapping: Path | None,
        cancel: CancelToken,
        progress: Progress,
    ) -> tuple[ImportRow, ...]:
        """As `Importer`."""
        return self._real().survey(paths, job, options, mapping, cancel, progress)

    def recheck(self, rows: Sequence[ImportRow], job: Job) -> tuple[ImportRow, ...]:
        """As `Importer`."""
        return self._real().recheck(rows, job)

    def read(
        self, row: ImportRow, job: Job, options: ImportOptions
    ) -> tuple[tuple[EventBody, ...], dict[str, bytes]]:
        """As `Importer`."""
        return self._real().read(row, job, options)
