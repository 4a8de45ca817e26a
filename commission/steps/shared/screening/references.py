"""Levels with different references: dB SPL beside relative levels, or each file relative to its own peak."""

from __future__ import annotations

from collections import Counter

import numpy as np

from commission.dsp.spectrum import GRID_HZ
from commission.model import FULL_SCALE, Analyses, Job
from commission.model.formatting import number
from commission.steps.shared.screening.interference import without_bands
from commission.steps.shared.screening.mistake import Mistake, places, unusable

LEAST_NORMALISED, SAME_PEAK_DB = 4, 0.05
"""Peaks of responses differ by several decibels from channel to channel and from seat to seat. Four that are all within
±0.05 dB by chance: one in 10⁵ rooms, where peaks are spread evenly over 4 dB (arithmetic)."""
NORMALISED_SHARE = 0.9
"""Share of the responses that must have this peak (common practice, no source)."""


def mixed_references(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """Responses whose levels have another reference than most of the round; of equal counts, full scale is kept."""
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


def normalised(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """Impulse responses scaled to the same peak, so that their levels are lost."""
    newest = places(job, round_id, analyses)
    peaks_db = {
        place: item.analysis.peak_db
        for place, item in newest.items()
        if item.analysis is not None and item.analysis.peak_db is not None
    }
    if len(peaks_db) < LEAST_NORMALISED:
        return ()
    middle_db = float(np.median(list(peaks_db.values())))
    spoilt = [place for place, peak_db in peaks_db.items() if abs(peak_db - middle_db) <= SAME_PEAK_DB]
    if len(spoilt) < max(LEAST_NORMALISED, NORMALISED_SHARE * len(peaks_db)):
        return ()
    why = "each file was scaled to the same peak, so that its level is lost"
    items = [item for place in spoilt for item in analyses.repeats(round_id, *place)]
    return (
        Mistake(
            kind="normalised",
            channels=tuple(c.id for c in job.system.channels if any(c.id == channel for channel, _ in spoilt)),
            seats=tuple(s.id for s in job.system.seats if any(s.id == seat for _, seat in spoilt)),
            reason=why,
            evidence=(
                f"{len(spoilt)} of {len(peaks_db)} responses peak at {number(middle_db, 1)} dBFS within "
                f"{SAME_PEAK_DB:g} dB; from seat to seat peaks differ by some decibels",
            ),
            usable=without_bands(job, items, np.ones(len(GRID_HZ), bool), why),
        ),
    )


def common_reference(job: Job, round_id: str, analyses: Analyses) -> str | None:
    """Reference of the levels of a round; None if nothing is measured or the references are mixed."""
    found = {
        item.analysis.reference for item in places(job, round_id, analyses).values() if item.analysis is not None
    }
    return found.pop() if len(found) == 1 else None
