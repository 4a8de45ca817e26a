"""What the rules look at: the results of the steps for one round, computed once."""

from __future__ import annotations

from dataclasses import dataclass

from commission.model import Analyses, FloatArray, Job
from commission.steps import compare, distances, levels, seats
from commission.steps.compare.result import summed_subs
from commission.steps.shared.screening import Screening, screen


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything known of one round."""

    job: Job
    round: str
    analyses: Analyses
    """Of all rounds, as analysed."""
    screening: Screening
    """The measuring mistakes; all results below rest on what these left."""
    levels: levels.LevelsResult
    distances: distances.DistancesResult
    seats: seats.SeatsResult
    variance: dict[str, dict[str, dict[str, compare.BandResult]]]
    subs: tuple[list[str], FloatArray] | None
    """(seats, third-octave levels [shape=(seats, n)]) of the subwoofers together, where it can be determined."""


def gather(job: Job, round_id: str, analyses: Analyses) -> Evidence:
    """Solve every step that a rule may need."""
    return Evidence(
        job=job,
        round=round_id,
        analyses=analyses,
        screening=screen(job, round_id, analyses),
        levels=levels.solve(job, round_id, analyses),
        distances=distances.solve(job, round_id, analyses),
        seats=seats.solve(job, round_id, analyses),
        variance=compare.one_round(job, round_id, analyses),
        subs=summed_subs(job, round_id, analyses),
    )
