"""Shows an `Outcome`: tables and grids on one side, curves and plans on the other, with a common selection."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from commission.model import Check, Curve, Outcome, Row
from commission.model.formatting import verdict_word
from commission.model.units import clean_text
from commission.ui.widgets.character_view import Painted
from commission.ui.widgets.plot import Plot
from commission.ui.widgets.result_table import ResultTable
from commission.ui.widgets.room_plan import RoomPlanView
from commission.ui.widgets.seat_grid import SeatGrid


class Results:
    """Mounts the views of an outcome into two panes (which may be one) and keeps them up to date in place."""

    def __init__(self, units: Literal["metric", "imperial"], panes: tuple[Widget, Widget]) -> None:
        self._units: Literal["metric", "imperial"] = units
        self._panes = panes
        self._keys: tuple[str, ...] = ()
        self._outcome: Outcome | None = None
        self._remarks = Static("", classes="remark")
        self._begins = False
        self.views: list[Painted] = []
        self.right: list[Painted] = []

    def begin(self, *, known: bool) -> None:
        """Show the next outcome as if its views were new; show none now unless it is `known`."""
        self._begins = True
        if not known:
            self._clear()

    def show(self, outcome: Outcome) -> bool:
        """Show an outcome; True if the views are new or reset, not only their contents. `remark` shows the rest."""
        keys = (
            *(f"grid {grid.id}" for grid in outcome.grids),
            *(f"table {table.id}" for table in outcome.tables),
            *(f"plan {index}" for index, _ in enumerate(outcome.room_plans)),
            *(("curves",) if outcome.curves else ()),
        )
        fresh = keys != self._keys or not self._remarks.is_attached
        if fresh:
            self._build(keys, outcome)
        else:
            self._fill(outcome)
            if self._begins:
                for view in self.views:
                    view.begin()
        self._outcome = outcome
        fresh, self._begins = fresh or self._begins, False
        return fresh

    def remark(self, lines: Sequence[str]) -> None:
        """Show lines below everything else: the outcome's own, and the step's attachments."""
        own = self._outcome.remarks if self._outcome is not None else ()
        self._remarks.update(Content("\n".join(clean_text(line) for line in (*own, *lines))))

    def _clear(self) -> None:
        for view in (*self.views, self._remarks):
            if view.is_attached:
                view.remove()
        self._outcome, self._keys, self.views, self.right = None, (), [], []
        self._remarks = Static("", classes="remark")

    def _build(self, keys: tuple[str, ...], outcome: Outcome) -> None:
        self._clear()
        self._keys = keys
        left: list[Painted] = [SeatGrid(grid) for grid in outcome.grids]
        left += [ResultTable(table, self._units) for table in outcome.tables]
        self.right = [RoomPlanView(plan, None, self._units) for plan in outcome.room_plans]
        if outcome.curves:
            self.right.append(Plot(outcome.curves[0]))
        self.views = left + self.right
        if self._panes[0] is self._panes[1]:
            self._panes[0].mount(*self.views, self._remarks)
            return
        self._panes[0].mount(*left, self._remarks)
        self._panes[1].mount(*self.right)
        if len(self.right) == 1 and isinstance(self.right[0], Plot):
            self.right[0].styles.height = "1fr"

    def _fill(self, outcome: Outcome) -> None:
        grids, tables, plans = iter(outcome.grids), iter(outcome.tables), iter(outcome.room_plans)
        for view in self.views:
            if isinstance(view, SeatGrid):
                view.show(next(grids))
            elif isinstance(view, ResultTable):
                view.show(next(tables))
            elif isinstance(view, RoomPlanView):
                view.show(next(plans))
            elif isinstance(view, Plot):
                known = view.curve.id if view.curve is not None and not self._begins else ""
                view.show(next((curve for curve in outcome.curves if curve.id == known), outcome.curves[0]))

    @property
    def place(self) -> tuple[str, str] | None:
        """Channel and seat of the selected cell of the first grid."""
        grid = next((view for view in self.views if isinstance(view, SeatGrid)), None)
        return grid.place if grid is not None else None

    def select(self, channel: str | None, seat: str | None) -> None:
        """Select a channel and a seat in rows, curve and plan."""
        for table in (view for view in self.views if isinstance(view, ResultTable) and not view.has_focus):
            for key in (channel, seat):
                if key is not None:
                    table.mark(key)
        for grid in (view for view in self.views if isinstance(view, SeatGrid) and not view.has_focus):
            grid.mark(channel, seat)
        self._point(channel or seat)
        if self._outcome is not None:
            self._plot(_best(self._outcome.curves, channel, seat))

    def follow(self, row: Row) -> None:
        """Show the curve and plan of a row of a table."""
        self._point(row.key)
        if self._outcome is not None:
            known = curve_for(self._outcome, row.key, row)
            self._plot(next((curve for curve in self._outcome.curves if curve.id == known), None))

    def select_row(self, key: str) -> Row | None:
        """Select the row of that key in every table; returns the first of them."""
        found: Row | None = None
        for table in (view for view in self.views if isinstance(view, ResultTable)):
            row = table.mark(key)
            found = found or row
        return found

    def _point(self, label: str | None) -> None:
        for plan in (view for view in self.views if isinstance(view, RoomPlanView)):
            if plan.plan is not None and any(item.label == label for item in plan.plan.items):
                plan.select(label)

    def _plot(self, curve: Curve | None) -> None:
        if curve is not None:
            for plot in (view for view in self.views if isinstance(view, Plot)):
                plot.show(curve)


def _best(curves: tuple[Curve, ...], channel: str | None, seat: str | None) -> Curve | None:
    """The curve of a channel and seat, else that of the channel alone."""
    exact = [curve for curve in curves if curve.channel == channel and curve.seat == seat]
    near = [curve for curve in curves if curve.channel == channel and curve.channel is not None]
    return next(iter(exact or near), None)


def curve_for(outcome: Outcome, key: str, row: Row) -> str | None:
    """Id of the curve of a row: by its id, by the check of the row, or by its channel."""
    by_id = next((curve.id for curve in outcome.curves if curve.id == key), None)
    if by_id is not None:
        return by_id
    channel = row.check.channel if row.check is not None else None
    seat = row.check.seat if row.check is not None else None
    first = row.cells[0] if row.cells and isinstance(row.cells[0], str) else None
    curve = _best(outcome.curves, channel, seat) or _best(outcome.curves, first, None)
    return curve.id if curve is not None else None


def check_for(outcome: Outcome, channel: str | None, seat: str | None) -> Check | None:
    """The worst check of a channel at a seat; of the channel alone if none names the seat."""
    own = [check for check in outcome.checks if check.channel == channel]
    exact = [check for check in own if check.seat == seat]
    found = exact or [check for check in own if check.seat is None]
    return max(found, key=lambda check: check.verdict.severity, default=None)


def state_words(outcome: Outcome | None) -> str:
    """The progress of a step and its worst verdict, for the first line."""
    if outcome is None:
        return " · …"
    done = f" · {outcome.done} of {outcome.total}" if outcome.total else ""
    verdict = outcome.verdict
    return done + (f" · {verdict_word(verdict)}" if verdict is not None else "")
