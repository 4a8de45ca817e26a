"""Limits profiles: the limits of all verdicts, each with its unit, its basis and its application.

The program ships `limits.toml`; a firm supplies its own file of the same form with only what differs. The whole
profile is stored in the job, so that a record gives the same verdicts tomorrow as today, on any computer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from commission.model.errors import InputError
from commission.model.toml_text import read_text, read_toml, shipped_toml
from commission.model.units import clean_text
from commission.model.verdict import Limit

SCHEMA = 1
_TEXTS = ("quantity", "unit", "basis", "applies")
_KNOWN = {*_TEXTS, "low", "high"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileLimit:
    """One limit of a profile."""

    quantity: str
    """Id as in the checks: "levels.match"."""
    low: float | None = None
    high: float | None = None
    unit: str
    basis: str
    applies: str
    """The compared value, in words."""
    own: bool = False
    """From the firm's file, not from the defaults."""

    @property
    def limit(self) -> Limit:
        """The limit in the form that checks use."""
        return Limit(low=self.low, high=self.high, unit=self.unit, basis=self.basis)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckLimit:
    """The limit of the checks of one id. A step lists each id that it can produce."""

    check: str
    """Id of the checks; "*" stands for a part that depends on the job, such as a band."""
    quantity: str = ""
    """Quantity of the limit in the profile in force; empty: `limit` is fixed by the program."""
    limit: Limit | None = None
    """A fixed limit. Without bounds it gives unit and basis, and `low` and `high` say what the bounds follow from."""
    applies: str = ""
    """The compared value in words; with `quantity`, what the profile does not say about it."""
    low: str = ""
    """The low bound in words, if it follows from the measurement."""
    high: str = ""
    """The high bound, likewise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsProfile:
    """A set of limits with a name and a version, including every quantity that the program checks."""

    name: str
    version: str
    limits: tuple[ProfileLimit, ...]

    def of(self, quantity: str) -> Limit:
        """The limit of a quantity; KeyError if no profile has it."""
        return next((each.limit for each in self.limits if each.quantity == quantity), None) or _missing(quantity)

    def is_own(self, quantity: str) -> bool:
        """Whether the limit is from the firm's file."""
        return any(each.quantity == quantity and each.own for each in self.limits)

    @property
    def title(self) -> str:
        """Name and version, as printed."""
        return f"{self.name}, version {self.version}"


def _missing(quantity: str) -> Limit:
    if quantity in {each.quantity for each in default_profile().limits}:
        return default_profile().of(quantity)  # the profile was stored before this quantity had a limit
    raise KeyError(quantity)


@cache
def default_profile() -> LimitsProfile:
    """The profile that the program ships."""
    return _profile(shipped_toml("limits.toml"), "limits.toml", None)


def read_profile(text: str, where: str) -> LimitsProfile:
    """A firm's profile over the defaults; `where` names the file in every sentence. Raises InputError."""
    data = read_toml(text, where, "a limits profile", "See `commission limits`.")
    return _profile(data, where, default_profile())


def _profile(data: Mapping[str, Any], where: str, base: LimitsProfile | None) -> LimitsProfile:
    if data.get("schema") != SCHEMA:
        raise InputError(f"{where}: schema", repr(data.get("schema", "nothing")).strip("'")[:40], str(SCHEMA))
    for key in data.keys() - {"schema", "name", "version", "limit"}:
        raise InputError(f"{where}: {clean_text(key)}", "an unknown key", "schema, name, version, [[limit]]")
    name, version = (read_text(data.get(key), f"{where}: {key}") for key in ("name", "version"))
    rows = data.get("limit", [])
    if not isinstance(rows, list) or not rows:
        raise InputError(f"{where}: limit", "none", "at least one [[limit]]")
    known = {each.quantity: each for each in base.limits} if base is not None else None
    merged = dict(known or {})
    seen: set[str] = set()
    for index, row in enumerate(rows, start=1):
        limit = _limit(row, f"{where}: limit {index}", known)
        if limit.quantity in seen:
            raise InputError(f"{where}: limit {index}", f"{limit.quantity} a second time", "each quantity once")
        seen.add(limit.quantity)
        merged[limit.quantity] = replace(limit, own=base is not None)
    return LimitsProfile(name=name, version=version, limits=tuple(merged.values()))


def _limit(row: object, where: str, known: Mapping[str, ProfileLimit] | None) -> ProfileLimit:
    if not isinstance(row, dict):
        raise InputError(where, "no table", "[[limit]] with quantity, low or high, unit, basis")
    for key in row.keys() - _KNOWN:
        raise InputError(f"{where}.{clean_text(str(key))}", "an unknown key", ", ".join(sorted(_KNOWN)))
    quantity = read_text(row.get("quantity"), f"{where}.quantity")
    default = None
    if known is not None:
        default = known.get(quantity)
        if default is None:
            raise InputError(f"{where}.quantity", quantity, "one of " + ", ".join(known))
    unit = read_text(row.get("unit"), f"{where}.unit", empty=True)
    if default is not None and unit != default.unit:
        raise InputError(f"{where}.unit", f"“{unit}”", f"“{default.unit}”, the unit of {quantity}")
    low, high = (_number(row.get(key), f"{where}.{key}") for key in ("low", "high"))
    if low is None and high is None:
        raise InputError(where, "neither low nor high", "at least one of them")
    if low is not None and high is not None and low > high:
        raise InputError(where, f"low {low:g} above high {high:g}", "low at or below high")
    applies = row.get("applies", default.applies if default is not None else None)
    return ProfileLimit(
        quantity=quantity,
        low=low,
        high=high,
        unit=unit,
        basis=read_text(row.get("basis"), f"{where}.basis"),
        applies=read_text(applies, f"{where}.applies"),
    )


def _number(value: object, where: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(where, repr(value)[:40], "a number")
    return float(value)


@cache
def rooms_that_pass() -> dict[str, str]:
    """Quantity of a limit, or id of the checks of a fixed one → share of simulated rooms that pass it, in words."""
    return {name: _share_text(each) for each in shipped_toml("limit_shares.toml")["share"] for name in each["limits"]}


def _share_text(share: Mapping[str, Any]) -> str:
    if "why" in share:
        return f"not simulated, because {share['why']}"
    good = _passed(share["good"], "simulated rooms set correctly")
    if "bad" in share:
        bad = _passed(share["bad"], f"with the fault “{share['fault']}”")
    else:
        bad = f"none with a fault, because {share['no_bad']}"
    return "; ".join((good, bad, *filter(None, [share.get("note")])))


def _passed(counts: Sequence[int], of_which: str) -> str:
    """Counts of (passed, undecided, all) as in "8 of 16 with a fault (2 undecided)"."""
    passed, unsure, rooms = counts
    return f"{passed} of {rooms} {of_which}{f' ({unsure} undecided)' if unsure else ''}"
