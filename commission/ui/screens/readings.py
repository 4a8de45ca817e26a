"""Readings typed into a step's screen: the rows, storing a reading, withdrawing the last one."""

from __future__ import annotations

from commission.model import CommissionError, InputError, Job, Prompt, ReadingEntered, Step
from commission.model.quantities import quantity
from commission.ui.screens.base import VisitScreen
from commission.ui.screens.dialogs import AskText
from commission.ui.widgets.draw.entry import EntryRow, Typing, entry_value, impossible, outside, question, row_name
from commission.ui.widgets.entry_table import EntryTable


def entry_rows(step: Step, job: Job, round_id: str) -> tuple[EntryRow, ...]:
    """Every prompt of a step with its readings so far."""
    known: dict[tuple[str | None, str | None, str], list[float]] = {}
    for reading in job.readings_of(round_id, step.id):
        body = reading.body
        known.setdefault((body.channel, body.seat, body.quantity), []).append(body.value)
    tasks = (task for task in step.plan(job, round_id) if isinstance(task, Prompt))
    return tuple(EntryRow(t, tuple(known.get((t.channel, t.seat, t.quantity), ()))) for t in tasks)


def store_reading(screen: VisitScreen, step: Step, table: EntryTable, event: EntryTable.Entered) -> None:
    """Store a reading at once; a refusal is shown beside its row and the typed text stays."""
    prompt = event.prompt
    try:
        screen.visit.append(_reading(screen, step, prompt, event.value))
    except CommissionError as error:
        table.select(next((i for i, row in enumerate(table.rows) if row.prompt == prompt), table.cursor))
        table.typing = Typing(event.text)
        table.refuse(str(error))
        return
    screen.refresh_results()
    screen.commission.compute()


def ask_reading(screen: VisitScreen, step: Step, prompt: Prompt) -> None:
    """Ask for one number in a dialog, for a step without a table of readings."""
    units = screen.visit.job.system.units

    def unusual(text: str) -> str:
        value = entry_value(prompt, text, units)
        if problem := impossible(prompt, value):
            raise InputError(row_name(prompt), problem, f"a value in {prompt.unit}")
        return question(prompt, value, units) if outside(prompt, value) else ""

    def store(text: str | None) -> None:
        if text is not None and screen.store(_reading(screen, step, prompt, entry_value(prompt, text, units))):
            screen.refresh_results()

    check = AskText(
        prompt.text, f"in {prompt.unit}", "", lambda text: entry_value(prompt, text, units), question=unusual
    )
    screen.app.push_screen(check, store)


def _reading(screen: VisitScreen, step: Step, prompt: Prompt, value: float) -> ReadingEntered:
    return ReadingEntered(
        round=screen.round_id,
        step=step.id,
        channel=prompt.channel,
        seat=prompt.seat,
        quantity=prompt.quantity,
        value=value,
        unit=prompt.unit,
    )


def withdraw_last(screen: VisitScreen, step: Step, prompt: Prompt) -> None:
    """Withdraw the last reading of a row; it stays in the log."""
    job = screen.visit.job
    readings = job.readings_of(screen.round_id, step.id, channel=prompt.channel, seat=prompt.seat)
    own = [reading for reading in readings if reading.body.quantity == prompt.quantity]
    if not own:
        return
    try:
        screen.visit.withdraw(own[-1].seq, "taken back while entering")
    except CommissionError as error:
        screen.commission.refuse(str(error))
        return
    value = quantity(own[-1].body.value, prompt.unit, job.system.units)
    text = f"Taken back: {value}. Event {own[-1].seq} stays in the log but is no longer used."
    screen.notify(text, markup=False)
    screen.refresh_results()
    screen.commission.compute()
