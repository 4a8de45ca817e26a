"""The settings sheet: the exact values to type, their source rounds, and what is already entered."""

from __future__ import annotations

from dataclasses import replace

import pytest
from builders import SEATS, cinema, decided, defined, job_of, levels, setting, tapes
from hypothesis import given, settings
from hypothesis import strategies as st
from sound_room import SoundRoom

from commission.model import (
    Analyses,
    DelayRange,
    EventBody,
    Job,
    Processor,
    ResponseStored,
    Setting,
    SettingEntered,
    TrimRange,
)
from commission.steps.bass.entries import SubProposal
from commission.steps.handover.settings_sheet import SheetLine, _bass_lines, settings_sheet, source_sentence

NONE = Analyses()


def by_place(job: Job, analyses: Analyses = NONE) -> dict[tuple[str, str], SheetLine]:
    return {(line.channel, line.kind): line for line in settings_sheet(job, analyses)}


def response(round_id: str) -> ResponseStored:
    return ResponseStored(
        round=round_id, channel="FL", seat="A2", kind="impulse", file_name="a.wav", file_sha256="0" * 64
    )


def test_a_line_for_each_thing_to_set_with_old_and_new() -> None:
    # FL reads 76.5 at −1.0 dB: −2.5; 3.42 m on a 3 cm grid stays 3.42. BL reads right and has 3.00 m instead of 4.20.
    job = job_of(
        defined(cinema(["FL", "BL"])),
        *levels({"FL": 76.5, "BL": 75.0}),
        *tapes({"FL": 3.42, "BL": 4.20}),
        setting("FL", trim_db=-1.0, distance=3.42),
        setting("BL", trim_db=0.5, distance=3.00),
    )
    lines = by_place(job)
    assert [(key, line.old, line.new, line.change) for key, line in lines.items()] == [
        (("FL", "trim"), -1.0, -2.5, True),
        (("FL", "delay"), 3.42, 3.42, False),
        (("BL", "trim"), 0.5, 0.5, False),
        (("BL", "delay"), 3.00, 4.20, True),
    ]
    assert lines[("FL", "trim")].unit == "dB"
    assert lines[("FL", "delay")].unit == "m distance"
    assert lines[("FL", "trim")].name == "Front left"
    assert not any(line.ticked for line in lines.values())


@pytest.mark.parametrize(("step", "decimals"), [(1.0, 1), (0.5, 1), (0.25, 2)])
def test_trims_are_typed_with_the_decimals_of_the_grid(step: float, decimals: int) -> None:
    processor = Processor(trim_db=TrimRange(step=step))
    line = by_place(job_of(defined(cinema(["FL"], processor=processor)), *levels({"FL": 76.0})))[("FL", "trim")]
    assert (line.new, line.decimals, line.round, line.why) == (-1.0, decimals, "as-found", "")


def test_what_was_not_noted_has_no_old_value_and_is_a_change() -> None:
    line = by_place(job_of(defined(cinema(["FL"])), *levels({"FL": 75.0})))[("FL", "trim")]
    assert (line.old, line.new, line.change) == (None, 0.0, True)


def test_channels_without_readings_have_no_trim_line() -> None:
    lines = by_place(job_of(defined(cinema(["FL", "FC"])), *levels({"FL": 76.0})))
    assert ("FL", "trim") in lines
    assert ("FC", "trim") not in lines
    assert ("FC", "delay") in lines  # the distance follows from its position


def test_ticked_means_typed_in_as_the_sheet_says() -> None:
    bodies: tuple[EventBody, ...] = (defined(cinema(["FL"])), *levels({"FL": 77.0}), setting("FL", trim_db=0.0))
    line = by_place(job_of(*bodies))[("FL", "trim")]
    assert line.setting == Setting(round="as-left", channel="FL", trim_db=-2.0)
    ticked = SettingEntered(setting=line.setting, applied=True)
    assert by_place(job_of(*bodies, ticked))[("FL", "trim")].ticked
    noted_only = SettingEntered(setting=line.setting, applied=False)
    assert not by_place(job_of(*bodies, noted_only))[("FL", "trim")].ticked
    other = SettingEntered(setting=Setting(round="as-left", channel="FL", trim_db=-1.0), applied=True)
    assert not by_place(job_of(*bodies, other))[("FL", "trim")].ticked
    # The old value stays that of the measured round.
    assert by_place(job_of(*bodies, ticked))[("FL", "trim")].old == 0.0


def test_a_ticked_trim_does_not_tick_the_delay_that_was_only_noted() -> None:
    bodies: tuple[EventBody, ...] = (
        defined(cinema(["FL", "FC"])),
        *levels({"FL": 77.0, "FC": 75.0}),
        setting("FL", trim_db=0.0, distance=3.0),
    )
    lines = by_place(job_of(*bodies))
    noted = [SettingEntered(setting=lines[("FL", kind)].setting) for kind in ("trim", "delay")]
    ticked = SettingEntered(setting=lines[("FL", "trim")].setting, applied=True)
    after = by_place(job_of(*bodies, *noted, ticked))
    assert after[("FL", "trim")].ticked
    assert not after[("FL", "delay")].ticked
    later = SettingEntered(setting=Setting(round="as-left", channel="FL", trim_db=1.5))
    assert not by_place(job_of(*bodies, ticked, later))[("FL", "trim")].ticked  # the processor has another value now


def test_a_decided_offset_reaches_the_sheet() -> None:
    bodies: tuple[EventBody, ...] = (defined(cinema(["FL", "FC"])), *levels({"FL": 75.0, "FC": 75.0}))
    job = job_of(*bodies, decided("levels", "common_offset", "-3"))
    assert [by_place(job)[(c, "trim")].new for c in ("FL", "FC")] == [-3.0, -3.0]


@pytest.mark.parametrize(
    ("bodies", "expected"),
    [
        (levels({"FL": 75.0}), "as-found"),
        ((*levels({"FL": 75.0}), *levels({"FL": 75.0}, round_id="after wiring")), "after wiring"),
        # As left, read after unrecorded changes of trims: its trim is unknown, so the readings prove nothing.
        ((*levels({"FL": 75.0}), *levels({"FL": 75.0}, round_id="as-left")), "as-found"),
        (
            (
                *levels({"FL": 77.0}),
                *levels({"FL": 75.0}, round_id="as-left"),
                setting("FL", round_id="as-left", trim_db=-2.0),
            ),
            "as-left",
        ),
        # Responses without readings give no trims.
        ((*levels({"FL": 75.0}), response("after wiring")), "as-found"),
    ],
)
def test_a_trim_follows_the_newest_round_whose_readings_carry_it(
    bodies: tuple[EventBody, ...], expected: str
) -> None:
    line = by_place(job_of(defined(cinema(["FL"])), *bodies))[("FL", "trim")]
    assert line.round == expected


def test_an_interim_round_keeps_the_trim_that_was_noted_before() -> None:
    job = job_of(defined(cinema(["FL"])), setting("FL", trim_db=-3.0), *levels({"FL": 76.0}, round_id="after wiring"))
    line = by_place(job)[("FL", "trim")]
    assert (line.old, line.new, line.round) == (-3.0, -4.0, "after wiring")


def test_a_trim_that_was_set_follows_no_scatter_of_the_meter() -> None:
    bodies: tuple[EventBody, ...] = (
        defined(cinema(["FL"])),
        setting("FL", trim_db=0.0),
        *levels({"FL": 77.0}),
        setting("FL", round_id="as-left", applied=True, trim_db=-2.0),
    )
    near = by_place(job_of(*bodies, *levels({"FL": 75.3}, round_id="as-left")))[("FL", "trim")]
    assert (near.old, near.new, near.change, near.ticked) == (-2.0, -2.0, False, True)
    off = by_place(job_of(*bodies, *levels({"FL": 80.0}, round_id="as-left")))[("FL", "trim")]
    assert (off.old, off.new, off.change, off.ticked) == (-2.0, -7.0, True, False)


def test_the_sheet_says_which_round_each_kind_follows() -> None:
    job = job_of(
        defined(cinema(["FL", "FC"])),
        *levels({"FL": 77.0, "FC": 75.0}),
        *levels({"FC": 75.0}, round_id="after wiring"),
    )
    assert source_sentence(settings_sheet(job, NONE)) == "trims as found (FC: after wiring), distances as found"
    # For a single round without noted settings, it contains what that round's readings imply.
    (delay,) = settings_sheet(
        job_of(defined(cinema(["FL"])), *tapes({"FL": 3.42}, round_id="as-left")), NONE, "as-left"
    )
    assert (delay.kind, delay.old, delay.new) == ("delay", None, 3.42)


def test_decimals_show_every_value_of_the_grid() -> None:
    processor = Processor(trim_db=TrimRange(step=0.25), delay=DelayRange(unit="ms", max=50, step=0.005))
    job = job_of(defined(cinema(["FL", "FC"], processor=processor)), *levels({"FL": 76.25, "FC": 75.0}))
    lines = by_place(job)
    assert (lines[("FL", "trim")].new, lines[("FL", "trim")].decimals) == (-1.25, 2)
    assert lines[("FC", "delay")].decimals == 3
    assert lines[("FC", "delay")].unit == "ms delay"
    whole = replace(processor, delay=DelayRange(unit="ms", max=50, step=0.5))
    job = job_of(defined(cinema(["FL", "FC"], processor=whole)), *levels({"FL": 76.25, "FC": 75.0}))
    assert by_place(job)[("FC", "delay")].decimals == 1


@pytest.mark.parametrize(
    ("held", "seats", "expected"),
    [
        ("reversed", SEATS, ("reversed", "normal", True)),  # the setting is the fault
        ("reversed", (), ("reversed", "reversed", False)),  # the setting compensates the wiring
        ("normal", SEATS, None),  # the wire is the fault: no setting hides it
        ("normal", (), None),
        ("reversed", ("A1", "A3", "B2"), None),  # half of the seats is not enough
        ("reversed", None, None),  # never heard
    ],
)
def test_the_sheet_lists_a_polarity_only_if_the_setting_decides(
    held: str, seats: tuple[str, ...] | None, expected: tuple[str, str, bool] | None
) -> None:
    """`seats`: where FL sounds reversed against FR; None: no response."""
    room = SoundRoom(cinema(["FL", "FR"]))
    room = room.drop("FL") if seats is None else room.reverse("FL", seats)
    line = by_place(job_of(defined(cinema(["FL", "FR"])), setting("FL", polarity=held)), room.analyses()).get(
        ("FL", "polarity")
    )
    assert (None if line is None else (line.old, line.new, line.change)) == expected
    if line is not None:
        assert line.setting.polarity == line.new


def test_the_sheet_follows_comparison_with_the_same_model() -> None:
    room = SoundRoom(cinema(["FL", "FC", "FR", "SiL", "SiR"])).change(
        None, polarity=-1
    )  # the signs alone do not count
    job = room.job(setting("FL", polarity="reversed"), setting("SiL", polarity="reversed"))
    lines = {line.channel: line.new for line in settings_sheet(job, room.analyses()) if line.kind == "polarity"}
    assert lines == {"FL": "reversed", "SiL": "reversed"}  # like the others: the setting compensates the wiring
    odd = room.reverse("FL")
    lines = {line.channel: line.new for line in settings_sheet(job, odd.analyses()) if line.kind == "polarity"}
    assert lines == {"FL": "normal", "SiL": "reversed"}


@pytest.mark.parametrize(
    ("old", "new", "stated"),
    [
        ("normal", "reversed", True),
        ("reversed", "normal", True),
        ("reversed", "reversed", True),
        ("normal", "normal", False),
    ],
)
def test_a_subwoofers_polarity_is_a_line_where_it_changes_or_is_reversed(old: str, new: str, stated: bool) -> None:
    job = job_of(defined(cinema()))
    (sub,) = (channel for channel in job.system.channels if channel.id == "SUB1")
    each = SubProposal(
        channel=sub,
        gain_db=0.0,
        delay_s=0.0,
        polarity=1,
        old_trim_db=None,
        old_setting=None,
        old_polarity=old,
        trim_db=None,
        setting=None,
        new_polarity=new,
    )
    lines = [(line.kind, line.old, line.new) for line in _bass_lines(job, each, "as-found")]
    assert lines == ([("polarity", old, new)] if stated else [])


def test_a_subwoofers_polarity_is_left_to_the_crossover() -> None:
    room = SoundRoom().change("SUB1", polarity=-1)
    lines = settings_sheet(room.job(setting("SUB1", polarity="reversed")), room.analyses())
    assert [line for line in lines if line.kind == "polarity"] == []


@settings(max_examples=30, deadline=None)
@given(
    readings=st.dictionaries(
        st.sampled_from(["FL", "FC", "FR", "BL"]), st.floats(64, 88).map(lambda x: round(x, 1)), min_size=1
    ),
    grid=st.sampled_from([0.1, 0.25, 0.5, 1.0]),
)
def test_every_number_on_the_sheet_can_be_held_by_the_processor(readings: dict[str, float], grid: float) -> None:
    processor = Processor(
        trim_db=TrimRange(min=-12, max=12, step=grid), delay=DelayRange(unit="ft", max=60, step=0.1)
    )
    job = job_of(defined(cinema(processor=processor)), *levels(readings))
    for line in settings_sheet(job, NONE):
        assert isinstance(line.new, float)
        step, low, high = (grid, -12.0, 12.0) if line.kind == "trim" else (0.1, 0.0, 60.0)
        steps = (line.new - low) / step
        assert steps == pytest.approx(round(steps), abs=1e-5)
        assert low <= line.new <= high
        assert float(f"{line.new:.{line.decimals}f}") == pytest.approx(line.new, abs=1e-9)  # nothing lost in print
