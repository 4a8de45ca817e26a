"""Mistakes that one recording shows by itself, or two beside each other: clipped, or the same file twice."""

from __future__ import annotations

from commission.model import Analyses, Job
from commission.steps.shared.screening.mistake import Mistake, places, unusable


def clipped(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """Recordings that clipped, one mistake for all of them. A place counts as spoilt when its newest response clipped."""
    newest = places(job, round_id, analyses)
    spoilt = {place for place, item in newest.items() if item.analysis is not None and item.analysis.clipped}
    items = [
        item
        for place in newest
        for item in analyses.repeats(round_id, *place)
        if place in spoilt or (item.analysis is not None and item.analysis.clipped)
    ]
    if not items:
        return ()
    return (
        Mistake(
            kind="clipped",
            channels=tuple(sorted({c for c, _ in spoilt})),
            seats=tuple(sorted({s for _, s in spoilt})),
            reason="the recording clipped",
            evidence=tuple(f"{c} at {s}" for c, s in newest if (c, s) in spoilt),
            usable=unusable(items),
        ),
    )
