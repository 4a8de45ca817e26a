"""A small writer of SVG 1.1 for the record's figures.

A plotting library would take longer to import (some 0.65 s) than the whole record may take beyond its analysis. Colours
are the eight of Okabe and Ito ("Color Universal Design", 2008), which people with any colour vision tell apart; series
also differ in dash, so that a black and white print serves. Text and axes take `currentColor`, and everything that has a
colour has a class, so that the page around can turn it for a dark background.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from html import escape
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from commission.model import FloatArray
from commission.model.units import clean_text

FONT = "Libertinus Serif, Georgia, serif"
"""The font of the PDF; HTML overrides it."""
SIZE = 11.0
"""Type size in px; figures are 640 px wide, so that it prints at about 8.5 points over a column of 170 mm."""


@dataclass(frozen=True, slots=True)
class Style:
    """The style of a series: a class for dark pages, a colour for others, a dash and a width."""

    css: str
    colour: str
    dash: str = ""
    width: float = 1.3
    opacity: float = 1.0


STYLES = (
    Style("k0", "#0072B2"),
    Style("k1", "#D55E00", "7 3"),
    Style("k2", "#007A5A", "2 2"),  # bluish green, darkened to 4.5:1 on white
    Style("k3", "#A8477F", "9 3 2 3"),  # reddish purple, darkened likewise
    Style("k4", "#000000", "4 2"),
    Style("k5", "#9A6A00", "12 3"),  # orange, darkened likewise
)
MUTED = Style("km", "#8c8c8c", "", 0.9, 0.8)
GRID, FINE = Style("kg", "#d4d4d4", "", 0.7), Style("kh", "#ececec", "", 0.7)
MEAN = Style("kn", "#000000", "3 2", 1.2)
HIDDEN_PX, PASSES = 0.08, 4
"""A drawing prints at a quarter of a millimetre per px, with lines 1.3 px wide."""


@lru_cache(maxsize=2048)
def text_of(value: str) -> str:
    """Text from anywhere, escaped for content and attributes."""
    return escape(unicodedata.normalize("NFC", clean_text(value)), quote=True)


def digits(value: float) -> str:
    """A coordinate: one decimal at most, no "-0"."""
    return f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")


def element(name: str, inside: str = "", **attributes: float | str | None) -> str:
    """One element; `_` in a name becomes `-`, a trailing one is dropped; None leaves an attribute out."""
    text = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{digits(value) if isinstance(value, int | float) else text_of(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    return f"<{name}{text}>{inside}</{name}>" if inside else f"<{name}{text}/>"


def label(
    x: float, y: float, text: str, *, anchor: str = "start", size: float = SIZE, bold: bool = False, css: str = "kt"
) -> str:
    """A line of text; `y` is its baseline."""
    return element(
        "text",
        text_of(text) or " ",
        x=x,
        y=y,
        text_anchor=anchor,
        font_size=size,
        class_=css,
        fill="currentColor",
        font_weight="bold" if bold else None,
    )


def line(
    x1: float,
    y1: float,
    x2: float,
    y2: float,
    *,
    css: str = "kg",
    colour: str = "#d4d4d4",
    width: float = 0.7,
    dash: str | None = None,
) -> str:
    """A straight line of the grid, an axis or a legend."""
    return element(
        "line", x1=x1, y1=y1, x2=x2, y2=y2, class_=css, stroke=colour, stroke_width=width, stroke_dasharray=dash
    )


def stroke(path: str, style: Style) -> str:
    """A path drawn in a style."""
    return element(
        "path",
        d=path,
        fill="none",
        class_=style.css,
        stroke=style.colour,
        stroke_width=style.width,
        stroke_dasharray=style.dash or None,
        stroke_linejoin="round",
        stroke_opacity=None if style.opacity == 1 else style.opacity,
    )


def polyline(x: FloatArray, y: FloatArray) -> str:
    """Path data through points [shape=(n,)], without points that change nothing visible; gaps at non-finite values."""
    kept = _needed(x, y)
    x, y = x[kept], y[kept]
    known = np.isfinite(x) & np.isfinite(y)
    points = np.round(np.column_stack((x, y))[known], 1) + 0.0
    lines = list(map("{:g} {:g}".format, *points.T.tolist()))
    starts = np.flatnonzero(known & ~np.concatenate(([False], known[:-1])))  # the beginnings of strokes
    first = np.searchsorted(np.flatnonzero(known), starts).tolist()
    return "".join("M" + "L".join(lines[a:b]) for a, b in pairwise([*first, len(lines)]))


def _needed(x: FloatArray, y: FloatArray) -> NDArray[np.intp]:
    """Indices of the points to draw: every second one is dropped if it is on the line between its neighbours.

    Repeated a few times, so that no curve moves by more than `PASSES · HIDDEN_PX`.
    """
    kept = np.arange(len(x))
    for _ in range(PASSES):
        if len(kept) < 3:
            break
        before, middle, after = (kept[i : len(kept) - 2 + i : 2] for i in range(3))
        span = x[after] - x[before]
        part = np.divide(x[middle] - x[before], span, out=np.full(len(span), np.nan), where=span != 0)
        off = np.abs(y[before] + part * (y[after] - y[before]) - y[middle])
        needed = np.ones(len(kept), bool)
        needed[1 : len(kept) - 1 : 2] = ~(off <= HIDDEN_PX)  # NaN is never near
        kept = kept[needed]
    return kept


def drawing(width: float, height: float, inside: str, *, title: str, alt: str = "") -> str:
    """The whole file, with its title as the name of the image and `alt` as its description for screen readers."""
    head = element("title", text_of(title) or " ") + (element("desc", text_of(alt)) if alt else "")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {digits(width)} {digits(height)}" '
        f'width="{digits(width)}" height="{digits(height)}" font-family="{FONT}" font-size="{digits(SIZE)}" '
        f'color="#000000">{head}{inside}</svg>'
    )


NARROW, WIDE = frozenset("iljtfrI.,:;'|!()[]/ "), frozenset("mwMWOQ@%—…")


@lru_cache(maxsize=8192)  # tables repeat the same words many times
def width_em(text: str) -> float:
    """Approximate text width in the record's fonts, em; on the large side, since the fonts are not read."""
    return sum(
        0.30 if c in NARROW else 0.95 if c in WIDE or ord(c) > 0x2E7F else 0.68 if c.isupper() else 0.53 for c in text
    )


def text_width(text: str, size: float = SIZE) -> float:
    """Approximate text width in px at a type size."""
    return 1.05 * size * width_em(text)


def shortened(text: str, longest_em: float) -> str:
    """The text, cut with an ellipsis if it is wider than that."""
    if width_em(text) <= longest_em:
        return text
    kept = ""
    for char in text:
        if width_em(kept) + width_em(char) > longest_em - 1.0:
            break
        kept += char
    return kept.rstrip() + "…"
