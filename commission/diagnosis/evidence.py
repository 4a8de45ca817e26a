"""The input of the rules: outcomes of the steps for one round, and their results."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from commission.dsp.geometry import distance_m
from commission.model import Analyses, Check, FloatArray, Job, Outcome
from commission.steps import distances, levels, seats
from commission.steps.shared.screening import Screening, screen
from commission.steps.shared.seat_variance import BandResult, bass_of_round, summed_subs


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """All evidence of one round. Each step result is computed when a rule first needs it."""

    job: Job
    round: str
    analyses: Analyses
    """Analyses of all rounds."""
    outcomes: Mapping[str, Outcome] = field(default_factory=dict)
    """Outcomes by step id."""

    def checks(self, kind: str) -> tuple[Check, ...]:
        """The checks of a kind, such as "aim.angle"; empty if its step is not part of the visit or was not computed."""
        outcome = self.outcomes.get(kind.partition(".")[0])
        return () if outcome is None else tuple(check for check in outcome.checks if check.kind == kind)

    @cached_property
    def screening(self) -> Screening:
        """The measuring mistakes; all results below exclude the recordings that they affect."""
        return screen(self.job, self.round, self.analyses)

    @cached_property
    def levels(self) -> levels.LevelsResult:
        """Result of the step "levels": trims from the readings."""
        return levels.solve(self.job, self.round, self.analyses)

    @cached_property
    def distances(self) -> distances.DistancesResult:
        """Result of the step "distances": delays and arrivals."""
        return distances.solve(self.job, self.round, self.analyses)

    @cached_property
    def seats(self) -> seats.SeatsResult:
        """Response of each channel at each seat."""
        return seats.solve(self.job, self.round, self.analyses)

    @cached_property
    def bass(self) -> dict[str, dict[str, BandResult]]:
        """Seat-to-seat variance of the subwoofers, together or individually, by band."""
        return bass_of_round(self.job, self.round, self.analyses)

    @cached_property
    def subs(self) -> tuple[list[str], FloatArray] | None:
        """(seats, third-octave levels [shape=(seats, n)]) of all subwoofers together, if it can be determined."""
        return summed_subs(self.job, self.round, self.analyses)


def seat_distance_m(e: Evidence, channel: str, seat: str) -> float | None:
    """Distance from a loudspeaker to a seat by their positions, at least 0.1; None if one is unknown."""
    one, other = e.job.system.channel(channel), e.job.system.seat(seat)
    if one is None or other is None or one.position_m is None or other.position_m is None:
        return None
    return max(distance_m(one.position_m, other.position_m), 0.1)
