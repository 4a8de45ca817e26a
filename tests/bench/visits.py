"""Whole simulated visits with meter, tape and processor: do the stated intervals hold, and are good channels passed?

    python tests/bench visits [--visits 30] [--rooms 4]

Each visit: eleven main channels and two subwoofers; as found with trims by ear and distances of another tape; meter, tape and
settings as `commission.steps` computes them from a folded job; what the settings sheet asks is entered, and all is read again
as left. The meter is 1, 2, 5 or 10 cm beside the seat in a room of `tests/references/displaced_meter.py`: pyroomacoustics,
or images, waves and modes. By hand each reading has a place of its own, on a stand (1 and 2 cm) all readings share one. Drawn
besides: noise of the reading, the meter's own error (class 2), the volume, tape, air within ±3 K, steps of trim and delay.

An interval that is an upper bound (nothing was repeated, so that a hand is assumed; a scatter that may be the hand's or the
eye's; the tape) may hold more than 97 %. "Good" is a channel whose true value is within the limit that its check states. "Least"
is the share of main channels as left that no rule with 5 % of risk on both sides of the limit could decide, were the scatter of
hand and eye known exactly; `tests/references/undecided_levels.py` compares such rules. Shares have 95 % intervals for visits that
are independent; that they share a few rooms is not in them.
"""

from __future__ import annotations

import argparse
import math
import sys
import zlib
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import count, product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from builders import arrivals, cinema, defined, job_of, levels, setting, tapes
from proportions import interval, interval_of_groups
from references import displaced_meter

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.delays import applied_delays_s, unit_m
from commission.dsp.timing import CROSSOVER_U_S, U_MAIN_S, U_SUB_S
from commission.dsp.trims import to_grid
from commission.dsp.uncertainty import SUB_CENTRE_U_M
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    Analyses,
    Check,
    DelayRange,
    Instrument,
    Job,
    Processor,
    TrimRange,
    Verdict,
)
from commission.model.system import DelayUnit
from commission.steps import distances
from commission.steps import levels as level_step

IDS = ("FL", "FC", "FR", "SiL", "SiR", "BL", "BR", "TpFL", "TpFR", "TpBL", "TpBR", "SUB1", "SUB2")
MAIN = np.array([not each.startswith("SUB") for each in IDS])
POINTS = 24
VISITS = count()
"""A number for each visit."""
NOISES_DB = (0.2, 0.5, 0.8)
READINGS = (1, 2, 3)
BOTH = (AS_FOUND, AS_LEFT)
TRIM_STEPS_DB = (0.1, 0.5, 1.0)
DELAY_STEPS: tuple[tuple[DelayUnit, float], ...] = (
    ("ms", 0.1),
    ("ms", 0.5),
    ("ms", 1.0),
    ("m", 0.03),
    ("m", 0.1),
    ("ft", 0.1),
    ("ft", 1.0),
)
TAPES_M = (0.005, 0.01, 0.02, 0.03)
STAND_M = 0.02
"""Up to this displacement the meter is on a stand."""
BOX_DEPTHS_M = (0.3, 0.5)
"""Depth of a subwoofer's box, equal to its width."""
AIR_C, WITHIN_K = 21.5, 3.0
METER_U_DB, VOLUME_U_DB = 0.5, 0.3
LIMIT_DB = 1.0
"""Limit of `levels.match`, without the step of the trim."""


@dataclass
class Tally:
    """Results of one group of visits; each entry with the number of its visit."""

    visit: int = -1
    inside: dict[str, list[tuple[int, bool]]] = field(default_factory=lambda: defaultdict(list))
    """Interval → whether it contained the truth."""
    verdicts: dict[str, list[tuple[int, bool, Verdict]]] = field(default_factory=lambda: defaultdict(list))
    """Check → (whether it was truly within its limit, verdict)."""
    green: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    """Round → whether every check of it passed."""

    def holds(self, name: str, value: float | None, truth: float, expanded: float) -> None:
        """Note an interval."""
        if value is not None:
            self.inside[name].append((self.visit, abs(value - truth) <= expanded + 1e-9))

    def judge(self, name: str, check: Check, truth: float) -> None:
        """Note a verdict beside the truth."""
        if check.limit is not None and check.verdict is not Verdict.NOT_TESTED:
            within = check.limit.lower <= truth <= check.limit.upper
            self.verdicts[name].append((self.visit, within, check.verdict))

    def share(self, name: str) -> float:
        """Share of intervals that contained the truth."""
        return float(np.mean([held for _, held in self.inside[name]])) if self.inside[name] else math.nan

    def of(self, verdict: Verdict, good: bool | None, *names: str) -> list[tuple[int, bool]]:
        """(visit, whether it got this verdict) of the good channels, the bad ones, or all."""
        chosen = (each for name in names for each in self.verdicts[name])
        return [(visit, found is verdict) for visit, within, found in chosen if good is None or within is good]

    def rate(self, name: str, verdict: Verdict, good: bool | None = None) -> float:
        """Share of a verdict among the good, the bad, or all."""
        found = [hit for _, hit in self.of(verdict, good, name)]
        return float(np.mean(found)) if found else math.nan


@dataclass(frozen=True, kw_only=True)
class Visit:
    """Parameters of a simulated visit."""

    displaced_m: float
    noise_db: float
    readings: int
    tape_m: float
    trim_step_db: float
    delay: tuple[DelayUnit, float]
    well_set: bool = False
    """As found, every channel is set as well as its processor allows; nothing is changed before it is read as left."""
    sound: bool = False
    """Arrivals are measured at the reference seat, too."""
    microphone_m: float = 0.02
    """Distance of the microphone from the seat: it is on a stand, whoever holds the meter."""


class Rooms:
    """Displaced levels of both simulators."""

    def __init__(self, count: int) -> None:
        self.made = displaced_meter.simulated(count, POINTS)
        self.boxes = [displaced_meter.Box(np.random.default_rng(seed)) for seed in range(count)]


def run_visit(tally: Tally, rng: np.random.Generator, rooms: Rooms, simulator: str, visit: Visit) -> None:
    """One visit: as found, what the sheet asks, as left."""
    room, seat = int(rng.integers(len(rooms.boxes))), int(rng.integers(2))
    box, ears = rooms.boxes[room], rooms.boxes[room].seats[seat]
    places = np.concatenate([box.mains, box.subs])
    errors_db = rooms.made[simulator][0][room, :, seat, displaced_meter.RADII_M.index(visit.displaced_m)]
    unit, step = visit.delay
    most = 200.0 if unit == "ms" else 60.0
    processor = Processor(
        trim_db=TrimRange(min=-20, max=20, step=visit.trim_step_db), delay=DelayRange(unit=unit, max=most, step=step)
    )
    on_stand = visit.displaced_m <= STAND_M
    meter = Instrument(kind="meter", accuracy_class=2, resolution=0.1, support="stand" if on_stand else "hand")
    whole = cinema(IDS, ["A2"], processor=processor, temperature_c=AIR_C, instruments=(meter,))
    # Positions are not entered: the tape is what is known.
    system = replace(whole, channels=tuple(replace(c, position_m=None) for c in whole.channels))
    taped_at_m = np.linalg.norm(places - ears, axis=1)
    true_m = taped_at_m + np.where(MAIN, 0.0, sub_centres_m(rng, len(IDS)))
    speed, own = speed_of_sound_m_s(AIR_C + rng.uniform(-WITHIN_K, WITHIN_K)), speed_of_sound_m_s(AIR_C)
    delay = system.processor.delay

    meter_db = rng.normal(0, METER_U_DB)
    at_zero_db = 75.0 + rng.uniform(-4, 4, len(IDS))
    grid = (-20.0, 20.0, visit.trim_step_db)
    best_db = [to_grid(75.0 - each, *grid) for each in at_zero_db]
    by_ear_db = [to_grid(75.0 - each + rng.normal(0, 1.5), *grid) for each in at_zero_db]
    trims_db = np.array(best_db if visit.well_set else by_ear_db)
    known_distance_m = taped_at_m + rng.normal(0, visit.tape_m, len(IDS))
    # Found: set as the true distances ask, or by another tape with some mistakes.
    mistakes_m = np.where(rng.random(len(IDS)) < 0.2, rng.uniform(-0.6, 0.6, len(IDS)), rng.normal(0, 0.02, len(IDS)))
    delay_settings = _entered(true_m if visit.well_set else true_m + mistakes_m, delay, own)

    def read(volume_db: float) -> dict[str, list[float]]:
        """Readings of one round: a pass over all channels for each repeat."""
        stand = int(rng.integers(POINTS))
        out: dict[str, list[float]] = {c: [] for c in IDS}
        for _ in range(visit.readings):
            for i, c in enumerate(IDS):
                off = errors_db[i, stand if on_stand else int(rng.integers(POINTS))]
                level = at_zero_db[i] + trims_db[i] + volume_db + meter_db + off + rng.normal(0, visit.noise_db)
                out[c].append(round(float(level), 1))
        return out

    def heard(round_id: str) -> Analyses:
        way = (ears - places) / taped_at_m[:, None]
        moved = displaced_meter.on_sphere(rng, visit.microphone_m, 1)[0]
        at_s = (
            (true_m + way @ moved) / speed
            + applied_delays_s(delay_settings, delay, own)
            + rng.normal(0, CROSSOVER_U_S, len(IDS))
        )
        # Where the sound of a main channel comes from is not where the tape ended; the tape's scatter holds that part, too.
        onset_s = math.sqrt(U_SUB_S**2 - (SUB_CENTRE_U_M / speed) ** 2)
        at_s = np.where(MAIN, at_s, at_s + rng.normal(0, onset_s, len(IDS)))
        parts = [
            arrivals({(c, "A2"): 0.0125 + float(t)}, u_s=U_MAIN_S if m else U_SUB_S, round_id=round_id)
            for c, t, m in zip(IDS, at_s, MAIN, strict=True)
        ]
        return Analyses([each for part in parts for each in part])

    def entered(round_id: str) -> list[object]:
        return [
            setting(c, trim_db=float(t), distance=float(d), round_id=round_id)
            for c, t, d in zip(IDS, trims_db, delay_settings, strict=True)
        ]

    bodies = [defined(system), *entered(AS_FOUND), *tapes(dict(zip(IDS, map(float, known_distance_m), strict=True)))]
    volume_db = rng.normal(0, VOLUME_U_DB)
    job = job_of(*bodies, *levels(read(volume_db)))  # type: ignore[arg-type]
    analyses = heard(AS_FOUND) if visit.sound else Analyses()
    truth = _Truth(at_zero_db, trims_db, volume_db, meter_db, true_m, delay_settings, delay, own, speed)
    _score(tally, job, AS_FOUND, analyses, truth, visit, name="found ")
    if not visit.well_set:
        trims_db, delay_settings = _as_asked(tally, job, analyses, truth)
    bodies = [*job_bodies(job), *entered(AS_LEFT)]
    volume_db = rng.normal(0, VOLUME_U_DB)
    job = job_of(*bodies, *levels(read(volume_db), round_id=AS_LEFT))  # type: ignore[arg-type]
    truth = _Truth(at_zero_db, trims_db, volume_db, meter_db, true_m, delay_settings, delay, own, speed)
    _score(tally, job, AS_LEFT, heard(AS_LEFT) if visit.sound else Analyses(), truth, visit)


def _as_asked(tally: Tally, job: Job, analyses: Analyses, truth: _Truth) -> tuple[np.ndarray, np.ndarray]:
    """(trims, delays) that the sheet asks for after the round as found; the intervals of what leads to them are noted."""
    found = level_step.solve(job, AS_FOUND, analyses).channels
    needed_db = 75.0 - (truth.at_zero_db + truth.volume_db + truth.meter_db)
    for i, c in enumerate(IDS):
        exact, new = found[c].trim_exact_db, found[c].trim_db
        assert exact is not None and new is not None
        tally.holds("trim", exact, needed_db[i], 2 * found[c].u_db)
        tally.holds("after typing", new, needed_db[i], found[c].budget_left.expanded)
        absolute = found[c].budget_absolute
        assert absolute is not None
        tally.holds("absolute", found[c].level_db, truth.apart_db[i] + 75.0, absolute.expanded)
    placed = distances.solve(job, AS_FOUND, analyses).channels
    return (
        np.array([found[c].trim_db for c in IDS], dtype=float),
        np.array([placed[c].setting.setting for c in IDS]),
    )


def sub_centres_m(rng: np.random.Generator, count: int) -> np.ndarray:
    """How much farther the sound of subwoofers comes from than the front of the box, where the tape ends [shape=(count,)].

    The centre is two thirds of the baffle's radius in front of the diaphragm (`uncertainty.SUB_CENTRE_U_M`), which faces
    the seat, or sideways or down.
    """
    radius_m = rng.uniform(*BOX_DEPTHS_M, count) / 2
    return np.asarray(np.where(rng.random(count) < 0.5, -2 / 3 * radius_m, radius_m))


def job_bodies(job: Job) -> list[object]:
    """The events of a job after its opening one."""
    return [event.body for event in job.log[1:]]


def _entered(distances_m: np.ndarray, delay: DelayRange, own_m_s: float) -> np.ndarray:
    """Settings for these distances, rounded to the processor's steps."""
    exact = (
        1000 * (distances_m.max() - distances_m) / own_m_s if delay.unit == "ms" else distances_m / unit_m(delay.unit)
    )
    return np.array([to_grid(float(each), delay.min, delay.max, delay.step) for each in exact])


@dataclass(frozen=True)
class _Truth:
    """True values, whatever was read."""

    at_zero_db: np.ndarray
    trims_db: np.ndarray
    volume_db: float
    meter_db: float
    true_m: np.ndarray
    delay_settings: np.ndarray
    delay: DelayRange
    own_m_s: float
    speed_m_s: float

    @property
    def apart_db(self) -> np.ndarray:
        """True level minus the reference."""
        return np.asarray(self.at_zero_db + self.trims_db + self.volume_db - 75.0)

    @property
    def late_ms(self) -> np.ndarray:
        """Delay set minus delay needed, relative to the main channels' median."""
        off = 1000 * (applied_delays_s(self.delay_settings, self.delay, self.own_m_s) + self.true_m / self.speed_m_s)
        return np.asarray(off - np.median(off[MAIN]))


def _score(
    tally: Tally, job: Job, round_id: str, analyses: Analyses, truth: _Truth, visit: Visit, name: str = ""
) -> None:
    """Values, intervals and verdicts of one round."""
    outcomes = (level_step.evaluate(job, round_id, analyses), distances.evaluate(job, round_id, analyses))
    apart, late = truth.apart_db, truth.late_ms
    common = float(np.median(apart[MAIN]))
    shown: list[Verdict] = []
    for check in (each for outcome in outcomes for each in outcome.checks):
        i = IDS.index(check.channel) if check.channel is not None else 0
        true = {
            "levels.match": apart[i] - common,
            "levels.reference": common,
            "distances.setting": late[i],
            "distances.arrival": 0.0,
        }.get(check.id)
        main = check.channel is None or bool(MAIN[i])
        if check.id.startswith("levels.") or main:
            shown.append(check.verdict)
        if true is None or (check.id == "distances.arrival" and not main):
            continue
        if not name:
            kind = check.id if main else f"{check.id}, subwoofer"
            tally.holds(kind, check.value, float(true), 2 * check.uncertainty)
        if not main and check.id == "distances.setting":
            continue
        if check.id == "distances.setting" and not visit.well_set and not name:
            tally.verdicts["entered as asked"].append((tally.visit, True, check.verdict))
        tally.judge(f"{name}{check.id}", check, float(true))
    tested = [each for each in shown if each is not Verdict.NOT_TESTED]
    tally.green[round_id].append(all(each is Verdict.PASS for each in tested))


def visits_of(rooms: Rooms, simulator: str, visits: int, seed: int, options: Mapping[str, object]) -> Tally:
    """Several visits with what is not given in `options` drawn, from random numbers of their own."""
    rng, tally = np.random.default_rng([seed, zlib.crc32(repr((simulator, options)).encode())]), Tally()
    for _ in range(visits):
        fields = {
            "displaced_m": float(rng.choice(displaced_meter.RADII_M)),
            "noise_db": float(rng.choice(NOISES_DB)),
            "readings": int(rng.choice(READINGS)),
            "tape_m": float(rng.choice(TAPES_M)),
            "trim_step_db": float(rng.choice(TRIM_STEPS_DB)),
            "delay": DELAY_STEPS[int(rng.integers(len(DELAY_STEPS)))],
        }
        tally.visit = next(VISITS)
        run_visit(tally, rng, rooms, simulator, Visit(**(fields | dict(options))))  # type: ignore[arg-type]
    return tally


def merged(tallies: Iterable[Tally]) -> Tally:
    """All of them as one."""
    out = Tally()
    for each in tallies:
        for name, held in each.inside.items():
            out.inside[name] += held
        for name, found in each.verdicts.items():
            out.verdicts[name] += found
        for round_id, green in each.green.items():
            out.green[round_id] += green
    return out


LEVEL_COLUMNS = ("trim", "levels.match", "levels.match, subwoofer", "after typing", "absolute", "levels.reference")


def least_unsure(errors_db: np.ndarray, noise_db: float, readings: int, *, on_stand: bool) -> float:
    """Share of channels within 1.645 u of the limit when the trim that as found asks for is rounded and read again.

    `errors_db`: of main channels at displaced places [shape=(…, places)].
    """
    rng, draws = np.random.default_rng(0), 100_000
    own = noise_db / math.sqrt(readings)
    kept = math.sqrt(float(np.mean(errors_db**2)))
    if not on_stand:
        own = math.hypot(own, math.sqrt(float(np.mean(np.var(errors_db, axis=-1)))) / math.sqrt(readings))
        kept = math.sqrt(float(np.mean(np.mean(errors_db, axis=-1) ** 2)))
    apart = rng.normal(0, math.sqrt(2) * math.hypot(own, kept if on_stand else 0.0), draws)
    guard = 1.645 * math.hypot(own, kept)
    shares = [
        np.mean(np.abs(np.abs(apart + rng.uniform(-step / 2, step / 2, draws)) - LIMIT_DB - step) < guard)
        for step in TRIM_STEPS_DB
    ]
    return float(np.mean(shares))


def _verdicts(tally: Tally, name: str) -> str:
    """Good channels failed and bad ones passed, as found and as left; unsure as left."""
    both = (name, f"found {name}")
    parts = (
        tally.of(Verdict.FAIL, True, *both),
        tally.of(Verdict.PASS, False, *both),
        tally.of(Verdict.UNSURE, None, name),
    )
    return " ".join(f"{interval_of_groups(each):>27}" for each in parts)


def print_levels(rooms: Rooms, visits: int) -> None:
    """Verdicts by readings, noise and placement, and by simulator; intervals by placement and number of readings."""
    made: dict[tuple[int, float, float, str], Tally] = {}
    columns = f"{'good failed':>27} {'bad passed':>27} {'unsure as left':>27}"
    print("\nLevels of all channels, verdicts with both simulators; least: of main channels")
    print(f" n noise  placed {columns}  least")
    for readings, noise_db, displaced_m in product(READINGS, NOISES_DB, displaced_meter.RADII_M):
        options = {"displaced_m": displaced_m, "noise_db": noise_db, "readings": readings}
        least = []
        for simulator in rooms.made:
            made[readings, noise_db, displaced_m, simulator] = visits_of(rooms, simulator, visits, 1, options)
            off = rooms.made[simulator][0][:, MAIN, :, displaced_meter.RADII_M.index(displaced_m)]
            least.append(least_unsure(off, noise_db, readings, on_stand=displaced_m <= STAND_M))
        both = merged(made[readings, noise_db, displaced_m, each] for each in rooms.made)
        title = f"{readings:>2} {noise_db:>5.1f} {100 * displaced_m:>4.0f} cm"
        print(f"{title} {_verdicts(both, 'levels.match')} {100 * np.mean(least):>4.0f} %", flush=True)
    for noise_db, simulator in product(NOISES_DB, rooms.made):
        one = merged(each for (n, noise, _, by), each in made.items() if (n, noise, by) == (2, noise_db, simulator))
        print(f" 2 {noise_db:>5.1f} {simulator[:7]} {_verdicts(one, 'levels.match')}")
    print("\nIntervals that hold the truth: one reading, and two or three")
    for name, displaced_m in product(LEVEL_COLUMNS, displaced_meter.RADII_M):
        texts = [
            interval_of_groups(
                merged(t for k, t in made.items() if k[2] == displaced_m and k[0] in counts).inside[name]
            )
            for counts in (READINGS[:1], READINGS[1:])
        ]
        print(f"{name:>24} {100 * displaced_m:>4.0f} cm {texts[0]:>30} {texts[1]:>30}")


def print_distances(rooms: Rooms, visits: int) -> None:
    """By tape and microphone, and by step of the delay."""
    print(
        "\nDistances: intervals of settings and arrivals that hold the truth; verdicts on settings of main channels"
    )
    for tape_m, microphone_m in product(TAPES_M, (0.02, 0.05)):
        options: dict[str, object] = {"tape_m": tape_m, "sound": True, "microphone_m": microphone_m}
        title = f"tape {100 * tape_m:g} cm, microphone {100 * microphone_m:g} cm"
        _print_distances(title, merged(visits_of(rooms, each, visits, 2, options) for each in rooms.made))
    for delay in DELAY_STEPS:
        options = {"delay": delay, "sound": True}
        title = f"steps of {delay[1]:g} {delay[0]}"
        _print_distances(title, merged(visits_of(rooms, each, visits, 3, options) for each in rooms.made))


def _print_distances(title: str, t: Tally) -> None:
    name, asked = "distances.setting", "entered as asked"
    held = {"settings": name, "of subwoofers": f"{name}, subwoofer", "arrivals": "distances.arrival"}
    print(f"{title}: " + "; ".join(f"{words} {interval_of_groups(t.inside[each])}" for words, each in held.items()))
    verdicts = {"red": t.of(Verdict.FAIL, None, asked), "unsure": t.of(Verdict.UNSURE, None, asked)}
    print(
        f"    good failed, bad passed, unsure {_verdicts(t, name)}\n    entered as asked "
        + ", ".join(f"{words} {interval_of_groups(each)}" for words, each in verdicts.items())
        + f"; arrivals unsure {interval_of_groups(t.of(Verdict.UNSURE, None, 'distances.arrival'))}",
        flush=True,
    )


def print_green(rooms: Rooms, visits: int) -> None:
    """Whole visits in a room that is set as well as its processor allows."""
    print(
        "\nWell-set rooms, trims of 0.5 dB and distances of 0.1 m, tape 2 cm: visits with every check of a round passed"
    )
    columns = (f"{round_id}, {what}" for what in ("by hand and tape", "with arrivals") for round_id in BOTH)
    print(f"placed noise  n {' '.join(f'{each:>27}' for each in columns)}")
    for displaced_m, noise_db, readings in product(displaced_meter.RADII_M, NOISES_DB, (2, 3, 5)):
        options: dict[str, object] = {
            "displaced_m": displaced_m,
            "noise_db": noise_db,
            "readings": readings,
            "tape_m": 0.02,
            "trim_step_db": 0.5,
            "delay": ("m", 0.1),
            "well_set": True,
        }
        found = [
            merged(visits_of(rooms, each, visits, 4, options | {"sound": sound}) for each in rooms.made).green
            for sound in (False, True)
        ]
        shares = " ".join(f"{interval(green[round_id]):>27}" for green in found for round_id in BOTH)
        print(f"{100 * displaced_m:>3.0f} cm {noise_db:>5.1f} {readings:>2} {shares}", flush=True)


def run(arguments: Sequence[str] | Iterable[str] = ()) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python tests/bench visits", description=__doc__)
    parser.add_argument("--visits", type=int, default=30, help="visits of each line")
    parser.add_argument("--rooms", type=int, default=4, help="rooms of each simulator")
    parts = {"levels": print_levels, "distances": print_distances, "green": print_green}
    parser.add_argument("--part", choices=tuple(parts), action="append", help="only this table")
    given = parser.parse_args(list(arguments))
    rooms = Rooms(given.rooms)
    for name in given.part or parts:
        parts[name](rooms, given.visits)


if __name__ == "__main__":
    run(sys.argv[1:])
