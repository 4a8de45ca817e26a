"""Shows a curve over frequency; arrow keys move the read-out, z narrows to the bass."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

import numpy as np
from textual import events
from textual.binding import Binding, BindingType

from commission.model import Curve
from commission.ui.widgets.character_view import Painted
from commission.ui.widgets.draw.canvas import Line
from commission.ui.widgets.draw.plot import HINT, LEFT, RIGHT, View, draw_plot

FULL_HZ = (20.0, 20000.0)
BASS_HZ = (20.0, 300.0)


class Plot(Painted):
    """One `Curve`."""

    DEFAULT_CSS = """
    Plot { height: 16; min-height: 7; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "read(-1)", "Read lower", show=False, id="plot.lower"),
        Binding("right", "read(1)", "Read higher", show=False, id="plot.higher"),
        Binding("shift+left", "read(-8)", "Read much lower", show=False, id="plot.much-lower"),
        Binding("shift+right", "read(8)", "Read much higher", show=False, id="plot.much-higher"),
        Binding("z", "zoom", show=False, id="plot.bass"),
        Binding("up", "leave(-1)", show=False, id="plot.up"),
        Binding("down", "leave(1)", show=False, id="plot.down"),
    ]

    def __init__(
        self,
        curve: Curve | None = None,
        *,
        y_limits: tuple[float, float] | None = None,
        hint: str = HINT,
        id: str | None = None,
        classes: str | None = None,
    ) -> None:
        super().__init__(id=id, classes=classes)
        self.curve = curve
        self.view = self._fitting(View(y_limits=y_limits, hint=hint))

    def show(self, curve: Curve | None, y_limits: tuple[float, float] | None = None) -> None:
        """Show another curve with the same frequency range and read-out; `y_limits` fix the scale for comparison."""
        self.curve = curve
        self.view = replace(self._fitting(self.view), y_limits=y_limits)
        self.repaint()

    def begin(self) -> None:
        self.view = self._fitting(View(y_limits=self.view.y_limits, hint=self.view.hint))

    def _fitting(self, view: View) -> View:
        """The view cut to half an octave above the end of a curve that ends in the bass."""
        series = self.curve.series if self.curve is not None else ()
        ends = [float(s.x[-1]) for s in series if s.x.size]
        if (view.low_hz, view.high_hz) == FULL_HZ and ends and max(ends) <= BASS_HZ[1]:
            return replace(view, low_hz=BASS_HZ[0], high_hz=min(max(ends) * 2**0.5, BASS_HZ[1]))
        return view

    def show_band(self, low_hz: float, high_hz: float) -> None:
        self.view = replace(self.view, low_hz=low_hz, high_hz=high_hz)
        self.repaint()

    def paint(self, width: int, height: int) -> list[Line]:
        """The plot, filling the region."""
        return draw_plot(self.curve or Curve(id="", title="", series=()), width, height or 16, self.view)

    def action_zoom(self) -> None:
        """Switch between all frequencies and the bass."""
        low, high = BASS_HZ if self.view.high_hz == FULL_HZ[1] else FULL_HZ
        cursor = self.view.cursor_hz
        kept = cursor if cursor is not None and low <= cursor <= high else None
        self.view = replace(self.view, low_hz=low, high_hz=high, cursor_hz=kept)
        self.repaint()

    def action_read(self, cells: int) -> None:
        """Move the read-out by a number of cells; the first press puts it in the middle."""
        columns = max(self.size.width - LEFT - RIGHT, 2)
        per_cell = (self.view.high_hz / self.view.low_hz) ** (2.0 / (2 * columns - 1))
        middle = float(np.sqrt(self.view.low_hz * self.view.high_hz))
        cursor = middle if self.view.cursor_hz is None else self.view.cursor_hz * per_cell**cells
        self.read_at(cursor)

    def read_at(self, hz: float) -> None:
        """Read the curves at a frequency."""
        self.view = replace(self.view, cursor_hz=min(max(hz, self.view.low_hz), self.view.high_hz))
        self.repaint()

    def action_leave(self, direction: int) -> None:
        self.post_message(self.Edge(self, direction))

    def on_click(self, event: events.Click) -> None:
        columns = max(self.size.width - LEFT - RIGHT, 2)
        share = 2.0 * (event.x - LEFT) / (2 * columns - 1)
        if 0 <= share <= 1:
            self.read_at(self.view.low_hz * (self.view.high_hz / self.view.low_hz) ** share)
