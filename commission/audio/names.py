"""Finds channel, seat, round and kind of a recording in file and folder names. Ambiguity is reported, not guessed."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from commission.model import AS_FOUND, AS_LEFT, Job
from commission.model.events import ResponseKind
from commission.model.noise_states import CALIBRATOR, calibrator_state, known_state
from commission.model.units import round_name

_KINDS: dict[str, ResponseKind] = {
    "sweep": "sweep",
    "raw": "sweep",
    "impulse": "impulse",
    "ir": "impulse",
    "noise": "noise",
    "response": "response",
}
STIMULUS_WORDS = frozenset(("stimulus", "excitation", "played", "source"))
"""Words in the name of a stimulus file."""
RAISED = re.compile(r"\+(\d{1,2})\s?db(?![a-z])", re.IGNORECASE)
"""A name such as `A2_FL_+10dB.wav` gives the level; a minus sign could be a hyphen."""
MOST_WORDS = 5
"""Most words in the name of a channel or seat, as in "top front left height 2"."""


@dataclass(frozen=True, slots=True)
class NameWords:
    """What a name says; `problem` if it is ambiguous."""

    channel: str | None = None
    seat: str | None = None
    round: str | None = None
    kind: ResponseKind | None = None
    problem: str | None = None
    state: str | None = None
    """For noise: what was switched on."""
    drive_db: float | None = None
    """Playback level relative to the reference level."""


class Places:
    """The channels, seats and rounds of a job, found by id or name in any spelling.

    "Front left", "front-left", "front_left" and "FrontLeft" are one word here, "frontleft"; "Seat A2" is seat A2.
    """

    def __init__(self, job: Job) -> None:
        system = job.system
        self.channels = _by_spelling((c.id, (c.id, c.name)) for c in system.channels)
        self.seats = _by_spelling((s.id, (s.id, s.name, f"seat {s.id}")) for s in system.seats)
        rounds = dict.fromkeys((*job.rounds, AS_FOUND, AS_LEFT))
        self.rounds = _by_spelling((each, (each, round_name(each))) for each in rounds)
        self.round_names = tuple(round_name(each) for each in rounds)

    def channel(self, text: str | None) -> str | None:
        """The id of the channel with that id or name; the text itself if none or several match."""
        return _one(self.channels, text)

    def seat(self, text: str | None) -> str | None:
        """The id of the seat with that id or name, like `channel`."""
        return _one(self.seats, text)

    def round(self, text: str | None) -> str | None:
        """The id of the round with that id or name: "As found", "asfound" and "AS_FOUND" are one."""
        return _one(self.rounds, text)


def read_name(path: Path, places: Places, root: Path | None = None) -> NameWords:
    """What a file name and the folders between `root` and it say; the file name takes precedence.

    Without a root, all folders of the path count.
    """
    folders = path.parent.parts if root is None else _folders_between(path, root)
    parts = [path.stem, *reversed(folders)]
    channel, clash_channel = _nearest_name(parts, places.channels)
    seat, clash_seat = _nearest_name(parts, places.seats)
    found_round, clash_round = _nearest_name(parts, places.rounds)
    problem = None
    for what, clash in (("channel", clash_channel), ("seat", clash_seat), ("round", clash_round)):
        if clash:
            problem = f"its name can mean the {what} {' or '.join(clash)}"
    words = _words(path.stem)
    kinds = {_KINDS[word] for word in words if word in _KINDS}
    if channel is None and not clash_channel and (state := _state(words, kinds, places, seat)) is not None:
        return NameWords(None, seat, found_round, "noise", problem, state)
    both = sorted(set(words) & set(places.channels) & set(places.seats))
    if both and channel is not None and seat is not None and len(set(words) & {*places.channels, *places.seats}) < 2:
        return NameWords(None, None, found_round, problem=f"“{both[0]}” in its name can mean a channel or a seat")
    kind = kinds.pop() if len(kinds) == 1 else None
    raised = RAISED.search(path.stem)
    return NameWords(channel, seat, found_round, kind, problem, drive_db=float(raised[1]) if raised else None)


def _state(words: Sequence[str], kinds: set[ResponseKind], places: Places, seat: str | None) -> str | None:
    """What was switched on during a noise recording, from the words of a name; None if it is not a noise recording.

    A known state by itself says that; otherwise the word "noise" does, and the words that mean nothing else are the
    state.
    """
    left = [word for word in words if word not in _KINDS]
    for start in range(len(left)):
        for stop in range(len(left), start, -1):
            known = known_state(" ".join(left[start:stop]))
            if known is not None and (kinds == {"noise"} or stop - start > 1):
                return calibrator_state(left[start:]) if known == CALIBRATOR else known
    if kinds != {"noise"}:
        return None
    other = {*places.rounds, "as", "found", "left", *(() if seat is None else (spelling(seat),))}
    return " ".join(word for word in left if word not in other)


@lru_cache(maxsize=4096)  # the same names recur for every file
def spelling(text: str) -> str:
    """Letters and digits alone, case-folded: equal for two spellings of one name."""
    return "".join(_words(text))


def is_stimulus_name(path: Path) -> bool:
    """Whether a file name says that it is a stimulus."""
    return not STIMULUS_WORDS.isdisjoint(_words(path.stem))


def _words(text: str) -> list[str]:
    return [word for word in re.split(r"[\W_]+", text.casefold()) if word]


def _by_spelling(names: Iterable[tuple[str, tuple[str, ...]]]) -> dict[str, tuple[str, ...]]:
    """Spelling → the ids that it can mean. An id takes precedence over a name with the same spelling."""
    ids: dict[str, tuple[str, ...]] = {}
    called: dict[str, tuple[str, ...]] = {}
    for key, (own, *others) in names:
        ids[spelling(own)] = (*ids.get(spelling(own), ()), key)
        for other in others:
            if key not in called.get(spelling(other), ()):
                called[spelling(other)] = (*called.get(spelling(other), ()), key)
    return {spelled: keys for spelled, keys in (called | ids).items() if spelled}


def _one(known: Mapping[str, tuple[str, ...]], text: str | None) -> str | None:
    if text is None:
        return None
    exact = next((keys for keys in known.values() if text in keys), None)
    keys = known.get(spelling(text), ())
    return text if exact is not None or len(keys) != 1 else keys[0]


def _folders_between(path: Path, root: Path) -> tuple[str, ...]:
    try:
        inner = path.parent.relative_to(root).parts
    except ValueError:
        inner = ()
    return (root.name, *inner)


def _nearest_name(parts: Sequence[str], known: Mapping[str, tuple[str, ...]]) -> tuple[str | None, list[str]]:
    """The single known name in the nearest part that has any, and the clashing names if it has several."""
    for part in parts:
        found = _known_names(_words(part), known)
        if len(found) == 1:
            return found.pop(), []
        if found:
            return None, sorted(found)
    return None, []


def _known_names(words: Sequence[str], known: Mapping[str, tuple[str, ...]]) -> set[str]:
    """Ids found in words, longest match first: at each word the longest known name, then on after it.

    A number at the end may count repeats: where a name is known with and without it, as FL and FL 2, both are meant.
    """
    found: set[str] = set()
    start = 0
    while start < len(words):
        for count in range(min(MOST_WORDS, len(words) - start), 0, -1):
            run = words[start : start + count]
            if (keys := known.get("".join(run))) is None:
                continue
            found.update(keys)
            if count > 1 and run[-1].isdecimal():
                found.update(known.get("".join(run[:-1]), ()))
            start += count - 1
            break
        start += 1
    return found
