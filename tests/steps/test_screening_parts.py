"""The parts of the screening, on arrivals and levels written by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from builders import LOUDSPEAKERS, SEATS, analysis, arrivals, cinema, defined, job_of

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.matching import Explanation
from commission.dsp.spectrum import GRID_HZ
from commission.model import AS_FOUND, Analyses
from commission.steps.shared.screening import arrival_times, gains, recordings
from commission.steps.shared.screening.interference import (
    _channel_range,
    _noise_db,
    _tail_db,
    _usual,
    _with_gaps,
    _without,
)
from commission.steps.shared.screening.interference import interference as noisy_recordings
from commission.steps.shared.screening.mistake import Mistake, places
from commission.steps.shared.survey import NamedSurvey

C = speed_of_sound_m_s(21.5)
FOUR = ["FL", "FC", "FR", "SiL"]
JOB = job_of(defined(cinema()))


def heard(late_s: dict[tuple[str, str], float] | None = None, ids: list[str] = FOUR, **more: Any) -> Analyses:
    """A latency of 20 ms plus each seat's milliseconds, a delay of each channel, and the flight."""
    values = {
        (c, s): 0.02
        + 0.001 * k
        + 0.0005 * i
        + math.dist(LOUDSPEAKERS[c][2], at) / C
        + (late_s or {}).get((c, s), 0.0)
        for i, c in enumerate(ids)
        for k, (s, at) in enumerate(SEATS.items())
    }
    return arrivals(values, **more)


def misfit_s(place: tuple[str, str], analyses: Analyses, *without: str) -> float | None:
    return recordings._misfit_s(JOB, places(JOB, AS_FOUND, analyses), place, set(without))


@pytest.mark.parametrize("late_s", [0.0, 0.004, -0.0005])
def test_an_arrival_is_off_against_the_other_seats_whatever_delays_and_latencies(late_s: float) -> None:
    there = heard({("FL", "A3"): late_s})
    assert misfit_s(("FL", "A3"), there) == pytest.approx(late_s, abs=1e-9)
    assert misfit_s(("FL", "A1"), there) == pytest.approx(0.0, abs=1e-9)  # one seat of five does not move the median


def test_seats_that_are_in_question_are_no_reference() -> None:
    spoilt = heard({("FL", s): 0.004 for s in ("A1", "A2", "B1")})
    assert misfit_s(("FL", "A3"), spoilt) == pytest.approx(-0.004, abs=1e-9)
    assert misfit_s(("FL", "A3"), spoilt, "A1", "A2", "B1") == pytest.approx(0.0, abs=1e-9)
    assert misfit_s(("FL", "A3"), spoilt, *SEATS) is None


def test_what_an_arrival_is_off_needs_two_other_channels_and_one_clock() -> None:
    assert misfit_s(("FL", "A3"), heard({("FL", "A3"): 0.004}, ["FL", "FC", "FR"])) == pytest.approx(0.004)
    assert misfit_s(("FL", "A3"), heard(None, ["FL", "FC"])) is None
    assert misfit_s(("BL", "A3"), heard()) is None
    assert misfit_s(("FL", "A3"), heard(clock=None)) is None
    assert misfit_s(("SUB1", "A3"), heard(None, [*FOUR, "SUB1"])) is None  # with a latency
    mixed = Analyses(replace(item, clock=f"clock of {item.channel}") for item in heard())
    assert misfit_s(("FL", "A3"), mixed) is None


@pytest.mark.parametrize(
    ("first_ms", "second_ms", "wrong"),
    [
        (0.2, 0.8, ["second"]),  # 10 cm fit, 24 cm do not
        (0.8, -0.2, ["first"]),
        (-0.2, -0.8, ["second"]),
        (0.2, 0.6, ["first", "second"]),
        (0.4, 0.8, ["first", "second"]),
        (None, 0.8, ["first", "second"]),
        (0.2, None, ["first", "second"]),
    ],
)
def test_of_two_places_the_one_that_does_not_fit_is_wrong(
    first_ms: float | None, second_ms: float | None, wrong: list[str]
) -> None:
    seconds = {"first": first_ms, "second": second_ms}
    assert recordings._worse({k: None if ms is None else ms / 1000 for k, ms in seconds.items()}) == wrong


def test_a_symmetric_room_makes_places_alike_within_8_cm_and_bass_within_25() -> None:
    channels = {c.id: c for c in JOB.system.channels}
    a1, a2, a3 = (seat for seat in JOB.system.seats if seat.id.startswith("A"))
    assert recordings._mirrored_seats(channels["FC"], a1, a3)
    assert not recordings._mirrored_seats(channels["FC"], a1, a2)
    assert not recordings._mirrored_seats(channels["FL"], a1, a3)
    near, far = (replace(a3, position_m=(0.8 + x, 3.3, 1.1)) for x in (0.25, 0.4))  # 7 and 12 cm farther from FC
    assert recordings._mirrored_seats(channels["FC"], a1, near)
    assert not recordings._mirrored_seats(channels["FC"], a1, far)
    sub = replace(channels["FC"], role="sub")
    assert recordings._mirrored_seats(sub, a1, far)
    assert not recordings._mirrored_seats(sub, a1, replace(a3, position_m=(1.7, 3.3, 1.1)))
    assert recordings._mirrored_channels(channels["FL"], channels["FR"], a2)
    assert not recordings._mirrored_channels(channels["FL"], channels["FR"], a1)
    # As far from A1 as FL, but not its mirror image: the plane between them is parallel to no wall.
    assert a1.position_m is not None
    assert channels["FL"].position_m is not None
    x, y, z = (s - (c - s) for c, s in zip(channels["FL"].position_m, a1.position_m, strict=True))
    opposite = replace(channels["FC"], position_m=(x, y, z))
    assert not recordings._mirrored_channels(channels["FL"], opposite, a1)
    # The other two directions of a mirror image may differ by 15 cm.
    assert a3.position_m == (0.8, 3.3, 1.1) and a1.position_m == (-0.8, 3.3, 1.1)
    assert recordings._mirror_images(a1.position_m, (0.8, 3.3, 1.1 + 0.14))
    assert not recordings._mirror_images(a1.position_m, (0.8, 3.3, 1.1 + 0.16))
    nowhere = {c: replace(each, position_m=None) for c, each in channels.items()}
    assert recordings._mirrored_seats(nowhere["FC"], a1, a3)
    assert not recordings._mirrored_seats(nowhere["FL"], a1, a3)
    assert recordings._mirrored_channels(nowhere["FL"], nowhere["FR"], a1)
    assert not recordings._mirrored_channels(nowhere["FL"], nowhere["SiR"], a1)
    assert recordings._mirrored_channels(nowhere["SUB1"], nowhere["SUB2"], a1)


# --- arrivals that no room explains --------------------------------------------------------------------------------


def surveyed(analyses: Analyses, ids: list[str] = FOUR, known: int = 4) -> NamedSurvey:
    """The survey data needed for the text of a mistake."""
    survey: Any = SimpleNamespace(applied_s=np.where(np.arange(len(ids)) < known, 0.0, np.nan))
    recorded = places(JOB, AS_FOUND, analyses)
    made: Any = SimpleNamespace(channels=tuple(ids), seats=tuple(SEATS), survey=survey, recordings=recorded)
    return made


def strays(rest_ms: dict[tuple[int, int], float], *, known: int = 4, **more: Any) -> Mistake | None:
    rest = np.zeros((4, 6))
    rest[0, 0] = np.nan
    for at, ms in rest_ms.items():
        rest[at] = ms / 1000
    spoilt = more.pop("spoilt", [])
    matching: Any = SimpleNamespace(rest_s=rest, **{"sure": (), **more})
    return arrival_times._single_outliers(surveyed(heard(), known=known), matching, spoilt)


def test_an_arrival_40_ms_off_is_on_another_clock() -> None:
    # 40 ms is 14 m of path; 35 ms may be a delay.
    assert strays({(1, 2): 35.0, (2, 0): -39.0}) is None
    found = strays({(1, 2): 45.0, (3, 4): -300.0, (1, 4): 41.0})
    assert found is not None
    assert (found.channels, found.seats) == (("FC", "SiL"), ("A3", "B2"))
    assert [text.split(" than")[0] for text in found.evidence] == [
        "FC at A3 comes 45 ms later",
        "FC at B2 comes 41 ms later",
        "SiL at B2 comes 300 ms earlier",
    ]
    spoilt = {(item.channel, item.seat) for item in heard() if item.seq in found.usable}
    assert spoilt == {("FC", "A3"), ("FC", "B2"), ("SiL", "B2")}
    assert all(a is not None and a.arrival_s is None and a.level_db is not None for a in found.usable.values())


def test_strays_are_not_reported_where_a_delay_may_be_the_reason_or_a_mistake_is_known() -> None:
    late = {(1, 2): 100.0, (2, 3): 100.0}
    assert strays(late, known=0) is None
    assert strays(late, known=1) is not None
    assert strays(late, sure=(Explanation(kind="delay", channels=(1,)),)) is None
    assert strays(late, sure=(Explanation(kind="loudspeakers", channels=(0, 3)),)) is not None
    seq = next(item.seq for item in heard() if (item.channel, item.seat) == ("FC", "A3"))
    other = Mistake(kind="gain", reason="r", evidence=("e",), usable={seq: None})
    found = strays(late, spoilt=[other])
    assert found is not None
    assert found.channels == ("FR",)


def worded(each: Explanation, ids: list[str] = FOUR) -> tuple[Mistake, set[tuple[str, str]]]:
    """The mistake, and the places with unusable parts."""
    everything = heard(None, [*FOUR, "SUB1"])
    newest = places(JOB, AS_FOUND, everything)
    made = arrival_times._mistake(each, surveyed(everything, ids), newest, JOB)
    return made, {(item.channel, item.seat) for item in everything if item.seq in made.usable}


def test_what_is_mixed_up_spoils_its_recordings_and_no_others() -> None:
    every = {*FOUR, "SUB1"}
    made, spoilt = worded(Explanation(kind="seats", seats=(0, 4), gain=49.0))
    assert (made.kind, made.seats, made.channels) == ("seats-exchanged", ("A1", "B2"), ())
    assert spoilt == {(c, s) for c in every for s in ("A1", "B2")}
    assert set(made.usable.values()) == {None}
    assert "z = 7" in made.evidence[0]
    made, spoilt = worded(Explanation(kind="exchanged-at-seat", channels=(0, 3), seats=(2,)))
    assert (made.kind, made.seats, made.channels) == ("wrong-channel", ("A3",), ("FL", "SiL"))
    assert spoilt == {("FL", "A3"), ("SiL", "A3")}
    made, spoilt = worded(Explanation(kind="clock", seats=(1,), shift_s=-0.0123))
    assert (made.kind, made.seats) == ("clock", ("A2",))
    assert "come 12.3 ms earlier than" in made.evidence[0]
    assert spoilt == {(c, "A2") for c in every}
    assert all(a is not None and a.arrival_s is None for a in made.usable.values())


def test_a_microphone_at_another_seat_spoils_what_was_measured_there_then() -> None:
    made, spoilt = worded(Explanation(kind="not-moved", seats=(0, 1)))
    assert (made.kind, made.seats, made.channels) == ("microphone-not-moved", ("A1",), ())
    assert made.reason.endswith("at A2")
    assert spoilt == {(c, "A1") for c in (*FOUR, "SUB1")}
    # Subwoofers come last: moved too early, they were at the other seat as well.
    made, spoilt = worded(Explanation(kind="moved-early", channels=(2, 3), seats=(0, 1)))
    assert set(made.channels) == {"FR", "SiL", "SUB1"}
    assert spoilt == {("FR", "A1"), ("SiL", "A1"), ("SUB1", "A1")}
    made, spoilt = worded(Explanation(kind="moved-late", channels=(0, 1), seats=(0, 1)))
    assert made.channels == ("FL", "FC")
    assert spoilt == {("FL", "A1"), ("FC", "A1")}
    assert made.evidence[0].startswith("the arrivals of FL and FC at A1 fit A2 and not A1:")


def test_of_two_seats_the_one_that_is_not_the_reference_is_on_another_clock() -> None:
    two = Analyses(item for item in heard() if item.seat in ("A1", "A2"))
    found: Any = SimpleNamespace(channels=tuple(FOUR), seats=("A1", "A2"))
    made = arrival_times._mistake(
        Explanation(kind="clock", seats=(1,), shift_s=0.01), found, places(JOB, AS_FOUND, two), JOB
    )
    assert made.seats == ("A1",)
    assert {item.seat for item in two if item.seq in made.usable} == {"A1"}


# --- noise in one recording ----------------------------------------------------------------------------------------


def test_noise_and_tail_are_what_is_known_of_them() -> None:
    flat, gap = np.zeros(len(GRID_HZ)), np.where(np.arange(len(GRID_HZ)) < 3, np.inf, -40.0)
    assert np.isnan(_noise_db(analysis(noise_db=None))).all()
    assert _tail_db(analysis(noise_db=None, tail_db=None)) is None
    assert _tail_db(analysis(noise_db=flat * np.nan)) is None
    for made in (_noise_db(analysis(noise_db=gap)), _tail_db(analysis(noise_db=gap))):
        assert made is not None
        assert np.isnan(made[:3]).all()
        assert (made[3:] == -40.0).all()
    tail = _tail_db(analysis(noise_db=gap, tail_db=flat - 20))
    assert tail == pytest.approx(flat - 20)


def test_others_of_a_kind_and_of_a_channel_say_what_is_usual() -> None:
    where = [("FL", "A1"), ("FL", "A2"), ("FR", "A1"), ("FC", "A1"), ("SUB1", "A1"), ("SUB1", "A2"), ("SUB2", "A1")]
    values = np.array([[0.0], [10.0], [20.0], [40.0], [-50.0], [-60.0], [-70.0]])
    louder = _usual(where, {"SUB1", "SUB2"}, values)
    # FL at A1: the median of 10, 20 and 40, or of 10 alone; the noisier one counts.
    assert louder[:, 0] == pytest.approx([20.0, 20.0, 10.0, 10.0, -60.0, -50.0, -55.0])
    softer = _usual(where, {"SUB1", "SUB2"}, values, np.fmin)
    assert softer[:, 0] == pytest.approx([10.0, 0.0, 10.0, 10.0, -65.0, -60.0, -55.0])
    assert np.isnan(_usual([("FL", "A1"), ("SUB1", "A1")], {"SUB1"}, np.zeros((2, 1)))).all()


def test_a_covered_band_grows_over_what_is_not_known() -> None:
    bad = np.array([0, 0, 0, 1, 0, 0, 0, 0, 1], bool)
    unknown = np.array([0, 1, 1, 0, 1, 1, 0, 1, 0], bool)
    assert _with_gaps(bad, unknown).astype(int).tolist() == [0, 1, 1, 1, 1, 1, 0, 1, 1]
    assert bad.sum() == 2  # unchanged
    for first in (np.array([1, 0, 0], bool), np.array([0, 0, 1], bool)):
        assert _with_gaps(first, ~first).all()  # from either end


def test_a_loudspeaker_plays_within_20_db_of_its_loudest_band() -> None:
    level = np.linspace(-30.0, 0.0, len(GRID_HZ))
    items = [
        replace(heard().repeats(AS_FOUND, "FL", s)[0], analysis=analysis(third_octave_db=level + k))
        for k, s in enumerate(SEATS)
    ]
    plays = _channel_range("FL", {(item.channel, item.seat): item for item in items})
    assert plays.tolist() == (level >= -20.0).tolist()


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "keeps_bass", "keeps_level", "octaves"),
    [
        (40.0, 60.0, False, True, {500, 1000, 2000}),
        (130.0, 200.0, True, True, {500, 1000, 2000}),
        (500.0, 700.0, True, True, {1000, 2000}),  # half an octave of the two in which the level is read
        (500.0, 900.0, True, False, {2000}),
        (720.0, 1380.0, True, False, {500, 2000}),
        (2900.0, 9000.0, True, True, {500, 1000, 2000}),
    ],
)
def test_without_a_band_what_rests_on_it_is_not_used(
    low_hz: float, high_hz: float, keeps_bass: bool, keeps_level: bool, octaves: set[int]
) -> None:
    made = analysis(
        freq_hz=GRID_HZ,
        third_octave_db=np.zeros(len(GRID_HZ)),
        bass=np.ones(3, complex),
        octave_db={500: 0.0, 1000: 0.0, 2000: 0.0},
        why={"arrival": "w"},
    )
    bad = (GRID_HZ >= low_hz) & (GRID_HZ <= high_hz)
    left = _without(made, bad, "noise covers it", (500.0, 2000.0))
    assert np.isnan(left.third_octave_db).tolist() == bad.tolist()
    assert (left.bass is not None, left.level_db is not None) == (keeps_bass, keeps_level)
    assert set(left.octave_db) == octaves
    assert left.why == {"arrival": "w", "bands": "noise covers it"}


# --- gain ----------------------------------------------------------------------------------------------------------


def test_without_main_channels_or_seats_no_gain_is_looked_for() -> None:
    no_seats = replace(cinema(FOUR), seats=())
    assert [gains._seat_gains(job_of(defined(each)), {}) for each in (cinema(["SUB1"]), no_seats)] == [{}, {}]


def test_octaves_are_those_measured_or_the_level_for_all() -> None:
    known = {500: -1.0, 2000: 3.0}
    assert gains._octaves(analysis(octave_db=known, level_db=9.0)) == pytest.approx(
        [-1.0, math.nan, 3.0, math.nan], nan_ok=True
    )
    assert gains._octaves(analysis(octave_db={}, level_db=7.0)) == pytest.approx([7.0] * 4)
    assert np.isnan(gains._octaves(None)).all()
    assert np.isnan(gains._octaves(analysis(octave_db={}, level_db=None))).all()


def test_half_of_the_seats_with_another_gain_are_reported_against_the_reference_seat() -> None:
    mains = [c for c in JOB.system.channels if not c.is_sub]
    two = replace(JOB.system, seats=tuple(s for s in JOB.system.seats if s.id in ("A1", "A2", "B1", "B2")))
    loud = {
        (c.id, s.id): analysis(octave_db=dict.fromkeys((500, 1000, 2000, 4000), 5.0 if s.id in ("A1", "B1") else 0.0))
        for c in mains
        for s in two.seats
    }
    found = gains._seat_gains(job_of(defined(two)), loud)
    assert set(found) == {"A1", "B1"}  # A2 is the reference
    other = replace(two, seats=tuple(replace(s, reference=s.id == "B1") for s in two.seats))
    assert set(gains._seat_gains(job_of(defined(other)), loud)) == {"A2", "B2"}


# --- thresholds: a little inside and a little outside --------------------------------------------------------------

FIVE_PLACES = [("FL", "A1"), ("FR", "A1"), ("FC", "A1"), ("FL", "A2"), ("FR", "A2")]


def noisy(
    base_db: float,
    lift_db: float,
    where: list[tuple[str, str]] = FIVE_PLACES,
    band_hz: tuple[float, float] = (180.0, 320.0),
) -> list[Mistake]:
    """Responses at 0 dB above noise, which is raised in one band of the first."""
    lifted = (GRID_HZ >= band_hz[0]) & (GRID_HZ <= band_hz[1])
    made = arrivals(dict.fromkeys(where, 0.01))
    items = [
        replace(
            item,
            analysis=analysis(
                freq_hz=GRID_HZ,
                third_octave_db=np.zeros(len(GRID_HZ)),
                view_db=np.zeros(len(GRID_HZ)),
                noise_db=base_db + lift_db * (lifted if (item.channel, item.seat) == where[0] else 0 * lifted),
            ),
        )
        for item in made
    ]
    return list(noisy_recordings(JOB, AS_FOUND, Analyses(items)))


@pytest.mark.parametrize(
    ("base_db", "lift_db", "found"),
    [
        (-16.0, 13.0, True),
        (-16.0, 11.0, False),  # 12 dB above the others
        (-30.0, 19.0, True),
        (-30.0, 17.0, False),  # a signal-to-noise ratio of 13 dB is enough: 0.2 dB of error (arithmetic)
    ],
)
def test_noise_in_one_recording_is_12_db_louder_and_within_12_db_of_the_sound(
    base_db: float, lift_db: float, found: bool
) -> None:
    got = noisy(base_db, lift_db)
    assert [(each.channels, each.seats) for each in got] == ([(("FL",), ("A1",))] if found else [])
    if found:
        assert got[0].reason == "noise covers 182 to 315 Hz"  # 1000·2^(n/24) Hz
        assert f"is {lift_db:.0f} dB above that of the other" in got[0].evidence[0]


@pytest.mark.parametrize(
    ("subs", "base_db", "lift_db", "found"),
    [
        (2, -24.0, 21.0, True),
        (2, -24.0, 19.0, False),  # of few, one may decay longer: 20 dB
        (2, -29.0, 21.0, False),  # … and less than 6 dB of signal to noise
        (2, -29.0, 24.0, True),
        (3, -16.0, 13.0, False),
        (4, -16.0, 13.0, True),  # from four recordings on, as with the others
    ],
)
def test_few_recordings_of_a_kind_must_differ_more(subs: int, base_db: float, lift_db: float, found: bool) -> None:
    where = [("SUB1", "A1"), ("SUB2", "A1"), ("SUB1", "A2"), ("SUB2", "A2")][:subs]
    assert bool(noisy(base_db, lift_db, where, (40.0, 80.0))) is found


@pytest.mark.parametrize(("band_hz", "found"), [((200.0, 232.0), False), ((200.0, 260.0), True)])
def test_noise_must_cover_a_third_of_an_octave(band_hz: tuple[float, float], found: bool) -> None:
    assert bool(noisy(-16.0, 14.0, band_hz=band_hz)) is found  # 0.21 and 0.38 octaves


def test_what_two_of_four_recordings_have_is_no_noise_of_one_and_three_are_the_room() -> None:
    where = FIVE_PLACES[:2]
    assert noisy(-24.0, 30.0, where) != []
    assert noisy(-24.0, 30.0, where[:1]) == []


@pytest.mark.parametrize(
    ("softer_db", "snr_db", "elsewhere_db", "found"),
    [
        (21.0, 9.0, 21.0, True),
        (26.0, 9.0, 21.0, True),
        (19.0, 9.0, 21.0, False),
        (21.0, 11.0, 21.0, False),
        (21.0, 9.0, 19.0, False),  # nor is it above the noise elsewhere
    ],
)
def test_nothing_was_played_20_db_softer_and_in_the_noise(
    softer_db: float, snr_db: float, elsewhere_db: float, found: bool
) -> None:
    items = [
        replace(
            item,
            analysis=replace(
                item.analysis,
                level_db=-softer_db if item.seat == "A1" else 0.0,
                snr_db=snr_db if item.seat == "A1" else elsewhere_db,
            ),
        )
        for item in arrivals(dict.fromkeys([*(("FL", s) for s in ("A1", "A2", "A3", "B1")), ("FR", "B1")], 0.01))
        if item.analysis is not None
    ]
    got = recordings.not_played(JOB, AS_FOUND, Analyses(items))
    assert [(each.channels, each.seats) for each in got] == ([(("FL",), ("A1",))] if found else [])
    beside = [  # B1 is in the same null, less deep: A1 may be its deepest point
        replace(i, analysis=replace(i.analysis, level_db=-15.0))
        if i.analysis and (i.channel, i.seat) == ("FL", "B1")
        else i
        for i in items
    ]
    assert bool(recordings.not_played(JOB, AS_FOUND, Analyses(beside))) == (found and softer_db >= 25.0)


@pytest.mark.parametrize(("channel", "seats", "found"), [("SUB1", 1, 1), ("SUB1", 2, 0), ("FL", 2, 2)])
def test_a_row_that_loses_a_subwoofer_in_the_noise_is_a_null(channel: str, seats: int, found: int) -> None:
    silent = ("B1", "B2")[:seats]
    items = [
        replace(
            i,
            analysis=replace(
                i.analysis, level_db=-30.0 * (i.seat in silent), snr_db=2.0 if i.seat in silent else 30.0
            ),
        )
        for i in arrivals(dict.fromkeys([(channel, s) for s in SEATS], 0.01))
        if i.analysis is not None
    ]
    assert len(recordings.not_played(JOB, AS_FOUND, Analyses(items))) == found


@pytest.mark.parametrize(("same", "named"), [(1, None), (2, ("FL", "FR")), (4, ()), (3, ("FL", "FR", "SiL"))])
def test_a_microphone_that_stood_still_shows_on_two_channels_and_on_four_of_five_spoils_the_seat(
    same: int, named: tuple[str, ...] | None
) -> None:
    rng, ids = np.random.default_rng(1), ["FL", "FR", "SiL", "SiR", "BL"]
    rows = {(c, s): rng.normal(0, 3, len(GRID_HZ)) for c in ids for s in ("A1", "B3")}
    for c in ids[:same]:
        rows[c, "B3"] = rows[c, "A1"] + 0.05
    made = arrivals(dict.fromkeys(rows, None))
    items = [
        replace(item, analysis=replace(item.analysis, view_db=rows[item.channel, item.seat]))
        for item in made
        if item.analysis is not None
    ]
    got = recordings.not_moved(JOB, AS_FOUND, Analyses(items))
    assert [each.channels for each in got] == ([] if named is None else [named])
