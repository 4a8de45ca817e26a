"""The results of a step: numbers, tables, curves, the main result. Screens and records render these, not steps."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeVar

from commission.model.signal import FloatArray
from commission.model.system import Position
from commission.model.verdict import Check, Verdict, worst

if TYPE_CHECKING:
    from commission.model.budget import Budget

T = TypeVar("T")
Cell = float | str | None
"""The content of a table cell; None: unknown."""
Unit = str
"""Units as printed: "dB", "ms", "m", "°C", "Hz", "°", "dB²", "" for text. Tables in "m" follow the job's units."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A table column; its unit is shown in the heading. `decimals` None: text."""

    key: str
    title: str
    unit: Unit = ""
    decimals: int | None = None
    signed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A table row; cells in the order of the columns. `check` gives the row's verdict, if any."""

    key: str
    cells: tuple[Cell, ...]
    check: Check | None = None
    minor: bool = False
    """A row without a real value: omitted on paper with a note; screens, text and JSON have it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A titled table with an optional remark below it."""

    id: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    remark: str = ""
    verdicts: bool = True
    """Whether rows with checks get a column of verdicts; False if a column of text gives them already."""

    def without(self, *keys: str) -> Table:
        """The table without the columns of those keys, for a view with little room."""
        kept = [i for i, column in enumerate(self.columns) if column.key not in keys]
        rows = tuple(replace(row, cells=tuple(row.cells[i] for i in kept)) for row in self.rows)
        return replace(self, columns=tuple(self.columns[i] for i in kept), rows=rows)


def table_of(
    items: Iterable[T],
    *columns: tuple[Column, Callable[[T], Cell]],
    id: str,
    title: str,
    key: Callable[[T], str],
    check: Callable[[T], Check | None] = lambda item: None,
    minor: Callable[[T], bool] = lambda item: False,
    remark: str = "",
    verdicts: bool = True,
) -> Table:
    """A table with one row for each item. Every column is given with the function that returns its cell."""
    rows = tuple(
        Row(key=key(item), cells=tuple(value(item) for _, value in columns), check=check(item), minor=minor(item))
        for item in items
    )
    shown = tuple(column for column, _ in columns)
    return Table(id=id, title=title, columns=shown, rows=rows, remark=remark, verdicts=verdicts)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Series:
    """One curve; `kind` says how to draw it: the subject, a muted companion, or the edge of a spread."""

    name: str
    x: FloatArray
    y: FloatArray
    kind: Literal["main", "other", "low", "high", "mean"] = "main"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Curve:
    """A plot; x in Hz on a logarithmic axis, y a level or whatever `y_name` says."""

    id: str
    title: str
    series: tuple[Series, ...]
    y_unit: Unit = "dB"
    channel: str | None = None
    seat: str | None = None
    caption: str = ""
    y_name: str = "Level"


@dataclass(frozen=True, slots=True, kw_only=True)
class TradeoffPoint:
    """One compromise between two goals; less is better on both axes."""

    name: str
    x: float
    y: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TradeoffCurve:
    """Two goals against each other: one point for each weight, joined by a line, and the present state."""

    id: str
    title: str
    x_name: str
    y_name: str
    unit: Unit
    points: tuple[TradeoffPoint, ...]
    chosen: int
    """Index of the chosen point."""
    now: TradeoffPoint
    caption: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GridCell:
    """A mark and the worst figure; `detail` has lines for the selected cell."""

    verdict: Verdict | None
    figure: str = ""
    detail: tuple[str, ...] = ()
    curve_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A grid with seats across and channels down. None: nothing was measured there."""

    id: str
    title: str
    seats: tuple[str, ...]
    channels: tuple[str, ...]
    cells: dict[tuple[str, str], GridCell]
    """By (channel, seat)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanItem:
    """An object in the room."""

    label: str
    kind: Literal["seat", "reference", "loudspeaker", "sub", "screen"]
    position_m: Position
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRay:
    """The path of a reflection from a loudspeaker by a surface to the ears."""

    channel: str
    seat: str
    points_m: tuple[Position, Position, Position]
    level_db: float
    """Level relative to the direct sound."""
    text: str
    """The surface with level and delay, as in "ceiling −8 dB after 3.1 ms"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanBox:
    """An obstacle, given by two opposite corners of a box."""

    label: str
    from_m: Position
    to_m: Position


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomPlan:
    """The room to scale with the objects in it."""

    length_m: float
    width_m: float
    height_m: float
    items: tuple[PlanItem, ...]
    boxes: tuple[PlanBox, ...] = ()
    rays: tuple[PlanRay, ...] = ()
    """Reflections, shown for one loudspeaker at one seat at a time."""


Cause = Literal["electronics", "room", "settings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A cause of trouble with its evidence, its alternatives and a test to confirm it."""

    id: str
    cause: Cause
    title: str
    """One clause for the overview, such as "BL and BR swapped"."""
    channels: tuple[str, ...] = ()
    seats: tuple[str, ...] = ()
    confidence: float | None = None
    """Probability between 0 and 1 if it can be given; else None."""
    evidence: tuple[str, ...] = ()
    alternatives: tuple[str, ...] = ()
    confirm: str = ""
    remedy: str = ""
    step: str = ""
    check: str = ""
    """Id of the step's checks that would show it again; it counts as gone only after these checks were made."""
    place: Literal["channel", "seat"] = "channel"
    """What identifies the same fault in another round: its channels, or its seats (a null at one seat)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """The best next action in a step; lower `priority` comes first over all steps (0 to 100)."""

    text: str
    step: str
    priority: int = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A decision of the technician, stored as a `Decided` event of this step under `key`."""

    key: str
    title: str
    options: tuple[tuple[str, str], ...]
    """(value to store, what it means)."""
    current: str | None = None
    how: str = ""
    """How to find out, shown while its row is selected; empty if the title says enough."""
    caution: str = ""
    """A warning shown with it if people or equipment can be harmed."""
    note_values: tuple[str, ...] = ()
    """Values that require a note."""
    other: str = ""
    """The meaning of free text as an answer; empty if free text is not allowed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """All results of a step for one round."""

    step: str
    round: str
    done: int = 0
    total: int = 0
    """Number of parts of the plan that have their readings. done 0: nothing yet; done < total: partly."""
    checks: tuple[Check, ...] = ()
    tables: tuple[Table, ...] = ()
    curves: tuple[Curve, ...] = ()
    tradeoff_curves: tuple[TradeoffCurve, ...] = ()
    grids: tuple[Grid, ...] = ()
    room_plans: tuple[RoomPlan, ...] = ()
    advice: tuple[Advice, ...] = ()
    choices: tuple[Choice, ...] = ()
    main_result: str = ""
    """The main result, one clause for the overview; empty where there is none."""
    remarks: tuple[str, ...] = ()
    """Notes for the reader: what was left out and why, the basis of a choice."""
    budgets: tuple[Budget, ...] = ()
    """Uncertainty budgets of this step. One without channel or seat applies to all of its kind."""

    def budget_of(self, check: Check) -> Budget | None:
        """The uncertainty budget of a check: among those of its id, the best fit to its channel and seat."""
        fitting = [
            each
            for each in self.budgets
            if each.id == check.id and each.channel in (None, check.channel) and each.seat in (None, check.seat)
        ]
        return max(fitting, key=lambda each: (each.seat is not None, each.channel is not None), default=None)

    @property
    def state(self) -> Literal["nothing", "part", "done"]:
        """The progress: "nothing" without readings, "part" while incomplete, else "done"."""
        if self.done == 0:
            return "nothing"
        return "done" if self.done >= self.total else "part"

    @property
    def verdict(self) -> Verdict | None:
        """The worst verdict; None if nothing was checked."""
        return worst([check.verdict for check in self.checks])

    def count(self, verdict: Verdict) -> int:
        """How many checks have this verdict."""
        return sum(check.verdict is verdict for check in self.checks)
