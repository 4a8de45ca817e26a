"""Verdicts that the present program would give differently for the same readings.

At a signature or a record, the log keeps every verdict with the version that gave it. Later, the log up to that moment is
evaluated again, so that later readings are not mistaken for a change of verdict. Pure.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from commission.history import fold
from commission.model import (
    Analyses,
    Event,
    Job,
    Noted,
    Outcome,
    PhotoAttached,
    SheetIssued,
    Signed,
    Step,
    StoredVerdict,
    StoredVerdicts,
    VerdictsOfKind,
)
from commission.model.units import counted
from commission.steps.shared.isolation import outcome_of

Evaluate = Callable[[Step, str], Outcome]
SHOWN = 6
"""Number of kinds of difference that the sentence lists."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictChange:
    """One check whose verdict changed. `then` or `now` None: the check did not exist, or no longer exists."""

    step: str
    round: str
    id: str
    channel: str | None
    seat: str | None
    then: str | None
    now: str | None
    value_then: float | None
    value_now: float | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictComparison:
    """Comparison of the newest stored verdicts with present ones for the same readings."""

    stored: Event
    """The event in the log."""
    program_version: str
    """Version of the present program."""
    count: int
    """Number of stored verdicts compared."""
    differences: tuple[VerdictChange, ...]
    left_out: tuple[str, ...] = ()
    """Reason why some were left out."""

    @property
    def then(self) -> StoredVerdicts:
        """Verdict as stored."""
        assert isinstance(self.stored.body, StoredVerdicts)
        return self.stored.body

    @property
    def sentence(self) -> str:
        """One line for the overview and the log."""
        when = f"{self.stored.at[:10]} by version {self.then.program_version}"
        if not self.differences:
            return (
                f"All {self.count} verdicts stored on {when} are unchanged."
                if self.count
                else f"No verdict of {when} compared."
            )
        kinds = Counter(each.id for each in self.differences).most_common()
        named = ", ".join(f"{check} {times}" for check, times in kinds[:SHOWN]) + (", …" if kinds[SHOWN:] else "")
        return f"{counted(len(self.differences), 'verdict')} of {when} would be different today: {named}."


def stored_verdicts(
    outcomes: Iterable[Outcome], occasion: Literal["signed", "record"], program_version: str
) -> StoredVerdicts:
    """Storable form of the verdicts of these outcomes; values to six digits."""
    kinds: dict[tuple[str, str, str, str], list[StoredVerdict]] = {}
    for outcome in outcomes:
        for check in outcome.checks:
            value = None if check.value is None or not math.isfinite(check.value) else float(f"{check.value:.6g}")
            place = StoredVerdict(check.channel, check.seat, check.verdict.value, value)
            kinds.setdefault((outcome.step, outcome.round, check.id, check.unit), []).append(place)
    return StoredVerdicts(
        occasion=occasion,
        program_version=program_version,
        kinds=tuple(
            VerdictsOfKind(step=s, round=r, id=i, unit=u, places=tuple(p)) for (s, r, i, u), p in kinds.items()
        ),
    )


Key = tuple[str, str, str, str | None, str | None, int]
"""Step, round, check id, channel, seat, and number among several at one place."""


def _by_place(body: StoredVerdicts) -> dict[Key, tuple[StoredVerdict, str]]:
    out: dict[Key, tuple[StoredVerdict, str]] = {}
    for kind in body.kinds:
        for place in kind.places:
            nth = 0
            while (key := (kind.step, kind.round, kind.id, place.channel, place.seat, nth)) in out:
                nth += 1
            out[key] = (place, kind.unit)
    return out


def verdict_changes(then: StoredVerdicts, now: StoredVerdicts) -> tuple[VerdictChange, ...]:
    """Every check whose verdict changed, in present order; checks that no longer exist come last."""
    old, new = _by_place(then), _by_place(now)
    out = []
    for key in (*new, *(key for key in old if key not in new)):
        before, after = old.get(key), new.get(key)
        words = tuple(None if each is None else each[0].verdict for each in (before, after))
        if words[0] == words[1]:
            continue
        known = after or before
        assert known is not None
        step, round_id, check, channel, seat, _ = key
        out.append(
            VerdictChange(
                step=step,
                round=round_id,
                id=check,
                channel=channel,
                seat=seat,
                then=words[0],
                now=words[1],
                value_then=None if before is None else before[0].value,
                value_now=None if after is None else after[0].value,
                unit=known[1],
            )
        )
    return tuple(out)


def has_later_events(job: Job, seq: int) -> bool:
    """Whether anything that affects a verdict was logged after an event."""
    idle = (StoredVerdicts, SheetIssued, Signed, Noted, PhotoAttached)
    return any(event.seq > seq and not isinstance(event.body, idle) for event in job.log)


def compare_verdicts(
    job: Job, analyses: Analyses, program_version: str, steps: Sequence[Step], current: Evaluate | None = None
) -> VerdictComparison | None:
    """Evaluate the log again as of the newest stored verdicts; None if none are stored.

    `current` gives outcomes of the present job, used if nothing was logged since. Recordings withdrawn after that moment
    cannot be checked again: steps that rest on recordings are then left out, with a note.
    """
    if not job.stored_verdicts:
        return None
    stored = job.stored_verdicts[-1]
    assert isinstance(stored.body, StoredVerdicts)
    left_out: list[str] = []
    if not has_later_events(job, stored.seq) and current is not None:
        outcomes = [current(step, r) for r in job.rounds for step in steps]
    else:
        before = fold(event for event in job.log if event.seq < stored.seq)
        seqs = {response.seq for response in (*before.responses, *before.noises, *before.driven)}
        known = analyses.only(seqs)
        gone = len(seqs) - known.count
        outcomes, blind = [], []
        for step in steps:
            made = [outcome_of(before, step, r, known) for r in before.rounds]
            if gone and _rest_on_recordings(step, before, made):
                blind.append(step.id)
            else:
                outcomes += made
        if blind:
            left_out.append(
                f"{', '.join(blind)}: {counted(gone, 'recording')} used then "
                f"{'are' if gone > 1 else 'is'} missing now"
            )
    then = _only(stored.body, {outcome.step for outcome in outcomes})
    now = stored_verdicts(outcomes, stored.body.occasion, program_version)
    return VerdictComparison(
        stored=stored,
        program_version=program_version,
        differences=verdict_changes(then, now),
        count=len(_by_place(then)),
        left_out=tuple(left_out),
    )


def _rest_on_recordings(step: Step, job: Job, outcomes: Sequence[Outcome]) -> bool:
    """Whether the step would have other checks if there were no recordings."""
    without = [step.evaluate(job, each.round, Analyses()) for each in outcomes]
    return [each.checks for each in outcomes] != [each.checks for each in without]


def _only(body: StoredVerdicts, steps: set[str]) -> StoredVerdicts:
    kinds = tuple(kind for kind in body.kinds if kind.step in steps)
    return StoredVerdicts(occasion=body.occasion, program_version=body.program_version, kinds=kinds)
