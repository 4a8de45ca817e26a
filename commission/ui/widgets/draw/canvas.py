"""A canvas of terminal cells, each with a style name; widgets show its lines and tests read them.

Style names are words of our own (see `painted.Painted`); several may be joined by a space.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.cells import cell_len

from commission.model.units import clean_text

Run = tuple[str, str]
"""(text, style name)."""
Line = tuple[Run, ...]


class Canvas:
    """`height` rows of `width` cells; anything outside is clipped."""

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = max(width, 0), max(height, 0)
        self._text = [[" "] * self.width for _ in range(self.height)]
        self._style = [[""] * self.width for _ in range(self.height)]

    def put(self, x: int, y: int, text: str, style: str = "") -> int:
        """Write `text` from column `x` of row `y`; returns the column after it. A wide character takes two cells."""
        for char in text:
            cells = cell_len(char)
            if cells == 0:  # a combining mark belongs to the previous cell
                if 0 < x <= self.width and 0 <= y < self.height:
                    self._text[y][x - 1] += char
                continue
            if 0 <= x and x + cells <= self.width and 0 <= y < self.height:
                self._text[y][x], self._style[y][x] = char, style
                for extra in range(1, cells):
                    self._text[y][x + extra], self._style[y][x + extra] = "", style
            x += cells
        return x

    def char(self, x: int, y: int) -> str:
        """The character of a cell; empty outside."""
        return self._text[y][x] if 0 <= x < self.width and 0 <= y < self.height else ""

    def lines(self) -> list[Line]:
        """The rows as runs of equal style."""
        return [runs(zip(text, style, strict=True)) for text, style in zip(self._text, self._style, strict=True)]


def runs(cells: Iterable[Run]) -> Line:
    """Join neighbours of equal style."""
    joined: list[Run] = []
    for text, style in cells:
        if joined and joined[-1][1] == style:
            joined[-1] = (joined[-1][0] + text, style)
        else:
            joined.append((text, style))
    return tuple(joined)


def plain(lines: Sequence[Line]) -> str:
    """The text alone, without trailing blanks."""
    return "\n".join("".join(text for text, _ in line).rstrip() for line in lines)


def width_of(line: Line) -> int:
    """The width of a line in cells."""
    return sum(cell_len(text) for text, _ in line)


def cells_of(text: str) -> int:
    """The width of a cleaned text in cells; ASCII letters take one each, without a lookup."""
    return len(text) if text.isascii() and text.isprintable() else cell_len(clean_text(text))


def fit(text: str, cells: int, align: str = "left") -> str:
    """`text` cleaned and cut or padded to exactly `cells` cells; a cut text ends in "…"."""
    text = clean_text(text)
    wide = cells_of(text)
    if wide > cells:
        kept = ""
        for char in text:
            if cell_len(kept) + cell_len(char) > cells - 1:
                break
            kept += char
        text = kept + "…" if cells > 0 else ""
        wide = cells_of(text)
    pad = " " * (cells - wide)
    return pad + text if align == "right" else text + pad


def cut(text: str, cells: int) -> str:
    """`text` cleaned and cut to at most `cells` cells; a cut text ends in "…"."""
    text = clean_text(text)
    return fit(text, min(cell_len(text), cells))


def wrap(text: str, cells: int) -> list[str]:
    """`text` cleaned and wrapped at blanks into lines of at most `cells` cells; its line breaks are kept."""
    lines: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for word in clean_text(paragraph).split(" "):
            joined = f"{line} {word}" if line else word
            if line and cell_len(joined) > cells:
                lines.append(line)
                joined = word
            line = joined
            while cell_len(line) > cells > 1:  # a word longer than a line
                head = fit(line, cells)[:-1] if cell_len(line) > cells else line
                lines.append(head)
                line = line[len(head) :]
        lines.append(line)
    return lines
