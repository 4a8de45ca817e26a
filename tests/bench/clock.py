"""Timing several functions in turn, so that other load on the machine affects all of them."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

ROUNDS = 7


@dataclass(frozen=True)
class Timing:
    """Least of several turns: seconds on the wall, and seconds of the processor on all cores."""

    wall_s: float
    cpu_s: float


def in_turn(ways: Mapping[str, Callable[[], object]], rounds: int = ROUNDS) -> dict[str, Timing]:
    """Run each once to warm up, then all of them in turn."""
    for way in ways.values():
        way()
    turns: dict[str, list[tuple[float, float]]] = {name: [] for name in ways}
    for _ in range(rounds):
        for name, way in ways.items():
            wall, cpu = time.perf_counter(), time.process_time()
            way()
            turns[name].append((time.perf_counter() - wall, time.process_time() - cpu))
    return {name: Timing(min(w for w, _ in each), min(c for _, c in each)) for name, each in turns.items()}
