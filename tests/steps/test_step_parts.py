"""Small parts of the steps with answers known by arithmetic or by their wording."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from builders import analysis, arrivals, cinema, defined, job_of, reading, setting
from sound_room import SoundRoom

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.analysis import BASS_HZ
from commission.dsp.direct import DIRECT_BEFORE_S, DIRECT_FRAMES, DIRECT_RATE_HZ
from commission.dsp.geometry import mirror_partner, side
from commission.dsp.leakage import SharedSound
from commission.dsp.matching import Explanation
from commission.dsp.pair_polarity import Relation
from commission.dsp.reflections import LEAST_DB
from commission.dsp.repeatability import Repeatability, placement_u_db
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import VarianceParts
from commission.model import (
    AS_FOUND,
    FULL_SCALE,
    SOUND_PRESSURE,
    Analyses,
    Band,
    DelayRange,
    EarlierFigure,
    Processor,
    Prompt,
    Room,
    Seat,
)
from commission.steps import step
from commission.steps.bass import crossover
from commission.steps.bass.result import _measurement_u_db2
from commission.steps.drift import visits as drift_visits
from commission.steps.handover import settings_sheet
from commission.steps.layout.room_modes import modes_table
from commission.steps.levels import result as levels_result
from commission.steps.seats import polarity
from commission.steps.seats import result as seats_result
from commission.steps.seats.reflections import early_reflections
from commission.steps.shared import seat_variance
from commission.steps.shared.arrivals import in_words
from commission.steps.shared.budgets import variance_budget
from commission.steps.shared.screening.recordings import same_recording
from commission.steps.shared.screening.references import mixed_references
from commission.steps.wiring.leakage import _Pair

JOB = job_of(defined(cinema()))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("FL", "FR"),
        ("TpFL", "TpFR"),
        ("FLw", "FRw"),
        ("SiL", "SiR"),
        ("L", "R"),
        ("Ls", "Rs"),
        ("LS", "RS"),
        ("Ltf", "Rtf"),
        ("FLc", "FRc"),
    ],
)
def test_partners_differ_in_the_letter_of_their_side(one: str, other: str) -> None:
    # Labels of IEC 62574, and short ones (from memory).
    assert (mirror_partner(one), mirror_partner(other)) == (other, one)
    assert (side(one), side(other)) == (-1, 1)


@pytest.mark.parametrize("label", ["FC", "C", "LFE", "SUB1", "", "TpC"])
def test_the_middle_and_subwoofers_have_no_partner(label: str) -> None:
    assert mirror_partner(label) is None
    assert side(label) is None


# --- compare -------------------------------------------------------------------------------------------------------


def test_the_level_of_a_subwoofer_is_read_in_its_own_band() -> None:
    assert seat_variance.level_band_hz(JOB, "FL") == (500.0, 2000.0)
    assert seat_variance.level_band_hz(JOB, "SUB1") == (30.0, 80.0)
    assert seat_variance.level_band_hz(JOB, "SUBS") == (30.0, 80.0)
    assert seat_variance.level_band_hz(JOB, "nobody") == (500.0, 2000.0)


def bass(gain: complex, seed: int = 0) -> Any:
    """A response of that gain over the whole bass, with an individual fine structure."""
    level = np.full(len(GRID_HZ), 20 * np.log10(abs(gain)))
    fine = np.random.default_rng(seed).normal(0, 3, len(GRID_HZ))
    return analysis(
        freq_hz=GRID_HZ,
        third_octave_db=level,
        view_db=level + fine,
        bass_freq_hz=BASS_HZ,
        bass=np.full(len(BASS_HZ), gain),
    )


def subs(gains: dict[tuple[str, str], complex], **more: Any) -> Analyses:
    made = arrivals(dict.fromkeys(gains, 0.01), **more)
    return Analyses(replace(item, analysis=bass(gains[item.channel, item.seat], item.seq)) for item in made)


def test_subwoofers_add_as_complex_numbers() -> None:
    gains = {("SUB1", s): 1.0 for s in ("A1", "A2", "A3")} | {
        ("SUB2", "A1"): 1.0,
        ("SUB2", "A2"): 1j,
        ("SUB2", "A3"): -0.9,
    }
    found = seat_variance.summed_subs(JOB, AS_FOUND, subs(gains))
    assert found is not None
    seats, levels = found
    at_50 = int(np.argmin(np.abs(GRID_HZ - 50)))
    assert seats == ["A1", "A2", "A3"]
    # |1 + 1| = 2, |1 + j| = √2, |1 − 0.9| = 0.1
    relative = levels[:, at_50] - levels[0, at_50] + 6.02
    assert relative == pytest.approx([6.02, 3.01, -20.0], abs=0.01)
    assert seat_variance.summed_subs(JOB, AS_FOUND, subs(gains, clock=None)) is None
    assert seat_variance.summed_subs(JOB, AS_FOUND, subs(gains, passes_delays=False)) is None
    one_seat = {place: gain for place, gain in gains.items() if place[1] == "A1"}
    assert seat_variance.summed_subs(JOB, AS_FOUND, subs(one_seat)) is None
    lacking = {place: gain for place, gain in gains.items() if place != ("SUB2", "A2")}
    fewer = seat_variance.summed_subs(JOB, AS_FOUND, subs(lacking))
    assert fewer is not None
    assert fewer[0] == ["A1", "A3"]


def test_repeatability_is_that_of_each_band() -> None:
    # Two repeats that differ by 2 dB below 80 Hz: s² = 2 dB² there, and none above.
    rows = [np.where(GRID_HZ <= 80, off, 0.0) for off in (1.0, -1.0)]
    items = [
        replace(item, seq=10 * n + k, analysis=replace(bass(1.0), third_octave_db=row))
        for n, row in enumerate(rows)
        for k, item in enumerate(arrivals({("FL", "A1"): 0.01, ("FL", "A2"): 0.01}))
    ]
    found, text = seat_variance.repeatability(JOB, (AS_FOUND,), Analyses(items))
    none, assumed = seat_variance.repeatability(JOB, (AS_FOUND,), Analyses(items[:2]))

    def ratio(band: Band) -> float:
        inside = (GRID_HZ >= band.low_hz) & (GRID_HZ <= band.high_hz)
        return found[band.label].typical_db(inside) / none[band.label].typical_db(inside)

    lowest, *others = JOB.system.bands
    assert ratio(lowest) > 2
    # The displacement shown by the lowest band, and repeats that show none.
    assert all(ratio(band) < ratio(lowest) for band in others)
    assert "2 repeated positions" in text
    assert "No position was repeated" in assumed


# --- modes of the room ---------------------------------------------------------------------------------------------


def test_axial_modes_are_half_waves_between_walls_and_their_nulls_are_narrow() -> None:
    # f = n·c/2L; a cosine of the place: −15 dB at arcsin(0.178)·4.7 m/π = 0.27 m from the middle for the first order.
    room = Room(length_m=6.4, width_m=4.7, height_m=2.6)
    places = {"M": 0.0, "N": 0.24, "P": -0.30}
    seats = tuple(
        Seat(id=s, position_m=(x, 3.2 if s == "M" else 3.9, 1.0), reference=s == "M") for s, x in places.items()
    )
    job = job_of(defined(cinema(room=room, channels=(), seats=seats)))
    c = speed_of_sound_m_s(job.system.temperature_c)
    table = modes_table(job, room)
    rows = {str(row.cells[1]): row.cells for row in table.rows}
    expected = {
        f"{walls}, order {n}": n * c / (2 * side)
        for walls, side in (("side walls", 4.7), ("front and rear wall", 6.4), ("floor and ceiling", 2.6))
        for n in range(1, 9)
        if n * c / (2 * side) <= 120.0
    }
    assert {name: cells[0] for name, cells in rows.items()} == pytest.approx(expected, abs=0.01)
    assert rows["side walls, order 1"][2] == "M, N"
    assert rows["front and rear wall, order 1"][2] == "M"
    assert rows["side walls, order 2"][2] == "none"


# --- one seat against the mean of the seats ------------------------------------------------------------------------


def heard_at(levels_db: Mapping[str, float | None], dip: tuple[str, float, float] | None = None) -> dict[str, Any]:
    """Flat responses up to 16 kHz; one seat lacks a third of an octave around a frequency by that much."""
    out = {}
    for seat, level in levels_db.items():
        curve = np.full(len(GRID_HZ), level or 0.0)
        if dip is not None and seat == dip[0]:
            curve = curve + dip[2] * (np.abs(np.log2(GRID_HZ / dip[1])) < 0.2)
        direct = 10 ** ((level or 0.0) / 20) * np.eye(1, DIRECT_FRAMES, round(DIRECT_BEFORE_S * DIRECT_RATE_HZ))[0]
        out[seat] = analysis(freq_hz=GRID_HZ, third_octave_db=curve, view_db=curve, level_db=level, direct=direct)
    return out


CHANNELS = {c.id: c for c in JOB.system.channels}


def test_a_seat_is_compared_with_the_mean_of_those_that_count() -> None:
    levels = {"A1": 1.0, "A2": 2.0, "A3": 3.0, "B1": 12.0}
    found = seats_result._spreads(CHANNELS["FL"], heard_at(levels), {"A1", "A2", "A3"})
    assert {s: each.level_db for s, each in found.items()} == pytest.approx({"A1": -1, "A2": 0, "A3": 1, "B1": 10})
    # The direct sound against the mean of the others: 1 − (2 + 3)/2.
    assert {s: each.direct_db for s, each in found.items()} == pytest.approx(
        {"A1": -1.5, "A2": 0, "A3": 1.5, "B1": 10}
    )
    assert {s: each.counts for s, each in found.items()} == {"A1": True, "A2": True, "A3": True, "B1": False}
    assert {s: each.seats for s, each in found.items()} == {"A1": (3, 2), "A2": (3, 2), "A3": (3, 2), "B1": (3, 3)}
    assert np.isnan([each.null_db for each in found.values()]).all()
    # A seat without a level does not count, and fewer than three that do are no mean.
    lacking = seats_result._spreads(CHANNELS["FL"], heard_at({**levels, "A3": None}), set(levels))
    assert lacking["B1"].level_db == pytest.approx(7.0)  # minus (1 + 2 + 12)/3
    assert lacking["B1"].seats[0] == 3
    assert np.isnan(lacking["A3"].level_db)
    for counted in ({"A1", "A2"}, {"A1", "A2", "C9"}):
        few = seats_result._spreads(CHANNELS["FL"], heard_at(levels), counted)
        assert np.isnan([each.level_db for each in few.values()]).all()
        assert {s: each.direct_db for s, each in few.items()} == pytest.approx(
            {"A1": -1, "A2": 1, "A3": 1.5, "B1": 10.5}
        )
        assert seats_result._spreads(CHANNELS["SUB1"], heard_at(levels), counted) == {}
    assert seats_result._minus_mean({"A1": 1.0, "A2": float("nan"), "A3": 3.0}, {"A1", "A2", "A3"}) == ({}, 0)


@pytest.mark.parametrize(("at_hz", "seen"), [(33.0, True), (66.0, True), (160.0, False)])
def test_a_subwoofer_s_null_is_found_against_the_mean_of_the_seats(at_hz: float, seen: bool) -> None:
    # 20 dB at one of four seats pulls their mean down by 5 dB.
    row = heard_at({"A1": 0.0, "A2": 0.0, "A3": 0.0, "B1": 0.0}, ("A3", at_hz, -20.0))
    found = seats_result._spreads(CHANNELS["SUB1"], row, set(row))
    assert found["A3"].null_db == pytest.approx(-15.0 if seen else 0.0, abs=0.1)
    assert not seen or found["A3"].null_hz == pytest.approx(at_hz, rel=0.015)  # half a step of the grid
    assert found["A1"].null_db >= -0.1
    assert {(each.seats, each.counts) for each in found.values()} == {((4, 4), True)}
    assert np.isnan([each.direct_db for each in found.values()]).all()


def test_every_channel_of_a_sound_room_is_alike_to_its_partner() -> None:
    room = SoundRoom(uneven_db=0.5)
    found = seats_result.solve(room.job(), AS_FOUND, room.analyses()).polarity
    for channel in ("FL", "SiR", "TpBL", "SUB1"):
        assert found[channel].state == "alike"
        relation = found[channel].relation
        assert relation is not None
        assert (relation.sign, relation.agree, relation.seats) == (1, 6, 6)
        assert found[channel].others[0] in (mirror_partner(channel), "SUB2")
    # FC has no partner: it is of the same model as both of the front pair.
    assert found["FC"].state == "alike"
    assert set(found["FC"].others) == {"FL", "FR"}


def test_two_channels_alike_at_the_only_seat_they_share_are_one_loudspeaker() -> None:
    rng = np.random.default_rng(5)
    one = rng.normal(0, 3, len(GRID_HZ))
    rows = {("FL", s): rng.normal(0, 3, len(GRID_HZ)) for s in ("A1", "A2", "A3")}
    rows |= {("FL", "A1"): one, ("FR", "A1"): one}

    def mistakes() -> list[tuple[str, ...]]:
        made = arrivals(dict.fromkeys(rows, 0.01))
        items = [replace(item, analysis=replace(bass(1.0), view_db=rows[item.channel, item.seat])) for item in made]
        return [each.channels for each in same_recording(JOB, AS_FOUND, Analyses(items))]

    assert mistakes() == []  # at every common seat: the wiring, not exchanged files
    rows |= {("FR", s): rng.normal(0, 3, len(GRID_HZ)) for s in ("A2", "A3")}
    assert mistakes() == [("FL", "FR")]


# --- words and reasons ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (Explanation(kind="loudspeakers", channels=(0, 2)), "FL and FC connected to each other's outputs"),
        (Explanation(kind="seats", seats=(0, 1)), "the recordings of A1 and A2 exchanged"),
        (Explanation(kind="not-moved", seats=(0, 1)), "the recordings of A1 made at A2"),
        (Explanation(kind="moved-early", channels=(1, 2), seats=(0, 1)), "FR and FC of A1 made at A2"),
        (
            Explanation(kind="exchanged-at-seat", channels=(0, 1), seats=(1,)),
            "the files of FL and FR exchanged at A2",
        ),
        (Explanation(kind="delay", channels=(1,)), "a wrong delay of FR"),
        (Explanation(kind="clock", seats=(1,)), "a different clock at A2"),
    ],
)
def test_explanations_in_words(found: Explanation, words: str) -> None:
    assert in_words(found, ["FL", "FR", "FC"], ["A1", "A2"]) == words


def visits(then: Any = None, now: Any = None, trims_db: tuple[float, float] | None = None) -> Any:
    """Two visits to the invented cinema; a subwoofer's trim then and now."""
    figures = {} if trims_db is None else {("trim_db", "SUB1"): SimpleNamespace(value=trims_db[0])}
    job = job_of(defined(cinema()), *([] if trims_db is None else [setting("SUB1", trim_db=trims_db[1])]))
    return SimpleNamespace(
        then=then or cinema(),
        now=now or cinema(),
        job=job,
        round=AS_FOUND,
        figure=lambda quantity, channel: figures.get((quantity, channel)),
    )


def test_a_distance_typed_in_another_unit_differs_by_half_of_the_coarser_step() -> None:
    """0.1 ft is 30.48 mm, more than 30 mm."""
    feet, metres = (
        cinema(processor=Processor(delay=DelayRange(unit=unit, step=step_)))  # type: ignore[arg-type]
        for unit, step_ in (("ft", 0.1), ("m", 0.03))
    )
    assert drift_visits.coarser_step(visits(then=feet, now=metres)) == pytest.approx(0.01524)
    assert drift_visits.coarser_step(visits(then=metres, now=metres)) == 0.0


@pytest.mark.parametrize(("seats", "least"), [(1, None), (2, 9.0), (3, 7.0)])
def test_a_common_sound_at_an_unexpected_lag_must_be_further_above_chance(seats: int, least: float | None) -> None:
    """5 times at an expected lag; a single seat allows no other lag. Every seat must have 0.3 of the mean."""

    def found(expected: float, other: float, weakest: float = 0.4, alike: float = 0.4) -> SharedSound | None:
        first, second = (
            SharedSound(lag_s=0.0, alike=alike, ratio=ratio, by_seat=(alike,) * (seats - 1) + (weakest,))
            for ratio in (expected, other)
        )
        return _Pair(seats=np.arange(seats), expected=first, any_lag=second).found

    assert found(5.1, 1.0) is not None and found(4.9, 1.0) is None
    if least is None:
        assert found(1.0, 1e6) is None
    else:
        assert found(1.0, least + 0.1) is not None and found(1.0, least - 0.1) is None
    assert found(5.1, 1.0, weakest=0.13) is not None and found(5.1, 1.0, weakest=0.11) is None
    assert found(5.1, 1.0, alike=0.91) is None  # one recording under two names


def test_the_placing_of_the_microphone_makes_the_variance_of_seats_uncertain() -> None:
    """2·sd·u/√(seats · third octaves): 20 to 80 Hz are six third octaves, √24 for four seats that count."""
    freq_hz = np.geomspace(20.0, 80.0, 13)
    room: Any = SimpleNamespace(freq_hz=freq_hz, seat_share=np.array([0.25, 0.25, 0.25, 0.25, 0.0]))
    u_db = np.sqrt(np.mean(placement_u_db(freq_hz) ** 2))
    assert _measurement_u_db2(room, 3.0) == pytest.approx(6.0 * u_db / np.sqrt(24))


def over(*seats: str, channel: str = "FL", heard_hz: tuple[float, float] | None = None) -> EarlierFigure:
    return EarlierFigure(quantity="spread", channel=channel, value=1.0, over=seats, heard_hz=heard_hz)


def changed_seat(**fields: Any) -> Any:
    system = cinema()
    return replace(system, seats=tuple(replace(s, **fields) if s.id == "A1" else s for s in system.seats))


def test_why_a_spread_over_seats_is_not_compared() -> None:
    both = over("A1", "A2"), over("A1", "A2")
    why = drift_visits._why_other_seats
    assert why(visits(), *both) is None
    assert why(visits(), over("A1"), over("A1", "A2")) == drift_visits.OTHER_SEATS
    assert why(visits(), over(), over("A1", "A2")) is None  # an older file without names of seats
    moved = visits(then=changed_seat(position_m=(-0.74, 3.30, 1.10)))
    assert why(moved, *both) == "seat A1 is 0.06 m from where it was"
    assert why(moved, over("A2", "A3"), over("A2", "A3")) is None
    assert why(visits(then=changed_seat(position_m=(-0.76, 3.30, 1.10))), *both) is None
    assert why(visits(now=changed_seat(weight=2.0)), *both) == drift_visits.WEIGHTS
    system = cinema()
    crossed = replace(
        system, channels=tuple(replace(c, high_pass_hz=80.0) if c.id == "FL" else c for c in system.channels)
    )
    assert why(visits(now=crossed), *both) == drift_visits.OTHER_CROSSOVER
    # A loudspeaker near the edge of the band: another mode counts, which alone changes the differences between seats.
    from_36, from_43, from_37 = (over("A1", heard_hz=(low_hz, 80.0)) for low_hz in (36.0, 43.0, 37.0))
    assert why(visits(), from_36, from_43) == drift_visits.OTHER_RANGE
    assert why(visits(), from_36, from_37) is None
    assert why(visits(), from_36, over("A1")) is None  # an older file without the range
    subs = over("A1", "A2", channel="SUBS"), over("A1", "A2", channel="SUBS")
    assert why(visits(trims_db=(-3.0, -3.0)), *subs) is None
    assert why(visits(trims_db=(-3.0, -2.5)), *subs) == drift_visits.SUBS_SET
    assert why(visits(trims_db=(-3.0, -2.5)), *both) is None  # main channels are not concerned


# --- levels, reflections, references -------------------------------------------------------------------------------


def test_a_level_without_a_seat_was_read_at_the_reference_seat() -> None:
    bodies = [
        reading("levels", "level", 71.0, "dB", channel="FL", seat=None),
        reading("levels", "level", 73.0, "dB", channel="FL", seat="A2"),
        reading("levels", "level", 60.0, "dB", channel="FL", seat="B1"),
        reading("levels", "noise", 30.0, "dB", channel="FL", seat="A2"),
        reading("levels", "level", 75.0, "dB", channel="nobody", seat="A2"),
    ]
    found = levels_result._read(job_of(defined(cinema()), *bodies), AS_FOUND)
    assert found["FL"] == {"A2": [71.0, 73.0], "B1": [60.0]}
    assert set(found) == set(CHANNELS)
    assert not any(found[c] for c in CHANNELS if c != "FL")


def test_a_level_is_typed_in_the_range_of_a_cinema() -> None:
    # From a quiet reference of 60 dB up to the 105 dB that a cinema's channel reaches (SMPTE RP 200, from memory).
    prompts = [task for task in step("levels").plan(JOB, AS_FOUND) if isinstance(task, Prompt)]
    assert len(prompts) >= len(CHANNELS)
    assert all(each.expected is not None and each.expected[0] <= 60 and each.expected[1] >= 105 for each in prompts)


def test_where_no_reflection_was_found_it_is_below_what_is_looked_for() -> None:
    def early(found: dict[str, tuple[tuple[float, float], ...] | None]) -> Any:
        cells = {
            ("FL", s): SimpleNamespace(analysis=None if each == () else analysis(reflections=each or ()))
            for s, each in found.items()
        }
        made: Any = SimpleNamespace(cells=cells)
        return early_reflections(made)

    assert pytest.approx(LEAST_DB) == early({"A1": None, "A2": None})["FL"].middle_db
    found = early(
        {"A1": ((0.0005, -1.0), (0.002, -6.0), (0.004, -9.0)), "A2": None, "A3": ((0.001, -12.0),), "B1": ()}
    )
    assert (found["FL"].middle_db, found["FL"].seats) == (-12.0, 3)
    assert found["FL"].strongest == (-6.0, "A1", 0.002)  # 0.5 ms: the loudspeaker's own


@pytest.mark.parametrize(
    ("full_scale", "pressure", "spoilt"), [(1, 1, "pressure"), (1, 2, "full scale"), (2, 1, "pressure")]
)
def test_responses_of_the_rarer_reference_are_spoilt(full_scale: int, pressure: int, spoilt: str) -> None:
    references = [FULL_SCALE] * full_scale + [SOUND_PRESSURE] * pressure
    made = arrivals({("FL", s): 0.01 for s in ("A1", "A2", "A3")[: len(references)]})
    items = [
        replace(item, analysis=replace(item.analysis, reference=reference))
        for item, reference in zip(made, references, strict=True)
        if item.analysis is not None
    ]
    (mistake,) = mixed_references(JOB, AS_FOUND, Analyses(items))
    wrong = FULL_SCALE if spoilt == "full scale" else SOUND_PRESSURE
    expected = {s for s, r in zip(("A1", "A2", "A3"), references, strict=False) if r == wrong}
    assert (mistake.kind, mistake.channels, set(mistake.seats)) == ("reference", ("FL",), expected)
    assert {item.seq for item in items if item.seat in expected} == set(mistake.usable)
    assert mixed_references(JOB, AS_FOUND, Analyses(items[:1])) == ()


def test_a_spoilt_recording_of_a_subwoofer_leaves_no_delay_to_type_in() -> None:
    room = SoundRoom(cinema(["FL", "FR", "SUB1", "SUB2"], ["A1", "A2", "A3"]))
    room.change("SUB1", ["A2"], clipped=True).change("SUB2", ["A1"], clipped=True)
    job, heard = room.job(), room.analyses()
    assert "clipped" in (settings_sheet._spoiling_mistake(job, AS_FOUND, "SUB1", heard) or "")
    assert settings_sheet._spoiling_mistake(job, AS_FOUND, "SUB2", heard) is None  # it is whole at the reference seat
    assert (
        settings_sheet._spoiling_mistake(job, AS_FOUND, "SUB1", room.drop("SUB1").analyses()) is None
    )  # nothing was recorded


def test_the_budget_of_a_variance_holds_every_part_of_it() -> None:
    # JCGM 100 equation (10): squares add up, whatever their sizes in dB and dB².
    for size in (0.01, 0.3, 2.0):
        parts = VarianceParts(1 * size, 2 * size, 3 * size, 4 * size)
        made = variance_budget("compare.heard.low", "FL", parts, Repeatability(0.3, 0.2, dof=60.0))
        assert [each.part for each in made.contributions] == pytest.approx([size, 2 * size, 3 * size, 4 * size])
        assert made.u == pytest.approx(size * 30**0.5)
        assert all(each.basis and each.source for each in made.contributions)
    none = variance_budget("compare.heard.low", "FL", VarianceParts(0.0, 0.0, 0.0, 0.5), Repeatability(0.3))
    assert [each.part for each in none.contributions] == [0.5]


# --- the majority of several subwoofers ----------------------------------------------------------------------------


def sub_states(
    *opposite: tuple[str, str], unknown: tuple[tuple[str, str], ...] = (), subs: str = "abc"
) -> dict[str, Any]:
    """Subwoofer → (state, others), from which of them are opposite; all other pairs agree but for what is not known."""
    related = {
        (one, other): Relation(
            sign=None
            if {(one, other), (other, one)} & set(unknown)
            else -1
            if {(one, other), (other, one)} & set(opposite)
            else 1,
            correlation=0.9,
            agree=4,
            seats=4,
            confidence=0.9,
        )
        for one in subs
        for other in subs
        if one != other
    }
    made: Any = object.__new__(polarity.PolarityComparison)
    found = {c: made._sub(c, list(subs), related, False) for c in subs}
    return {c: (each.state, each.others) for c, each in found.items()}


@pytest.mark.parametrize(
    ("seats", "phase_rad", "state"), [(1, 0.2, "reversed"), (1, 0.4, "unknown"), (2, 0.4, "reversed")]
)
def test_at_one_seat_a_centre_is_reversed_only_beside_loudspeakers_of_its_model(
    seats: int, phase_rad: float, state: str
) -> None:
    opposite = Relation(
        sign=-1,
        correlation=-0.76,
        agree=seats,
        seats=seats,
        weakest_octave=0.6,
        phase_rad=phase_rad,
        unlike_db=2.0,
        confidence=0.9,
    )
    made: Any = object.__new__(polarity.PolarityComparison)
    made._job, made._round, made._left_out, made._through_processor = JOB, "as-found", {}, {}
    made._relation = lambda one, other: opposite
    made._agrees_with_any = lambda channel, agreeing: True
    assert made._single("FC", [("FL", "FR")]).state == state


def test_a_surround_whose_partner_sounds_from_elsewhere_is_not_compared_with_another_model() -> None:
    """Only that partner is of its model."""
    opposite = Relation(
        sign=-1, correlation=-0.95, agree=4, seats=4, weakest_octave=0.9, phase_rad=0.1, unlike_db=1.0, confidence=0.9
    )
    made: Any = object.__new__(polarity.PolarityComparison)
    made._job, made._round, made._through_processor = JOB, "as-found", {}
    made._relation = lambda one, other: opposite
    for left_out, state in (({}, "reversed"), ({"SiR": "sounds from BR"}, "unknown")):
        made._left_out = left_out
        assert made._single("SiL", [("FL", "FR")]).state == state


def test_a_dip_that_hides_the_split_beside_a_third_counts_beside_the_partner() -> None:
    pair = Relation(sign=None, correlation=0.83, agree=5, seats=5, split_hz=1700.0, dip=1, dip_db=17.0, lead_db=9.0)
    alike = Relation(sign=1, correlation=0.68, agree=5, seats=5)
    odd = Relation(sign=None, correlation=0.41, agree=3, seats=5, changes_sign=True)
    assert polarity._differs_alike(pair, [alike, odd], 1)
    assert not polarity._differs_alike(replace(pair, dip=0), [alike, odd], 1)  # the other one has the dip
    assert not polarity._differs_alike(replace(pair, dip_db=5.0), [alike, odd], 1)
    assert not polarity._differs_alike(pair, [alike, replace(odd, changes_sign=False)], 1)  # only unlike
    surely = replace(alike, correlation=0.9)
    assert polarity._differs_alike(replace(pair, dip=0), [surely, odd], 1)
    assert not polarity._differs_alike(replace(pair, split_hz=None), [surely, odd], 1)


def _odd_of_tops(of_pair: Relation, by_third: dict[str, Relation]) -> dict[str, tuple[str, ...]]:
    """Which of TpFL and TpFR others show to be the odd one; `by_third`: relations to TpFL, and opposite ones to TpFR."""
    made: Any = object.__new__(polarity.PolarityComparison)
    made._role = lambda channel: "height" if channel.startswith("Tp") else "surround"
    opposite = {c: replace(each, sign=-(each.sign or 0)) for c, each in by_third.items()}
    table = {"TpFL": by_third, "TpFR": {"TpFL": of_pair} | opposite}
    made._relation = lambda one, other: of_pair if other == "TpFR" else table[one][other]
    return made._thirds(
        ("TpFL", "TpFR"), ["TpFL", "TpFR", "TpBL", "TpBR", "SiL", "SiR"], [("TpBL", "TpBR"), ("SiL", "SiR")]
    )


def test_a_pair_of_another_role_must_be_more_alike_to_show_which_one_is_reversed() -> None:
    third = Relation(sign=1, correlation=0.65, agree=4, seats=4, weakest_octave=0.45, phase_rad=0.45, unlike_db=2.9)
    close = replace(third, weakest_octave=0.55, phase_rad=0.25)
    unlike = replace(third, correlation=0.1)
    others = {"TpBL": unlike, "TpBR": unlike, "SiL": unlike, "SiR": unlike}
    pair = Relation(sign=-1, correlation=-0.9, agree=4, seats=4)
    assert _odd_of_tops(pair, others | {"TpBL": third}) == {"TpFR": ("TpBL",)}
    assert _odd_of_tops(pair, others | {"SiL": third}) == {}
    assert _odd_of_tops(pair, others | {"SiL": close}) == {"TpFR": ("SiL",)}
    split = replace(pair, sign=None, split_hz=1200.0)
    assert (
        _odd_of_tops(split, others | {"SiL": close}) == {}
    )  # another model may resemble the one with the reversed driver


def test_a_third_like_both_of_a_pair_with_a_split_decides_nothing() -> None:
    made: Any = object.__new__(polarity.PolarityComparison)
    alike = Relation(sign=1, correlation=0.9, agree=4, seats=4, weakest_octave=0.8, phase_rad=0.1)
    split = Relation(sign=None, correlation=0.9, agree=4, seats=4, split_hz=1200.0)
    made._role = lambda channel: "screen"
    made._relation = lambda one, other: split if other == "FR" else alike
    assert made._thirds(("FL", "FR"), ["FL", "FR", "FC"], []) == {}


def test_the_majority_of_the_subwoofers_is_right() -> None:
    assert sub_states() == {"a": ("alike", ("b", "c")), "b": ("alike", ("a", "c")), "c": ("alike", ("a", "b"))}
    assert sub_states(("a", "b"), ("a", "c")) == {
        "a": ("reversed", ("b", "c")),
        "b": ("alike", ("c",)),
        "c": ("alike", ("b",)),
    }
    assert sub_states(("a", "b"), subs="ab") == {"a": ("one of two", ("b",)), "b": ("one of two", ("a",))}
    # Two against two decide nothing.
    two = sub_states(("a", "c"), ("a", "d"), ("b", "c"), ("b", "d"), subs="abcd")
    assert {state for state, _ in two.values()} == {"unknown"}
    # a and c cannot be compared, but both are opposite to b: b is the odd one.
    apart = sub_states(("a", "b"), ("b", "c"), unknown=(("a", "c"),))
    assert apart == {"a": ("alike", ("b",)), "b": ("reversed", ("a", "c")), "c": ("alike", ("b",))}
    nothing = sub_states(unknown=(("a", "b"), ("a", "c"), ("b", "c")))
    assert {state for state, _ in nothing.values()} == {"unknown"}


def test_without_the_level_of_a_seat_its_evenness_of_tone_is_unknown() -> None:
    """A response with a gap in the level band: its levels as heard in other bands are known."""
    room = SoundRoom(cinema(("FL", "FC", "FR"), ("A1", "A2")))
    gap = np.where(np.abs(np.log2(GRID_HZ / 1000)) < 0.1, np.nan, room.items["FL", "A1"].third_octave_db)
    room.change("FL", ["A1"], third_octave_db=gap)
    found = seat_variance.variance_of_round(room.job(), AS_FOUND, room.analyses())
    assert not found["FL"][seat_variance.TONE] and found["FL"][seat_variance.HEARD]
    assert found["FC"][seat_variance.TONE].keys() == found["FC"][seat_variance.HEARD].keys()


@pytest.mark.parametrize(("above_db", "known", "noisy"), [(9.0, 3, True), (11.0, 3, False), (9.0, 0, False)])
def test_noise_covers_a_main_below_the_crossover_where_it_is_known(above_db: float, known: int, noisy: bool) -> None:
    """10 dB are required; noise is known at some frequencies of the octave below 80 Hz, or at none."""
    inside = np.flatnonzero((GRID_HZ >= 36) & (GRID_HZ <= 52))
    noise_db = np.full(len(GRID_HZ), np.nan)
    noise_db[inside[:known]] = -above_db
    one: Any = SimpleNamespace(third_octave_db=np.zeros(len(GRID_HZ)), noise_db=noise_db)
    unknown: Any = SimpleNamespace(third_octave_db=np.zeros(len(GRID_HZ)), noise_db=None)
    assert crossover._is_noisy_below([one, None, unknown], 80.0) is noisy
