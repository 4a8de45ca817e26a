"""The search for measuring mistakes, before the installation is examined; recordings that they spoilt are left out.

`screen` is pure: job, round and analyses in; the mistakes and the analyses that may be used out. Every step and every rule
draws its conclusions from `Screening.usable`. A response of which nothing may be used stays in it as one that has a problem
and no analysis, like a file that cannot be read; so cells and checks say why.

Detectors run in the order of `DETECTORS`, each on what the earlier ones left, so that no recording is accused twice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from commission.model import Analyses, Job
from commission.steps.shared.cache import cached
from commission.steps.shared.screening.arrival_times import mixed_up
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
    mixed_up,
    interference,
    gain_changed,
    microphone,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Screening:
    """One round after the search: its mistakes, and the analyses that may be used."""

    mistakes: tuple[Mistake, ...]
    usable: Analyses
    """All rounds; in the screened one without what the mistakes spoilt, and with what they allow to correct."""

    @property
    def gains_db(self) -> dict[str, tuple[float, float]]:
        """Seat → (what its recordings were too loud by, standard uncertainty); `usable` is corrected for it."""
        return {seat: gain for mistake in self.mistakes for seat, gain in mistake.corrections_db.items()}

    def of(self, *kinds: Kind) -> tuple[Mistake, ...]:
        """The mistakes of these kinds, in the order in which they were found."""
        return tuple(mistake for mistake in self.mistakes if mistake.kind in kinds)


@cached
def screen(job: Job, round_id: str, analyses: Analyses) -> Screening:
    """The measuring mistakes of a round, and what may be used of its responses."""
    mistakes: list[Mistake] = []
    left = analyses
    for detector in DETECTORS:
        found = detector(job, round_id, left)
        mistakes += found
        left = without(left, found)
    return Screening(mistakes=tuple(mistakes), usable=left)


def usable(job: Job, analyses: Analyses, *rounds: str) -> Analyses:
    """The analyses that may be used, with these rounds screened."""
    for round_id in rounds:
        analyses = screen(job, round_id, analyses).usable
    return analyses
