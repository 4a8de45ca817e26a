"""Questions before an entry is stored: wrong digits and units cause one, values of a healthy room do not.

The room is the invented one. Feet: NIST SP 811, Appendix B.8, 1 ft = 0.3048 m. The thresholds are common practice, no
source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from builders import SEATS, cinema, defined, job_of, levels, setting, tapes

from commission.model import DelayRange, Job, Processor, Prompt, Room, Setting, System
from commission.steps import step
from commission.steps.shared.unusual import unusual_distance, unusual_in, unusual_setting, unusual_system

FOOT_M = 0.3048


def to(system: System, channel: str) -> float:
    """Metres from the ears at the reference seat, by Pythagoras."""
    found = system.channel(channel)
    assert found is not None
    assert found.position_m is not None
    return sum((a - b) ** 2 for a, b in zip(found.position_m, SEATS["A2"], strict=True)) ** 0.5


def asked_distance(job: Job, channel: str, value_m: float) -> str:
    found = job.system.channel(channel)
    assert found is not None
    return unusual_distance(job, "as-found", found, value_m)


def asked_level(job: Job, channel: str, value_db: float) -> str:
    plan = step("levels").plan(job, "as-found")
    prompt = next(each for each in plan if isinstance(each, Prompt) and each.channel == channel)
    return step("levels").unusual(job, "as-found", prompt, value_db)


def test_a_healthy_room_is_not_asked_about() -> None:
    job = job_of(defined(cinema()))
    assert unusual_in(job.system) == []
    for channel in job.system.channels:
        for slip in (0.9, 1.0, 1.1):  # a sagging tape, positions by eye
            assert asked_distance(job, channel.id, slip * to(job.system, channel.id)) == ""


@pytest.mark.parametrize("factor", [FOOT_M, 1 / FOOT_M, 0.1, 10.0])
def test_a_tape_in_another_unit_is_asked_about(factor: float) -> None:
    job = job_of(defined(cinema()))
    for channel in job.system.channels:
        sentence = asked_distance(job, channel.id, factor * to(job.system, channel.id))
        assert "but the positions give" in sentence, channel.id


def test_without_positions_tape_and_room_say_what_is_far() -> None:
    bare = replace(cinema(), channels=tuple(replace(c, position_m=None) for c in cinema().channels))
    job = job_of(defined(bare))
    assert asked_distance(job, "FL", 3.4) == ""
    assert "diagonal of the room" in asked_distance(job, "FL", 9.7)  # √(6.4² + 4.7² + 2.6²) = 8.35 m
    taped = job_of(defined(bare), *tapes({"FL": 3.4}))
    assert asked_distance(taped, "FL", 3.6) == ""
    assert "but the tape gave 3.40 m before" in asked_distance(taped, "FL", 5.0)


def test_a_tape_that_was_kept_is_not_asked_about_again() -> None:
    job = job_of(defined(cinema()), *tapes({"FL": 9.7}))
    assert asked_distance(job, "FL", 9.7) == ""
    assert "but the positions give" in asked_distance(job, "FC", 9.7)


def test_places_outside_the_room_and_far_from_the_tape() -> None:
    job = job_of(defined(cinema()))

    def moved(channel: str, place: tuple[float, float, float], **more: Any) -> System:
        return replace(
            job.system,
            channels=tuple(
                replace(c, position_m=place, **more) if c.id == channel else c for c in job.system.channels
            ),
        )

    assert unusual_system(job, moved("FL", (-1.45, -0.15, 1.15))) == ""  # built into the wall
    assert "outside the room" in unusual_system(job, moved("FL", (-4.76, 0.3, 1.15)))
    kept = job_of(defined(moved("FL", (-4.76, 0.3, 1.15))))
    assert unusual_system(kept, replace(kept.system, place="the loft")) == ""  # that was confirmed
    taped = moved("FL", (-1.45, 0.10, 1.15), distance_m=3.5)
    assert unusual_system(job, taped) == ""
    assert "but the positions give" in unusual_system(job, moved("FL", (-0.44, 0.03, 0.35), distance_m=5.0))


def test_a_room_in_another_unit_is_asked_about() -> None:
    job = job_of(defined(replace(cinema(), channels=(), seats=())))
    for factor, unusual in ((1.0, False), (FOOT_M, True), (1 / FOOT_M, True)):
        room = Room(length_m=6.4 * factor, width_m=4.7 * factor, height_m=2.6 * factor)
        assert bool(unusual_system(job, replace(job.system, room=room))) == unusual, factor
    full = job_of(defined(cinema()))
    assert "outside the room" in unusual_system(
        full, replace(full.system, room=Room(length_m=4, width_m=4, height_m=3))
    )


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"trim_db": 0.5}, ""),
        ({"trim_db": -12.0}, ""),
        ({"trim_db": -12.02}, ""),  # within a twentieth of a step
        ({"trim_db": -12.04}, "outside the range"),
        ({"trim_db": -15.0}, "outside the range of the processor, −12.0 to +12.0 dB"),
        ({"trim_db": 0.3}, "between the steps of the processor: 0.0 or +0.5 dB"),
        ({"distance": 3.42}, ""),
        ({"distance": 3.43}, "3.42 or 3.45 m"),
        ({"distance": 18.6}, "outside the range"),
        ({"distance": 11.22}, "11.22 m, but the positions give 3.51 m"),
        ({"polarity": "reversed"}, ""),
    ],
)
def test_settings_as_found(changes: dict[str, Any], words: str) -> None:
    job = job_of(defined(cinema()))
    new = Setting(round="as-found", channel="FL", **changes)
    sentence = unusual_setting(job, new)
    assert words in sentence
    assert bool(sentence) == bool(words)
    kept = job_of(defined(cinema()), setting("FL", **changes))
    assert unusual_setting(kept, new) == ""


@pytest.mark.parametrize("changes", [{"trim_db": -15.0}, {"distance": 3.43}])
def test_a_value_that_one_channel_was_found_with_is_not_asked_about_at_the_next(changes: dict[str, Any]) -> None:
    job = job_of(defined(cinema()), setting("FL", **changes))
    assert unusual_setting(job, Setting(round="as-found", channel="FR", **changes)) == ""


def test_one_wrong_unit_in_the_processor_is_one_question() -> None:
    """All distances entered in feet instead of metres: the first is questioned, which answers the others."""
    system = cinema(processor=Processor(delay=DelayRange(unit="m", max=30.0, step=0.01)))
    job = job_of(defined(system), setting("FL", distance=round(to(system, "FL") / FOOT_M, 2)))
    feet = round(to(system, "FR") / FOOT_M, 2)
    assert unusual_setting(job, Setting(round="as-found", channel="FR", distance=feet)) == ""
    other = Setting(round="as-found", channel="FR", distance=round(to(system, "FR") * 5, 2))
    assert "but the positions give" in unusual_setting(job, other)


def test_a_repeat_that_is_off_is_asked_about_once() -> None:
    job = job_of(defined(cinema()), *levels({"FL": 76.0}), *levels({"FL": 76.4}))
    assert asked_level(job, "FL", 77.5) == ""
    assert "86.3 dB is 10.1 dB above the other readings here (76.2 dB)" in asked_level(job, "FL", 86.3)
    kept = job_of(defined(cinema()), *levels({"FL": 76.0}), *levels({"FL": 76.4}), *levels({"FL": 86.3}))
    assert asked_level(kept, "FL", 86.3) == ""


def test_a_slip_in_the_tens_shows_among_the_other_channels() -> None:
    job = job_of(defined(cinema()), *levels({"FC": 74.5, "FR": 76.0, "SiL": 71.0}))
    assert asked_level(job, "FL", 80.0) == ""  # trims by ear, as found
    assert "above the middle of the other main channels" in asked_level(job, "FL", 86.3)
    assert asked_level(job, "SUB1", 86.3) == ""  # subwoofers have a reference of their own
    few = job_of(defined(cinema()), *levels({"FC": 74.5, "FR": 76.0}))
    assert asked_level(few, "FL", 86.3) == ""


@pytest.mark.parametrize(
    ("tape_m", "position_m", "asked"),
    # Half a metre and a quarter of the larger one, both.
    [(1.45, 1.0, False), (1.55, 1.0, True), (4.9, 4.0, False), (5.4, 4.0, True), (2.9, 4.0, True), (3.1, 4.0, False)],
)
def test_a_tape_is_far_from_the_position_by_half_a_metre_and_a_quarter(
    tape_m: float, position_m: float, asked: bool
) -> None:
    x, y, z = SEATS["A2"]
    system = cinema()
    moved = tuple(replace(c, position_m=(x, y - position_m, z)) if c.id == "FC" else c for c in system.channels)
    job = job_of(defined(replace(system, channels=moved, room=None)))
    assert bool(asked_distance(job, "FC", tape_m)) is asked


@pytest.mark.parametrize(("beyond_m", "asked"), [(0.29, False), (0.31, True)])
def test_places_and_tapes_may_be_0_3_m_outside_the_room(beyond_m: float, asked: bool) -> None:
    room = Room(length_m=6.4, width_m=4.7, height_m=2.6)
    system = replace(cinema(), room=room)
    diagonal_m = (6.4**2 + 4.7**2 + 2.6**2) ** 0.5
    bare = tuple(replace(c, position_m=None) for c in system.channels)
    assert bool(asked_distance(job_of(defined(replace(system, channels=bare))), "FC", diagonal_m + beyond_m)) is asked
    for place in (
        (2.35 + beyond_m, 1.0, 1.0),
        (-2.35 - beyond_m, 1.0, 1.0),
        (0.0, -beyond_m, 1.0),
        (0.0, 6.4 + beyond_m, 1.0),
        (0.0, 1.0, -beyond_m),
        (0.0, 1.0, 2.6 + beyond_m),
    ):
        moved = tuple(replace(c, position_m=place if c.id == "FC" else None) for c in system.channels)
        assert bool(unusual_in(replace(system, channels=moved))) is asked


@pytest.mark.parametrize(("side_m", "asked"), [(1.9, True), (2.1, False), (19.5, False), (20.5, True)])
def test_a_side_of_a_room_is_2_to_20_m(side_m: float, asked: bool) -> None:
    empty = replace(cinema(), channels=(), seats=())
    for name, room in (
        ("Length", Room(length_m=side_m, width_m=5.0, height_m=3.0)),
        ("Width", Room(length_m=5.0, width_m=side_m, height_m=3.0)),
        ("Height", Room(length_m=5.0, width_m=5.0, height_m=side_m)),
    ):
        sentences = unusual_in(replace(empty, room=room))
        assert [each.split()[0] for each in sentences] == ([name] if asked else [])


@pytest.mark.parametrize(("factor", "asked"), [(0.48, True), (0.52, False), (1.9, False), (2.1, True)])
def test_a_distance_in_the_processor_is_off_by_a_factor_of_two(factor: float, asked: bool) -> None:
    system = cinema(processor=Processor(delay=DelayRange(unit="m", max=30.0, step=0.001)))
    new = Setting(round="as-found", channel="FL", distance=round(factor * to(system, "FL"), 3))
    assert bool(unusual_setting(job_of(defined(system)), new)) is asked
    # Another channel off by as much has been confirmed: within a factor of 1.25 it is the same cause.
    for other, again in ((3.0, True), (2.5, False), (1.8, True)):
        entered = setting("FR", distance=round(other * to(system, "FR"), 3))
        new = Setting(round="as-found", channel="FL", distance=round(2.2 * to(system, "FL"), 3))
        assert bool(unusual_setting(job_of(defined(system), entered), new)) is again


def test_repeats_differ_by_3_db_and_channels_by_9_db() -> None:
    read = job_of(defined(cinema()), *levels({"FL": 75.0}))
    for value, asked in ((77.9, False), (78.1, True), (72.1, False), (71.9, True)):
        assert bool(asked_level(read, "FL", value)) is asked
    assert asked_level(read, "FL", 79.0) == "79.0 dB is 4.0 dB above the reading before (75.0 dB)."
    twice = job_of(defined(cinema()), *levels({"FL": (75.0, 76.0)}))
    assert asked_level(twice, "FL", 71.5) == "71.5 dB is 4.0 dB below the other readings here (75.5 dB)."
    others = job_of(defined(cinema()), *levels({"FC": 75.0, "FR": 75.0, "SiL": 75.0}))
    for value, asked in ((83.9, False), (84.1, True), (66.1, False), (65.9, True)):
        assert bool(asked_level(others, "FL", value)) is asked


@pytest.mark.parametrize(("off_steps", "asked"), [(0.04, False), (0.07, True), (0.5, True), (-0.04, False)])
def test_a_conversion_rounds_away_a_twentieth_of_a_step(off_steps: float, asked: bool) -> None:
    system = cinema(processor=Processor(delay=DelayRange(unit="m", max=30.0, step=0.1)))
    new = Setting(round="as-found", channel="FL", distance=3.4 + 0.1 * off_steps)
    assert bool(unusual_setting(job_of(defined(system)), new)) is asked
