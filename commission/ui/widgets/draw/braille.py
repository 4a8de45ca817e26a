"""Draws dots in braille cells: two across and four down in each terminal cell."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from commission.model import FloatArray

Dots = NDArray[np.bool_]
"""The dots of a canvas [shape=(4 · rows, 2 · columns)], row 0 on top."""

_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]], dtype=np.uint8)
"""Bit of each dot of a cell (Unicode Standard, block Braille Patterns, U+2800)."""


def codes(dots: Dots) -> NDArray[np.uint8]:
    """Pattern of each cell [shape=(rows, columns)]; 0 if it is empty."""
    rows, columns = dots.shape[0] // 4, dots.shape[1] // 2
    cells = dots.reshape(rows, 4, columns, 2)
    return np.asarray(np.einsum("rycx,yx->rc", cells, _BITS), dtype=np.uint8)


def char(code: int) -> str:
    """The character of a pattern."""
    return chr(0x2800 + code)


def polyline(x: FloatArray, y: FloatArray, rows: int, columns: int) -> Dots:
    """A curve through points given in dots (x rising, y downward), without gaps on steep slopes.

    Each dot column spans the range of the curve within it, so that a narrow notch is not lost. Non-finite points are
    gaps.
    """
    height, width = 4 * rows, 2 * columns
    at = np.arange(width, dtype=float)
    if x.size == 0:
        return np.zeros((height, width), dtype=bool)
    middle = np.interp(at, x, y, left=np.nan, right=np.nan)
    edge_left = np.interp(at - 0.5, x, y, left=np.nan, right=np.nan)
    edge_right = np.interp(at + 0.5, x, y, left=np.nan, right=np.nan)
    low = np.fmin(np.fmin(edge_left, edge_right), middle)
    high = np.fmax(np.fmax(edge_left, edge_right), middle)
    column = np.floor(x + 0.5)
    inside = (column >= 0) & (column < width) & np.isfinite(y)
    index = column[inside].astype(int)
    np.fmin.at(low, index, y[inside])
    np.fmax.at(high, index, y[inside])
    row = np.arange(height)[:, None]
    with np.errstate(invalid="ignore"):
        return np.asarray((row >= np.floor(low + 0.5)) & (row <= np.floor(high + 0.5)))


def between(x: FloatArray, low: FloatArray, high: FloatArray, rows: int, columns: int) -> Dots:
    """A light, even pattern of dots between two curves given in dots."""
    height, width = 4 * rows, 2 * columns
    at = np.arange(width, dtype=float)
    if x.size == 0:
        return np.zeros((height, width), dtype=bool)
    top = np.interp(at, x, np.fmin(low, high), left=np.nan, right=np.nan)
    bottom = np.interp(at, x, np.fmax(low, high), left=np.nan, right=np.nan)
    row = np.arange(height)[:, None]
    with np.errstate(invalid="ignore"):
        inside = (row >= np.floor(top + 0.5)) & (row <= np.floor(bottom + 0.5))
    column = np.arange(width)[None, :]
    return np.asarray(inside & (column % 2 == 0) & ((row + column) % 4 == 0))


def segment(start: tuple[float, float], end: tuple[float, float], rows: int, columns: int, gap: int = 1) -> Dots:
    """A straight line between two points in dots (x, y); every `gap`-th dot of it."""
    dots: Dots = np.zeros((4 * rows, 2 * columns), dtype=bool)
    steps = int(max(abs(end[0] - start[0]), abs(end[1] - start[1]))) + 1
    share: NDArray[Any] = np.linspace(0.0, 1.0, steps + 1)[::gap]
    x = np.floor(start[0] + (end[0] - start[0]) * share + 0.5).astype(int)
    y = np.floor(start[1] + (end[1] - start[1]) * share + 0.5).astype(int)
    inside = (x >= 0) & (x < 2 * columns) & (y >= 0) & (y < 4 * rows)
    dots[y[inside], x[inside]] = True
    return dots
