"""Verdicts stored in the log, so that a newer version can list what it would decide differently."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple


class StoredVerdict(NamedTuple):
    """One check: its place, verdict and value; None where there is none."""

    channel: str | None
    seat: str | None
    verdict: str
    value: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictsOfKind:
    """All checks of one kind in one round, in the order of the step."""

    step: str
    round: str
    id: str
    unit: str
    places: tuple[StoredVerdict, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredVerdicts:
    """Every verdict of every round, with the version of the program."""

    occasion: Literal["signed", "record"]
    program_version: str
    kinds: tuple[VerdictsOfKind, ...]
