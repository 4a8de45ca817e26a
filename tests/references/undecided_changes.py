"""How often a change of 1 dB of the seats' standard deviation is recognised, with the microphone 5 cm from its place.

    python tests/references/undecided_changes.py [rooms]

Rooms of `repeated_placings.py`, every seat measured twice in each round. The standard deviation of a band over the seats, read
again, scatters by σ (normal), different for each loudspeaker and room. Half of the risk is for better, half for worse. Printed for
the newest reading of each seat, and for the mean of both, as the program takes it:

- σ (5, 50, 95 % of loudspeakers) and its degrees of freedom: what two repeats a seat show of it, by Welch and Satterthwaite, since
  one or two seats in a null bring most of the scatter;
- known: how often the best test sees the change that knows σ of each loudspeaker in each room. By the lemma of Neyman and Pearson
  it compares the ratio of both likelihoods, exp(x/σ² − 1/2σ²), with one threshold for all: no test sees more;
- learned: the same of Student's test, which has only these repeats to learn σ from (the best one that does not depend on scale).

Each where 5 % of the words on this band are false, and where 1 table in 20 has a false word on this band and none elsewhere
(independent errors). The program keeps the second for all bands of a table.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np
from scipy import optimize, stats

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from references import repeated_placings

from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import own_band
from commission.model import FloatArray

CHANGE_DB, RISK = 1.0, 0.05
DISTANCE_M, PLACINGS = 0.05, 8
SPLITS = 200


@dataclass(frozen=True)
class Scatter:
    """Scatter of a change of the standard deviation over the seats without a real change, by loudspeaker [shape=(n,)]."""

    sigma_db: FloatArray
    dof: FloatArray


def scatter(
    made: repeated_placings.Placings, low_hz: float, high_hz: float, readings: int, rng: np.random.Generator
) -> Scatter:
    """Of the loudspeakers that play in this band, each seat's mean of `readings` placings in both rounds."""
    sigmas, freedom = [], []
    for levels in made.thirds_db:
        inside = own_band(levels.mean(axis=1)) & (GRID_HZ >= low_hz) & (GRID_HZ <= high_hz)
        if not inside.any():
            continue
        own = levels[..., inside]
        drawn = np.array([[seat[rng.permutation(len(seat))[: 2 * readings]] for seat in own] for _ in range(SPLITS)])
        drawn = drawn + rng.uniform(-0.1, 0.1, (*drawn.shape[:3], 1))
        means = drawn.reshape(SPLITS, len(own), 2, readings, -1).mean(axis=3)
        before_db, after_db = np.moveaxis(np.sqrt(np.mean(np.var(means, axis=1), axis=-1)), 1, 0)
        sigmas.append(np.std(after_db - before_db))
        middle = own.mean(axis=1)
        by_seat = np.var(np.einsum("skn,sn->sk", own, middle - middle.mean(axis=0)), axis=1, ddof=1)
        freedom.append(2 * by_seat.sum() ** 2 / np.sum(by_seat**2))  # one in each round
    return Scatter(np.array(sigmas), np.array(freedom))


def known(sigma_db: FloatArray, risk: float) -> float:
    """Share of changes by `CHANGE_DB` that the best test sees; `risk`: mean share of false words, better and worse."""

    def beyond(log_ratio: float, shift_db: float) -> float:
        limits_db = CHANGE_DB / 2 + sigma_db**2 * log_ratio / CHANGE_DB
        return float(np.mean(stats.norm.sf((limits_db - shift_db) / sigma_db)))

    # From a threshold that all exceed to one that none does.
    most = 50 * (1 + CHANGE_DB / float(sigma_db.min())) ** 2
    return beyond(optimize.brentq(lambda ratio: beyond(ratio, 0.0) - risk / 2, -most, most), CHANGE_DB)


def learned(of: Scatter, risk: float) -> float:
    """The same of Student's test."""
    return float(np.mean(stats.nct.sf(stats.t.isf(risk / 2, of.dof), of.dof, CHANGE_DB / of.sigma_db)))


def risk_of_tables(sizes: Sequence[int]) -> float:
    """Mean share of false words where one table in twenty has one, of tables with these numbers of words."""
    return -math.log1p(-RISK) * len(sizes) / sum(sizes)


def main(rooms: int) -> None:
    """Print every figure."""
    for simulator in repeated_placings.SIMULATORS:
        made = [repeated_placings.placings(simulator, seed, DISTANCE_M, PLACINGS) for seed in range(rooms)]
        for (low_hz, high_hz), readings in product(repeated_placings.BANDS_HZ, (1, 2)):
            found = [scatter(each, low_hz, high_hz, readings, np.random.default_rng(1)) for each in made]
            both = Scatter(*(np.concatenate([getattr(each, name) for each in found]) for name in ("sigma_db", "dof")))
            sigma = " ".join(f"{each:.2f}" for each in np.percentile(both.sigma_db, (5, 50, 95)))
            seen = [
                f"{100 * known(both.sigma_db, risk):.0f} and {100 * learned(both, risk):.0f} %"
                for risk in (RISK, risk_of_tables([len(each.dof) for each in found]))
            ]
            print(
                f"{simulator:13s} {low_hz:5.0f}-{high_hz:<5.0f} Hz, {('newest', 'mean')[readings - 1]:>6}: σ {sigma} dB, "
                f"{np.median(both.dof):.0f} degrees of freedom; known and learned {seen[0]} by words, {seen[1]} by tables",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
