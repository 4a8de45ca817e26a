"""How often aligned rooms of two simulators are said to have a hole at the crossover, and how often planted ones are found."""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np

from commission.dsp.crossover import CrossoverPair, find_hole

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dsp"))
from bass_rooms import BINS_HZ, crossover_room

ROOMS = {"modes": 40, "images": 12}
FIRST = 100
LATE_MS = {
    "aligned": (0.0, 1),
    "1 ms late": (1.0, 1),
    "1 ms early": (-1.0, 1),
    "reversed": (0.0, -1),
    "6 ms late": (6.0, 1),
}


def run(channels: int) -> None:
    """Print the share of rooms with a hole, and its reasons. Arrivals are known where the delay is beyond 2 ms."""
    for simulator, rooms in ROOMS.items():
        for mains in ("closed", "vented", "flat"):
            heard = [crossover_room(FIRST + seed, simulator, mains) for seed in range(rooms)]
            for name, (late_ms, sign) in LATE_MS.items():
                turn = sign * np.exp(-2j * np.pi * BINS_HZ * late_ms / 1000)
                around_s = -late_ms / 1000 if abs(late_ms) > 2 else 0.0
                holes = [find_hole(CrossoverPair(subs * turn, main, BINS_HZ, 80.0), around_s) for subs, main in heard]
                reasons = Counter(hole.reason for hole in holes if hole is not None)
                shares = ", ".join(f"{reason} {count}" for reason, count in reasons.items()) or "none"
                print(f"  {simulator}, {mains} mains, {name}: {reasons.total()} of {rooms} rooms ({shares})")
