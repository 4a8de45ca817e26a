"""What the rules look at: the results of the steps for one round, computed once."""

from __future__ import annotations

from dataclasses import dataclass

from commission.model import Analyses, Job
from commission.steps import compare, distances, levels, seats


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything known of one round."""

    job: Job
    round: str
    analyses: Analyses
    levels: levels.LevelsResult
    distances: distances.DistancesResult
    seats: seats.SeatsResult
    variance: dict[str, dict[str, dict[str, compare.BandResult]]]

    def polarity_share(self, channel: str) -> tuple[int, int]:
        """(seats at which a channel reads reversed, seats at which its polarity is told)."""
        told = [
            cell.analysis.polarity
            for (c, _), cell in self.seats.cells.items()
            if c == channel and cell.analysis is not None and cell.analysis.polarity is not None
        ]
        return sum(p < 0 for p in told), len(told)


def gather(job: Job, round_id: str, analyses: Analyses) -> Evidence:
    """Solve every step that a rule may need."""
    return Evidence(
        job=job,
        round=round_id,
        analyses=analyses,
        levels=levels.solve(job, round_id),
        distances=distances.solve(job, round_id, analyses),
        seats=seats.solve(job, round_id, analyses),
        variance=compare.one_round(job, round_id, analyses),
    )
