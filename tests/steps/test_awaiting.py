"""A faulty channel gets no trim and no distance before it is repaired and measured, and does not shift the others."""

from __future__ import annotations

from dataclasses import replace

import pytest
from builders import AS_FOUND, cinema, defined, job_of, levels, setting
from sound_room import SoundRoom

from commission.model import (
    AS_LEFT,
    ActionLogged,
    Analyses,
    EventBody,
    Job,
    Processor,
    ResponseStored,
    RoundOpened,
    TrimRange,
    Withdrawn,
)
from commission.steps import distances
from commission.steps import levels as level_step
from commission.steps.handover.settings_sheet import settings_sheet
from commission.steps.seats.awaiting import awaiting_repair, waiting_sentences
from commission.ui.widgets.draw.canvas import plain
from commission.ui.widgets.draw.table import TableLayout


def stored(room: SoundRoom, round_id: str) -> list[ResponseStored]:
    return [
        ResponseStored(
            round=round_id,
            channel=each.channel,
            seat=each.seat,
            kind="impulse",
            file_name=f"{round_id}-{each.seq}.flac",
            file_sha256=f"{each.seq:064d}",
            clock=each.clock,
        )
        for each in room.analysed()
    ]


def visit(rounds: dict[str, SoundRoom], *more: EventBody, read: float = 75.0) -> tuple[Job, Analyses]:
    """A job with the responses of these rounds, a reading of every channel as found, and the analyses."""
    first = next(iter(rounds.values()))
    held = [
        setting(c, round_id=r, trim_db=0.0, distance=d, polarity="normal")
        for r in rounds
        for c, d in first.distances_m.items()
    ]
    bodies = [body for r, room in rounds.items() for body in stored(room, r)]
    read_all = levels({channel.id: read for channel in first.system.channels})
    items = [
        replace(each, round=r, seq=10_000 * n + each.seq)
        for n, (r, room) in enumerate(rounds.items(), start=1)
        for each in room.analysed()
    ]
    return job_of(defined(first.system), *held, *read_all, *bodies, *more), Analyses(items)


def action(rule: str, *channels: str, kind: str = "repaired") -> ActionLogged:
    return ActionLogged(round=AS_FOUND, finding=rule, title="", channels=channels, action=kind)  # type: ignore[arg-type]


def quiet() -> SoundRoom:
    return SoundRoom(seed=1, uneven_db=0.5)


def test_a_sound_room_waits_for_nothing() -> None:
    assert awaiting_repair(*_with_round(visit({AS_FOUND: quiet()}))) == {}


def _with_round(made: tuple[Job, Analyses], round_id: str = AS_FOUND) -> tuple[Job, str, Analyses]:
    return made[0], round_id, made[1]


def test_every_electronic_fault_holds_its_channels_back() -> None:
    room = quiet().swap("BL", "BR")
    assert awaiting_repair(*_with_round(visit({AS_FOUND: room}))) == {
        "BL": "plays from the position of BR",
        "BR": "plays from the position of BL",
    }
    dead = quiet().add_db("SiL", -24, above_hz=2800)
    assert awaiting_repair(*_with_round(visit({AS_FOUND: dead}))) == {"SiL": "tweeter dead"}
    low = quiet().add_db("FL", -35, below_hz=2500)
    assert awaiting_repair(*_with_round(visit({AS_FOUND: low}))) == {"FL": "woofer dead"}
    hollow = quiet().add_db("FL", -20, above_hz=450, below_hz=2600)
    assert awaiting_repair(*_with_round(visit({AS_FOUND: hollow}))) == {"FL": "midrange dead"}
    reversed_driver = quiet().reverse_tweeter("SiL")
    assert awaiting_repair(*_with_round(visit({AS_FOUND: reversed_driver}))) == {"SiL": "one driver reversed"}
    shared = quiet().play_from("SiR", "FL")
    assert awaiting_repair(*_with_round(visit({AS_FOUND: shared}))) == {
        "FL": "plays from one loudspeaker with SiR",
        "SiR": "plays from one loudspeaker with FL",
    }
    mended = visit({AS_FOUND: quiet().play_from("SiR", "FL"), AS_LEFT: quiet()})
    assert awaiting_repair(*_with_round(mended, AS_LEFT)) == {}


def test_the_sheet_has_no_value_and_says_why() -> None:
    job, analyses = visit({AS_FOUND: quiet().add_db("SiL", -24, above_hz=2800)})
    lines = {(line.channel, line.kind): line for line in settings_sheet(job, analyses)}
    for kind in ("trim", "delay"):
        line = lines[("SiL", kind)]
        assert (line.new, line.change, line.ticked) == (None, False, False)
        assert line.why == "repair: tweeter dead"
        assert lines[("SiR", kind)].new is not None
    level = level_step.solve(job, AS_FOUND, analyses).channels["SiL"]
    assert (level.trim_db, level.trim_exact_db, level.why_no_trim) == (None, None, "tweeter dead")


def test_a_channel_that_waits_for_its_repair_leaves_room_for_the_error_of_rounding() -> None:
    """A terminal of 120x40 leaves 74 columns for results."""
    wrong = (setting(channel.id, distance=11.52) for channel in cinema().channels)
    job, analyses = visit({AS_FOUND: quiet().add_db("SiL", -24, above_hz=2800)}, *wrong)
    table = distances.evaluate(job, AS_FOUND, analyses).tables[0]
    lines = plain(TableLayout(table, 74).lines()).split("\n")
    waiting = next(line for line in lines if line.split()[:1] == ["SiL"])
    assert "repair" in waiting
    heading = next(line for line in lines if "Channel" in line)
    assert heading.split()[-1] == "Verdict"
    assert "Error" in "".join(lines[:4])
    assert all(len(line) <= 74 for line in lines)


def test_no_trim_is_proposed_where_it_may_not_be_why_a_level_is_off() -> None:
    """A midrange 8 dB low is 2 dB short of counting as dead, and no trim: only 400 Hz to 3.2 kHz are soft."""
    room = quiet().add_db("SiL", -8, above_hz=400, below_hz=3200)
    job, analyses = visit({AS_FOUND: room}, *levels({"SiL": [71.0] * 5}))
    found = level_step.solve(job, AS_FOUND, analyses)
    assert {c for c, each in found.channels.items() if each.in_doubt} == {"SiL"}
    (line,) = (line for line in settings_sheet(job, analyses) if (line.channel, line.kind) == ("SiL", "trim"))
    assert (line.new, line.why) == (None, "find the cause first: it may not be the trim")
    remarks = level_step.evaluate(job, AS_FOUND, analyses).remarks
    assert any(each.startswith("No trim is proposed for SiL: whether the trim is the cause") for each in remarks)
    accepted = action("settings.trims", "SiL", kind="accepted")
    job, analyses = visit({AS_FOUND: room}, *levels({"SiL": [71.0] * 5}), accepted)
    assert level_step.solve(job, AS_FOUND, analyses).channels["SiL"].trim_db is not None
    job, analyses = visit({AS_FOUND: room}, *levels({"SiL": [72.4]}))  # −1.3 dB, u 1.1 dB: no finding
    assert level_step.solve(job, AS_FOUND, analyses).channels["SiL"].trim_db is not None
    again = levels({c.id: 71.0 if c.id == "SiL" else 75.0 for c in cinema().channels}, round_id="interim-1")
    job, analyses = visit({AS_FOUND: room}, *again)  # read again without a response: the cause is still open
    assert level_step.solve(job, "interim-1", analyses).channels["SiL"].in_doubt
    even = visit({AS_FOUND: quiet().add_db("SiL", -8)}, *levels({"SiL": [67.0] * 5}))
    assert level_step.solve(even[0], AS_FOUND, even[1]).channels["SiL"].trim_db is not None


def test_levels_and_distances_say_what_waits_for_the_repair() -> None:
    made = visit({AS_FOUND: quiet().add_db("SiL", -24, above_hz=2800)})
    for step, setting_name in ((level_step, "trim"), (distances, "distance")):
        remarks = step.evaluate(*_with_round(made)).remarks
        assert f"No {setting_name} is proposed before the repair: SiL (tweeter dead)." in remarks
    assert waiting_sentences({"FL": None, "FR": None}, "trim") == ()


@pytest.mark.parametrize("read_db", [36.0, 46.0])
def test_a_channel_that_reads_only_the_rooms_noise_waits_for_its_repair(read_db: float) -> None:
    # Its recordings are rejected as silence, so only the meter shows it. 46 dB: another loudspeaker plays a little of it.
    readings = levels({c.id: [75.0] for c in cinema().channels} | {"SiL": [read_db]})
    job = job_of(defined(cinema()), *readings)
    found = level_step.solve(job, AS_FOUND, Analyses([]))
    assert {c: each.why_no_trim for c, each in found.channels.items() if each.why_no_trim} == {"SiL": "silent"}


def test_a_soft_channel_and_readings_of_two_are_not_silence() -> None:
    soft = {c.id: [75.0] for c in cinema().channels} | {"SiL": [55.0]}
    for readings in (soft, {"FL": [75.0], "FR": [36.0]}):
        assert awaiting_repair(job_of(defined(cinema()), *levels(readings)), AS_FOUND, Analyses([])) == {}


def test_a_faulty_reading_does_not_shift_the_others() -> None:
    # Range ±6 dB: SiL, whose dead woofer reads 7 dB low, would ask for a common offset of all channels.
    room = SoundRoom(cinema(processor=Processor(trim_db=TrimRange(min=-6, max=6, step=0.5))), uneven_db=0.5).add_db(
        "SiL", -35, below_hz=2500
    )
    job, analyses = visit({AS_FOUND: room}, *levels({"SiL": [66.6] * 5}))
    healthy = level_step.solve(job, AS_FOUND, analyses)
    assert healthy.channels["SiL"].why_no_trim == "woofer dead"
    assert healthy.proposed_offset_db == 0.0
    assert level_step.solve(job, AS_FOUND).proposed_offset_db < 0.0  # what the reading alone would have asked for


def test_a_fault_stays_until_a_later_round_shows_the_channel_without_it() -> None:
    dead, sound = quiet().add_db("SiL", -24, above_hz=2800), quiet()
    job, analyses = visit({AS_FOUND: dead}, RoundOpened(round=AS_LEFT))
    assert awaiting_repair(job, AS_LEFT, analyses) == {"SiL": "tweeter dead as found, not measured again"}
    job, analyses = visit({AS_FOUND: dead, AS_LEFT: sound})
    assert awaiting_repair(job, AS_LEFT, analyses) == {}
    assert awaiting_repair(job, AS_FOUND, analyses) == {"SiL": "tweeter dead"}
    trim = next(line for line in settings_sheet(job, analyses) if (line.channel, line.kind) == ("SiL", "trim"))
    assert (trim.new, trim.why) == (None, "its fault is no longer found: read its level again")


def test_a_logged_repair_is_said_with_its_time_and_releases_nothing() -> None:
    dead = quiet().add_db("SiL", -24, above_hz=2800)
    job, analyses = visit({AS_FOUND: dead}, action("wiring.tweeter", "SiL", kind="replaced"))
    (reason,) = awaiting_repair(job, AS_FOUND, analyses).values()
    assert reason.startswith("replaced ")
    assert reason.endswith(" UTC, not yet measured again")
    job, analyses = visit({AS_FOUND: dead}, action("wiring.tweeter", "SiL"), Withdrawn(seq=job.log[-1].seq))
    assert awaiting_repair(job, AS_FOUND, analyses) == {"SiL": "tweeter dead"}


def test_what_the_client_accepts_as_it_is_may_be_set() -> None:
    dead = quiet().add_db("SiL", -24, above_hz=2800)
    job, analyses = visit({AS_FOUND: dead}, action("wiring.tweeter", "SiL", kind="accepted"))
    assert awaiting_repair(job, AS_FOUND, analyses) == {}
