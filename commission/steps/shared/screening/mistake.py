"""A measuring mistake: the spoilt recordings, its evidence, and their usable parts."""

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
"""Signal-to-noise ratio below which only noise was recorded (common practice, no source)."""
NOTHING_DB = -20.0
"""Level, relative to others, below which nothing was played where it is also near the noise (common practice, no source).
Seats of a room are seldom 20 dB softer than the others over an octave or more."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mistake:
    """A measuring mistake in one round."""

    kind: Kind
    channels: tuple[str, ...] = ()
    """The channels with spoilt recordings; empty: every channel at these seats."""
    seats: tuple[str, ...] = ()
    reason: str
    """One clause for "– not tested, because …", such as "it is the same recording as FL at A2"."""
    evidence: tuple[str, ...]
    """Sentences with the deciding numbers, for the finding."""
    usable: Mapping[int, Analysis | None] = field(default_factory=dict)
    """Seq of a stored response → its usable part; None: nothing."""
    corrections_db: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Seat → (excess gain of its recordings, standard uncertainty) if a correction is possible [dB]."""


def places(job: Job, round_id: str, analyses: Analyses) -> dict[tuple[str, str], AnalysedResponse]:
    """The newest usable response of each (channel, seat) of a round."""
    return {
        (channel.id, seat.id): items[-1]
        for channel in job.system.channels
        for seat in job.system.seats
        if (items := analyses.repeats(round_id, channel.id, seat.id))
    }


def unusable(items: Iterable[AnalysedResponse]) -> dict[int, Analysis | None]:
    """No part of these responses may be used."""
    return {item.seq: None for item in items}


def without_times(items: Iterable[AnalysedResponse], why: str) -> dict[int, Analysis | None]:
    """Levels of these responses may be used, but not arrivals and sums with others; `why`: one clause."""
    return {
        item.seq: replace(item.analysis, arrival_s=None, bass=None, why={**item.analysis.why, "arrival": why})
        for item in items
        if item.analysis is not None
    }


def without(analyses: Analyses, mistakes: Iterable[Mistake]) -> Analyses:
    """The analyses reduced to the parts not spoilt by these mistakes."""
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
