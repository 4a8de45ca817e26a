"""What is left to do before a job is handed over, each with the key for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from commission.model import AS_LEFT
from commission.model.fate import Fate
from commission.steps.handover import ROLES, events_since_signature, not_measured_again, not_typed_in, signatures
from commission.ui.screens.findings import open_counts
from commission.ui.text import round_name
from commission.ui.widgets.draw.canvas import wrap

if TYPE_CHECKING:
    from commission.diagnosis.unexplained_checks import OpenChecks
    from commission.model import FindingHistory, Job, Outcome
    from commission.ui.program import Program

NOT_SHOWN = (Fate.NOT_MEASURED_AGAIN, Fate.NOT_DETERMINED, Fate.REPAIRED_NOT_MEASURED)
"""Fates of findings that the round as left does not show but that may still exist."""
WHOLE_VISIT = ("compare", "drift", "handover")
"""Steps about everything that was measured."""


def left_to_do(
    job: Job,
    outcomes: Mapping[str, Outcome],
    histories: Sequence[FindingHistory],
    unexplained: Sequence[OpenChecks],
    titles: Mapping[str, str],
    round_id: str,
    key_of: Callable[[str, str], str],
) -> list[str]:
    """One sentence for each task, in order; empty if the record can be handed over.

    `outcomes`, `histories` and `unexplained` are those of the round; `key_of(binding, usual)` names a key. Findings that
    stay open are no obstacle: the record states them, as it states failed checks and what is unsure.
    """
    from commission.diagnosis.unexplained_checks import undecided

    sheet, sign, rounds = (
        key_of(binding, usual) for binding, usual in (("step.sheet", "s"), ("step.sign", "g"), ("app.rounds", "r"))
    )
    lines = []
    short = [
        f"{titles.get(step, step)} {outcome.done} of {outcome.total}"
        for step, outcome in outcomes.items()
        if step != "handover" and outcome.total and outcome.state != "done"
    ]
    if AS_LEFT not in job.rounds:
        lines.append(
            f"Nothing is measured as left: {rounds} begins that round. Without it the record covers as found only."
        )
    if short:
        lines.append(f"Not done {round_name(round_id)}: {', '.join(short)}.")
    if untyped := not_typed_in(job):
        lines.append(f"Not ticked as applied: {_few(untyped)} ({sheet}: the settings sheet).")
    lines += not_measured_again(job)
    lines += _unsigned(job, sign)
    lines += [
        f"{word}, and stated so on the record: {_few([each.title for each in group], '; ')}."
        for word, group in (
            ("Not measured again", [each for each in histories if each.fate in NOT_SHOWN]),
            ("Open", [each for each in histories if not each.fate.gone and each.fate not in NOT_SHOWN]),
        )
        if group
    ]
    lines += [f"{group.sentence(titles.get(group.step, group.step))}, no cause found." for group in unexplained]
    if counts := open_counts(undecided(outcomes)):
        lines.append(f"{counts[0].upper()}{counts[1:]}: the record lists them.")
    return lines


def _unsigned(job: Job, key: str) -> Iterator[str]:
    """Sentences on signatures that are missing or no longer cover the log; `key` signs."""
    signed = signatures(job)
    for role in ROLES:
        if role not in signed:
            yield f"The {role} has not signed ({key})."
        elif events_since_signature(job, role):
            yield f"Events were logged after the {role} signed: sign again ({key})."


def carried_lines(histories: Sequence[FindingHistory], step: str, round_id: str) -> list[str]:
    """Findings of earlier rounds that no measurement has shown to be gone, as lines for a step's screen.

    Each step gets the findings that rest on it; the steps that compare and close the visit get all.
    """
    return [
        f"{each.first.title} ({round_name(each.round)}): {each.status}."
        for each in histories
        if each.fate in NOT_SHOWN and each.round != round_id and (step in WHOLE_VISIT or each.first.step == step)
    ]


def closing_text(app: Program, width: int) -> str:
    """What is left to do, in lines of that width; or that nothing is."""
    job = app.visit.job
    if AS_LEFT in job.rounds and app.round_id != AS_LEFT:
        look = app.key_of("app.rounds", "r")
        return f"Look at the round as left ({look}): it lists what is left to do before the handover."
    titles = {each.id: each.title for each in app.visit.steps}
    left = left_to_do(job, app.outcomes, app.finding_histories, app.unexplained, titles, app.round_id, app.key_of)
    if not left:
        return f"All steps are done. {app.key_of('step.record', 'w')} writes the record that is handed over."
    lines = ["Before it is handed over:"]
    for each in left:
        first, *more = wrap(each, max(width - 2, 20))
        lines += [f"• {first}", *(f"  {line}" for line in more)]
    return "\n".join(lines)


def _few(names: Sequence[str], between: str = ", ") -> str:
    """The first four names, and how many more there are."""
    more = len(names) - 4
    return between.join(names[:4]) + (f"{between.strip(', ')} and {more} more" if more > 0 else "")
