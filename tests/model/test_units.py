"""Lengths and temperatures in every notation of the trade. Conversions: NIST SP 811, Appendix B.8 (exact)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from commission.model import InputError
from commission.model.units import clean_text, format_length, parse_length_m, parse_number, parse_temperature_c

LENGTHS = {
    "3.42": 3.42,
    "3.42 m": 3.42,
    "3,42 m": 3.42,
    "342 cm": 3.42,
    "3420 mm": 3.42,
    "342cm": 3.42,
    ".5": 0.5,
    "11' 2 1/2\"": 134.5 * 0.0254,
    "11 ft 2.5 in": 134.5 * 0.0254,
    "134.5 in": 134.5 * 0.0254,
    "11'": 11 * 0.3048,
    "11′ 2½″".replace("½", " 1/2"): 134.5 * 0.0254,
    "11’2”": 134 * 0.0254,
    '2 1/2"': 2.5 * 0.0254,
    "1/2 in": 0.0127,
    "11 feet 2 inches": 134 * 0.0254,
    "  3.42  M ": 3.42,
    "0": 0.0,
}


@pytest.mark.parametrize(("text", "metres"), LENGTHS.items())
def test_lengths(text: str, metres: float) -> None:
    assert parse_length_m(text) == pytest.approx(metres, abs=1e-12)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x",
        "3.4.2",
        "5' 13\"",
        "-1",
        "nan",
        "inf",
        "1e400",
        "1e3",
        "3 m 4",
        "11' 2 3/2\"",
        "1/0 in",
        "3.42 km",
        "5000",
        "3..2",
        "m",
        "'",
        "2.5 1/2 in",
    ],
)
def test_nonsense_is_refused_with_the_field_and_what_is_expected(text: str) -> None:
    with pytest.raises(InputError, match="^tape: found .* expected"):
        parse_length_m(text, "tape")


def test_coordinates_may_be_negative_but_lengths_may_not() -> None:
    assert parse_length_m("-1.45", signed=True) == -1.45
    assert parse_length_m("−1' 6\"", signed=True) == pytest.approx(-0.4572)
    assert parse_length_m(3) == 3.0


@given(metres=st.floats(0, 30))
def test_printed_lengths_are_read_back(metres: float) -> None:
    assert parse_length_m(format_length(metres, "imperial")) == pytest.approx(metres, abs=0.0254 / 16 + 1e-9)
    assert parse_length_m(format_length(metres)) == pytest.approx(metres, abs=0.005 + 1e-9)


@given(text=st.text(max_size=30))
def test_any_text_is_read_or_refused(text: str) -> None:
    for parse in (parse_length_m, parse_temperature_c):
        try:
            assert isinstance(parse(text), float)
        except InputError as error:
            assert "\x1b" not in str(error)


@pytest.mark.parametrize(
    ("text", "celsius"),
    [("21.5", 21.5), ("21.5 °C", 21.5), ("70.7 °F", 21.5), ("70.7F", 21.5), ("21,5c", 21.5), ("-4 F", -20.0)],
)
def test_temperatures(text: str, celsius: float) -> None:
    assert parse_temperature_c(text) == pytest.approx(celsius, abs=1e-9)


@pytest.mark.parametrize("text", ["", "hot", "200", "70 K", "nan"])
def test_temperatures_outside_any_room_are_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse_temperature_c(text)


def test_numbers() -> None:
    assert parse_number("−3,5", "trim") == -3.5
    for text in ("", "nan", "1e999", "x"):
        with pytest.raises(InputError, match="trim"):
            parse_number(text, "trim")
    with pytest.raises(InputError):
        parse_number("3", "n", high=2)


def test_terminal_control_characters_are_stripped() -> None:
    assert clean_text("\x1b[31mred\x1b[0m\u202e\x07 a\tb") == "[31mred[0m a b"
