"""Draws the trade-off between the reference seat and all seats in characters: one point for each weight, joined by a
line.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from commission.model import TradeoffCurve, TradeoffPoint
from commission.model.formatting import number
from commission.ui.widgets.draw import braille
from commission.ui.widgets.draw.canvas import Canvas, plain

LEFT = 6


def draw_tradeoff(curve: TradeoffCurve, width: int, height: int) -> list[str]:
    """A plot of `width` x `height` cells: ● the chosen weight, × the present layout; less is better on both axes."""
    columns, rows = width - LEFT, height - 2
    if not curve.points or columns < 10 or rows < 2:
        return []
    every = np.array([(point.x, point.y) for point in (*curve.points, curve.now)])
    low, high = every.min(axis=0), every.max(axis=0)
    span = np.maximum(high - low, 0.5)

    def dots(point: TradeoffPoint) -> tuple[float, float]:
        x, y = (np.array([point.x, point.y]) - low) / span
        return float(x) * (2 * columns - 3) + 1, (1 - float(y)) * (4 * rows - 3) + 1

    sheet = Canvas(width, height)
    line = np.zeros((4 * rows, 2 * columns), dtype=bool)
    for one, other in pairwise(curve.points):
        line |= braille.segment(dots(one), dots(other), rows, columns)
    for row, column in np.argwhere(codes := braille.codes(line)):
        sheet.put(LEFT + int(column), int(row), braille.char(int(codes[row, column])))
    for point, mark in ((curve.now, "×"), (curve.points[curve.chosen], "●")):
        x, y = dots(point)
        sheet.put(LEFT + int(x // 2), int(y // 4), mark)
    sheet.put(0, 0, f"{number(low[1] + span[1], 1)}°".rjust(LEFT - 1))
    sheet.put(0, rows - 1, f"{number(low[1], 1)}°".rjust(LEFT - 1))
    for row in range(rows):
        sheet.put(LEFT - 1, row, "│")
    sheet.put(LEFT - 1, rows, "└" + "─" * columns)
    right = f"{number(low[0] + span[0], 1)}°"
    left = f"{number(low[0], 1)}°"
    name = next((n for n in (" reference seat", " reference", "") if len(left + n + right) < columns), "")
    sheet.put(LEFT, rows + 1, (left + name).ljust(columns - len(right)) + right)
    return plain(sheet.lines()).split("\n")
