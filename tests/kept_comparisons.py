"""Comparisons of responses that are made once for equal arguments: rooms of the tests differ by one fault each."""

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
    """The same pure function, which keeps its last results by the bytes of its arguments."""
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
    """Keep comparisons of polarity and of recordings, and what arrivals, levels and curves of all seats say together."""
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
