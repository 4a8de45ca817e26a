"""Shows a table of results with the verdict of the selected row."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from commission.model import Row, Table
from commission.ui.widgets.character_view import Painted
from commission.ui.widgets.draw.canvas import Line
from commission.ui.widgets.draw.table import TableLayout


class ResultTable(Painted):
    """One `Table`."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", show=False, id="table.up"),
        Binding("down", "move(1)", show=False, id="table.down"),
        Binding("left", "columns(-1)", show=False, id="table.left"),
        Binding("right", "columns(1)", show=False, id="table.right"),
        Binding("enter", "open", show=False, id="table.open"),
    ]

    class Selected(Message):
        """Another row was selected."""

        def __init__(self, view: ResultTable, row: Row) -> None:
            self.view, self.row = view, row
            super().__init__()

    class Opened(Selected):
        """Enter was pressed on a row."""

    def __init__(
        self, table: Table, units: str = "metric", *, id: str | None = None, classes: str | None = None
    ) -> None:
        super().__init__(id=id, classes=classes)
        self.table = table
        self.units = units
        self._table_layout: TableLayout | None = None
        self._laid_out_for: tuple[object, ...] = ()
        self.begin()

    def begin(self) -> None:
        self.cursor, self._first_column = 0, 1

    def show(self, table: Table) -> None:
        """Show new results of the same kind; the selected row stays selected."""
        key = self.row.key if self.row is not None else None
        self.table = table
        self.cursor = next((i for i, row in enumerate(table.rows) if row.key == key), 0)
        self.repaint(layout=True)

    @property
    def row(self) -> Row | None:
        return self.table.rows[self.cursor] if 0 <= self.cursor < len(self.table.rows) else None

    def mark(self, key: str) -> Row | None:
        """Select the row of that key without a message; returns the row, or None."""
        for index, row in enumerate(self.table.rows):
            if row.key == key:
                if index != self.cursor:
                    self.cursor = index
                    self.repaint()
                return row
        return None

    def paint(self, width: int, height: int) -> Sequence[Line]:
        """The table; the mark of the selected row stays, its background shows the focus."""
        return self._draw(width).lines(self.cursor, self.has_focus)

    def _draw(self, width: int) -> TableLayout:
        """The table drawn for that width, cached: another selection changes only two lines."""
        wanted = (width, self.units, self._first_column)
        if self._table_layout is None or self._table_layout.table is not self.table or self._laid_out_for != wanted:
            self._table_layout, self._laid_out_for = (
                TableLayout(self.table, width, self.units, self._first_column),
                wanted,
            )
        return self._table_layout

    def action_move(self, direction: int) -> None:
        """Select another row; beyond the ends another view."""
        target = self.cursor + direction
        if not 0 <= target < len(self.table.rows):
            self.post_message(self.Edge(self, direction))
            return
        self.cursor = target
        self._moved()

    def action_columns(self, direction: int) -> None:
        """Show other columns, if not all fit."""
        laid = self._draw(self.size.width).layout
        last = 1 if laid.width <= self.size.width else max(len(laid.columns) - 1, 1)
        self._first_column = min(max(self._first_column + direction, 1), last)
        self.repaint()

    def action_open(self) -> None:
        if self.row is not None:
            self.post_message(self.Opened(self, self.row))

    def on_focus(self) -> None:
        self._moved()

    def on_blur(self) -> None:
        self.repaint()

    def on_click(self, event: events.Click) -> None:
        target = event.y - self._draw(self.size.width).first_row
        if 0 <= target < len(self.table.rows):
            self.cursor = target
            self._moved()

    def _moved(self) -> None:
        self.repaint()
        if self.size:  # a table for no width would be laid out for nothing
            line = self._draw(self.size.width).first_row + self.cursor
            first = 0 if self.cursor == 0 else line  # the heading scrolls into view with the first row
            self.row_in_view(first, line - first + 1)
        if self.row is not None:
            self.post_message(self.Selected(self, self.row))
