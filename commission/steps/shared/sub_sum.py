"""All subwoofers together at the reference seat: their level, and the required reading of each alone.

A meter reading with all of them playing at once has priority. Without one, their responses on one clock give the level of
the sum relative to one alone; the readings of each alone give the level. The required reading of each is calculated for
subwoofers of equal level, delayed as in Distances, so that it applies after the settings sheet is entered.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import fmean
from typing import Literal

import numpy as np

from commission.dsp.analysis import BASS_HZ, SUB_LEVEL_BAND_HZ
from commission.dsp.repeatability import placement_u_db
from commission.dsp.spectrum import GRID_HZ
from commission.model import Analyses, Budget, ComplexArray, Contribution, Job
from commission.steps.shared.subwoofers import sub_outputs, sub_spectra

QUANTITY = "all subwoofers"
"""Quantity of a meter reading with all of them playing at once."""
Mode = Literal["together", "each", "processor"]
MODES: tuple[tuple[Mode, str], ...] = (
    ("together", "all subwoofers playing at once read the reference"),
    ("each", "each subwoofer alone reads the reference, whatever they add up to"),
    ("processor", "the processor sets them against each other; all at once read the reference"),
)
"""Intended sums of the subwoofers, with their texts."""


def targets_sum(job: Job) -> bool:
    """Whether all subwoofers together are meant to read the reference."""
    return job.system.processor.sub_reference_for in ("together", "processor")


@dataclass(frozen=True, slots=True, kw_only=True)
class SumFromResponses:
    """Level of all subwoofers together minus that of one alone at the reference seat, 30 to 80 Hz [dB]."""

    more_db: float
    """As recorded, relative to their mean."""
    alike_db: float
    """With equal levels of each alone and the delays of Distances."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SubSum:
    """All subwoofers together at the reference seat."""

    level_db: float | None
    """Level by this round's readings; None if only an earlier round shows how they add."""
    excess_db: float
    """Level of the sum minus that of one alone, after the settings sheet is entered."""
    is_read: bool
    """Whether a meter read the sum."""
    alone_db: Mapping[str, float]
    """The reading of each of them alone."""

    def targets_db(self, reference_db: float, mode: str) -> dict[str, float]:
        """Required reading of each alone, so that all together read the reference."""
        if mode == "together":
            return dict.fromkeys(self.alone_db, reference_db - self.excess_db)
        level_db = fmean(self.alone_db.values()) + self.excess_db if self.level_db is None else self.level_db
        return {sub: own - (level_db - reference_db) for sub, own in self.alone_db.items()}


def sum_from_responses(
    job: Job, round_id: str, analyses: Analyses, later_s: Mapping[str, float]
) -> SumFromResponses | None:
    """Sum from the responses of a round; None if they cannot be summed. `later_s`: additional delays of Distances."""
    reference = job.system.reference_seat
    own = None if reference is None else sub_spectra(job, round_id, analyses, reference.id)
    if own is None or isinstance(own, str) or not all(sub in later_s for sub in own):
        return None
    levels = {sub: sub_level_db(each) for sub, each in own.items()}
    alike = [
        each * 10 ** (-levels[sub] / 20) * np.exp(-2j * np.pi * BASS_HZ * later_s[sub]) for sub, each in own.items()
    ]
    more = sub_level_db(np.sum(list(own.values()), axis=0)) - fmean(levels.values())
    return SumFromResponses(more_db=more, alike_db=sub_level_db(np.sum(alike, axis=0)))


def sub_level_db(spectrum: ComplexArray) -> float:
    """Level of a spectrum on BASS_HZ from 30 to 80 Hz, as pink noise would read [dB]."""
    low, high = SUB_LEVEL_BAND_HZ
    inside = (BASS_HZ >= low) & (BASS_HZ <= high)
    return float(10 * np.log10(np.average(np.abs(spectrum[inside]) ** 2, weights=1 / BASS_HZ[inside])))


def sum_readings(job: Job, round_id: str) -> list[float]:
    """Meter readings of all subwoofers together at the reference seat [dB], also of a channel that is all of them."""
    reference, group = job.system.reference_seat, sub_outputs(job)[1]
    return [
        each.body.value
        for each in job.readings_of(round_id, "levels")
        if each.body.seat in (None, None if reference is None else reference.id)
        and (each.body.quantity == QUANTITY or (group is not None and each.body.channel == group))
    ]


def sub_sum(
    job: Job,
    round_id: str,
    alone_db: Mapping[str, float],
    responses: Mapping[str, SumFromResponses | None],
) -> SubSum | None:
    """Sum in a round whose subwoofers were all read alone at the reference seat; None if nothing shows how they add.

    `responses`: sums by the responses of this round and earlier ones; the newest one with a result is used.
    """
    subs, _ = sub_outputs(job)
    if len(subs) < 2 or not all(sub in alone_db for sub in subs):
        return None
    alone = {sub: alone_db[sub] for sub in subs}
    read, heard = sum_readings(job, round_id), responses.get(round_id)
    mean = fmean(alone.values())
    if read:
        more = fmean(read) - mean
        excess = more if heard is None else more + heard.alike_db - heard.more_db
        return SubSum(level_db=fmean(read), excess_db=excess, is_read=True, alone_db=alone)
    if heard is not None:
        return SubSum(level_db=mean + heard.more_db, excess_db=heard.alike_db, is_read=False, alone_db=alone)
    earlier = next((each for each in reversed(list(responses.values())) if each is not None), None)
    if earlier is None:
        return None
    return SubSum(level_db=None, excess_db=earlier.alike_db, is_read=False, alone_db=alone)


def sum_budget(one: Budget, count: int, *, is_read: bool) -> Budget:
    """Budget of the level of `count` subwoofers together; `one`: that of a reading of one of them."""
    title = "All subwoofers together relative to their target"
    if is_read:
        return replace(one, id="levels.sum", title=title, channel=None)
    lines = tuple(
        each if each.shared else replace(each, sensitivity=each.sensitivity / count**0.5)
        for each in one.contributions
    )
    place = Contribution(
        source="microphone position: how the responses add",
        u=float(placement_u_db(GRID_HZ[:1])[0]),
        unit="dB",
        basis="determined by simulation (tests/references/repeated_placings.py)",
    )
    return replace(one, id="levels.sum", title=title, channel=None, contributions=(*lines, place))
