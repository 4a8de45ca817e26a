"""A whole proposal for 4 subwoofers and 12 seats from 15 to 160 Hz, and scipy's differential evolution on the same cost.

Goals: under 3 s with robustness, 300 MB at most, and no more than 0.2 dB² above what the library finds in twenty times the time.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

import numpy as np

from commission.dsp.bass_filters import MOST_FILTERS, find_filters
from commission.dsp.bass_search import (
    PRICE_DB2_PER_DB,
    SettingGrid,
    figures,
    held_out,
    refine_on_grid,
    robustness,
    search,
    tradeoff,
)
from commission.dsp.bass_sum import SubResponses, SubSettings, level_matched_db, log_points, power_sum_db
from commission.model import FilterRanges
from commission.steps.bass.choices import PRICES, USUAL

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dsp"))
from bass_rooms import BINS_HZ, modal_room
from wide_bounds import wide_bounds

SUBS, SEATS, ROOMS = 4, 12, 3
TIMES = 20.0


def _proposal(room: SubResponses) -> tuple[SubSettings, dict[str, float]]:
    """Searches of the trade, settings on steps, robustness of the best ten, seats left out, filters; and what each took [s]."""
    bounds = wide_bounds(SUBS)
    grid = SettingGrid(
        gain_origin_db=np.zeros(SUBS), gain_step_db=0.5, delay_origin_s=np.zeros(SUBS), delay_step_s=0.03 / 343.0
    )
    took: dict[str, float] = {}
    start = time.perf_counter()

    def lap(name: str) -> None:
        took[name] = time.perf_counter() - start - sum(took.values())

    traded, usual = tradeoff(room, bounds, tuple(PRICES.values())), list(PRICES).index(USUAL)
    lap("searches")
    every = [
        [refine_on_grid(room, bounds, grid, each.settings[k]) for k in range(len(each.costs))] for each in traded
    ]
    lap("steps of the processor")
    settled, sturdy = every[usual], [[robustness(room, each).mean_db2 for each in own] for own in every][usual]
    lap("a little off")
    held_out(room, bounds, traded[usual].settings)
    lap("seats left out")
    find_filters(room, settled[0], FilterRanges(), [MOST_FILTERS] * SUBS, 120.0)
    lap("filters")
    costs = [s - PRICE_DB2_PER_DB * figures(room, each).output_db for s, each in zip(sturdy, settled, strict=True)]
    return settled[int(np.argmin(costs))], took


def _evolved(room: SubResponses, seconds: float) -> tuple[float, float]:
    """(least cost, seconds) by scipy's differential evolution, ended after that time."""
    from scipy.optimize import differential_evolution

    alike = level_matched_db(room)
    power, h, f = power_sum_db(room, alike), room.values, room.freq_hz
    start = time.perf_counter()

    def cost(x: np.ndarray) -> float:
        gain = np.array([0.0, *x[:3]])
        gain = np.maximum(gain - gain.max(), -12.0)
        sign = np.array([1, *np.where(x[6:] > 0, 1, -1)])
        w = (sign * 10 ** ((gain + alike) / 20))[:, None] * np.exp(-2j * np.pi * 1e-3 * np.outer([0, *x[3:6]], f))
        levels = 20 * np.log10(np.abs(np.einsum("if,isf->sf", w, h)))
        mean = room.seat_share @ levels
        variance = room.seat_share @ (levels - mean) ** 2 @ room.freq_share
        return float(variance - PRICE_DB2_PER_DB * (mean @ room.freq_share - power))

    limits = [(-12, 12)] * 3 + [(-15, 15)] * 3 + [(-1, 1)] * 3
    least, seed = np.inf, 1
    while time.perf_counter() - start < seconds:  # where it converges early it begins again
        found = differential_evolution(
            cost,
            limits,
            seed=seed,
            maxiter=5000,
            callback=lambda x, convergence: time.perf_counter() - start > seconds,
        )
        least, seed = min(least, float(found.fun)), seed + 1
    return least, time.perf_counter() - start


def run(channels: int) -> None:
    """Print seconds, costs and ratios for some rooms."""
    index, share = log_points(BINS_HZ, 15.0, 160.0)
    for seed in range(ROOMS):
        h = modal_room(seed, SUBS, SEATS, BINS_HZ)[0][..., index]
        room = SubResponses(h, BINS_HZ[index], np.ones(SEATS), share)
        if seed == 0:
            _proposal(room)  # loads what loads late
        settings, took = _proposal(room)
        total = sum(took.values())
        alike = SubSettings(level_matched_db(room), np.zeros(SUBS), np.ones(SUBS, int))
        start = time.perf_counter()
        best = search(room, wide_bounds(SUBS)).costs[0]
        searched = time.perf_counter() - start
        least, seconds = _evolved(room, TIMES * searched)
        proposal, before = figures(room, settings), figures(room, alike)
        parts = ", ".join(f"{name} {each:.2f}" for name, each in took.items())
        print(
            f"  room {seed}: {SUBS} subwoofers, {SEATS} seats, {len(index)} frequencies: {total:.2f} s (goal: under 3)"
        )
        print(f"    {parts}")
        print(
            f"    all alike {before.sd_db:.2f} dB, proposed {proposal.sd_db:.2f} dB, output {proposal.output_db:+.1f} dB"
        )
        print(
            f"    cost {best:.2f}; differential evolution {least:.2f} in {seconds / searched:.0f} times the time"
            f" (goal: no more than 0.2 dB² below ours)"
        )
    print(f"  memory of the process {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB (goal: 300)")
