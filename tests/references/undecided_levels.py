"""Number of channels left undecided after a few meter readings, and the errors of rules that decide more.

    python tests/references/undecided_levels.py

As found, levels are off by 1.5 dB (standard deviation, by ear); as left, by the errors of the readings that gave the trims and by
the steps of the trim. Each round is read again. A reading scatters by noise and by the place of the meter: not at all, by 0.2 dB
(within 2 cm, on a stand: all readings of a round share it), or by 0.45 dB (within 5 cm by hand), as `displaced_meter.py` finds. The
rules know its u exactly. Good is a channel within ±1 dB and one step of the trim, the limit of `levels.match`.

- guarded: the program's. Pass and fail where the value is 1.645 u inside or outside the limit, otherwise unsure (JCGM 106).
- best step: pass unless another step of the trim is better beyond doubt, that is unless the value is surely more than half a
  step off; otherwise fail. Never unsure.
- either: pass where one of these two passes, fail where the guarded one fails.

Printed for two readings: what is unsure as left, good channels failed and bad ones passed (as found and as left), and how often a
channel exactly at the limit passes. Then, for the guarded rule: the limit with which 15 % would be unsure, and how many
readings that takes with the limit of the program. A rule that fails at most 5 % of the channels at the limit and passes at most
5 % of them has to leave unsure what is within 1.645 u of it: none leaves fewer than the guarded one.

The readings as found, minus the change of trim, are readings of the same channel: as left, the program takes the mean of both where
they agree within 1.645 u of their difference (guarded rule). Printed: what is then unsure, how many of the channels that pass are
off, and the price: how often a channel exactly at the limit passes because its trim was entered otherwise than noted. For a given
true level this decides nothing that two readings do not, since the trim makes each reading as found agree with the target; it uses
that a trim which was read is rarely far off.

Last, how many visits are all green in a room whose thirteen channels are set as well as steps of 0.5 dB allow, after two and five
readings: by the guarded rule, and if 5 % of the bad channels of such visits may pass on average. Where all channels must pass, each
of them has to keep the risk, because the others may be right; readings of other channels do not help, as each sets its own trim.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from commission.model import FloatArray, default_profile
from commission.model.verdict import GUARD_FACTOR

NOISES_DB, STEPS_DB = (0.2, 0.5, 0.8), (0.1, 0.5, 1.0)
PLACES_DB = {"exact": 0.0, "stand": 0.2, "hand": 0.45}
BY_EAR_DB = 1.5
COUNT = 100_000
CHANNELS = 13
GOAL = 0.15
MOST_READINGS = 40


@dataclass(frozen=True)
class Channels:
    """True and read levels relative to the target [dB], as found and as left; u of a value; step of the trim."""

    found: tuple[FloatArray, FloatArray]
    left: tuple[FloatArray, FloatArray]
    u_db: float
    step_db: float

    @property
    def limit_db(self) -> float:
        """That of `levels.match`, with the step that the program adds."""
        return default_profile().of("levels.match").upper + self.step_db

    @property
    def guard_db(self) -> float:
        """1.645 u."""
        return GUARD_FACTOR * self.u_db


def channels(noise_db: float, readings: int, place: str, step_db: float, count: int = COUNT) -> Channels:
    """With this number of readings in each round."""
    rng, place_db = np.random.default_rng(0), PLACES_DB[place]
    changing = math.hypot(noise_db, place_db if place == "hand" else 0.0)
    u_db = math.hypot(changing / math.sqrt(readings), place_db if place == "stand" else 0.0)
    errors = rng.normal(0, u_db, (2, count))
    found = rng.normal(0, BY_EAR_DB, count)
    left = rng.uniform(-step_db / 2, step_db / 2, count) - errors[0]
    return Channels((found, found + errors[0]), (left, left + errors[1]), u_db, step_db)


Passed = NDArray[np.bool_]
Rule = Callable[[FloatArray, Channels], tuple[Passed, Passed]]


def guarded(read: FloatArray, of: Channels) -> tuple[Passed, Passed]:
    """(passed, failed)"""
    return np.abs(read) <= of.limit_db - of.guard_db, np.abs(read) > of.limit_db + of.guard_db


def best_step(read: FloatArray, of: Channels) -> tuple[Passed, Passed]:
    """(passed, failed)"""
    passed = np.abs(read) <= of.step_db / 2 + of.guard_db
    return passed, ~passed


def either(read: FloatArray, of: Channels) -> tuple[Passed, Passed]:
    """(passed, failed)"""
    passed, failed = guarded(read, of)
    return passed | best_step(read, of)[0], failed


RULES: tuple[Rule, ...] = (guarded, best_step, either)


def shares(rule: Rule, of: Channels) -> tuple[float, float, float, float]:
    """Unsure as left; good failed, bad passed (found and left); passed at the limit."""
    true = np.concatenate([of.found[0], of.left[0]])
    passed, failed = rule(np.concatenate([of.found[1], of.left[1]]), of)
    good = np.abs(true) <= of.limit_db
    left = rule(of.left[1], of)
    at_limit = rule(of.limit_db + of.u_db * np.random.default_rng(1).normal(size=len(true)), of)[0]
    return (
        float(1 - np.mean(left[0] | left[1])),
        float(np.mean(failed[good])),
        float(np.mean(passed[~good])),
        float(np.mean(at_limit)),
    )


def with_found(of: Channels) -> tuple[float, float, float]:
    """As left, with the readings as found: unsure; off among those that pass; passed at the limit with a trim entered otherwise."""
    before = of.left[0] + of.found[1] - of.found[0]

    def judged(read: FloatArray) -> tuple[Passed, Passed]:
        agree = np.abs(read - before) <= math.sqrt(2) * of.guard_db
        off = np.abs(np.where(agree, (read + before) / 2, read))
        guard_db = of.guard_db * np.where(agree, math.sqrt(0.5), 1.0)
        return off <= of.limit_db - guard_db, off > of.limit_db + guard_db

    passed, failed = judged(of.left[1])
    mistyped = of.limit_db + of.left[1] - of.left[0]
    return (
        float(1 - np.mean(passed | failed)),
        float(np.mean(np.abs(of.left[0][passed]) > of.limit_db)),
        float(np.mean(judged(mistyped)[0])),
    )


def least_unsure(of: Channels) -> float:
    """Unsure as left by the rule with two thresholds that decides most, if 5 % of the bad channels of this population may pass
    and 5 % of the good ones fail, whatever their risk is one by one.
    """
    true, read = (np.abs(np.concatenate([of.found[i], of.left[i]])) for i in (0, 1))
    good = true <= of.limit_db
    passed, failed = np.quantile(read[~good], 0.05), np.quantile(read[good], 0.95)
    left = np.abs(of.left[1])
    return float(np.mean((left > passed) & (left <= failed)))


def all_green(of: Channels) -> tuple[float, float]:
    """Share of visits in which `CHANNELS` channels pass that are within half a step of their target: by the guarded rule, and with
    the threshold that lets 5 % of this population's bad channels pass.
    """
    rng = np.random.default_rng(2)
    right = rng.uniform(-of.step_db / 2, of.step_db / 2, COUNT) + rng.normal(0, of.u_db, COUNT)
    true, read = (np.concatenate([of.found[i], of.left[i]]) for i in (0, 1))
    average_db = float(np.quantile(np.abs(read[np.abs(true) > of.limit_db]), 0.05))
    guarded_share, average_share = (
        np.mean(np.abs(right) <= high) for high in (of.limit_db - of.guard_db, average_db)
    )
    return float(guarded_share**CHANNELS), float(average_share**CHANNELS)


def limit_for_goal_db(of: Channels) -> float:
    """The limit with which the guarded rule leaves 15 % unsure as left."""
    return float(np.quantile(np.abs(of.left[1]), 1 - GOAL)) + of.guard_db


def readings_for_goal(noise_db: float, place: str, step_db: float) -> int | None:
    """Number of readings that leave at most 15 % unsure; None if the place alone leaves more."""
    counts = range(1, MOST_READINGS + 1)
    return next(
        (n for n in counts if shares(guarded, channels(noise_db, n, place, step_db, 20_000))[0] <= GOAL), None
    )


def main() -> None:
    """Print the table."""
    print("two readings; %: unsure as left, good failed, bad passed, passed at the limit")
    head = " ".join(f"{rule.__name__.replace('_', ' '):>20}" for rule in RULES)
    print(f"noise placed step limit    u {head}  least  limit for 15 %  readings for 15 %")
    for noise_db, place, step_db in product(NOISES_DB, PLACES_DB, STEPS_DB):
        of = channels(noise_db, 2, place, step_db)
        cells = ["".join(f"{100 * share:5.0f}" for share in shares(rule, of)) for rule in RULES]
        needed = readings_for_goal(noise_db, place, step_db)
        print(
            f"{noise_db:>5.1f} {place:>6} {step_db:>4.1f} {of.limit_db:>5.1f} {of.u_db:>4.2f} {' '.join(cells)} {100 * least_unsure(of):>6.0f}"
            f"  {limit_for_goal_db(of):>14.1f}  {needed or f'more than {MOST_READINGS}':>17}",
            flush=True,
        )
    print("with the readings as found, %: unsure as left, off among the passed, passed at the limit by a wrong entry")
    for noise_db, place, step_db in product(NOISES_DB, PLACES_DB, STEPS_DB):
        shares_left = " ".join(f"{100 * each:5.1f}" for each in with_found(channels(noise_db, 2, place, step_db)))
        print(f"{noise_db:>5.1f} {place:>6} {step_db:>4.1f} {shares_left}", flush=True)
    print("rooms set as well as steps of 0.5 dB allow, %: all green by the guarded rule, with 5 % of risk on average")
    for noise_db, place, readings in product(NOISES_DB, PLACES_DB, (2, 5)):
        shares_green = " ".join(f"{100 * each:4.0f}" for each in all_green(channels(noise_db, readings, place, 0.5)))
        print(f"{noise_db:>5.1f} {place:>6} {readings} readings {shares_green}", flush=True)


if __name__ == "__main__":
    main()
