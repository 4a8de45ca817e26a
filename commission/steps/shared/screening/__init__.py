"""The search for measuring mistakes before the installation is examined; spoilt recordings are left out.

`screen` is pure: from job, round and analyses it returns the mistakes and the usable analyses. Every step and every rule
is based on `Screening.usable`. A fully unusable response stays in it with a problem and no analysis, like an unreadable
file, so that cells and checks give the reason.

Detectors run in the order of `DETECTORS`, each on the remainder of the earlier ones, so that no recording is reported
twice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from commission.model import Analyses, Job
from commission.steps.shared.cache import cached
from commission.steps.shared.screening.arrival_times import mixed_up_recordings
from commission.steps.shared.screening.gains import gain_changed
from commission.steps.shared.screening.interference import interference, microphone
from commission.steps.shared.screening.mistake import Kind, Mistake, without, without_times
from commission.steps.shared.screening.recordings import clipped, not_moved, not_played, same_recording
from commission.steps.shared.screening.references import common_reference, mixed_references, normalised

__all__ = ["Kind", "Mistake", "common_reference", "without_times"]

Detector: TypeAlias = Callable[[Job, str, Analyses], tuple[Mistake, ...]]

DETECTORS: tuple[Detector, ...] = (
    mixed_references,
    clipped,
    not_played,
    normalised,
    not_moved,
    same_recording,
    mixed_up_recordings,
    interference,
    gain_changed,
    microphone,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Screening:
    """Result of screening one round: its mistakes, and the usable analyses."""

    mistakes: tuple[Mistake, ...]
    usable: Analyses
    """Analyses of all rounds; in the screened one without spoilt parts, and with possible corrections."""

    @property
    def gains_db(self) -> dict[str, tuple[float, float]]:
        """Seat → (excess gain of its recordings, standard uncertainty); `usable` is corrected for it."""
        return {seat: gain for mistake in self.mistakes for seat, gain in mistake.corrections_db.items()}

    def of(self, *kinds: Kind) -> tuple[Mistake, ...]:
        """The mistakes of these kinds, in the order of detection."""
        return tuple(mistake for mistake in self.mistakes if mistake.kind in kinds)


@cached
def screen(job: Job, round_id: str, analyses: Analyses) -> Screening:
    """The measuring mistakes of a round, and the usable parts of its responses."""
    mistakes: list[Mistake] = []
    left = analyses
    for detector in DETECTORS:
        found = detector(job, round_id, left)
        mistakes += found
        left = without(left, found)
    return Screening(mistakes=tuple(mistakes), usable=left)


def usable(job: Job, analyses: Analyses, *rounds: str) -> Analyses:
    """The usable analyses, with these rounds screened."""
    for round_id in rounds:
        analyses = screen(job, round_id, analyses).usable
    return analyses
