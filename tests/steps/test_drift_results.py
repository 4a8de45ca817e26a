"""Then against now: what the uncertainty of a change includes, how often an unchanged room raises an alarm, and what
cannot be compared.

Visits are simulated from places and scatters, not from the program's own uncertainties.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from types import SimpleNamespace

import numpy as np
import pytest
from builders import analysis, arrivals, cinema, defined, job_of, levels, setting, tapes
from sound_room import SoundRoom

from commission.audio.room import SimulatedRoom, Speaker
from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.multiple import coverage_factor
from commission.dsp.repeatability import default_repeatability
from commission.dsp.variance import band_variance
from commission.model import (
    AnalysedResponse,
    Analyses,
    Band,
    Channel,
    CrossoverFilter,
    DelayRange,
    EarlierFigure,
    EarlierVisit,
    Instrument,
    Job,
    Processor,
    Seat,
    System,
)
from commission.steps import drift
from commission.steps.drift import budgets as drift_budgets
from commission.steps.drift import figures as drift_figures
from commission.steps.drift.result import FALSE_ALARMS, Drift, DriftResult, solve
from commission.steps.drift.tables import _largest_at
from commission.steps.drift.visits import SUBS_SET
from commission.steps.shared import budgets as shared_budgets

NOTHING = Analyses()
MAINS = ("FL", "FC", "FR", "SiL", "SiR")
LEVELS = dict.fromkeys((*MAINS, "SUB1"), 75.0)
PLACE_U_DB, PLACE_SUB_U_DB, EYE_U_DB = 0.34, 0.10, 0.2
"""How a level at one seat scatters with a microphone put back within 5 cm (simulated with image sources, eleven channels and
two subwoofers at six seats, 14 draws each), and a hand reading (common practice, no source)."""


def earlier_of(job: Job, analyses: Analyses = NOTHING) -> EarlierVisit:
    return drift_figures.earlier_visit(job, analyses, file_name="then.commission", program_version="0.1.0")


def compared(
    then: tuple[object, ...],
    now: tuple[object, ...],
    *,
    system: System | None = None,
    changed: System | None = None,
    heard: tuple[Analyses, Analyses] = (NOTHING, NOTHING),
) -> DriftResult:
    """Event bodies of two visits; `changed`: the Site form filled in at the second."""
    room = system or cinema()
    earlier = earlier_of(job_of(defined(room), *then), heard[0])  # type: ignore[arg-type]
    forms = () if changed is None else (defined(changed),)
    return solve(job_of(defined(room), earlier, *forms, *now), "as-found", heard[1])  # type: ignore[arg-type]


def of(result: DriftResult, quantity: str, channel: str) -> Drift:
    (found,) = [d for d in result.drifts if (d.quantity, d.channel) == (quantity, channel)]
    return found


def test_the_largest_change_of_several_seats_has_its_unit() -> None:
    item = SimpleNamespace(seats=(("A1", 0.2), ("B1", -0.6)))
    assert _largest_at(item, 1, "dB") == "B1 (−0.6 dB)"  # type: ignore[arg-type]


# --- how often it is wrong -----------------------------------------------------------------------------------------------


def visit_levels(
    draw: np.random.Generator, names: list[str], *, meter_db: float = 0.0, drift_db: float = 0.0, times: int = 1
):
    """Hand readings of every channel at the reference seat, with the meter placed again for each."""
    off = draw.normal(0, meter_db)
    values = {}
    for name in names:
        sub = name.startswith("SUB")
        scatter = math.hypot(EYE_U_DB, PLACE_SUB_U_DB if sub else PLACE_U_DB)
        # Noise of 50 Hz bandwidth read for 20 s: 4.34/√(50·20) dB (Bendat and Piersol, from memory).
        if sub:
            scatter = math.hypot(scatter, 4.343 / math.sqrt(50 * 20))
        own = drift_db if name == names[0] else 0.0
        values[name] = [round(75.0 + off + own + float(draw.normal(0, scatter)), 1) for _ in range(times)]
    return levels(values)


@pytest.mark.parametrize(
    ("names", "meter_db", "visits"),
    [
        (["FL", "FC", "FR", "SUB1"], 3.0, 120),
        (["FL", "FR", "SUB1"], 0.5, 120),
        (["FL", "FC", "FR", "SiL", "SiR", "BL", "BR", "TpFL", "TpFR", "TpBL", "TpBR", "SUB1", "SUB2"], 3.0, 120),
    ],
)
def test_an_unchanged_room_raises_an_alarm_at_one_visit_in_twenty_at_most(
    names: list[str], meter_db: float, visits: int
) -> None:
    """Nothing drifted; the volume changes every time and, with two mains, the class 2 meter too (u = 0.5 dB).

    5 % is the promise, Bonferroni's inequality makes it a ceiling; two standard deviations of a binomial share with
    p = 0.05 are 4.0 % of 120; `python tests/bench returns` simulates more.
    """
    draw = np.random.default_rng(20261126)
    meters = [Instrument(kind="meter", model="meter", serial=serial, accuracy_class=2) for serial in ("1", "2")]
    rooms = [cinema(names, ["A2"], instruments=(meter,)) for meter in meters]
    alarms = 0
    for _ in range(visits):
        result = compared(
            visit_levels(draw, names, meter_db=meter_db),
            visit_levels(draw, names, meter_db=meter_db),
            system=rooms[0],
            changed=rooms[1],
        )
        assert len(result.drifts) == len(names)
        alarms += bool(result.drifted())
    assert alarms / visits <= 0.05 + 2 * math.sqrt(0.05 * 0.95 / visits)


@pytest.mark.parametrize(
    ("drift_db", "low", "high"), [(0.5, 0.0, 0.1), (1.0, 0.0, 0.3), (2.0, 0.3, 0.8), (3.0, 0.9, 1.0)]
)
def test_a_loudspeaker_that_fell_is_found_as_often_as_its_uncertainty_allows(
    drift_db: float, low: float, high: float
) -> None:
    """Two readings each at one seat: u of the change is about √2·0.39 = 0.55 dB, k about 3.2 and U about 1.8 dB.

    The share (D − U)/u of the normal distribution of a drift D is found: roughly 1 %, 7 %, 65 %, 99 %. Single
    readings, whose scatter is unknown, find less.
    """
    draw = np.random.default_rng(7)
    names, found, visits = ["FL", "FC", "FR", "SiL", "SiR"], 0, 80
    room = cinema(names, ["A2"])
    for _ in range(visits):
        result = compared(
            visit_levels(draw, names, times=2), visit_levels(draw, names, drift_db=-drift_db, times=2), system=room
        )
        found += "FL" in {d.channel for d in result.drifted()}
    assert low <= found / visits <= high


def arrivals_of(draw: np.random.Generator, room: System) -> dict[tuple[str, str], float]:
    """Straight paths to an ear anywhere within 5 cm of the seat, on a clock with an arbitrary start."""
    while np.sum((off := draw.uniform(-0.05, 0.05, 3)) ** 2) > 0.05**2:
        pass
    start, speed = draw.uniform(0, 1), speed_of_sound_m_s(room.temperature_c)
    seat = next(s for s in room.seats if s.reference)
    found = {}
    for channel in room.channels:
        assert channel.position_m is not None and seat.position_m is not None
        metres = float(np.linalg.norm(np.array(channel.position_m) - np.array(seat.position_m) - off))
        found[(channel.id, "A2")] = start + metres / speed + draw.normal(0, 1e-4 if channel.is_sub else 5e-6)
    return found


def test_arrivals_of_another_day() -> None:
    """Warmer by 4 K, as both visits note, with the microphone within 5 cm: no alarm; a later loudspeaker is found."""
    draw = np.random.default_rng(3)
    mains = [c for c in (channel.id for channel in cinema().channels) if not c.startswith("SUB")]
    then, now = cinema(mains, ["A2"]), cinema(mains, ["A2"], temperature_c=25.5)
    # Lateness in ms: visits, and the share of them in which it is found, or anything else in those that are as they were.
    bounds = {0.0: (20, 0.0, 0.05), 0.2: (10, 0.0, 0.2), 0.5: (10, 0.5, 1.0), 1.0: (10, 1.0, 1.0)}
    heard = partial(arrivals, u_s=8.2e-5, passes_delays=False)
    found = dict.fromkeys(bounds, 0)
    for number in range(20):
        earlier = earlier_of(job_of(defined(then)), heard(arrivals_of(draw, then)))
        job, again = job_of(defined(then), earlier, defined(now)), arrivals_of(draw, now)
        for late_ms in (late_ms for late_ms, (visits, *_) in bounds.items() if number < visits):
            later = again | {("FL", "A2"): again["FL", "A2"] + late_ms / 1000}
            result = solve(job, "as-found", heard(later))
            names = {d.channel for d in result.drifted()}
            found[late_ms] += "FL" in names if late_ms else bool(names)
    for late_ms, (visits, low, high) in bounds.items():
        assert low <= found[late_ms] / visits <= high, late_ms


# --- what the uncertainty of a change is made of -------------------------------------------------------------------------


def test_a_change_holds_what_the_visits_do_not_share_and_nothing_else() -> None:
    """By hand, JCGM 100:2008, 5.1.2: eye 0.5, display 0.1/√12, meter within 5 cm of a seat 3.46 m away, 1.3·√(1 −
    exp(−(8.5·0.05/1.3)²)) = 0.414 dB, at each visit; the median of five that agree adds nothing to one of them.

    The meter's class does not count.
    """
    result = compared(levels(LEVELS), levels(LEVELS))
    one = math.sqrt(0.5**2 + (0.1 / math.sqrt(12)) ** 2 + 0.4143**2)
    assert of(result, "level_db", "FL").u == pytest.approx(math.sqrt(2) * one, rel=1e-3)
    sub = of(result, "level_db", "SUB1")
    lines = {c.source: c.part for c in sub.budget.contributions}  # type: ignore[union-attr]
    # A subwoofer is none of those that the median is of: 1.25/√5 of one's own u comes in (Kendall and Stuart, from
    # memory; asymptotic, for five values 4 % less).
    assert lines["the main channels' median"] == pytest.approx(1.25 / math.sqrt(5) * math.sqrt(2) * one, rel=0.05)


def test_a_spread_over_n_seats_has_the_angle_at_each_of_both_visits() -> None:
    """First order: each of n seats moves a standard deviation by 1/√n of its own change, two visits by √(2/n)."""
    for n in (2, 6):
        figure = EarlierFigure(quantity="spread_db low", channel="FL", value=3.0, uncertainty=0.1, over=("A",) * n)
        budget = drift_budgets.change(figure.quantity, "FL", [figure], [figure], is_sub=False)
        (angle,) = (each for each in budget.contributions if "angle at each seat" in each.source)
        assert angle.sensitivity == pytest.approx(math.sqrt(2 / n))


@pytest.mark.parametrize(
    ("quantity", "is_sub", "u"),
    [
        ("response_level_db", False, drift_budgets.AGAIN_U_DB),
        ("response_level_db", True, drift_budgets.AGAIN_SUB_U_DB),
        ("arrival_ms", False, drift_budgets.AGAIN_U_MS),
        ("level_db", False, None),  # each visit's readings include it
        ("spread_db low", False, None),
    ],
)
def test_a_microphone_put_back_counts_where_no_visit_holds_it(quantity: str, is_sub: bool, u: float | None) -> None:
    four = [EarlierFigure(quantity=quantity, channel="FL", value=3.0, uncertainty=0.1)] * 4
    parts = drift_budgets.change(quantity, "FL", four, four, is_sub=is_sub).contributions
    again = [(each.u, each.sensitivity) for each in parts if "put back within 5 cm" in each.source]
    assert again == ([] if u is None else [(u, pytest.approx(math.sqrt(2 / 4)))])


def test_with_fewer_than_three_mains_the_meters_do_not_cancel() -> None:
    room = {name: Instrument(kind="meter", model="meter", serial=name, accuracy_class=2) for name in ("1", "2")}
    names = ["FL", "FR"]
    then = cinema(names, instruments=(room["1"],))
    values = levels(dict.fromkeys(names, 75.0))
    same = compared(values, values, system=then)
    other = compared(values, values, system=then, changed=cinema(names, instruments=(room["2"],)))
    assert same.absolute and other.absolute
    parts = {c.source: c.u for c in of(other, "level_db", "FL").budget.contributions}  # type: ignore[union-attr]
    assert [u for source, u in parts.items() if "class 2" in source] == [0.5, 0.5]
    assert of(same, "level_db", "FL").u < of(other, "level_db", "FL").u
    unknown = cinema(names, instruments=(Instrument(kind="meter", model="meter"),))
    none = compared(values, values, system=unknown)
    assert not none.drifts
    assert [reason for _, reason in none.apart] == [
        "with fewer than three main loudspeakers a changed volume cannot be separated, and the meters are unknown"
    ]


@pytest.mark.parametrize(
    ("comparisons", "dof", "k"),
    [
        (1, math.inf, 1.960),
        (5, math.inf, 2.576),
        (10, math.inf, 2.807),
        (50, math.inf, 3.291),
        (1, 4.0, 2.776),
        (5, 10.0, 3.169),
    ],
)
def test_coverage_factors(comparisons: int, dof: float, k: float) -> None:
    """Two-sided quantiles of the normal distribution and of Student's t: 95 %, 99 %, 99.5 %, 99.9 % in any handbook table
    (from memory). Tolerance: the tables give three decimals.
    """
    assert coverage_factor(FALSE_ALARMS / comparisons, dof, u_is_scale=True) == pytest.approx(k, abs=6e-4)


def test_the_risk_is_shared_by_all_kinds_of_figures() -> None:
    """Levels alone: one in twenty over six of them. With as many tapes each kind has half the risk."""
    taped = tapes(dict.fromkeys(MAINS, 3.0))
    dof = of(compared(levels(LEVELS), levels(LEVELS)), "level_db", "FL").budget.dof  # type: ignore[union-attr]
    alone = of(compared(levels(LEVELS), levels(LEVELS)), "level_db", "FL").k
    both = of(compared((*levels(LEVELS), *taped), (*levels(LEVELS), *taped)), "level_db", "FL").k
    assert alone == coverage_factor(FALSE_ALARMS / 6, dof, u_is_scale=True)
    assert both == coverage_factor(FALSE_ALARMS / 12, dof, u_is_scale=True)


# --- what settings and air explain ---------------------------------------------------------------------------------------


def test_the_air_explains_what_a_longer_path_makes_later() -> None:
    """10 K warmer: the sound of a loudspeaker 3 m farther than the others comes 3 m·(1/c₂ − 1/c₁) earlier than
    theirs. c = 343.2·√((t + 273.15)/293.15) (ISO 9613-1): 337.3 m/s at 10 °C, 343.2 m/s at 20 °C; −0.153 ms.
    """
    names = ["FL", "FC", "FR", "SiL", "SiR"]
    near = tuple(
        replace(c, position_m=None, distance_m=5.0 if c.id == "SiL" else 2.0) for c in cinema(names).channels
    )
    rooms = [cinema(["FL"], ["A2"], channels=near, temperature_c=t) for t in (10.0, 20.0)]
    speeds = [speed_of_sound_m_s(t) for t in (10.0, 20.0)]
    assert speeds == pytest.approx([337.3, 343.2], abs=0.05)
    heard = tuple(
        arrivals({(c.id, "A2"): (c.distance_m or 0) / v for c in near}, passes_delays=False) for v in speeds
    )
    found = compared((), (), system=rooms[0], changed=rooms[1], heard=heard)  # type: ignore[arg-type]
    side = of(found, "arrival_ms", "SiL")
    assert side.change == pytest.approx(0.0, abs=1e-9)
    assert side.explained == pytest.approx(5000 * (1 / 343.2 - 1 / 337.3), abs=0.005)
    noted = {c.source: c.u for c in side.budget.contributions}  # type: ignore[union-attr]
    assert noted["air temperature at this visit"] == pytest.approx(1 / math.sqrt(3))
    # Without an entry in the form the temperature is that of the earlier visit, and today's may differ.
    unknown = compared((), (), system=rooms[0], heard=heard)  # type: ignore[arg-type]
    lines = {c.source: c.u for c in of(unknown, "arrival_ms", "SiL").budget.contributions}  # type: ignore[union-attr]
    assert lines["air temperature at this visit"] == pytest.approx(5 / math.sqrt(3))
    # A seat was added, which is no temperature reading.
    added = cinema(["FL"], ["A2", "A3"], channels=near, temperature_c=10.0)
    other = compared((), (), system=rooms[0], changed=added, heard=heard)  # type: ignore[arg-type]
    lines = {c.source: c.u for c in of(other, "arrival_ms", "SiL").budget.contributions}  # type: ignore[union-attr]
    assert lines["air temperature at this visit"] == pytest.approx(5 / math.sqrt(3))


def test_the_air_makes_nothing_of_the_main_loudspeaker_in_the_middle() -> None:
    """The part common to the mains is subtracted, so the distance of the subwoofers does not matter."""
    far_m = {"FL": 2.0, "FC": 3.0, "FR": 4.0, "SUB1": 6.0, "SUB2": 6.0, "SiL": 9.0, "SiR": 9.0}
    places = tuple(replace(c, position_m=None, distance_m=far_m[c.id]) for c in cinema(list(far_m)).channels)
    room = cinema(["FL"], ["A2"], channels=places)
    heard = arrivals({(c, "A2"): m / 343.0 for c, m in far_m.items() if not c.startswith("Si")}, passes_delays=False)
    read = levels(dict.fromkeys(far_m, 75.0))  # of SiL and SiR no sound was recorded
    found = compared(read, read, system=room, heard=(heard, heard))
    parts = {
        name: [
            c.part
            for c in of(found, "arrival_ms", name).budget.contributions  # type: ignore[union-attr]
            if c.source.startswith("air temperature")
        ]
        for name in ("FC", "FR")
    }
    assert parts["FC"] == [0.0, 0.0]
    assert min(parts["FR"]) > 0


def test_a_changed_delay_explains_its_arrival() -> None:
    """1 ms more entered arrives 1 ms later; in metres, 0.343 m less is 1 ms more at 343 m/s."""
    for delay, then, now in ((DelayRange(unit="ms", step=0.1), 2.0, 3.0), (DelayRange(unit="m"), 3.0, 2.657)):
        room = cinema(MAINS, ["A2"], processor=Processor(delay=delay, speed_of_sound_m_s=343.0))
        held = [tuple(setting(c, distance=value if c == "FL" else then) for c in MAINS) for value in (then, now)]
        heard = tuple(
            arrivals({(c, "A2"): 0.01 + (late if c == "FL" else 0.0) for c in MAINS}) for late in (0.0, 0.001)
        )
        found = compared(held[0], held[1], system=room, heard=heard)  # type: ignore[arg-type]
        assert of(found, "arrival_ms", "FL").change == pytest.approx(0.0, abs=1e-3)
        assert of(found, "arrival_ms", "FL").word == "explained"
        assert not found.drifted()
        past = tuple(replace(item, passes_delays=False) for item in heard[1])
        mixed = compared(held[0], held[1], system=room, heard=(heard[0], Analyses(past)))
        assert ("arrival_ms", "one visit measured through the processor and the other past it") in mixed.apart


def test_feet_are_metres_in_another_unit() -> None:
    rooms = [
        cinema(MAINS, processor=Processor(delay=d))
        for d in (
            DelayRange(unit="m", step=0.01),
            DelayRange(unit="ft", max=60.0, step=0.1),
            DelayRange(unit="ms", step=0.1),
        )
    ]
    metres, feet = (setting("FL", distance=3.42),), (setting("FL", distance=11.2),)
    same = compared(metres, feet, system=rooms[0], changed=rooms[1])
    assert of(same, "held_distance", "FL").change == 0.0, "11.2 ft is 3.41 m, within half a step of 0.1 ft"
    far = compared(metres, (setting("FL", distance=12.2),), system=rooms[0], changed=rooms[1])
    assert of(far, "held_distance", "FL").change == pytest.approx(12.2 - 3.42 / 0.3048)
    other = compared(metres, feet, system=rooms[0], changed=rooms[2])
    assert other.apart == {
        ("held_distance", "the processor takes delays at one visit and distances at the other"): (("FL", None),)
    }


def heard_room(room: SoundRoom, changes: dict[str, int] | None = None) -> Analyses:
    for name, sign in (changes or {}).items():
        room.change(name, polarity=sign)
    return room.analyses()


def test_a_loudspeaker_that_was_turned_over_is_heard() -> None:
    room = SoundRoom().system
    heard = heard_room(SoundRoom()), heard_room(SoundRoom(), {"SiL": -1})
    found = compared((), (), system=room, heard=heard)
    assert [d.channel for d in found.drifted() if d.quantity == "heard_polarity"] == ["SiL"]
    # Its setting was inverted, which explains it. If every channel is inverted, the measuring chain was.
    normal, turned = (
        tuple(setting(c.id, polarity=p if c.id == "SiL" else "normal") for c in room.channels)
        for p in ("normal", "reversed")
    )
    explained = compared(normal, turned, system=room, heard=heard)
    assert not [d for d in explained.drifted() if d.quantity == "heard_polarity"]
    assert of(explained, "heard_polarity", "SiL").word == "explained"
    chain = heard_room(SoundRoom(), {c.id: -1 for c in room.channels})
    turned_over = compared((), (), system=room, heard=(heard[0], chain))
    assert not [d for d in turned_over.drifts if d.quantity == "heard_polarity" and d.drifted]
    assert turned_over.chain_turned and not found.chain_turned and not explained.chain_turned


# --- what cannot be compared ---------------------------------------------------------------------------------------------


def reasons(result: DriftResult) -> dict[str, str]:
    return {quantity: reason for quantity, reason in result.apart}


def test_a_renamed_channel_is_reported_and_the_rest_is_compared() -> None:
    renamed = cinema(MAINS)
    now = replace(renamed, channels=tuple(replace(c, id="Left") if c.id == "FL" else c for c in renamed.channels))
    values = {c.id: 75.0 for c in now.channels}
    found = compared(levels(dict.fromkeys(MAINS, 75.0)), levels(values), system=renamed, changed=now)
    assert {d.channel for d in found.drifts} == set(MAINS) - {"FL"}
    assert {reason: [c for c, _ in places] for (_, reason), places in found.apart.items()} == {
        "this job has no channel of that name (renamed, added or removed?)": ["FL"],
        "the earlier job has no channel of that name (renamed, added or removed?)": ["Left"],
    }
    assert found.missing == 0, "nobody can measure what is not there"


def test_what_moved_is_not_where_it_was() -> None:
    def moved(each: Channel | Seat, far: float) -> object:
        assert each.position_m is not None
        x, y, z = each.position_m
        return replace(each, position_m=(x, y + far, z))

    room = cinema(MAINS)
    seats = tuple(moved(s, 0.3) if s.id == "A2" else s for s in room.seats)
    found = compared(levels(LEVELS), levels(LEVELS), system=room, changed=replace(room, seats=seats))  # type: ignore[arg-type]
    assert reasons(found) == {"level_db": "seat A2 is 0.30 m from where it was"}
    channels = tuple(moved(c, 0.4) if c.id == "SiL" else c for c in room.channels)
    found = compared(levels(LEVELS), levels(LEVELS), system=room, changed=replace(room, channels=channels))  # type: ignore[arg-type]
    assert found.apart == {("level_db", "it is 0.40 m from where it was"): (("SiL", "A2"),)}
    surveyed = tuple(moved(c, 0.02) for c in room.channels)
    found = compared(levels(LEVELS), levels(LEVELS), system=room, changed=replace(room, channels=surveyed))  # type: ignore[arg-type]
    assert not found.apart, "a place that was only measured again has not moved"


def test_only_the_seats_of_both_visits_count() -> None:
    """First read at the reference seat, then at two seats, one of them 3 dB louder: nothing has drifted."""
    two = (*levels(LEVELS), *levels({c: 78.0 if c == "FL" else 75.0 for c in LEVELS}, seat="A1"))
    found = compared(levels(LEVELS), two)
    assert not found.drifted()
    assert of(found, "level_db", "FL").seats == (("A2", 0.0),)


def test_differences_between_other_seats_are_not_compared() -> None:
    room = SoundRoom()
    every = room.analyses()
    fewer = Analyses(item for item in every if item.seat not in ("B1", "B3"))
    same = compared((), (), system=room.system, heard=(every, every))
    assert any(d.quantity.startswith("spread_db") for d in same.drifts)
    found = compared((), (), system=room.system, heard=(every, fewer))
    assert reasons(found)["spread_db"] == "the two visits measured different seats"
    assert not found.drifted()


@pytest.mark.parametrize(
    ("changed", "quantity", "reason"),
    [
        ({"bands": (Band(low_hz=30, high_hz=90),)}, "spread_db", "the bands are different"),
        ({"channels": "crossover"}, "spread_db", "its crossover is different"),
        ({"channels": "type"}, "spread_db", "its crossover is different"),
        ({"seats": "reference"}, "arrival_ms", "the reference seat is different"),
        ({"seats": "weight"}, "spread_db", "the weights of the seats are different"),
    ],
)
def test_a_room_that_is_described_otherwise_says_what_is_other(
    changed: dict[str, object], quantity: str, reason: str
) -> None:
    room = SoundRoom()
    entered = CrossoverFilter(type="butterworth", slope_db_per_octave=12)
    crossed = tuple(replace(c, high_pass_hz=80.0, high_pass=entered) for c in room.system.channels)
    system, every = replace(room.system, channels=crossed), room.analyses()
    others = {
        "crossover": tuple(replace(c, high_pass_hz=60.0) for c in system.channels),
        "type": tuple(
            replace(c, high_pass=CrossoverFilter(type="linkwitz-riley", slope_db_per_octave=24))
            for c in system.channels
        ),
        "reference": tuple(replace(s, reference=s.id == "B2") for s in system.seats),
        "weight": tuple(replace(s, weight=0.5 if s.id == "B2" else 1.0) for s in system.seats),
    }
    other = replace(system, **{k: others.get(str(v), v) for k, v in changed.items()})  # type: ignore[arg-type]
    found = compared((), (), system=system, changed=other, heard=(every, every))
    assert (quantity, reason) in found.apart
    assert not found.drifted()


@pytest.mark.parametrize(("trim_db", "compares"), [(0.0, True), (0.5, False)])
def test_subwoofers_that_were_set_by_one_step_are_not_compared_together(trim_db: float, compares: bool) -> None:
    room = SoundRoom(cinema(["FL", "FC", "FR", "SUB1", "SUB2"], ["A1", "A2", "A3"]))
    then, now = ((setting("SUB1", trim_db=t), setting("SUB2", trim_db=0.0)) for t in (0.0, trim_db))
    found = compared(then, now, system=room.system, heard=(room.analyses(), room.analyses()))
    assert (("spread_db", SUBS_SET) in found.apart) is not compares
    assert any(d.channel == "SUBS" and d.quantity.startswith("spread_db") for d in found.drifts) is compares


def test_a_gain_that_moved_at_one_seat_is_no_drift() -> None:
    """6 dB at A3 on every channel measured there, which two were not: no channel's own change."""
    room = SoundRoom()
    every = room.analyses()
    turned = []
    for item in every:
        assert item.analysis is not None and item.analysis.level_db is not None
        louder = replace(item, analysis=replace(item.analysis, level_db=item.analysis.level_db + 6.0))
        if item.seat != "A3":
            turned.append(item)
        elif item.channel not in ("SiL", "BR"):
            turned.append(louder)
    found = compared((), (), system=room.system, heard=(every, Analyses(turned)))
    assert [d.change for d in found.drifts if d.quantity == "response_level_db"] == pytest.approx(
        [0.0] * 13, abs=1e-9
    )


def test_a_channel_taken_by_one_visit_through_the_processor_is_not_compared() -> None:
    items = [
        AnalysedResponse(
            seq=i,
            round="as-found",
            channel=c,
            seat="A2",
            clock=None,
            passes_delays=True,
            analysis=analysis(level_db=70.0),
        )
        for i, c in enumerate(MAINS)
    ]
    past = Analyses(replace(item, passes_delays=item.channel != "FL") for item in items)
    found = compared((), (), system=cinema(MAINS), heard=(Analyses(items), past))
    assert ("response_level_db", "one visit measured through the processor and the other past it") in found.apart
    assert {d.channel for d in found.drifts if d.quantity == "response_level_db"} == set(MAINS) - {"FL"}


def test_a_moved_loudspeaker_shows_on_the_tape() -> None:
    found = compared(tapes({"FL": 3.50, "FC": 3.20}), tapes({"FL": 3.70, "FC": 3.21}))
    assert [(d.quantity, d.channel) for d in found.drifted()] == [("tape_m", "FL")]
    assert of(found, "tape_m", "FC").word == "unchanged"
    assert not compared(tapes({"FL": 3.50}), ()).apart, "nobody must tape again"


def test_figures_of_an_older_log_are_read_as_they_were_meant() -> None:
    """Before levels were stored by seat they meant the reference seat, and had no degrees of freedom."""
    old = tuple(EarlierFigure(quantity="level_db", channel=c, value=75.0, uncertainty=0.24) for c in (*MAINS, "SUB1"))
    earlier = replace(earlier_of(job_of(defined(cinema()))), figures=old)
    job = job_of(defined(cinema()), earlier, *levels(LEVELS | {"FL": 79.0}))
    found = solve(job, "as-found", NOTHING)
    assert [d.channel for d in found.drifted()] == ["FL"]
    assert len(found.drifts) == 6


def test_figures_of_an_unknown_kind_are_ignored() -> None:
    """A later version may store more of them in the log."""
    known = earlier_of(job_of(defined(cinema()), *levels(LEVELS)))
    other = (
        EarlierFigure(quantity="noise_db 63", value=30.0, uncertainty=0.5),
        EarlierFigure(quantity="", value=1.0),
    )
    job = job_of(defined(cinema()), replace(known, figures=(*known.figures, *other)), *levels(LEVELS))
    assert len(solve(job, "as-found", NOTHING).drifts) == len(LEVELS)
    outcome = drift.evaluate(job, "as-found", NOTHING)
    assert "noise" not in " ".join(outcome.remarks)


def test_the_same_meter_needs_a_serial_to_be_known_again() -> None:
    nameless = Instrument(kind="meter", model="meter", accuracy_class=2)
    known = replace(nameless, serial="17")
    assert len(drift_budgets.meters(nameless, nameless) or ()) == 2
    assert [each.shared for each in drift_budgets.meters(known, known) or ()] == [True]
    assert drift_budgets.meters(known, None) is None


def test_a_microphone_put_back_within_5_cm_scatters_as_assumed() -> None:
    """A room of image sources (Allen and Berkley, JASA 65 (1979) 943–950) replaces the real one: energy from 500 to
    2000 Hz, pink, at ears anywhere within 5 cm.

    Ten draws of four channels determine the root of their mean variance to 12 %; single channels of the whole
    simulation differed by a factor of two; hence within a third.
    """
    draw = np.random.default_rng(5)
    system = cinema(["FC", "FR", "SiL", "BR"], ["A2"])
    assert system.room is not None
    room = SimulatedRoom(system.room, 21.5, rate_hz=12000)
    inside = (room.freq_hz >= 500) & (room.freq_hz <= 2000)
    ears = np.array(system.seats[0].position_m)
    found = np.zeros((10, len(system.channels)))
    for row in found:
        while np.sum((off := draw.uniform(-0.05, 0.05, 3)) ** 2) > 0.05**2:
            pass
        for i, channel in enumerate(system.channels):
            assert channel.position_m is not None
            response = room.response(Speaker(position_m=channel.position_m, role=channel.role), tuple(ears + off))
            power = np.abs(np.fft.rfft(response, room.length)[inside]) ** 2
            row[i] = 10 * np.log10(np.sum(power / room.freq_hz[inside]))
    scatter = math.sqrt(found.var(axis=0, ddof=1).mean())
    taken = math.hypot(drift_budgets.AGAIN_U_DB, shared_budgets.PLACEMENT_U_DB)
    assert scatter == pytest.approx(taken, rel=0.33)


def test_differences_between_seats_in_the_bass_scatter_no_more_than_assumed() -> None:
    """The same for the loudspeaker with the deepest nulls, six visits to six seats: the seat-to-seat standard deviation
    from 20 to 80 Hz, by third octaves.

    Six draws determine a scatter within a factor of 1.5 (χ² with five degrees of freedom, 95 %).
    """
    draw = np.random.default_rng(2)
    system = cinema(["TpFR"])
    lower = tuple((s.position_m[0], s.position_m[1], min(s.position_m[2], 1.4)) for s in system.seats if s.position_m)
    system = replace(system, seats=tuple(replace(s, position_m=p) for s, p in zip(system.seats, lower, strict=True)))
    assert system.room is not None
    room, channel = SimulatedRoom(system.room, 21.5), system.channels[0]
    assert channel.position_m is not None
    centres = 20.0 * 2 ** (np.arange(49) / 24)
    spread, stated = [], []
    for _ in range(6):
        levels_db = []
        for seat in system.seats:
            while np.sum((off := draw.uniform(-0.05, 0.05, 3)) ** 2) > 0.05**2:
                pass
            ears = tuple(np.array(seat.position_m) + off)
            power = (
                np.abs(
                    np.fft.rfft(
                        room.response(Speaker(position_m=channel.position_m, role="height"), ears), room.length
                    )
                )
                ** 2
            )
            third = [
                power[(room.freq_hz >= f / 2 ** (1 / 6)) & (room.freq_hz < f * 2 ** (1 / 6))].mean() for f in centres
            ]
            levels_db.append(10 * np.log10(third))
        spread.append(math.sqrt(np.var(levels_db, axis=0).mean()))
        own = band_variance(np.array(levels_db), np.ones(49, bool), None, default_repeatability(centres))
        assert own is not None
        stated.append(own.u_sd_db)
    scatter = float(np.std(spread, ddof=1))
    assert scatter < 1.5 * np.median(stated)
    assert scatter > np.median(stated) / 3, "5 cm are counted once"
