"""Levels of different references: dB SPL from one program and relative levels from another are not subtracted."""

from __future__ import annotations

from collections import Counter

from commission.model import FULL_SCALE, Analyses, Job
from commission.steps.shared.screening.mistake import Mistake, places, unusable


def mixed_references(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """Responses whose levels have another reference than most of the round; of equal counts, full scale stays."""
    newest = places(job, round_id, analyses)
    counts = Counter(item.analysis.reference for item in newest.values() if item.analysis is not None)
    if len(counts) < 2:
        return ()
    most = max(counts, key=lambda reference: (counts[reference], reference == FULL_SCALE, reference))
    found = []
    for reference in sorted(set(counts) - {most}):
        spoilt = [place for place, item in newest.items() if item.analysis and item.analysis.reference == reference]
        items = [
            item
            for place in newest
            for item in analyses.repeats(round_id, *place)
            if item.analysis is not None and item.analysis.reference == reference
        ]
        found.append(
            Mistake(
                kind="reference",
                channels=tuple(sorted({channel for channel, _ in spoilt})),
                seats=tuple(sorted({seat for _, seat in spoilt})),
                reason=f"its levels are relative to {reference}, those of most responses to {most}",
                evidence=tuple(f"{channel} at {seat}: relative to {reference}" for channel, seat in spoilt),
                usable=unusable(items),
            )
        )
    return tuple(found)


def common_reference(job: Job, round_id: str, analyses: Analyses) -> str | None:
    """What the levels of a round are relative to; None where nothing is measured or the references are mixed."""
    found = {
        item.analysis.reference for item in places(job, round_id, analyses).values() if item.analysis is not None
    }
    return found.pop() if len(found) == 1 else None
