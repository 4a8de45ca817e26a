"""The entry table as plain text, and how typed text is read."""

from dataclasses import replace

import pytest

from commission.model import InputError, Prompt
from commission.ui.widgets.draw.canvas import plain
from commission.ui.widgets.draw.entry import (
    EntryRow,
    Typing,
    draw_entry,
    entry_value,
    impossible,
    outside,
    question,
    row_of_line,
)


def prompt(channel="FL", unit="dB", quantity="level", expected=(40.0, 110.0), seat="A2"):
    return Prompt(channel=channel, seat=seat, quantity=quantity, unit=unit, text="Read.", expected=expected)


ROWS = (
    EntryRow(prompt("FL"), (76.0, 76.4)),
    EntryRow(prompt("FC"), (74.5,)),
    EntryRow(prompt("BR")),
)


def drawn(rows=ROWS, cursor=0, typing=Typing(), width=46, **more):  # noqa: B008
    return plain(draw_entry(rows, cursor, typing, width, **more)).split("\n")


def test_repeats_show_their_number_mean_and_spread():
    lines = drawn()
    assert lines[0].split() == ["Channel", "Last", "dB", "n", "Mean", "Spread"]
    assert lines[1].split() == ["▸", "FL", "76.4", "2", "76.2", "0.4"]
    assert lines[2].split() == ["FC", "74.5", "1"]
    assert lines[3].split() == ["BR", "····"]


def test_a_default_value_is_shown_with_its_origin():
    given = replace(prompt("FL", unit="m", quantity="distance"), given=(3.42, "position"))
    lines = drawn((EntryRow(given), EntryRow(given, (3.5,))))
    assert lines[1].split() == ["▸", "FL", "3.42", "position"]
    assert lines[2].split() == ["FL", "3.50", "1"]  # a reading replaces it


def test_typed_text_appears_in_its_row():
    assert "7▏" in drawn(cursor=2, typing=Typing("7"))[3]


def test_a_message_appears_below_its_row():
    lines = drawn(cursor=1, typing=Typing("7x", "FC A2 level: found “7x”, expected a number."))
    assert "✗ FC A2 level: found" in lines[3]
    asked = drawn(cursor=1, typing=Typing("120", "unusual", asking=True))
    assert asked[3].strip() == "? unusual"


def test_seat_and_quantity_columns_only_where_they_differ():
    assert "Seat" not in drawn()[0]
    two = (EntryRow(prompt(seat="A1")), EntryRow(prompt(seat="A2")))
    assert "Seat" in drawn(two)[0]
    mixed = (EntryRow(prompt()), EntryRow(prompt(quantity="noise")))
    assert "What" in drawn(mixed, width=60)[0]


def test_nothing_to_enter():
    assert drawn(()) == [""]


@pytest.mark.parametrize(
    ("unit", "text", "value"),
    [
        ("dB", "76.5", 76.5),
        ("dB", "76,5", 76.5),
        ("dB", "-3", -3.0),
        ("m", "3.42", 3.42),
        ("m", "342 cm", 3.42),
        ("m", "11' 2 1/2\"", 3.4163),  # (11 · 12 + 2.5) in · 0.0254 m (NIST SP 811)
        ("°C", "70.7F", 21.5),
    ],
)
def test_typed_text_becomes_a_number_in_the_unit_of_its_prompt(unit, text, value):
    assert entry_value(prompt(unit=unit, expected=None), text) == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "metres"),
    [("9.7", 9.7 * 0.3048), ("9.7 m", 9.7), ("970 cm", 9.7), ("31' 9 7/8\"", 9.699625), ("31 ft 9 in", 9.6774)],
)
def test_a_length_without_a_unit_is_in_the_units_of_the_job(text, metres):
    """1 ft = 0.3048 m (NIST SP 811)."""
    tape = prompt(unit="m", quantity="distance", expected=(0.3, 20.0))
    assert entry_value(tape, text, "imperial") == pytest.approx(metres)
    assert entry_value(tape, text, "metric") == pytest.approx(9.7 if text == "9.7" else metres)


def test_the_interpretation_of_a_typed_length_is_shown_beside_it():
    rows = (EntryRow(prompt(unit="m", quantity="distance", expected=(0.3, 20.0)), (3.42,)),)
    assert "9.7▏ = 9' 8 3/8\"" in drawn(rows, typing=Typing("9.7"), units="imperial")[1]
    assert "9.7▏ = 9.70 m" in drawn(rows, typing=Typing("9.7"))[1]
    assert "=" not in drawn(rows, typing=Typing("9' x"))[1]
    assert all(len(line) <= 30 for line in drawn(rows, typing=Typing("9.7"), width=30, units="imperial"))


@pytest.mark.parametrize("text", ["7x", "1.2.3", "..", ","])
def test_invalid_text_gives_one_sentence(text):
    with pytest.raises(InputError, match="FL A2 level"):
        entry_value(prompt(), text)


@pytest.mark.parametrize("text", ["76,5 dB", "76.5dB", "76.5 dB(C)", "76.5 dBC"])
def test_the_unit_of_the_meter_may_follow_the_number(text):
    assert entry_value(prompt(), text) == 76.5
    with pytest.raises(InputError):
        entry_value(prompt(), text.replace("dB", "V"))


def test_impossible_values_are_refused_and_unusual_ones_are_not():
    for value in (7650.0, 1e9, -200.0):
        assert "decimal sign" in impossible(prompt(), value)
    for value in (7.6, 129.4, 76.0):
        assert impossible(prompt(), value) == ""
    assert impossible(prompt(expected=None), 1e9) == ""


def test_unusual_values_are_questioned_in_words():
    assert outside(prompt(), 120.0)
    assert not outside(prompt(), 76.0)
    assert not outside(prompt(expected=None), 1e6)
    assert "120.0 dB is outside the usual 40.0 dB to 110.0 dB" in question(prompt(), 120.0, "metric")


def test_mouse_rows_skip_the_message_line():
    assert row_of_line(3, 1, 2, 1) == 0
    assert row_of_line(3, 1, 2, 2) == 1
    assert row_of_line(3, 1, 2, 5) == 2
    assert row_of_line(3, 1, 0, 0) == -1
    assert row_of_line(3, 1, 2, 9) == -1


def test_imperial_readings():
    rows = (EntryRow(prompt(unit="m", quantity="distance", expected=None), (3.42,)),)
    lines = drawn(rows, units="imperial")
    assert "ft in" in lines[0]
    assert "11' 2 5/8\"" in lines[1]
