"""Limits profiles: the shipped one cites its bases, a firm's own overrides it, and every mistake in one is named."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from builders import cinema, defined, job_of
from hypothesis import given
from hypothesis import strategies as st

from commission.model import InputError, Limit, LimitsChosen, default_profile, read_profile
from commission.steps import all_steps

OWN = """
schema = 1
name = "Studio practice"
version = "2026-02"
[[limit]]
quantity = "levels.match"
low = -1.0
high = 1.0
unit = "dB"
basis = "our own practice"
"""


def test_every_shipped_limit_states_its_source() -> None:
    source = re.compile(
        r"common practice|determined by simulation|from memory|\d{3,}|outside the room|arithmetic|ANSI"
    )
    profile = default_profile()
    assert len({each.quantity for each in profile.limits}) == len(profile.limits) > 10
    for each in profile.limits:
        assert source.search(each.basis), each.quantity
        assert each.applies
        assert not each.own


def test_a_firms_profile_overrides_the_defaults() -> None:
    own = read_profile(OWN, "studio.toml")
    assert own.title == "Studio practice, version 2026-02"
    assert own.of("levels.match") == Limit(low=-1.0, high=1.0, unit="dB", basis="our own practice")
    assert own.of("seats.snr") == default_profile().of("seats.snr")
    assert [each.quantity for each in own.limits if each.own] == ["levels.match"]
    job = job_of(defined(cinema()), LimitsChosen(profile=own))
    assert job.limit("levels.match").basis == "our own practice"
    assert job_of(defined(cinema())).limit("levels.match").basis != "our own practice"


def test_a_profile_stored_before_a_quantity_was_judged_falls_back_to_the_defaults() -> None:
    from dataclasses import replace

    old = replace(read_profile(OWN, "studio.toml"), limits=read_profile(OWN, "studio.toml").limits[:1])
    assert old.of("seats.snr") == default_profile().of("seats.snr")
    with pytest.raises(KeyError):
        old.of("no.such")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("schema = 1", "schema = 2"), "studio.toml: schema: found 2, expected 1"),
        (("[[limit]]", "[[limits]]"), "limits: found an unknown key"),
        (('"levels.match"', '"levels.mach"'), "limit 1.quantity: found levels.mach, expected one of levels.match"),
        (('unit = "dB"', 'unit = "ms"'), "“ms”, expected “dB”, the unit of levels.match"),
        (("low = -1.0", "low = 2.0"), "low 2 above high 1"),
        (("low = -1.0\nhigh = 1.0\n", ""), "neither low nor high"),
        (("high = 1.0", "high = nan"), "limit 1.high: found nan, expected a number"),
        (("high = 1.0", 'high = "1"'), "expected a number"),
        (("high = 1.0", "hihg = 1.0"), "hihg: found an unknown key"),
        (('basis = "our own practice"', 'basis = " "'), "limit 1.basis"),
        (('name = "Studio practice"\n', ""), "name: found nothing"),
        (("schema = 1", "schema = "), "invalid TOML"),
        (('basis = "our own practice"', 'basis = "' + "x" * 400 + '"'), "400 characters"),
        (("basis", "[[limit]]\nbasis"), "expected"),
    ],
)
def test_each_mistake_gets_its_own_message(change: tuple[str, str], message: str) -> None:
    assert change[0] in OWN
    with pytest.raises(InputError, match=re.escape(message)) as error:
        read_profile(OWN.replace(*change), "studio.toml")
    assert str(error.value).startswith("studio.toml")


def test_a_quantity_twice_is_named() -> None:
    twice = OWN + OWN[OWN.index("[[limit]]") :]
    with pytest.raises(InputError, match="a second time"):
        read_profile(twice, "studio.toml")


finite = st.floats(-100, 100)


@given(
    low=finite,
    width=st.floats(0, 50),
    wider=st.tuples(st.floats(0, 20), st.floats(0, 20)),
    value=finite,
    u=st.floats(0, 10),
)
def test_a_wider_limit_never_worsens_a_verdict(
    low: float, width: float, wider: tuple[float, float], value: float, u: float
) -> None:
    """By JCGM 106:2012, 8.3 (from memory), acceptance grows and rejection shrinks with the interval."""
    narrow = Limit(low=low, high=low + width, unit="dB", basis="x").judge(value, u)
    wide = Limit(low=low - wider[0], high=low + width + wider[1], unit="dB", basis="x").judge(value, u)
    assert wide.severity <= narrow.severity


def test_code_and_profile_name_the_same_quantities() -> None:
    """Every quantity that the code asks for is shipped, and nothing is shipped that no code asks for.

    Where the name is not a literal, the checks that the step declares count; `test_check_limits` compares them.
    """
    root = Path(__file__).resolve().parents[2] / "commission"
    asked = {each.quantity for step in all_steps() for each in step.limits if each.quantity}
    for path in [*(root / "steps").rglob("*.py"), *(root / "diagnosis").rglob("*.py")]:
        asked |= set(re.findall(r'\.limit\("([a-z.-]+)"\)', path.read_text(encoding="utf-8")))
    assert asked == {each.quantity for each in default_profile().limits}
