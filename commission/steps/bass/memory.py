"""Results of the slow parts of the search, each computed once for the same numbers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from commission.dsp.bass_sum import SubResponses
from commission.steps.bass.search_space import SearchSpace

T = TypeVar("T")

_RESULTS: dict[tuple[object, ...], Any] = {}

MOST_RESULTS = 24


def once(key: tuple[object, ...], compute: Callable[[], T]) -> T:
    """The result computed earlier from the same numbers, otherwise computed now."""
    if key not in _RESULTS:
        while len(_RESULTS) >= MOST_RESULTS:
            _RESULTS.pop(next(iter(_RESULTS)))
        _RESULTS[key] = compute()
    return cast(T, _RESULTS[key])


def search_numbers(room: SubResponses, space: SearchSpace) -> tuple[object, ...]:
    """All inputs of a search besides the price."""
    bounds, grid = space.bounds, space.grid
    limits = (bounds.delay_low_s, bounds.delay_high_s, bounds.gain_low_db, bounds.gain_high_db)
    arrays = (room.values, room.freq_hz, room.seat_share, *limits, grid.gain_origin_db, grid.delay_origin_s)
    target = b"" if room.target_db is None else room.target_db.tobytes()
    return (*(a.tobytes() for a in arrays), target, grid.gain_step_db, grid.delay_step_s)
