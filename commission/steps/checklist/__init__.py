"""Checklist: items that the technician inspects on site, and the delay between picture and sound.

Each item is answered by inspection: in order, to be mended, or not present. Nothing is computed from the answers. Only
the offset between picture and sound is a number: the delay of the sound after the picture at the reference seat. Limits
of detectability: ITU-R BT.1359-1, considering g (45 ms early, 125 ms late). Uncertainty: read to one picture at 25
pictures a second, 40 ms wide, rectangular (JCGM 100 4.3.7).
"""

from __future__ import annotations

from typing import NamedTuple

from commission.model import (
    Advice,
    Analyses,
    Check,
    CheckLimit,
    Choice,
    Column,
    Job,
    Limit,
    Outcome,
    Prompt,
    Step,
    Task,
    table_of,
)
from commission.model.checklist import LIP_SYNC, LIP_SYNC_RECORDED, ChecklistItem

HELP = """
Look at each item and answer it with **Enter**: *in order*, *to be mended* (you are asked for a note), or *not present*.
The line at the top says how to check the selected item. **p** attaches a photograph.

- **Picture and sound**: play a clip in which a flash and a click coincide, and film the screen from the reference seat.
  Count the pictures from the flash to the click: at 25 pictures a second each is 40 ms. Sound after the picture is
  positive, sound before it negative. With a light sensor on the screen and the microphone at the seat on the two inputs
  of one recording, `commission lip-sync` reads it to the millisecond.
- Answer every item again in the round *as left*: a fault is reported as mended only if you looked again.

**Mains voltage and loads overhead**: look only. Repairs are for licensed trades, and local codes apply.
"""

OK, MEND, ABSENT = "ok", "mend", "absent"
ANSWERS = ((OK, "in order"), (MEND, "to be mended"), (ABSENT, "not present"))
U_RECORDED_MS = 20.0 / 12**0.5
"""Standard uncertainty with a light sensor: the screen is drawn from top to bottom within a picture, 20 ms at 50 Hz."""
U_OFFSET_MS = 40.0 / 12**0.5
"""Standard deviation of a rectangle one picture wide, at 25 pictures a second."""
_IN_ORDER = Limit(low=1.0, unit="", basis="looked at and answered by the technician; common practice")


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """The one reading; the items are answered by choosing."""
    return (
        Prompt(
            channel=None,
            seat=None,
            quantity=LIP_SYNC,
            unit="ms",
            expected=(-300.0, 600.0),
            text="Measure how much later the sound comes than the picture, at the reference seat.",
        ),
    )


def answer(job: Job, round_id: str, item_id: str) -> str | None:
    """The answer of a round: "ok", "mend", "absent"; None if not inspected."""
    given = job.decisions.get((round_id, "checklist", item_id))
    return given if given in dict(ANSWERS) else None


def offset_ms(job: Job, round_id: str) -> float | None:
    """Mean reading of the delay of the sound after the picture; None without a reading."""
    values = _offsets_ms(job, round_id)[0]
    return sum(values) / len(values) if values else None


def offset_u_ms(job: Job, round_id: str) -> float:
    """Standard uncertainty of that offset."""
    return _offsets_ms(job, round_id)[1]


def _offsets_ms(job: Job, round_id: str) -> tuple[list[float], float]:
    """Readings from recordings if there are any, otherwise typed ones; with the standard uncertainty."""
    read = [each.body for each in job.readings_of(round_id, "checklist")]
    for quantity, u_ms in ((LIP_SYNC_RECORDED, U_RECORDED_MS), (LIP_SYNC, U_OFFSET_MS)):
        values = [each.value for each in read if each.quantity == quantity]
        if values:
            return values, u_ms
    return [], U_OFFSET_MS


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The answers, the offset against its limits, and the next item to inspect."""
    items = job.checklist_in_force.items
    answers = {item.id: answer(job, round_id, item.id) for item in items}
    offset = offset_ms(job, round_id)
    sync = Check(
        id=f"checklist.{LIP_SYNC}",
        value=offset,
        unit="ms",
        uncertainty=0.0 if offset is None else offset_u_ms(job, round_id),
        limit=job.limit("checklist.lip-sync"),
        text="sound after picture",
        why_not=None if offset is not None else "it was not measured",
    )
    done = sum(given is not None for given in answers.values()) + (offset is not None)
    begun = done > 0
    checks = {item.id: _check(item, answers[item.id]) for item in items} if begun else {}
    rows = [_Line(item.id, item.name, answers[item.id], item.statement, checks.get(item.id)) for item in items]
    shown = None if offset is None else f"{offset:+.0f} ms".replace("-", "−")
    rows.append(_Line(LIP_SYNC, "Sound after picture", shown, None, sync if begun else None))
    table = table_of(
        rows,
        (Column(key="item", title="Item"), lambda line: line.name),
        (Column(key="answer", title="Answer"), lambda line: dict(ANSWERS).get(line.answer or "", line.answer)),
        (Column(key="required", title="Required"), lambda line: line.required),
        id="checklist",
        title="Checklist",
        key=lambda line: line.key,
        check=lambda line: line.check,
        minor=lambda line: line.answer is None,
    )
    to_mend = [item for item in items if answers[item.id] == MEND]
    missing = [item for item in items if answers[item.id] is None]
    advice = f"Checklist: check “{missing[0].name}” next." if missing else "Measure the offset of picture and sound."
    return Outcome(
        step="checklist",
        round=round_id,
        done=done,
        total=len(items) + 1,
        checks=(*(check for check in checks.values() if check is not None), sync) if begun else (),
        tables=(table,),
        choices=tuple(_choice(item, answers[item.id]) for item in items),
        main_result="; ".join(item.fault for item in to_mend),
        advice=(Advice(text=advice, step="checklist", priority=60),) if done <= len(items) else (),
        remarks=(f"Items: {job.checklist_in_force.title}. Answers rest on what the technician saw.",)
        if begun
        else (),
    )


class _Line(NamedTuple):
    """A row of the table."""

    key: str
    name: str
    answer: str | None
    required: str | None
    check: Check | None


def _check(item: ChecklistItem, given: str | None) -> Check | None:
    """The check of an answer; None for an item that is not present."""
    if given == ABSENT:
        return None
    return Check(
        id=f"checklist.item.{item.id}",
        value=None if given is None else float(given == OK),
        unit="",
        limit=_IN_ORDER,
        text=item.name,
        words="" if given is None else f"{dict(ANSWERS)[given]}; required: in order",
        why_not=None if given is not None else "it was not looked at",
    )


def _choice(item: ChecklistItem, given: str | None) -> Choice:
    return Choice(
        key=item.id,
        title=item.name,
        options=ANSWERS,
        current=given,
        how=f"{item.statement}? {item.how}".strip(),
        caution=item.caution,
        note_values=(MEND,),
    )


STEP = Step(
    id="checklist",
    title="Checklist",
    question="Is everything in order that no instrument measures: power, door, picture, remote control?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    entry="answers",
    limits=(
        CheckLimit(check="checklist.item.*", limit=_IN_ORDER, applies="one item: 1 in order, 0 to be mended"),
        CheckLimit(check=f"checklist.{LIP_SYNC}", quantity=f"checklist.{LIP_SYNC}"),
    ),
)
