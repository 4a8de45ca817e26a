"""Findings of the diagnosis in a sound room with a planted fault, without computing the steps before."""

from __future__ import annotations

from sound_room import SoundRoom

from commission.diagnosis import findings
from commission.model import AS_FOUND, Finding, Job, Outcome, System
from commission.steps import all_steps

OUTCOMES = {step.id: Outcome(step=step.id, round=AS_FOUND) for step in all_steps()}


def quiet(seed: int = 1, system: System | None = None) -> SoundRoom:
    """A sound room whose seats hear the same bass within half a decibel."""
    return SoundRoom(system, seed=seed, uneven_db=0.5)


def found(room: SoundRoom, job: Job | None = None) -> dict[str, list[Finding]]:
    """Findings by id."""
    out: dict[str, list[Finding]] = {}
    for finding in findings(job or room.job(), AS_FOUND, room.analyses(), OUTCOMES):
        out.setdefault(finding.id, []).append(finding)
    return out


def only(room: SoundRoom, expected: str, job: Job | None = None) -> Finding:
    """The single finding, with the expected id: one fault is named once."""
    got = found(room, job)
    assert list(got) == [expected]
    assert len(got[expected]) == 1
    return got[expected][0]
