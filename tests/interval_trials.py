"""Stated intervals against the truth: Monte Carlo by JCGM 101:2008 (from memory), simulated visits for each quantity.

Each visit draws the truth and every input error from the distribution that its budget states, and runs the same functions
as the program. A trial returns how often the stated interval, value ± U with U = 2 u, holds the truth. The seed is fixed:
another gives other figures. `steps/test_monte_carlo.py` runs some visits of each, `python tests/bench intervals` a
thousand.

The sizes of the sources come from the program itself: only their combination is tested here. The sizes are compared with
rooms of another simulator in `tests/references/test_simulations.py`.

Where a visit's own scatter is drawn as well, it comes from what the default says of it: known to within a third or so, that
is scaled inverse chi-squared with DEFAULT_DOF degrees of freedom and the default's square as its mean.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from builders import LOUDSPEAKERS, SEATS, analysis, arrivals, cinema, defined, job_of, levels, setting, tapes

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.placement import Support, mean_place_u_db
from commission.dsp.repeatability import GAIN_U_DB, correlation, placement_u_db
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.timing import U_MAIN_S, U_SUB_S
from commission.dsp.uncertainty import DEFAULT_DOF, DISPLAY_U_DB, HAND_DOF, TAPE_U_M
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    AnalysedResponse,
    Analyses,
    Band,
    Contribution,
    FloatArray,
    Instrument,
    ResponseStored,
)
from commission.steps import compare, distances, seats
from commission.steps import levels as level_step
from commission.steps.distances import result as distances_result
from commission.steps.levels import result as level_results
from commission.steps.levels.result import SUB_NOISE_U_DB
from commission.steps.seats import result as seats_result
from commission.steps.shared import budgets, seat_variance

SEED = 20240617


def covered(inside: Iterable[bool]) -> float:
    return float(np.mean(list(inside)))


def scatter(rng: np.random.Generator, default: float) -> float:
    """True scatter of the readings of one visit."""
    return math.sqrt((DEFAULT_DOF - 2) * default**2 / rng.chisquare(DEFAULT_DOF))


def errors_of(rng: np.random.Generator, line: Contribution, size: int | tuple[int, ...] = 1) -> FloatArray:
    """Errors of one source in the unit of its budget, by its distribution."""
    half = math.sqrt(3) * line.part
    if line.distribution == "rectangular":
        return rng.uniform(-half, half, size)
    assert line.distribution == "normal"
    return rng.normal(0, line.part, size)


def trims_and_levels(visits: int, most: int, support: Support) -> dict[str, float]:
    """Hand and eye scatter by what one visit draws for both; without repeats U is half of t₀.₉₇₅(ν₀), and holds as much."""
    rng, ids = np.random.default_rng(SEED), ["FL", "FC", "FR", "BL", "BR", "SUB1"]
    meter = Instrument(kind="meter", accuracy_class=2, resolution=0.1, support=support)
    whole = cinema(ids, instruments=(meter,))
    job, system = job_of(defined(whole)), defined(whole)
    place = {c.id: level_results.place_u_db(job, c) for c in whole.channels}
    inside: dict[str, list[bool]] = {"trim": [], "match": [], "absolute": [], "left": [], "subwoofer": []}
    for _ in range(visits):
        factor, meter_db = math.sqrt(HAND_DOF / rng.chisquare(HAND_DOF)), rng.normal(0, 0.5)
        true = {c: rng.uniform(70, 80) for c in ids}
        readings = {}
        for c in ids:
            by_hand, is_sub = support == "hand", c == "SUB1"
            fixed = mean_place_u_db(factor * place[c], is_sub=is_sub) if by_hand else place[c]
            level = true[c] + meter_db + rng.normal(0, fixed)
            one = math.hypot(DISPLAY_U_DB, SUB_NOISE_U_DB if is_sub else 0.0, place[c] if by_hand else 0.0)
            read = level + rng.normal(0, factor * one, int(rng.integers(1, most + 1)))
            readings[c] = [round(value, 1) for value in read]
        result = level_step.solve(job_of(system, *levels(readings)), AS_FOUND)
        found = result.channels
        # Where the mains have nothing plausible in common, channels are compared with the target itself.
        middle = float(np.median([true[c] for c in ids if c != "SUB1"])) - 75.0
        common = 0.0 if result.common_db is None else middle
        for c in ids:
            each = found[c]
            assert each.trim_exact_db is not None and each.trim_db is not None and each.match.value is not None
            needed = each.old_trim_db + each.target_db - true[c] - meter_db
            error = each.trim_exact_db - needed
            inside["subwoofer" if c == "SUB1" else "trim"].append(abs(error) <= 2 * each.u_db)
            off = each.match.value - (true[c] - 75.0 - common)
            inside["match"].append(abs(off) <= 2 * each.match.uncertainty)
            assert each.budget_absolute is not None
            inside["absolute"].append(abs(each.level_db - true[c]) <= each.budget_absolute.expanded)
            if each.reachable:
                inside["left"].append(abs(each.trim_db - needed) <= each.budget_left.expanded)
    return {name: covered(each) for name, each in inside.items()}


def delays(visits: int, right: bool) -> dict[str, float]:
    """Settings and arrivals of a room whose settings are right or were entered from a careless tape."""
    rng, seat = np.random.default_rng(SEED), SEATS["A2"]
    ids, noted_c = [c for c in LOUDSPEAKERS if c != "SUB2"], 21.5
    system = defined(cinema(ids, ["A2"], temperature_c=noted_c))
    mains = np.array([not c.startswith("SUB") for c in ids])
    layout_m = np.array([math.dist(LOUDSPEAKERS[c][2], seat) for c in ids])
    inside: dict[str, list[bool]] = {"setting": [], "arrival": [], "subwoofer": []}
    parts = budgets.arrival_parts(U_MAIN_S, is_sub=False)
    for _ in range(visits):
        true_m = layout_m + rng.normal(0, 0.1, len(ids))
        speed = speed_of_sound_m_s(noted_c + rng.uniform(-3, 3))
        own = speed_of_sound_m_s(noted_c)  # that of the processor, unknown and taken as right
        entered_m = (
            np.round(true_m / 0.03) * 0.03
            if right
            else np.round((true_m + rng.normal(0, 0.15, len(ids))) / 0.03) * 0.03
        )
        late = np.where(rng.random(len(ids)) < 0.15, rng.uniform(-1e-3, 1e-3, len(ids)), 0.0)
        applied = (entered_m.max() - entered_m) / own
        errors = sum(errors_of(rng, line, len(ids)) for line in parts) / 1000
        errors = np.where(mains, errors, rng.normal(0, U_SUB_S, len(ids)))
        heard = 0.0125 + true_m / speed + applied + late + errors
        taped = true_m + rng.normal(0, TAPE_U_M, len(ids))
        job = job_of(
            system,
            *tapes(dict(zip(ids, taped, strict=True))),
            *(setting(c, distance=float(h)) for c, h in zip(ids, entered_m, strict=True)),
        )
        made = [
            arrivals({(c, "A2"): float(t)}, u_s=U_MAIN_S if main else U_SUB_S)
            for c, t, main in zip(ids, heard, mains, strict=True)
        ]
        found = distances.solve(job, AS_FOUND, Analyses([a for each in made for a in each])).channels
        off = applied - (true_m.max() - true_m) / speed
        together = off + late - np.median((off + late)[mains])
        off, extra = off - np.median(off[mains]), late - np.median(late[mains])
        for i, c in enumerate(ids):
            by_setting, by_arrival = found[c].check_setting, found[c].check_arrival
            assert by_setting.value is not None
            assert by_arrival.value is not None
            if mains[i]:
                # Where tape and setting differ and the sound arrives with the others, the arrival counts.
                by_sound = by_setting.text == distances_result.SET_BY_SOUND
                error = by_setting.value - 1000 * (together if by_sound else off)[i]
                inside["setting"].append(abs(error) <= 2 * by_setting.uncertainty)
            inside["arrival" if mains[i] else "subwoofer"].append(
                abs(by_arrival.value - 1000 * extra[i]) <= 2 * by_arrival.uncertainty
            )
    return {name: covered(each) for name, each in inside.items()}


def levels_of_responses(visits: int, count: int) -> dict[str, float]:
    """The level at a seat, and against the mean of `count` seats."""
    rng, ids = np.random.default_rng(SEED), list(SEATS)[:count]
    job = job_of(defined(cinema(["FL"], ids)))
    inside: dict[str, list[bool]] = {"level": [], "against the mean": []}
    for _ in range(visits):
        true = rng.uniform(-3, 3, count)
        read = true + sum(errors_of(rng, line, count) for line in seats_result.LEVEL.contributions)
        found = seats.solve(
            job,
            AS_FOUND,
            Analyses(
                AnalysedResponse(
                    seq=i,
                    round=AS_FOUND,
                    channel="FL",
                    seat=s,
                    clock=None,
                    passes_delays=True,
                    analysis=analysis(level_db=float(read[i])),
                )
                for i, s in enumerate(ids)
            ),
        )
        for i, s in enumerate(ids):
            cell = found.cells[("FL", s)]
            check = next(each for each in cell.checks if each.id == "seats.level")
            assert check.value is not None
            assert cell.level_db is not None
            inside["level"].append(abs(cell.level_db - true[i]) <= seats_result.LEVEL.expanded)
            inside["against the mean"].append(abs(check.value - (true[i] - true.mean())) <= 2 * check.uncertainty)
    return {name: covered(each) for name, each in inside.items()}


_ROOT = np.linalg.cholesky(correlation(np.arange(len(GRID_HZ))) + 1e-9 * np.eye(len(GRID_HZ)))


def placed(rng: np.random.Generator, factor: float, levels_db: FloatArray) -> FloatArray:
    """Effect of gain and one placing of the microphone on third octaves that are equal at all seats."""
    place = factor * placement_u_db(GRID_HZ) * (_ROOT @ rng.normal(0, 1, len(GRID_HZ)))
    return np.asarray(levels_db + rng.normal(0, GAIN_U_DB) + place)


def uneven(rng: np.random.Generator, count: int, by_db: float) -> FloatArray:
    """Smooth levels that differ from seat to seat [shape=(count, n)]."""
    waves = [
        rng.normal(0, by_db, (count, 1)) * np.cos(k * np.log2(GRID_HZ / 20) + rng.uniform(0, 6, (count, 1)))
        for k in (1, 2, 3, 5)
    ]
    return np.asarray(sum(waves) + rng.normal(0, by_db, (count, 1)))


def true_msv(levels_db: FloatArray, band: Band, kind: str) -> float:
    """By numpy, from levels without any error."""
    if kind == seat_variance.TONE:
        near = (GRID_HZ >= 500) & (GRID_HZ <= 2000)
        levels_db = levels_db - 10 * np.log10(np.mean(10 ** (levels_db[:, near] / 10), axis=1, keepdims=True))
    return float(np.mean(np.var(levels_db[:, (GRID_HZ >= band.low_hz) & (GRID_HZ <= band.high_hz)], axis=0)))


def changes_of_variance(visits: int, repeated: int, band: Band) -> dict[str, float]:
    """Six seats, some of them measured twice in each round; as heard and as evenness of tone."""
    rng, ids, rounds = np.random.default_rng(SEED), list(SEATS), (AS_FOUND, AS_LEFT)
    places = [(r, s) for r in rounds for s in (*ids, *ids[:repeated])]
    stored = [
        ResponseStored(round=r, channel="FL", seat=s, kind="impulse", file_name=f"{i}.flac", file_sha256=f"{i:064d}")
        for i, (r, s) in enumerate(places)
    ]
    job = job_of(defined(cinema(["FL"], bands=(band,))), *stored)
    inside: dict[str, list[bool]] = {}
    for _ in range(visits):
        factor = scatter(rng, 1.0)
        room = {r: dict(zip(ids, uneven(rng, len(ids), 1.0), strict=True)) for r in rounds}
        items = [
            AnalysedResponse(
                seq=i,
                round=r,
                channel="FL",
                seat=s,
                clock=None,
                passes_delays=True,
                analysis=analysis(freq_hz=GRID_HZ, third_octave_db=placed(rng, factor, room[r][s])),
            )
            for i, (r, s) in enumerate(places)
        ]
        found = compare.solve(job, Analyses(items)).channels["FL"].bands
        for kind in seat_variance.KINDS:
            before, after = (true_msv(np.array(list(room[r].values())), band, kind) for r in rounds)
            change = found[kind][band.label]
            inside.setdefault(kind, []).append(abs(change.before.msv_db2 - before) <= change.before.budget.expanded)
            inside.setdefault(f"{kind}, change", []).append(
                abs(change.change_db2 - (after - before)) <= change.budget.expanded
            )
    return {name: covered(each) for name, each in inside.items()}


@dataclass(frozen=True)
class Trial:
    """A quantity under one condition, and the promised coverage of its interval."""

    name: str
    run: Callable[[int], dict[str, float]]
    """Visits → share by quantity."""
    highest: float = 0.97
    lowest: float = 0.93
    exceptions: Mapping[str, float] = field(default_factory=dict)
    """Highest share of single quantities."""

    def broken(self, visits: int) -> dict[str, float]:
        """The shares outside the promise, by more than two standard deviations where there are fewer than 1,000 visits."""
        slack = 0.0 if visits >= 1000 else 2 * math.sqrt(0.95 * 0.05 / visits)
        shares = self.run(visits)
        return {
            name: share
            for name, share in shares.items()
            if not self.lowest - slack <= share <= self.exceptions.get(name, self.highest) + slack
        }


TRIALS = (
    # Sources that are added in quadrature, one of them with Student's t, hold a little more than either.
    *(
        Trial(
            f"trims and levels, {support}, read {most}", partial(trims_and_levels, most=most, support=support), 0.98
        )
        for support in ("hand", "stand")
        for most in (1, 3)
    ),
    # Large errors of the tape are seen and replaced by the arrival: what remains holds more than 95 %.
    *(
        Trial(
            f"delays, settings {'right' if right else 'off'}",
            partial(delays, right=right),
            exceptions={"setting": 0.995},
        )
        for right in (True, False)
    ),
    *(Trial(f"responses at {count} seats", partial(levels_of_responses, count=count)) for count in (3, 6)),
    # Upper bounds: a placing counts for three degrees of freedom, however many third octaves it is seen in, because real
    # channels share where the microphone was put; here each third octave is drawn for itself.
    *(
        Trial(
            f"seat variance, {repeated} repeats, {band.label}",
            partial(changes_of_variance, repeated=repeated, band=band),
            0.99,
        )
        for repeated, band in (
            (0, Band(low_hz=80, high_hz=300)),
            (2, Band(low_hz=300, high_hz=3000)),
            (6, Band(low_hz=3000, high_hz=16000)),
        )
    ),
)
