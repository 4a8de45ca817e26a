"""How often aligned rooms of two simulators are said to have a hole at the crossover, and how often planted ones are found.

"12 dB": aligned, with a low-pass of 12 dB per octave, where another polarity or delay may truly add 3 dB.
"""

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
CASES = {
    "aligned": (0.0, 1, 24),
    "aligned, 12 dB": (0.0, 1, 12),
    "1 ms late": (1.0, 1, 24),
    "1 ms early": (-1.0, 1, 24),
    "reversed": (0.0, -1, 24),
    "6 ms late": (6.0, 1, 24),
}
"""How late the subwoofers are [ms], their sign, and the slope of their low-pass [dB per octave]."""


def run(channels: int) -> None:
    """Print the share of rooms with a hole, and its reasons. Arrivals are known where the delay is beyond 2 ms."""
    s = 1j * BINS_HZ / 80.0
    half = s * s + np.sqrt(2.0) * s + 1
    for simulator, rooms in ROOMS.items():
        for mains in ("closed", "vented", "flat"):
            heard = [crossover_room(FIRST + seed, simulator, mains) for seed in range(rooms)]
            for name, (late_ms, sign, slope) in CASES.items():
                turn = sign * np.exp(-2j * np.pi * BINS_HZ * late_ms / 1000) * (half if slope == 12 else 1.0)
                around_s = -late_ms / 1000 if abs(late_ms) > 2 else 0.0
                holes = [find_hole(CrossoverPair(subs * turn, main, BINS_HZ, 80.0), around_s) for subs, main in heard]
                reasons = Counter(hole.reason for hole in holes if hole is not None)
                shares = ", ".join(f"{reason} {count}" for reason, count in reasons.items()) or "none"
                print(
                    f"  {simulator}, {mains} mains, {name}: {reasons.total()} of {rooms} rooms ({shares})", flush=True
                )
