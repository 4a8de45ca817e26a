"""Dialogue: is speech understood at every seat, and if not, what would help?

Nothing is measured here: the centre's responses come from Seats, the noise from Quiet. The technician chooses the noise
state for the speech, and the level of the speech. Speech transmission index (STI): IEC 60268-16, male speech. `result`
computes it.
"""

from __future__ import annotations

from collections.abc import Iterable

from commission.model import (
    Advice,
    Analyses,
    CheckLimit,
    Choice,
    Column,
    Job,
    Outcome,
    Step,
    Table,
    Verdict,
    table_of,
)
from commission.model.formatting import number
from commission.model.units import listed
from commission.steps.dialogue.result import (
    LOUDER_DBA,
    NOISE_STATE,
    RAISED_DB,
    SPEECH_DBA,
    SPEECH_LEVEL,
    DialogueResult,
    SeatDialogue,
    solve,
)

__all__ = ["DialogueResult", "solve"]

HELP = """
1. Measure the centre at every seat (Seats), and the noise of the room in the states in which films are watched (Quiet).
2. Choose with `c` the state whose noise is heard with the speech, and the level of speech at the reference seat: 60 dB(A)
   is normal effort, 70 dB(A) a loud film.
3. See which remedy gains most: less noise, less reverberation, or more level. A few hundredths of STI are not heard; 0.1
   is.

From 0.75 speech is excellent, from 0.60 good, from 0.45 fair (IEC 60268-16, from memory). Listen to a quiet dialogue before
and after: clarity on paper does not replace that. **Start with the volume low.**
"""

CAUSES = {
    "noise": "the noise of the room",
    "room": "reverberation",
    "level": "the level of the centre",
}


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """A row for each seat with its index, the causes of loss and the gain of each remedy."""
    result = solve(job, round_id, analyses)
    return Outcome(
        step="dialogue",
        round=round_id,
        done=len(result.heard),
        total=len(job.system.seats),
        checks=tuple(each.check for each in result.seats),
        tables=(_table(result),) if result.seats else (),
        advice=_advice(job, result),
        choices=_choices(result) if result.seats else (),
        main_result=main_result(result),
        remarks=_remarks(result) if result.seats else (_why_empty(result),),
        budgets=tuple(each.budget for each in result.heard),
    )


def _table(result: DialogueResult) -> Table:
    noise = f"noise with {result.state}" if result.state else "noise not known"
    level = f"+{RAISED_DB:.0f} dB"
    return table_of(
        result.seats,
        (Column(key="seat", title="Seat"), lambda each: each.seat),
        (Column(key="sti", title="STI", decimals=2), lambda each: each.sti),
        (Column(key="silent", title="in silence", decimals=2), lambda each: each.sti_without_noise),
        (Column(key="louder", title=f"{LOUDER_DBA:.0f} dB(A)", decimals=2), lambda each: each.sti_louder),
        (Column(key="noise", title="no noise", decimals=2, signed=True), lambda each: each.gain_noise),
        (Column(key="room", title="no reverb.", decimals=2, signed=True), lambda each: each.gain_room),
        (Column(key="level", title=level, decimals=2, signed=True), lambda each: each.gain_level),
        (Column(key="c50", title="C50", unit="dB", decimals=1), lambda each: each.c50_db),
        (Column(key="centre", title="vs L, R", unit="dB", decimals=1, signed=True), lambda each: each.centre_db),
        id="dialogue",
        title=f"Speech set to {result.speech_dba:.0f} dB(A), {noise}",
        key=lambda each: each.seat,
        check=lambda each: each.check,
        remark=f"no noise, no reverb., {level}: what STI would gain by each. C50: mean of 500 and 1000 Hz. vs L, R: level "
        "of the centre minus left and right.",
    )


def _choices(result: DialogueResult) -> tuple[Choice, ...]:
    now = f"{result.speech_dba:.0f}"
    levels = Choice(
        key=SPEECH_LEVEL,
        title="Level of speech at the reference seat",
        options=tuple((f"{level:.0f}", f"{level:.0f} dB(A)") for level in SPEECH_DBA),
        current=now,
    )
    if not result.states:
        return (levels,)
    states = Choice(
        key=NOISE_STATE,
        title="State whose noise is heard with the speech",
        options=tuple((state, state) for state in result.states),
        current=result.state,
    )
    return (states, levels)


def worst_of(seats: Iterable[SeatDialogue]) -> SeatDialogue | None:
    """The seat with the lowest index; without noise if the noise is unknown."""
    return min(seats, key=lambda s: s.sti if s.sti is not None else s.sti_without_noise or 0.0, default=None)


def main_result(result: DialogueResult) -> str:
    """The worst seat in a clause, with the main cause there if it is outside the limit."""
    worst = worst_of(result.heard)
    if worst is None or worst.sti_without_noise is None:
        return ""
    if worst.sti is None:
        return f"STI {worst.sti_without_noise:.2f} or less at {worst.seat}: noise not known"
    clause = f"STI {worst.sti:.2f} at {worst.seat}" + (" (lowest)" if len(result.heard) > 1 else "")
    if worst.check.verdict is Verdict.FAIL:
        return f"speech is hard to follow: {clause}, mostly {CAUSES[worst.cause]}"
    return f"{clause}, speech is understood" if worst.check.verdict is Verdict.PASS else clause


def _advice(job: Job, result: DialogueResult) -> tuple[Advice, ...]:
    if result.centre is None or not job.system.seats:
        return ()
    if result.heard and result.state is None and "not measured" in result.why_no_noise:
        return (Advice(text="Record the noise of the room (Quiet): STI depends on it.", step="quiet", priority=61),)
    return ()


def _why_empty(result: DialogueResult) -> str:
    if result.centre is None:
        return "No centre loudspeaker is entered on the Site form: speech is examined from one."
    return "Nothing calculated yet: this needs the response of the centre at a seat (Seats)."


def _remarks(result: DialogueResult) -> tuple[str, ...]:
    remarks = []
    failed = [each for each in result.seats if each.check.verdict is Verdict.FAIL]
    if failed:
        causes = {cause: [e.seat for e in failed if e.cause == cause] for cause in CAUSES}
        parts = [f"{CAUSES[cause]} ({', '.join(s)})" for cause, s in causes.items() if s]
        remarks.append(f"Main cause: {listed(parts)}.")
    if result.state is None:
        remarks.append(f"STI is not determined, because {result.why_no_noise}. In silence it would be as shown.")
    else:
        remarks.append(
            f"Noise: {result.state}, as measured in Quiet; where it was not measured at the seat, that of the loudest seat "
            "is used."
        )
    off = (
        f"; the centre is {number(result.centre_off_db, 1, signed=True)} dB from its target, {result.centre_off_from}"
    )
    remarks.append(
        f"Speech: {result.speech_dba:.0f} dB(A) at the reference seat with the centre at its target"
        f"{off if result.centre_off_from else ''}. At the seats: {_span(result)} dB(A)."
    )
    remarks += [f"{each.seat}: {each.why}." for each in result.seats if each.why]
    return tuple(remarks)


def _span(result: DialogueResult) -> str:
    levels = [each.speech_db for each in result.seats]
    low, high = number(min(levels), 1), number(max(levels), 1)
    return low if low == high else f"{low} to {high}"


STEP = Step(
    id="dialogue",
    title="Dialogue",
    question="Is speech understood at every seat, and if not, what would help most?",
    help=HELP,
    evaluate=evaluate,
    entry="none",
    limits=(CheckLimit(check="dialogue.sti", quantity="dialogue.sti"),),
)
