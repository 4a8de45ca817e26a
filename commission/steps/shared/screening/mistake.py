"""A measuring mistake: the recordings that it spoilt, its evidence, and what may still be used of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal, TypeAlias

from commission.model import AnalysedResponse, Analyses, Analysis, Job

Kind: TypeAlias = Literal[
    "clipped",
    "not-played",
    "same-recording",
    "seats-exchanged",
    "microphone-not-moved",
    "wrong-channel",
    "clock",
    "stimulus",
    "interference",
    "gain",
    "microphone",
    "reference",
    "normalised",
]
"""The part of a finding's id after "measurement."."""


NOISE_ALONE_SNR_DB = 10.0
"""Below this signal-to-noise ratio nothing but noise was recorded (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mistake:
    """A measuring mistake in one round."""

    kind: Kind
    channels: tuple[str, ...] = ()
    """The channels whose recordings it spoilt; empty: every channel at these seats."""
    seats: tuple[str, ...] = ()
    reason: str
    """One clause for "– not tested, because …", such as "it is the same recording as FL at A2"."""
    evidence: tuple[str, ...]
    """Sentences with the numbers that decide, for the finding."""
    usable: Mapping[int, Analysis | None] = field(default_factory=dict)
    """Seq of a stored response → what may be used of it instead; None: nothing."""
    corrections_db: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Seat → (what its recordings are too loud by, standard uncertainty) where a correction is possible [dB]."""


def places(job: Job, round_id: str, analyses: Analyses) -> dict[tuple[str, str], AnalysedResponse]:
    """The newest usable response of each (channel, seat) of a round."""
    return {
        (channel.id, seat.id): items[-1]
        for channel in job.system.channels
        for seat in job.system.seats
        if (items := analyses.repeats(round_id, channel.id, seat.id))
    }


def unusable(items: Iterable[AnalysedResponse]) -> dict[int, Analysis | None]:
    """Nothing of these responses may be used."""
    return {item.seq: None for item in items}


def without_times(items: Iterable[AnalysedResponse], why: str) -> dict[int, Analysis | None]:
    """Levels of these responses may be used, arrivals and sums with others may not; `why`: one clause."""
    return {
        item.seq: replace(item.analysis, arrival_s=None, bass=None, why={**item.analysis.why, "arrival": why})
        for item in items
        if item.analysis is not None
    }


def without(analyses: Analyses, mistakes: Iterable[Mistake]) -> Analyses:
    """The analyses with what these mistakes leave of them."""
    changed = {seq: mistake for mistake in mistakes for seq in mistake.usable}
    if not changed:
        return analyses
    screened = (_screened(item, changed.get(item.seq)) for item in analyses)
    return Analyses(screened, analyses.noises, analyses.driven, analyses.channel_noises)


def _screened(item: AnalysedResponse, mistake: Mistake | None) -> AnalysedResponse:
    if mistake is None:
        return item
    analysis = mistake.usable[item.seq]
    return replace(item, analysis=analysis, problem=mistake.reason if analysis is None else item.problem)
