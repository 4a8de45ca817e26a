"""Moves a loudspeaker or a seat with the arrow keys; every check of the layout follows each key."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from commission.model import Check, Decided, Job, Outcome, Position, SystemDefined, Verdict
from commission.model.formatting import number
from commission.model.units import clean_text, counted, format_length
from commission.steps import layout
from commission.steps.layout.coverage import clause, failed_by_kind
from commission.steps.layout.moves import WEIGHT_KEY, places_of, tradeoff_curve, weight_of
from commission.steps.layout.search import Search, Shortfall, moved_job, search_places, shortfall
from commission.ui.blank import Pane, PaneRow
from commission.ui.screens.base import VisitScreen
from commission.ui.widgets.draw.canvas import fit
from commission.ui.widgets.draw.tradeoff import draw_tradeoff
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.room_plan import RoomPlanView

HELP = """
- **Tab** selects the next loudspeaker or seat, Shift and Tab the one before.
- The **arrow keys** move it by 5 cm in the plan, with Shift by 50 cm. **o** changes between top and side view.
- **+** and **-** change the weight of all seats against the reference seat; the curve shows what each weight would gain.
- **b** puts all loudspeakers that may be moved to the best places for this weight, **z** puts everything back.
- **PageDown** and **PageUp** scroll the figures.
- **Enter** stores the new places and the weight. Escape leaves without storing.

A loudspeaker on a wall, ceiling or floor keeps its direction, a free one stays aimed at the same point. The best places are
searched only within the space that is entered as *May move from* and *May move to* on the Layout form.

Before you move anything heavy overhead: a footed ladder, two people; mountings are for licensed trades, local codes decide.
"""
STEP_M = 0.05


class PlacesScreen(VisitScreen):
    """The plan at the left; at the right the changes of the selected object, the failed checks, and the trade-off."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "shift(-1, 0)", "Move", key_display="← ↑ ↓ →", id="places.left"),
        Binding("right", "shift(1, 0)", show=False, id="places.right"),
        Binding("up", "shift(0, -1)", show=False, id="places.up"),
        Binding("down", "shift(0, 1)", show=False, id="places.down"),
        Binding("shift+left", "shift(-10, 0)", show=False, id="places.far-left"),
        Binding("shift+right", "shift(10, 0)", show=False, id="places.far-right"),
        Binding("shift+up", "shift(0, -10)", show=False, id="places.far-up"),
        Binding("shift+down", "shift(0, 10)", show=False, id="places.far-down"),
        Binding("tab", "select(1)", "Next", id="places.next"),
        Binding("shift+tab", "select(-1)", show=False, id="places.previous"),
        Binding("o", "view", show=False, id="places.view"),
        Binding("plus", "weigh(1)", show=False, id="places.more-weight"),
        Binding("minus", "weigh(-1)", show=False, id="places.less-weight"),
        Binding("pageup", "page(-1)", show=False, id="places.page-up"),
        Binding("pagedown", "page(1)", show=False, id="places.page-down"),
        Binding("b", "best", "Best", id="places.best"),
        Binding("z", "restore", show=False, id="places.restore"),
        Binding("enter", "keep", "Store", id="places.store"),
    ]
    HELP_TITLE, HELP_TEXT = "Layout: move loudspeakers and seats", HELP
    DEFAULT_CSS = """
    PlacesScreen #places-right { width: 1fr; padding: 0 1; }
    PlacesScreen #places-plan { width: 46%; }
    PlacesScreen #places-text { height: auto; }
    """

    def __init__(self, selected: str = "") -> None:
        super().__init__()
        self.selected = selected
        self.places: dict[str, Position] = {}
        """New positions of moved objects."""
        self._weight: float | None = None
        self._search: Search | None = None
        self._before: Outcome | None = None
        self._shortfall: Shortfall | None = None
        """The shortfall of the layout as entered."""

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        todo = "Arrows move, Tab selects, + − weigh the seats, b takes the best places, z undoes, Enter stores."
        yield Static(Content(todo), id="todo")
        with PaneRow(id="sides"):
            plan = RoomPlanView(id="places-plan", keys="Tab select")
            plan.can_focus = False
            yield plan
            with Pane(id="places-right"):
                yield Static("", id="places-text")
        yield KeyLine()

    def on_mount(self) -> None:
        """Begin with all objects at their entered positions."""
        job = self.visit.job
        self._search = search_places(job)
        self._weight = weight_of(job, self.round_id)
        self._before, self._shortfall = layout.checked(job, self.round_id), shortfall(job)
        if self.selected not in self.movable:
            self.selected = next(iter(self.movable), "")
        self.refresh_results()

    @property
    def movable(self) -> dict[str, Position]:
        """Every object with its entered position."""
        system = self.visit.job.system
        things = [*((s.id, s.position_m) for s in system.seats), *((c.id, c.position_m) for c in system.channels)]
        return {label: place for label, place in things if place is not None}

    @property
    def weight(self) -> float:
        """Weight of all seats against the reference seat."""
        return 0.5 if self._weight is None else self._weight

    def moved(self) -> Job:
        """The job with all objects at their new positions."""
        return moved_job(self.visit.job, self.places)

    def refresh_results(self) -> None:
        """Show plan, figures and checks of the present positions."""
        if not self.is_mounted or self._before is None:
            return
        job = self.moved()
        outcome = layout.checked(job, self.round_id, self.selected)
        changed = f" · {counted(len(self.places), 'place')} changed" if self.places else ""
        self.show_head(f"Layout: move{changed}")
        plan = self.query_one("#places-plan", RoomPlanView)
        plan.units = job.system.units
        plan.show(outcome.room_plans[0] if outcome.room_plans else None, self.selected)
        width = max(self.query_one("#places-right").size.width - 2, 30)
        self.query_one("#places-text", Static).update(Content("\n".join(self._lines(job, outcome, width))))

    def _lines(self, job: Job, outcome: Outcome, width: int) -> list[str]:
        lines = self._selected_lines(job, outcome)
        lines += ["", *self._check_lines(outcome)]
        now, was = shortfall(job), self._shortfall
        if now is not None and was is not None:
            lines += ["", "Shortfall (rms)     before    now"]
            lines += [_pair("reference seat", was.reference_deg, now.reference_deg)]
            lines += [_pair("all seats", was.all_deg, now.all_deg)]
        if self._search is not None and now is not None:
            lines += ["", *self._tradeoff_lines(self._search, now, width)]
        return [clean_text(line) for line in lines]

    def _selected_lines(self, job: Job, outcome: Outcome) -> list[str]:
        """The position of the selected object, and its result for each seat or loudspeaker."""
        place = self.places.get(self.selected, self.movable.get(self.selected))
        if place is None:
            return ["Enter positions on the Layout form first."]
        units = job.system.units
        lines = [
            f"{self.selected}   "
            + "   ".join(f"{a} {format_length(v, units)}" for a, v in zip("xyz", place, strict=True))
        ]
        grid = outcome.grids[0] if outcome.grids else None
        if grid is None:
            return lines
        is_seat = self.selected in grid.seats
        for other in grid.channels if is_seat else grid.seats:
            cell = grid.cells.get((other, self.selected) if is_seat else (self.selected, other))
            if cell is not None:
                mark = cell.verdict.symbol if cell.verdict is not None else "·"
                first = cell.detail[0].partition(": ")[2] if cell.detail else ""
                lines.append(f" {mark} {fit(other, 6)} {first}")
        return lines

    def _check_lines(self, outcome: Outcome) -> list[str]:
        """Failed checks as clauses, and how many failed before and now."""
        assert self._before is not None
        failed, before = (each.count(Verdict.FAIL) for each in (outcome, self._before))
        lines = [f"Failed checks: {failed} (before: {before}), unsure: {outcome.count(Verdict.UNSURE)}"]
        kinds: dict[str, list[Check]] = failed_by_kind(outcome.checks)
        lines += [f" ✗ {clause(meaning, checks)}" for meaning, checks in kinds.items()]
        return lines

    def _tradeoff_lines(self, search: Search, now: Shortfall, width: int) -> list[str]:
        best = search.at(self.weight).shortfall
        return [
            f"Weight of all seats {number(self.weight, 1)}: best {number(best.reference_deg, 1)}° reference seat, "
            f"{number(best.all_deg, 1)}° all seats",
            *draw_tradeoff(tradeoff_curve(search, self.weight, now), min(width, 44), 8),
        ]

    def action_shift(self, across: int, down: int) -> None:
        """Move the selected object some steps along the plan as shown."""
        place = self.places.get(self.selected, self.movable.get(self.selected))
        if place is None:
            return
        x, y, z = place
        if self.query_one("#places-plan", RoomPlanView).view == "top":
            x, y = x + STEP_M * across, y + STEP_M * down
        else:
            y, z = y + STEP_M * across, max(z - STEP_M * down, 0.0)
        self.places[self.selected] = (round(x, 3), round(y, 3), round(z, 3))
        if self.places[self.selected] == self.movable[self.selected]:
            del self.places[self.selected]
        self.refresh_results()

    def action_select(self, direction: int) -> None:
        labels = list(self.movable)
        if labels:
            now = labels.index(self.selected) + direction if self.selected in labels else 0
            self.selected = labels[now % len(labels)]
            self.refresh_results()

    def action_view(self) -> None:
        self.query_one("#places-plan", RoomPlanView).action_view()

    def action_weigh(self, steps: int) -> None:
        """Change the weight of all seats."""
        self._weight = round(min(max(self.weight + 0.1 * steps, 0.0), 1.0), 1)
        self.refresh_results()
        self.query_one("#places-right").scroll_end(animate=False)

    def action_page(self, direction: int) -> None:
        """Scroll the figures a page up or down."""
        pane = self.query_one("#places-right")
        pane.scroll_relative(y=direction * (pane.size.height - 1), animate=False)

    def action_best(self) -> None:
        """Move to the best positions for this weight."""
        if self._search is None:
            self.notify("Enter on the Layout form where a loudspeaker may be moved: May move from, May move to.")
            return
        best = places_of(self._search.at(self.weight))
        self.places = {label: place for label, place in self.places.items() if label not in self._search.movable}
        self.places |= best
        if not best:
            self.notify("No move is worth it with this weight.")
        self.refresh_results()

    def action_restore(self) -> None:
        """Restore all entered positions."""
        self.places = {}
        self.refresh_results()

    def action_keep(self) -> None:
        """Store the new positions, and the weight if it was changed."""
        job = self.visit.job
        events: list[SystemDefined | Decided] = []
        if self.places:
            events.append(SystemDefined(system=self.moved().system, note=f"moved {', '.join(self.places)}"))
        if self.weight != weight_of(job, self.round_id):
            value = number(self.weight, 1)
            events.append(Decided(round=self.round_id, step="layout", key=WEIGHT_KEY, value=value))
        if events and self.store(*events):
            count, self.places = len(self.places), {}
            self.on_mount()
            self.notify(f"Stored: {counted(count, 'new place')}." if count else "Stored: the weight.")


def _pair(name: str, before: float, now: float) -> str:
    return f" {fit(name, 18)} {number(before, 1):>6}° {number(now, 1):>6}°"
