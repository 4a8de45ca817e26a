"""The log: every event, withdrawals, and whether the chain is intact."""

from __future__ import annotations

from functools import partial
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from commission.history import withdrawn_seqs
from commission.model import CommissionError, Event
from commission.ui.blank import Pane
from commission.ui.screens.base import VisitScreen
from commission.ui.screens.dialogs import AskText
from commission.ui.text import event_words
from commission.ui.widgets.draw.canvas import Line
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.picker import LateItem, Picker

HELP = """
Nothing is ever changed or deleted: a mistake is **withdrawn** by a later entry (x), and a withdrawal can itself be
withdrawn. Each row carries the digest of its content and of the row before, so that an edit shows.

**j** compares the verdicts stored with a record or a signature with those of this version for the same readings.
**v** checks the whole chain and every recording; `commission verify` does the same without a terminal.
"""


class Log(VisitScreen):
    """All events, newest last."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("x", "withdraw", "Take back", id="log.withdraw"),
        Binding("v", "verify", "Verify", id="log.verify"),
        Binding("j", "app.verdict_changes", "Verdicts", id="log.verdicts"),
    ]
    HELP_TITLE, HELP_TEXT = "The log", HELP

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        with Pane(id="steps"):
            yield Picker(id="events")
        yield Static("", id="judgement")
        yield KeyLine()

    def on_mount(self) -> None:
        """Show the newest event last, selected."""
        self.query_one("#events").focus()
        self.refresh_changed()
        self.call_after_refresh(self.query_one("#events", Picker).action_move, 9999)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Hide the verdict changes if no verdicts are stored."""
        return self.commission.verdict_changes is not None if action == "app.verdict_changes" else True

    def refresh_results(self) -> None:
        self.refresh_bindings()
        self.show_head("Log")
        job = self.visit.job
        gone = withdrawn_seqs(job.log)

        def line(event: Event) -> Line:
            out = event.seq in gone
            words = ("(withdrawn) " if out else "") + event_words(event, job)
            return ((f" {event.seq:>4}  {event.at[11:19]}  ", "dim"), (words, "dim" if out else ""))

        self.query_one("#events", Picker).show([LateItem(str(e.seq), partial(line, e)) for e in job.log])
        text = self.commission.working or f"{len(job.log)} events · digest {job.digest[:16]}…"
        self.query_one("#judgement", Static).update(Content(text))

    def action_withdraw(self) -> None:
        key = self.query_one("#events", Picker).key
        if key:
            self.app.push_screen(
                AskText(
                    f"Take back event {key}: why?",
                    "goes into the log; the entry stays there but is no longer used",
                    "",
                    enter="takes it back",
                ),
                lambda r: self._gone(key, r),
            )

    def _gone(self, key: str, reason: str | None) -> None:
        if reason is None:
            return
        try:
            self.visit.withdraw(int(key), reason)
        except CommissionError as error:
            self.commission.refuse(str(error))
            return
        self.commission.compute()
        self.refresh_results()

    def action_verify(self) -> None:
        self.commission.run_job(lambda cancel, progress: self.visit.verify(progress), self._verified)

    def _verified(self, broken: object) -> None:
        if broken is None:
            self.notify(f"✓ The chain is whole: {len(self.visit.job.log)} events and every recording.")
        else:
            self.commission.refuse(f"✗ broken: {broken}")
