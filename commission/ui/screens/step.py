"""One step: what to do in the room, entry at the left, results at the right; two pages on a narrow terminal.

Everything shown comes from the step's plan and outcome: a step added later needs no line here.
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

from commission.model import (
    Capture,
    Check,
    CommissionError,
    Curve,
    Noted,
    Outcome,
    Prompt,
    ReadingEntered,
    Signed,
    Verdict,
)
from commission.model.units import clean_text
from commission.steps import STEPS, step
from commission.ui.screens.base import VisitScreen
from commission.ui.screens.dialogs import AskText, Choose
from commission.ui.widgets.draw.entry import EntryRow
from commission.ui.widgets.draw.figures import check_runs
from commission.ui.widgets.entry_table import EntryTable
from commission.ui.widgets.painted import Painted
from commission.ui.widgets.plot import Plot
from commission.ui.widgets.result_table import ResultTable
from commission.ui.widgets.room_plan import RoomPlanView
from commission.ui.widgets.seat_grid import SeatGrid


class StepScreen(VisitScreen):
    """The screen of any step."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "page", "Page", id="step.page"),
        Binding("left_square_bracket", "neighbour(-1)", show=False, id="step.previous"),
        Binding("right_square_bracket", "neighbour(1)", show=False, id="step.next"),
        Binding("i", "app.import_files", "Import", show=False, id="step.import"),
        Binding("m", "measure", "Measure", show=False, id="step.measure"),
        Binding("t", "note", "Note", show=False, id="step.note"),
        Binding("g", "sign", "Sign", show=False, id="step.sign"),
        Binding("s", "app.sheet", "Sheet", id="step.sheet"),
    ]

    def __init__(self, step_id: str) -> None:
        super().__init__()
        self.step = step(step_id)
        self._shape: tuple[object, ...] = ()
        self._checks: dict[str, Check | None] = {}

    @property
    def has_entry(self) -> bool:
        """Whether numbers are typed here."""
        return self.step.entry == "readings"

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        yield Static("", id="todo")
        yield Static("", id="caution")
        with Horizontal(id="sides"):
            with VerticalScroll(id="entry"):
                yield EntryTable(self._rows(), self.visit.job.system.units, id="entry-table")
            yield VerticalScroll(id="result")
        yield Static("", id="judgement")
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        """Numbers first where there are any to type."""
        self.HELP_TITLE, self.HELP_TEXT = f"{self.step.title}: {self.step.question}", self.step.help
        self.set_class(not self.has_entry, "no-entry")
        self.add_class("page-entry" if self.has_entry else "page-result")
        self.refresh_results()
        if self.has_entry:
            self.query_one("#entry-table").focus()

    # --- what is shown ----------------------------------------------------------------------------------------

    def _rows(self) -> list[EntryRow]:
        job = self.visit.job
        rows = []
        for task in self.step.plan(job, self.round_id):
            if isinstance(task, Prompt):
                readings = job.readings_of(self.round_id, self.step.id, channel=task.channel, seat=task.seat)
                values = tuple(r.body.value for r in readings if r.body.quantity == task.quantity)
                rows.append(EntryRow(task, values))
        return rows

    def refresh_results(self) -> None:
        """Show the outcome as it is known now."""
        if not self.is_mounted:
            return
        outcome = self.commission.outcomes.get(self.step.id)
        self.show_head(f"{self._number()} {self.step.title}")
        if self.has_entry:
            self.query_one("#entry-table", EntryTable).show(self._rows())
        if outcome is None:
            self._todo(None)
            return
        self._todo(outcome)
        shape = self._shape_of(outcome)
        if shape != self._shape or not self.query_one("#result").children:
            self._shape = shape
            self.call_later(self._rebuild, outcome)
        else:
            self._update(outcome)
        if not self.query("#judgement.-told"):
            self._judge(outcome)

    def _number(self) -> int:
        return [each.id for each in STEPS].index(self.step.id) + 1

    @staticmethod
    def _shape_of(outcome: Outcome) -> tuple[object, ...]:
        return (
            tuple(t.id for t in outcome.tables), tuple(g.id for g in outcome.grids), len(outcome.room_plans),
            bool(outcome.curves), bool(outcome.grids),
        )  # fmt: skip

    def _todo(self, outcome: Outcome | None) -> None:
        """What to do in the room: for the selected row, else the step's question and advice."""
        prompt = self.query_one("#entry-table", EntryTable).prompt if self.has_entry else None
        text, caution = self.step.question, ""
        if self.commission.working:
            text = self.commission.working
        elif prompt is not None:
            text, caution = prompt.text, prompt.caution
        elif outcome is not None and outcome.advice:
            text = outcome.advice[0].text
            if self.step.entry == "responses":
                text += "  i imports, m measures."
                task = next(
                    (t for t in self.step.plan(self.visit.job, self.round_id) if isinstance(t, Capture)), None
                )
                caution = task.caution if task is not None else ""
        elif self.step.id == "handover":
            text = "g signs, t notes a remark, s shows the settings sheet."
        self.query_one("#todo", Static).update(Content(text))
        self.query_one("#caution", Static).update(Content(f"! {caution}" if caution else ""))

    def _parts(self, outcome: Outcome) -> list[Widget]:
        units = self.visit.job.system.units
        parts: list[Widget] = []
        parts += [RoomPlanView(plan, id=f"plan-{n}") for n, plan in enumerate(outcome.room_plans)]
        parts += [SeatGrid(grid, id=f"grid-{n}") for n, grid in enumerate(outcome.grids)]
        parts += [ResultTable(table, units, id=f"table-{n}") for n, table in enumerate(outcome.tables)]
        if outcome.curves and not outcome.grids:
            parts.append(Plot(outcome.curves[0], id="plot"))
        parts.append(
            Static(Content("\n".join(clean_text(r) for r in outcome.remarks)), classes="remark", id="remarks")
        )
        return parts

    async def _rebuild(self, outcome: Outcome) -> None:
        result = self.query_one("#result", VerticalScroll)
        await result.remove_children()
        await result.mount_all(self._parts(outcome))
        if not self.has_entry and (self.focused is None or self.focused is result):
            first = next((w for w in result.children if isinstance(w, Painted)), None)
            if first is not None:
                first.focus()

    def _update(self, outcome: Outcome) -> None:
        for n, grid in enumerate(outcome.grids):
            self.query_one(f"#grid-{n}", SeatGrid).show(grid)
        for n, table in enumerate(outcome.tables):
            self.query_one(f"#table-{n}", ResultTable).show(table)
        for n, plan in enumerate(outcome.room_plans):
            self.query_one(f"#plan-{n}", RoomPlanView).show(plan)
        if self.query("#plot") and outcome.curves:
            plot = self.query_one("#plot", Plot)
            wanted = plot.curve.id if plot.curve is not None else ""
            plot.show(next((c for c in outcome.curves if c.id == wanted), outcome.curves[0]))
        text = "\n".join(clean_text(remark) for remark in outcome.remarks)
        self.query_one("#remarks", Static).update(Content(text))

    def _judge(self, outcome: Outcome) -> None:
        """Counts of the step, until a row is selected."""
        words = [f"{outcome.count(v)} {v.symbol} {v.value}" for v in Verdict if outcome.count(v)]
        text = f"{outcome.done} of {outcome.total} done · " if outcome.total else ""
        self.query_one("#judgement", Static).update(Content(text + (" · ".join(words) or "nothing judged yet")))

    # --- what is selected -------------------------------------------------------------------------------------

    def _tell(self, check: Check | None) -> None:
        runs = check_runs(check, self.visit.job.system.units)
        judgement = self.query_one("#judgement", Static)
        judgement.update(Content("".join(text for text, _ in runs)))
        judgement.add_class("-told")

    @on(ResultTable.Selected)
    def row_selected(self, event: ResultTable.Selected) -> None:
        """The verdict of the row, with limit, uncertainty and basis; its curve where there is one."""
        self._tell(event.row.check)
        outcome = self.commission.outcomes.get(self.step.id)
        if outcome is not None and self.query("#plot"):
            channel = event.row.key.split(":")[0]
            curve = next((c for c in outcome.curves if c.channel == channel), None)
            if curve is not None:
                self.query_one("#plot", Plot).show(curve)

    @on(SeatGrid.Selected)
    def cell_selected(self, event: SeatGrid.Selected) -> None:
        """The lines of the cell."""
        lines = event.cell.detail if event.cell is not None else ("not measured",)
        judgement = self.query_one("#judgement", Static)
        judgement.update(Content(clean_text(f"{event.channel} at {event.seat}: " + " · ".join(lines))))
        judgement.add_class("-told")

    @on(SeatGrid.Opened)
    def cell_opened(self, event: SeatGrid.Opened) -> None:
        """Its curve, large."""
        outcome = self.commission.outcomes.get(self.step.id)
        curves = outcome.curves if outcome is not None else ()
        if event.cell is not None and event.cell.curve_id is not None:
            self._open_curve(curves, event.cell.curve_id)

    @on(ResultTable.Opened)
    def row_opened(self, event: ResultTable.Opened) -> None:
        """The curve of the row's channel, large."""
        outcome = self.commission.outcomes.get(self.step.id)
        channel = event.row.key.split(":")[0]
        reference = self.visit.job.system.reference_seat
        curves = outcome.curves if outcome is not None else ()
        own = [c for c in curves if c.channel == channel]
        at = [c for c in own if reference is not None and c.seat == reference.id] or own
        if at:
            self._open_curve(curves, at[0].id)

    def _open_curve(self, curves: tuple[Curve, ...], curve_id: str) -> None:
        from commission.ui.screens.curve import CurveScreen

        self.app.push_screen(CurveScreen(self.step.id, curve_id))

    @on(EntryTable.Selected)
    def entry_selected(self, event: EntryTable.Selected) -> None:
        """What to do for this row, and its result at the right."""
        outcome = self.commission.outcomes.get(self.step.id)
        self._todo(outcome)
        if outcome is not None and event.prompt.channel is not None:
            for table in outcome.tables:
                for row in table.rows:
                    if row.key == event.prompt.channel and row.check is not None:
                        self._tell(row.check)
                        return

    @on(Painted.Edge)
    def leave_view(self, event: Painted.Edge) -> None:
        """Up and down go on to the next view."""
        event.stop()
        if event.direction > 0:
            self.focus_next()
        else:
            self.focus_previous()

    # --- what is entered --------------------------------------------------------------------------------------

    @on(EntryTable.Entered)
    def entered(self, event: EntryTable.Entered) -> None:
        """Store a reading at once."""
        p = event.prompt
        self.store(ReadingEntered(round=self.round_id, step=self.step.id, channel=p.channel, seat=p.seat,
                                  quantity=p.quantity, value=event.value, unit=p.unit))  # fmt: skip
        self.query_one("#entry-table", EntryTable).show(self._rows())

    @on(EntryTable.WithdrawLast)
    def withdraw(self, event: EntryTable.WithdrawLast) -> None:
        """Take the last reading of a row back; it stays in the log."""
        p = event.prompt
        readings = self.visit.job.readings_of(self.round_id, self.step.id, channel=p.channel, seat=p.seat)
        own = [r for r in readings if r.body.quantity == p.quantity]
        if own:
            try:
                self.visit.withdraw(own[-1].seq, "taken back while entering")
            except CommissionError as error:
                self.commission.refuse(str(error))
                return
            self.commission.compute()
            self.query_one("#entry-table", EntryTable).show(self._rows())

    def action_page(self) -> None:
        """The other page of a narrow terminal; on a wide one, the other side."""
        if not self.has_entry:
            return
        to_result = self.has_class("page-entry")
        self.set_class(to_result, "page-result")
        self.set_class(not to_result, "page-entry")
        target = next((w for w in self.query_one("#result").children if isinstance(w, Painted)), None)
        if to_result and target is not None:
            target.focus()
        elif not to_result:
            self.query_one("#entry-table").focus()

    def action_neighbour(self, by: int) -> None:
        """The step before or after."""
        n = self._number() - 1 + by
        if 0 <= n < len(STEPS):
            self.commission.open_step(STEPS[n].id)

    def action_note(self) -> None:
        """Write a remark to the log."""
        self.app.push_screen(AskText(f"Note on {self.step.title}", "goes to the record", ""), self._noted)

    def _noted(self, text: str | None) -> None:
        if text and text.strip():
            self.store(Noted(step=self.step.id, round=self.round_id, text=clean_text(text)))

    def action_sign(self) -> None:
        """Sign the record, on the last step."""
        if self.step.id == "handover":
            options = [("technician", "technician"), ("client", "client")]
            self.app.push_screen(Choose("Sign as", options), self._role)

    def _role(self, role: str | None) -> None:
        if role is not None:
            name = self.visit.job.system.technician if role == "technician" else self.visit.job.system.client
            self.app.push_screen(AskText(f"Name of the {role}", "", name), lambda n: self._sign(role, n))

    def _sign(self, role: str, name: str | None) -> None:
        if name and name.strip():
            self.store(Signed(role="technician" if role == "technician" else "client", name=clean_text(name)))

    # --- measuring --------------------------------------------------------------------------------------------

    def action_measure(self) -> None:
        """Measure what is missing at one seat, with the device or the rehearsal room."""
        if self.step.entry != "responses":
            return
        try:
            source = self.commission.workshop.source(self.visit)
        except CommissionError as error:
            self.commission.refuse(str(error))
            return
        if source is None:
            self.notify(self.commission.workshop.live_status(), timeout=12, markup=False)
            return
        seats = [(s.id, f"microphone at {s.id}") for s in self.visit.job.system.seats]
        title = f"{source.name}: start low, warn everybody, nobody near a loudspeaker. Where is the microphone?"
        self.app.push_screen(Choose(title, seats), self._measure_at)

    def _measure_at(self, seat: str | None) -> None:
        if seat is None:
            return
        from commission.runner import run_captures

        round_id, visit, own_step = self.round_id, self.visit, self.step
        source = self.commission.workshop.source(visit)
        if source is None:
            return
        self.commission.run_job(
            lambda cancel, progress: run_captures(visit, own_step, source, round_id, cancel, progress, seat=seat),
            self._measured,
        )

    def _measured(self, run: object) -> None:
        stored, left_out = run.stored, run.left_out  # type: ignore[attr-defined]
        self.notify(f"{len(stored)} responses stored" + (f", {len(left_out)} left out" if left_out else ""))
        for capture, why in left_out[:3]:
            self.commission.refuse(f"{capture.channel} at {capture.seat}: {why}")
