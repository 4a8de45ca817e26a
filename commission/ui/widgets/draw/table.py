"""Draws a `model.Table` in characters: units in the heading, numbers aligned on the decimal sign, verdicts in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import overload

from rich.cells import cell_len

from commission.model import Column, Row, Table
from commission.model.formatting import cell_text, unit_text, verdict_word
from commission.model.units import clean_text
from commission.ui.widgets.draw.canvas import Line, Run, cells_of, cut, fit, wrap
from commission.ui.widgets.draw.figures import STYLES

GAP = 2
NARROWEST_WORDS = 14
VERDICT = Column(key="_verdict", title="Verdict")


@dataclass(frozen=True, slots=True)
class Layout:
    """The layout of a column: its heading lines, its width, and whether it is text."""

    columns: tuple[Column, ...]
    heads: tuple[tuple[str, ...], ...]
    cells: tuple[tuple[str, ...], ...]
    widths: tuple[int, ...]
    gap: int = GAP
    """Blanks between columns; one if only that makes all of them fit."""

    @property
    def width(self) -> int:
        return 2 + sum(self.widths) + self.gap * (len(self.widths) - 1)

    @property
    def head_rows(self) -> int:
        return max((len(head) for head in self.heads), default=1)


def lay_out(table: Table, width: int, units: str) -> Layout:
    """Widths of the columns: text is cut first, headings wrap at blanks."""
    judged = table.verdicts and any(row.check is not None for row in table.rows)
    columns = (*table.columns, *((VERDICT,) if judged else ()))
    cells = tuple(_cells(row, table.columns, units, judged) for row in table.rows)
    heads: list[tuple[str, ...]] = []
    widths: list[int] = []
    for index, column in enumerate(columns):
        unit = unit_text(column, units)
        widest = max((cells_of(row[index]) for row in cells), default=1)
        words = [cell_len(word) for word in clean_text(column.title).split()]
        broken = wrap(column.title, max([widest, cell_len(unit), 5, *words]))
        heads.append((*broken, unit) if unit else tuple(broken))
        widths.append(max([widest, *(cell_len(line) for line in heads[-1])]))
    spare = width - 2 - sum(widths) - GAP * (len(widths) - 1)
    texts = [i for i, c in enumerate(columns[:-1] if judged else columns) if c.decimals is None and i > 0]
    for widest in range(max((widths[i] for i in texts), default=0), NARROWEST_WORDS, -1):
        for index in texts:  # the widest text column is cut
            if spare < 0 and widths[index] == widest:
                widths[index] -= 1
                spare += 1
    gap = 1 if -len(widths) < spare < 0 else GAP
    return Layout(columns, tuple(heads), cells, tuple(widths), gap)


def _cells(row: Row, columns: tuple[Column, ...], units: str, judged: bool) -> tuple[str, ...]:
    cells = tuple(cell_text(value, column, units) for value, column in zip(row.cells, columns, strict=True))
    if judged:
        cells += (verdict_word(row.check.verdict if row.check else None),)
    return cells


class TableLayout:
    """A table drawn for a width: title, heading, rows, remark. `first_column` is the first column shown after the key."""

    def __init__(self, table: Table, width: int, units: str = "metric", first_column: int = 1) -> None:
        self.table, self.width = table, width
        self.layout = laid = lay_out(table, width, units)
        columns = [0, *range(max(first_column, 1), len(laid.columns))]
        self._shown = shown = _fitting(laid, columns, width)
        lines: list[Line] = []
        if table.title:
            hidden = len(laid.columns) - len(shown) if laid.columns else 0
            more = "  ← → columns" if hidden else ""
            lines.append(((cut(table.title, max(width - cell_len(more), 10)), "head"), (more, "dim")))
        for line in range(laid.head_rows):
            run = "  "
            for index in shown:
                head = laid.heads[index]
                offset = line - (laid.head_rows - len(head))
                text = head[offset] if offset >= 0 else ""
                run += fit(text, laid.widths[index], _align(laid.columns[index])) + " " * laid.gap
            lines.append(((run, "dim"),))
        self.above: tuple[Line, ...] = tuple(lines)
        self.first_row = len(lines)
        """The line of row 0."""
        below: list[Line] = [] if table.rows else [(("  Nothing yet.", "dim"),)]
        if table.remark:
            below += [((text, "dim"),) for text in wrap(table.remark, width)]
        self.below: tuple[Line, ...] = tuple(below)
        self._rows: dict[int, Line] = {}

    def lines(self, cursor: int | None = None, focused: bool = True) -> TableLines:
        """All lines of the table; `cursor` is the selected row."""
        return TableLines(self, cursor, focused)

    def row(self, number: int) -> Line:
        """A row that is not selected."""
        if number not in self._rows:
            self._rows[number] = self._row(number, "")
        return self._rows[number]

    def selected_row(self, number: int, focused: bool) -> Line:
        """A selected row with the cursor's mark."""
        return self._row(number, "▸", " selected" if focused else "")

    def _row(self, number: int, sign: str, behind: str = "") -> Line:
        laid, row, cells = self.layout, self.table.rows[number], self.layout.cells[number]
        line: list[Run] = [(f"{sign:<2}", "accent" + behind)]
        used = 2
        for index in self._shown:
            style = "mark" if index == 0 else ""
            if laid.columns[index] is VERDICT and row.check is not None:
                style = STYLES[row.check.verdict]
            text = fit(cells[index], laid.widths[index], _align(laid.columns[index]))
            line.append((text, style + behind))
            line.append((" " * laid.gap, behind.strip()))
            used += laid.widths[index] + laid.gap
        line.append((" " * max(self.width - used, 0), behind.strip()))
        return tuple(line)


class TableLines(Sequence[Line]):
    """The lines of a drawn table. A row is drawn on demand: of a long table few are on the screen."""

    def __init__(self, layout: TableLayout, cursor: int | None, focused: bool) -> None:
        self._layout, self._cursor, self._focused = layout, cursor, focused
        self._rows = len(layout.table.rows)

    def __len__(self) -> int:
        return len(self._layout.above) + self._rows + len(self._layout.below)

    @overload
    def __getitem__(self, index: int) -> Line: ...
    @overload
    def __getitem__(self, index: slice) -> list[Line]: ...
    def __getitem__(self, index: int | slice) -> Line | list[Line]:
        if isinstance(index, slice):
            return [self[each] for each in range(*index.indices(len(self)))]
        line = range(len(self))[index]
        number = line - len(self._layout.above)
        if number < 0:
            return self._layout.above[line]
        if number >= self._rows:
            return self._layout.below[number - self._rows]
        if number == self._cursor:
            return self._layout.selected_row(number, self._focused)
        return self._layout.row(number)


def _fitting(laid: Layout, shown: list[int], width: int) -> list[int]:
    """The columns that fit: always the first and the verdict, and as many others as there is room for."""
    last = [i for i in shown if laid.columns[i] is VERDICT]
    used = 2 + sum(laid.widths[i] + laid.gap for i in last)
    kept: list[int] = []
    for index in (i for i in shown if i not in last):
        used += laid.widths[index] + (laid.gap if kept else 0)
        if kept and used > width:
            break
        kept.append(index)
    return kept + last


def _align(column: Column) -> str:
    return "right" if column.decimals is not None else "left"
