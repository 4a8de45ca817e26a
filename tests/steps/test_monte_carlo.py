"""Stated intervals contain the truth as often as promised, for a few visits of each trial in `interval_trials.py`.

`python tests/bench intervals` runs a thousand visits of each, within the promise itself.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from interval_trials import SEED, TRIALS, Trial, covered, errors_of

from commission.steps.seats import result as seats_result

VISITS = 60
"""A share of so few scatters by 3 %, and is allowed two standard deviations beyond the promise."""
DRAWS = 1000


@pytest.mark.parametrize("trial", TRIALS, ids=lambda trial: trial.name)
def test_stated_intervals_hold_the_truth(trial: Trial) -> None:
    assert trial.broken(VISITS) == {}


def holds(share: float) -> bool:
    """The promised band."""
    return 0.93 <= share <= 0.97


def test_a_budget_that_forgets_a_source_would_be_caught() -> None:
    """The criterion can fail: for the level of a response without its largest source, and with it doubled."""
    rng, lines = np.random.default_rng(SEED), seats_result.LEVEL.contributions
    errors = np.abs(sum(errors_of(rng, line, DRAWS) for line in lines))
    assert holds(covered(errors <= seats_result.LEVEL.expanded))
    largest = max(lines, key=lambda line: line.part)
    less = [line for line in lines if line is not largest]
    assert covered(errors <= 2 * math.hypot(*(line.part for line in less))) < 0.93
    assert covered(errors <= 2 * math.hypot(*(line.part for line in (*lines, largest)))) > 0.97
