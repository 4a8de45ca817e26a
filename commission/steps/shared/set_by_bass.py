"""Subwoofer settings in a round by the step Bass: those proposed in an earlier one, and mistyped ones.

Levels and Distances check each subwoofer alone, and would take its part in the sum for an error; Seats would call a
mistyped polarity a reversed loudspeaker. Bass imports all of them, so its step is looked up by id.
"""

from __future__ import annotations

from collections.abc import Mapping

from commission.model import Analyses, Job
from commission.steps import step
from commission.steps.shared.isolation import or_else


def trims_by_bass(job: Job, round_id: str, analyses: Analyses) -> Mapping[str, float | None]:
    """Subwoofer → its trim [dB], None if unknown. Empty if Bass fails: the two steps do without it."""
    return or_else(lambda: step("bass").trims_in_use(job, round_id, analyses), {})


def mistyped_polarities(job: Job, round_id: str, analyses: Analyses) -> frozenset[str]:
    """Subwoofers whose polarity has not changed since an earlier round as set. Empty if Bass fails."""
    return or_else(lambda: step("bass").mistyped_polarities(job, round_id, analyses), frozenset())
