"""One step: what to do in the room, the entry at the left, the results at the right, the verdict below.

It renders the plan and outcome of any step, so that a new step needs no code here. Only the step that ends the visit and
the one whose settings are changed by hand have keys of their own.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import ClassVar, Generic, TypeVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from commission.model import Capture, Check, Choice, Job, Outcome, Prompt
from commission.model.formatting import place_text
from commission.model.units import clean_text
from commission.steps import step
from commission.ui.blank import Pane, PaneRow
from commission.ui.label_styles import content
from commission.ui.screens.decisions import ask_decision, decide
from commission.ui.screens.handover import carried_lines, closing_text
from commission.ui.screens.measuring import ask_and_measure, ask_and_record_noise, captures, captures_text
from commission.ui.screens.readings import ask_reading, entry_rows, store_reading, withdraw_last
from commission.ui.screens.results import Results, check_for, curve_for, state_words
from commission.ui.screens.step_actions import OTHER_PAGE, AnyStepScreen, show_page
from commission.ui.text import attached_count, attached_lines, round_name
from commission.ui.widgets.character_view import Painted
from commission.ui.widgets.draw.entry import EntryRow
from commission.ui.widgets.draw.figures import check_runs
from commission.ui.widgets.entry_table import EntryTable
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.result_table import ResultTable
from commission.ui.widgets.room_plan import RoomPlanView
from commission.ui.widgets.seat_grid import SeatGrid

KEYS = """

### Keys
Digits start an entry · **Enter** stores and goes down · **x** takes the last reading of the row back · **v** or Tab
changes sides · **[ ]** previous and next step · **n** note · **p** photograph · **u** what the uncertainty of the
selected row is made of · **s** settings sheet · **r** round · **Esc** stops what runs, else back
"""


T = TypeVar("T")


class OnceForJob(Generic[T]):
    """A function of job and round whose result is cached until either changes."""

    def __init__(self, make: Callable[[Job, str], T]) -> None:
        self._make = make
        self._kept: tuple[Job, str, T] | None = None

    def __call__(self, job: Job, round_id: str) -> T:
        if self._kept is None or self._kept[0] is not job or self._kept[1] != round_id:
            self._kept = (job, round_id, self._make(job, round_id))
        return self._kept[2]


class StepScreen(AnyStepScreen):
    """The screen of a step whose entry is readings, responses or nothing."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "sides", "Results", id="step.sides"),
        Binding("v", "sides_back", "Entry", id="step.sides"),
        Binding("v", "sides_along", "Next view", id="step.sides"),
        Binding("tab", "other_side", show=False, id="step.sides-tab"),
        Binding("i", "import_files", "Import", id="step.import"),
        Binding("m", "measure", "Measure", id="step.measure"),
        Binding("m", "record_noise", "Record", show=False, id="step.measure"),
        Binding("g", "sign", "Sign", id="step.sign"),
        Binding("w", "record", "Write record", id="step.record"),
        Binding("k", "check_record", "Check record", id="step.check-record"),
        Binding("c", "decide", "Choose", id="step.choose"),
        Binding("e", "adjust", "Adjust", id="step.adjust"),
        Binding("r", "rounds", "Round", id="app.rounds"),
        Binding("r", "rounds_unlisted", "Round", show=False, id="app.rounds"),
        Binding("p", "photo", "Photo", id="step.photo"),
        Binding("p", "photo_unlisted", "Photo", show=False, id="step.photo"),
        Binding("u", "budget", "Uncertainty", show=False, id="step.budget"),
        Binding("n", "note", "Note", show=False, id="step.note"),
        Binding("s", "app.sheet", "Sheet", show=False, id="step.sheet"),
        Binding("left_square_bracket", "neighbour(-1)", show=False, id="step.previous"),
        Binding("right_square_bracket", "neighbour(1)", show=False, id="step.next"),
        Binding("pageup", "page(-1)", show=False, id="step.page-up"),
        Binding("pagedown", "page(1)", show=False, id="step.page-down"),
    ]

    def __init__(self, step_id: str) -> None:
        self.step = step(step_id)
        wide, closing = self.step.entry != "readings", self._ends_visit
        # Set at once: a class added later makes Textual recompute the styles of the whole screen.
        super().__init__(classes=" ".join(("wide-left" * wide, "closing" * closing)))
        self.HELP_TITLE, self.HELP_TEXT = f"{self.step.title}: {self.step.question}", self.step.help + KEYS
        self._shown: Outcome | None = None
        self._results: Results | None = None
        self._entry: EntryTable | None = None
        self._place: tuple[Check | None, str | None, str | None] = (None, None, None)
        """Check, channel and seat of the selection."""
        # Planned once for a job and round: each key of the footer asks for it, and results do not change it.
        self._planned = OnceForJob(partial(captures, self.step))
        self._read = OnceForJob(partial(entry_rows, self.step))

    # --- what is there ----------------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        yield Static("", id="todo")
        yield Static("", id="caution")
        with PaneRow(id="sides"):
            yield Pane(id="entry")
            yield Pane(id="result", classes=OTHER_PAGE)
        yield Static("", id="judgement")
        yield KeyLine()

    def on_mount(self) -> None:
        units = self.visit.job.system.units
        left, right = self.query_one("#entry"), self.query_one("#result")
        if self.step.entry == "readings":
            self._entry = EntryTable(self._rows(), units, self._unusual)
            left.mount(self._entry)
            self._results = Results(units, (right, right))
        else:
            self._results = Results(units, (left, right))

    def begin(self) -> None:
        """Select the first row without a reading, on the left side."""
        assert self._results is not None
        left, right = self.query_one("#entry"), self.query_one("#result")
        self.begin_on(left, right)
        right.remove_class("empty")
        self._shown, self._place = None, (None, None, None)
        self._results.begin(known=self.step.id in self.commission.outcomes)
        if self._entry is not None:
            self._entry.show(self._rows())
            unread = (n for n, row in enumerate(self._entry.rows) if not row.values and row.prompt.given is None)
            self._entry.select(next(unread, 0))
            self._entry.focus()
        self.refresh_changed()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the actions that the step can use."""
        if action == "import_files":
            return self._records or self.step.imports
        if action == "measure":
            return self._records
        if action == "record_noise":
            return self.step.id == "quiet"
        outcome = self.commission.outcomes.get(self.step.id)
        choices = outcome is not None and bool(outcome.choices)
        if action == "decide":
            return choices
        if action in ("rounds", "rounds_unlisted"):
            return self.step.imports == (action == "rounds_unlisted")
        if action == "adjust":
            return self._has_adjustments and outcome is not None and outcome.done > 0
        if action in ("photo", "photo_unlisted"):  # the footer holds six keys at most
            full = (
                self.step.entry == "responses"
                or self.step.imports
                or (choices and (self._entry is not None or self._has_adjustments))
                or self._ends_visit
            )
            return full == (action == "photo_unlisted")
        if action in ("sides", "sides_back", "sides_along"):  # one key, named for its destination
            along = self._entry is None
            if along and self._results is not None and len(self._results.views) < 2:
                return False
            return action == ("sides_along" if along else "sides_back" if self._at_results else "sides")
        return self._ends_visit if action in ("sign", "record", "check_record") else True

    @property
    def _records(self) -> bool:
        """Whether this step asks for responses; most do not, and plan readings."""
        return self.step.entry == "responses" or (self.step.entry != "readings" and bool(self._captures))

    @property
    def _captures(self) -> list[Capture]:
        """All recordings that this step asks for."""
        return self._planned(self.visit.job, self.round_id)

    @property
    def _ends_visit(self) -> bool:
        """Whether this is the step that ends the visit."""
        return self.step.id == "handover"

    @property
    def _has_adjustments(self) -> bool:
        """Whether this step's settings are changed by hand on a separate screen."""
        return self.step.id == "bass"

    def refresh_results(self) -> None:
        """Show readings at once, results when they are computed."""
        if self._results is None:
            return
        outcome = self.commission.outcomes.get(self.step.id)
        self.refresh_bindings()  # available choices may have changed
        self.show_head(
            f"{self.numbered_title}{state_words(outcome)}",
            attached_count(self.visit.job, self.step.id, self.round_id),
        )
        if self._entry is not None:
            self._entry.show(self._rows())
        if outcome is not None and outcome is not self._shown:
            self._show(outcome, self._results)
        carried = carried_lines(self.commission.finding_histories, self.step.id, self.round_id)
        self._results.remark([*carried, *attached_lines(self.visit.job, self.step.id, self.round_id)])
        self._show_todo()

    def _show(self, outcome: Outcome, results: Results) -> None:
        self._shown = outcome
        fresh = results.show(outcome)
        alone = self._entry is None and not results.right
        self.query_one("#result").set_class(alone, "empty")
        if fresh and self._entry is None and results.views:
            results.views[0].focus()
        elif fresh and self._at_results and self.focused is None:  # the results came after the page was opened
            self.set_focus(next(iter(_views(self.query_one("#result"))), None))
        elif self._entry is not None and self._entry.has_focus and self._entry.prompt is not None:
            self._follow(self._entry.prompt)

    def _unusual(self, prompt: Prompt, value: float) -> str:
        return self.step.unusual(self.visit.job, self.round_id, prompt, value)

    def _rows(self) -> tuple[EntryRow, ...]:
        """The prompts with their readings so far."""
        return self._read(self.visit.job, self.round_id)

    # --- words above and below --------------------------------------------------------------------------------

    def _show_todo(self) -> None:
        text, caution = self.step.question, ""
        if self.commission.working:
            text = self.commission.working
        elif self._entry is not None and self._entry.prompt is not None:
            text, caution = self._entry.prompt.text, self._entry.prompt.caution
        elif self.step.entry == "readings":
            text = "Nothing to read here yet: enter channels and seats on the Site form first."
        elif self._records:
            advice = self._shown.advice if self._shown is not None else ()
            then = advice[0].text if advice else self.step.question
            text, caution = captures_text(self._captures, self.visit.job, self.round_id, then)
        elif self._ends_visit and self._shown is not None:
            text = closing_text(self.commission, self.size.width - 2)
        elif self.step.entry == "answers":
            text, caution = self._how_to_answer()
        elif self._shown is not None and self._shown.advice:
            text = self._shown.advice[0].text
        self.query_one("#todo", Static).update(Content("\n".join(clean_text(line) for line in text.split("\n"))))
        cautions = [caution] if caution else []
        if self._entry is not None and not self.commission.working and self.visit.job.rounds[-1] != self.round_id:
            here, last = round_name(self.round_id), round_name(self.visit.job.rounds[-1])
            cautions.append(f"What you type here belongs to {here}, but {last} has begun ({self._round_key}: round).")
        label = self.query_one("#caution", Static)
        label.update(Content("\n".join(f"⚠ {clean_text(each)}" for each in cautions)))
        label.display = bool(cautions)

    def _how_to_answer(self) -> tuple[str, str]:
        """(how to answer the selected row, its caution)."""
        views = self._results.views if self._results is not None else []
        row = next((view.row for view in views if isinstance(view, ResultTable)), None)
        match self._asked_by(row.key) if row is not None else None:
            case Choice() as choice:
                return choice.how or choice.title, choice.caution
            case Prompt() as prompt:
                return prompt.text, prompt.caution
        return self.step.question, ""

    def _asked_by(self, key: str) -> Choice | Prompt | None:
        """The question of the row of that key: a choice or, in a step of questions, a number; None if it asks nothing."""
        choices = self._shown.choices if self._shown is not None else ()
        choice = next((each for each in choices if each.key == key), None)
        if choice is not None or self.step.entry != "answers":
            return choice
        prompts = (task for task in self.step.plan(self.visit.job, self.round_id) if isinstance(task, Prompt))
        return next((each for each in prompts if each.quantity == key), None)

    @property
    def _round_key(self) -> str:
        return self.commission.key_of("app.rounds", "r")

    def judge(self, check: Check | None, channel: str | None = None, seat: str | None = None) -> None:
        """Show verdict, limit, uncertainty and basis in the last line, with channel and seat of the selection if known."""
        if check is not None:
            channel, seat = channel or check.channel, seat or check.seat
        self._place = (check, channel, seat)
        self.query_one("#judgement", Static).update(content(check_runs(check, self.visit.job.system.units)))

    # --- selecting --------------------------------------------------------------------------------------------

    @on(EntryTable.Selected)
    def prompt_selected(self, event: EntryTable.Selected) -> None:
        """Show what to do now, and the results of this row so far."""
        self._show_todo()
        self._follow(event.prompt)

    def _follow(self, prompt: Prompt) -> None:
        if self._shown is not None and self._results is not None:
            self._results.select(prompt.channel, prompt.seat)
            self.judge(check_for(self._shown, prompt.channel, prompt.seat), prompt.channel, prompt.seat)

    @on(ResultTable.Selected)
    def row_selected(self, event: ResultTable.Selected) -> None:
        """Show the check of the row, with its curve and plan."""
        if self._results is not None and type(event) is ResultTable.Selected:
            self._results.follow(event.row)
            first = event.row.cells[0] if event.row.cells else None
            known = {channel.id for channel in self.visit.job.system.channels}
            self.judge(event.row.check, first if isinstance(first, str) and first in known else None)
            if self.step.entry == "answers":
                self._show_todo()

    @on(SeatGrid.Selected)
    def cell_selected(self, event: SeatGrid.Selected) -> None:
        """Show the worst check of the cell, with its curve."""
        if self._shown is not None and self._results is not None and type(event) is SeatGrid.Selected:
            self._results.select(event.channel, event.seat)
            self.judge(check_for(self._shown, event.channel, event.seat), event.channel, event.seat)

    @on(RoomPlanView.Selected)
    def item_selected(self, event: RoomPlanView.Selected) -> None:
        """Show the check of the object selected in the plan."""
        if self._results is not None:
            row = self._results.select_row(event.label)
            self.judge(row.check if row is not None else None)

    @on(ResultTable.Opened)
    def row_opened(self, event: ResultTable.Opened) -> None:
        """Answer the question of a row, else show its curve in large."""
        outcome, key = self._shown, event.row.key
        if outcome is None:
            return
        match self._asked_by(key):
            case Choice() as choice:
                decide(self, self.step, choice, lambda: event.view.action_move(1))
            case Prompt() as prompt:
                ask_reading(self, self.step, prompt)
            case None:
                self._open_curve(curve_for(outcome, key, event.row))

    @on(SeatGrid.Opened)
    def cell_opened(self, event: SeatGrid.Opened) -> None:
        self._open_curve(event.cell.curve_id if event.cell is not None else None)

    def _open_curve(self, curve_id: str | None) -> None:
        from commission.ui.screens.curve import CurveScreen

        if curve_id is not None:
            self.app.push_screen(CurveScreen(self.step.id, curve_id, self._curve_left))

    def _curve_left(self, channel: str, seat: str) -> None:
        """Select in the grid what the large curve showed last."""
        if self._results is not None:
            for grid in (view for view in self._results.views if isinstance(view, SeatGrid)):
                grid.select(channel, seat)

    @on(Painted.Edge)
    def edge(self, event: Painted.Edge) -> None:
        """Move on to the next view beyond the end of one."""
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
        if self._entry is not None:
            store_reading(self, self.step, self._entry, event)

    @on(EntryTable.WithdrawLast)
    def withdraw_last(self, event: EntryTable.WithdrawLast) -> None:
        withdraw_last(self, self.step, event.prompt)

    def action_rounds_unlisted(self) -> None:
        """`action_rounds` when the footer has no room for it."""
        self.action_rounds()

    def action_decide(self) -> None:
        """Decide between the alternatives of the step."""
        outcome = self.commission.outcomes.get(self.step.id)
        ask_decision(self, self.step, outcome.choices if outcome is not None else ())

    def action_adjust(self) -> None:
        """Change the settings of the subwoofers by hand."""
        from commission.steps.bass import BassResult, solve_round
        from commission.ui.screens.bass import BassScreen

        result = solve_round(self.visit.job, self.round_id, self.visit.analyses)
        if isinstance(result, BassResult):
            self.app.push_screen(BassScreen(result))

    def action_budget(self) -> None:
        """Show the uncertainty budget of the selected row."""
        from commission.ui.screens.budgets import Budgets, budgets_of

        check, channel, seat = self._place
        found = budgets_of(self._shown, check, channel, seat) if self._shown is not None else ()
        if not found:
            self.notify("Nothing with a stated uncertainty is selected here.")
            return
        self.app.push_screen(Budgets(place_text(channel, seat), found))

    def action_measure(self) -> None:
        """Measure at one seat, after the caution."""
        place = self._results.place if self._results is not None else None
        ask_and_measure(self.commission, self.step, place[1] if place is not None else None)

    def action_record_noise(self) -> None:
        """Record the room's noise, after the caution."""
        ask_and_record_noise(self.commission)

    # --- moving -----------------------------------------------------------------------------------------------

    def action_other_side(self) -> None:
        """Move to the other side: another page on a narrow terminal, another focus on a wide one."""
        left, right = self.query_one("#entry"), self.query_one("#result")
        if right.has_class("empty"):
            views = _views(left)
            if views:
                now = views.index(self.focused) if self.focused in views else -1
                views[(now + 1) % len(views)].focus()
            return
        to_right = not self._at_results
        show_page(*((right, left) if to_right else (left, right)))
        self.set_focus(next(iter(_views(right if to_right else left)), None))
        self.refresh_bindings()

    def action_sides(self) -> None:
        """Move to the results."""
        self.action_other_side()

    def action_sides_back(self) -> None:
        """Move to the entry."""
        self.action_other_side()

    def action_sides_along(self) -> None:
        """Move to the next view, if there is no entry."""
        self.action_other_side()

    @property
    def _at_results(self) -> bool:
        """Whether the right side is shown or focused."""
        right = self.query_one("#result")
        if self.has_class("narrow"):
            return not right.has_class(OTHER_PAGE)
        return self.focused is not None and right in self.focused.ancestors

    def action_page(self, direction: int) -> None:
        """Scroll the focused side a page up or down."""
        left, right = self.query_one("#entry"), self.query_one("#result")
        pane = left if right.has_class(OTHER_PAGE) else right
        if direction > 0:
            pane.scroll_page_down(animate=False)
        else:
            pane.scroll_page_up(animate=False)


def _views(pane: Widget) -> list[Painted]:
    return [child for child in pane.children if isinstance(child, Painted) and child.can_focus]
