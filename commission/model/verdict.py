"""The verdict rule: a limit and a value with its uncertainty give one of four words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

GUARD_FACTOR = 1.645
"""One-sided 95 % quantile of the normal distribution: guard band of JCGM 106:2012 and ISO 14253-1 (from memory)."""


class Verdict(StrEnum):
    """A verdict; `symbol` is shown with it everywhere, so that colour alone never carries it."""

    PASS = "pass"
    FAIL = "fail"
    UNSURE = "unsure"
    NOT_TESTED = "not tested"

    @property
    def symbol(self) -> str:
        """The mark shown beside the word: ✓ ✗ ? –."""
        return {"pass": "✓", "fail": "✗", "unsure": "?", "not tested": "–"}[self.value]

    @property
    def severity(self) -> int:
        """Rank for "the worst verdict": fail, unsure, not tested, pass."""
        return _SEVERITY[self]


_SEVERITY = {Verdict.PASS: 0, Verdict.NOT_TESTED: 1, Verdict.UNSURE: 2, Verdict.FAIL: 3}


def worst(verdicts: list[Verdict] | tuple[Verdict, ...]) -> Verdict | None:
    """The worst of some verdicts; None if there are none."""
    return max(verdicts, key=_SEVERITY.__getitem__, default=None)


def surely_above(value: float, bound: float, standard_uncertainty: float) -> bool:
    """Whether `value` is above `bound` at a risk of 5 %: value − 1.645 u > bound. False if either is not a number.

    The one rule for failing limits, findings and outliers (JCGM 106, ISO 14253-1; from memory).
    """
    return value - guard_band(standard_uncertainty) > bound


def surely_below(value: float, bound: float, standard_uncertainty: float) -> bool:
    """Whether `value` is below `bound` at a risk of 5 %, like `surely_above`."""
    return value + guard_band(standard_uncertainty) < bound


def guard_band(standard_uncertainty: float) -> float:
    """How far inside a limit a value must be to pass: 1.645 u."""
    return GUARD_FACTOR * abs(standard_uncertainty)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """An interval of conformity; None leaves a side open. `basis` says where the number comes from."""

    low: float | None = None
    high: float | None = None
    unit: str
    basis: str

    @property
    def lower(self) -> float:
        """The low bound as a number, −inf where the side is open."""
        return -math.inf if self.low is None else self.low

    @property
    def upper(self) -> float:
        """The high bound as a number, inf where the side is open."""
        return math.inf if self.high is None else self.high

    def judge(self, value: float | None, standard_uncertainty: float = 0.0) -> Verdict:
        """Verdict on `value` with standard uncertainty u [same unit]: guarded acceptance and guarded rejection.

        Pass when value ± 1.645 u is inside, fail when it is outside by more than 1.645 u, otherwise unsure (JCGM
        106:2012 clause 8.3, ISO 14253-1; from memory). A missing or non-finite value is not tested.
        """
        if value is None or not math.isfinite(value) or not math.isfinite(standard_uncertainty):
            return Verdict.NOT_TESTED
        guard = guard_band(standard_uncertainty)
        below = -math.inf if self.low is None else self.low
        above = math.inf if self.high is None else self.high
        if surely_below(value, below, standard_uncertainty) or surely_above(value, above, standard_uncertainty):
            return Verdict.FAIL
        return Verdict.PASS if below + guard <= value <= above - guard else Verdict.UNSURE


# Without slots, to cache the verdict: tables, paper and JSON ask for it repeatedly.
@dataclass(frozen=True, kw_only=True)
class Check:
    """One checked number. `uncertainty` is the standard uncertainty u (k = 1); on screen U = 2 u is shown."""

    id: str
    channel: str | None = None
    seat: str | None = None
    value: float | None
    unit: str
    uncertainty: float = 0.0
    limit: Limit | None = None
    why_not: str | None = None
    """Why there is no verdict; given whenever the value is missing or must not be compared."""
    text: str = ""
    """A description of the number, for the line under a table."""
    words: str = ""
    """The value and the expectation, if the number only represents a word: "reversed; expected normal"."""
    undecided: bool = False
    """Either this or another one is wrong, with equal likelihood: unsure, with neither value nor uncertainty."""

    @cached_property
    def kind(self) -> str:
        """The id without the part added by the job: a band, a state of the room."""
        return ".".join(self.id.split(".", 2)[:2])

    @cached_property
    def verdict(self) -> Verdict:
        """Not tested with a reason or without a limit; unsure if undecided; else the limit's verdict."""
        if self.why_not is not None or self.limit is None:
            return Verdict.NOT_TESTED
        return Verdict.UNSURE if self.undecided else self.limit.judge(self.value, self.uncertainty)
