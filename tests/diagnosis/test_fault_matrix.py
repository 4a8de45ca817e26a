"""A small fault matrix: a few simulated rooms, one fault at a time; `python tests/bench faults` runs the large one.

The rooms come from `rooms`, which shares no code with the analysis. The asserted figures are a floor that may only
rise. The aim is no false finding in a healthy room, no fault ascribed to another cause, and 95 % of the decidable
faults named correctly and alone.
"""

from __future__ import annotations

from collections import Counter

import pytest
from rooms import matrix

SEEDS = (1001, 1002, 1005)
EACH = 6
FALSE_FINDINGS, WRONG, RIGHT_SHARE = 0, 0.05, 0.85
"""Present results in these rooms: at most, at most, at least."""


@pytest.fixture(scope="module")
def result() -> matrix.Matrix:
    cases = []
    for seed in SEEDS:
        simulator = matrix.simulator_of(seed)
        assert simulator != "measured", "open data need not be here"
        cases += matrix.run_room(
            seed, simulator, matrix.faults_of(seed, list(matrix.FAULTS)), EACH, matrix.default_cache()
        )
    return matrix.Matrix(cases)


def test_healthy_rooms_are_accused_of_little(result: matrix.Matrix) -> None:
    false = [f"{case.seed}: {line}" for case, line in result.false_findings()]
    assert len(false) <= FALSE_FINDINGS, "\n".join(false)


def test_planted_faults_are_named(result: matrix.Matrix) -> None:
    words = Counter(c.word for c in result.cases if c.decidable and c.fault != matrix.HEALTHY)
    count = sum(words.values())
    assert count >= 12
    assert words["right"] >= RIGHT_SHARE * count, matrix.failures(result)
    assert words["wrong"] <= WRONG * count, matrix.failures(result)
