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


def copied(
    room: SoundRoom, channel: str, seat: str, to_channel: str, to_seat: str, gain_db: float = 0.0
) -> SoundRoom:
    """The recording of one place stored for another too, with another gain."""
    own = room.items[(channel, seat)]
    room.items[(to_channel, to_seat)] = own
    return room.add_db(to_channel, gain_db, [to_seat]) if gain_db else room


def kinds(room: SoundRoom) -> list[str]:
    return [mistake.kind for mistake in screen(room.job(), AS_FOUND, room.analyses()).mistakes]


def named(room: SoundRoom) -> set[str]:
    job, analyses = room.job(), room.analyses()
    outcomes = {each.id: each.evaluate(job, AS_FOUND, analyses) for each in (seats.STEP, distances.STEP)}
    return {finding.id for finding in findings(job, AS_FOUND, analyses, outcomes)}


def test_one_file_for_two_seats_is_found_whatever_its_gain() -> None:
    room = copied(SoundRoom(), "SiL", "A1", "SiL", "B2", gain_db=3.0)
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert mistake.kind == "same-recording"
    # The arrivals at the other seats say where it was recorded: only the other place must be measured again.
    assert (mistake.channels, mistake.seats) == (("SiL",), ("B2",))
    assert "3.0 dB louder" in mistake.evidence[0]
    left = usable(room.job(), room.analyses(), AS_FOUND)
    assert left.of(AS_FOUND, "SiL", "B2") is None
    assert left.of(AS_FOUND, "SiL", "A1") is not None
    assert named(room) == {"measurement.same-recording"}


def test_one_file_for_two_channels_at_a_seat_is_found() -> None:
    room = copied(SoundRoom(), "FL", "B1", "BL", "B1")
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert (mistake.kind, mistake.channels, mistake.seats) == ("same-recording", ("BL",), ("B1",))
    assert named(room) == {"measurement.same-recording"}


def test_without_times_both_places_of_one_recording_are_doubtful() -> None:
    room = copied(SoundRoom(), "SiL", "A1", "SiL", "B2").change(None, arrival_s=None)
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert mistake.seats == ("A1", "B2")
    assert "not determined" in mistake.evidence[1]


def test_a_symmetric_room_makes_no_recording_the_same() -> None:
    """The centre at mirrored seats, a pair at a seat on the middle: equal to the last digit in a symmetric room."""
    room = copied(SoundRoom(), "FC", "A1", "FC", "A3")
    copied(room, "FL", "A2", "FR", "A2")
    copied(room, "BL", "B2", "BR", "B2")
    assert kinds(room) == []


def test_two_channels_that_play_one_loudspeaker_are_no_mistake_of_files() -> None:
    room = SoundRoom()
    for seat in ("A1", "A2", "A3", "B1", "B2", "B3"):
        copied(room, "FL", seat, "SiR", seat)
    assert "same-recording" not in kinds(room)


def test_a_microphone_that_was_not_moved_is_found_with_its_seat() -> None:
    room = SoundRoom()
    for channel in room.distances_m:
        copied(room, channel, "A3", channel, "B1")
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert (mistake.kind, mistake.channels, mistake.seats) == ("microphone-not-moved", (), ("B1",))
    left = usable(room.job(), room.analyses(), AS_FOUND)
    assert all(left.of(AS_FOUND, channel, "B1") is None for channel in room.distances_m)
    assert named(room) == {"measurement.microphone-not-moved"}


def test_a_microphone_that_was_not_moved_spoils_both_seats_where_no_time_tells_which() -> None:
    room = SoundRoom()
    for channel in room.distances_m:
        copied(room, channel, "A3", channel, "B1")
    room.clock = None
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert mistake.seats == ("A3", "B1")


def test_a_changed_gain_is_corrected_at_its_seat_alone() -> None:
    room = SoundRoom().add_db(None, -6, ["B2"])
    screening = screen(room.job(), AS_FOUND, room.analyses())
    assert [(m.kind, m.seats) for m in screening.mistakes] == [("gain", ("B2",))]
    gain, u = screening.gains_db["B2"]
    assert abs(gain + 6) < 2 * u
    before, after = (each.of(AS_FOUND, "FL", "B2") for each in (room.analyses(), screening.usable))
    assert before is not None
    assert after is not None
    assert before.level_db is not None
    assert after.level_db == before.level_db - gain
    assert (after.third_octave_db == before.third_octave_db - gain).all()
    assert after.level_u_db == u
    other = screening.usable.of(AS_FOUND, "FL", "A1")
    assert other is room.items[("FL", "A1")]
