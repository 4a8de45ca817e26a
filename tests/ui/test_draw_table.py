"""Tables of results as plain text."""

from dataclasses import replace

import pytest

from commission.model import Check, Column, Limit, Row, Table
from commission.model.formatting import number
from commission.model.quantities import limit_text, quantity, uncertainty
from commission.ui.widgets.draw.canvas import Line, plain
from commission.ui.widgets.draw.figures import check_runs
from commission.ui.widgets.draw.table import TableLayout

MATCH = Limit(low=-0.5, high=0.5, unit="dB", basis="common practice")
COLUMNS = (
    Column(key="c", title="Channel"),
    Column(key="n", title="Name"),
    Column(key="l", title="Reading", unit="dB", decimals=1),
    Column(key="d", title="Tape", unit="m", decimals=2),
    Column(key="t", title="New trim", unit="dB", decimals=1, signed=True),
)


def row(key, name, level, tape, trim, apart, u=0.1):
    check = Check(id="x", channel=key, value=apart, unit="dB", uncertainty=u, limit=MATCH, text="reading less target")
    return Row(key=key, cells=(key, name, level, tape, trim), check=check)


TABLE = Table(
    id="trims",
    title="Trims",
    columns=COLUMNS,
    rows=(
        row("FL", "Front left", 75.0, 3.42, -1.5, 0.0),
        row("FC", "Centre", 104.25, 12.0, 0.0, 0.5),
        row("BR", "Back right", None, None, 12.0, -3.0),
    ),
    remark="Decided: a common offset of −0.5 dB.",
)


def test_units_are_in_the_heading_and_numbers_are_aligned():
    assert plain(TableLayout(TABLE, 70).lines(cursor=1)) == (
        "Trims\n"
        "                                         New\n"
        "                       Reading   Tape   trim\n"
        "  Channel  Name             dB      m     dB  Verdict\n"
        "  FL       Front left     75.0   3.42   −1.5  ✓ pass\n"
        "▸ FC       Centre        104.2  12.00    0.0  ? unsure\n"
        "  BR       Back right        –      –  +12.0  ✗ fail\n"
        "Decided: a common offset of −0.5 dB."
    )


def test_decimal_points_are_aligned():
    lines = plain(TableLayout(TABLE, 70).lines()).split("\n")[4:6]
    assert lines[0].index("75.0") + 2 == lines[1].index("104.2") + 3


def test_lengths_in_the_units_of_the_job():
    drawn = plain(TableLayout(TABLE, 80, units="imperial").lines())
    assert "ft in" in drawn
    assert "11' 2 5/8\"" in drawn  # 3.42 m = 134.646 in = 11 ft 2.646 in, nearest eighth 5/8 (NIST SP 811: 25.4 mm)


def test_a_narrow_table_keeps_name_and_verdict_and_says_that_columns_are_hidden():
    drawn = plain(TableLayout(TABLE, 36).lines())
    assert all(len(line) <= 36 for line in drawn.split("\n"))
    assert "✗ fail" in drawn
    assert "← → columns" in drawn


def test_hidden_columns_scroll_into_view():
    assert "New" not in plain(TableLayout(TABLE, 36).lines()).split("\n")[1]
    assert "New" in plain(TableLayout(TABLE, 36, first_column=4).lines())


def test_empty_table_says_so():
    assert "Nothing yet." in plain(TableLayout(Table(id="t", title="T", columns=COLUMNS, rows=()), 60).lines())


def test_every_line_fits_at_any_width():
    for width in range(24, 100, 7):
        assert all(len(line) <= width for line in plain(TableLayout(TABLE, width).lines(cursor=0)).split("\n"))


def test_text_from_files_cannot_steer_the_terminal():
    evil = Table(id="t", title="\x1b[2Jboo", columns=COLUMNS[:2], rows=(Row(key="a", cells=("\x1b[31m", "[red]x")),))
    drawn = plain(TableLayout(evil, 60).lines())
    assert "\x1b" not in drawn
    assert "[red]x" in drawn


def printed(check):
    return "".join(text for text, _ in check_runs(check))


def test_the_line_of_a_check_has_verdict_limit_uncertainty_and_basis():
    text = printed(TABLE.rows[1].check)
    assert text.startswith("? unsure")
    assert "+0.50 dB" in text
    assert "limit −0.5 to 0.5 dB" in text
    assert "U = 0.20 dB" in text  # U = 2 u
    assert "common practice" in text


def test_a_line_without_a_verdict_gives_the_reason():
    check = Check(id="x", channel="FL", value=None, unit="dB", limit=MATCH, why_not="no reading yet")
    assert "not tested, because no reading yet" in printed(check)
    assert printed(None)


@pytest.mark.parametrize(
    ("limit", "text"),
    [
        (Limit(high=0.1, unit="ms", basis=""), "at most 0.10 ms"),
        (Limit(low=30.0, unit="dB", basis=""), "at least 30.0 dB"),
        (Limit(low=-0.5, high=0.5, unit="dB", basis=""), "−0.5 to 0.5 dB"),
    ],
)
def test_limits_in_words(limit, text):
    assert limit_text(limit) == text


def test_numbers():
    assert number(-0.04, 1) == "0.0"  # never "−0.0"
    assert number(1.25, 1, signed=True) == "+1.2"
    assert number(float("nan"), 1) == "–"
    assert quantity(21.5, "°C", "imperial") == "70.7 °F"  # 21.5 · 1.8 + 32
    assert uncertainty(0.085, "ms") == "0.17 ms"
    assert uncertainty(0.01, "m", "imperial") == "0.8 in"  # 0.02 m = 0.787 in


def test_a_value_in_words_replaces_its_number():
    limit = Limit(low=0.0, unit="", basis="common practice")
    check = Check(
        id="x",
        channel="FR",
        seat="A1",
        value=-1.0,
        unit="",
        limit=limit,
        text="polarity",
        words="reversed; expected normal",
    )
    printed = "".join(text for text, _ in check_runs(check))
    assert printed == "✗ fail  FR at A1 polarity: reversed; expected normal   basis: common practice"


def test_verdicts_already_given_in_words_take_no_column():
    assert "Verdict" in plain(TableLayout(TABLE, 70).lines())
    assert "Verdict" not in plain(TableLayout(replace(TABLE, verdicts=False), 70).lines())


def test_a_comparison_of_two_values_shows_no_single_value_or_uncertainty():
    limit = Limit(low=0.0, unit="", basis="common practice")
    check = Check(id="x", channel="FL", seat="A2", value=None, unit="", limit=limit, text="polarity", undecided=True)
    check = replace(check, words="one is reversed")
    line = plain((check_runs(check),))
    assert line.startswith("? unsure  FL at A2 polarity: one is reversed")
    assert "U =" not in line


def test_only_the_visible_lines_of_a_long_table_are_drawn(monkeypatch: pytest.MonkeyPatch):
    long = replace(TABLE, rows=tuple(replace(TABLE.rows[n % 3], key=str(n)) for n in range(1000)))
    drawn = TableLayout(long, 70)
    rows: list[int] = []
    one = TableLayout._row

    def note(table: TableLayout, number: int, *more: str) -> Line:
        rows.append(number)
        return one(table, number, *more)

    monkeypatch.setattr(TableLayout, "_row", note)
    lines = drawn.lines(cursor=2)
    assert len(lines) == 1005
    assert plain(lines[6:7]).startswith("▸ BR")
    assert len(plain(lines[4:8]).split("\n")) == 4
    assert rows == [2, 0, 1, 2, 3]
    assert plain(lines[-1:]) == TABLE.remark
    assert plain(drawn.lines()[:7]) == plain(TableLayout(TABLE, 70).lines()[:7])
