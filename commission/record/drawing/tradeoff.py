"""The trade-off between two goals as SVG: one point for each weight, joined by a line, both axes linear."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from commission.model import TradeoffCurve, TradeoffPoint
from commission.model.formatting import number
from commission.record.document import Figure
from commission.record.drawing.plots import BOTTOM, LEFT, PLOT, RIGHT, TICK, TOP, WIDTH, Axis, frame
from commission.record.drawing.svg import STYLES, Style, digits, drawing, element, label, polyline, stroke, text_width

LINE, NOW = STYLES[0], Style("kn", "#000000", "", 1.4)
STEPS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
MOST_LINES = 6
MARK = 4.0
"""Half the size of a mark, px."""


def tradeoff_figure(curve: TradeoffCurve) -> Figure:
    """The curve with the chosen weight (●) and the present state (×); less is better on both axes."""
    every = (*curve.points, curve.now)
    x_axis, y_axis = linear_axes([point.x for point in every], [point.y for point in every])
    top = TOP + 18.0
    bottom, right = top + PLOT, WIDTH - RIGHT

    def place(point: TradeoffPoint) -> tuple[float, float]:
        return (
            LEFT + (right - LEFT) * (point.x - x_axis.low) / (x_axis.high - x_axis.low),
            bottom - PLOT * (point.y - y_axis.low) / (y_axis.high - y_axis.low),
        )

    labels = [f"{name}, {curve.unit}" for name in (curve.x_name, curve.y_name)]
    upright = _upright(top, bottom, x_axis)
    parts = [_legend(curve), frame(top, bottom, y_axis, upright, *labels)]
    x, y = np.array([place(point) for point in curve.points]).T
    parts.append(stroke(polyline(x, y), LINE))
    parts += [_dot(*place(point), 1.8) for point in curve.points]
    parts += [_dot(*place(curve.points[curve.chosen]), MARK), _cross(*place(curve.now))]
    parts += _end_names(curve, [place(point) for point in curve.points], right)
    alt = _alt(curve)
    svg = drawing(WIDTH, bottom + BOTTOM, "".join(parts), title=curve.title, alt=alt)
    return Figure(id=curve.id, title=curve.title, svg=svg, alt=alt, caption=curve.caption, wide=False)


def linear_axes(*values: Sequence[float]) -> tuple[Axis, ...]:
    """An axis for each list of values, all with the finest step that divides each of them into 2 to `MOST_LINES` steps."""
    for step in STEPS:
        ends = [(math.floor(min(each) / step), math.ceil(max(each) / step)) for each in values]
        if all(high - low <= MOST_LINES for low, high in ends):
            break
    return tuple(Axis(low * step, max(high, low + 2) * step, step) for low, high in ends)


def _upright(top: float, bottom: float, axis: Axis) -> tuple[str, str, str]:
    """Vertical lines and their numbers."""
    count, path, names = round((axis.high - axis.low) / axis.step), "", ""
    for i in range(count + 1):
        x = LEFT + (WIDTH - RIGHT - LEFT) * i / count
        path += f"M{digits(x)} {digits(top)}V{digits(bottom)}" if 0 < i < count else ""
        value = number(axis.low + i * axis.step, axis.decimals)
        names += label(x, bottom + 13, value, anchor="middle", size=TICK)
    return "", path, names


def _dot(x: float, y: float, radius: float) -> str:
    """A filled dot: a short line with round ends, which has the colour of its class on every page."""
    return element(
        "path",
        d=f"M{digits(x)} {digits(y)}h0.1",
        fill="none",
        class_=LINE.css,
        stroke=LINE.colour,
        stroke_width=2 * radius,
        stroke_linecap="round",
    )


def _cross(x: float, y: float) -> str:
    a, b, c, d = (digits(v) for v in (x - MARK, x + MARK, y - MARK, y + MARK))
    return stroke(f"M{a} {c}L{b} {d}M{a} {d}L{b} {c}", NOW)


def _legend(curve: TradeoffCurve) -> str:
    x, y, out = LEFT + MARK, TOP + 3.0, ""
    chosen = f"chosen weight {curve.points[curve.chosen].name}"
    for mark, name in ((_dot(x, y, MARK), chosen), (_cross(x + text_width(chosen) + 32, y), curve.now.name)):
        out += mark + label(x + 10, y + 3.8, name)
        x += text_width(chosen) + 32
    return out


def _end_names(curve: TradeoffCurve, places: Sequence[tuple[float, float]], right: float) -> list[str]:
    """The weights of both ends, above the line beside their points."""
    out = []
    for i in (0, -1):
        x, y = places[i]
        near = x > right - 30
        out.append(label(x - 7 if near else x + 7, y - 5, curve.points[i].name, anchor="end" if near else "start"))
    return out


def _alt(curve: TradeoffCurve) -> str:
    def at(point: TradeoffPoint) -> str:
        return f"{point.name}: {number(point.x, 1)}{curve.unit} and {number(point.y, 1)}{curve.unit}"

    parts = [f"weight {at(point)}" for point in curve.points]
    return f"{curve.title}. {curve.x_name} and {curve.y_name.casefold()}; {at(curve.now)}; {'; '.join(parts)}."
