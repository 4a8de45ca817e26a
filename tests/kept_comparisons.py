"""A cache of comparisons of responses by argument, since the rooms of the tests differ by one fault each."""

from __future__ import annotations

import pickle
from collections import OrderedDict
from collections.abc import Callable
from functools import wraps
from hashlib import sha256
from typing import Any

import pytest

MOST = 256


def once(function: Callable[..., Any]) -> Callable[..., Any]:
    """The same pure function with a cache of its last results by the bytes of its arguments."""
    kept: OrderedDict[bytes, Any] = OrderedDict()

    @wraps(function)
    def known(*arguments: Any, **named: Any) -> Any:
        key = sha256(pickle.dumps((arguments, named), protocol=5)).digest()
        if key not in kept:
            kept[key] = function(*arguments, **named)
            if len(kept) > MOST:
                kept.popitem(last=False)
        kept.move_to_end(key)
        return kept[key]

    return known


def keep(patch: pytest.MonkeyPatch) -> None:
    """Cache comparisons of polarity and of recordings, and results from arrivals, levels and curves of all seats."""
    from commission.dsp import pair_polarity, variance
    from commission.steps.shared import survey
    from commission.steps.shared.screening import gains, recordings

    for module, name in (
        (pair_polarity, "compare"),
        (pair_polarity, "relation"),
        (recordings, "alike_pairs"),
        (survey, "match"),
        (gains, "seat_gains"),
        (variance, "band_variance"),
    ):
        patch.setattr(module, name, once(getattr(module, name)))
