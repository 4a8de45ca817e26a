"""Measuring mistakes shown by arrivals: affected data are not used, and no loudspeaker is reported as faulty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from room_findings import found, quiet

from commission.model import AS_FOUND, Analyses, ResponseStored
from commission.steps import distances
from commission.steps.shared.screening import screen

SEATS = ["A1", "A2", "A3", "B1", "B2", "B3"]


@pytest.mark.parametrize("seed", range(6))
def test_a_sound_room_shows_no_mistakes(seed: int) -> None:
    room = quiet(seed)
    assert screen(room.job(), AS_FOUND, room.analyses()).mistakes == ()


@pytest.mark.parametrize(("a", "b"), [("A1", "A3"), ("A1", "B3"), ("A2", "B1")])
def test_exchanged_seats_are_named_and_both_are_used_by_nothing(a: str, b: str) -> None:
    room = quiet().exchange_seats(a, b)
    assert list(found(room)) == ["measurement.seats-exchanged"]
    left = screen(room.job(), AS_FOUND, room.analyses()).usable
    assert all(left.of(AS_FOUND, c.id, s) is None for c in room.system.channels for s in (a, b))
    assert left.of(AS_FOUND, "FL", "B2") is not None


def test_exchanged_seats_beside_a_swap_are_two_findings() -> None:
    room = quiet().swap("BL", "BR").exchange_seats("A1", "B2")
    assert sorted(found(room)) == ["measurement.seats-exchanged", "wiring.swapped"]


def test_a_microphone_moved_too_early_spoils_what_came_after() -> None:
    room = quiet()
    late = [c.id for c in room.system.channels][6:]
    for channel in late:
        room.items[(channel, "A2")] = room.items[(channel, "A3")]
        room.delay(channel, 3e-5, ["A2"])
    screening = screen(room.job(), AS_FOUND, room.analyses())
    (mistake,) = screening.of("microphone-not-moved")
    assert mistake.seats == ("A2",)
    assert set(late) <= set(mistake.channels)
    assert len(mistake.channels) <= len(late) + 1  # at the border one channel may fit both seats
    assert screening.usable.of(AS_FOUND, "FL", "A2") is not None


def test_recordings_without_a_common_clock_lose_their_times_and_keep_their_levels() -> None:
    room, rng = quiet(), np.random.default_rng(4)
    for channel in room.system.channels:
        for seat in SEATS:
            room.delay(channel.id, rng.uniform(0, 0.1), [seat])
    assert list(found(room)) == ["measurement.clock"]
    left = screen(room.job(), AS_FOUND, room.analyses()).usable.of(AS_FOUND, "FL", "A1")
    assert left is not None
    assert left.arrival_s is None
    assert left.level_db is not None
    result = distances.solve(room.job(), AS_FOUND, room.analyses())
    assert result.swapped == {}
    assert all(each.arrival_s is None for each in result.channels.values())
    why = distances.evaluate(room.job(), AS_FOUND, room.analyses()).checks
    assert any("do not" in (check.why_not or "") for check in why)


def test_recordings_that_the_import_could_not_put_on_their_clock_are_a_mistake() -> None:
    room, why = quiet(), "no common clock: 78 recordings start up to 323 ms apart"
    for spoilt, channels in ((lambda c, s: True, ()), (lambda c, s: (c, s) == ("FC", "A2"), ("FC",))):
        bodies = [
            ResponseStored(
                round=AS_FOUND,
                channel=c,
                seat=s,
                kind="impulse",
                file_name="a.wav",
                file_sha256="0",
                clock=None if spoilt(c, s) else "one",
                clock_problem=why if spoilt(c, s) else None,
            )
            for c, s in room.items
        ]
        job = room.job(*bodies)
        seqs = {(r.body.channel, r.body.seat): r.seq for r in job.responses}
        analyses = Analyses(
            replace(item, seq=seqs[item.channel, item.seat], clock=None if spoilt(item.channel, item.seat) else "one")
            for item in room.analyses()
        )
        (mistake,) = screen(job, AS_FOUND, analyses).mistakes
        assert (mistake.kind, mistake.channels) == ("clock", channels)
        assert why in mistake.evidence[0]


def test_a_row_of_seats_on_another_clock_is_no_fault_of_the_house() -> None:
    room = quiet()
    for channel in room.system.channels:
        room.delay(channel.id, 0.031, ["B1", "B2", "B3"])
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert (mistake.kind, mistake.seats) == ("clock", ("B1", "B2", "B3"))
    assert list(found(room)) == ["measurement.clock"]


def test_a_microphone_beside_its_place_is_no_missing_clock() -> None:
    room = quiet()
    ear = np.array(next(seat.position_m for seat in room.system.seats if seat.id == "B1"))
    for channel in room.system.channels:
        if channel.position_m is not None and not channel.is_sub:
            apart = np.array(channel.position_m) - ear
            now = apart - np.array([-0.3, 0.5, 0.0])
            room.delay(channel.id, float(np.linalg.norm(now) - np.linalg.norm(apart)) / 343.2, ["B1"])
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).mistakes
    assert (mistake.kind, mistake.seats) == ("microphone-not-moved", ("B1",))
    assert "0.6 m from its place" in mistake.evidence[0]


def test_one_recording_on_another_clock_is_not_as_from_75_metres() -> None:
    room = quiet().delay("FC", -0.217, ["A2"])
    assert list(found(room)) == ["measurement.clock"]
    remarks = distances.evaluate(room.job(), AS_FOUND, room.analyses()).remarks
    assert not any("m instead of" in remark for remark in remarks)


def test_files_exchanged_at_one_seat_are_no_swap() -> None:
    room = quiet().exchange_files("FL", "SiR", "B2")
    assert list(found(room)) == ["measurement.wrong-channel"]


def test_blocked_loudspeakers_and_reflections_are_no_mistakes() -> None:
    rng = np.random.default_rng(9)
    for seed in range(3):
        room = quiet(seed)
        for channel in room.system.channels:
            for seat in SEATS:
                if rng.random() < 0.08 and seat != "A2":
                    room.delay(channel.id, rng.uniform(0.0008, 0.008), [seat])
        assert screen(room.job(), AS_FOUND, room.analyses()).mistakes == ()
        assert "wiring.swapped" not in found(room)


def test_files_that_begin_with_their_sound_tell_no_time() -> None:
    # Each was cut 2 ms before its first sound: all arrivals are the same, and fit one seat as well as another.
    room, rng = quiet(), np.random.default_rng(5)
    for (channel, seat), item in list(room.items.items()):
        if item.arrival_s is not None:
            room.delay(channel, 0.002 + rng.normal(0, 2e-5) - item.arrival_s, [seat])
    assert list(found(room)) == ["measurement.clock"]
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).of("clock")
    assert mistake.reason.startswith("each file begins with its sound")


def test_files_scaled_to_one_peak_lose_their_levels_and_keep_their_times() -> None:
    room = quiet().change(None, peak_db=-1.0)
    for (channel, seat), item in list(room.items.items()):
        assert item.level_db is not None
        room.add_db(channel, -item.level_db, [seat])
    # One channel was not scaled with the others, and is not named.
    room.change("FC", peak_db=-9.0)
    assert list(found(room)) == ["measurement.normalised"]
    (mistake,) = screen(room.job(), AS_FOUND, room.analyses()).of("normalised")
    assert {c.id for c in room.system.channels} - set(mistake.channels) == {"FC"}
    assert mistake.seats == tuple(s.id for s in room.system.seats)
    left = screen(room.job(), AS_FOUND, room.analyses()).usable.of(AS_FOUND, "FL", "A1")
    assert left is not None
    assert left.level_db is None
    for channel in mistake.channels:
        room.drop(channel, ["B2"])
    (elsewhere,) = screen(room.job(), AS_FOUND, room.analyses()).of("normalised")
    assert elsewhere.seats == tuple(s for s in mistake.seats if s != "B2")
    assert left.arrival_s is not None
    # Peaks as rooms make them, and one file alone.
    apart = quiet()
    for number, (channel, seat) in enumerate(list(apart.items)):
        apart.change(channel, [seat], peak_db=-10.0 + 0.2 * number)
    assert found(apart) == {}
