"""One curve, large; [ and ] walk along the seats, up and down the channels."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Footer, Static

from commission.model import Curve
from commission.model.units import clean_text
from commission.ui.screens.base import VisitScreen
from commission.ui.widgets.plot import Plot

HELP = """
The bold line is this seat; the dotted ground is the spread of all seats on this channel, the thin line their mean.

- **[** and **]** walk along the seats, **{** and **}** along the channels: flick through the whole room.
- **←** and **→** read the curves at a frequency; **z** narrows to the bass.

A dip that this seat alone has is the seat's place in the room. A dip that all seats share is the loudspeaker.
"""


class CurveScreen(VisitScreen):
    """A curve of a step's outcome."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left_square_bracket", "seat(-1)", "Seat", key_display="[ ]", id="curve.seat-before"),
        Binding("right_square_bracket", "seat(1)", show=False, id="curve.seat-after"),
        Binding("left_curly_bracket", "channel(-1)", "Channel", key_display="{ }", id="curve.channel-before"),
        Binding("right_curly_bracket", "channel(1)", show=False, id="curve.channel-after"),
    ]
    HELP_TITLE, HELP_TEXT = "Curves", HELP

    def __init__(self, step_id: str, curve_id: str) -> None:
        super().__init__()
        self.step_id, self.curve_id = step_id, curve_id

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        yield Plot(id="big")
        yield Static("", id="judgement")
        yield Footer(show_command_palette=False)

    def on_mount(self) -> None:
        """The plot has the keys."""
        self.query_one("#big").focus()
        self.refresh_results()

    @property
    def curves(self) -> tuple[Curve, ...]:
        """All curves of the step."""
        outcome = self.commission.outcomes.get(self.step_id)
        return outcome.curves if outcome is not None else ()

    def refresh_results(self) -> None:
        """Draw the curve at one scale for all, so that flicking compares."""
        curve = next((c for c in self.curves if c.id == self.curve_id), None)
        if curve is None:
            self.show_head("Curve")
            self.query_one("#big", Plot).show(None)
            return
        self.show_head(clean_text(curve.title))
        self.query_one("#big", Plot).show(curve, _limits(self.curves))
        self.query_one("#judgement", Static).update(Content(clean_text(self._figures(curve))))

    def _figures(self, curve: Curve) -> str:
        outcome = self.commission.outcomes.get(self.step_id)
        for grid in outcome.grids if outcome is not None else ():
            cell = grid.cells.get((curve.channel or "", curve.seat or ""))
            if cell is not None:
                return " · ".join(cell.detail)
        return curve.caption

    def action_seat(self, by: int) -> None:
        """The next seat of the same channel."""
        self._walk(by, lambda now, other: now.channel == other.channel)

    def action_channel(self, by: int) -> None:
        """The next channel at the same seat."""
        self._walk(by, lambda now, other: now.seat == other.seat)

    def _walk(self, by: int, same: object) -> None:
        now = next((c for c in self.curves if c.id == self.curve_id), None)
        if now is not None:
            row = [c.id for c in self.curves if same(now, c)]  # type: ignore[operator]
            self.curve_id = row[(row.index(self.curve_id) + by) % len(row)]
            self.refresh_results()


def _limits(curves: tuple[Curve, ...]) -> tuple[float, float] | None:
    """40 dB below and a little above the loudest main curve of all, in fives."""
    tops = [float(np.nanmax(s.y)) for c in curves for s in c.series if s.kind == "main" and np.isfinite(s.y).any()]
    if not tops:
        return None
    high = 5.0 * np.ceil((max(tops) + 1) / 5)
    return (high - 50.0, high) if max(tops) - min(tops) < 40 or max(tops) > 30 else (0.0, high)
