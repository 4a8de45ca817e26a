"""Rules about the layout: loudspeakers that do not cover every seat, from the entered positions alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import OVERHEAD, FindingDetails, Findings, Rule
from commission.steps.layout import coverage_of
from commission.steps.layout.coverage import clause, failed_by_kind

_REMEDY = {
    "layout.seats-centred": "Move the seats so that their middle faces the centre of the screen.",
    "layout.outside-heads": "Move the loudspeaker outward, or the seats together.",
    "layout.front-heights": "Hang them just ahead of the front row's ears.",
    "layout.rear-heights": "Hang them just behind the back row's ears.",
    "layout.seat-back": "Raise the loudspeaker, or lower the seat's back.",
    "layout.obstacle": "Move the loudspeaker, the seat or the obstacle.",
    "layout.aim": "Turn the loudspeaker toward the middle of the seats that it serves, or move it.",
    "layout.direction": "Move the loudspeaker into the range, or accept the direction with the client.",
    "layout.seat-wall": "Move the seat away from the wall.",
    "layout.sight": "Raise the loudspeaker or the row behind, or lower the seat in front.",
}


def _look(check_id: str) -> Callable[[Evidence, Findings], Iterator[FindingDetails]]:
    def look(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
        checks = tuple(check for check in coverage_of(e.job, e.round) if check.id == check_id)
        for meaning, failed in failed_by_kind(checks).items():
            limit = failed[0].limit
            assert limit is not None
            channels = tuple(dict.fromkeys(check.channel for check in failed if check.channel))
            overhead = any((line := e.job.system.channel(c)) is not None and line.role == "height" for c in channels)
            yield FindingDetails(
                title=clause(meaning, failed),
                channels=channels,
                seats=tuple(dict.fromkeys(check.seat for check in failed if check.seat)),
                evidence=(
                    "; ".join(clause(meaning, [check]) for check in failed),
                    f"by the entered places, each within 2 cm; {limit.basis}",
                ),
                alternatives=("a place was entered wrongly",),
                confirm="Measure these places again.",
                remedy=f"{_REMEDY[check_id]} {OVERHEAD}" if overhead else _REMEDY[check_id],
            )

    return look


def _rule(name: str, check_id: str, symptom: str) -> Rule:
    return Rule(
        id=f"room.{name}",
        check=check_id,
        symptom=symptom,
        look=_look(check_id),
        basis="rules of coverage, by the entered places; common practice",
    )


RULES = (
    _rule("seats-off-centre", "layout.seats-centred", "the sound leans to one side of the picture"),
    _rule("inside-heads", "layout.outside-heads", "one listener hears a side loudspeaker from the wrong side"),
    _rule("front-heights", "layout.front-heights", "heights do not cover the front row"),
    _rule("rear-heights", "layout.rear-heights", "heights do not cover the back row"),
    _rule("sight", "layout.sight", "dialogue is dull behind a head"),
    _rule("seat-back", "layout.seat-back", "a loudspeaker is dull at one seat"),
    _rule("obstacle", "layout.obstacle", "a loudspeaker is dull at one seat"),
    _rule("aim", "layout.aim", "a loudspeaker is dull at the seats that it is not aimed at"),
    _rule("direction", "layout.direction", "sounds come from other directions than they were mixed for"),
    _rule("seat-wall", "layout.seat-wall", "boomy bass and a coloured sound at a seat by the wall"),
)
