"""A wrong distance setting, a wrong tape reading or wrong delays: each is named, and weaker evidence leads to no
finding.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from builders import cinema, defined, job_of, setting, tapes
from room_findings import found, only, quiet
from sound_room import SoundRoom

from commission.dsp.spectrum import GRID_HZ
from commission.model import (
    AS_FOUND,
    DelayRange,
    EventBody,
    Job,
    Processor,
    SettingEntered,
    Verdict,
)
from commission.steps import all_steps, distances

FOOT = 0.3048
MAINS = [c for c in cinema().channels if not c.is_sub]


def one_seat(room: SoundRoom) -> SoundRoom:
    return room.drop(None, [s.id for s in room.system.seats if not s.reference])


def entered(room: SoundRoom, channel: str, metres: float) -> Job:
    """The job with one setting that differs from its tape."""
    return room.job(setting(channel, distance=room.distances_m[channel] + metres))


@pytest.mark.parametrize("metres", [-1.4, 0.8, 2.0])
@pytest.mark.parametrize("seats", ["one", "all"])
def test_a_wrong_setting_that_the_sound_confirms(metres: float, seats: str) -> None:
    room = quiet()
    room.delay("SiR", -metres / room.speed_m_s)  # entered farther: it waits less for the others
    farthest = max(room.distances_m.values())
    if (moved := room.distances_m["SiR"] + metres) > farthest:  # then all others wait for it
        for channel in room.system.channels:
            room.delay(channel.id, (moved - farthest) / room.speed_m_s)
    if seats == "one":
        one_seat(room)
    finding = only(room, "settings.distance", entered(room, "SiR", metres))
    assert finding.channels == ("SiR",)
    assert "likely" not in finding.title and "the tape reading is wrong" not in finding.alternatives
    assert f"{abs(metres):.2f} m" in " ".join(finding.evidence)


def wrong_sub(metres: float, **why: str) -> tuple[SoundRoom, Job]:
    """A subwoofer with a wrong setting that its sound confirms; `why`: notes on its response."""
    room = quiet().change("SUB2", why=why)
    distances = room.distances_m
    later = max(0.0, distances["SUB2"] + metres - max(distances.values()))  # then all others wait for it
    for channel in room.system.channels:
        room.delay(channel.id, (later - metres * (channel.id == "SUB2")) / room.speed_m_s)
    return room, entered(room, "SUB2", metres)


def test_a_wrong_setting_of_a_subwoofer_is_named_where_tape_and_sound_agree() -> None:
    room, job = wrong_sub(-1.5)
    finding = only(room, "settings.distance", job)
    assert finding.title == "SUB2: wrong distance setting"
    room, job = wrong_sub(1.5)
    finding = only(room, "settings.distance", job)
    assert finding.title == "SUB2: likely a wrong distance setting"
    assert any("low-pass" in each for each in finding.alternatives)


@pytest.mark.parametrize(("metres", "title"), [(1.1, "SUB2 4 ms late"), (4.1, "SUB2 5 ms early")])
def test_a_subwoofer_is_late_by_what_its_setting_leaves_of_its_latency(metres: float, title: str) -> None:
    room, job = wrong_sub(metres)
    room.delay("SUB2", 0.007)  # 2.4 m
    assert only(room, "settings.sub-latency", job).title == title


@pytest.mark.parametrize(
    ("factor", "clause"), [(0.0, "applies no delays"), (-1.0, "with the wrong sign"), (1.0, None)]
)
def test_a_subwoofer_late_as_all_delays_would_make_it_leaves_both_open(factor: float, clause: str | None) -> None:
    """Its setting includes 11 ms of latency, for which three main channels are delayed: too few to decide."""
    room = quiet(system=cinema(["FL", "FR", "FC", "SUB1"]))
    before, own_m = max(room.distances_m.values()), 0.011 * room.speed_m_s
    for c, distance in room.distances_m.items():
        later_m = own_m * (c == "SUB1")
        asked_m = room.distances_m["SUB1"] + own_m - distance - later_m
        room.delay(c, (later_m + factor * asked_m - (before - distance)) / room.speed_m_s)
    findings = found(room, entered(room, "SUB1", own_m))
    if clause is None:
        assert "settings.sub-latency" not in findings
        return
    (late,) = findings["settings.sub-latency"]
    assert "not determined" in late.evidence[-1] and clause in late.alternatives[0]
    assert "Enter" not in late.remedy


@pytest.mark.parametrize(("own_ms", "open_"), [(11.0, True), (5.0, False)])
def test_main_channels_at_one_distance_do_not_show_whether_delays_are_applied(own_ms: float, open_: bool) -> None:
    """The subwoofer is 11 ms late, which equals the latency that its setting allows for."""
    room = quiet(system=cinema(["FL", "FC", "FR", "SUB1"]))
    own_m, farthest_m = own_ms / 1000 * room.speed_m_s, max(room.distances_m.values())
    late_m = 0.011 * room.speed_m_s + room.distances_m["SUB1"] - farthest_m
    for c in room.distances_m:
        room.delay(c, (own_m + late_m * (c == "SUB1")) / room.speed_m_s)
    (late,) = found(room, entered(room, "SUB1", own_m))["settings.sub-latency"]
    assert ("not determined" in late.evidence[-1]) is open_


@pytest.mark.parametrize("late_s", [0.0, 0.118])
def test_times_that_nothing_explains_leave_a_late_subwoofer_open(late_s: float) -> None:
    """Recordings at one seat without a common clock, each at another time; FL and FC too near for that to be sure.

    A fourth one, farther off than any setting, shows it.
    """
    room = one_seat(quiet(system=cinema(["FL", "FR", "FC", "SUB1", *["SiL"] * bool(late_s)])))
    for c, each_s in {"FL": 0.0215, "FC": 0.0095, "FR": 0.02, "SUB1": 0.055, "SiL": late_s}.items():
        if c in room.distances_m:
            room.delay(c, each_s)
    job = entered(room, "SUB1", 0.0)
    if late_s:
        assert list(found(room, job)) == ["measurement.clock"]
    else:
        late = only(room, "settings.sub-latency", job)
        assert "not determined: if the recordings share no clock" in late.evidence[-1]
        assert late.remedy.startswith("First measure one channel twice")


def test_a_pair_whose_settings_allow_for_most_of_its_own_delay_is_not_accused() -> None:
    """Deep horns whose first driver sounds 0.7 ms before the one for which their settings were made."""
    room = quiet()
    own_m = 0.0035 * room.speed_m_s
    for c in ("FL", "FR"):
        room.delay(c, -0.0007)
    bodies = [setting(c, distance=room.distances_m[c] + own_m) for c in ("FL", "FR")]
    later_m = max(room.distances_m[c] + own_m for c in ("FL", "FR")) - max(room.distances_m.values())
    for channel in room.system.channels:
        room.delay(channel.id, max(later_m, 0.0) / room.speed_m_s)
    assert not {"settings.distance", "settings.arrival", "settings.sub-latency"} & set(found(room, room.job(*bodies)))


def test_one_main_channel_at_a_wrong_time_says_nothing_about_all_delays() -> None:
    """The subwoofer is as late as without delays, which would make all main channels late; only the centre is."""
    room = quiet(system=cinema(["FL", "FR", "FC", "SUB1"]))
    own_m = 0.011 * room.speed_m_s
    for c in ("FL", "FR", "FC"):
        room.delay(c, own_m / room.speed_m_s + 0.003 * (c == "FC"))
    farthest_m = max(room.distances_m.values())
    room.delay("SUB1", (2 * own_m + room.distances_m["SUB1"] - farthest_m) / room.speed_m_s)
    (late,) = found(room, entered(room, "SUB1", own_m))["settings.sub-latency"]
    assert not any("not determined" in each for each in late.evidence)


def test_a_setting_that_may_allow_for_a_low_pass_is_not_called_wrong() -> None:
    room, job = wrong_sub(1.5, arrival="a low-pass at about 80 Hz is active")
    assert "settings.distance" not in found(room, job)


def test_a_wrong_setting_without_any_sound() -> None:
    room = quiet().drop(None)
    finding = only(room, "settings.distance", entered(room, "FC", 1.2))
    assert "likely" not in finding.title  # the positions agree with the tape
    blind = replace(room.system, channels=tuple(replace(c, position_m=None) for c in room.system.channels))
    bodies = [each for each in room.bodies() if not isinstance(each, type(defined(blind)))]
    job = job_of(defined(blind), *bodies, setting("FC", distance=room.distances_m["FC"] + 1.2))
    likely = only(room, "settings.distance", job)
    assert "likely" in likely.title and "the tape reading is wrong" in likely.alternatives


def stereo(unit: str = "m", step: float = 0.01, late_s: float = 0.0) -> SoundRoom:
    """Two main loudspeakers and a subwoofer; `late_s`: latency of FR."""
    return quiet(system=cinema(["FL", "FR", "SUB1"], processor=processor_of(unit, step))).delay("FR", late_s)


@pytest.mark.parametrize("metres", [-1.4, 0.8])
@pytest.mark.parametrize("heard", [True, False])
def test_of_two_main_channels_the_distance_entered_shows_which_is_wrong(metres: float, heard: bool) -> None:
    room = stereo(late_s=-metres / quiet().speed_m_s)
    finding = only(room if heard else room.drop(None), "settings.distance", entered(room, "FR", metres))
    assert finding.channels == ("FR",) and "likely" not in finding.title


def delayed(room: SoundRoom, **more_ms: float) -> Job:
    """The job with delays in milliseconds that are 10 ms, and for one channel `more_ms`, longer than needed."""
    d, longest = room.distances_m, max(room.distances_m.values())
    needed_ms = {c: 10 + 1000 * (longest - value) / room.speed_m_s for c, value in d.items()}
    return room.job(*[setting(c, distance=round(value + more_ms.get(c, 0), 1)) for c, value in needed_ms.items()])


@pytest.mark.parametrize("late_ms", [-4.0, 2.4])
@pytest.mark.parametrize("heard", [True, False])
def test_of_two_main_channels_the_delays_entered_show_that_one_is_wrong(late_ms: float, heard: bool) -> None:
    room = stereo("ms", 0.1, late_ms / 1000)
    finding = only(room if heard else room.drop(None), "settings.distance", delayed(room, FR=late_ms))
    assert finding.channels == ("FL", "FR") and "which of the two is wrong is not determined" in finding.evidence[-1]
    assert ("the arrivals fit these settings, so the distances are right" in finding.evidence) is heard
    value_ms, u_ms = re.search(r"([\d.]+) ± ([\d.]+) ms", finding.evidence[1]).groups()  # type: ignore[union-attr]
    assert abs(float(value_ms) - abs(late_ms)) <= 0.1 + float(u_ms)  # two settings, each rounded to 0.1 ms


def test_of_two_that_arrive_together_the_setting_of_one_makes_up_for_its_latency() -> None:
    room = one_seat(stereo())
    assert found(room, entered(room, "FR", 1.0)) == {}


@pytest.mark.parametrize("late_ms", [1.2, 2.4])
def test_a_longer_delay_of_one_of_two_that_the_sound_contradicts_is_not_called_wrong(late_ms: float) -> None:
    """FL is late by itself, by at least as much as the delay of FR is too long."""
    room = quiet(system=cinema(["FL", "FR"], processor=processor_of("ms", 0.1))).delay("FR", 0.0012)
    assert "settings.distance" in found(room, delayed(room, FR=1.2))
    assert "settings.distance" not in found(room.delay("FL", late_ms / 1000), delayed(room, FR=1.2))


def test_two_distances_in_the_wrong_unit_show_it() -> None:
    room = stereo("ft", 0.1)
    job = room.job(*[setting(c, distance=round(d, 1)) for c, d in room.distances_m.items()])
    assert "metres, but the processor reads feet" in found(room, job)["settings.unit"][0].title


def test_one_setting_for_two_main_channels_and_a_subwoofer_is_none_at_all() -> None:
    room = stereo().drop(None)
    job = room.job(*[setting(c, distance=3.0) for c in room.distances_m], *tapes({"SUB1": 4.2}))
    finding = only(room, "settings.delays-off", job)
    assert finding.evidence == ("the settings of all channels are the same, their distances are not",)


def test_one_setting_is_right_where_the_latency_of_a_subwoofer_makes_up_for_its_distance() -> None:
    room = stereo()
    far_m = room.distances_m["FL"]
    room.delay("SUB1", (far_m - room.distances_m["SUB1"]) / room.speed_m_s)
    job = room.job(*[setting(c, distance=far_m) for c in room.distances_m], *tapes({"SUB1": far_m - 1.2}))
    assert "settings.delays-off" not in found(room, job)


def test_two_main_channels_that_agree_show_a_late_subwoofer() -> None:
    late = only(stereo().delay("SUB1", 0.012), "settings.sub-latency")
    assert late.channels == ("SUB1",) and not any("not determined" in each for each in late.evidence)


@pytest.mark.parametrize(("ids", "named"), [(["FL", "BL", "TpFR"], False), (["FL", "SiL", "BL", "TpFR"], True)])
def test_where_no_setting_is_noted_three_aligned_channels_show_a_fourth_that_is_not(
    ids: list[str], named: bool
) -> None:
    room = quiet(system=cinema(ids)).delay("TpFR", 0.004)
    bodies = [each for each in room.bodies() if not isinstance(each, SettingEntered)]
    assert ("settings.distance" in found(room, job_of(defined(room.system), *bodies))) is named


@pytest.mark.parametrize("both", [False, True])
@pytest.mark.parametrize("seats", ["one", "all"])
def test_a_wrong_tape_is_named_and_not_the_setting(both: bool, seats: str) -> None:
    # The tape reading is 0.9 m short; the setting follows it, or is older and right.
    room = quiet()
    wrong = room.distances_m["BL"] - 0.9
    bodies: list[EventBody] = list(tapes({"BL": wrong}))
    if both:
        bodies.append(setting("BL", distance=wrong))
        room.delay("BL", 0.9 / room.speed_m_s)
    if seats == "one":
        one_seat(room)
    got = found(room, room.job(*bodies))
    assert [each.channels for each in got["settings.arrival"]] == [("BL",)]
    assert "settings.distance" not in got
    assert got["settings.arrival"][0].remedy.startswith("Correct the tape reading")


def test_a_setting_that_suits_its_distance_is_not_called_wrong() -> None:
    # Such as a loudspeaker with signal processing of its own.
    finding = only(quiet().delay("TpFR", 0.003), "settings.arrival")
    assert finding.title == "TpFR 3.0 ms late"
    assert any("signal processing" in each for each in finding.alternatives)
    # At one seat, without a tape: the position may be wrong as well.
    room = one_seat(quiet().delay("TpFR", 0.003))
    bodies = [each for each in room.bodies() if getattr(each, "step", "") != "distances"]
    assert only(room, "settings.arrival", job_of(defined(room.system), *bodies)).channels == ("TpFR",)


@pytest.mark.parametrize(("channels", "named"), [("SiL BL TpFR TpBL", True), ("SiL BL TpFR TpBL FL", False)])
def test_where_two_fifths_are_off_nothing_shows_which_of_them_is_right(channels: str, named: bool) -> None:
    room = quiet()
    for n, channel in enumerate(channels.split()):
        room.delay(channel, 0.004 + 0.0015 * n)
    result = distances.solve(room.job(), AS_FOUND, room.analyses())
    wrong = {each.channel for each in distances.wrong_times(room.job(), AS_FOUND, result)}
    assert wrong == (set(channels.split()) if named else set())


def test_a_reflection_at_the_reference_seat_accuses_nobody() -> None:
    for late_ms in (0.8, 2.0, 6.0):
        assert found(quiet().delay("FC", 0.001 * late_ms, ["A2"])) == {}


@pytest.mark.parametrize(
    ("after_s", "level_db", "seats", "judged"),
    [
        (0.0012, 4.0, "one", False),  # the nearer of two loudspeakers is heard first, its own 1.2 ms later
        (0.0012, -2.0, "all", False),
        (0.0012, -6.0, "one", True),  # a reflection
        (0.0020, 4.0, "one", True),  # not at the time of its distance
    ],
)
def test_a_sound_that_comes_early_and_again_at_the_right_time_is_no_wrong_distance(
    after_s: float, level_db: float, seats: str, judged: bool
) -> None:
    room = quiet().delay("FL", -0.0012).change("FL", reflections=((0.004, -9.0), (after_s, level_db)))
    if seats == "one":
        room = one_seat(room)
    assert bool(set(found(room)) & {"settings.arrival", "settings.distance"}) is judged
    step = next(step for step in all_steps() if step.id == "distances")
    checks = step.evaluate(room.job(), AS_FOUND, room.analyses()).checks
    (check,) = [c for c in checks if (c.id, c.channel) == ("distances.arrival", "FL")]
    assert (check.verdict is Verdict.NOT_TESTED) is not judged
    if not judged:
        assert (check.why_not or "").startswith("it is heard 1.2 ms too early and again at the right time")
    assert all(c.verdict is Verdict.PASS for c in checks if c.id == "distances.arrival" and c.channel == "FR")


@pytest.mark.parametrize("which", ["one", "all"])
def test_settings_that_are_not_noted(which: str) -> None:
    room = quiet().delay("FR", 0.004)
    keep = [
        each
        for each in room.bodies()
        if not hasattr(each, "setting") or (which == "one" and each.setting.channel != "FR")
    ]
    finding = only(room, "settings.distance", job_of(defined(room.system), *keep))
    assert finding.channels == ("FR",)
    assert "likely" in finding.title
    sound = quiet()
    keep = [each for each in sound.bodies() if not hasattr(each, "setting")]
    assert found(sound, job_of(defined(sound.system), *keep)) == {}


def processor_of(unit: str, step: float, speed_m_s: float | None = None) -> Processor:
    return Processor(delay=DelayRange(unit=unit, max=100, step=step), speed_of_sound_m_s=speed_m_s)  # type: ignore[arg-type]


@pytest.mark.parametrize(("unit", "step"), [("ft", 1.0), ("ft", 0.5), ("ms", 1.0), ("m", 0.3), ("m", 0.1)])
@pytest.mark.parametrize("seed", range(2))
def test_a_coarse_processor_accuses_nobody(unit: str, step: float, seed: int) -> None:
    room = quiet(seed, cinema(processor=processor_of(unit, step)))
    d, rng = room.distances_m, np.random.default_rng(seed)
    longest = max(d.values())
    exact = {
        c: 1000 * (longest - v) / room.speed_m_s if unit == "ms" else v / (FOOT if unit == "ft" else 1)
        for c, v in d.items()
    }
    held = {c: round((v + rng.normal(0, 0.1 * step)) / step) * step for c, v in exact.items()}
    metre = {"ms": -room.speed_m_s / 1000, "m": 1.0, "ft": FOOT}[unit]
    for channel in d:
        room.delay(channel, (exact[channel] - held[channel]) * metre / room.speed_m_s)
    assert found(room, room.job(*[setting(c, distance=v) for c, v in held.items()])) == {}


@pytest.mark.parametrize("own_m_s", [305.0, 331.0, 350.0])
@pytest.mark.parametrize("scaled", [True, False])
def test_another_speed_of_sound_accuses_nobody(own_m_s: float, scaled: bool) -> None:
    # The processor assumes a wrong speed of sound; the distances were entered as taped, or corrected for it.
    room = quiet()
    d = room.distances_m
    held = {c: v * own_m_s / room.speed_m_s if scaled else v for c, v in d.items()}
    for channel in d:
        right = (max(d.values()) - d[channel]) / room.speed_m_s
        room.delay(channel, (max(held.values()) - held[channel]) / own_m_s - right)
    got = found(room, room.job(*[setting(c, distance=v) for c, v in held.items()]))
    assert not {"settings.distance", "settings.arrival", "wiring.swapped", "settings.unit"} & set(got)


@pytest.mark.parametrize("seed", range(3))
def test_tapes_and_positions_ten_centimetres_wrong_accuse_nobody(seed: int) -> None:
    rng, true = np.random.default_rng(seed), quiet(seed)
    noted = replace(
        true.system,
        channels=tuple(
            replace(c, position_m=tuple(np.array(c.position_m) + rng.uniform(-0.06, 0.06, 3)))
            for c in true.system.channels
        ),
        seats=tuple(
            replace(s, position_m=tuple(np.array(s.position_m) + rng.uniform(-0.06, 0.06, 3)))
            for s in true.system.seats
        ),
    )
    taped = {c: v + rng.uniform(-0.05, 0.05) for c, v in true.distances_m.items()}
    bodies = [
        each for each in true.bodies() if getattr(each, "step", "") != "distances" and not hasattr(each, "setting")
    ]
    held = [setting(c, distance=v, trim_db=0.0, polarity="normal") for c, v in taped.items()]
    for channel in true.distances_m:  # the delays follow the settings
        true.delay(channel, -(taped[channel] - true.distances_m[channel]) / true.speed_m_s)
    got = found(true, job_of(defined(noted), *bodies, *tapes(taped), *held))
    assert not {"settings.distance", "settings.arrival", "wiring.swapped"} & set(got)


def test_distances_by_ear_are_not_eleven_wrong_settings() -> None:
    rng, room = np.random.default_rng(2), quiet()
    room.drop(None)
    held = [setting(c, distance=v + rng.uniform(-1.5, 1.5)) for c, v in room.distances_m.items()]
    assert "settings.distance" not in found(room, room.job(*held))


def test_no_delays_at_work_is_one_finding() -> None:
    room = quiet()
    d = room.distances_m
    for channel, value in d.items():
        room.delay(channel, -(max(d.values()) - value) / room.speed_m_s)
    assert set(only(room, "settings.delays-off").channels) == {c.id for c in MAINS}
    silent = quiet().drop(None)
    same = [setting(c, distance=3.0) for c in d]
    assert list(found(silent, silent.job(*same))) == ["settings.delays-off"]


def test_the_wrong_sign_is_one_finding() -> None:
    room = quiet()
    d = room.distances_m
    for channel, value in d.items():
        room.delay(channel, -2 * (max(d.values()) - value) / room.speed_m_s)
    assert list(found(room)) == ["settings.delay-sign"]
    noted = quiet(system=cinema(processor=processor_of("ms", 0.1))).drop(None)
    longest = max(d.values())
    right = {c: 1000 * (longest - v) / room.speed_m_s for c, v in d.items()}
    wrong = [setting(c, distance=round(max(right.values()) - v, 1)) for c, v in right.items()]
    assert list(found(noted, noted.job(*wrong))) == ["settings.delay-sign"]


def test_two_that_arrive_at_each_others_times_at_one_seat_are_swapped_or_wrongly_set() -> None:
    """At one seat 0.75 ms (26 cm) cannot distinguish exchanged cables from two wrong delays, so neither is reported."""
    base = quiet()
    front = {c: base.system.channel(c) for c in ("FL", "FR")}
    assert front["FR"] is not None and front["FR"].position_m is not None
    x, y, z = front["FR"].position_m
    moved = replace(front["FR"], position_m=(x + 0.15, y - 0.2, z))
    system = replace(base.system, channels=tuple(moved if c.id == "FR" else c for c in base.system.channels))
    room = one_seat(quiet(system=system))
    apart_s = (room.distances_m["FR"] - room.distances_m["FL"]) / room.speed_m_s
    assert 0.5e-3 < apart_s < 0.8e-3
    room.delay("FL", apart_s).delay("FR", -apart_s)
    finding = only(room, "settings.swap-or-distance")
    assert finding.channels == ("FL", "FR")
    assert "not determined" in finding.evidence[1]
    # A swap explains only the difference of their distances.
    other = one_seat(quiet(system=system)).delay("FL", 2e-3).delay("FR", -2e-3)
    assert "settings.swap-or-distance" not in found(other)


@pytest.mark.parametrize("swapped", [True, False])
def test_seats_to_which_two_differ_by_one_distance_do_not_show_whether_they_are_swapped(swapped: bool) -> None:
    """TpFL behind and above FL, 34, 32 and 29 cm farther from A1, A2 and A3; no delay is noted."""
    base = quiet().system
    above = replace(next(c for c in base.channels if c.id == "TpFL"), position_m=(-1.45, 0.0, 2.4))
    system = replace(base, channels=tuple(above if c.id == "TpFL" else c for c in base.channels))
    room = quiet(system=system)
    apart_s = (room.distances_m["TpFL"] - room.distances_m["FL"]) / room.speed_m_s
    room = room.swap("FL", "TpFL") if swapped else room.delay("FL", apart_s).delay("TpFL", -apart_s)
    room.drop(None, ["B1", "B2", "B3"])
    bodies = [each for each in room.bodies() if not isinstance(each, SettingEntered)]
    got = found(room, job_of(defined(room.system), *bodies))
    (finding,) = got["settings.swap-or-distance"]
    assert finding.channels == ("FL", "TpFL") and "settings.distance" not in got


def test_one_seat_does_not_tell_exchanged_loudspeakers_from_exchanged_files() -> None:
    finding = only(one_seat(quiet().swap("FL", "BL")), "wiring.swapped")
    assert finding.evidence[1].endswith("only their files are exchanged is not determined from A2 alone")
    assert len(only(quiet().swap("FL", "BL"), "wiring.swapped").evidence) == 1


@pytest.mark.parametrize(
    ("ids", "title"),
    [
        (["FL", "FC", "FR"], "or the recordings of A2 exchanged with those of A3"),
        (["FL", "FC", "FR", "SiL", "SiR"], "FL and FR swapped"),
    ],
)
def test_without_positions_seats_exchanged_look_like_a_front_pair_swapped(ids: list[str], title: str) -> None:
    """Tapes are from A2 only, and the centre is equally far from both seats; side loudspeakers are not."""
    room = quiet(system=cinema(ids, ["A2", "A3"])).delay("FL", 2e-3).delay("FR", -2e-3)
    blind = replace(room.system, channels=tuple(replace(c, position_m=None) for c in room.system.channels))
    bodies = [each for each in room.bodies() if not isinstance(each, type(defined(blind)))]
    far = room.distances_m | {"FR": room.distances_m["FR"] + 2e-3 * room.speed_m_s}
    job = job_of(defined(blind), *bodies, *tapes(far), *[setting(c, distance=d) for c, d in far.items()])
    (finding,) = [one for each in found(room, job).values() for one in each if one.id.startswith("wiring.swap")]
    assert finding.channels == ("FL", "FR") and finding.title.endswith(title)


def test_another_model_as_far_away_at_the_only_seat_is_no_driver_reversed() -> None:
    room = one_seat(quiet().swap("FC", "BL"))  # both at 3.20 m: their arrivals do not show it
    assert room.distances_m["FC"] == pytest.approx(room.distances_m["BL"], abs=0.01)
    assert found(room) == {}
    assert only(quiet().swap("FC", "BL"), "wiring.swapped").channels == ("FC", "BL")


@pytest.mark.parametrize("swapped", [True, False])
def test_a_pair_exchanged_beside_a_seat_on_the_centre_line_is_swapped_or_two_files_exchanged(swapped: bool) -> None:
    """At A2 both are equally far; at A1 exchanged cables and exchanged files give the same arrivals."""
    room = quiet().swap("FL", "FR") if swapped else quiet().exchange_files("FL", "FR", "A1")
    finding = only(room.drop(None, ["A3", "B1", "B2", "B3"]), "wiring.swap-or-files")
    assert (finding.channels, finding.seats) == (("FL", "FR"), ("A1",))
    assert finding.title == "FL and FR swapped, or their recordings exchanged at A1"
    assert "not determined" in finding.evidence[1]
    assert "amplifier off" in finding.remedy


@pytest.mark.parametrize("swapped", [True, False])
@pytest.mark.parametrize("middle", [(), ("A2",)])
def test_a_pair_exchanged_or_the_recordings_of_two_seats_that_mirror_each_other(
    swapped: bool, middle: tuple[str, ...]
) -> None:
    """Left and right of three in front, at two seats left and right of the middle: both give the same arrivals."""
    room = SoundRoom(cinema(["FL", "FC", "FR"]), uneven_db=0.5)
    room = room.swap("FL", "FR") if swapped else room.exchange_seats("A1", "A3")
    dropped = [s for s in ("A2", "B1", "B2", "B3") if s not in middle]
    finding = only(room.drop(None, dropped), "wiring.swap-or-files")
    assert finding.title == "FL and FR swapped, or the recordings of A1 and A3 exchanged"
    assert (finding.channels, finding.seats) == (("FL", "FR"), ("A1", "A3"))
    assert "not determined, because the seats mirror each other" in finding.evidence[1]


@pytest.mark.parametrize("seat", ["A1", "A3"])
def test_files_exchanged_at_a_seat_with_a_mirrored_one_are_not_passed_over(seat: str) -> None:
    """FL, FC and FR measured at the mirrored seat would give the same arrivals: the cause is open, but the place must
    not pass.

    If the responses at the two seats differ, the microphone was moved in between, and the cause is certain.
    """
    room = quiet().exchange_files("FL", "FR", seat)
    finding = only(room, "measurement.wrong-channel")
    assert (finding.channels, finding.seats) == (("FL", "FR"), (seat,))
    room.change(None, view_db=np.full(len(GRID_HZ), np.nan))
    step = next(step for step in all_steps() if step.id == "distances")
    checks = {
        c.channel: c for c in step.evaluate(room.job(), AS_FOUND, room.analyses()).checks if c.id == "distances.place"
    }
    for channel in ("FL", "FR"):
        assert checks[channel].verdict is not Verdict.PASS
        assert f"the files of FL and FR exchanged at {seat}" in (checks[channel].why_not or "")
        assert f"measure every channel at {seat} again" in (checks[channel].why_not or "")
    assert checks["SiL"].why_not is None
