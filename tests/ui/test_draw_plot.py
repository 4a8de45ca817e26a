"""The frequency plot as plain text."""

import numpy as np
import pytest
from stand_ins import FREQ

from commission.model import Curve, Series
from commission.ui.widgets.draw.canvas import plain
from commission.ui.widgets.draw.plot import LEFT, View, draw_plot, frequency, readout, value_at, y_span


def curve(*series, unit="dB", title="Front left at A2"):
    return Curve(id="c", title=title, series=series, y_unit=unit, caption="1/12 octave")


def flat(name="A2", level=75.0, kind="main"):
    return Series(name=name, x=FREQ, y=np.full(FREQ.size, level), kind=kind)


def test_a_small_plot_is_drawn_as_expected():
    drawn = plain(draw_plot(curve(flat()), 46, 12, View(y_limits=(60.0, 80.0))))
    assert drawn == (
        "Front left at A2  1/12 octave\n"
        "      ─── A2\n"
        "      ← → read   z bass only\n"
        "   80 ┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈\n"
        "           ┊   ┊   ┊    ┊   ┊  ┊     ┊  ┊\n"
        "   75 ⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉⠉\n"
        "           ┊   ┊   ┊    ┊   ┊  ┊     ┊  ┊\n"
        "   70 ┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈\n"
        "   65 ┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈\n"
        "           ┊   ┊   ┊    ┊   ┊  ┊     ┊  ┊\n"
        "   60 ┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈┈\n"
        "   dB 20   50 100 200  500  1k 2k 3k   10k 20k"
    )


def test_every_line_has_the_requested_width():
    for width, height in ((30, 8), (58, 18), (118, 34)):
        lines = draw_plot(curve(flat()), width, height, View())
        assert len(lines) == height
        assert all(sum(len(text) for text, _ in line) == width for line in lines)


@pytest.mark.parametrize("hz", [20, 100, 1000, 10000])
def test_frequencies_are_placed_logarithmically(hz):
    """Decades are equally wide: the cell of f is (lg f - lg 20) / 3 of the way."""
    spike = np.where(np.isclose(FREQ, FREQ[np.argmin(abs(FREQ - hz))]), 75.0, np.nan)
    spike_only = Series(name="A2", x=FREQ, y=spike)
    rows = [line for line in plain(draw_plot(curve(spike_only), 87, 14, View())).split("\n")[3:-1]]
    columns = [i - LEFT for row in rows for i, char in enumerate(row) if 0x2800 < ord(char) < 0x2900]
    want = (np.log10(FREQ[np.argmin(abs(FREQ - hz))]) - np.log10(20)) / 3 * 79
    assert columns
    assert abs(columns[0] - want) <= 1.0  # half a cell either way


def test_an_empty_curve_is_described_in_words():
    assert "Nothing to plot yet" in plain(draw_plot(curve(), 60, 12, View()))
    hole = Series(name="A2", x=FREQ, y=np.full(FREQ.size, np.nan))
    assert "Nothing to plot yet" in plain(draw_plot(curve(hole), 60, 12, View()))


def test_a_window_that_is_too_small_says_so():
    assert "widen the window" in plain(draw_plot(curve(flat()), 60, 5, View()))


def test_gap_is_not_bridged():
    y = np.where((FREQ > 300) & (FREQ < 3000), np.nan, 75.0)
    rows = plain(draw_plot(curve(Series(name="A2", x=FREQ, y=y)), 87, 14, View())).split("\n")[3:-1]
    middle = LEFT + round((np.log10(1000) - np.log10(20)) / 3 * 79)
    assert not any(0x2800 < ord(row[middle]) < 0x2900 for row in rows if len(row) > middle)


def test_read_out_gives_frequency_value_and_unit():
    low, high = flat("lowest", 70.0, "low"), flat("highest", 78.5, "high")
    printed = readout(curve(flat(level=-3.25), low, high), 1250.0)
    assert printed.strip() == "1.25 kHz: A2 −3.2 dB · spread 70.0 … 78.5 dB"
    assert "63 Hz" in readout(curve(flat()), 63.0)


def test_read_out_in_a_gap_is_a_dash():
    y = np.where(FREQ < 100, np.nan, 75.0)
    assert "A2 –" in readout(curve(Series(name="A2", x=FREQ, y=y)), 50.0)


def test_value_between_points_is_interpolated_on_the_logarithmic_axis():
    line = Series(name="a", x=np.array([100.0, 1000.0]), y=np.array([0.0, 10.0]))
    assert value_at(line, 100.0 * 10**0.5) == pytest.approx(5.0)  # half a decade is half the way
    assert value_at(line, 50.0) is None


def test_series_differ_without_colour():
    """The second of two curves is dashed and has markers, in the plot and in the legend."""
    drawn = plain(draw_plot(curve(flat("as-left", 78.0), flat("as-found", 70.0)), 87, 16, View()))
    legend = drawn.split("\n")[1]
    assert "─── as left" in legend  # the round in words
    assert "╌╌╌○ as found" in legend
    assert drawn.count("○") >= 3


def test_the_spread_is_drawn_behind_the_main_curve():
    series = (flat("lowest", 68.0, "low"), flat("highest", 82.0, "high"), flat("A2", 75.0))
    lines = draw_plot(curve(*series), 60, 18, View())
    styles = {style for line in lines[3:-1] for text, style in line if any(0x2800 < ord(c) < 0x2900 for c in text)}
    assert styles == {"band", "main"}
    row = next(line for line in lines[4:-1] if any(style == "main" for _, style in line))
    assert "band" not in {style for _, style in row}


def test_bass_zoom_shows_the_bass_only():
    last = plain(draw_plot(curve(flat()), 80, 14, View(high_hz=300.0))).split("\n")[-1]
    assert "300" in last
    assert "1k" not in last


def test_scale_shows_at_least_20_db_and_not_more_than_50():
    low, high = y_span(curve(flat()), View())
    assert high - low >= 20
    cut = Series(name="sub", x=FREQ, y=np.where(FREQ > 200, -60.0, 80.0))
    low, high = y_span(curve(cut), View())
    assert high >= 80
    assert high - low == pytest.approx(50)


def test_a_variance_starts_at_zero():
    low, high = y_span(curve(Series(name="a", x=FREQ, y=np.full(FREQ.size, 9.0)), unit="dB²"), View())
    assert low == 0
    assert high >= 9


def test_given_axis_limits_are_kept_between_curves():
    first = plain(draw_plot(curve(flat(level=70)), 60, 14, View(y_limits=(50.0, 90.0))))
    second = plain(draw_plot(curve(flat(level=80)), 60, 14, View(y_limits=(50.0, 90.0))))
    axis = [line[:LEFT] for line in first.split("\n")[3:]]
    assert axis == [line[:LEFT] for line in second.split("\n")[3:]]


def test_frequency_in_words():
    assert frequency(63.2) == "63 Hz"
    assert frequency(1000.0) == "1.00 kHz"


def test_control_characters_in_names_are_dropped():
    assert "\x1b" not in plain(draw_plot(curve(flat("A\x1b[2J")), 60, 14, View(cursor_hz=100.0)))


def test_a_legend_that_is_too_long_for_one_line_takes_two():
    names = ("lowest predicted", "highest predicted", "as measured")
    drawn = plain(draw_plot(curve(*(flat(name) for name in names)), 44, 17, View()))
    assert all(name in drawn for name in names)
    assert "…" not in drawn


def test_a_unit_too_long_for_the_axis_is_shortened_to_whole_words():
    shown = Curve(id="x", title="Bass", series=(flat(level=0.0),), y_unit="dB rel.")
    assert plain(draw_plot(shown, 60, 14, View())).splitlines()[-1].startswith("   dB 20")


def test_a_long_title_takes_two_lines_where_there_is_room():
    shown = Curve(id="x", title="Front left: seat-to-seat standard deviation", series=(flat(),))
    assert "deviation" in plain(draw_plot(shown, 40, 20, View()))
    assert plain(draw_plot(shown, 40, 10, View())).splitlines()[0].endswith("…")


def test_a_caption_that_does_not_fit_beside_the_title_has_its_own_line():
    lines = plain(draw_plot(curve(flat(), title="Front left: seat to seat"), 34, 16, View())).split("\n")
    assert [line.strip() for line in lines[:3]] == ["Front left: seat to seat", "1/12 octave", "─── A2"]
    low = plain(draw_plot(curve(flat(), title="Front left: seat to seat"), 34, 10, View())).split("\n")
    assert low[0].startswith("Front left: seat to seat  1/12 o")
