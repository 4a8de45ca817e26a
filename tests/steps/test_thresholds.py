"""Thresholds of the steps: a value just inside passes, one just outside does not.

The thresholds are common practice without a source unless a line states otherwise; a value with uncertainty u must
exceed them by 1.645 u (JCGM 106, from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from builders import LOUDSPEAKERS, SEATS, arrivals, cinema, defined, job_of, levels, setting
from sound_room import SoundRoom

from commission.dsp.air import speed_of_sound_m_s
from commission.model import (
    AS_FOUND,
    Analyses,
    DelayRange,
    EarlierFigure,
    EarlierVisit,
    Job,
    Processor,
    ReadingEntered,
    Verdict,
)
from commission.steps import distances, seats
from commission.steps.distances import result as distances_result
from commission.steps.drift import figures as drift_figures
from commission.steps.drift import result as drift_result
from commission.steps.seats.faults import dead_drivers, silent_channels
from commission.steps.seats.reflections import early_reflections
from commission.steps.shared.lost_level import lost_levels_db

GUARD = 1.645
NONE = Analyses()
C = speed_of_sound_m_s(21.5)
TAPE = {c: math.dist(at, SEATS["A2"]) for c, (_, _, at) in LOUDSPEAKERS.items()}
MAINS = [c for c, (_, role, _) in LOUDSPEAKERS.items() if role != "sub"]


FIVE = ["FL", "FC", "FR", "SiL", "SiR"]


def even_room(seat_ids: tuple[str, ...] = ("A1", "A2", "A3")) -> SoundRoom:
    """Five channels with no differences except the planted ones."""
    return SoundRoom(cinema(FIVE, seat_ids), uneven_db=0.0)


# --- levels against an earlier visit -------------------------------------------------------------------------------


def returned(now: dict[str, float], trims: dict[str, float]) -> Job:
    """A return visit: the earlier one read 75 dB everywhere, with trims of 0 dB."""
    figures = [EarlierFigure(quantity="level_db", channel=c, seat="A2", value=75.0) for c in now]
    figures += [EarlierFigure(quantity="trim_db", channel=c, value=0.0) for c in now]
    earlier = EarlierVisit(
        file_name="then.commission",
        title="then",
        digest="0" * 64,
        round="as-left",
        closed_at="",
        program_version="0",
        figures=tuple(figures),
    )
    return job_of(
        defined(cinema(list(now))), earlier, *levels(now), *(setting(c, trim_db=t) for c, t in trims.items())
    )


@pytest.mark.parametrize(
    ("fell_db", "trim_db", "volume_db", "lost"),
    [
        (-7.6, 0.0, 0.0, False),  # −6 − 1.645·1.0 = −7.645
        (-7.7, 0.0, 0.0, True),
        (-7.7, 0.0, 5.0, True),  # the volume was raised between the visits
        (-7.7, -0.1, 0.0, False),  # the trim explains some of it
        (-7.6, 0.1, 0.0, True),
    ],
)
def test_half_of_the_sound_gone_is_lost_from_6_db(
    fell_db: float, trim_db: float, volume_db: float, lost: bool
) -> None:
    now = dict.fromkeys(["FL", "FC", "FR", "SiL"], 75.0 + volume_db)
    now["SiL"] += fell_db
    job = returned(now, dict.fromkeys(now, 0.0) | {"SiL": trim_db})
    found = lost_levels_db(job, AS_FOUND)
    assert found == (pytest.approx({"SiL": fell_db - trim_db}) if lost else {})


def test_a_lost_level_needs_three_main_channels_a_trim_and_an_earlier_visit() -> None:
    now = {"FL": 75.0, "FC": 75.0, "SiL": 60.0}
    assert lost_levels_db(returned(now, dict.fromkeys(now, 0.0)), AS_FOUND) == {"SiL": -15.0}
    assert lost_levels_db(returned(now, {"FL": 0.0, "FC": 0.0}), AS_FOUND) == {}, "its trim is unknown: two are left"
    assert lost_levels_db(returned(now | {"FR": 75.0}, dict.fromkeys(["FL", "FC", "FR"], 0.0)), AS_FOUND) == {}
    subs = {"FL": 75.0, "FC": 75.0, "SUB1": 60.0, "SUB2": 75.0}
    assert lost_levels_db(returned(subs, dict.fromkeys(subs, 0.0)), AS_FOUND) == {}, "subwoofers are no main channels"
    first = job_of(defined(cinema(["FL", "FC", "SiL"])), *levels(now), *(setting(c, trim_db=0.0) for c in now))
    assert lost_levels_db(first, AS_FOUND) == {}


def test_a_reading_without_a_seat_is_of_the_reference_seat() -> None:
    now = dict.fromkeys(["FL", "FC", "FR", "SiL"], 75.0) | {"SiL": 60.0}
    job = returned(now, dict.fromkeys(now, 0.0))
    unplaced = [event.body for event in job.log[1:] if not isinstance(event.body, ReadingEntered)]
    assert lost_levels_db(job_of(*unplaced, *levels(now, seat=None)), AS_FOUND) == {"SiL": -15.0}
    assert lost_levels_db(job_of(*unplaced, *levels(now, seat="A1")), AS_FOUND) == {}, "it was not read there before"


def test_several_readings_of_a_level_are_taken_by_their_mean() -> None:
    now = dict.fromkeys(["FL", "FC", "FR", "SiL"], 75.0)
    job = returned(now, dict.fromkeys(now, 0.0))
    more = job_of(*(event.body for event in job.log[1:]), *levels({"SiL": (60.0, 60.0, 60.0)}))
    assert lost_levels_db(more, AS_FOUND) == {"SiL": pytest.approx((0.0 - 15.0 * 3) / 4)}


# --- seats -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gain_db", "snr_db", "silent"),
    [(-21.4, 9.9, False), (-21.6, 9.9, True), (-21.6, 10.1, False), (-61.4, 40.0, False), (-61.6, 40.0, True)],
)
def test_silent_is_20_db_below_the_partner_and_in_the_noise_or_60_db_below(
    gain_db: float, snr_db: float, silent: bool
) -> None:
    room = even_room().add_db("SiL", gain_db).change("SiL", snr_db=snr_db)  # −20 − 1.645·0.9 = −21.48, −60 alike
    found = silent_channels(seats.solve(room.job(), AS_FOUND, room.analyses()))
    assert {channel: each.snr_db for channel, each in found.items()} == ({"SiL": snr_db} if silent else {})


def test_a_centre_is_compared_with_the_pair_beside_it_and_not_with_itself() -> None:
    room = (
        SoundRoom(cinema(("FL", "FC", "FR"), ("A1", "A2", "A3")), uneven_db=0.0).add_db("FL", 1.0).add_db("FC", 4.0)
    )
    against = seats.solve(room.job(), AS_FOUND, room.analyses()).against["FC"]
    assert against.level_db == pytest.approx(4.0 - (1.0 + 0.0) / 2, abs=1e-6)


@pytest.mark.parametrize(("gain_db", "seats_off"), [(-0.9, 0), (-1.1, 3), (1.1, 3)])
def test_a_channel_is_off_at_a_seat_from_1_db(gain_db: float, seats_off: int) -> None:
    room = even_room().add_db("SiL", gain_db)
    against = seats.solve(room.job(), AS_FOUND, room.analyses()).against["SiL"]
    assert against.level_db == pytest.approx(gain_db, abs=1e-6)
    assert against.alike_seats == (seats_off, 3)


@pytest.mark.parametrize(
    ("channel", "seat_ids", "least_db"),
    # 10 dB against a partner; 6 dB more where there is no partner, or a single seat to hear it from.
    [("SiL", ("A1", "A2", "A3"), -10.0), ("FC", ("A1", "A2", "A3"), -16.0), ("SiL", ("A2",), -16.0)],
)
def test_a_tweeter_is_dead_from_10_db_below_its_partner(
    channel: str, seat_ids: tuple[str, ...], least_db: float
) -> None:
    for off_db, dead in ((GUARD - 0.1, False), (GUARD + 0.1, True)):  # u = 1 dB between two sides of a room
        room = even_room(seat_ids).add_db(channel, least_db - off_db, above_hz=2800.0)
        result = seats.solve(room.job(), AS_FOUND, room.analyses())
        found = dead_drivers(room.job(), result, "tweeter")
        assert set(found) == ({channel} if dead else set()), off_db
        assert all(each.gap_db == pytest.approx(least_db - off_db, abs=0.01) for each in found.values())
        assert all((each.limit_db, each.seats) == (least_db, (len(seat_ids),) * 2) for each in found.values())


@pytest.mark.parametrize(
    ("after_ms", "level_db", "above"),
    # −10 dB (ITU-R BS.1116) + 1.645·2/√4 for four seats = −8.355; sooner than 0.8 ms is the loudspeaker's own sound
    [(5.0, -8.4, False), (5.0, -8.3, True), (0.79, -3.0, False), (0.81, -3.0, True)],
)
def test_early_reflections_are_above_the_limit_beyond_doubt(after_ms: float, level_db: float, above: bool) -> None:
    room = even_room(("A1", "A2", "A3", "B1")).change("FL", reflections=((after_ms / 1000, level_db), (0.012, -15.0)))
    found = early_reflections(seats.solve(room.job(), AS_FOUND, room.analyses()))
    assert set(found) == {"FL"} and found["FL"].seats == 4
    assert found["FL"].surely_above is above
    assert found["FL"].middle_db == (-15.0 if after_ms < 0.8 else level_db)


@pytest.mark.parametrize(("far_m", "compared"), [(0.049, True), (0.051, False)])
@pytest.mark.parametrize("what", ["seat", "channel"])
def test_what_moved_by_more_than_5_cm_is_not_compared_with_an_earlier_visit(
    what: str, far_m: float, compared: bool
) -> None:
    room = cinema(["FL", "FC", "FR", "SiL"])
    read = levels(dict.fromkeys(["FL", "FC", "FR", "SiL"], 75.0))
    then = drift_figures.earlier_visit(
        job_of(defined(room), *read), NONE, file_name="then.commission", program_version="0"
    )
    x, y, z = SEATS["A2"] if what == "seat" else LOUDSPEAKERS["SiL"][2]
    moved = (x, y, z - far_m)
    system = (
        replace(room, seats=tuple(replace(s, position_m=moved) if s.id == "A2" else s for s in room.seats))
        if what == "seat"
        else replace(
            room, channels=tuple(replace(c, position_m=moved) if c.id == "SiL" else c for c in room.channels)
        )
    )
    found = drift_result.solve(job_of(defined(room), then, defined(system), *read), AS_FOUND, NONE)
    kept = {d.channel for d in found.drifts if d.quantity == "level_db"}
    assert ("SiL" in kept) is compared
    assert ("FL" in kept) is (compared or what == "channel")


# --- times ---------------------------------------------------------------------------------------------------------


def held(values: dict[str, float], step: float = 0.001) -> Job:
    processor = Processor(delay=DelayRange(unit="m", max=99.0, step=step))
    return job_of(
        defined(cinema(list(values), processor=processor)), *(setting(c, distance=v) for c, v in values.items())
    )


@pytest.mark.parametrize(
    ("factor", "unit"),
    # 3.2808 ft to the metre (NIST SP 811), within 6 %
    [
        (3.2808 * 1.055, "typed in feet"),
        (3.2808 * 0.945, "typed in feet"),
        (3.2808 * 1.065, None),
        (3.2808 * 0.935, None),
        (0.3048 * 1.055, "typed in metres"),
        (0.3048 * 0.945, "typed in metres"),
        (0.3048 * 1.065, None),
        (0.3048 * 0.935, None),
    ],
)
def test_a_wrong_unit_is_feet_for_metres_within_6_per_cent(factor: float, unit: str | None) -> None:
    result = distances.solve(held({c: factor * TAPE[c] for c in MAINS}), AS_FOUND, NONE)
    assert result.held_ratio == pytest.approx(factor, rel=1e-3)  # steps of 1 mm
    sentence = distances.unit_sentence(result)
    assert (sentence is None) if unit is None else unit in (sentence or "")


@pytest.mark.parametrize(("factor", "wrong"), [(0.86, ["SiL"]), (1.14, ["SiL"]), (1.5, [])])
def test_one_wrong_setting_shows_beside_another_speed_of_sound_and_not_beside_a_ratio_of_no_speed(
    factor: float, wrong: list[str]
) -> None:
    """A metre too much at SiL; 14 % on all settings is another speed of sound, 50 % is not."""
    job = held({c: factor * TAPE[c] + (c == "SiL") for c in MAINS})
    found = distances.wrong_times(job, AS_FOUND, distances.solve(job, AS_FOUND, NONE))
    assert [each.channel for each in found] == wrong


def test_coarse_steps_hide_no_wrong_unit() -> None:
    """2.73, 3.27 and 3.36 m entered in a processor that reads feet, in half-foot steps: 0.28 to 0.33 times the right
    value.
    """
    tape = dict(zip(MAINS[:3], (3.36, 3.27, 2.73), strict=True))
    system = cinema(list(tape), processor=Processor(delay=DelayRange(unit="ft", max=99.0, step=0.5)))
    mains = tuple(replace(each, distance_m=tape[each.id], position_m=None) for each in system.channels)
    job = job_of(
        defined(replace(system, channels=mains)), *(setting(c, distance=round(2 * v) / 2) for c, v in tape.items())
    )
    result = distances.solve(job, AS_FOUND, NONE)
    assert "typed in metres" in (distances.unit_sentence(result) or "")


def test_two_settings_in_feet_are_enough_and_one_is_not() -> None:
    two = distances.solve(held({c: 3.2808 * TAPE[c] for c in MAINS[:2]}), AS_FOUND, NONE)
    assert "typed in feet" in (distances.unit_sentence(two) or "")
    one = distances.solve(held({MAINS[0]: 3.2808 * TAPE[MAINS[0]]}), AS_FOUND, NONE)
    assert distances.unit_sentence(one) is None


@pytest.mark.parametrize(("others", "agrees"), [(1.09, True), (1.12, False)])
def test_two_thirds_of_the_settings_must_agree_on_a_ratio_within_a_tenth(others: float, agrees: bool) -> None:
    nine = MAINS[:9]
    for right, known in ((6, True), (5, agrees)):
        factors = [1.0] * right + [others] * (9 - right)
        job = held({c: factor * TAPE[c] for c, factor in zip(nine, factors, strict=True)})
        assert (distances.solve(job, AS_FOUND, NONE).held_ratio is not None) is known, right


def test_a_latency_is_one_where_another_channel_has_it_within_the_limit() -> None:
    """With unknown places; the limit of arrivals is 0.45 ms."""
    system = cinema(["FL", "FC", "FR"])
    unplaced = tuple(replace(each, position_m=None) for each in system.channels)
    job = job_of(defined(replace(system, channels=unplaced)))
    assert job.limit("distances.arrival").upper == 0.45
    known = {channel: (3.0, "tape") for channel in job.system.channels}
    late = distances_result._has_latency(job, known, np.array([0.005, 0.0053, 0.0058]), np.ones(3, bool))
    assert late.tolist() == [True, True, False]


@pytest.mark.parametrize(("more_ms", "kept"), [(-2.1, False), (-1.9, True), (1.9, True), (19.9, True), (20.1, False)])
def test_a_subwoofer_keeps_what_is_entered_from_minus_2_to_20_ms(more_ms: float, kept: bool) -> None:
    """Without an arrival nothing else shows its latency."""
    now = {c: TAPE[c] for c in MAINS} | {"SUB1": TAPE["SUB1"] + more_ms / 1000 * C}
    sub = distances.solve(held(now), AS_FOUND, NONE).channels["SUB1"]
    if kept:
        assert sub.kept_latency_s == pytest.approx(more_ms / 1000, abs=1e-5)  # steps of 1 mm
        assert sub.setting.setting == pytest.approx(now["SUB1"], abs=1e-3)
    else:
        assert sub.kept_latency_s is None
        assert sub.setting.setting == pytest.approx(TAPE["SUB1"], abs=1e-3)


@pytest.mark.parametrize(("beyond_ms", "late"), [(-0.02, False), (0.02, True)])
def test_a_subwoofer_is_late_from_2_ms_beyond_doubt(beyond_ms: float, late: bool) -> None:
    right = {c: TAPE[c] for c in (*MAINS, "SUB1")}

    def solved(late_s: float) -> distances.ChannelDistance:
        longest = max(right.values())
        heard = {(c, "A2"): 0.04 + d / C + (longest - d) / C + late_s * (c == "SUB1") for c, d in right.items()}
        return distances.solve(held(right), AS_FOUND, arrivals(heard, u_s=5e-4)).channels["SUB1"]

    u_s = solved(0.0).arrival_u_s
    assert 5e-4 < u_s < 6e-4  # its own 0.5 ms, plus tape and air
    late_s = 0.002 + GUARD * u_s + beyond_ms / 1000
    sub = solved(late_s)
    assert sub.own_latency_m == pytest.approx(late_s * C if late else 0.0, abs=1e-4)
    assert (sub.check_arrival.verdict is Verdict.FAIL) is late
