"""Verdicts as they stood at one moment, kept in the log: a newer version can list what it would judge differently."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple


class StoredVerdict(NamedTuple):
    """One check of a kind: where, its verdict word, its value; None where there is none."""

    channel: str | None
    seat: str | None
    verdict: str
    value: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictsOfKind:
    """All checks of one kind in one round, in the order in which the step makes them."""

    step: str
    round: str
    id: str
    unit: str
    places: tuple[StoredVerdict, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredVerdicts:
    """Every verdict of every round, with the version of the program that gave it."""

    occasion: Literal["signed", "record"]
    program_version: str
    kinds: tuple[VerdictsOfKind, ...]
