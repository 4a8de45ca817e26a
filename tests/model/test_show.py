"""Numbers as text, the same on the screen and on paper."""

from __future__ import annotations

import math

import pytest

from commission.model.formatting import place_text, two_digits


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.1234, "0.12"),
        (0.098, "0.098"),
        (0.0289, "0.029"),
        (12.34, "12"),
        (123.4, "120"),
        (0.0, "0"),
        (-0.2, "−0.20"),
        (math.inf, "∞"),
        (0.0000123, "0.000012"),
    ],
)
def test_an_uncertainty_has_two_digits_and_no_exponent(value: float, text: str) -> None:
    """JCGM 100:2008, 7.2.6: at most two significant digits."""
    assert two_digits(value) == text


def test_a_place_is_named_by_channel_and_seat_or_by_one_of_them() -> None:
    assert [place_text("FL", "A2"), place_text("F\x1bL", None), place_text(None, "A2"), place_text(None, None)] == [
        "FL at A2",
        "FL",
        "A2",
        "",
    ]
