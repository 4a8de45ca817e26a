"""Before a job is handed over: what is left to do, each with the key that does it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from commission.model import AS_LEFT
from commission.steps.handover import ROLES, logged_since, not_measured_again, not_typed_in, signatures
from commission.ui.text import round_name
from commission.ui.widgets.draw.canvas import wrap

if TYPE_CHECKING:
    from commission.model import Finding, Job, Outcome
    from commission.ui.app import CommissionApp


def left_to_do(
    job: Job,
    outcomes: Mapping[str, Outcome],
    findings: Sequence[Finding],
    titles: Mapping[str, str],
    round_id: str,
    key_of: Callable[[str, str], str],
) -> list[str]:
    """One sentence for each, in the order of doing it; empty when the record can be handed over.

    `outcomes` and `findings` are those of the round; `key_of(binding, usual)` names a key. Findings that stay open are
    no hindrance: the record tells them.
    """
    sheet, sign, rounds = (
        key_of(binding, usual) for binding, usual in (("step.sheet", "s"), ("step.sign", "g"), ("app.rounds", "r"))
    )
    said = []
    short = [
        f"{titles.get(step, step)} {outcome.done} of {outcome.total}"
        for step, outcome in outcomes.items()
        if step != "handover" and outcome.total and outcome.state != "done"
    ]
    if AS_LEFT not in job.rounds:
        said.append(
            f"Nothing is measured as left: {rounds} begins that round. Without it the record tells as found alone."
        )
    if short:
        said.append(f"Not done {round_name(round_id)}: {', '.join(short)}.")
    if untyped := not_typed_in(job):
        said.append(f"Not ticked as typed in: {_few(untyped)} ({sheet}: the settings sheet).")
    said += not_measured_again(job)
    signed = signatures(job)
    for role in ROLES:
        if role not in signed:
            said.append(f"The {role} has not signed ({sign}).")
        elif logged_since(job, role):
            said.append(f"The log went on after the {role} signed: sign again ({sign}).")
    if findings:
        said.append(f"Open, and told so on the record: {_few([finding.title for finding in findings])}.")
    return said


def closing_text(app: CommissionApp, width: int) -> str:
    """What is left to do, in lines of that width; or that nothing is."""
    job = app.visit.job
    if AS_LEFT in job.rounds and app.round_id != AS_LEFT:
        look = app.key_of("app.rounds", "r")
        return f"Look at the round as left ({look}): what is left to do before the handing over is told there."
    titles = {each.id: each.title for each in app.visit.steps}
    left = left_to_do(job, app.outcomes, app.findings, titles, app.round_id, app.key_of)
    if not left:
        return f"Nothing is left to do. {app.key_of('step.record', 'w')} writes the record that is handed over."
    lines = ["Before it is handed over:"]
    for each in left:
        first, *more = wrap(each, max(width - 2, 20))
        lines += [f"• {first}", *(f"  {line}" for line in more)]
    return "\n".join(lines)


def _few(names: Sequence[str], most: int = 4) -> str:
    """The first of them, and how many more there are."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")
