"""How often a hole at the crossover is found in aligned rooms of two simulators, and in rooms with a planted one.

"12 dB": aligned, with a low-pass of 12 dB per octave, where another polarity or delay may truly add 3 dB. Each
case without and with the type of the low-pass entered; and by how much a room and the loudspeaker's own slope make filters
seem steeper than they are.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np

from commission.dsp.crossover import CrossoverPair, find_hole, slope_db
from commission.dsp.crossover_filters import Side, crossover_response
from commission.model import CrossoverFilter, CrossoverType

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dsp"))
from bass_rooms import BINS_HZ, crossover_room

ROOMS = {"modes": 40, "images": 12}
FIRST, CORNER_HZ = 100, 80.0
CASES = {
    "aligned": (0.0, 1, 24),
    "aligned, 12 dB": (0.0, 1, 12),
    "1 ms late": (1.0, 1, 24),
    "1 ms early": (-1.0, 1, 24),
    "reversed": (0.0, -1, 24),
    "6 ms late": (6.0, 1, 24),
}
"""Delay of the subwoofers [ms], their sign, and the slope of their low-pass [dB per octave]."""


FILTERS: dict[str, tuple[CrossoverType, int]] = {
    "no filter": ("butterworth", 0),
    "Butterworth 6 dB": ("butterworth", 6),
    "Butterworth 12 dB": ("butterworth", 12),
    "Butterworth 18 dB": ("butterworth", 18),
    "Linkwitz-Riley 24 dB": ("linkwitz-riley", 24),
    "Linkwitz-Riley 48 dB": ("linkwitz-riley", 48),
}


def response_of(name: str, side: Side) -> np.ndarray:
    """Transfer function of one of the filters at 80 Hz."""
    kind, slope = FILTERS[name]
    if not slope:
        return np.ones(len(BINS_HZ), complex)
    return crossover_response(BINS_HZ, CORNER_HZ, CrossoverFilter(type=kind, slope_db_per_octave=slope), side)


def print_slopes(simulator: str, mains: str, heard: list[tuple[np.ndarray, np.ndarray]]) -> None:
    """By how much more than its arithmetic each filter seems to fall: 5 %, median and 95 % of the rooms, and both ends."""
    had_low, had_high = response_of("Linkwitz-Riley 24 dB", "low"), response_of("Butterworth 12 dB", "high")
    for name in FILTERS:
        for side, sign, had in (("low", 1, had_low), ("high", -1, had_high)):
            new = response_of(name, "low" if side == "low" else "high")
            sounds = [s for s, _ in heard] if side == "low" else [each for _, m in heard for each in m]
            by_itself = slope_db(new, BINS_HZ, CORNER_HZ)
            more = [sign * (slope_db(sound / had * new, BINS_HZ, CORNER_HZ) - by_itself) for sound in sounds]
            spread = ", ".join(f"{value:+.1f}" for value in np.percentile(more, (0, 5, 50, 95, 100)))
            print(
                f"  {simulator}, {mains} mains, {side}-pass, {name} ({sign * by_itself:.1f} dB): {spread} dB",
                flush=True,
            )


def run(channels: int) -> None:
    """Print the share of rooms with a hole, and its reasons. Arrivals are known where the delay is beyond 2 ms."""
    s = 1j * BINS_HZ / CORNER_HZ
    half = s * s + np.sqrt(2.0) * s + 1
    for simulator, rooms in ROOMS.items():
        for mains in ("closed", "vented", "flat"):
            heard = [crossover_room(FIRST + seed, simulator, mains) for seed in range(rooms)]
            for name, (late_ms, sign, slope) in CASES.items():
                turn = sign * np.exp(-2j * np.pi * BINS_HZ * late_ms / 1000) * (half if slope == 12 else 1.0)
                around_s = -late_ms / 1000 if abs(late_ms) > 2 else 0.0
                low = response_of("Butterworth 12 dB" if slope == 12 else "Linkwitz-Riley 24 dB", "low")
                for entered in (None, low):
                    pairs = [CrossoverPair(s * turn, main, BINS_HZ, CORNER_HZ, low_pass=entered) for s, main in heard]
                    holes = [find_hole(each, around_s) for each in pairs]
                    reasons = Counter(hole.reason for hole in holes if hole is not None)
                    shares = ", ".join(f"{reason} {count}" for reason, count in reasons.items()) or "none"
                    words = "low-pass entered" if entered is not None else "nothing entered"
                    found = f"{reasons.total()} of {rooms} rooms ({shares})"
                    print(f"  {simulator}, {mains} mains, {name}, {words}: {found}", flush=True)
            print_slopes(simulator, mains, heard)
