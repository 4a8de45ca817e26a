"""A cache of results: none is computed again, not even after an entry, unless it depends on that entry.

Steps, findings and the record draw on the same few solutions. Each solution stores what it has read of the job: the
system, the levels of a round, a setting. While all of that is the same in a newer job, so is the solution: typing a level
does not recompute the responses. Reads are recorded as they happen, so nothing has to be declared.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

from commission.model import Job

P = ParamSpec("P")
R = TypeVar("R")

KEPT = 8
"""Results kept for each function: a few rounds, and the visit as of an earlier event."""

_Key = tuple[str, tuple[object, ...], tuple[tuple[str, object], ...]]
"""A name in the job and its call arguments; an attribute has none."""
_Values = dict[_Key, object]

_Kept = tuple[tuple[object, ...], _Values, R]
"""The arguments besides the job, the values read of the job, the result."""

_newest: list[tuple[Job, _Values]] = []
"""Values read of the newest jobs, shared by all functions."""


def cached(solve: Callable[Concatenate[Job, P], R], most: int = KEPT) -> Callable[Concatenate[Job, P], R]:
    """A pure function of a job that keeps its newest results, at most `most`.

    Other arguments count as the same when they are the same objects; strings are compared by value. They must be immutable,
    and so must the result, which must not hold the job.
    """
    kept: list[_Kept[R]] = []

    @wraps(solve)
    def once(job: Job, /, *args: P.args, **kwargs: P.kwargs) -> R:
        given: object = job
        outer = given if isinstance(given, ReadJob) else None
        whole = job if outer is None else outer.whole_job
        key: tuple[object, ...] = (*args, *(part for pair in kwargs.items() for part in pair))
        found = next((each for each in tuple(kept) if _holds(each, whole, key)), None)
        if found is None:
            inner = ReadJob(whole)
            result = solve(cast(Job, inner), *args, **kwargs)
            found = (key, inner.reads, result)
            kept.insert(0, found)
            del kept[most:]
        if outer is not None:
            outer.reads.update(found[1])
        return found[2]

    return once


class ReadJob:
    """A job that records what is read of it; otherwise it behaves like that job."""

    def __init__(self, job: Job) -> None:
        self.whole_job = job
        self.reads: _Values = {}
        """Names read, with their values."""
        self._known = _values(job)

    def __getattr__(self, name: str) -> Any:
        """An attribute of the job, or one of its functions; asked once each, since what is set here is found without."""
        value = getattr(self.whole_job, name)
        if callable(value):
            value = self._noting(name)
        else:
            self.reads[(name, (), ())] = value
        self.__dict__[name] = value
        return value

    def _noting(self, name: str) -> Callable[..., object]:
        def call(*args: object, **kwargs: object) -> object:
            key = (name, args, tuple(kwargs.items()))
            if key not in self.reads:
                try:
                    self.reads[key] = _read(self.whole_job, key, self._known)
                except Exception:
                    self.reads[("log", (), ())] = self.whole_job.log  # any other event may repair it
                    raise
            return self.reads[key]

        return call


def plain_job(job: Job) -> Job:
    """The job behind a `ReadJob`, as a base for another one; anything read of that one must be read of `job` too."""
    given: object = job
    return given.whole_job if isinstance(given, ReadJob) else job


def _values(job: Job) -> _Values:
    for known, answers in tuple(_newest):
        if known is job:
            return answers
    values: _Values = {}
    _newest.insert(0, (job, values))
    del _newest[2:]
    return values


def _read(job: Job, key: _Key, known: _Values) -> object:
    if key not in known:
        name, args, kwargs = key
        value = getattr(job, name)
        known[key] = value(*args, **dict(kwargs)) if callable(value) else value
    return known[key]


def _holds(kept: _Kept[object], job: Job, arguments: tuple[object, ...]) -> bool:
    """Whether a result is that of these arguments."""
    known, reads, _ = kept
    return len(known) == len(arguments) and all(map(_same, known, arguments)) and _unchanged(job, reads)


def _unchanged(job: Job, reads: _Values) -> bool:
    """Whether all these values of the job are unchanged."""
    known = _values(job)
    try:
        return all(_equal(_read(job, key, known), value) for key, value in reads.items())
    except Exception:  # a limit that this job does not have
        return False


def _equal(one: object, other: object) -> bool:
    return one is other or bool(one == other)


def _same(one: object, other: object) -> bool:
    return one is other or (isinstance(one, str) and one == other)
