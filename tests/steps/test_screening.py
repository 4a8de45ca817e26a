"""Measuring mistakes: affected data are not used, and other data are used unchanged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import cinema, defined
from sound_room import SoundRoom

from commission.diagnosis import findings
from commission.dsp.across import SeatGain
from commission.dsp.spectrum import GRID_HZ
from commission.model import AS_FOUND, FULL_SCALE, RELATIVE, SOUND_PRESSURE, Analyses, Instrument, Verdict
from commission.steps import distances, seats
from commission.steps.shared.screening import screen, usable, without_times
from commission.steps.shared.screening.gains import corrected


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
    assert (mistake.channels, mistake.seats, mistake.evidence) == (("FL",), ("A2",), ("FL at A2",))
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
    """A file in dB SPL is about 100 dB above deconvolved sweeps: no cell, mean or gain may show the difference."""
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
    """The recording of one place stored for another as well, with another gain."""
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
    # The arrivals at the other seats show where it was recorded: only the other place must be measured again.
    assert (mistake.channels, mistake.seats) == (("SiL",), ("B2",))
    assert "3.0 dB louder" in mistake.evidence[0]
    left = usable(room.job(), room.analyses(), AS_FOUND)
    assert left.of(AS_FOUND, "SiL", "B2") is None
    assert left.of(AS_FOUND, "SiL", "A1") is not None
    assert named(room) == {"measurement.same-recording"}


def test_silent_files_are_alike_without_being_one_recording() -> None:
    """One step of 16 bits is 90 dB below full scale, and the same in every file of silence."""
    room = copied(SoundRoom(), "SiL", "A1", "SiL", "B2")
    assert kinds(room.add_db("SiL", -90.0)) == []


def test_one_file_for_two_channels_at_a_seat_is_found() -> None:
    room = copied(SoundRoom(), "FL", "B1", "BL", "B1")
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert (mistake.kind, mistake.channels, mistake.seats) == ("same-recording", ("BL",), ("B1",))
    assert named(room) == {"measurement.same-recording"}


def test_one_file_for_two_channels_at_all_seats_is_one_mistake() -> None:
    """Shown by its noise, since wiring would also make the channels alike; arrivals at some seats show whose it is."""
    room, rng = SoundRoom(), np.random.default_rng(1)
    for seat in room.system.seats:
        copied(room, "FL", seat.id, "SiR", seat.id)
        room.change("FL", [seat.id], noise_db=(noise_db := rng.normal(-70.0, 0.5, len(GRID_HZ))))
        room.change("SiR", [seat.id], noise_db=noise_db)
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert (mistake.kind, mistake.channels, len(mistake.seats)) == ("same-recording", ("SiR",), 6)
    assert mistake.evidence[0].startswith("FL and SiR at A1, A2, A3, B1, B2 and B3 agree")


def test_one_file_for_two_channels_is_found_at_one_of_two_seats() -> None:
    """Wiring would make them the same at both."""
    room = SoundRoom().drop(None, ["A3", "B1", "B2", "B3"])
    assert kinds(copied(room, "FL", "A1", "BL", "A1")) == ["same-recording"]
    assert kinds(copied(room, "FL", "A2", "BL", "A2")) == []


def test_without_times_both_places_of_one_recording_are_doubtful() -> None:
    room = copied(SoundRoom(), "SiL", "A1", "SiL", "B2").change(None, arrival_s=None)
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert mistake.seats == ("A1", "B2")
    assert "not determined" in mistake.evidence[1]


def test_a_symmetric_room_makes_no_recording_the_same() -> None:
    """The centre at mirrored seats, a pair at a middle seat: equal to the last digit in a symmetric room."""
    room = copied(SoundRoom(), "FC", "A1", "FC", "A3")
    copied(room, "FL", "A2", "FR", "A2")
    copied(room, "BL", "B2", "BR", "B2")
    assert kinds(room) == []


def test_noise_shows_one_recording_where_a_symmetric_room_would_make_it_the_same() -> None:
    """A copy has the noise of its original at any gain; two recordings of 1 s differ by half a decibel."""
    first_db, second_db = np.random.default_rng(1).normal(-70.0, 0.5, (2, len(GRID_HZ)))
    room = copied(SoundRoom(), "FC", "A1", "FC", "A3", gain_db=-2.0).change("FC", ["A1"], noise_db=first_db)
    assert kinds(room.change("FC", ["A3"], noise_db=second_db)) == []
    room.change("FC", ["A3"], noise_db=first_db - 2.0)
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert (mistake.kind, mistake.channels, mistake.seats) == ("same-recording", ("FC",), ("A1", "A3"))
    assert "noise" in mistake.evidence[1]


def test_two_channels_that_play_one_loudspeaker_are_no_mistake_of_files() -> None:
    room = SoundRoom()
    for seat in ("A1", "A2", "A3", "B1", "B2", "B3"):
        copied(room, "FL", seat, "SiR", seat)
    assert "same-recording" not in kinds(room)


def test_noise_shows_one_file_for_two_channels_also_where_there_is_but_one_seat() -> None:
    first_db, second_db = np.random.default_rng(1).normal(-70.0, 0.5, (2, len(GRID_HZ)))
    room = copied(SoundRoom(), "FL", "A2", "SiR", "A2").drop(None, ["A1", "A3", "B1", "B2", "B3"])
    room.change("FL", noise_db=first_db).change("SiR", noise_db=second_db)
    assert kinds(room) == []
    (mistake,) = screen(room.job(), AS_FOUND, room.change("SiR", noise_db=first_db).analyses()).mistakes
    assert (mistake.kind, mistake.channels, mistake.seats) == ("same-recording", ("FL", "SiR"), ("A2",))


def test_a_microphone_that_was_not_moved_is_found_with_its_seat() -> None:
    room = SoundRoom()
    for channel in room.distances_m:
        copied(room, channel, "A3", channel, "B1")
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert (mistake.kind, mistake.channels, mistake.seats) == ("microphone-not-moved", (), ("B1",))
    assert mistake.reason == "the microphone stood at A3 instead"
    assert mistake.evidence[1] == "the arrivals fit the place of A3"
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
    assert "which of them is not determined" in mistake.reason


def test_a_changed_gain_is_corrected_at_its_seat_alone() -> None:
    room = SoundRoom().add_db(None, -6, ["B2"]).change(None, noise_db=np.zeros(len(GRID_HZ)))
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
    assert (after.view_db == before.view_db - gain).all()
    assert after.noise_db is not None and (after.noise_db == -gain).all()
    octaves = corrected(replace(before, octave_db={1000: 3.0}), SeatGain(-6.0, 0.6, (1, 1))).octave_db
    assert octaves == {1000: 9.0}
    assert after.bass is not None and before.bass is not None
    np.testing.assert_allclose(after.bass / before.bass, 10 ** (-gain / 20), rtol=1e-6)  # single precision
    assert after.level_u_db == u
    other = screening.usable.of(AS_FOUND, "FL", "A1")
    assert other is room.items[("FL", "A1")]


def noisy(room: SoundRoom, channel: str, seat: str, level_db: float, low_hz: float, high_hz: float) -> SoundRoom:
    """Even noise 50 dB below the sound in every recording, and more of it in one band of one recording."""
    for place, own in list(room.items.items()):
        noise = np.full(len(GRID_HZ), -50.0)
        if place == (channel, seat):
            noise[(GRID_HZ >= low_hz) & (GRID_HZ <= high_hz)] = level_db
        room.items[place] = replace(own, noise_db=noise)
    return room


def test_hum_in_one_recording_takes_its_band_out_and_nothing_else() -> None:
    room = noisy(SoundRoom(), "FL", "A3", -3.0, 180.0, 320.0).add_db("FL", 6.0, ["A3"], above_hz=180, below_hz=320)
    screening = screen(room.job(), AS_FOUND, room.analyses())
    (mistake,) = screening.mistakes
    assert (mistake.kind, mistake.channels, mistake.seats) == ("interference", ("FL",), ("A3",))
    kept = screening.usable.of(AS_FOUND, "FL", "A3")
    assert kept is not None
    lost = ~np.isfinite(kept.third_octave_db)
    assert GRID_HZ[lost].min() >= 180
    assert GRID_HZ[lost].max() <= 320
    assert kept.level_db == room.items[("FL", "A3")].level_db  # read from 500 to 2000 Hz
    assert screening.usable.of(AS_FOUND, "FL", "A2") is room.items[("FL", "A2")]
    assert named(room) == {"measurement.interference"}


def test_hum_over_a_subwoofer_takes_it_out_of_the_sum() -> None:
    room = noisy(SoundRoom(), "SUB1", "A3", 0.0, 40.0, 65.0)
    kept = screen(room.job(), AS_FOUND, room.analyses()).usable.of(AS_FOUND, "SUB1", "A3")
    assert kept is not None
    assert (kept.bass, kept.level_db) == (None, None)


def test_noise_is_found_where_all_others_still_decay_at_their_ends() -> None:
    """Their noise is unknown, but no louder than their ends; a louder recording contains noise."""
    room = SoundRoom()
    for place, own in list(room.items.items()):
        tail = own.third_octave_db - 25.0
        if place == ("FL", "A3"):
            hiss = (GRID_HZ >= 3500) & (GRID_HZ <= 9000)
            tail = np.where(hiss, own.third_octave_db - 2.0, tail)
            room.items[place] = replace(own, tail_db=tail, noise_db=np.where(hiss, tail, np.nan))
        else:
            room.items[place] = replace(own, tail_db=tail, noise_db=None)
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert (mistake.kind, mistake.channels, mistake.seats) == ("interference", ("FL",), ("A3",))
    # The rest of that recording is not used either, since its noise is unknown; the figures are those of the hiss.
    assert mistake.reason == "noise covers 3564 to 8980 Hz, and may cover 20 to 20159 Hz"
    assert mistake.evidence[0].startswith("noise from 3564 to 8980 Hz is 22 dB above that of the other recordings")
    # What decays more slowly than the others is sound of the room, whatever its level.
    room.change("FL", ["A3"], noise_db=None)
    assert kinds(room) == []


@pytest.mark.parametrize(
    ("known", "above_db", "found"),
    [(True, 18.0, ["interference"]), (False, 18.0, []), (False, 23.0, ["interference"])],
)
def test_a_subwoofers_end_that_does_not_fall_is_noise_only_beside_known_noise(
    known: bool, above_db: float, found: list[str]
) -> None:
    """Two beating modes rise again for a while: 18 dB above the other ends is noise only if theirs is noise."""
    room = SoundRoom()
    for place, own in list(room.items.items()):
        low = (GRID_HZ >= 40) & (GRID_HZ <= 65)
        tail = own.third_octave_db - np.where(low & (place == ("SUB1", "A3")), 28.0 - above_db, 28.0)
        room.items[place] = replace(own, tail_db=tail, noise_db=tail if known or place == ("SUB1", "A3") else None)
    assert kinds(room) == found


def test_noise_in_recordings_of_a_silent_channel_is_no_mistake() -> None:
    """They contain noise alone, which varies from seat to seat with the room: the channel is silent."""
    room = noisy(SoundRoom(), "FL", "A3", -3.0, 180.0, 320.0).change("FL", snr_db=-7.0)
    assert kinds(room) == []
    room.change("FL", [s.id for s in room.system.seats if s.id != "A3"], snr_db=60.0)
    assert kinds(room) == ["interference"]
    room.drop(None, [s.id for s in room.system.seats if s.id != "A3"])
    assert kinds(room) == ["interference"]  # at a single seat, noise as loud as the other channels covers it
    assert kinds(room.change("FL", level_db=-60.0)) == []


def test_a_band_that_one_channel_lacks_is_no_noise_in_its_recordings() -> None:
    """A dead tweeter leaves the noise unchanged, however close the channel is to it there."""
    room = SoundRoom()
    for place, own in list(room.items.items()):
        noise = np.full(len(GRID_HZ), -50.0)
        room.items[place] = replace(own, noise_db=noise, tail_db=noise)
    room.add_db("FL", -45.0, above_hz=2500)
    assert kinds(room) == []


def test_silence_at_one_seat_is_no_silent_loudspeaker() -> None:
    room = SoundRoom().add_db("FL", -45, ["A1"]).change("FL", ["A1"], snr_db=2.0, arrival_s=None)
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert (mistake.kind, mistake.channels, mistake.seats) == ("not-played", ("FL",), ("A1",))
    everywhere = SoundRoom().add_db("FL", -45).change("FL", snr_db=2.0, arrival_s=None)
    assert "not-played" not in kinds(everywhere)


def test_noise_that_all_recordings_have_or_that_stays_low_is_no_interference() -> None:
    everywhere = noisy(SoundRoom(), "FL", "A3", -50.0, 180.0, 320.0)
    for place, own in list(everywhere.items.items()):
        noise = np.where((GRID_HZ > 180) & (GRID_HZ < 320), -3.0, -50.0)
        everywhere.items[place] = replace(own, noise_db=noise)
    assert kinds(everywhere) == []
    assert (
        kinds(noisy(SoundRoom(), "FL", "A3", -25.0, 180.0, 320.0)) == []
    )  # a signal-to-noise ratio of 25 dB remains
    assert kinds(noisy(SoundRoom(), "SUB1", "A3", 0.0, 2000.0, 4000.0)) == []  # where a subwoofer does not play


def tilted(room: SoundRoom, db: float, seats: list[str], channels: list[str] | None = None) -> SoundRoom:
    """Octave levels of all places, with less treble at some seats."""
    rng = np.random.default_rng(3)
    for (channel, seat), own in list(room.items.items()):
        octaves = {centre: float(rng.normal(0, 0.5)) for centre in (500, 1000, 2000, 4000, 8000)}
        if seat in seats and (channels is None or channel in channels):
            octaves |= {centre: octaves[centre] + db for centre in (4000, 8000)}
        room.items[(channel, seat)] = replace(own, octave_db=octaves)
    return room


def test_a_covered_microphone_is_found_and_only_its_treble_is_left_out() -> None:
    room = tilted(SoundRoom(), -9.0, ["B2"])
    screening = screen(room.job(), AS_FOUND, room.analyses())
    (mistake,) = screening.mistakes
    assert (mistake.kind, mistake.seats) == ("microphone", ("B2",))
    kept = screening.usable.of(AS_FOUND, "SiL", "B2")
    assert kept is not None
    assert GRID_HZ[np.isfinite(kept.third_octave_db)].max() < 4000
    assert kept.level_db is not None
    assert sorted(kept.octave_db) == [500, 1000, 2000]


def test_a_seat_that_is_dull_for_some_channels_is_no_microphone() -> None:
    half = ["FL", "FC", "FR", "SiL", "BL"]
    assert kinds(tilted(SoundRoom(), -9.0, ["B2"], half)) == []
    assert kinds(tilted(SoundRoom(), -2.5, ["B2"])) == []


def test_loudspeakers_in_front_alone_say_nothing_of_the_microphone() -> None:
    """All three have the same directivity: a seat at the side is dull for each of them."""
    assert kinds(tilted(SoundRoom(cinema(["FL", "FC", "FR"])), -9.0, ["B3"])) == []
