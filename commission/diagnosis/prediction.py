"""Channels that did not change between two rounds as set, and the typing mistake that explains it."""

from __future__ import annotations

from collections.abc import Iterator

from commission.diagnosis.delay_settings import ALL_DELAYS, NOT_AS_SET
from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FindingDetails, Findings, Rule
from commission.model import Verdict
from commission.model.units import counted, listed, round_name
from commission.steps.bass.verification import verify
from commission.steps.compare.prediction import (
    DELAY_OFF_S,
    LEVEL_OFF_DB,
    Prediction,
    Predictions,
    differences,
    predictions,
)

LEAST_SEATS = 2
"""Fewest seats: a single seat may show the microphone's displacement, so there a mistake must explain the change."""


def _not_as_set(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """One finding for each mistake; channels that are correct in this round are not reported."""
    made = predictions(e.job, e.analyses)
    if made is None or made.rounds[1] != e.round:
        return
    named: dict[str, list[Prediction]] = {}
    by_bass = not isinstance(verify(e.job, e.round, e.analyses), str)
    for each in made.off:
        channel = e.job.system.channel(each.channel)
        if (by_bass and channel is not None and channel.is_sub) or not _counts(e, found, each):
            continue
        named.setdefault(each.mistake if each.is_shared else f"{each.channel}: {each.mistake}", []).append(each)
    for text, channels in named.items():
        yield _details(made, text, channels)


def _counts(e: Evidence, found: Findings, each: Prediction) -> bool:
    """Whether a channel that is off is a finding: not if its new state is correct, or another fault explains it."""
    if "distance" in each.off:
        arrival = e.distances.channels.get(each.channel)
        if found.any(*ALL_DELAYS) or (arrival is not None and arrival.check_arrival.verdict is Verdict.PASS):
            return False
    if "trim_db" in each.off:
        level = e.levels.channels.get(each.channel)
        if level is not None and level.match.verdict is Verdict.PASS:
            return False
    return bool(each.mistake) or max(off.seats for off in each.off.values()) >= LEAST_SEATS


def _details(made: Predictions, text: str, channels: list[Prediction]) -> FindingDetails:
    names = [each.channel for each in channels]
    before, after = (round_name(r) for r in made.rounds)
    by = (
        f"the settings sheet of {made.sheet.at[:10]}"
        if made.sheet is not None
        else f"the settings {before} and {after}"
    )
    mistake, is_time = channels[0].mistake, "distance" in channels[0].off
    return FindingDetails(
        check="distances.arrival" if is_time else "seats.level",
        title=text if mistake else f"{listed(names)} not as set",
        channels=tuple(names),
        evidence=tuple(
            f"{each.channel}: {' and '.join(differences(each))} predicted by {by} (median of "
            f"{counted(max(off.seats for off in each.off.values()), 'seat')})"
            for each in channels
        ),
        alternatives=(
            f"a setting {before} was noted wrongly",
            "the loudspeaker, its amplifier or its level control was changed between the rounds",
            "the microphone was moved or turned between its recordings",
        ),
        confirm=f"Compare trim and delay of {listed(names)} in the processor with the settings sheet.",
        remedy=f"Enter trim and delay of {listed(names)} again, then measure again.",
    )


RULES = (
    Rule(
        id=NOT_AS_SET,
        check="seats.level",
        explains=("levels.match", "distances."),
        symptom="a channel loud, soft, early or late",
        look=_not_as_set,
        basis=f"{LEVEL_OFF_DB:g} dB or {1000 * DELAY_OFF_S:g} ms from the prediction, guard-banded; determined by "
        "simulation (tests/steps/test_compare_prediction.py)",
    ),
)
