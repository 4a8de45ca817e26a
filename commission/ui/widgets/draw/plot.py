"""Draws a plot over frequency in braille: logarithmic axis, faint grid, curves distinguished by dash and marker."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from rich.cells import cell_len

from commission.model import Curve, FloatArray, Series
from commission.model.units import clean_text
from commission.ui.text import round_name
from commission.ui.widgets.draw import braille
from commission.ui.widgets.draw.canvas import Canvas, Line, cut, fit, wrap

TICKS_HZ = (100, 1000, 10000, 20, 20000, 200, 2000, 50, 500, 5000, 30, 300, 3000, 40, 80, 60, 150)
"""Labels in the order of importance: one gives way to those before it."""
GRID_HZ = (50, 100, 200, 500, 1000, 2000, 5000, 10000)
LEFT, RIGHT = 6, 1
HINT = "← → read   z bass only"
FEWEST_ROWS = 8
"""Title, caption and legend take further lines only if the plot keeps this many rows."""
DEEPEST_DB = 50.0
"""Range of a plot in dB below its highest value: a cut-off must not compress the pass band."""
LOOKS = (("main", 0, ""), ("second", 4, "○"), ("main", 2, "△"), ("second", 0, "□"))
"""Style, dash in dots (0: solid) and marker of the subject curves, in order."""


@dataclass(frozen=True, slots=True)
class View:
    """The visible part, and the position of the read-out."""

    low_hz: float = 20.0
    high_hz: float = 20000.0
    cursor_hz: float | None = None
    y_limits: tuple[float, float] | None = None
    hint: str = HINT
    """Text in place of the read-out while there is none."""


def draw_plot(curve: Curve, width: int, height: int, view: View) -> list[Line]:
    """Title, caption, legend, read-out, the plot, and the frequency axis at the bottom."""
    sheet = Canvas(width, height)
    shown = [s for s in curve.series if np.isfinite(s.y).any() and s.x.size]
    title, legend = wrap(clean_text(curve.title), max(width, 10)) or [""], _legend(shown, width - LEFT)
    if height - len(title) - len(legend) - 2 < FEWEST_ROWS:
        title, legend = [clean_text(curve.title)], legend[:1]
    end = 0
    for row, line in enumerate(title):
        end = sheet.put(0, row, cut(line, width), "mark")
    below = wrap(clean_text(curve.caption), max(width, 10)) if cell_len(curve.caption) > width - end - 2 else []
    if below and height - len(title) - len(below) - len(legend) - 2 >= FEWEST_ROWS:
        for row, line in enumerate(below, start=len(title)):
            sheet.put(0, row, line, "dim")
    else:
        sheet.put(end, len(title) - 1, cut(f"  {curve.caption}", width - end), "dim")
        below = []
    above = len(title) + len(below)
    head = above + max(len(legend), 1) + 1
    columns, rows = width - LEFT - RIGHT, height - head - 1
    if not shown or columns < 12 or rows < 3:
        why = "Nothing to plot yet." if not shown else "Too little room for the plot: widen the window."
        for row, line in enumerate(wrap(why, max(width, 10)), start=1):
            sheet.put(0, row, line, "dim")
        return sheet.lines()
    low, high = view.y_limits or y_span(curve, view)
    plane = _Plane(view, low, high, columns, rows, head)
    _grid(sheet, plane, curve.y_unit)
    if view.cursor_hz is not None and view.low_hz <= view.cursor_hz <= view.high_hz:
        for row in range(rows):
            sheet.put(LEFT + plane.column(view.cursor_hz), head + row, "│", "mark")
    _curves(sheet, plane, shown)
    for row, entries in enumerate(legend, start=above):
        x = LEFT
        for sample, name, style in entries:
            x = sheet.put(x, row, sample + " ", style)
            x = sheet.put(x, row, name, "dim" if style != "main" else "main") + 2
    sheet.put(0, head - 1, fit(readout(curve, view.cursor_hz, view.hint), width), "mark" if view.cursor_hz else "dim")
    return sheet.lines()


@dataclass(frozen=True, slots=True)
class _Plane:
    view: View
    low: float
    high: float
    columns: int
    rows: int
    head: int
    """Lines of title, caption, legend and read-out above the plot."""

    def x(self, hz: FloatArray) -> FloatArray:
        """Dots from the left."""
        start, stop = math.log(self.view.low_hz), math.log(self.view.high_hz)
        return np.asarray((np.log(hz) - start) / (stop - start) * (2 * self.columns - 1))

    def y(self, value: FloatArray) -> FloatArray:
        """Dots from the top; values far beyond the edges are clipped so that slopes still leave the plot."""
        dots = (self.high - value) / (self.high - self.low) * (4 * self.rows - 1)
        return np.asarray(np.clip(dots, -8.0, 4.0 * self.rows + 8))

    def column(self, hz: float) -> int:
        """Cell of a frequency."""
        return int((self.x(np.array([hz]))[0] + 0.5) // 2)

    def row(self, value: float) -> int:
        """Cell of a value."""
        return int((self.y(np.array([value]))[0] + 0.5) // 4)


def y_span(curve: Curve, view: View) -> tuple[float, float]:
    """Limits of the vertical axis: whole steps around the visible values; at least 20 dB for levels.

    Small values that are never negative (a spread, a variance) stand on zero.
    """
    none = np.zeros(0)
    x = np.concatenate([none, *(series.x for series in curve.series)])
    y = np.concatenate([none, *(series.y for series in curve.series)])
    finite = y[(x >= view.low_hz) & (x <= view.high_hz) & np.isfinite(y)]
    if finite.size == 0:
        return 0.0, 10.0
    low, high = float(finite.min()), float(finite.max())
    if curve.y_unit.startswith("dB") and "²" not in curve.y_unit and not 0.0 <= low <= high <= 20.0:
        high = 5.0 * math.ceil(high / 5.0 + 0.2)
        return min(max(5.0 * math.floor(low / 5.0), high - DEEPEST_DB), high - 20.0), high
    low = min(low, 0.0)
    step = _step(max(high - low, 1e-9), 4)
    return step * math.floor(low / step), step * math.ceil(high / step + 0.05)


def _step(span: float, rows: int) -> float:
    """A round step (1, 2, 5 times a power of ten) with at least two rows of cells between two lines."""
    raw = span / max(rows / 2.0, 2.0)
    power = 10.0 ** math.floor(math.log10(raw))
    return next((m * power for m in (1.0, 2.0, 5.0) if m * power >= raw), 10.0 * power)


def _grid(sheet: Canvas, plane: _Plane, unit: str) -> None:
    view, head, bottom = plane.view, plane.head, plane.head + plane.rows
    for hz in GRID_HZ:
        if view.low_hz < hz < view.high_hz:
            for row in range(plane.rows):
                sheet.put(LEFT + plane.column(hz), head + row, "┊", "faint")
    step = _step(plane.high - plane.low, plane.rows)
    first = math.ceil(plane.low / step - 1e-9)
    decimals = max(0, -math.floor(math.log10(step)))
    for index in range(first, math.floor(plane.high / step + 1e-9) + 1):
        row = head + min(plane.row(index * step), plane.rows - 1)
        label = f"{index * step + 0.0:.{decimals}f}".replace("-", "−")
        sheet.put(0, row, label.rjust(LEFT - 1), "dim")
        for column in range(plane.columns):
            sheet.put(LEFT + column, row, "┈", "faint")
    end = 0
    for hz in TICKS_HZ:
        label = f"{hz // 1000}k" if hz >= 1000 else str(hz)
        start = min(max(LEFT + plane.column(hz) - (len(label) - 1) // 2, 0), sheet.width - len(label))
        around = [sheet.char(x, bottom) for x in range(start - 1, start + len(label) + 1)]
        if view.low_hz * 0.999 <= hz <= view.high_hz * 1.001 and not any(c.strip() for c in around):
            end = max(end, sheet.put(start, bottom, label, "dim"))
    shortened = unit if len(unit) < LEFT - 1 else unit.split()[0]
    sheet.put(0, bottom, shortened[: LEFT - 2].rjust(LEFT - 1), "dim")
    if sheet.width - end >= 3:
        sheet.put(end, bottom, " Hz", "dim")


def _curves(sheet: Canvas, plane: _Plane, shown: list[Series]) -> None:
    """Draw the spread at the back, companions before it, subjects on top; where equal curves meet, columns alternate."""
    size = (plane.rows, plane.columns)
    patterns: list[tuple[NDArray[np.uint8], str]] = []
    low, high = (next((s for s in shown if s.kind == kind), None) for kind in ("low", "high"))
    if low is not None and high is not None:
        top = plane.y(np.interp(low.x, high.x, high.y))
        fill = braille.between(plane.x(low.x), top, plane.y(low.y), *size)
        for edge in (low, high):
            fill |= braille.polyline(plane.x(edge.x), plane.y(edge.y), *size) & _dash(plane.columns, 1)
        patterns.append((braille.codes(fill), "band"))
    marks: list[tuple[int, int, str, str]] = []
    peers: list[int] = []
    for series, style, dash, marker in dressed(shown):
        dots = braille.polyline(plane.x(series.x), plane.y(series.y), *size)
        patterns.append((braille.codes(dots & _dash(plane.columns, dash) if dash else dots), style))
        marks += _markers(series, plane, marker, style, len(patterns))
        if series.kind != "mean":
            peers.append(len(patterns))
    winner = np.zeros(size, dtype=int)
    turn = np.broadcast_to(np.arange(plane.columns) // 2, size)
    for rank, (pattern, _) in enumerate(patterns, start=1):
        here = pattern > 0
        if rank in peers:
            here &= ~np.isin(winner, peers) | (turn % 2 == rank % 2)
        winner[here] = rank
    for row, column in zip(*np.nonzero(winner), strict=True):
        pattern, style = patterns[winner[row, column] - 1]
        sheet.put(LEFT + int(column), plane.head + int(row), braille.char(int(pattern[row, column])), style)
    for column_at, row_at, marker, style in marks:
        sheet.put(LEFT + column_at, plane.head + row_at, marker, style)


def _dash(columns: int, dash: int) -> NDArray[np.bool_]:
    return np.asarray((np.arange(2 * columns) // dash) % 2 == 0)


def dressed(shown: list[Series]) -> list[tuple[Series, str, int, str]]:
    """Each curve with its style, dash and marker, companions first so that subjects cover them."""
    subjects = [s for s in shown if s.kind == "main"]
    look = [(s, "other", 2, "") for s in shown if s.kind == "other"]
    look += [(s, "other", 1, "") for s in shown if s.kind == "mean"]
    look += [(s, *LOOKS[i % len(LOOKS)]) for i, s in enumerate(subjects)]
    return look


def _markers(series: Series, plane: _Plane, marker: str, style: str, rank: int) -> list[tuple[int, int, str, str]]:
    """A few markers along a curve, in different columns for each series."""
    placed = []
    for column in range(3 + 4 * rank, plane.columns, 18) if marker else ():
        hz = plane.view.low_hz * (plane.view.high_hz / plane.view.low_hz) ** (2 * column / (2 * plane.columns - 1))
        value = value_at(series, hz)
        if value is not None and plane.low <= value <= plane.high:
            placed.append((column, plane.row(value), marker, style))
    return placed


def _legend(shown: list[Series], width: int) -> list[list[tuple[str, str, str]]]:
    """Lines of entries, each a sample, a name and a style; a name wider than a line is cut."""
    entries = [
        (f"{'─' * 3 if not d else '╌' * 3 if d > 1 else '┈' * 3}{m}", round_name(s.name), style)
        for s, style, d, m in dressed(shown)
    ]
    edges = [s.name for s in shown if s.kind in ("low", "high")]
    if len(edges) == 2:
        name = edges[0] if edges[0] == edges[1] else f"{edges[0]} to {edges[1]}"
        entries.insert(0, ("⡂⠡⡂", name, "band"))
    lines: list[list[tuple[str, str, str]]] = []
    room = 0
    for sample, name, style in reversed(entries):
        before = cell_len(sample) + 1
        name = cut(name, max(width - before, 1))
        if not lines or room < before + cell_len(name):
            lines.append([])
            room = width
        lines[-1].append((sample, name, style))
        room -= before + cell_len(name) + 2
    return lines


def value_at(series: Series, hz: float) -> float | None:
    """The value of a curve at a frequency, interpolated on the logarithmic axis; None in a gap or outside."""
    if series.x.size == 0 or not series.x[0] <= hz <= series.x[-1]:
        return None
    value = float(np.interp(math.log(hz), np.log(series.x), series.y))
    return value if math.isfinite(value) else None


def frequency(hz: float) -> str:
    """`63 Hz`, `1.25 kHz`."""
    return f"{hz:.0f} Hz" if hz < 1000 else f"{hz / 1000:.2f} kHz"


def readout(curve: Curve, hz: float | None, hint: str = HINT) -> str:
    """The values of every curve at the cursor with units; a hint if there is no cursor."""
    if hz is None:
        return " " * LEFT + hint
    lines: list[str] = []
    spread = {s.kind: value_at(s, hz) for s in curve.series if s.kind in ("low", "high")}
    for series, *_ in reversed(dressed(list(curve.series))):
        value = value_at(series, hz)
        read = "–" if value is None else f"{value:.1f} {curve.y_unit}".replace("-", "−")
        lines.append(f"{round_name(series.name)} {read}")
    low, high = spread.get("low"), spread.get("high")
    if low is not None and high is not None:
        lines.append(f"spread {low:.1f} … {high:.1f} {curve.y_unit}".replace("-", "−"))
    return " " * LEFT + f"{frequency(hz)}: " + " · ".join(lines)
