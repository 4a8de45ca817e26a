"""Random events of every kind in an open job, and whether its results then equal those of a fresh visit.

A visit caches its results by the values that they have read (`commission.steps.shared.cache`); an outdated result would be
shown without warning. So one visit stays open while events are appended, and after some of them all its results are
compared with those of a visit without a cache.
"""

from __future__ import annotations

import dataclasses
import json
import random
import sys
import threading
import types
import typing
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import numpy as np

sys.path[:0] = [str(Path(__file__).parent)]

import mutants  # noqa: E402
from memory_journal import MemoryJournal  # noqa: E402

from commission import model  # noqa: E402
from commission.cli.lazy_parts import LateDecoder  # noqa: E402
from commission.job.codec import decode, kind_of  # noqa: E402
from commission.model.events import EVENT_KINDS  # noqa: E402
from commission.model.progress import unwatched  # noqa: E402
from commission.record.data.results import record_json  # noqa: E402
from commission.steps.shared import cache  # noqa: E402
from commission.visit import Visit  # noqa: E402

KINDS = tuple(kind for kind in EVENT_KINDS if kind != "job-created")
FIXED = ("file_sha256", "original_sha256", "stimulus_sha256", "file_name", "media_type", "seq")
"""Fields of a body that only fit a file or an event there is."""
DEEPEST = 6


def small_job() -> MemoryJournal:
    """The job of the mutants, with an event of every kind and short responses."""
    rows, blobs = mutants.base()
    journal = MemoryJournal()
    journal.append([decode(kind, json.dumps(body), 1) for _, kind, body, _ in rows], blobs)
    return journal


class Events:
    """Bodies of events that could be entered in a job: its own ones and others of missing kinds, changed in one place."""

    def __init__(self, seed: int, log: Sequence[model.Event]) -> None:
        self.rng = random.Random(seed)
        self.counts: Counter[str] = Counter()
        own, foreign = _by_kind(log), _by_kind(small_job().events())
        self._known = {kind: own[kind] or foreign[kind] for kind in KINDS}

    def body(self, job: model.Job) -> model.EventBody:
        """One more event of a random kind."""
        kind = self.rng.choice(KINDS)
        self.counts[kind] += 1
        if kind == "withdrawn":
            return model.Withdrawn(seq=self.rng.randrange(2, len(job.log) + 1))
        names = {
            "round": (*job.rounds, "second"),
            "channel": tuple(each.id for each in job.system.channels),
            "seat": tuple(each.id for each in job.system.seats),
        }
        known = job.system if kind == "system-defined" else self.rng.choice(self._known[kind][-200:])
        if isinstance(known, model.System):
            return model.SystemDefined(system=self._varied(known, names))
        return typing.cast(model.EventBody, self._varied(known, names))

    def _varied(self, value: Any, names: dict[str, tuple[str, ...]], depth: int = 0) -> Any:
        """The value with one part changed, and with places of the job."""
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            fields = [each.name for each in dataclasses.fields(value) if each.name not in FIXED]
            places = {n: self.rng.choice(names[n]) for n in fields if n in names and getattr(value, n) is not None}
            if depth == 0:
                value = dataclasses.replace(value, **places)
            name = self.rng.choice(fields)
            options = _literals(typing.get_type_hints(type(value))[name])
            old = getattr(value, name)
            new = self.rng.choice(options) if options else self._varied(old, names, depth + 1)
            return dataclasses.replace(value, **({} if name in names else {name: new}))
        if isinstance(value, tuple) and value:
            place = self.rng.randrange(len(value))
            if self.rng.random() < 0.2:
                return (*value[:place], *value[place + 1 :])
            return (*value[:place], self._varied(value[place], names, depth + 1), *value[place + 1 :])
        if isinstance(value, bool):
            return not value
        if isinstance(value, int | float):
            return value + type(value)(self.rng.choice((1, -1))) * (1 if isinstance(value, int) else value / 10 + 0.5)
        return value


def _by_kind(log: Sequence[model.Event]) -> dict[str, list[Any]]:
    bodies: dict[str, list[Any]] = {kind: [] for kind in EVENT_KINDS}
    for event in log:
        bodies[kind_of(event.body)].append(event.body)
    return bodies


def _literals(hint: Any) -> tuple[Any, ...]:
    """The values that a field may have, if its type lists them."""
    if typing.get_origin(hint) is Literal:
        return typing.get_args(hint)
    if isinstance(hint, types.UnionType):
        found = [each for part in typing.get_args(hint) for each in _literals(part)]
        return (*found, None) if found and type(None) in typing.get_args(hint) else tuple(found)
    return ()


def plain(value: Any) -> Any:
    """A value as tuples, numbers and texts, which are compared by value."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return (type(value).__name__, *(plain(getattr(value, each.name)) for each in dataclasses.fields(value)))
    if isinstance(value, np.ndarray):
        return (value.shape, value.tobytes())
    if isinstance(value, dict):
        return tuple((plain(k), plain(v)) for k, v in value.items())
    if isinstance(value, list | tuple):
        return tuple(plain(each) for each in value)
    return repr(value)


def shown(visit: Visit) -> dict[str, Any]:
    """The results used by the screens, the sheet and the record."""
    out: dict[str, Any] = {"json": record_json(visit), "sheet": plain(visit.settings_sheet())}
    for round_id in visit.job.rounds:
        out |= {f"{round_id} {step_id}": plain(each) for step_id, each in visit.outcomes(round_id).items()}
        out[f"{round_id} findings"] = plain(visit.findings(round_id))
        out[f"{round_id} histories"] = plain(visit.finding_histories(round_id))
        out[f"{round_id} failures"] = visit.failures(round_id)
        out[f"{round_id} unexplained"] = plain(visit.unexplained(round_id))
    return out


@contextmanager
def empty_caches() -> Iterator[None]:
    """Within: empty caches, as in a new process; afterwards the caches as before."""
    once = cache.cached(len).__code__  # type: ignore[arg-type]
    place = once.co_freevars.index("kept")
    functions = {
        id(each): each
        for name, module in tuple(sys.modules.items())
        if name.startswith("commission.")
        for each in vars(module).values()
        if getattr(each, "__code__", None) is once
    }
    assert len(functions) > 10, "the functions that keep their results were not found"
    lists = [cache._newest, *(each.__closure__[place].cell_contents for each in functions.values())]
    before = [list(each) for each in lists]
    for each in lists:
        each.clear()
    try:
        yield
    finally:
        for each, old in zip(lists, before, strict=True):
            each[:] = old


def differences(visit: Visit, journal: MemoryJournal) -> list[str]:
    """The results that differ from those of a fresh visit; analyses are taken over."""
    visit.analyse(threading.Event(), unwatched)
    kept = shown(visit)
    with empty_caches():
        fresh = Visit(journal, LateDecoder())
        fresh._analysed = dict(visit._analysed)
        expected = shown(fresh)
    return [name for name in {**kept, **expected} if kept.get(name) != expected.get(name)]


def walk(
    journal: MemoryJournal, seed: int, comparisons: int, most_between: int = 3
) -> tuple[list[str], Counter[str]]:
    """Append random events and compare after every few; returns the differences and the number of events of each kind."""
    visit = Visit(journal, LateDecoder())
    visit.analyse(threading.Event(), unwatched)
    shown(visit)
    events, wrong = Events(seed, journal.events()), []
    for number in range(comparisons):
        kinds = []
        for _ in range(events.rng.randint(1, most_between)):
            body = events.body(visit.job)
            kinds.append(kind_of(body))
            visit.append(body)
            step, round_id = events.rng.choice(visit.steps), events.rng.choice(visit.job.rounds)
            visit.outcome(step.id, round_id)
        wrong += [f"comparison {number} after {', '.join(kinds)}: {each}" for each in differences(visit, journal)]
    return wrong, events.counts
