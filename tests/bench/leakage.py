"""Sound that two loudspeakers of a healthy room share by chance: the basis of the thresholds of
`steps/wiring/leakage.py`.
"""

from __future__ import annotations

import sys
import threading
from argparse import ArgumentParser
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from rooms import matrix, visits

from commission.dsp.leakage import LEAST_SEATS
from commission.model.progress import unwatched
from commission.steps.shared.survey import round_survey
from commission.steps.wiring.leakage import LEAST_OF_MEAN, PairedRound


def run(arguments: list[str]) -> None:
    """Print, room by room, the highest multiple of chance among pairs that are alike at all seats."""
    parser = ArgumentParser(prog="tests/bench leakage", description=__doc__)
    parser.add_argument("--rooms", type=int, default=12, help="how many rooms (12)")
    parser.add_argument("--seed", type=int, default=12, help="seed of the first room (12)")
    parsed = parser.parse_args(arguments)
    highest, count, few = [0.0, 0.0], 0, 0
    for seed in range(parsed.seed, parsed.seed + parsed.rooms):
        installation = matrix.cached_installation(seed, matrix.simulator_of(seed), matrix.default_cache())
        visit, _ = visits.imported(installation, installation.healthy)
        found = round_survey(visit.job, visits.ROUND, visit.analyse(threading.Event(), unwatched))
        pairs = [] if isinstance(found, str) or found.by_tape else list(PairedRound(found).pairs().values())
        own = [0.0, 0.0]
        for pair in pairs:
            for k, shared in enumerate((pair.expected, pair.any_lag)):
                if min(shared.by_seat) >= LEAST_OF_MEAN * shared.alike:
                    own[k] = max(own[k], shared.ratio)
        count += len(pairs)
        few += sum(len(pair.seats) == LEAST_SEATS for pair in pairs)
        highest = [max(both) for both in zip(highest, own, strict=True)]
        print(
            f"  room {seed}: {len(pairs)} pairs, {own[0]:.1f} times chance at an expected lag, {own[1]:.1f} at any lag",
            flush=True,
        )
    print(f"  {few} of {count} pairs at {LEAST_SEATS} seats")
    print(f"  {count} pairs: at most {highest[0]:.1f} at an expected lag and {highest[1]:.1f} at any lag")
