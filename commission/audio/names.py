"""File and folder names as tokens: channel, seat, round and kind of a recording. Ambiguity is reported, not guessed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from commission.model import AS_FOUND, AS_LEFT, Job
from commission.model.events import ResponseKind

_KINDS: dict[str, ResponseKind] = {
    "sweep": "sweep",
    "raw": "sweep",
    "impulse": "impulse",
    "ir": "impulse",
    "noise": "noise",
    "response": "response",
}


@dataclass(frozen=True, slots=True)
class NameTokens:
    """What a name says; `problem` when it says two things."""

    channel: str | None = None
    seat: str | None = None
    round: str | None = None
    kind: ResponseKind | None = None
    problem: str | None = None


def read_name(path: Path, job: Job, root: Path | None = None) -> NameTokens:
    """Tokens of a file name and the folders between `root` and it; the name counts before its folders."""
    folders = path.parent.parts if root is None else _between(path, root)
    parts = [path.stem, *reversed(folders)]
    channels = {channel.id.casefold(): channel.id for channel in job.system.channels}
    seats = {seat.id.casefold(): seat.id for seat in job.system.seats}
    rounds = {name.casefold(): name for name in (*job.rounds, AS_FOUND, AS_LEFT)}
    channel, clash_channel = _nearest(parts, channels)
    seat, clash_seat = _nearest(parts, seats)
    found_round, _ = _nearest(parts, rounds)
    kind, _ = _nearest(parts[:1], _KINDS)
    problem = None
    for what, clash in (("channel", clash_channel), ("seat", clash_seat)):
        if clash:
            problem = f"its name says {' and '.join(clash)}: which {what} is it?"
    return NameTokens(channel, seat, found_round, kind, problem)  # type: ignore[arg-type]


def _between(path: Path, root: Path) -> tuple[str, ...]:
    try:
        inner = path.parent.relative_to(root).parts
    except ValueError:
        inner = ()
    return (root.name, *inner)


def _nearest(parts: Sequence[str], known: dict[str, str] | dict[str, ResponseKind]) -> tuple[str | None, list[str]]:
    """The one known word in the nearest part that holds any; several different ones there are a clash."""
    for part in parts:
        found = sorted({known[token] for token in tokens(part) if token in known})
        if len(found) == 1:
            return found[0], []
        if found:
            return None, found
    return None, []


def tokens(text: str) -> list[str]:
    """Words of a name, case folded, and runs of two joined by - as in "as-found"."""
    words = [word for word in re.split(r"[^0-9a-zäöüß]+", text.casefold()) if word]
    return words + [f"{a}-{b}" for a, b in pairwise(words)]
