"""Draws the room to scale in characters: seats, loudspeakers, and lines of the selected one in braille."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from rich.cells import cell_len

from commission.model import PlanItem, PlanRay, Position, RoomPlan
from commission.model.formatting import verdict_word
from commission.model.units import FOOT_M, clean_text, format_length
from commission.ui.widgets.draw import braille
from commission.ui.widgets.draw.canvas import Canvas, Line, fit, wrap
from commission.ui.widgets.draw.figures import STYLES

ViewName = Literal["top", "side"]
LEAST_COLUMNS, LEAST_ROWS = 18, 6
TALLEST_ROWS = 24
TOLERANCE_M = 0.02
"""Objects up to this far beyond a wall count as at the wall."""
REACH = ((0, 0), (0, -1), (0, 1), (0, -2), (0, 2), (0, -3), (0, 3))
"""Rows tried for a label whose place is occupied, nearest first."""


@dataclass(frozen=True, slots=True)
class _Frame:
    """Converts metres to cells: inner corner at (1, 1), `columns` x `rows` cells inside the walls."""

    across_m: float
    down_m: float
    columns: int
    rows: int
    view: ViewName
    plan: RoomPlan

    def dots(self, item: PlanItem) -> tuple[float, float]:
        """Position in dots from the inner corner, kept inside the walls."""
        return self.dots_at(item.position_m)

    def dots_at(self, place: Position) -> tuple[float, float]:
        """Position of any point in dots."""
        across, down = self.flat(place)
        x = min(max(across / self.across_m, 0.0), 1.0) * (2 * self.columns - 1)
        y = min(max(down / self.down_m, 0.0), 1.0) * (4 * self.rows - 1)
        return x, y

    def metres(self, item: PlanItem) -> tuple[float, float]:
        """Position of an object [m] from the left and from the top of the drawing."""
        return self.flat(item.position_m)

    def flat(self, place: Position) -> tuple[float, float]:
        """A position [m] from the left and from the top of the drawing."""
        x, y, z = place
        return (x + self.plan.width_m / 2, y) if self.view == "top" else (y, self.plan.height_m - z)


def frame(plan: RoomPlan, width: int, height: int, view: ViewName) -> _Frame | None:
    """The largest drawing to scale that fits, a cell being twice as tall as wide; None if there is no room."""
    across = plan.width_m if view == "top" else plan.length_m
    down = plan.length_m if view == "top" else plan.height_m
    limit = min((height or TALLEST_ROWS) - 2, TALLEST_ROWS)
    if not (math.isfinite(across) and math.isfinite(down) and across > 0 and down > 0) or limit < 1:
        return None
    scale = min((width - 2) / across, 2.0 * limit / down)  # columns per metre
    columns, rows = round(scale * across), round(scale * down / 2.0)
    if columns < LEAST_COLUMNS or rows < min(LEAST_ROWS, limit) or columns > 40 * rows:
        return None
    return _Frame(across, down, columns, rows, view, plan)


def outside(plan: RoomPlan) -> tuple[PlanItem, ...]:
    """Objects beyond a wall, the floor or the ceiling."""

    def beyond(item: PlanItem) -> bool:
        x, y, z = item.position_m
        margins = (plan.width_m / 2 - abs(x), y, plan.length_m - y, z, plan.height_m - z)
        return min(margins) < -TOLERANCE_M

    return tuple(item for item in plan.items if beyond(item))


def draw_plan(
    plan: RoomPlan | None,
    selected: str | None,
    width: int,
    height: int = 0,
    view: ViewName = "top",
    units: Literal["metric", "imperial"] = "metric",
    keys: str = "← → select",
    pair: tuple[str, str] | None = None,
) -> list[Line]:
    """The drawing, with the selected object and those outside the room below it, and the reflections of `pair`."""
    if plan is None:
        return _message("No plan: give the room's length, width and height on the Site form.", width)
    rays = [ray for ray in plan.rays if (ray.channel, ray.seat) == pair]
    below = [*_below(plan, selected, width, view, units, keys), *_ray_lines(rays, pair, width)]
    at = frame(plan, width, height - len(below) if height else 0, view)
    if at is None:
        return [*_message("Too little room for the plan: widen the window.", width), *below]
    sheet = Canvas(at.columns + 2, at.rows + 2)
    _walls(sheet, at, units)
    chosen = next((item for item in plan.items if item.label == selected), None)
    _boxes(sheet, at)
    if rays:
        _reflections(sheet, at, rays)
    elif chosen is not None:
        _rays(sheet, at, chosen)
    moved = _labels(sheet, at, chosen)
    margin = " " * max((width - sheet.width) // 2, 0)
    lines: list[Line] = [((margin, ""), *line) for line in sheet.lines()]
    if moved:
        lines.append(((fit(f"  Moved aside to be legible: {', '.join(moved)}", width), "dim"),))
    return lines + below


def _message(text: str, width: int) -> list[Line]:
    return [((line, "dim"),) for line in wrap(text, max(width, 10))]


def _walls(sheet: Canvas, at: _Frame, units: Literal["metric", "imperial"]) -> None:
    right, bottom = at.columns + 1, at.rows + 1
    sheet.put(0, 0, "┌" + "─" * at.columns + "┐", "dim")
    sheet.put(0, bottom, "└" + "─" * at.columns + "┘", "dim")
    for row in range(1, bottom):
        sheet.put(0, row, "│", "dim")
        sheet.put(right, row, "│", "dim")
    if at.view == "top":
        half = at.columns // 3
        sheet.put(1 + at.columns // 2 - half, 0, "━" * (2 * half), "dim")
        if at.columns > 20:
            sheet.put(1 + (at.columns - 8) // 2, 0, " screen ", "dim")
    else:
        for row in range(1 + at.rows // 5, 1 + at.rows - at.rows // 5):
            sheet.put(0, row, "┃", "dim")
    length_m, text = (1.0, "1 m") if units == "metric" else (3 * FOOT_M, "3 ft")
    length = round(length_m * at.columns / at.across_m)
    scale = "├" + "─" * max(length - 2, 0) + f"┤ {text}"
    if 2 <= length and len(scale) + 2 < at.columns:
        sheet.put(right - len(scale) - 1, bottom, scale, "dim")


def _boxes(sheet: Canvas, at: _Frame) -> None:
    """Obstacles, as shaded cells."""
    for box in at.plan.boxes:
        (x, y), (other_x, other_y) = at.dots_at(box.from_m), at.dots_at(box.to_m)
        columns = sorted((int(x // 2), int(other_x // 2)))
        for row in range(int(min(y, other_y) // 4), int(max(y, other_y) // 4) + 1):
            sheet.put(1 + columns[0], 1 + row, "▒" * (columns[1] - columns[0] + 1), "dim")


def _reflections(sheet: Canvas, at: _Frame, rays: list[PlanRay]) -> None:
    """The direct path of the pair, dotted, and its reflections from the surfaces."""
    start, _, end = rays[0].points_m
    dots = braille.segment(at.dots_at(start), at.dots_at(end), at.rows, at.columns, gap=2)
    for ray in rays:
        for one, other in pairwise(ray.points_m):
            dots |= braille.segment(at.dots_at(one), at.dots_at(other), at.rows, at.columns)
    _put_dots(sheet, dots)


def _ray_lines(rays: list[PlanRay], pair: tuple[str, str] | None, width: int) -> list[Line]:
    if not rays or pair is None:
        return []
    text = f"{pair[0]} to {pair[1]}: {'; '.join(ray.text for ray in rays)}"
    return [((line, "mark"),) for line in wrap(text, max(width, 10))]


def _rays(sheet: Canvas, at: _Frame, chosen: PlanItem) -> None:
    """Lines from a loudspeaker to every seat, or from a seat to every loudspeaker."""
    seats = ("seat", "reference")
    ends = [
        item for item in at.plan.items if (item.kind in seats) != (chosen.kind in seats) and item.kind != "screen"
    ]
    dots = np.zeros((4 * at.rows, 2 * at.columns), dtype=bool)
    for item in ends:
        dots |= braille.segment(at.dots(chosen), at.dots(item), at.rows, at.columns, gap=2)
    _put_dots(sheet, dots)


def _put_dots(sheet: Canvas, dots: NDArray[np.bool_]) -> None:
    codes = braille.codes(dots)
    for row, column in np.argwhere(codes > 0):
        sheet.put(1 + int(column), 1 + int(row), braille.char(int(codes[row, column])), "accent")


def _labels(sheet: Canvas, at: _Frame, chosen: PlanItem | None) -> list[str]:
    """Write every label at its object, or as near as there is room; returns those moved by a row or more."""
    taken = np.zeros((at.rows, at.columns), dtype=bool)
    strangers = {item.label for item in outside(at.plan)}
    first = {"reference": 1, "seat": 1, "loudspeaker": 2, "sub": 3, "screen": 4}
    items = sorted(at.plan.items, key=lambda item: 0 if item is chosen else first[item.kind])
    moved: list[str] = []
    for item in items:
        label = clean_text(item.label)[:8]
        text = f"!{label}" if item.label in strangers else label
        text = f"[{text}]" if item is chosen else text
        size = cell_len(text)
        x, y = at.dots(item)
        column, row = int(x // 2) - (size - 1) // 2, int(y // 4)
        place = _free(taken, row, column, size)
        if place is None:
            moved.append(f"{label} (no position)")
            continue
        if abs(place[0] - row) > 1:
            moved.append(label)
        taken[place[0], max(place[1] - 1, 0) : place[1] + size + 1] = True
        style = "accent selected" if item is chosen else "mark" if item.kind in ("seat", "reference") else ""
        if item is not chosen and item.verdict is not None and item.verdict.severity >= 2:
            style = STYLES[item.verdict]
        sheet.put(1 + place[1], 1 + place[0], text, style)
    return moved


def _free(taken: NDArray[np.bool_], row: int, column: int, size: int) -> tuple[int, int] | None:
    """The nearest free place for a label of `size` cells: slightly aside, then a row up or down."""
    rows, columns = taken.shape
    if size > columns:
        return None
    aside = [0, *(side * step for step in range(1, size + 1) for side in (1, -1))]
    for _, down in REACH:
        for shift in aside:
            at_row = min(max(row + down, 0), rows - 1)
            at_column = min(max(column + shift, 0), columns - size)
            if not taken[at_row, at_column : at_column + size].any():
                return at_row, at_column
    return None


def _below(
    plan: RoomPlan,
    selected: str | None,
    width: int,
    view: ViewName,
    units: Literal["metric", "imperial"],
    keys: str,
) -> list[Line]:
    lines: list[Line] = []
    chosen = next((item for item in plan.items if item.label == selected), None)
    if chosen is not None:
        sentence = f"[{clean_text(chosen.label)}] {_place(chosen, units)}"
        lines += [((text, "mark"),) for text in wrap(sentence, max(width, 10))]
        if chosen.verdict is not None and chosen.verdict.severity >= 2:
            lines.append(((f"  {verdict_word(chosen.verdict)}", STYLES[chosen.verdict]),))
    for item in outside(plan):
        sentence = f"! {clean_text(item.label)} is outside the room: {_place(item, units)}"
        lines += [((text, "fail"),) for text in wrap(sentence, max(width, 10))]
    other = "side" if view == "top" else "top"
    name = "Top view" if view == "top" else "Side view, screen at the left"
    lines.append(((fit(f"{name} · {keys} · o {other} view", width), "dim"),))
    return lines


def _place(item: PlanItem, units: Literal["metric", "imperial"]) -> str:
    x, y, z = item.position_m
    side = "right" if x > 0 else "left"
    across = "on the centre line" if abs(x) < 0.005 else f"{format_length(abs(x), units)} {side} of centre"
    return f"{across}, {format_length(y, units)} from the screen wall, {format_length(z, units)} high"
