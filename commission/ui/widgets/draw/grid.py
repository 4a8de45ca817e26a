"""Draws seats across and channels down: a mark and the worst figure in each cell."""

from __future__ import annotations

from dataclasses import dataclass

from rich.cells import cell_len

from commission.model import Grid, GridCell
from commission.model.formatting import verdict_word
from commission.model.units import clean_text
from commission.ui.widgets.draw.canvas import Line, Run, cells_of, cut, fit, wrap
from commission.ui.widgets.draw.figures import STYLES

DETAIL_ROWS = 6
NARROWEST = 12
"""Smallest width of a cell on the screen: eight characters of a figure are readable; other seats scroll."""
NOTHING = "·"


@dataclass(frozen=True, slots=True)
class Window:
    """The part of the grid that is shown if not all fits."""

    seat: int = 0
    channel: int = 0
    seats: int = 1
    channels: int = 1


def cell_width(grid: Grid, width: int) -> int:
    """Width of a cell of the grid on the screen, brackets included."""
    figures = [cells_of(cell.figure) + 2 for cell in grid.cells.values()]
    widest = max([*figures, *map(cells_of, grid.seats), 3]) + 3
    share = (width - name_width(grid)) // max(len(grid.seats), 1)
    return min(widest, max(share, NARROWEST))


def name_width(grid: Grid) -> int:
    """Width of the channel's name on the screen."""
    return max([*map(cells_of, grid.channels), 4]) + 1


def window(grid: Grid, cursor: tuple[int, int], width: int, height: int, old: Window | None = None) -> Window:
    """The part to show that contains the cursor (channel, seat), moved as little as possible.

    `height` 0: all channels.
    """
    across = max((width - name_width(grid)) // cell_width(grid, width), 1)
    down = len(grid.channels) if height <= 0 else max(height - 2 - DETAIL_ROWS, 1)
    old = old or Window()
    seat = min(max(old.seat, cursor[1] - across + 1), cursor[1])
    channel = min(max(old.channel, cursor[0] - down + 1), cursor[0])
    seat = max(0, min(seat, len(grid.seats) - across))
    channel = max(0, min(channel, len(grid.channels) - down))
    return Window(seat, channel, across, down)


def draw_grid(grid: Grid, cursor: tuple[int, int], shown: Window, width: int, focused: bool = True) -> list[Line]:
    """Title, heading, the cells of the window, and the lines of the selected cell (always `DETAIL_ROWS`)."""
    seats = grid.seats[shown.seat : shown.seat + shown.seats]
    channels = grid.channels[shown.channel : shown.channel + shown.channels]
    if not grid.seats or not grid.channels:
        return [((fit(grid.title, width), "head"),), (("No seats or no channels in this job yet.", "dim"),)]
    lines = [_title(grid, shown, seats, channels, width), _heading(grid, cursor, shown, seats, width)]
    each, first = cell_width(grid, width), name_width(grid)
    for row, channel in enumerate(channels, start=shown.channel):
        here = row == cursor[0]
        line: list[Run] = [(fit(channel, first), "mark" if here and focused else "")]
        for column, seat in enumerate(seats, start=shown.seat):
            chosen = focused and here and column == cursor[1]
            line += _cell_runs(grid.cells.get((channel, seat)), each, chosen)
        lines.append(tuple(line))
    return lines + detail_lines(grid, cursor, width)


def _title(grid: Grid, shown: Window, seats: tuple[str, ...], channels: tuple[str, ...], width: int) -> Line:
    first, last = clean_text(seats[0]), clean_text(seats[-1])
    top, bottom = shown.channel + 1, shown.channel + len(channels)
    parts, brief = [], []
    if len(seats) < len(grid.seats):
        parts.append(f"seats {first} to {last} of {len(grid.seats)}")
        brief.append(f"{first}–{last} of {len(grid.seats)}")
    if len(channels) < len(grid.channels):
        parts.append(f"channels {top} to {bottom} of {len(grid.channels)}")
        brief.append(f"{top}–{bottom} of {len(grid.channels)}")
    if not parts:
        return ((cut(grid.title, width), "head"),)
    room = width - cells_of(grid.title) - 3
    more = ", ".join(parts if cell_len(", ".join(parts)) <= room else brief)
    return ((cut(grid.title, max(width - cell_len(more) - 3, 1)), "head"), (f"   {more}", "dim"))


def _heading(grid: Grid, cursor: tuple[int, int], shown: Window, seats: tuple[str, ...], width: int) -> Line:
    line: list[Run] = [(" " * name_width(grid), "")]
    each = cell_width(grid, width)
    for column, seat in enumerate(seats, start=shown.seat):
        line.append((fit(" " + clean_text(seat), each), "mark" if column == cursor[1] else "dim"))
    return tuple(line)


def _cell_runs(cell: GridCell | None, each: int, chosen: bool) -> list[Run]:
    inner = each - 2
    behind = " selected" if chosen else ""
    left, right = ("[", "]") if chosen else (" ", " ")
    if cell is None or cell.verdict is None:
        text = f"{NOTHING} {short(cell.figure, inner - 2)}" if cell is not None and cell.figure else NOTHING
        return [(left, "accent" + behind), (fit(text, inner), "none" + behind), (right, "accent" + behind)]
    style = STYLES[cell.verdict]
    text = fit(" " + short(cell.figure, inner - 2), inner - 1)
    return [
        (left, "accent" + behind),
        (cell.verdict.symbol, style + behind),
        (text, (style if style == "fail" else "") + behind),
        (right, "accent" + behind),
    ]


def short(figure: str, room: int) -> str:
    """A figure in a narrow cell: its number without the preceding word, else cut."""
    figure = clean_text(figure)
    last = figure.split(" ")[-1]
    if cell_len(figure) > room >= cell_len(last) and any(char.isdigit() for char in last):
        return last
    return cut(figure, room)


def detail_lines(grid: Grid, cursor: tuple[int, int], width: int) -> list[Line]:
    """Details of the selected cell in exactly `DETAIL_ROWS` lines."""
    channel, seat = grid.channels[cursor[0]], grid.seats[cursor[1]]
    cell = grid.cells.get((channel, seat))
    head: list[Run] = [(f"{clean_text(channel)} at {clean_text(seat)}  ", "mark")]
    texts: list[str] = []
    if cell is None:
        head.append(("nothing measured here", "dim"))
    else:
        if cell.verdict is not None:
            head.append((verdict_word(cell.verdict), STYLES[cell.verdict]))
        head.append((f"  {clean_text(cell.figure)}", ""))
        if cell.curve_id:
            head.append(("   Enter shows the curve", "dim"))
        joined = " · ".join(cell.detail)
        texts = wrap(joined, max(width - 2, 10)) if joined else []
    room = DETAIL_ROWS - 2
    if len(texts) > room:
        texts = [*texts[: room - 1], texts[room - 1] + " …"]
    lines: list[Line] = [((" ", ""),), tuple(head), *(((f"  {text}", "dim"),) for text in texts)]
    return lines + [((" ", ""),)] * (DETAIL_ROWS - len(lines))
