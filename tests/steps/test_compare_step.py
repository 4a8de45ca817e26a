"""Before and after: verdicts only beyond the repeatability, tone and level compared separately, only data of both
rounds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import product
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from builders import cinema, defined, job_of
from sound_room import SoundRoom, stored

from commission.dsp.repeatability import Repeat, correlation, default_repeatability, placement_u_db
from commission.dsp.spectrum import GRID_HZ
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    SOUND_PRESSURE,
    AnalysedResponse,
    Analyses,
    Channel,
    FloatArray,
    Job,
    Seat,
    System,
    Verdict,
)
from commission.model.formatting import number
from commission.steps import compare
from commission.steps.compare import CompareResult
from commission.steps.compare.result import _with_coverage
from commission.steps.shared import seat_variance

FEW = ("FL", "FC", "FR", "SiL", "SUB1", "SUB2")


def few() -> SoundRoom:
    """A sound room of the few channels that the comparison of a single channel needs."""
    return SoundRoom(cinema(FEW))


def job_with(system: System, *items: list[AnalysedResponse]) -> Job:
    """The job whose log holds these responses."""
    return job_of(defined(system), *(body for each in items for body in stored(each)))


def both(before: SoundRoom, after: SoundRoom, *more: list[AnalysedResponse]) -> tuple[Job, Analyses]:
    items = [before.analysed(AS_FOUND, 1000), after.analysed(AS_LEFT, 2000), *more]
    return job_with(before.system, *items), Analyses([a for each in items for a in each])


def compared(before: SoundRoom, after: SoundRoom) -> CompareResult:
    return compare.solve(*both(before, after))


@cache
def unchanged() -> tuple[Job, Analyses]:
    """A few channels in two rounds of the same room."""
    return both(few(), few())


def words(result: CompareResult, channel: str, kind: str) -> dict[str, str]:
    return {label: change.word for label, change in result.channels[channel].bands[kind].items()}


def _pattern_db(scale_db: float, freq_hz: FloatArray) -> FloatArray:
    return scale_db * np.sin(2 * np.log2(freq_hz / 50))


def wobble(room: SoundRoom, channel: str, db: float) -> SoundRoom:
    """Make the seats differ in tone from 80 Hz up, by a pattern that grows from seat to seat."""
    for i, seat in enumerate(s.id for s in room.system.seats):
        room.add_db(channel, partial(_pattern_db, db * (i - 2.5)), [seat], above_hz=80)
    return room


def test_the_overview_counts_the_words_of_the_table_and_shares_make_a_whole() -> None:
    room = cinema(["FL", "FR", "FC"])
    job, analyses = both(wobble(SoundRoom(room), "FL", 2.0), wobble(SoundRoom(room), "FR", 2.0))
    outcome = compare.evaluate(job, AS_LEFT, analyses)
    tables = {table.id: table for table in outcome.tables}
    place = [column.key for column in tables["compare:tone"].columns].index("word")
    results = [row.cells[place] for row in tables["compare:tone"].rows]
    better, worse, same = (results.count(word) for word in ("better", "worse", "no real change"))
    assert better > 0 and worse > 0 and better + worse + same == len(results)
    assert outcome.main_result == f"evenness of tone: {better} better, {worse} worse, {same} unchanged"
    result = compare.solve(job, analyses)
    factors = {
        number(c.k, 1) for each in result.channels.values() for band in each.bands.values() for c in band.values()
    }
    span = f"{min(factors)} to {max(factors)}" if len(factors) > 1 else factors.pop()
    assert any(f"its U = k u, with k = {span}. The more values" in remark for remark in outcome.remarks)
    for row in tables["compare:uncertainty"].rows:
        assert sum(share for share in row.cells[3:-1] if isinstance(share, float)) == pytest.approx(100)
    for curve in outcome.curves:
        assert [(each.name, each.kind) for each in curve.series] == [("as-found", "other"), ("as-left", "main")]
    seat, left = next(c for c in outcome.curves if c.id == "compare:FL:B2"), result.channels["FL"]
    for series, levels in zip(seat.series, left.levels, strict=True):
        assert np.array_equal(series.y, levels[left.seats.index("B2")], equal_nan=True)


def test_it_waits_for_a_second_round() -> None:
    room = few()
    job = job_with(room.system, room.analysed())
    outcome = compare.evaluate(job, AS_FOUND, room.analyses())
    assert outcome.checks == ()
    assert "as left" in outcome.remarks[0]
    assert outcome.main_result == "needs a round as left"
    assert compare.evaluate(job_of(defined(cinema(FEW))), AS_FOUND, Analyses()).main_result == ""
    nothing = CompareResult(rounds=(AS_FOUND, AS_LEFT), channels={}, left_out=(), u_db={}, u_from="")
    assert compare._main_result(nothing) == "" and compare._coverage([]) == ()
    by_settings: Any = SimpleNamespace(sheet=None)
    assert compare._basis(by_settings) == "Settings: as entered in both rounds."


def test_nothing_changed_is_no_real_change_everywhere() -> None:
    result = compare.solve(*unchanged())
    found = {
        word for c in result.channels for kind in seat_variance.KINDS for word in words(result, c, kind).values()
    }
    assert found == {"no real change"}
    assert set(result.channels) == {c.id for c in cinema(FEW).channels} | {"SUBS"}


def test_bands_that_a_loudspeaker_plays_in_part_are_named() -> None:
    """More than a sixth of an octave inside a band of 20 to 80 Hz, by half a grid point: 22.8 and 70.2 Hz."""

    def heard(*range_hz: float) -> Any:
        return SimpleNamespace(bands={"tone": {"20-80": SimpleNamespace(after=SimpleNamespace(heard_hz=range_hz))}})

    result: Any = SimpleNamespace(channels={"FL": heard(23, 80), "FC": heard(22, 72), "FR": heard(20, 70)})
    (line,) = compare._partial_band_remarks(result)
    assert line.endswith("within the range of each loudspeaker: FL from 23, FR to 70 Hz.")


def test_rises_that_stay_unseen_are_stated_by_band_and_channel(monkeypatch: pytest.MonkeyPatch) -> None:
    # s² − s₀² = U + 1.645 u, beyond U at a risk of 5 %, with u of the second round as s. Stated beyond a threshold, here
    # one that half of them exceed, so that both sides count.
    job, analyses = unchanged()
    rises: dict[str, dict[str, float]] = {}
    for name, each in compare.solve(job, analyses).channels.items():
        for label, change in (item for kind in each.bands.values() for item in kind.items()):
            rise_db, before_db = change.detectable_db, max(change.before.sd_db, math.sqrt(change.u_db2))
            after_db = before_db + rise_db
            seen_db2 = (change.k + 1.645) * change.u_db2 * math.hypot(1, after_db / before_db) / math.sqrt(2)
            assert after_db**2 - before_db**2 == pytest.approx(seen_db2)
            rises.setdefault(label, {})[name] = max(rises.get(label, {}).get(name, 0.0), rise_db)
    threshold_db = float(np.median([rise for own in rises.values() for rise in own.values()]))
    monkeypatch.setattr(compare, "SEEN_DB", threshold_db)
    remarks = compare.evaluate(job, AS_LEFT, analyses).remarks
    (remark,) = (text for text in remarks if "a rise of the standard deviation by" in text)
    for label, own in rises.items():
        names = [name for name, rise in own.items() if rise > threshold_db]
        stated = f"{number(max(own.values()), 1)} dB at {label} Hz ({', '.join(names)})"
        assert (stated in remark) == bool(names)


def test_every_row_carries_its_check() -> None:
    job, analyses = unchanged()
    outcome = compare.evaluate(job, AS_LEFT, analyses)
    rows = [row for table in outcome.tables for row in table.rows]
    assert {id(row.check) for row in rows} == {id(check) for check in outcome.checks}
    for row in rows:
        assert row.check is not None
        assert row.key == f"{row.check.channel}:{row.check.id.rsplit('.', 1)[-1]}"
        assert row.check.limit is not None
        assert row.check.limit.high is not None
        assert "U = k u" in row.check.limit.basis


def test_a_level_change_is_no_change_of_anything() -> None:
    before, after = few(), few().add_db("FL", 7.0)
    change = compared(before, after).channels["FL"].bands
    for kind in seat_variance.KINDS:
        for each in change[kind].values():
            assert each.change_db2 == pytest.approx(0, abs=1e-6)


def test_better_and_worse_by_the_sign_of_the_change() -> None:
    uneven = wobble(few(), "FL", 2.0)
    assert words(compared(uneven, few()), "FL", "tone")["300-3000"] == "better"
    assert words(compared(few(), uneven), "FL", "tone")["300-3000"] == "worse"
    assert words(compared(few(), uneven), "FL", "heard")["20-80"] == "no real change"  # it begins at 80 Hz
    assert words(compared(few(), uneven), "FC", "tone")["300-3000"] == "no real change"


def test_the_seats_levels_change_what_is_heard_and_not_the_tone() -> None:
    spread = few()
    for i, seat in enumerate(s.id for s in spread.system.seats):
        spread.add_db("FL", 1.6 * (i - 2.5), [seat])  # steps of 1.6 dB: too small for a changed gain
    result = compared(few(), spread)
    assert set(words(result, "FL", "heard").values()) == {"worse"}
    assert set(words(result, "FL", "tone").values()) == {"no real change"}


def test_msv_is_numpys_variance_less_the_repeatability() -> None:
    room = few()
    job, analyses = both(room, few())
    found = compare.solve(job, analyses).channels["FC"].bands["heard"]["300-3000"].before
    inside = (GRID_HZ >= 300) & (GRID_HZ <= 3000)
    levels = np.array([room.items[("FC", s.id)].third_octave_db for s in room.system.seats])[:, inside]
    # Gain ±0.1 dB, and the microphone within 5 cm: below 500 Hz more where a seat is below the seats' mean.
    default = default_repeatability(GRID_HZ)
    u_db = default.place_u_db(np.array([room.items[("FC", s.id)].third_octave_db for s in room.system.seats]))
    expected = np.mean(np.var(levels, axis=0)) - np.mean(u_db[:, inside] ** 2 + 0.06**2) * 5 / 6
    assert found.msv_db2 == pytest.approx(max(float(expected), 0.0))
    apart = levels - levels.mean(axis=0)
    rms = np.sqrt(np.mean(apart**2, axis=1))
    assert found.worst_seat == room.system.seats[int(np.argmax(rms))].id
    assert found.worst_db == pytest.approx(float(rms.max()))


def test_a_subwoofer_is_not_judged_above_its_band_and_it_is_said() -> None:
    result = compare.solve(*unchanged())
    assert set(result.channels["SUB1"].bands["heard"]) == {"20-80", "80-300"}
    assert result.channels["SUB1"].bands["heard"]["80-300"].after.heard_hz[1] < 250
    assert any("300-3000 Hz of SUB1, SUB2, SUBS" in text for text in result.left_out)


def test_the_summed_subs_are_the_complex_sum() -> None:
    # Two equal sources in phase: 20·lg 2 = 6.02 dB above one; half a period apart they cancel.
    room = few()
    for seat in [s.id for s in room.system.seats]:
        room.items[("SUB2", seat)] = room.items[("SUB1", seat)]
    result = compared(room, room)
    at_40 = int(np.argmin(np.abs(GRID_HZ - 40)))
    one, both_ = (result.channels[c].levels[0][0, at_40] for c in ("SUB1", "SUBS"))
    assert both_ - one == pytest.approx(6.02, abs=0.1)  # third octaves on 1 Hz bins against a smooth curve
    opposed = few()
    for seat in [s.id for s in room.system.seats]:
        a = room.items[("SUB1", seat)]
        assert a.bass is not None
        opposed.items[("SUB1", seat)] = a
        opposed.items[("SUB2", seat)] = replace(a, bass=-0.9 * a.bass)
    quiet = compared(opposed, opposed).channels["SUBS"].levels[0][0, at_40]
    assert quiet - one == pytest.approx(-20.0, abs=0.1)


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda room: setattr(room, "clock", None), "share no clock"),
        (lambda room: setattr(room, "passes_delays", False), "measured past the processor's delays"),
        (lambda room: room.change("SUB2", bass=None), "no phase"),
        (lambda room: room.change("SUB2", clipped=True), "clipped"),
        (lambda room: room.drop("SUB2", ["A1", "A2", "A3", "B1", "B2"]), "not every subwoofer was measured"),
    ],
)
def test_subs_that_cannot_be_summed_are_left_out_with_the_reason(spoil: object, reason: str) -> None:
    before, after = few(), few()
    spoil(before)  # type: ignore[operator]
    result = compared(before, after)
    assert "SUBS" not in result.channels
    assert any(text.startswith("as-found: SUBS at ") and reason in text for text in result.left_out)
    assert "SUBS: only in as-left" in result.left_out


def test_subs_without_a_clock_are_taken_from_their_group() -> None:
    system = cinema(FEW)
    group = Channel(id="LFE", name="Subwoofers together", role="sub", position_m=(0.0, 0.3, 0.3))
    rooms = [SoundRoom(replace(system, channels=(*system.channels, group))) for _ in range(2)]
    summed = compared(*rooms)
    assert "LFE" not in summed.channels
    for room in rooms:
        room.clock = None
    result = compared(*rooms)
    alone = rooms[0].items[("LFE", "A1")].third_octave_db
    shown = result.channels["SUBS"].levels[0][0]
    assert shown[np.isfinite(shown)] == pytest.approx(alone[np.isfinite(shown)])
    assert "SUBS" not in " ".join(text for text in result.left_out if "clock" in text)
    rooms[1].clock = "one clock"
    mixed = compared(*rooms)
    assert "SUBS" not in mixed.channels
    assert any(text.startswith("SUBS: measured together as LFE in one round and summed") for text in mixed.left_out)


def test_only_what_both_rounds_hold_is_compared_and_the_rest_is_listed() -> None:
    before, after = few().drop("FL", ["B3"]), few().drop("FR").drop("FC", ["A2", "A3", "B1", "B2", "B3"])
    job, analyses = both(before, after)
    result = compare.solve(job, analyses)
    assert result.channels["FL"].seats == ("A1", "A2", "A3", "B1", "B2")
    assert "FL at B3: measured in one round only" in result.left_out
    assert "FR: only in as-found" in result.left_out
    assert "FC: only in as-found" in result.left_out
    assert "as-left: FC: fewer than two seats" in result.left_out
    outcome = compare.evaluate(job, AS_LEFT, analyses)
    assert (outcome.done, outcome.total) == (5, 7)
    assert all(any(text in remark for remark in outcome.remarks) for text in result.left_out)


def test_rounds_of_two_references_say_that_their_levels_are_not_compared() -> None:
    result = compared(few(), few().change(None, reference=SOUND_PRESSURE))
    assert any("as-left to 20 µPa (dB SPL)" in text for text in result.left_out)
    assert set(words(result, "FC", "heard").values()) == {"no real change"}  # within each round they are


def test_clipped_recordings_are_left_out_and_a_changed_gain_is_corrected() -> None:
    before = few().change("FL", ["A1"], clipped=True).add_db(None, -9, ["B2"])
    result = compared(before, few())
    assert "A1" not in result.channels["FL"].seats
    assert any("FL at A1: the recording clipped" in text for text in result.left_out)
    fc = result.channels["FC"].bands
    # The correction is known to about 0.7 dB: the simulated room's own differences between seats.
    before_db, after_db = (
        each.deviations_db["B2"] for each in (fc["heard"]["300-3000"].before, fc["heard"]["300-3000"].after)
    )
    assert before_db == pytest.approx(after_db, abs=1.5)
    sources = [line.source for line in fc["heard"]["300-3000"].before.budget.contributions]
    assert "correction of the gain at that seat" in sources
    assert fc["heard"]["300-3000"].before.u_msv_db2 > fc["heard"]["300-3000"].after.u_msv_db2
    assert "correction of the gain at that seat" not in [
        c.source for c in fc["tone"]["300-3000"].before.budget.contributions
    ]
    assert set(words(result, "FC", "heard").values()) == {"no real change"}


def test_a_channel_low_at_every_seat_is_no_unevenness_and_a_seat_low_on_every_channel_neither() -> None:
    sound = one(few())
    low_channel = one(few().add_db("SiL", -8))
    low_seat = one(few().add_db(None, -9, ["B2"]))
    for label, before in sound["SiL"]["heard"].items():
        # The channel's own level is the same at all seats and adds nothing to the variance.
        assert low_channel["SiL"]["heard"][label].msv_db2 == pytest.approx(before.msv_db2, abs=1e-6)
    for name in ("SiL", "FC"):
        for label, before in sound[name]["tone"].items():
            assert low_seat[name]["tone"][label].msv_db2 == pytest.approx(before.msv_db2, abs=1e-6)
    # Uncorrected, 9 dB at one seat of six would add 9²·5/36 = 11 dB² to the variance as heard.
    assert low_seat["FC"]["heard"]["300-3000"].msv_db2 < sound["FC"]["heard"]["300-3000"].msv_db2 + 2


def one(room: SoundRoom) -> dict[str, dict[str, dict[str, seat_variance.BandResult]]]:
    return seat_variance.variance_of_round(job_with(room.system, room.analysed()), AS_FOUND, room.analyses())


def test_a_seat_without_weight_is_shown_as_it_was_heard() -> None:
    system = cinema(FEW)
    lighter = replace(system, seats=tuple(replace(s, weight=0.0 if s.id == "B3" else 1.0) for s in system.seats))
    level = SoundRoom(lighter)
    level.change(None, third_octave_db=np.zeros(len(GRID_HZ))).add_db(None, 70.0).add_db("FL", 4.0, ["B3"])
    shown = one(level)["FL"]["heard"]["300-3000"].deviations_db
    assert shown == pytest.approx({"A1": 0.0, "A2": 0.0, "A3": 0.0, "B1": 0.0, "B2": 0.0, "B3": 4.0})


def test_without_as_left_the_latest_two_rounds_are_compared_and_named() -> None:
    rooms = {name: few() for name in (AS_FOUND, "wiring mended", "second")}
    items = [room.analysed(name, 1000 * (i + 1)) for i, (name, room) in enumerate(rooms.items())]
    job, analyses = job_with(cinema(FEW), *items), Analyses([a for each in items for a in each])
    assert compare.rounds_to_compare(job) == ("wiring mended", "second")
    outcome = compare.evaluate(job, "second", analyses)
    assert outcome.remarks[0] == "Compared: wiring mended (before) with second (after)."
    assert "is shown in the round second" in compare.evaluate(job, AS_FOUND, analyses).remarks[0]


def test_as_left_is_compared_with_as_found_whatever_lies_between() -> None:
    items = [few().analysed(name, 1000 * (i + 1)) for i, name in enumerate((AS_FOUND, "between", AS_LEFT))]
    job = job_with(cinema(FEW), *items)
    assert compare.rounds_to_compare(job) == (AS_FOUND, AS_LEFT)
    elsewhere = compare.evaluate(job, AS_FOUND, Analyses([a for each in items for a in each]))
    assert elsewhere.remarks == ("The comparison is shown in the round as left.",)  # in words, not by its id


def repeat(
    room: SoundRoom, channel: str, seat: str, scatter_db: float | FloatArray, seed: int, round_id: str = AS_FOUND
) -> AnalysedResponse:
    first = next(a for a in room.analysed(round_id) if (a.channel, a.seat) == (channel, seat))
    assert first.analysis is not None
    # Scatter of neighbours whose third octaves overlap (`correlation` is compared with simulated rooms elsewhere).
    root = np.linalg.cholesky(correlation(np.arange(len(GRID_HZ))) + 1e-9 * np.eye(len(GRID_HZ)))
    scatter = scatter_db * (root @ np.random.default_rng(seed).normal(0, 1, len(GRID_HZ)))
    other = first.analysis.third_octave_db + scatter
    return replace(first, seq=9000 + seed, analysis=replace(first.analysis, third_octave_db=other))


def many_repeats(room: SoundRoom, scatter_db: float | FloatArray) -> list[AnalysedResponse]:
    """Four channels measured again at all six seats."""
    seats = [seat.id for seat in room.system.seats]
    return [repeat(room, c, s, scatter_db, k) for k, (c, s) in enumerate(product(("FL", "FC", "FR", "SiL"), seats))]


def test_the_uncertainty_comes_from_repeats_when_there_are_any() -> None:
    before, after = few(), few()
    job, analyses = both(before, after)
    u_db, text = seat_variance.repeatability(job, (AS_FOUND, AS_LEFT), analyses)
    assert not any(r.repeated for r in u_db.values())
    assert "No position was repeated" in text
    assert "within 5 cm" in text
    again = many_repeats(before, math.sqrt(2) * placement_u_db(GRID_HZ, 0.03))
    job, analyses = both(before, after, again)
    u_db, text = seat_variance.repeatability(job, (AS_FOUND, AS_LEFT), analyses)
    assert "24 repeated positions" in text
    for label, r in u_db.items():
        # About 15 degrees of freedom of 24 repeats at six places, plus those of the 5 cm default. 35 %: two standard deviations
        # of a scatter with 15.
        low, high = (float(edge) for edge in label.split("-"))
        inside = (GRID_HZ >= low) & (GRID_HZ <= high)
        assert r.repeated
        expected = math.sqrt(np.mean(placement_u_db(GRID_HZ, 0.03)[inside] ** 2))
        assert r.typical_db(inside) == pytest.approx(expected, rel=0.35), label


def test_a_repeat_counts_in_a_band_where_it_is_inside_it() -> None:
    sloping = np.log2(GRID_HZ)  # no more than 12 dB: everything is heard, and each level names its frequency
    whole = Repeat(sloping[None], sloping, "FL", "A1", sloping, 0.0 * sloping, "as-found A1")
    (inside,) = seat_variance._in_band([whole], 100.0, 400.0)
    assert 100.0 <= 2 ** inside.place_db.min() < 110.0 and 380.0 < 2 ** inside.place_db.max() <= 400.0
    assert inside.levels_db.shape == (1, 2 * 24)


def test_repeats_of_a_microphone_that_was_not_moved_are_not_used() -> None:
    before, after = few(), few()
    again = [repeat(before, c, "A1", 0.01, k) for k, c in enumerate(("FL", "FC", "SiL"))]
    job, analyses = both(before, after, again)
    u_db, text = seat_variance.repeatability(job, (AS_FOUND, AS_LEFT), analyses)
    assert not any(r.repeated for r in u_db.values())
    assert "The repeats at A1 agree as only those of a microphone that was not moved do" in text


def test_the_mean_of_repeats_is_compared_and_of_other_measurements_the_newest() -> None:
    before, after = few(), few()
    put_back, elsewhere, still = ("A1", 0.5), ("A2", 6.0), ("B1", 0.01)
    channels = ("FL", "FC", "SiL")
    again = [
        repeat(before, c, seat, scatter_db, k)
        for k, (c, (seat, scatter_db)) in enumerate(product(channels, (put_back, elsewhere, still)))
    ]
    job, analyses = both(before, after, again)
    result = compare.solve(job, analyses)
    own, first = result.channels["FL"], before.analyses()
    newest = {item.seat: item.analysis for item in again if item.channel == "FL"}
    for seat, count in (("A1", 2), ("A2", 1), ("A3", 1), ("B1", 1)):
        readings = [first.of(AS_FOUND, "FL", seat), newest.get(seat)]
        levels = [each.third_octave_db for each in readings if each is not None][-count:]
        assert own.readings[seat] == (count, 1), seat
        shown = own.levels[0][own.seats.index(seat)]
        assert shown == pytest.approx(np.where(np.isnan(shown), np.nan, np.mean(levels, axis=0)), nan_ok=True), seat
    remarks = compare.evaluate(job, AS_LEFT, analyses).remarks
    assert "Each level is the mean of the readings of a channel at a seat: 1 to 2 as found and 1 as left." in remarks


def test_repeats_make_the_uncertainty_smaller_but_never_less_than_one_centimetre() -> None:
    before, after = few(), few()
    job, analyses = both(before, after)
    default, _ = seat_variance.repeatability(job, (AS_FOUND, AS_LEFT), analyses)
    again = many_repeats(before, 0.15)
    job, analyses = both(before, after, again)
    found, _ = seat_variance.repeatability(job, (AS_FOUND, AS_LEFT), analyses)
    for label, r in found.items():
        assert r.typical_db() < 0.75 * default[label].typical_db()
        assert np.all(r.place_db >= placement_u_db(GRID_HZ, 0.01) * (1 - 1e-9))


def test_what_cannot_be_repeated_cannot_be_claimed() -> None:
    before, after = wobble(few(), "FL", 1.0), few()
    assert words(compared(before, after), "FL", "tone")["300-3000"] == "better"
    again = [repeat(before, c, "A1", 3.0, k) for k, c in enumerate(("FL", "FC", "FR", "SiL"))]
    job, analyses = both(before, after, again)
    assert words(compare.solve(job, analyses), "FL", "tone")["300-3000"] == "no real change"


def test_a_place_measured_again_for_its_gain_is_no_repeat() -> None:
    before, after = few(), few()
    again = repeat(before, "FL", "A1", 0.0, 1)
    assert again.analysis is not None
    again = replace(
        again, analysis=replace(again.analysis, level_db=6.0, third_octave_db=again.analysis.third_octave_db + 6)
    )
    job, analyses = both(before, after, [again])
    _, text = seat_variance.repeatability(job, (AS_FOUND, AS_LEFT), analyses)
    assert "No position was repeated" in text
    assert "1 more with a different gain is not used" in text


def noisy(room: SoundRoom, noise_db: float, seed: int, round_id: str) -> list[AnalysedResponse]:
    """The room with noise common to all levels: the lower the level, the larger its scatter."""
    rng, out = np.random.default_rng(seed), []
    for item in room.analysed(round_id, 1000 * seed):
        assert item.analysis is not None
        level = item.analysis.third_octave_db
        scatter = np.repeat(rng.normal(0, 1, len(level) // 8 + 1), 8)[: len(level)] * noise_db * 10 ** (-level / 20)
        out.append(replace(item, analysis=replace(item.analysis, third_octave_db=level + np.clip(scatter, -10, 10))))
    return out


def test_changes_in_the_noise_are_not_claimed_either_way() -> None:
    # A channel 22 dB down, where noise makes 0.06·10^(22/20) = 0.76 dB of scatter, in tone as in level.
    room = few().add_db("SiL", -22)
    words_found = []
    for seed in range(1, 5):
        before, after = noisy(room, 0.06, seed, AS_FOUND), noisy(room, 0.06, seed + 20, AS_LEFT)
        again = [
            a for a in noisy(room, 0.06, seed + 40, AS_FOUND) if (a.channel, a.seat) in (("FL", "A1"), ("SiL", "B1"))
        ]
        job = job_with(room.system, before, after, again)
        result = compare.solve(job, Analyses([*before, *after, *again]))
        words_found += [word for kind in seat_variance.KINDS for word in words(result, "SiL", kind).values()]
    # One table in twenty has a false word: of the 8 tables here more than two in one set of a hundred (binomial)
    assert len(words_found) == 32
    assert sum(word != "no real change" for word in words_found) <= 2


def test_a_worse_channel_fails_and_the_others_pass() -> None:
    job, analyses = both(few(), wobble(few(), "FL", 2.0))
    outcome = compare.evaluate(job, AS_LEFT, analyses)
    failed = {(c.channel, c.id) for c in outcome.checks if c.verdict is Verdict.FAIL}
    assert ("FL", "compare.tone.300-3000") in failed
    assert {channel for channel, _ in failed} == {"FL"}
    assert "worse" in outcome.main_result


def test_tables_and_curves_show_both_ways_and_every_seat() -> None:
    job, analyses = unchanged()
    outcome = compare.evaluate(job, AS_LEFT, analyses)
    assert [t.id for t in outcome.tables] == [
        "compare:heard",
        "compare:tone",
        "compare:heard:seats",
        "compare:tone:seats",
        "compare:uncertainty",
    ]
    assert [c.title for c in outcome.tables[2].columns[2:]] == ["A1", "A2", "A3", "B1", "B2", "B3"]
    assert outcome.tables[2].remark.endswith("as measured.")
    assert outcome.tables[3].remark.endswith("each at its own level.")
    first = outcome.tables[2].rows[0].cells[2]
    assert isinstance(first, str)
    assert " → " in first
    spread = next(c for c in outcome.curves if c.id == "compare:FL")
    levels = compare.solve(job, analyses).channels["FL"].levels
    assert spread.series[1].y == pytest.approx(np.std(levels[1], axis=0), nan_ok=True)
    seat = next(c for c in outcome.curves if c.id == "compare:FL:B2")
    assert (seat.channel, seat.seat, [s.name for s in seat.series]) == ("FL", "B2", [AS_FOUND, AS_LEFT])


def test_bands_are_the_jobs_own() -> None:
    from commission.model import Band

    rooms = [
        SoundRoom(cinema(FEW, bands=(Band(low_hz=40, high_hz=120), Band(low_hz=5000, high_hz=5001))))
        for _ in range(2)
    ]
    result = compared(*rooms)
    assert set(result.channels["FL"].bands["heard"]) == {"40-120"}  # the other holds less than a third octave
    job, analyses = both(rooms[0], rooms[1])
    outcome = compare.evaluate(job, AS_LEFT, analyses)
    assert {row.cells[1] for row in outcome.tables[0].rows} == {"40-120"}


def test_a_single_round_has_its_variance_too() -> None:
    room = few()
    found = seat_variance.variance_of_round(job_with(room.system, room.analysed()), AS_FOUND, room.analyses())
    assert set(found["SUBS"]["heard"]) == {"20-80", "80-300"}
    assert found["FL"]["tone"]["300-3000"].sd_db > 0


def test_weights_of_seats_count() -> None:
    system = cinema(FEW)
    heavy = replace(
        system, seats=tuple(replace(s, weight=0.0 if s.id.startswith("B") else 1.0) for s in system.seats)
    )
    before, after = SoundRoom(heavy), SoundRoom(heavy).add_db("FL", 1.9, ["B1", "B2"])
    assert set(words(compared(before, after), "FL", "heard").values()) == {"no real change"}


def test_seats_without_any_weight_count_alike() -> None:
    seats = tuple(
        Seat(id=s.id, position_m=s.position_m, weight=0.0, reference=s.reference) for s in cinema(FEW).seats
    )
    assert (
        compared(SoundRoom(cinema(FEW, seats=seats)), SoundRoom(cinema(FEW, seats=seats)))
        .channels["FL"]
        .bands["heard"]
    )


@pytest.mark.parametrize(
    ("weights", "expected"),
    [
        ((1, 1, 1, 1, 1, 1), None),
        ((0, 1, 0, 0, 0, 0), "all seats count equally"),
        ((0, 1, 1, 1, 1, 1), "shown but not counted"),
    ],
)
def test_what_weights_do_is_stated(weights: tuple[float, ...], expected: str | None) -> None:
    seats = tuple(replace(s, weight=w) for s, w in zip(cinema(FEW).seats, weights, strict=True))
    job, analyses = both(SoundRoom(cinema(FEW, seats=seats)), SoundRoom(cinema(FEW, seats=seats)))
    found = [remark for remark in compare.evaluate(job, AS_LEFT, analyses).remarks if "weight" in remark]
    assert (found == []) if expected is None else any(expected in remark for remark in found)


def test_text_responses_that_reach_only_to_1_khz_are_compared_where_they_can() -> None:
    rooms = []
    for _ in range(2):
        room = few()
        for seat in [s.id for s in room.system.seats]:
            shape = np.where(GRID_HZ <= 1000, room.items[("FL", seat)].third_octave_db, np.nan)
            room.change("FL", [seat], third_octave_db=shape)
        rooms.append(room)
    result = compared(*rooms)
    bands = result.channels["FL"].bands
    assert set(bands["heard"]) == {"20-80", "80-300", "300-3000"}
    assert bands["heard"]["300-3000"].after.heard_hz[1] == pytest.approx(1000)
    assert bands["tone"] == {}
    assert "FL in evenness of tone: its level from 500 to 2000 Hz is not known at every seat" in result.left_out


@dataclass(frozen=True)
class _Change:
    change_db2: float
    u_db2: float
    budget: Any
    k: float = 0.0


@dataclass(frozen=True)
class _Bands:
    bands: dict[str, dict[str, _Change]]


@pytest.mark.parametrize(("second_z", "k"), [(1.5, 2.2414), (2.0, 1.9600), (4.0, 1.9600)])
def test_a_change_of_two_u_counts_beside_one_as_large(second_z: float, k: float) -> None:
    """Hommel: p of 4.6 % (z = 2) and 13 %: above 2.5 %, whose normal quantile is 2.24; if both are below 5 %, both
    count.
    """
    normal = SimpleNamespace(dof=math.inf)
    bands = {
        kind: {"a": _Change(2.0, 1.0, normal), "b": _Change(-2 * second_z, 2.0, normal)}
        for kind in seat_variance.KINDS
    }
    found: Any = _with_coverage({"FL": _Bands(bands)})  # type: ignore[dict-item]
    assert [c.k for each in found["FL"].bands.values() for c in each.values()] == pytest.approx(
        [k] * (2 * len(seat_variance.KINDS)), abs=1e-3
    )
