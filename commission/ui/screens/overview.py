"""The overview: every step with its state and main result, the findings with their fates, and the next action."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from commission import steps
from commission.model.units import clean_text, round_name
from commission.ui.blank import Pane
from commission.ui.screens.base import VisitScreen
from commission.ui.widgets.draw.canvas import fit, wrap
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.picker import Item, Menu, Picker

if TYPE_CHECKING:  # without results there are no checks, and little to load
    from collections.abc import Iterator

    from commission.model import Outcome

HELP = """
Steps can be opened in any order, at any time; what you see is what is known now.

- **Enter** or a digit opens a step (**0** the tenth). The line at the bottom says what is best done next: **n** goes there.
- **f** lists the findings, by cause, with the evidence and the test that would confirm it; there you log what was done.
  Below the steps each finding has one line with its status; Enter there opens it.
- **s** shows the settings sheet: exactly what to type into the processor, old value → new value.
- **i** imports responses, **l** shows the log (and takes entries back), **r** changes the round.
- **p** attaches a photograph to a step; **:** and "Write the record" writes the record that you hand over.
- **:** finds every command by its name. **q** quits; everything is stored already.

✓ pass  ✗ fail  ? unsure: within 1.645 u of the limit  – not tested, with the reason beside it
"""


FINDING = "finding "
"""Precedes the key of a finding's line, to distinguish it from a step."""


LINES_AROUND = 6
"""Lines above and below the list: title, headings, counts, two for the next action, keys."""


class Overview(VisitScreen):
    """All steps of the visit."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("q", "app.quit", "Quit", id="app.quit"),
        Binding("n", "next", "Next", show=False, id="overview.next"),
        Binding("f", "findings", "Findings", id="overview.findings"),
        Binding("s", "app.sheet", "Sheet", id="overview.sheet"),
        Binding("colon", "app.everything", "Everything", key_display=":", id="app.everything"),
        Binding("i", "app.import_files", "Import", show=False, id="overview.import"),
        Binding("l", "app.log", "Log", show=False, id="overview.log"),
        Binding("p", "app.photo", "Photo", show=False, id="step.photo"),
        Binding("escape", "app.stop_or_stay", show=False, id="overview.stop"),
        Binding("r", "rounds", "Round", show=False, id="app.rounds"),
        *[Binding(str(n % 10), f"open({n})", show=False, id=f"overview.step-{n}") for n in range(1, 11)],
    ]
    HELP_TITLE, HELP_TEXT = "The overview", HELP

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        yield Static("", id="columns", classes="dim")
        with Pane(id="steps"):
            yield Menu(id="step-list")
        yield Static("", id="causes")
        yield Static("", id="next")
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one("#step-list").focus()
        self.refresh_results()

    def refresh_results(self) -> None:
        """Show what is known; steps still being computed show "…"."""
        self.show_head("")
        width = max(self.size.width, 40)
        outcomes = self.commission.outcomes
        self.query_one("#columns", Static).update(
            Content(fit(f"   {'Step':<{self._head - 2}}Done     Verdict       Main result", width))
        )
        picker = self.query_one("#step-list", Picker)
        listed = list(enumerate(steps.listed(self.commission.visit.job), start=1))
        items = [item for n, (s, title) in listed for item in self._lines(n, s, title, outcomes.get(s), width)]
        findings = self._findings(width)
        if findings and len(items) + len(findings) > self.size.height - LINES_AROUND:
            # Findings matter more than the end of a long result, which its step shows in full.
            items = [next(self._lines(n, s, title, outcomes.get(s), width, whole=False)) for n, (s, title) in listed]
        picker.show([*items, *findings])
        self.query_one("#causes", Static).update(Content(self._counts(width)))
        self._show_verdict_changes()
        self.query_one("#next", Static).update(Content(self._next(width)))

    def _show_verdict_changes(self) -> None:
        """Show a line only if stored verdicts would differ today."""
        found = self.commission.verdict_changes
        text = ""
        if found is not None and found.differences:
            log, listed = self.commission.key_of("overview.log", "l"), self.commission.key_of("log.verdicts", "j")
            text = f"{found.sentence.partition(': ')[0]}: the log lists them ({log}, then {listed})."
        for line in self.query("#verdict-changes"):
            line.display = bool(text)
        if text and not self.query("#verdict-changes"):
            self.mount(Static("", id="verdict-changes"), before="#next")
        if text:
            self.query_one("#verdict-changes", Static).update(Content(clean_text(text)))

    @property
    def _head(self) -> int:
        """Width of a step's number and name in cells."""
        return 14 if self.visit.job.earlier is None else 19

    def _lines(
        self, number: int, step_id: str, title: str, outcome: Outcome | None, width: int, whole: bool = True
    ) -> Iterator[Item]:
        """A step in one line, and its main result wrapped, or cut to the first line."""
        head = fit(f"{number} {title}", self._head)
        if outcome is None:
            yield Item(step_id, ((head, "second"), ("…", "dim")))
            return
        from commission.ui.text import verdict_count
        from commission.ui.widgets.draw.figures import STYLES

        done = f"{outcome.done}/{outcome.total}" if outcome.total else "–"
        verdict = outcome.verdict
        count = outcome.count(verdict) if verdict is not None else 0
        word = verdict_count(verdict, count)
        style = STYLES[verdict] if verdict is not None else "dim"
        result = outcome.main_result or (outcome.advice[0].text if outcome.advice and not outcome.done else "")
        before = self._head + 23
        cells = max(width - before - 3, 10)
        first, *more = wrap(clean_text(result), cells) if whole and result else [fit(clean_text(result), cells)]
        yield Item(
            step_id,
            (
                (head, "second"),
                (fit(done, 8) + " ", "dim" if outcome.state == "nothing" else ""),
                (fit(word, 13) + " ", style),
                (first, ""),
            ),
        )
        for text in more:
            yield Item("", ((" " * (before + 1), ""), (text, "")))

    def _findings(self, width: int) -> list[Item]:
        """One line for each finding with its fate, then the failed checks that no finding explains."""
        if not self.all_known:
            return []
        from commission.ui.screens.findings import finding_items

        titles = {each.id: each.title for each in self.visit.steps}
        items = finding_items(self.commission.finding_histories, self.commission.unexplained, titles, width - 1)
        return [Item(FINDING + each.key if each.key else "", each.runs) for each in items]

    def _counts(self, width: int) -> str:
        """The number of open findings by cause, and of measurements."""
        histories = self.commission.finding_histories
        causes = Counter(each.first.cause for each in histories if not each.fate.gone)
        gone = len(histories) - causes.total()
        left = " Findings: …"  # no count before they are computed: a zero would mean that nothing is wrong
        if self.all_known:
            open_now = " · ".join(f"{cause} {count}" for cause, count in causes.items()) or "0"
            left = f" Findings: {open_now} open" + (f", {gone} no longer found" if gone else "")
        job = self.visit.job
        waiting = len(self.visit.pending)
        measured = f"{waiting} recordings not analysed yet" if waiting else f"{len(job.responses)} responses"
        right = f"{measured}, {len(job.log)} events "
        return left + (right.rjust(width - len(left)) if len(left) + len(right) + 1 < width else "")

    @property
    def _newer_round(self) -> str | None:
        """The newest round with data, if it comes after the one shown."""
        job = self.visit.job
        newest = next(reversed(job.filled_rounds), self.round_id)
        return newest if self.round_id in job.rounds[: job.rounds.index(newest)] else None

    def _next(self, width: int) -> str:
        key = self.commission.key_of("overview.next", "n")
        if self.commission.working:
            return f" {self.commission.working}"
        if self.commission.file_problem:
            return "\n".join(f" {line}" for line in wrap(clean_text(self.commission.file_problem), width - 2))
        if self.commission.analysis_stopped:
            return f" Next ({key}): go on with the analysis, which Escape stopped."
        if not self.all_known:
            return " Results are being computed."
        if (newest := self._newer_round) is not None:
            return f" Next ({key}): look at the newest round, {round_name(newest)}; this is an earlier one."
        if (advice := self.commission.advice) is None:
            return " No step asks for more in this round; f lists what is open."
        lines = wrap(f"Next ({key}): {clean_text(advice.text)}", width - 2)
        return "\n".join(f" {line}" for line in lines[:2])

    @on(Picker.Chosen)
    def chosen(self, event: Picker.Chosen) -> None:
        """Open a step, or a finding."""
        if event.key.startswith(FINDING):
            self.open_findings(event.key.removeprefix(FINDING))
        else:
            self.commission.open_step(event.key)

    def action_open(self, number: int) -> None:
        """Open a step by its digit; 0 opens the tenth."""
        listed = steps.listed(self.commission.visit.job)
        if number <= len(listed):
            self.commission.open_step(listed[number - 1][0], by_digit=True)

    def action_next(self) -> None:
        """Start the best next action."""
        if self.commission.analysis_stopped:
            self.commission.compute()
        elif (newest := self._newer_round) is not None:
            self.commission.show_round(newest)
        elif self.commission.advice is not None:
            self.commission.open_step(self.commission.advice.step)

    def action_findings(self) -> None:
        self.open_findings()

    def open_findings(self, selected: str = "") -> None:
        """Show the findings, with the line of that key selected."""
        from commission.ui.screens.findings import Findings

        self.app.push_screen(Findings(selected))
