"""The canvas of cells: clipping, wide characters, wrapping, and control characters in text from files."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from commission.ui.widgets.draw import braille
from commission.ui.widgets.draw.canvas import Canvas, fit, plain, runs, wrap


def test_put_clips_text_outside_the_canvas():
    sheet = Canvas(6, 2)
    sheet.put(4, 0, "abcd")
    sheet.put(-1, 1, "xyz")
    sheet.put(0, 5, "below")
    assert plain(sheet.lines()) == "    ab\nyz"


def test_wide_characters_keep_columns_aligned():
    sheet = Canvas(6, 1)
    sheet.put(0, 0, "音a")
    sheet.put(3, 0, "b")
    (line,) = sheet.lines()
    assert plain([line]) == "音ab"
    assert sum(cell_len(text) for text, _ in line) == 6


def test_neighbouring_cells_of_one_style_form_one_run():
    assert runs([("a", "x"), ("b", "x"), ("c", "")]) == (("ab", "x"), ("c", ""))


@given(st.text(max_size=60), st.integers(1, 30))
def test_fit_returns_exactly_the_requested_width(text, cells):
    assert cell_len(fit(text, cells)) == cells
    assert cell_len(fit(text, cells, "right")) == cells


@given(st.text(max_size=200), st.integers(4, 40))
def test_wrapped_lines_fit(text, cells):
    assert all(cell_len(line) <= cells for line in wrap(text, cells))


def test_wrap_keeps_every_word():
    text = "Hold the meter at ear height, microphone up"
    assert " ".join(wrap(text, 12)) == text


def test_control_characters_from_files_do_not_reach_the_terminal():
    assert "\x1b" not in fit("FL\x1b[2J\x07", 12)
    assert "\x1b" not in "".join(wrap("a\x1b]0;title\x07b", 20))


# Braille patterns: dot numbering of Unicode block U+2800 (Unicode Standard, chapter 21.1): dots 1-2-3-7 are the left
# column from the top, 4-5-6-8 the right one, and dot n sets bit n-1.
@pytest.mark.parametrize(
    ("row", "column", "dot"),
    [(0, 0, 1), (1, 0, 2), (2, 0, 3), (0, 1, 4), (1, 1, 5), (2, 1, 6), (3, 0, 7), (3, 1, 8)],
)
def test_braille_dots_follow_unicode(row, column, dot):
    dots = np.zeros((4, 2), dtype=bool)
    dots[row, column] = True
    assert braille.codes(dots)[0, 0] == 1 << (dot - 1)


def test_polyline_has_no_holes_on_a_steep_slope():
    x = np.array([0.0, 9.0])
    dots = braille.polyline(x, np.array([0.0, 39.0]), rows=10, columns=5)
    filled = np.nonzero(dots.any(axis=1))[0]
    assert filled.tolist() == list(range(40))


def test_polyline_keeps_a_dip_narrower_than_a_column():
    x = np.linspace(0, 9, 1001)
    y = np.full(1001, 4.0)
    y[503] = 30.0
    dots = braille.polyline(x, y, rows=10, columns=5)
    assert dots[30].any()


def test_gaps_stay_empty():
    x = np.arange(20.0)
    y = np.full(20, 8.0)
    y[8:12] = np.nan
    dots = braille.polyline(x, y, rows=4, columns=10)
    assert not dots[:, 9:11].any()
    assert dots[8, :8].all()
