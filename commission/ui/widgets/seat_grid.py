"""Shows a grid of seats by channels; arrows move the cursor, Enter opens the curve of the cell."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message

from commission.model import Grid, GridCell
from commission.ui.widgets.character_view import Painted
from commission.ui.widgets.draw.canvas import Line
from commission.ui.widgets.draw.grid import Window, cell_width, draw_grid, name_width, window


class SeatGrid(Painted):
    """One `Grid`; all channels if its height is auto, else the part around the cursor."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1, 0)", show=False, id="grid.up"),
        Binding("down", "move(1, 0)", show=False, id="grid.down"),
        Binding("left", "move(0, -1)", show=False, id="grid.left"),
        Binding("right", "move(0, 1)", show=False, id="grid.right"),
        Binding("home", "move(0, -99)", show=False, id="grid.first"),
        Binding("end", "move(0, 99)", show=False, id="grid.last"),
        Binding("enter", "open", show=False, id="grid.open"),
    ]

    class Selected(Message):
        """Another cell was selected."""

        def __init__(self, view: SeatGrid, channel: str, seat: str, cell: GridCell | None) -> None:
            self.view, self.channel, self.seat, self.cell = view, channel, seat, cell
            super().__init__()

    class Opened(Selected):
        """Enter was pressed on a cell."""

    def __init__(self, grid: Grid, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self.grid = grid
        self.begin()

    def begin(self) -> None:
        self.cursor = (0, 0)
        self._window: Window | None = None

    def show(self, grid: Grid) -> None:
        """Show new results; the selected cell stays selected if it still exists."""
        place = self.place
        self.grid = grid
        self.cursor = (0, 0)
        if place is not None and place[0] in grid.channels and place[1] in grid.seats:
            self.cursor = (grid.channels.index(place[0]), grid.seats.index(place[1]))
        self.repaint(layout=True)

    @property
    def place(self) -> tuple[str, str] | None:
        """Channel and seat of the selected cell."""
        if not self.grid.channels or not self.grid.seats:
            return None
        return self.grid.channels[self.cursor[0]], self.grid.seats[self.cursor[1]]

    def mark(self, channel: str | None, seat: str | None) -> None:
        """Select a cell without a message; None keeps its row or column."""
        row, column = self.cursor
        if channel in self.grid.channels:
            row = self.grid.channels.index(channel or "")
        if seat in self.grid.seats:
            column = self.grid.seats.index(seat or "")
        if (row, column) != self.cursor:
            self.cursor = (row, column)
            self.repaint()

    def select(self, channel: str, seat: str) -> None:
        if channel in self.grid.channels and seat in self.grid.seats:
            self.cursor = (self.grid.channels.index(channel), self.grid.seats.index(seat))
            self._moved()

    def paint(self, width: int, height: int) -> list[Line]:
        """The part around the cursor."""
        tall = 0 if self.styles.height is not None and self.styles.height.is_auto else height
        self._window = window(self.grid, self.cursor, width, tall, self._window)
        return draw_grid(self.grid, self.cursor, self._window, width, self.has_focus)

    def action_move(self, down: int, across: int) -> None:
        """Select another cell; beyond top and bottom another view."""
        row, column = self.cursor[0] + down, self.cursor[1] + across
        if down and not 0 <= row < len(self.grid.channels):
            self.post_message(self.Edge(self, down))
            return
        self.cursor = (row, min(max(column, 0), max(len(self.grid.seats) - 1, 0)))
        self._moved()

    def action_open(self) -> None:
        self._tell(self.Opened)

    def on_focus(self) -> None:
        self._moved()

    def on_blur(self) -> None:
        self.repaint()

    def on_click(self, event: events.Click) -> None:
        if self._window is None:
            return
        row = event.y - 2 + self._window.channel
        column = (event.x - name_width(self.grid)) // cell_width(self.grid, self.size.width) + self._window.seat
        if event.y >= 2 and 0 <= row < len(self.grid.channels) and 0 <= column < len(self.grid.seats):
            self.cursor = (row, column)
            self._moved()

    def _moved(self) -> None:
        self.repaint()
        top = self._window.channel if self._window else 0
        line = 2 + self.cursor[0] - top
        first = 0 if self.cursor[0] == top else line
        self.row_in_view(first, line - first + 1)
        self._tell(self.Selected)

    def _tell(self, message: type[SeatGrid.Selected]) -> None:
        if self.place is not None:
            self.post_message(message(self, *self.place, self.grid.cells.get(self.place)))
