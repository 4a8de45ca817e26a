"""Measuring mistakes: what they spoil is used by nothing, and what they do not spoil is used as it is."""

from __future__ import annotations

from dataclasses import replace

from builders import defined
from sound_room import SoundRoom

from commission.diagnosis import findings
from commission.model import AS_FOUND, FULL_SCALE, RELATIVE, SOUND_PRESSURE, Analyses, Instrument, Verdict
from commission.steps import distances, seats
from commission.steps.shared.screening import screen, usable, without_times


def test_a_sound_room_is_used_as_it_is() -> None:
    room = SoundRoom()
    analyses = room.analyses()
    screening = screen(room.job(), AS_FOUND, analyses)
    assert screening.mistakes == ()
    assert screening.usable is analyses


def test_nothing_is_concluded_from_a_clipped_recording() -> None:
    room = SoundRoom().change("FL", ["A2"], clipped=True).add_db("FL", -30, ["A2"]).delay("FL", 0.02, ["A2"])
    job, analyses = room.job(), room.analyses()
    (mistake,) = screen(job, AS_FOUND, analyses).of("clipped")
    assert (mistake.channels, mistake.seats) == (("FL",), ("A2",))
    left = usable(job, analyses, AS_FOUND)
    assert left.of(AS_FOUND, "FL", "A2") is None
    assert left.problems(AS_FOUND, "FL", "A2") == ("the recording clipped",)
    cell = seats.solve(job, AS_FOUND, analyses).cells[("FL", "A2")]
    assert {check.verdict for check in cell.checks if check.id != "seats.clipped"} == {Verdict.NOT_TESTED}
    assert cell.recording is not None
    assert distances.solve(job, AS_FOUND, analyses).channels["FL"].arrival_s is None
    outcomes = {each.id: each.evaluate(job, AS_FOUND, analyses) for each in (seats.STEP, distances.STEP)}
    assert [finding.id for finding in findings(job, AS_FOUND, analyses, outcomes)] == ["measurement.clipped"]


def test_the_curve_of_a_spoilt_recording_can_be_looked_at_and_is_no_part_of_the_mean() -> None:
    sound = seats.evaluate(SoundRoom().job(), AS_FOUND, SoundRoom().drop("FL", ["A2"]).analyses())
    room = SoundRoom().change("FL", ["A2"], clipped=True).add_db("FL", -30, ["A2"])
    outcome = seats.evaluate(room.job(), AS_FOUND, room.analyses())
    (own,) = (curve for curve in outcome.curves if curve.id == "seats:FL:A2")
    assert "not used: the recording clipped" in own.caption
    mean, without = (
        next(s.y for curve in each.curves if curve.id == "seats:FL:A1" for s in curve.series if s.kind == "mean")
        for each in (outcome, sound)
    )
    assert (mean == without).all()
    assert outcome.grids[0].cells[("FL", "A2")].figure == "clipped"


def test_a_place_measured_again_is_good_again_and_its_spoilt_repeat_stays_out() -> None:
    room = SoundRoom()
    items = room.analysed()
    first = next(item for item in items if (item.channel, item.seat) == ("FL", "A2"))
    assert first.analysis is not None
    spoilt = replace(first, analysis=replace(first.analysis, clipped=True))
    again = replace(first, seq=9999)
    analyses = Analyses([*(spoilt if item is first else item for item in items), again])
    left = usable(room.job(), analyses, AS_FOUND)
    assert [item.seq for item in left.repeats(AS_FOUND, "FL", "A2")] == [9999]


def test_a_response_without_its_time_keeps_its_level() -> None:
    (item, *_) = SoundRoom().analysed()
    kept = without_times([item], "it shares no clock")[item.seq]
    assert kept is not None
    assert item.analysis is not None
    assert (kept.arrival_s, kept.bass, kept.level_db) == (None, None, item.analysis.level_db)
    assert kept.why["arrival"] == "it shares no clock"


def test_levels_of_two_references_are_never_subtracted() -> None:
    """A file in dB SPL lies some 100 dB above deconvolved sweeps: no cell, mean or gain may see the difference."""
    room = SoundRoom().change("FL", ["A2"], reference=SOUND_PRESSURE).add_db("FL", 100, ["A2"])
    job, analyses = room.job(), room.analyses()
    (mistake,) = screen(job, AS_FOUND, analyses).of("reference")
    assert (mistake.channels, mistake.seats) == (("FL",), ("A2",))
    why = "its levels are relative to 20 µPa (dB SPL), those of most responses to full scale"
    assert usable(job, analyses, AS_FOUND).problems(AS_FOUND, "FL", "A2") == (why,)
    result = seats.solve(job, AS_FOUND, analyses)
    assert result.seat_gain_db == {}
    checks = result.cells[("FL", "A2")].checks
    assert {check.why_not for check in checks if check.id != "seats.clipped"} == {why}
    assert abs(result.channel_level_db["FL"] - result.channel_level_db["FR"]) < 3


def test_levels_in_spl_need_no_offset_of_the_microphone() -> None:
    room = SoundRoom()
    microphone = Instrument(kind="microphone", model="microphone", level_offset_db=94.0)
    job = room.job(defined(replace(room.system, instruments=(microphone,))))
    levels = {}
    for reference in (FULL_SCALE, SOUND_PRESSURE, RELATIVE):
        analyses = SoundRoom().change(None, reference=reference).analyses()
        result = seats.solve(job, AS_FOUND, analyses)
        levels[reference] = result.channel_level_db["FC"]
        assert result.calibrated == (reference != RELATIVE)
    assert levels[FULL_SCALE] == levels[SOUND_PRESSURE] + 94.0
    assert levels[RELATIVE] == levels[SOUND_PRESSURE]
