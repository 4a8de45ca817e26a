"""The grid of seats by channels as plain text."""

from commission.model import Grid, GridCell, Verdict
from commission.ui.widgets.draw.canvas import plain
from commission.ui.widgets.draw.grid import DETAIL_ROWS, Window, draw_grid, short, window

CELLS = {
    ("FL", "A1"): GridCell(
        verdict=Verdict.PASS, figure="75.7", detail=("level 75.7 dB", "arrival 9.98 ms"), curve_id="c"
    ),
    ("FL", "A2"): GridCell(verdict=Verdict.FAIL, figure="treble −25"),
    ("SUB1", "A1"): GridCell(verdict=Verdict.UNSURE, figure="bass −10"),
    ("SUB1", "A2"): GridCell(verdict=Verdict.NOT_TESTED, figure="clipped"),
}
GRID = Grid(
    id="g", title="Seats across, channels down", seats=("A1", "A2", "A3"), channels=("FL", "SUB1"), cells=CELLS
)


def drawn(grid, cursor, width, height=0):
    shown = window(grid, cursor, width, height)
    return plain(draw_grid(grid, cursor, shown, width))


def test_the_grid_shows_marks_values_brackets_and_detail_lines():
    assert drawn(GRID, (0, 0), 60) == (
        "Seats across, channels down\n"
        "      A1             A2             A3\n"
        "FL   [✓ 75.7       ] ✗ treble −25   ·\n"
        "SUB1  ? bass −10     – clipped      ·\n"
        "\n"
        "FL at A1  ✓ pass  75.7   Enter shows the curve\n"
        "  level 75.7 dB · arrival 9.98 ms\n\n\n"
    )


def test_an_unmeasured_place_is_described_as_such():
    assert "FL at A3  nothing measured here" in drawn(GRID, (0, 2), 60)


def test_eight_characters_of_a_value_are_shown_in_full_and_other_seats_scroll():
    text = drawn(GRID, (0, 0), 38)
    assert text.splitlines()[0] == "Seats across, channels d…   A1–A2 of 3"
    assert "A3" not in text.splitlines()[1]
    assert "– clipped" in text
    assert "? bass −10" in text
    assert "✗ −25" in text  # a longer text keeps its number


def test_shortened_text_keeps_its_number():
    assert short("treble −25", 6) == "−25"
    assert short("treble −25", 10) == "treble −25"
    assert short("reversed", 6) == "rever…"


BIG = Grid(
    id="g",
    title="All",
    seats=tuple(f"{row}{n}" for row in "ABCD" for n in range(1, 6)),
    channels=tuple(f"CH{n}" for n in range(1, 17)),
    cells={},
)


def test_twenty_seats_by_sixteen_channels_scroll_with_the_cursor():
    """At 80x24 the grid has about 17 lines."""
    for cursor in ((0, 0), (15, 19), (7, 10)):
        text = drawn(BIG, cursor, 78, 17)
        assert len(text.split("\n")) <= 17
        assert all(len(line) <= 78 for line in text.split("\n"))
        assert "[" in text
        assert f"{BIG.channels[cursor[0]]} at {BIG.seats[cursor[1]]}" in text
        assert "of 20" in text
        assert "of 16" in text


def test_window_moves_as_little_as_possible():
    old = window(BIG, (0, 0), 78, 17)
    assert window(BIG, (0, 1), 78, 17, old) == old
    far = window(BIG, (15, 19), 78, 17, old)
    assert far.seat + far.seats == 20
    assert far.channel + far.channels == 16
    assert window(BIG, (15, 18), 78, 17, far) == far


def test_the_number_of_detail_lines_does_not_depend_on_the_selection():
    for cursor in ((0, 0), (0, 2), (1, 1)):
        lines = draw_grid(GRID, cursor, Window(0, 0, 3, 2), 60)
        assert len(lines) == 2 + 2 + DETAIL_ROWS


def test_empty_grid_says_so():
    empty = Grid(id="g", title="t", seats=(), channels=(), cells={})
    assert "No seats" in drawn(empty, (0, 0), 60)
