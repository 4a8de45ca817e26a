"""Services that take long to load, behind the protocols of `commission.model`; each loads on first use."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from commission.model import AnalysesMemory, Importer, Response, StoredResponse


class LateDecoder:
    """`Decoder` that loads the readers of sound files when the first recording is decoded."""

    def __call__(
        self, stored: Sequence[StoredResponse], blobs: Callable[[str], bytes], whole: Container[int] = ()
    ) -> Iterable[tuple[StoredResponse, Response | Exception]]:
        """As `Decoder`."""
        from commission.audio.decoding import decode

        return decode(stored, blobs, whole)


class _Late:
    """A proxy for the object that `make` returns, made when one of its methods is first called."""

    def __init__(self, make: Callable[[], object]) -> None:
        self._make = make

    def __getattr__(self, name: str) -> object:
        return getattr(self._make(), name)


def late_memory(state_folder: Callable[[], Path]) -> AnalysesMemory:
    """The store of earlier analyses; it loads on first use."""

    def make() -> AnalysesMemory:
        from commission.job.kept_analyses import KeptAnalyses

        return KeptAnalyses(state_folder() / "analyses")

    return cast("AnalysesMemory", _Late(make))


def late_importer() -> Importer:
    """The importer; it loads on first use."""

    def make() -> Importer:
        from commission.audio.importing import FileImporter

        return FileImporter()

    return cast("Importer", _Late(make))
