"""One curve in large, with the spread of all seats; brackets move along the row, up and down through the channels."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from commission.model import Analysis, Curve, Outcome
from commission.model.formatting import number
from commission.model.units import clean_text
from commission.steps import step
from commission.steps.seats.result import level_offset_db
from commission.ui.label_styles import content
from commission.ui.screens.base import VisitScreen
from commission.ui.screens.results import check_for
from commission.ui.widgets.character_view import Painted
from commission.ui.widgets.draw.figures import check_runs
from commission.ui.widgets.draw.plot import View, y_span
from commission.ui.widgets.key_line import KeyLine
from commission.ui.widgets.plot import Plot

HELP = """
One response against the spread of all seats: the dotted area reaches from the lowest to the highest seat, the thin line
is their mean. A dip at this seat alone comes from its position in the room; a dip that all seats share comes from the
loudspeaker.

- **[** and **]** go along the row: the same loudspeaker at the next seat.
- **Up** and **down** (also **{** and **}**) go through the loudspeakers at the same seat.
- **Left** and **right** read the curves at a frequency, with Shift faster. **z** shows the bass alone.

The vertical scale stays the same for all curves, so that levels can be compared while you flick through them.
"""


class CurveScreen(VisitScreen):
    """The curves of one step, one at a time. `left(channel, seat)` gets the one shown last."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left_square_bracket", "walk(0, -1)", "Seat before", key_display="[", id="curve.seat-before"),
        Binding("right_square_bracket", "walk(0, 1)", "Seat after", key_display="]", id="curve.seat-after"),
        Binding("left_curly_bracket", "walk(-1, 0)", show=False, id="curve.channel-before"),
        Binding("right_curly_bracket", "walk(1, 0)", show=False, id="curve.channel-after"),
        Binding("enter", "back", show=False, id="curve.back"),
    ]
    HELP_TITLE, HELP_TEXT = "Curves", HELP

    def __init__(self, step_id: str, curve_id: str, left: Callable[[str, str], None] | None = None) -> None:
        super().__init__()
        self.step_id, self.curve_id = step_id, curve_id
        self._left = left
        self._limits: tuple[float, float] | None = None
        self._limits_of: Outcome | None = None

    def compose(self) -> ComposeResult:
        yield Static("", classes="headline")
        yield Plot(id="big")
        yield Static("", id="figures")
        yield Static("", id="judgement")
        yield KeyLine()

    def on_mount(self) -> None:
        self.query_one(Plot).focus()
        self.refresh_changed()

    @property
    def outcome(self) -> Outcome | None:
        return self.commission.outcomes.get(self.step_id)

    @property
    def curve(self) -> Curve | None:
        curves = self.outcome.curves if self.outcome is not None else ()
        return next((curve for curve in curves if curve.id == self.curve_id), None)

    def refresh_results(self) -> None:
        outcome, curve = self.outcome, self.curve
        self.show_head(step(self.step_id).title)
        if outcome is None or curve is None:
            self.query_one(Plot).show(None)
            return
        self.query_one(Plot).show(curve, self._common_limits(outcome, curve))
        self.query_one("#figures", Static).update(Content(clean_text(self._figures(curve))))
        check = check_for(outcome, curve.channel, curve.seat)
        if check is not None:
            self.query_one("#judgement", Static).update(content(check_runs(check, self.visit.job.system.units)))

    def _common_limits(self, outcome: Outcome, curve: Curve) -> tuple[float, float] | None:
        """One scale for all curves of a unit, so that levels can be compared."""
        if self._limits_of is not outcome:
            alike = [other for other in outcome.curves if other.y_unit == curve.y_unit]
            everything = tuple(series for other in alike for series in other.series)
            self._limits = y_span(Curve(id="", title="", series=everything, y_unit=curve.y_unit), View())
            self._limits_of = outcome
        return self._limits

    def _figures(self, curve: Curve) -> str:
        if curve.channel is None or curve.seat is None:
            return curve.caption
        analysis = self.visit.analyses.of(self.round_id, curve.channel, curve.seat)
        return (
            curve.caption
            if analysis is None
            else " · ".join(figure_texts(analysis, level_offset_db(self.visit.job, analysis.reference)))
        )

    def action_walk(self, down: int, across: int) -> None:
        """Show another seat of the same channel, or another channel at the same seat; places without a curve are
        skipped.
        """
        outcome, curve = self.outcome, self.curve
        if outcome is None or curve is None:
            return
        grid = next((g for g in outcome.grids if curve.channel in g.channels and curve.seat in g.seats), None)
        if grid is None or curve.channel is None or curve.seat is None:
            ids = [other.id for other in outcome.curves]
            self.curve_id = ids[(ids.index(curve.id) + down + across) % len(ids)]
            self.refresh_results()
            return
        row, column = grid.channels.index(curve.channel), grid.seats.index(curve.seat)
        known = {other.id for other in outcome.curves}
        for _ in range(max(len(grid.channels), len(grid.seats))):
            row, column = (row + down) % len(grid.channels), (column + across) % len(grid.seats)
            cell = grid.cells.get((grid.channels[row], grid.seats[column]))
            if cell is not None and cell.curve_id in known:
                self.curve_id = cell.curve_id or self.curve_id
                break
        self.refresh_results()

    @on(Painted.Edge)
    def edge(self, event: Painted.Edge) -> None:
        """Move through the channels with up and down in the plot."""
        event.stop()
        self.action_walk(event.direction, 0)

    def action_back(self) -> None:
        """Leave, and report the place shown."""
        curve = self.curve
        if self.commission.stop_job():
            return
        self.app.pop_screen()
        if self._left is not None and curve is not None and curve.channel and curve.seat:
            self._left(curve.channel, curve.seat)


def figure_texts(analysis: Analysis, offset_db: float | None = None) -> list[str]:
    """Level, arrival, own sign, signal-to-noise ratio and bandwidth with units, or why they are not determined.

    `offset_db` turns the level into a sound pressure level; without it the level is relative.
    """

    def figure(name: str, key: str, text: str | None) -> str:
        return f"{name} {text}" if text is not None else f"{name} – ({analysis.why.get(key, 'unknown')})"

    level = None
    if analysis.level_db is not None:
        unit = "dB rel." if offset_db is None else "dB SPL"
        level = f"{number(analysis.level_db + (offset_db or 0.0), 1)} {unit}"
    arrival = None if analysis.arrival_s is None else f"{number(1000 * analysis.arrival_s, 2)} ms"
    if arrival is not None and analysis.arrival_u_s > 0:
        arrival += f" (U = {number(2000 * analysis.arrival_u_s, 2)} ms)"
    sign = None if analysis.polarity is None else ("+" if analysis.polarity > 0 else "−")
    low = "below 20" if analysis.low_hz is None else f"{analysis.low_hz:.0f}"
    high = "above 20 000" if analysis.high_hz is None else f"{analysis.high_hz:.0f}"
    texts = [
        figure("level", "level", level),
        figure("arrival", "arrival", arrival),
        figure("own polarity", "polarity", sign),
        figure(
            "signal-to-noise ratio", "snr", None if analysis.snr_db is None else f"{number(analysis.snr_db, 0)} dB"
        ),
        f"−10 dB at {low} and {high} Hz",
    ]
    return [*texts, "the recording clipped"] if analysis.clipped else texts
