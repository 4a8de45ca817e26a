"""Coverage of stated intervals: 1,000 simulated visits of each trial of `interval_trials.py`."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

VISITS = 1000
"""A share of these scatters by 0.7 %."""


def run(_channels: int) -> None:
    """Print what lies outside the promise, by trial."""
    from interval_trials import TRIALS

    for trial in TRIALS:
        broken = trial.broken(VISITS)
        outside = ", ".join(f"{name} {100 * share:.1f} %" for name, share in broken.items())
        print(f"  {trial.name}: {outside or 'every share is within the promise'}")
