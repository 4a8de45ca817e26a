"""One step: what to do in the room, the entry at the left, what comes of it at the right, the judgement below.

Generic: it renders what a step plans and says, so that a new step needs no line here.
"""

from __future__ import annotations

from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, VerticalScroll
from textual.content import Content
from textual.widget import Widget
from textual.widgets import Footer, Static

from commission.model import Check, CommissionError, Decided, Noted, Outcome, Prompt, ReadingEntered, Signed
from commission.model.units import clean_text
from commission.steps import STEPS, step
from commission.ui.screens.base import VisitScreen
from commission.ui.screens.measuring import ask_and_measure, captures, missing
from commission.ui.screens.results import Results, check_for, curve_for
from commission.ui.widgets.draw.canvas import Line
from commission.ui.widgets.draw.entry import EntryRow, Typing
from commission.ui.widgets.draw.figures import check_runs, quantity
from commission.ui.widgets.entry_table import EntryTable
from commission.ui.widgets.painted import Painted
from commission.ui.widgets.result_table import ResultTable
from commission.ui.widgets.room_plan import RoomPlanView
from commission.ui.widgets.seat_grid import SeatGrid

INK = {
    "pass": "$text-success",
    "fail": "bold $text-error",
    "unsure": "$text-warning",
    "none": "$foreground 65%",
    "dim": "$foreground 75%",
    "mark": "bold",
}
KEYS = """

### Keys
Digits start an entry · **Enter** stores and goes down · **x** takes the last reading of the row back · **v** or Tab
changes sides · **[ ]** previous and next step · **n** note · **s** settings sheet · **r** round · **Esc** stops what
runs, else back
"""


def content(line: Line) -> Content:
    """A drawn line as the text of a label, never read as markup."""
    return Content.assemble(*((text, INK.get(style, "")) for text, style in line))


class StepScreen(VisitScreen):
    """Any step whose entry is readings, responses or nothing."""

    CSS = """
    StepScreen.wide-left #entry { width: 3fr; }
    StepScreen.wide-left #result { width: 2fr; }
    StepScreen.one-side #result { display: none; }
    StepScreen #entry:focus-within, StepScreen #result:focus-within { scrollbar-color: $foreground 25%; }
    StepScreen #entry > Painted { padding: 0 1 0 0; }
    StepScreen #result > Painted { padding: 0 1 0 0; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "sides", "Other side", id="step.sides"),
        Binding("tab", "sides", show=False, id="step.sides-tab"),
        Binding("i", "import_files", "Import", id="step.import"),
        Binding("m", "measure", "Measure", id="step.measure"),
        Binding("g", "sign", "Sign", id="step.sign"),
        Binding("c", "decide", "Choose", id="step.choose"),
        Binding("n", "note", "Note", show=False, id="step.note"),
        Binding("s", "app.sheet", "Sheet", show=False, id="step.sheet"),
        Binding("left_square_bracket", "neighbour(-1)", show=False, id="step.previous"),
        Binding("right_square_bracket", "neighbour(1)", show=False, id="step.next"),
        Binding("pageup", "page(-1)", show=False, id="step.page-up"),
        Binding("pagedown", "page(1)", show=False, id="step.page-down"),
    ]

    def __init__(self, step_id: str) -> None:
        super().__init__()
        self.step = step(step_id)
        self.HELP_TITLE, self.HELP_TEXT = f"{self.step.title}: {self.step.question}", self.step.help + KEYS
        self._shown: Outcome | None = None
        self._results: Results | None = None
        self._entry: EntryTable | None = None

    # --- what is there ----------------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        """What to do, two sides, the judgement."""
        yield Static("", classes="headline")
        yield Static("", id="todo")
        yield Static("", id="caution")
        with Horizontal(id="sides"):
            yield VerticalScroll(id="entry", can_focus=False)
            yield VerticalScroll(id="result", can_focus=False)
        yield Static("", id="judgement")
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        """The entry has the keys."""
        units = self.visit.job.system.units
        left, right = self.query_one("#entry"), self.query_one("#result")
        if self.step.entry == "readings":
            self._entry = EntryTable(self._rows(), units)
            left.mount(self._entry)
            self._results = Results(units, (right, right))
            self._entry.focus()
        else:
            self.add_class("wide-left")
            self._results = Results(units, (left, right))
        self.add_class("page-entry")
        self.refresh_results()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Each step offers what it can use."""
        if action in ("measure", "import_files"):
            return self.step.entry == "responses"
        if action == "decide":
            outcome = self.commission.outcomes.get(self.step.id)
            return outcome is not None and bool(outcome.choices)
        return self.step.id == "handover" if action == "sign" else True

    def refresh_results(self) -> None:
        """Readings at once; results when they are there."""
        if self._results is None:
            return
        number = 1 + [each.id for each in STEPS].index(self.step.id)
        outcome = self.commission.outcomes.get(self.step.id)
        self.refresh_bindings()  # what can be chosen may have come or gone
        self.show_head(f"{number} {self.step.title}{_state(outcome)}")
        if self._entry is not None:
            self._entry.show(self._rows())
        if outcome is not None and outcome is not self._shown:
            self._show(outcome, self._results)
        self._show_todo()

    def _show(self, outcome: Outcome, results: Results) -> None:
        self._shown = outcome
        fresh = results.show(outcome)
        alone = self._entry is None and not results.right
        self.set_class(alone, "one-side")
        if self._entry is None and fresh and results.views:
            results.views[0].focus()
        elif self._entry is not None and self._entry.has_focus and self._entry.prompt is not None:
            self._follow(self._entry.prompt)

    def _rows(self) -> list[EntryRow]:
        job = self.visit.job
        known: dict[tuple[str | None, str | None, str], list[float]] = {}
        for reading in job.readings_of(self.round_id, self.step.id):
            body = reading.body
            known.setdefault((body.channel, body.seat, body.quantity), []).append(body.value)
        tasks = (task for task in self.step.plan(job, self.round_id) if isinstance(task, Prompt))
        return [EntryRow(t, tuple(known.get((t.channel, t.seat, t.quantity), ()))) for t in tasks]

    # --- words above and below --------------------------------------------------------------------------------

    def _show_todo(self) -> None:
        text, caution = self.step.question, ""
        if self.commission.working:
            text = self.commission.working
        elif self._entry is not None and self._entry.prompt is not None:
            text, caution = self._entry.prompt.text, self._entry.prompt.caution
        elif self.step.entry == "readings":
            text = "Nothing to read here yet: describe channels and seats on the Site form first."
        elif self.step.entry == "responses":
            text, caution = self._captures_text()
        elif self._shown is not None and self._shown.advice:
            text = self._shown.advice[0].text
        self.query_one("#todo", Static).update(Content("\n".join(clean_text(line) for line in text.split("\n"))))
        label = self.query_one("#caution", Static)
        label.update(Content(f"⚠ {clean_text(caution)}"))
        label.display = bool(caution)

    def _captures_text(self) -> tuple[str, str]:
        """What to record next, and its caution; no caution where only results are looked at."""
        total = len(captures(self.step, self.visit.job, self.round_id))
        left = missing(self.step, self.visit.job, self.round_id)
        if not total:
            return "Nothing to measure yet: describe channels and seats on the Site form first.", ""
        if not left:
            advice = (
                self._shown.advice[0].text if self._shown is not None and self._shown.advice else self.step.question
            )
            return f"All {total} places are measured. {advice}", ""
        return f"{total - len(left)} of {total} places measured. Next: {left[0].text}", left[0].caution

    def judge(self, check: Check | None) -> None:
        """Verdict, limit, uncertainty and basis in the last line."""
        self.query_one("#judgement", Static).update(content(check_runs(check, self.visit.job.system.units)))

    # --- selecting --------------------------------------------------------------------------------------------

    @on(EntryTable.Selected)
    def prompt_selected(self, event: EntryTable.Selected) -> None:
        """What to do now, and what came of this row so far."""
        self._show_todo()
        self._follow(event.prompt)

    def _follow(self, prompt: Prompt) -> None:
        if self._shown is not None and self._results is not None:
            self._results.select(prompt.channel, prompt.seat)
            self.judge(check_for(self._shown, prompt.channel, prompt.seat))

    @on(ResultTable.Selected)
    def row_selected(self, event: ResultTable.Selected) -> None:
        """Judge the row; curve and plan follow."""
        if self._results is not None and type(event) is ResultTable.Selected:
            self._results.follow(event.row)
            self.judge(event.row.check)

    @on(SeatGrid.Selected)
    def cell_selected(self, event: SeatGrid.Selected) -> None:
        """Judge the cell by its worst check; the curve follows."""
        if self._shown is not None and self._results is not None and type(event) is SeatGrid.Selected:
            self._results.select(event.channel, event.seat)
            self.judge(check_for(self._shown, event.channel, event.seat))

    @on(RoomPlanView.Selected)
    def item_selected(self, event: RoomPlanView.Selected) -> None:
        """Judge what is selected in the plan."""
        if self._results is not None:
            row = self._results.select_row(event.label)
            self.judge(row.check if row is not None else None)

    @on(ResultTable.Opened)
    def row_opened(self, event: ResultTable.Opened) -> None:
        """The curve of a row, large."""
        self._open_curve(curve_for(self._shown, event.row.key, event.row) if self._shown else None)

    @on(SeatGrid.Opened)
    def cell_opened(self, event: SeatGrid.Opened) -> None:
        """The curve of a cell, large."""
        self._open_curve(event.cell.curve_id if event.cell is not None else None)

    def _open_curve(self, curve_id: str | None) -> None:
        from commission.ui.screens.curve import CurveScreen

        if curve_id is not None:
            self.app.push_screen(CurveScreen(self.step.id, curve_id, self._curve_left))

    def _curve_left(self, channel: str, seat: str) -> None:
        """Back from the large curve: the grid's cursor stands on what was looked at last."""
        if self._results is not None:
            for grid in (view for view in self._results.views if isinstance(view, SeatGrid)):
                grid.select(channel, seat)

    @on(Painted.Edge)
    def edge(self, event: Painted.Edge) -> None:
        """Beyond the end of one view the next one takes over."""
        pane = event.view.parent
        if not isinstance(pane, Widget):
            return
        views = _views(pane)
        place = views.index(event.view) + event.direction
        if 0 <= place < len(views):
            views[place].focus()
        elif event.direction > 0:
            pane.scroll_end(animate=False)
        else:
            pane.scroll_home(animate=False)

    # --- entering ---------------------------------------------------------------------------------------------

    @on(EntryTable.Entered)
    def entered(self, event: EntryTable.Entered) -> None:
        """Store a reading at once; a refusal is said beside its row and what was typed stays."""
        prompt, table = event.prompt, self._entry
        body = ReadingEntered(
            round=self.round_id,
            step=self.step.id,
            channel=prompt.channel,
            seat=prompt.seat,
            quantity=prompt.quantity,
            value=event.value,
            unit=prompt.unit,
        )
        try:
            self.visit.append(body)
        except CommissionError as error:
            if table is not None:
                table.select(next(i for i, row in enumerate(table.rows) if row.prompt is prompt))
                table.typing = Typing(event.text)
                table.refuse(str(error))
            return
        self.refresh_results()
        self.commission.compute()

    @on(EntryTable.WithdrawLast)
    def withdraw_last(self, event: EntryTable.WithdrawLast) -> None:
        """Take the last reading of a row back; it stays in the log."""
        prompt, job = event.prompt, self.visit.job
        readings = job.readings_of(self.round_id, self.step.id, channel=prompt.channel, seat=prompt.seat)
        own = [reading for reading in readings if reading.body.quantity == prompt.quantity]
        if not own:
            return
        try:
            self.visit.withdraw(own[-1].seq, "taken back while entering")
        except CommissionError as error:
            self.commission.refuse(str(error))
            return
        value = quantity(own[-1].body.value, prompt.unit, job.system.units)
        said = f"Taken back: {value}. Event {own[-1].seq} stays in the log and counts no longer."
        self.notify(said, markup=False)
        self.refresh_results()
        self.commission.compute()

    def action_decide(self) -> None:
        """Decide between the alternatives that the step offers; the first choice of several that is open."""
        from commission.ui.screens.dialogs import Choose

        outcome = self.commission.outcomes.get(self.step.id)
        if outcome is None or not outcome.choices:
            return
        choice = outcome.choices[0]

        def store(value: str | None) -> None:
            if value is not None and value != choice.current:
                self.store(Decided(round=self.round_id, step=self.step.id, key=choice.key, value=value))

        self.app.push_screen(Choose(choice.title, choice.options, choice.current), store)

    def action_note(self) -> None:
        """Write a remark about this step."""
        from commission.ui.screens.dialogs import AskText

        def store(text: str | None) -> None:
            if text and text.strip():
                self.store(Noted(step=self.step.id, round=self.round_id, text=clean_text(text.strip())))

        self.app.push_screen(AskText(f"Note on {self.step.title}", "goes into the log and the record"), store)

    def action_sign(self) -> None:
        """Sign the record."""
        from commission.ui.screens.dialogs import AskText, Choose

        system = self.visit.job.system

        def sign(role: str | None) -> None:
            if role is None:
                return
            known = system.technician if role == "technician" else system.client

            def store(name: str | None) -> None:
                if name and name.strip():
                    kind = "technician" if role == "technician" else "client"
                    self.store(Signed(role=kind, name=clean_text(name.strip())))  # type: ignore[arg-type]

            self.app.push_screen(AskText(f"Name of the {role}", "goes into the log and the record", known), store)

        self.app.push_screen(Choose("Sign as", [("technician", "technician"), ("client", "client")]), sign)

    def action_import_files(self) -> None:
        """Import responses."""
        self.commission.action_import_files()

    def action_measure(self) -> None:
        """Measure at one seat, after the caution."""
        place = self._results.place if self._results is not None else None
        ask_and_measure(self.commission, self.step, place[1] if place is not None else None)

    # --- moving -----------------------------------------------------------------------------------------------

    def action_sides(self) -> None:
        """The other side: another page on a narrow terminal, another focus on a wide one."""
        left, right = self.query_one("#entry"), self.query_one("#result")
        if self.has_class("one-side"):
            views = _views(left)
            if views:
                now = views.index(self.focused) if self.focused in views else -1
                views[(now + 1) % len(views)].focus()
            return
        inside_right = self.focused is not None and right in self.focused.ancestors
        to_right = not (self.has_class("page-result") if self.has_class("narrow") else inside_right)
        self.set_class(to_right, "page-result")
        self.set_class(not to_right, "page-entry")
        self.set_focus(next(iter(_views(right if to_right else left)), None))

    def action_page(self, direction: int) -> None:
        """A page up or down on the side that has the keys."""
        pane = self.query_one("#result" if self.has_class("page-result") else "#entry")
        if direction > 0:
            pane.scroll_page_down(animate=False)
        else:
            pane.scroll_page_up(animate=False)

    def action_neighbour(self, direction: int) -> None:
        """The step before or after."""
        ids = [each.id for each in STEPS]
        self.commission.open_step(ids[(ids.index(self.step.id) + direction) % len(ids)])


def _views(pane: Widget) -> list[Painted]:
    return [child for child in pane.children if isinstance(child, Painted) and child.can_focus]


def _state(outcome: Outcome | None) -> str:
    if outcome is None:
        return " · …"
    done = f" · {outcome.done} of {outcome.total}" if outcome.total else ""
    verdict = outcome.verdict
    return done + (f" · {verdict.symbol} {verdict.value}" if verdict is not None else "")
