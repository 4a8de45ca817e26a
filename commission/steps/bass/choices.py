"""The technician's choices: evenness or output, and preservation of the sum through the crossover."""

from __future__ import annotations

from collections.abc import Mapping

from commission.dsp.bass_search import PRICE_DB2_PER_DB, Figures
from commission.model import Job
from commission.steps.bass.measurement import MeasuredBass
from commission.steps.bass.placing import MOST_WEAKENED_DB, Candidate, Placing
from commission.steps.bass.version import Version, filter_width, version

TRADEOFF_KEY, SUM_KEY = "trade", "sum"
"""Keys of the decisions on evenness or output, and on preserving the sum through the crossover."""

PRICES = {"even": 0.3, "balanced": PRICE_DB2_PER_DB, "loud": 3.0}
"""Price of a lost decibel for each choice [dB²]."""

USUAL = "balanced"


def tradeoff_choice(job: Job, round_id: str) -> str:
    """The technician's choice between evenness and output in a round: a name of `PRICES`."""
    decided = job.decisions.get((round_id, "bass", TRADEOFF_KEY), "")
    return decided if decided in PRICES else USUAL


def wanted_candidate(job: Job, measured: MeasuredBass, candidates: Mapping[str, Candidate]) -> str:
    """The effective choice: by decision; without one, the sum if it costs no more than output does in "loud"."""
    decided = job.decisions.get((measured.round, "bass", SUM_KEY), "")
    if decided in candidates:
        return decided
    if "keep" not in candidates:
        return "even"
    even, keep = candidates["even"], candidates["keep"]
    saved_db = min(keep.sum_gain_db, -MOST_WEAKENED_DB) - even.sum_gain_db
    lost_db = max(even.figures.output_db - keep.figures.output_db, 0.0)
    uneven_db2 = keep.figures.variance_db2 - even.figures.variance_db2
    return "keep" if uneven_db2 <= PRICES["loud"] * (saved_db - lost_db) else "even"


def undominated(
    job: Job, measured: MeasuredBass, every: Mapping[str, Mapping[str, Candidate]]
) -> dict[str, Mapping[str, Candidate]]:
    """Each choice; one that another beats in all displayed figures is replaced by the other's proposal.

    Each was searched without filters, which change evenness and output.
    """

    def shown(each: Mapping[str, Candidate]) -> tuple[float, float, float]:
        own = each[wanted_candidate(job, measured, each)].figures
        to_target = own.cost - own.variance_db2 + PRICE_DB2_PER_DB * own.output_db
        return round(own.sd_db, 1), round(-own.output_db, 1), round(to_target, 1)

    figures = {name: shown(each) for name, each in every.items()}

    def best(name: str) -> str:
        better = [
            n for n in every if all(theirs <= mine for theirs, mine in zip(figures[n], figures[name], strict=True))
        ]
        return min(better, key=lambda n: (sum(figures[n]), n != name))

    return {name: every[best(name)] for name in every}


def tradeoff_rows(placing: Placing, every: Mapping[str, Mapping[str, Candidate]], choice: str) -> tuple[Version, ...]:
    """The proposal of each choice, with its filters; of equal ones the present, the usual or the first."""
    job, measured = placing.job, placing.measured
    chosen = {name: each[wanted_candidate(job, measured, each)] for name, each in every.items()}
    rows = [
        version(measured.through(each.filters, filter_width(job)), name, each.placed, PRICES[name], each.filters)
        for name, each in chosen.items()
    ]
    unlike: list[Version] = []
    for each in sorted(rows, key=lambda row: (row.name != choice, row.name != USUAL)):
        if not any(_alike(each.figures, other.figures) for other in unlike):
            unlike.append(each)
    return tuple(each for each in rows if each in unlike)


ALIKE_DB = 0.2
"""Choices that differ by less in evenness and in output count as one (a choice of this project, no source)."""


def _alike(one: Figures, other: Figures) -> bool:
    return max(abs(one.sd_db - other.sd_db), abs(one.output_db - other.output_db)) < ALIKE_DB
