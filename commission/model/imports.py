"""Files on their way into a job: one row each, shown for correction before anything is stored."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from commission.model.events import ResponseKind
from commission.model.system import Sweep


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportRow:
    """One channel of one file and where it belongs. Rows with a `problem` are not stored."""

    path: Path
    file_channel: int = 0
    round: str | None = None
    channel: str | None = None
    seat: str | None = None
    kind: ResponseKind | None = None
    rate_hz: float | None = None
    frames: int | None = None
    problem: str | None = None
    """The one sentence that says why it cannot be imported as it stands (bad file, no channel, no seat …)."""
    file_problem: str | None = None
    """The part of `problem` that no correction of the row mends: the file itself."""
    sha256: str | None = None
    """Digest of the file's bytes when it was looked at."""
    duplicate_of: int | None = None
    """Event that already holds the same bytes for the same place; importing again is left out."""
    warning: str | None = None
    """Usable, but the technician should know (clipped, short tail)."""
    shared_clock: bool = True
    skip: bool = False

    @property
    def ready(self) -> bool:
        """Whether it would be stored."""
        return self.problem is None and self.duplicate_of is None and not self.skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportOptions:
    """What holds for a whole batch."""

    round: str | None = None
    sweep: Sweep | None = None
    """Parameters of the sweep where no stimulus file is given; None: the job's."""
    stimulus: Path | None = None
    clock: str | None = None
    """Name of the common time origin; None: one is made per batch."""
    passes_delays: bool | None = None
    """None: as the job's processor says."""
