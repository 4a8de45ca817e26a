"""Rules about the checklist: items that the technician marked for repair, one finding for each."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FindingDetails, Findings, Rule
from commission.model import Verdict
from commission.model.checklist import LIP_SYNC
from commission.model.outcome import Cause
from commission.steps.checklist import MEND, answer, offset_ms, offset_u_ms


def _answered(cause: Cause) -> Callable[[Evidence, Findings], Iterator[FindingDetails]]:
    def look(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
        for item in e.job.checklist_in_force.items:
            if item.cause == cause and answer(e.job, e.round, item.id) == MEND:
                yield FindingDetails(
                    item=item.id,
                    title=item.fault,
                    evidence=(f"seen by the technician; required: {item.statement}",),
                    alternatives=(),
                    confirm=item.how or "Look again.",
                    remedy=" ".join(filter(None, (item.remedy, item.caution))),
                )

    return look


def _rule(cause: Cause, symptom: str) -> Rule:
    return Rule(
        id=f"checklist.{cause}",
        own_cause=cause,
        check="checklist.item",
        symptom=symptom,
        look=_answered(cause),
        basis="an item of the checklist answered “to be mended”; common practice",
    )


def _lip_sync(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    offset, limit = offset_ms(e.job, e.round), e.job.limit("checklist.lip-sync")
    u_ms = offset_u_ms(e.job, e.round)
    if limit.judge(offset, u_ms) is not Verdict.FAIL or offset is None:
        return
    late = offset > 0
    yield FindingDetails(
        title=f"the sound comes {abs(offset):.0f} ms {'after' if late else 'before'} the picture",
        evidence=(f"measured at the reference seat, U = {2 * u_ms:.0f} ms; {limit.basis}",),
        alternatives=("the clip itself is out of step", "another source has another delay"),
        confirm="Play a second clip from another source.",
        remedy="Reduce the audio delay in processor and source; where none is set, delay the picture."
        if late
        else "Increase the audio delay of the processor by this time.",
    )


RULES = (
    _rule("electronics", "a device is hot, or wired in a makeshift way"),
    _rule("room", "something rattles, leaks sound or light, or is not secured"),
    _rule("settings", "a scene, sound mode or picture format is not as intended"),
    Rule(
        id="settings.lip-sync",
        check=f"checklist.{LIP_SYNC}",
        symptom="lips and voices do not match",
        look=_lip_sync,
        basis="beyond the limit by more than 1.645 u; ITU-R BT.1359-1 considering g",
    ),
)
