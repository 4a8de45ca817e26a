"""Return visits: how often an unchanged room raises an alarm, and which drifts are found.

    python tests/bench returns [--rooms 12]

By hand: thirteen channels read at one seat at both visits, the meter 2 or 5 cm beside the seat in the rooms of
`tests/references/displaced_meter.py`. Responses: seven channels at six seats, the microphone put back 1, 2 or 5 cm from its
place in the rooms of `tests/references/repeated_placings.py`; three visits are compared with three others. Both come from
two simulators. Drawn besides: volume, noise of the reading (0.3 dB), angle ±0.3 dB and gain ±0.1 dB of the microphone, and
the start of the clock. The promise is an alarm in at most one visit in twenty. Printed with 95 % intervals as if all visits were
independent; those of one room are not quite.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from builders import cinema, defined, job_of, levels
from proportions import interval
from references import displaced_meter, repeated_placings

from commission.model import AS_FOUND, AnalysedResponse, Analyses, Analysis, Instrument, Job, ResponseStored, System
from commission.steps.drift import figures
from commission.steps.drift.result import DriftResult, solve

HAND = ("FL", "FC", "FR", "SiL", "SiR", "BL", "BR", "TpFL", "TpFR", "TpBL", "TpBR", "SUB1", "SUB2")
POINTS = 24
NOISE_DB = 0.3
DRIFTS_DB = (1.0, 2.0, 3.0)
LATE_S = (0.0005, 0.001)
ALARMS_BY_HAND, VISITS_BY_HAND = 200, 50
DRIFTING = 3
"""Every third visit with responses is repeated with each drift."""


def unplaced(system: System) -> System:
    """Without the places of its loudspeakers, which are not those of the simulated rooms."""
    return replace(system, channels=tuple(replace(c, position_m=None) for c in system.channels))


def compared(then: tuple[Job, Analyses], now: tuple[Sequence[object], Analyses]) -> DriftResult:
    """`then`: the earlier visit; `now`: what was stored at this one."""
    earlier = figures.earlier_visit(*then, file_name="then.commission", program_version="0")
    job = job_of(defined(then[0].system), earlier, *now[0])  # type: ignore[arg-type]
    return solve(job, AS_FOUND, now[1])


@dataclass(frozen=True)
class ReadByHand:
    """A room of one simulator, read at one seat."""

    errors_db: np.ndarray
    support: Literal["stand", "hand"]
    readings: int
    rng: np.random.Generator

    def _read(self, errors_db: np.ndarray, fallen_db: float) -> list[object]:
        volume, stand = self.rng.normal(0, 1.0), int(self.rng.integers(POINTS))
        out: dict[str, list[float]] = {c: [] for c in HAND}
        for _ in range(self.readings):
            for i, c in enumerate(HAND):
                off = errors_db[i, stand if self.support == "stand" else int(self.rng.integers(POINTS))]
                level = 75.0 + volume + off + self.rng.normal(0, NOISE_DB) - (fallen_db if c == "FL" else 0.0)
                out[c].append(round(float(level), 1))
        return list(levels(out))

    def visit(self, fallen_db: float = 0.0) -> DriftResult:
        """FL fallen by `fallen_db`."""
        meter = Instrument(
            kind="meter", accuracy_class=2, resolution=0.1, support=self.support, serial="1", model="m"
        )
        system = unplaced(cinema(HAND, ["A2"], instruments=(meter,)))
        own = self.errors_db[int(self.rng.integers(len(self.errors_db))), :, int(self.rng.integers(2))]
        then = job_of(defined(system), *self._read(own, 0.0))  # type: ignore[arg-type]
        return compared((then, Analyses()), (self._read(own, fallen_db), Analyses()))


def by_hand(
    made: Mapping[str, tuple[np.ndarray, np.ndarray]], displaced_m: float, readings: int
) -> dict[str, ReadByHand]:
    """By simulator, from what `displaced_meter.simulated` makes."""
    at = displaced_meter.RADII_M.index(displaced_m)
    return {
        simulator: ReadByHand(
            errors[..., at, :], "stand" if displaced_m <= 0.02 else "hand", readings, np.random.default_rng(5)
        )
        for simulator, (errors, _) in made.items()
    }


def heard(
    made: repeated_placings.Placings, k: int, rng: np.random.Generator, fallen_db: float = 0.0, late_s: float = 0.0
) -> tuple[list[ResponseStored], Analyses]:
    """One visit with the microphone at the placing `k` of every seat; FL softer and later by these amounts."""
    stored: list[ResponseStored] = []
    items: list[AnalysedResponse] = []
    volume, start = rng.normal(0, 1.0), rng.uniform(0, 0.01)
    for s, seat in enumerate(repeated_placings.SEATS):
        angle = rng.uniform(-0.3, 0.3, len(repeated_placings.NAMES))
        for c, name in enumerate(repeated_placings.NAMES):
            own: Analysis = made.read[c, s, k]
            off = volume + angle[c] + rng.uniform(-0.1, 0.1) - (fallen_db if name == "FL" else 0.0)
            late = start + (late_s if name == "FL" else 0.0)
            own = replace(
                own,
                third_octave_db=own.third_octave_db + off,
                level_db=None if own.level_db is None else own.level_db + off,
                arrival_s=None if own.arrival_s is None else own.arrival_s + late,
            )
            body, item = repeated_placings.recorded(len(items), AS_FOUND, name, seat, own, passes_delays=False)
            stored.append(body)
            items.append(item)
    return stored, Analyses(items)


@dataclass(frozen=True)
class Returned:
    """A room with the placings of both visits."""

    made: repeated_placings.Placings
    then: int
    now: int
    rng: np.random.Generator

    def visit(self, fallen_db: float = 0.0, late_s: float = 0.0) -> DriftResult:
        """FL softer and later by these amounts."""
        stored, analyses = heard(self.made, self.then, self.rng)
        system = defined(unplaced(cinema(repeated_placings.NAMES, repeated_placings.SEATS)))
        return compared((job_of(system, *stored), analyses), heard(self.made, self.now, self.rng, fallen_db, late_s))


def with_responses(simulator: str, rooms: int, distance_m: float) -> list[Returned]:
    """Three pairs of placings in some rooms."""
    out = []
    for seed in range(200, 200 + rooms):
        made = repeated_placings.placings(simulator, seed, distance_m)
        out += [
            Returned(made, before, after, np.random.default_rng([seed, before, after]))
            for before, after in ((0, 1), (2, 3), (4, 5))
        ]
    return out


def _found(result: DriftResult, quantity: str) -> bool:
    return any(d.channel == "FL" and d.quantity == quantity for d in result.drifted())


def run(arguments: Sequence[str] | Iterable[str] = ()) -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(prog="python tests/bench returns", description=__doc__)
    parser.add_argument("--rooms", type=int, default=12, help="rooms of each simulator")
    rooms = parser.parse_args(list(arguments)).rooms
    moved = displaced_meter.simulated(rooms, POINTS)
    print("Read by hand at one seat: visits with a false alarm, and drifts of FL that are found")
    for displaced_m in (0.02, 0.05):
        for readings in (1, 2, 3):
            for simulator, own in by_hand(moved, displaced_m, readings).items():
                alarms = [bool(own.visit().drifted()) for _ in range(ALARMS_BY_HAND)]
                hits = {db: [_found(own.visit(db), figures.LEVEL) for _ in range(VISITS_BY_HAND)] for db in DRIFTS_DB}
                text = ", ".join(f"{db:g} dB {interval(each)}" for db, each in hits.items())
                print(
                    f"{simulator[:10]:>10} {100 * displaced_m:.0f} cm, readings {readings}: alarms "
                    f"{interval(alarms)}; found {text}",
                    flush=True,
                )
    print("Responses at six seats: visits with a false alarm (by figure), and drifts of FL that are found")
    for distance_m in repeated_placings.DISTANCES_M:
        for simulator in repeated_placings.SIMULATORS:
            made = with_responses(simulator, rooms, distance_m)
            results = [each.visit() for each in made]
            kinds: dict[str, int] = {}
            for result in results:
                for kind in {figures.kind(d.quantity) for d in result.drifted()}:
                    kinds[kind] = kinds.get(kind, 0) + 1
            alarms = [bool(result.drifted()) for result in results]
            fallen = {
                db: [_found(each.visit(db), figures.RESPONSE) for each in made[::DRIFTING]] for db in DRIFTS_DB[:2]
            }
            late = {s: [_found(each.visit(late_s=s), figures.ARRIVAL) for each in made[::DRIFTING]] for s in LATE_S}
            text = ", ".join(
                [f"{db:g} dB {interval(own)}" for db, own in fallen.items()]
                + [f"{1000 * s:g} ms {interval(own)}" for s, own in late.items()]
            )
            print(
                f"{simulator[:10]:>10} {100 * distance_m:.0f} cm: alarms {interval(alarms)} {kinds}; found {text}",
                flush=True,
            )


if __name__ == "__main__":
    run(sys.argv[1:])
