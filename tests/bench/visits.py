"""Whole simulated visits with meter, tape and processor: do the stated intervals hold, and are good channels passed?

    python tests/bench visits [--visits 30] [--rooms 4]

Each visit: eleven main channels and two subwoofers; as found with trims by ear and distances of another tape; meter, tape and
settings as `commission.steps` computes them from a folded job; what the settings sheet asks is entered, and all is read again
as left. The meter is 1, 2, 5 or 10 cm beside the seat in a room of `tests/references/displaced_meter.py`: pyroomacoustics,
or images, waves and modes. By hand each reading has a place of its own, on a stand (1 and 2 cm) all readings share one. Drawn
besides: noise of the reading, the meter's own error (class 2), the volume, tape, air within ±3 K, steps of trim and delay.

An interval that is an upper bound (nothing was repeated, so that a hand is assumed; the tape) may hold more than 97 %. "Good"
is a channel whose true value is within the limit that its check states. "Least" is the share of main channels as left that no
rule with 5 % of risk on both sides of the limit could decide, were the scatter of hand and eye known exactly. After two
readings with the meter within 2 cm it is 15 to 19 % with 0.5 dB of noise and 52 to 55 % with 0.8 dB: with a limit of ±1 dB no
program can leave fewer than 15 % undecided there.
"""

from __future__ import annotations

import argparse
import math
import sys
import zlib
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from builders import arrivals, cinema, defined, job_of, levels, setting, tapes
from references import displaced_meter

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.delays import applied_delays_s, unit_m
from commission.dsp.timing import CROSSOVER_U_S, U_MAIN_S, U_SUB_S
from commission.dsp.trims import to_grid
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
NOISES_DB = (0.2, 0.5, 0.8)
READINGS = (1, 2, 3)
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
AIR_C, WITHIN_K = 21.5, 3.0
METER_U_DB, VOLUME_U_DB = 0.5, 0.3
LIMIT_DB = 1.0
"""Of `levels.match`, without the step of the trim."""


@dataclass
class Tally:
    """What one group of visits gave."""

    inside: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))
    """Interval → whether it contained the truth."""
    verdicts: dict[str, list[tuple[bool, Verdict]]] = field(default_factory=lambda: defaultdict(list))
    """Check → (whether it was truly within its limit, verdict)."""
    green: list[bool] = field(default_factory=list)
    """Whether every check of the round as left passed."""

    def holds(self, name: str, value: float | None, truth: float, expanded: float) -> None:
        """Note an interval."""
        if value is not None:
            self.inside[name].append(abs(value - truth) <= expanded + 1e-9)

    def judge(self, name: str, check: Check, truth: float) -> None:
        """Note a verdict beside the truth."""
        if check.limit is not None and check.verdict is not Verdict.NOT_TESTED:
            self.verdicts[name].append((check.limit.lower <= truth <= check.limit.upper, check.verdict))

    def bad_passed(self) -> str:
        """How many channels beyond the limit passed, of how many, as found and as left."""
        names = ("levels.match", "found levels.match")
        bad = [found for name in names for within, found in self.verdicts[name] if not within]
        return f"{sum(found is Verdict.PASS for found in bad)} of {len(bad)}"

    def share(self, name: str) -> float:
        """Share of intervals that contained the truth."""
        return float(np.mean(self.inside[name])) if self.inside[name] else math.nan

    def rate(self, name: str, verdict: Verdict, good: bool | None = None) -> float:
        """Share of a verdict among the good, the bad, or all."""
        chosen = [found for within, found in self.verdicts[name] if good is None or within is good]
        return float(np.mean([found is verdict for found in chosen])) if chosen else math.nan


@dataclass(frozen=True, kw_only=True)
class Visit:
    """What a simulated visit is made of."""

    displaced_m: float
    noise_db: float
    readings: int
    tape_m: float
    trim_step_db: float
    delay: tuple[DelayUnit, float]
    well_set: bool = False
    """As found, every channel is set as well as its processor allows; nothing is changed."""
    sound: bool = False
    """Arrivals are measured at the reference seat, too."""
    microphone_m: float = 0.02
    """How far from the seat the microphone is: it is on a stand, whoever holds the meter."""


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
    true_m = np.linalg.norm(places - ears, axis=1)
    speed, own = speed_of_sound_m_s(AIR_C + rng.uniform(-WITHIN_K, WITHIN_K)), speed_of_sound_m_s(AIR_C)
    delay = system.processor.delay

    meter_db = rng.normal(0, METER_U_DB)
    at_zero_db = 75.0 + rng.uniform(-4, 4, len(IDS))
    grid = (-20.0, 20.0, visit.trim_step_db)
    best_db = [to_grid(75.0 - each, *grid) for each in at_zero_db]
    by_ear_db = [to_grid(75.0 - each + rng.normal(0, 1.5), *grid) for each in at_zero_db]
    trims_db = np.array(best_db if visit.well_set else by_ear_db)
    taped_m = true_m + rng.normal(0, visit.tape_m, len(IDS))
    # Found: set as the true distances ask, or by another tape.
    delay_settings = _entered(true_m if visit.well_set else true_m + rng.normal(0, 0.02, len(IDS)), delay, own)

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
        way = (ears - places) / true_m[:, None]
        moved = displaced_meter.on_sphere(rng, visit.microphone_m, 1)[0]
        at_s = (
            (true_m + way @ moved) / speed
            + applied_delays_s(delay_settings, delay, own)
            + rng.normal(0, CROSSOVER_U_S, len(IDS))
        )
        # Where the sound comes from is not where the tape ended; the tape's scatter holds that part, too.
        at_s = np.where(MAIN, at_s, at_s + rng.normal(0, U_SUB_S, len(IDS)))
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

    bodies = [defined(system), *entered(AS_FOUND), *tapes(dict(zip(IDS, map(float, taped_m), strict=True)))]
    volume_db = rng.normal(0, VOLUME_U_DB)
    job = job_of(*bodies, *levels(read(volume_db)))  # type: ignore[arg-type]
    analyses = heard(AS_FOUND) if visit.sound else Analyses()
    truth = _Truth(at_zero_db, trims_db, volume_db, meter_db, true_m, delay_settings, delay, own, speed)
    if visit.well_set:
        _score(tally, job, AS_FOUND, analyses, truth, visit)
        return
    _score(tally, job, AS_FOUND, analyses, truth, visit, name="found ")
    found = level_step.solve(job, AS_FOUND, analyses).channels
    needed_db = 75.0 - (at_zero_db + volume_db + meter_db)
    for i, c in enumerate(IDS):
        exact, new = found[c].trim_exact_db, found[c].trim_db
        assert exact is not None and new is not None
        tally.holds("trim", exact, needed_db[i], 2 * found[c].u_db)
        tally.holds("after typing", new, needed_db[i], found[c].budget_left.expanded)
        absolute = found[c].budget_absolute
        assert absolute is not None
        tally.holds("absolute", found[c].level_db, at_zero_db[i] + trims_db[i] + volume_db, absolute.expanded)
    trims_db = np.array([found[c].trim_db for c in IDS], dtype=float)
    placed = distances.solve(job, AS_FOUND, analyses).channels
    delay_settings = np.array([placed[c].setting.setting for c in IDS])
    bodies = [*job_bodies(job), *entered(AS_LEFT)]
    volume_db = rng.normal(0, VOLUME_U_DB)
    job = job_of(*bodies, *levels(read(volume_db), round_id=AS_LEFT))  # type: ignore[arg-type]
    truth = _Truth(at_zero_db, trims_db, volume_db, meter_db, true_m, delay_settings, delay, own, speed)
    _score(tally, job, AS_LEFT, heard(AS_LEFT) if visit.sound else Analyses(), truth, visit)


def job_bodies(job: Job) -> list[object]:
    """What a job was folded from, without its opening event."""
    return [event.body for event in job.log[1:]]


def _entered(distances_m: np.ndarray, delay: DelayRange, own_m_s: float) -> np.ndarray:
    """Settings for these distances, rounded to the processor's steps."""
    exact = (
        1000 * (distances_m.max() - distances_m) / own_m_s if delay.unit == "ms" else distances_m / unit_m(delay.unit)
    )
    return np.array([to_grid(float(each), delay.min, delay.max, delay.step) for each in exact])


@dataclass(frozen=True)
class _Truth:
    """What is so, whatever was read."""

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
        if true is None or (check.id.startswith("distances.") and not main):
            continue
        if not name:
            kind = check.id if main else f"{check.id}, subwoofer"
            tally.holds(kind, check.value, float(true), 2 * check.uncertainty)
        if check.id == "distances.setting" and not visit.well_set and not name:
            tally.verdicts["entered as asked"].append((True, check.verdict))
        tally.judge(f"{name}{check.id}", check, float(true))
    if not name:
        tested = [each for each in shown if each is not Verdict.NOT_TESTED]
        tally.green.append(all(each is Verdict.PASS for each in tested))


def visits_of(rooms: Rooms, simulator: str, count: int, seed: int, options: Mapping[str, object]) -> Tally:
    """Several visits with what is not given in `options` drawn, from random numbers of their own."""
    rng, tally = np.random.default_rng([seed, zlib.crc32(repr((simulator, options)).encode())]), Tally()
    for _ in range(count):
        fields = {
            "displaced_m": float(rng.choice(displaced_meter.RADII_M)),
            "noise_db": float(rng.choice(NOISES_DB)),
            "readings": int(rng.choice(READINGS)),
            "tape_m": float(rng.choice(TAPES_M)),
            "trim_step_db": float(rng.choice(TRIM_STEPS_DB)),
            "delay": DELAY_STEPS[int(rng.integers(len(DELAY_STEPS)))],
        }
        run_visit(tally, rng, rooms, simulator, Visit(**(fields | dict(options))))  # type: ignore[arg-type]
    return tally


def _percent(value: float) -> str:
    return "   –" if math.isnan(value) else f"{100 * value:4.0f}"


LEVEL_COLUMNS = ("trim", "levels.match", "levels.match, subwoofer", "after typing", "absolute", "levels.reference")


def least_unsure(errors_db: np.ndarray, noise_db: float, readings: int, *, on_stand: bool) -> float:
    """Share of channels within 1.645 u of the limit when the trim that as found asks for is rounded and read again.

    `errors_db`: of main channels at displaced places [shape=(…, places)].
    """
    rng, count = np.random.default_rng(0), 100_000
    own = noise_db / math.sqrt(readings)
    kept = math.sqrt(float(np.mean(errors_db**2)))
    if not on_stand:
        own = math.hypot(own, math.sqrt(float(np.mean(np.var(errors_db, axis=-1)))) / math.sqrt(readings))
        kept = math.sqrt(float(np.mean(np.mean(errors_db, axis=-1) ** 2)))
    apart = rng.normal(0, math.sqrt(2) * math.hypot(own, kept if on_stand else 0.0), count)
    guard = 1.645 * math.hypot(own, kept)
    shares = [
        np.mean(np.abs(np.abs(apart + rng.uniform(-step / 2, step / 2, count)) - LIMIT_DB - step) < guard)
        for step in TRIM_STEPS_DB
    ]
    return float(np.mean(shares))


def interval(inside: Sequence[bool]) -> str:
    """Share in percent, with its 95 % interval (E. B. Wilson 1927, from memory) and count."""
    n, share, z = len(inside), float(np.mean(inside)), 1.96
    middle, half = share + z**2 / (2 * n), z * math.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    low, high = (100 * (middle + sign * half) / (1 + z**2 / n) for sign in (-1, 1))
    return f"{100 * share:.1f} ({low:.1f} to {high:.1f} of {n})"


def print_levels(rooms: Rooms, count: int) -> None:
    """By placement, noise and number of readings; then by placement and number of readings alone, with intervals."""
    pooled: dict[tuple[str, float, str], list[bool]] = defaultdict(list)
    print("\nLevels: share of intervals that hold the truth, and verdicts as left (%)")
    print(
        f"{'simulator':>10} {'placed':>7} {'noise':>6} {'n':>2} | {'trim':>5} {'match':>5} {'sub':>5} {'typed':>5} {'abs':>5} "
        f"{'ref':>5} | good failed as found   bad passed  unsure   least"
    )
    for simulator in rooms.made:
        for displaced_m in displaced_meter.RADII_M:
            for noise_db in NOISES_DB:
                for readings in READINGS:
                    options = {"displaced_m": displaced_m, "noise_db": noise_db, "readings": readings}
                    t = visits_of(rooms, simulator, count, 1, options)
                    for each in LEVEL_COLUMNS:
                        pooled[each, displaced_m, "one" if readings == 1 else "more"] += t.inside[each]
                    name, found = "levels.match", "found levels.match"
                    off = rooms.made[simulator][0][:, MAIN, :, displaced_meter.RADII_M.index(displaced_m)]
                    least = least_unsure(off, noise_db, readings, on_stand=displaced_m <= STAND_M)
                    print(
                        f"{simulator[:10]:>10} {100 * displaced_m:>4.0f} cm {noise_db:>6.1f} {readings:>2} | "
                        + " ".join(f"{_percent(t.share(each)):>5}" for each in LEVEL_COLUMNS)
                        + f" | {_percent(t.rate(name, Verdict.FAIL, True)):>11} {_percent(t.rate(found, Verdict.FAIL, True)):>8} "
                        f"{t.bad_passed():>12} {_percent(t.rate(name, Verdict.UNSURE)):>7} {_percent(least):>7}",
                        flush=True,
                    )

    print("\nPooled over simulators and noises: one reading, and two or three")
    for each in LEVEL_COLUMNS:
        for displaced_m in displaced_meter.RADII_M:
            texts = [interval(pooled[each, displaced_m, readings]) for readings in ("one", "more")]
            print(f"{each:>24} {100 * displaced_m:>4.0f} cm  {texts[0]:>30}  {texts[1]:>30}", flush=True)


def print_distances(rooms: Rooms, count: int) -> None:
    """By tape and microphone, and by step of the delay."""
    print("\nDistances of main channels (%): intervals, and verdicts as left")
    print(
        f"{'tape, mic.':>11} | setting  arrival | good failed  bad passed  unsure | as asked and red, unsure | arrival unsure"
    )
    simulator = "images, waves and modes"
    for tape_m in TAPES_M:
        for microphone_m in (0.02, 0.05):
            options: dict[str, object] = {"tape_m": tape_m, "sound": True, "microphone_m": microphone_m}
            title = f"{100 * tape_m:g}, {100 * microphone_m:g} cm"
            print(_distance_line(title, visits_of(rooms, simulator, count, 2, options)), flush=True)
    for delay in DELAY_STEPS:
        t = visits_of(rooms, simulator, count, 3, {"delay": delay, "sound": True})
        print(_distance_line(f"{delay[1]:g} {delay[0]}", t), flush=True)


def _distance_line(title: str, t: Tally) -> str:
    name, asked = "distances.setting", "entered as asked"
    return (
        f"{title:>11} | {_percent(t.share(name)):>7} {_percent(t.share('distances.arrival')):>8} | "
        f"{_percent(t.rate(name, Verdict.FAIL, True)):>11} {_percent(t.rate(name, Verdict.PASS, False)):>11} "
        f"{_percent(t.rate(name, Verdict.UNSURE)):>7} | {_percent(t.rate(asked, Verdict.FAIL)):>8} "
        f"{_percent(t.rate(asked, Verdict.UNSURE)):>8} {'':>8} | {_percent(t.rate('distances.arrival', Verdict.UNSURE)):>6}"
    )


def print_green(rooms: Rooms, count: int) -> None:
    """Whole visits in a room that is set as well as its processor allows."""
    print("\nWell-set rooms, trims of 0.5 dB and distances of 0.1 m, tape 2 cm: visits with every check passed (%)")
    print(f"{'simulator':>10} {'placed':>7} {'noise':>6} {'n':>2} | by hand and tape  with arrivals")
    for simulator in rooms.made:
        for displaced_m in (0.01, 0.02, 0.05):
            for noise_db in (0.2, 0.5):
                for readings in (2, 3, 5):
                    shares = [
                        float(
                            np.mean(
                                visits_of(
                                    rooms,
                                    simulator,
                                    count,
                                    4,
                                    {
                                        "displaced_m": displaced_m,
                                        "noise_db": noise_db,
                                        "readings": readings,
                                        "tape_m": 0.02,
                                        "trim_step_db": 0.5,
                                        "delay": ("m", 0.1),
                                        "well_set": True,
                                        "sound": sound,
                                    },
                                ).green
                            )
                        )
                        for sound in (False, True)
                    ]
                    print(
                        f"{simulator[:10]:>10} {100 * displaced_m:>4.0f} cm {noise_db:>6.1f} {readings:>2} | "
                        f"{_percent(shares[0]):>16} {_percent(shares[1]):>14}",
                        flush=True,
                    )


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
