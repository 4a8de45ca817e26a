"""Measures one seat from a step's screen: caution first, quiet start, each recording stored at once.

The room's noise is recorded in the same way, while nothing plays.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

from textual import constants, events, on
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.message import Message
from textual.screen import ModalScreen
from textual.widgets import Static

from commission.model import CancelToken, Capture, CommissionError, Job, Progress, Step
from commission.model.noise_states import RECORDING_S, STATES, calibrator_state, spelled
from commission.model.units import clean_text
from commission.steps import quiet
from commission.ui.screens.dialogs import Choose
from commission.ui.text import round_name
from commission.ui.typeahead import PaintedOnce

if TYPE_CHECKING:
    from commission.model import Source
    from commission.runner import Run
    from commission.ui.program import Program

NOT_NOW = " "
"""Key of the choice not to measure; no seat and no state has this name."""
SWITCHES = "Switch equipment with its own switches only."
STOPS_SOUND = "Any key stops the sound at once. Everything stored so far is kept."
STOPS_RECORDING = "Any key stops the recording, and nothing of it is stored."


def captures(step: Step, job: Job, round_id: str) -> list[Capture]:
    """All recordings that a step asks for."""
    return [task for task in step.plan(job, round_id) if isinstance(task, Capture)]


def missing(wanted: Sequence[Capture], job: Job, round_id: str) -> list[Capture]:
    """The wanted recordings that the round does not have yet."""
    return [task for task in wanted if not task.is_held(job, round_id)]


def captures_text(wanted: Sequence[Capture], job: Job, round_id: str, then: str) -> tuple[str, str]:
    """(what to record next, its caution); if nothing is missing, `then` without a caution."""
    total, left = len(wanted), missing(wanted, job, round_id)
    if not total:
        return "Nothing to measure yet: describe channels and seats on the Site form first.", ""
    if not left:
        return f"All {total} places are measured. {then}", ""
    return f"{total - len(left)} of {total} places measured. Next: {left[0].text}", left[0].caution


def ask_and_measure(app: Program, step: Step, seat: str | None) -> None:
    """Ask for the microphone's seat (`seat` is proposed) and begin; without a source, show the reason."""
    visit, round_id = app.visit, app.round_id
    wanted = captures(step, visit.job, round_id)
    if (source := _source(app)) is None:
        return
    if not wanted:
        app.refuse("Nothing to measure: describe channels and seats on the Site form first.")
        return
    open_at = [task.seat for task in missing(wanted, visit.job, round_id) for _ in task.levels_db]
    options = [(NOT_NOW, "not now")]
    for each in dict.fromkeys(task.seat for task in wanted):
        count = open_at.count(each)
        sweeps = "1 sweep" if count == 1 else f"{count} sweeps"
        options.append((each, f"at {each}: {sweeps}" if count else f"at {each}: measure all again"))
    proposed = seat if seat in open_at or not open_at else open_at[0]
    caution = next((task.caution for task in wanted if task.caution), "")
    title = clean_text(
        f"⚠ {caution} It begins quietly; any key stops the sound. "
        f"{source.name}, round {round_name(round_id)}: where is the microphone?"
    )

    def start(answer: str | None) -> None:
        if answer is not None and answer != NOT_NOW:
            _measure(app, step, source, answer, again=answer not in open_at)

    app.push_screen(Choose(title, options, proposed), start)


def ask_and_record_noise(app: Program) -> None:
    """Ask what is switched on, and record the noise at the reference seat; without a source, show the reason."""
    visit, round_id = app.visit, app.round_id
    at = quiet.entry_seat(visit.job, round_id)
    if (source := _source(app)) is None:
        return
    if at is None:
        app.refuse("Nothing to record: describe the seats on the Site form first.")
        return
    here = [each.body for each in visit.job.noises if (each.body.round, each.body.seat) == (round_id, at)]
    recorded = {spelled(each.state or "") for each in here}
    chosen = quiet.entry_state(visit.job, round_id)
    states = tuple(dict.fromkeys((*STATES, chosen, calibrator_state(()))))
    options = [(NOT_NOW, "not now")]
    options += [(each, f"{each}: once more" if spelled(each) in recorded else each) for each in states]
    proposed = next((each for each in (chosen, *states) if spelled(each) not in recorded), chosen)
    title = clean_text(
        f"⚠ {SWITCHES} The microphone is at {at}; its gain stays as it is. {RECORDING_S:.0f} seconds are "
        f"recorded, nothing is played. {source.name}, round {round_name(round_id)}: what is switched on?"
    )

    def start(state: str | None) -> None:
        if state is not None and state != NOT_NOW:
            _record_noise(app, source, at, state)

    app.push_screen(Choose(title, options, proposed), start)


def _source(app: Program) -> Source | None:
    """The source of measurements; None, with a notice, if there is none."""
    if app.file_problem:
        app.refuse(app.file_problem)
        return None
    try:
        source = app.services.source(app.visit)
    except CommissionError as error:
        app.refuse(str(error))
        return None
    if source is None:
        app.notify(app.services.live_status(), timeout=12, markup=False)
    return source


class Measuring(PaintedOnce[None], ModalScreen[None]):
    """Covers everything during a recording: any key stops it, so that nobody has to look for the right one."""

    class Over(Message):
        """The recording ended, with or without success."""

    def __init__(self, title: str, keys: str) -> None:
        """`keys` describes what a key stops."""
        super().__init__()
        self._title, self._keys, self._escape_delay_s = title, keys, constants.ESCAPE_DELAY
        self._over = self._left = False

    def compose(self) -> ComposeResult:
        with Vertical(classes="dialog"):
            yield Static(Content(self._title), classes="dialog-title")
            yield Static("", id="measuring-progress")
            yield Static(Content(self._keys), id="measuring-keys")

    def on_mount(self) -> None:
        """Recognise Escape at once: Textual usually waits up to 0.2 s for the rest of an escape sequence."""
        setattr(constants, "ESCAPE_DELAY", 0.0)  # noqa: B010  (declared final)
        self.refresh_results()

    def on_unmount(self) -> None:
        """Stop any sound with this screen, and restore Escape."""
        setattr(constants, "ESCAPE_DELAY", self._escape_delay_s)  # noqa: B010
        if not self._over:
            self._stop()

    def refresh_results(self) -> None:
        self.query_one("#measuring-progress", Static).update(Content(cast("Program", self.app).working))

    async def on_key(self, event: events.Key) -> None:
        """Stop the sound; the key that quits asks about that afterwards."""
        event.stop()
        app = cast("Program", self.app)
        if event.key == app.key_of("app.quit", "q"):
            await app.action_quit()
        else:
            self._stop()

    def on_paste(self) -> None:
        """Treat several characters at once as keys, too."""
        self._stop()

    def on_mouse_down(self) -> None:
        """Stop on a mouse button as well."""
        self._stop()

    def _stop(self) -> None:
        if cast("Program", self.app).stop_job() and self.is_mounted:
            self.query_one("#measuring-keys", Static).update(Content("Stopped."))

    @on(Over)
    def leave(self) -> None:
        """Return to the step once no question is above this screen."""
        self._over = True
        self.on_screen_resume()

    def on_screen_resume(self) -> None:
        """Leave after the question above, if any, is answered."""
        if self._over and self.is_active and not self._left:
            self._left = True
            self.dismiss()


def _measure(app: Program, step: Step, source: Source, seat: str, *, again: bool) -> None:
    from commission.runner import run_captures

    visit, round_id = app.visit, app.round_id
    title = clean_text(f"Measuring at {seat}: {source.name}, round {round_name(round_id)}")
    screen = Measuring(title, STOPS_SOUND)

    def measure(cancel: CancelToken, progress: Progress) -> Run:
        try:
            return run_captures(visit, step, source, round_id, cancel, progress, seat=seat, only_missing=not again)
        finally:
            screen.post_message(Measuring.Over())

    def done(run: Run) -> None:
        for capture, why in run.left_out[:3]:
            app.refuse(f"{capture.channel} at {capture.seat}: {why}")
        app.notify(f"{len(run.stored)} responses of {clean_text(seat)} stored.", markup=False)

    app.push_screen(screen)
    app.run_job(measure, done)


def _record_noise(app: Program, source: Source, seat: str, state: str) -> None:
    visit, round_id = app.visit, app.round_id
    title = clean_text(f"Noise at {seat}, {state}: {source.name}, round {round_name(round_id)}. Stand still.")
    screen = Measuring(title, STOPS_RECORDING)

    def record(cancel: CancelToken, progress: Progress) -> None:
        try:
            body, blobs = source.record_noise(seat, state, round_id, cancel, progress)
            visit.append(body, blobs=blobs)
        finally:
            screen.post_message(Measuring.Over())

    app.push_screen(screen)
    app.run_job(record, lambda _: app.notify(clean_text(f"Noise with “{state}” stored."), markup=False))
