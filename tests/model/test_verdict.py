"""The guard-banded verdict rule: JCGM 106:2012 and ISO 14253-1 (from memory), one-sided 5 % risk."""

from __future__ import annotations

import ast
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import commission
from commission.model import GUARD_FACTOR, Limit, Verdict
from commission.model.verdict import surely_above, surely_below

numbers = st.floats(-100, 100)


def test_the_factor_is_the_one_sided_95_percent_point() -> None:
    scipy_stats = pytest.importorskip("scipy.stats")
    assert pytest.approx(scipy_stats.norm.ppf(0.95), abs=5e-4) == GUARD_FACTOR  # printed to three decimals


def test_beyond_a_bound_worked_by_hand() -> None:
    # 1.645 · 0.2 = 0.329
    assert surely_above(1.33, 1.0, 0.2)
    assert not surely_above(1.32, 1.0, 0.2)
    assert surely_below(-10.33, -10.0, 0.2)
    assert not surely_below(-10.32, -10.0, 0.2)
    assert not surely_above(math.nan, 1.0, 0.2)
    assert not surely_below(1.0, 2.0, math.nan)


@given(value=numbers, low=numbers, width=st.floats(0, 50), u=st.floats(0, 10))
def test_a_limit_fails_exactly_where_a_bound_is_surely_exceeded(
    value: float, low: float, width: float, u: float
) -> None:
    limit = Limit(low=low, high=low + width, unit="dB", basis="made up for the test")
    beyond = surely_above(value, low + width, u) or surely_below(value, low, u)
    assert (limit.judge(value, u) is Verdict.FAIL) is beyond


@given(value=numbers, high=numbers, more=st.floats(0, 50), u=st.floats(0, 10))
def test_a_wider_limit_never_worsens_a_verdict(value: float, high: float, more: float, u: float) -> None:
    narrow, wide = (Limit(high=h, unit="dB", basis="made up for the test") for h in (high, high + more))
    assert wide.judge(value, u).severity <= narrow.judge(value, u).severity


def test_only_one_module_applies_the_guard_band() -> None:
    """The factor is in one module: another rule elsewhere would judge the same number differently."""
    package = Path(commission.__file__).parent
    using = []
    for path in sorted(package.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        if "GUARD_FACTOR" not in text and "1.645" not in text:
            continue  # parsing all files takes two seconds
        tree = ast.parse(text)
        names = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
        values = {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)}
        if "GUARD_FACTOR" in names or 1.645 in values:
            using.append(path.relative_to(package).as_posix())
    assert using == ["model/verdict.py"]
