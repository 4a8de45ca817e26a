"""Every rule reports its fault, is silent in a sound room, and is not misled by similar faults."""

from __future__ import annotations

import re
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from builders import cinema, decided, defined, job_of, levels, setting
from room_findings import OUTCOMES, found, only, quiet
from scipy.signal import butter, freqs
from sound_room import SoundRoom, stored, two_way

from commission.diagnosis import RULES, findings
from commission.diagnosis.room import DELAYED_COPY, WEAK_DIRECT
from commission.dsp.direct import DIRECT_FRAMES, DIRECT_RATE_HZ
from commission.dsp.spectrum import GRID_HZ
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    SOUND_PRESSURE,
    Analyses,
    EarlierFigure,
    EarlierVisit,
    FloatArray,
    Job,
    Obstacle,
    Processor,
    System,
    TrimRange,
    Verdict,
)
from commission.steps import all_steps, layout, seats

ROOT = Path(__file__).resolve().parents[2]
ALL_SEATS = ["A1", "A2", "A3", "B1", "B2", "B3"]


def quiet_with(*channels: str) -> SoundRoom:
    """A quiet room with these channels only."""
    return quiet(system=cinema(channels))


@pytest.mark.parametrize("seed", range(5))
def test_a_sound_room_has_no_findings(seed: int) -> None:
    assert found(quiet(seed)) == {}


def test_nothing_measured_has_no_findings() -> None:
    assert findings(job_of(defined(cinema())), AS_FOUND, Analyses(), OUTCOMES) == ()
    assert findings(job_of(defined(cinema(channels=(), seats=()))), AS_FOUND, Analyses(), OUTCOMES) == ()


def test_every_rule_states_its_cause_and_its_evidence() -> None:
    assert len({rule.id for rule in RULES}) == len(RULES)
    for rule in RULES:
        assert rule.cause in ("electronics", "settings", "room")
        assert rule.symptom
        standard = re.search(r"\b(ISO|IEC|ITU-R|ANSI)[\w/. -]*\d", rule.basis)
        script = re.search(r"determined by simulation \((tests/[\w/]+\.py)\)$", rule.basis)
        assert standard or rule.basis.endswith("common practice") or (script and (ROOT / script[1]).is_file()), (
            rule.basis
        )
        assert rule.step in OUTCOMES


def store_again(room: SoundRoom, channel: str | None, seat: str, other: str) -> SoundRoom:
    """The recordings of one seat stored for another as well; of all channels if none is named."""
    for c in [channel] if channel else list(room.distances_m):
        room.items[(c, other)] = room.items[(c, seat)]
    return room


def hum(room: SoundRoom, channel: str, seat: str) -> SoundRoom:
    """Noise in all recordings, and more of it from 180 to 320 Hz in one."""
    for place in list(room.items):
        loud = (GRID_HZ >= 180) & (GRID_HZ <= 320) & (place == (channel, seat))
        room.items[place] = replace(room.items[place], noise_db=np.where(loud, -3.0, -50.0))
    return room


@pytest.mark.parametrize(("low_hz", "noise_db", "named"), [(180, -3.0, False), (120, -9.0, False), (120, -3.0, True)])
def test_modes_at_the_end_of_a_short_file_are_no_noise(low_hz: float, noise_db: float, named: bool) -> None:
    """The recording ends while 500 to 2000 Hz still decays, so its noise is unknown and its bass decays as well.

    Even with a decay time of 3 s a file of 0.35 s falls by 7 dB (arithmetic): only noise is as loud as the response
    over an octave or more.
    """
    room = hum(quiet(), "FL", "A3")
    noise = np.where((GRID_HZ >= low_hz) & (GRID_HZ <= 320), noise_db, -50.0)
    falling = np.where((GRID_HZ >= 450) & (GRID_HZ <= 9000), np.nan, noise)
    room.items[("FL", "A3")] = replace(room.items[("FL", "A3")], noise_db=falling)
    assert list(found(room)) == (["measurement.interference"] if named else [])


def cover(room: SoundRoom, seat: str) -> SoundRoom:
    """9 dB less above 3 kHz for every channel at one seat."""
    for c, s in list(room.items):
        octaves = {centre: -9.0 if s == seat and centre >= 4000 else 0.0 for centre in (500, 1000, 2000, 4000, 8000)}
        room.items[(c, s)] = replace(room.items[(c, s)], octave_db=octaves)
    return room


def upside_down(room: SoundRoom, one: str, other: str) -> SoundRoom:
    """The tweeter of one is 0.07 m farther than its woofer, that of the other nearer: 0.2 m apart, seen from 20° above."""
    freq_hz = np.fft.rfftfreq(2 * DIRECT_FRAMES, 1 / DIRECT_RATE_HZ)
    for channel, later_s in ((one, 0.0002), (other, -0.0002)):
        for seat in ALL_SEATS:
            place, later = (channel, seat), np.exp(-2j * np.pi * freq_hz * later_s)
            sound = room.items[place].direct
            assert sound is not None
            room.items[place] = replace(room.items[place], direct=two_way(sound, 1200.0, tweeter=later, undo=True))
    return room


FAULTS = {
    "wiring.silent": lambda r: (
        r.add_db("SiL", -45)
        .add_db("SiL", -15, above_hz=2800)
        .change(
            "SiL",
            snr_db=3.0,
            arrival_s=None,
            polarity=None,
            direct=None,
            why={"arrival": "in noise", "polarity": "in noise"},
        )
    ),
    "wiring.swapped": lambda r: r.swap("BL", "BR"),
    "wiring.one-loudspeaker": lambda r: r.play_from("SiR", "FL"),
    "wiring.driver-polarity": lambda r: r.reverse_tweeter("SiL"),
    "wiring.driver-or-mounting": lambda r: upside_down(r, "SiL", "SiR"),
    "wiring.polarity": lambda r: r.reverse("FR"),
    "wiring.pair-polarity": lambda r: r.reverse("SUB2"),
    "wiring.tweeter": lambda r: r.add_db("SiL", -24, above_hz=2800),
    "wiring.midrange": lambda r: r.add_db("FL", -20, above_hz=450, below_hz=2600),
    "wiring.woofer": lambda r: r.add_db("FL", -35, below_hz=2500),
    "measurement.reference": lambda r: r.change("FL", ["A1"], reference=SOUND_PRESSURE),
    "measurement.not-played": lambda r: r.add_db("FL", -45, ["A1"]).change("FL", ["A1"], snr_db=2.0),
    "measurement.normalised": lambda r: r.change(None, peak_db=-1.0),
    "measurement.clipped": lambda r: r.change("FL", ["A1"], clipped=True),
    "settings.sub-latency": lambda r: r.delay("SUB2", 0.0142),
    "settings.arrival": lambda r: r.delay("FC", 0.002),
    "measurement.gain": lambda r: r.add_db(None, -9, ["B2"]),
    "room.null": lambda r: r.add_db("SUB1", -30, ["A3"], above_hz=45, below_hz=63).add_db(
        "SUB2", -30, ["A3"], above_hz=45, below_hz=63
    ),
    "measurement.seats-exchanged": lambda r: r.exchange_seats("A1", "B2"),
    "measurement.microphone-not-moved": lambda r: r.exchange_seats("A1", "B2", both=False),
    "measurement.wrong-channel": lambda r: r.exchange_files("FL", "SiR", "B2"),
    "measurement.clock": lambda r: r.delay("FC", 0.2, ["A3"]),
    "measurement.same-recording": lambda r: store_again(r, "SiL", "A1", "B2"),
    "measurement.interference": lambda r: hum(r, "FL", "A3"),
    "measurement.microphone": lambda r: cover(r, "B2"),
    "room.reflection": lambda r: r.change(None, reflections=()).change(
        "FL", reflections=((0.0031, -3.0), (0.006, -14.0))
    ),
    "room.blocked": lambda r: r.add_db("FL", -12, ["B2"], above_hz=3000),
    "room.dull-seat": lambda r: r.add_db("FC", -12, ["A3"], above_hz=3000),
    "room.row-null": lambda r: r.add_db("SUB1", -40, ["B1", "B2", "B3"], above_hz=45, below_hz=63).add_db(
        "SUB2", -40, ["B1", "B2", "B3"], above_hz=45, below_hz=63
    ),
    "measurement.noise": lambda r: r.change("TpFL", ["B1", "B2"], snr_db=22.0),
}
"""Rule → the fault put into a sound room. Those of settings and readings have tests of their own below."""


@pytest.mark.parametrize("rule_id", FAULTS)
def test_one_fault_is_reported_once_and_in_full(rule_id: str) -> None:
    finding = only(FAULTS[rule_id](quiet()), rule_id)
    assert finding.title
    assert finding.alternatives
    assert finding.confirm.endswith((".", "?"))
    assert finding.remedy.endswith(".")
    assert any(any(ch.isdigit() for ch in text) for text in finding.evidence)
    if finding.id.startswith("wiring."):
        assert "amplifier off" in finding.remedy


def test_every_rule_names_checks_that_a_step_makes() -> None:
    """They would show the fault again: with a check id that no step uses, a repair would never count.

    Steps make the checks that their limits list, and no others: tests/steps/test_check_limits.py.
    """
    listed = [entry.check for step in all_steps() for entry in step.limits]
    for rule in RULES:
        assert any(fnmatchcase(rule.check, each) or each.startswith(f"{rule.check}.") for each in listed), rule.id
        assert rule.check.startswith(f"{rule.step}.")


LAYOUT = {
    "room.seats-off-centre": ("layout.seats-centred", {"A1": (0.2, 3.3, 1.1), "B1": (0.2, 4.9, 1.5)}, ()),
    "room.inside-heads": ("layout.outside-heads", {"SiL": (-0.5, 3.35, 1.45)}, ("SiL",)),
    "room.front-heights": ("layout.front-heights", {"TpFL": (-1.1, 3.6, 2.5)}, ("TpFL",)),
    "room.rear-heights": ("layout.rear-heights", {"TpBR": (1.1, 4.4, 2.5)}, ("TpBR",)),
    "room.sight": ("layout.sight", {"B2": (0.0, 4.9, 1.15)}, ("FC",)),
}
"""Rule → its check, places at which it fails (worked out by hand), the loudspeakers named."""


def furnished(**parts: dict[str, object]) -> System:
    """The cinema with an aim, a seat back and a column; fields of some seats, channels and the column replaced."""
    system = cinema()
    given: dict[str, dict[str, object]] = {
        "SiL": {"aim_m": (0.0, 3.3, 1.1), "coverage_deg": 90.0},
        "A2": {"back_top_m": 0.9},
    }
    for label, values in parts.items():
        given[label] = given.get(label, {}) | values
    column = Obstacle(id="column", from_m=(-2.2, 1.0, 0.0), to_m=(-2.0, 1.2, 2.6))
    return replace(
        system,
        channels=tuple(replace(c, **given.get(c.id, {})) for c in system.channels),  # type: ignore[arg-type]
        seats=tuple(replace(s, **given.get(s.id, {})) for s in system.seats),  # type: ignore[arg-type]
        obstacles=(replace(column, **given.get("column", {})),),  # type: ignore[arg-type]
    )


FURNITURE: dict[str, tuple[str, dict[str, dict[str, object]], tuple[str, ...], tuple[str, ...]]] = {
    "room.aim": (
        "layout.aim",
        {"SiL": {"aim_m": (-2.25, 0.0, 1.45)}},
        ("SiL",),
        ("A1", "A2", "A3", "B1", "B2", "B3"),
    ),
    "room.seat-back": ("layout.seat-back", {"A2": {"back_top_m": 1.3}}, ("BL", "BR", "TpBL", "TpBR"), ("A2",)),
    "room.obstacle": ("layout.obstacle", {"column": {"to_m": (-1.2, 1.2, 2.6)}}, ("FL",), ("A1", "B1")),
    "room.seat-wall": ("layout.seat-wall", {"A1": {"position_m": (-2.15, 3.3, 1.1)}}, (), ("A1",)),
}
"""Rule → its check, what is changed, the loudspeakers and the seats named."""


@pytest.mark.parametrize("rule", FURNITURE)
def test_what_is_in_the_way_is_named(rule: str) -> None:
    check, parts, channels, seats = FURNITURE[rule]
    job = job_of(defined(furnished()))
    assert findings(job, AS_FOUND, Analyses(), {"layout": layout.evaluate(job, AS_FOUND, Analyses())}) == ()
    job = job_of(defined(furnished(**parts)))
    found = findings(job, AS_FOUND, Analyses(), {"layout": layout.evaluate(job, AS_FOUND, Analyses())})
    (finding,) = (f for f in found if f.id == rule)
    assert (finding.check, finding.channels, finding.seats) == (check, channels, seats)
    assert ("ladder" in finding.remedy) == any(c.startswith("Tp") for c in channels)


@pytest.mark.parametrize("rule", LAYOUT)
def test_places_that_break_a_rule_of_coverage_are_named(rule: str) -> None:
    check, places, channels = LAYOUT[rule]
    system = cinema()
    moved = replace(
        system,
        channels=tuple(replace(c, position_m=places.get(c.id, c.position_m)) for c in system.channels),
        seats=tuple(replace(s, position_m=places.get(s.id, s.position_m)) for s in system.seats),
    )
    job = job_of(defined(moved))
    outcomes = {"layout": layout.evaluate(job, AS_FOUND, Analyses())}
    (finding,) = findings(job, AS_FOUND, Analyses(), outcomes)
    assert (finding.id, finding.check, finding.channels) == (rule, check, channels)
    assert finding.alternatives == ("a place was entered wrongly",)


def test_every_rule_has_a_test() -> None:
    here = {
        "settings.unit",
        "settings.distance",
        "settings.swap-or-distance",  # this and the next: tests/diagnosis/test_wrong_times.py
        "wiring.swap-or-files",
        "settings.delays-off",
        "settings.delay-sign",
        "settings.bass-management",
        "settings.polarity",
        "settings.reference",
        "settings.trims",
        "settings.trim-range",
        "settings.crossover",  # tests/steps/test_bass_step.py
        "settings.bass",  # this and the next: tests/steps/test_bass_verification.py
        "measurement.bass-place",
        "settings.not-as-set",  # tests/steps/test_compare_prediction.py
        "settings.lip-sync",  # this and the next: tests/steps/test_checklist_step.py
        *(f"checklist.{cause}" for cause in ("electronics", "room", "settings")),
        "settings.channel-level",
        "settings.dialogue-level",
        "wiring.level-lost",
        "room.bass-differs",
        "room.reverberation",  # this and the next: tests/steps/test_seats_decay.py
        "room.bass-decay",
        "room.noise",
        "room.speech",
        "wiring.equipment-noise",
        "wiring.hum",
        "room.boomy",  # its own test
        "room.direction",  # tests/steps/test_layout_coverage.py
        "wiring.channel-hum",
        "wiring.channel-noise",
        # These two: tests/diagnosis/test_doubled_channels.py
        "settings.upmix",
        "wiring.doubled",
        # These five: tests/diagnosis/test_load_rules.py
        "measurement.distortion",
        "wiring.compression",
        "wiring.distortion",
        "wiring.rattle",
        "room.rattle",
        *LAYOUT,
        *FURNITURE,
    }
    assert {rule.id for rule in RULES} == set(FAULTS) | here


# --- electronics ---


def test_swapped_names_both_with_a_probability() -> None:
    finding = only(FAULTS["wiring.swapped"](quiet()), "wiring.swapped")
    assert set(finding.channels) == {"BL", "BR"}
    assert finding.confidence is not None
    assert 0.9 < finding.confidence <= 0.99


def test_a_channel_without_a_recording_that_the_meter_does_not_hear_is_silent() -> None:
    # Its recordings are rejected as silence; the meter reads room noise, which is no wrong trim.
    read = levels({c.id: [75.0] for c in cinema().channels} | {"SiL": [38.0]})
    (finding,) = findings(job_of(defined(cinema()), *read), AS_FOUND, Analyses(), OUTCOMES)
    assert (finding.id, finding.channels) == ("wiring.silent", ("SiL",))


def test_a_wrong_delay_is_no_swap() -> None:
    got = found(quiet().delay("BL", 0.004))
    assert list(got) == ["settings.arrival"]


@pytest.mark.parametrize(
    ("late_s", "cause"), [(0.002, "a reflection was taken"), (-0.002, "have a delay of their own")]
)
def test_causes_of_a_wrong_arrival_suit_its_sign(late_s: float, cause: str) -> None:
    finding = only(quiet().delay("FC", late_s), "settings.arrival")
    assert cause in finding.alternatives[-1]


def test_the_same_channels_with_each_others_delays_are_no_swap() -> None:
    # Arrivals as if the delays of SiL and BL were exchanged, at all seats alike: a matter of settings.
    room = quiet()
    d = room.distances_m
    shift = (d["BL"] - d["SiL"]) / room.speed_m_s
    assert "wiring.swapped" not in found(room.delay("SiL", shift).delay("BL", -shift))


def test_reversed_at_half_of_the_seats_is_no_reversed_loudspeaker() -> None:
    assert found(quiet().reverse("FR", ["A1", "A3", "B2"])) == {}
    assert found(quiet().reverse("FR", ["A1"])) == {}


def test_one_of_a_pair_names_both_and_says_what_would_settle_it() -> None:
    finding = only(quiet_with("FL", "FR", "SiL", "SiR").reverse("FR"), "wiring.pair-polarity")
    assert finding.channels == ("FL", "FR")
    assert finding.title == "FL or FR reversed"
    assert any("not determined, because there is no third loudspeaker" in text for text in finding.evidence)
    assert "terminals of FL and FR" in finding.confirm
    assert finding.confidence is not None


def test_a_third_of_the_model_names_the_reversed_one_and_a_reversed_third_is_named_itself() -> None:
    finding = only(quiet().reverse("FR"), "wiring.polarity")
    assert finding.channels == ("FR",)
    assert "opposite to FL and FC" in finding.evidence[0]
    assert only(quiet().reverse("FC"), "wiring.polarity").channels == ("FC",)
    assert only(quiet().reverse("SiL"), "wiring.polarity").channels == ("SiL",)


def test_a_whole_pair_or_the_whole_set_the_other_way_round_accuses_nobody() -> None:
    assert found(quiet().reverse("SiL").reverse("SiR")) == {}
    assert found(quiet().reverse("SUB1").reverse("SUB2")) == {}
    assert found(quiet().reverse(None)) == {}


def test_a_sign_of_its_own_accuses_nobody() -> None:
    # Three-way loudspeakers whose crossover turns the phase: −1 for each of them alone.
    assert found(quiet().change(None, polarity=-1)) == {}
    assert found(quiet().change("FC", polarity=-1)) == {}
    assert found(quiet().change("FR", polarity=-1)) == {}


@pytest.mark.parametrize(
    ("order", "high_sign", "crossover_hz"),
    [(2, -1, 250.0), (2, -1, 600.0), (3, 1, 250.0), (3, -1, 600.0), (4, 1, 250.0), (4, 1, 600.0)],
)
def test_a_centre_with_another_crossover_accuses_nobody(order: int, high_sign: int, crossover_hz: float) -> None:
    # Three-way: Butterworth of third order or Linkwitz-Riley (two Butterworth filters in series) in the low crossover.
    ways = [
        butter(order if order == 3 else order // 2, 2 * np.pi * crossover_hz, kind, analog=True)
        for kind in ("low", "high")
    ]
    freq_hz = np.fft.rfftfreq(2 * DIRECT_FRAMES, 1 / DIRECT_RATE_HZ)
    low, high = (freqs(*way, 2 * np.pi * freq_hz)[1] ** (1 if order == 3 else 2) for way in ways)
    room = quiet()
    for seat in ALL_SEATS:
        sound = room.items[("FC", seat)].direct
        assert sound is not None
        heard = np.fft.irfft(np.fft.rfft(sound, 2 * DIRECT_FRAMES) * (low + high_sign * high))[:DIRECT_FRAMES]
        room.items[("FC", seat)] = replace(room.items[("FC", seat)], direct=heard, polarity=-1)
    assert found(room) == {}


def test_one_driver_reversed_names_loudspeaker_and_range() -> None:
    finding = only(FAULTS["wiring.driver-polarity"](quiet()), "wiring.driver-polarity")
    assert finding.channels == ("SiL",)
    assert "SiL and SiR are opposite above" in finding.evidence[0]
    assert "a dip of" in finding.evidence[1]
    assert finding.evidence[2] == "SiR, BL and BR agree with each other"
    everything = quiet().reverse("SiL").reverse_tweeter("SiL")  # only the woofer is reversed now
    assert "opposite below" in only(everything, "wiring.driver-polarity").evidence[0]


def test_a_third_of_the_model_decides_against_the_dip() -> None:
    # A model with a null at its crossover by design: the loudspeaker without the null has the reversed driver.
    room = quiet()
    for channel in ("SiL", "BL", "BR"):
        room.reverse_tweeter(channel)
    finding = only(room, "wiring.driver-polarity")
    assert finding.channels == ("SiR",)
    assert not any("dip" in text for text in finding.evidence)


def turned(room: SoundRoom, channel: str, like: str, crossover_hz: float) -> SoundRoom:
    """A channel with the sound of another one, reversed entirely or below or above a crossover."""
    for seat in ALL_SEATS:
        sound = room.items[(like, seat)].direct
        assert sound is not None
        direct = two_way(sound, crossover_hz, tweeter=-1.0, undo=True)
        room.items[(channel, seat)] = replace(room.items[(channel, seat)], direct=direct)
    return room


@pytest.mark.parametrize(("like", "crossover_hz", "named"), [("FC", 2800.0, True), ("TpFL", 600.0, False)])
def test_a_driver_of_the_centre_is_shown_by_its_like_in_front_alone(
    like: str, crossover_hz: float, named: bool
) -> None:
    # Three-way beside two-way loudspeakers and a floor reflection: the woofer seems reversed against those overhead.
    got = found(turned(quiet(), "FC", like, crossover_hz))
    assert [finding.channels for finding in got.pop("wiring.driver-polarity", [])] == ([("FC",)] if named else [])
    assert got == {}


def test_a_centre_that_seems_to_have_its_woofer_reversed_may_be_another_model() -> None:
    room = quiet()
    for channel in ("FL", "FR"):
        for seat in ALL_SEATS:
            room.items[(channel, seat)] = replace(
                room.items[(channel, seat)], direct=room.items[("TpFL", seat)].direct
            )
    assert found(turned(room, "FC", "TpFL", 600.0)) == {}


def test_of_a_pair_alone_the_dip_names_nobody() -> None:
    # Second- and third-order crossovers are built with either polarity (Linkwitz 1976): the dip may be by design.
    room = quiet_with("FL", "FR", "SiL", "SiR").reverse_tweeter("SiR")
    finding = only(room, "wiring.driver-polarity")
    assert finding.channels == ("SiL", "SiR")
    assert finding.evidence[2].startswith("SiR has a dip of ")
    assert finding.evidence[2].endswith(": reversed, or as designed")


def test_a_driver_of_one_of_two_says_why_it_is_not_determined() -> None:
    room = quiet_with("FL", "FR", "SiL", "SiR")
    for seat in ALL_SEATS:  # third-order Butterworth at 1.2 kHz: flat with either polarity, only the phase differs
        sound = room.items[("SiL", seat)].direct
        assert sound is not None
        cube = (1j * np.fft.rfftfreq(2 * DIRECT_FRAMES, 1 / DIRECT_RATE_HZ) / 1200) ** 3
        turned = np.fft.rfft(sound, 2 * DIRECT_FRAMES) * (1 - cube) / (1 + cube)
        room.items[("SiL", seat)] = replace(room.items[("SiL", seat)], direct=np.fft.irfft(turned)[:DIRECT_FRAMES])
    finding = only(room, "wiring.driver-polarity")
    assert finding.channels == ("SiL", "SiR")
    assert "which of the two is not determined, because there is no third" in finding.evidence[1]
    assert not any("dip" in text for text in finding.evidence)


def test_reversed_by_the_processor_is_a_setting() -> None:
    for room in (quiet(), quiet_with("FL", "FR")):  # with a third of the model, and by the setting alone
        room.reverse("FR")
        finding = only(room, "settings.polarity", room.job(setting("FR", polarity="reversed")))
        assert finding.channels == ("FR",)
        assert "amplifier" not in finding.remedy


def test_a_setting_that_was_not_in_what_was_measured_explains_nothing() -> None:
    room = quiet_with("FL", "FR").reverse("FR")
    room.passes_delays = False
    assert list(found(room, room.job(setting("FR", polarity="reversed")))) == ["wiring.pair-polarity"]


def test_a_setting_that_makes_up_for_crossed_wires_is_no_finding() -> None:
    assert found(quiet(), quiet().job(setting("FR", polarity="reversed"))) == {}


def test_a_subwoofer_set_to_reversed_is_no_finding() -> None:
    room = quiet().reverse("SUB2")
    assert "wiring.pair-polarity" not in found(room, room.job(setting("SUB2", polarity="reversed")))


@pytest.mark.parametrize(("u_s", "is_found"), [(0.0019, True), (0.0021, False)])
def test_a_subwoofer_is_reversed_only_where_arrivals_are_known(u_s: float, is_found: bool) -> None:
    """An arrival wrong by half a period turns the sign of the bass."""
    room = quiet().reverse("SUB2").change("SUB2", arrival_u_s=u_s)
    assert ("wiring.pair-polarity" in found(room)) is is_found


@pytest.mark.parametrize(
    ("crossed", "entered", "named"),
    [
        (None, ("SUB2",), "settings.bass"),
        (None, ("SUB2", "SUB3"), "settings.bass"),
        ("SUB2", (), "wiring.polarity"),
    ],
)
def test_a_polarity_that_was_not_set_is_no_wire(crossed: str | None, entered: tuple[str, ...], named: str) -> None:
    """As left, no polarity was changed: neither that of the miswired subwoofer, nor of those entered as reversed."""
    system = cinema(["FL", "FC", "FR", "SUB1", "SUB2"], ["A1", "A2", "A3"])
    third = replace(system.channels[-1], id="SUB3", position_m=(0.0, 0.3, 0.3))
    room = SoundRoom(replace(system, channels=(*system.channels, third)), uneven_db=0.5)
    items = [*(room.reverse(crossed) if crossed else room).analysed(AS_FOUND), *room.analysed(AS_LEFT, start=2000)]
    turned = [setting(sub, round_id=AS_LEFT, polarity="reversed") for sub in entered]
    job = room.job(*stored(items), *room.bodies(AS_LEFT), *turned)
    (finding,) = findings(job, AS_LEFT, Analyses(items), OUTCOMES)
    assert (finding.id, finding.channels) == (named, entered or (crossed,))


@pytest.mark.parametrize("gap", [-10.5, -11.0])
def test_a_gap_within_its_uncertainty_of_the_limit_is_no_dead_driver(gap: float) -> None:
    # u = 1 dB between two sides of a room: beyond −10 dB for certain only from −11.6 dB.
    room = SoundRoom(uneven_db=0.0).add_db("SiL", gap, above_hz=2800)
    assert "wiring.tweeter" not in found(room)
    assert "wiring.tweeter" in found(SoundRoom(uneven_db=0.0).add_db("SiL", -13, above_hz=2800))


def test_a_dull_seat_is_no_dead_tweeter() -> None:
    room = quiet().add_db("SiL", -24, ["A1", "B1"], above_hz=2800)
    assert "wiring.tweeter" not in found(room)


def test_treble_missing_at_two_thirds_of_the_seats_is_no_dead_tweeter() -> None:
    assert "wiring.tweeter" not in found(quiet().add_db("SiL", -24, ["A1", "A2", "B1", "B2"], above_hz=2800))


def test_a_channel_low_at_all_frequencies_has_no_dead_driver() -> None:
    got = found(quiet().add_db("SiL", -15))
    assert not {"wiring.tweeter", "wiring.woofer", "wiring.silent"} & set(got)


def test_a_partner_with_a_dead_woofer_is_no_dead_tweeter() -> None:
    assert only(quiet().add_db("FR", -35, below_hz=2500), "wiring.woofer").channels == ("FR",)


def second_order_gap_db(freq_hz: FloatArray) -> FloatArray:
    """Gap of one reversed driver with a second-order crossover at 1 kHz: 20·lg"""
    q = (freq_hz / 1000) ** 2
    return np.asarray(np.maximum(20 * np.log10(np.abs(1 - q) / (1 + q) + 1e-9), -30))


def test_the_gap_of_a_reversed_driver_is_no_dead_midrange() -> None:
    # Echoes fill it in a room; even without them only an octave of it is as deep as the gap of a dead midrange.
    room = quiet().add_db("SiL", lambda f: np.maximum(second_order_gap_db(f), -20)).reverse_tweeter("SiL")
    assert only(room, "wiring.driver-polarity").channels == ("SiL",)
    assert "wiring.midrange" not in found(quiet().add_db("SiL", -20, above_hz=800, below_hz=1250))


def test_a_dead_midrange_is_neither_a_dead_woofer_nor_a_dead_tweeter() -> None:
    # From 220 Hz to 4 kHz, as in three-way loudspeakers with the lowest and the highest crossovers; without a partner.
    room = quiet().add_db("FC", -18, above_hz=220, below_hz=4000)
    finding = only(room, "wiring.midrange")
    assert finding.channels == ("FC",)
    assert "dB below the other channels at 6 of 6 seats, threshold 9 dB" in finding.evidence[0]


def test_the_band_of_a_dead_driver_is_stated() -> None:
    # Three-way, woofer up to 200 Hz; and a tweeter from 4.5 kHz on.
    woofer = only(quiet().add_db("FL", -30, below_hz=220), "wiring.woofer")
    assert woofer.evidence[0].startswith("80 to 200 Hz is 30 dB below FR")
    tweeter = only(quiet().add_db("FL", -25, above_hz=4500), "wiring.tweeter")
    assert tweeter.evidence[0].startswith("5000 to 12000 Hz is 25 dB below FR")


def test_of_an_exchanged_loudspeaker_neither_polarity_nor_drivers_are_judged() -> None:
    # FR sounds from the place of TpBL, which has another model: opposite in parts, duller, and another level.
    room = quiet().reverse_tweeter("TpBL").add_db("TpBL", -14, above_hz=2800).add_db("TpBL", 5)
    got = only(room.swap("FR", "TpBL"), "wiring.swapped")
    assert set(got.channels) == {"FR", "TpBL"}


def test_a_mirrored_pair_exchanged_with_each_other_is_still_compared() -> None:
    got = found(quiet().reverse("BL").add_db("BR", -24, above_hz=2800).swap("BL", "BR"))
    assert {rule: finding.channels for rule, (finding,) in got.items()} == {
        "wiring.swapped": ("BL", "BR"),
        "wiring.pair-polarity": ("BL", "BR"),  # without its tweeter, BL is too unlike the side loudspeakers to decide
        "wiring.tweeter": ("BL",),
    }


def test_a_surround_whose_partner_is_exchanged_is_not_compared_with_those_in_front() -> None:
    """Only its partner is of the same model; another model may be opposite by design."""
    room = quiet().reverse("SiL")
    assert only(room, "wiring.polarity").channels == ("SiL",)
    assert set(found(room.swap("SiR", "BL"))) == {"wiring.swapped"}


def test_a_trim_is_not_blamed_where_a_driver_may_be_reversed() -> None:
    # A reversed tweeter in one row: too little to report it, too much to trust the level.
    room = quiet_with("FL", "FR", "SiL", "SiR")
    before = dict(room.items)
    assert list(found(room, with_levels(room, SiR=72.0))) == ["settings.trims"]
    room.reverse_tweeter("SiR")
    for seat in ("A1", "A2", "A3"):
        room.items[("SiR", seat)] = before[("SiR", seat)]
    assert found(room, with_levels(room, SiR=72.0)) == {}


def test_a_loudspeaker_overhead_comes_with_its_caution() -> None:
    finding = only(quiet().add_db("TpFL", -24, above_hz=2800), "wiring.tweeter")
    assert "ladder" in finding.remedy


def test_a_channel_far_too_low_that_is_heard_well_is_not_silent() -> None:
    assert "wiring.silent" not in found(quiet().add_db("SiL", -25))


@pytest.mark.parametrize(
    ("names", "below_db", "snr_db", "silent"),
    [
        (("FL", "FC", "FR", "SUB1"), -57.0, None, True),  # files that hold no noise
        (("FL", "FC", "FR", "SUB1"), -35.0, None, False),
        (("FL", "FC", "FR", "SUB1"), -35.0, 3.0, True),  # the only subwoofer
        (("FL", "FC", "FR", "SUB1"), -15.0, 3.0, False),  # soft in a noisy room
        (("FL", "FC", "FR", "SUB1"), -57.0, 15.0, True),  # a short file: noise that looks like a signal
        (("FL", "FC", "FR", "SUB1"), -35.0, 15.0, False),
        (("FL", "FC", "FR", "SUB1", "SUB2"), -57.0, 15.0, True),
        (("FL", "FC", "FR", "SUB1", "SUB2"), -57.0, 25.0, False),  # a clean recording with low gain
    ],
)
def test_a_silent_subwoofer_is_found_beside_others_or_the_mains(
    names: tuple[str, ...], below_db: float, snr_db: float | None, silent: bool
) -> None:
    room = quiet_with(*names).add_db("SUB1", below_db)
    room.change("SUB1", snr_db=snr_db, arrival_s=None, polarity=None, direct=None)
    got = found(room)
    assert ("wiring.silent" in got) is silent
    if silent:
        assert list(got) == ["wiring.silent"]
        (finding,) = got["wiring.silent"]
        assert finding.channels == ("SUB1",)


def test_clipping_that_does_not_show_is_no_clipping() -> None:
    assert found(quiet().change(None, clipped=None)) == {}


# --- settings ---


def feet(room: SoundRoom) -> list[object]:
    return [setting(c, distance=round(d / 0.3048, 2)) for c, d in room.distances_m.items()]


def test_feet_for_metres_is_one_finding() -> None:
    # Settings are 3.28 times the distances, and the arrivals follow them within the processor's range.
    room = SoundRoom(cinema(processor=Processor(model="p")), uneven_db=0.5)
    d = room.distances_m
    for c, value in d.items():
        applied, right = (
            (max(d.values()) - value) / 0.3048 / room.speed_m_s,
            (max(d.values()) - value) / room.speed_m_s,
        )
        room.delay(c, applied - right)
    finding = only(room, "settings.unit", room.job(*feet(room)))  # type: ignore[arg-type]
    assert "feet" in finding.title
    assert any("3.28" in text for text in finding.evidence)


def test_a_unit_that_only_the_arrivals_betray_is_one_finding_and_not_thirteen_odd_arrivals() -> None:
    # The noted settings are right in metres; the processor interprets them as 3.28 times the distance.
    room = quiet()
    d = room.distances_m
    for c, value in d.items():
        right = (max(d.values()) - value) / room.speed_m_s
        room.delay(c, right / 0.3048 - right)
    got = found(room)
    assert len(got["settings.unit"]) == 1
    assert "settings.arrival" not in got


def test_one_wrong_distance_is_no_wrong_unit() -> None:
    room = quiet()
    assert "settings.unit" not in found(room, room.job(setting("FL", distance=11.5)))


def test_a_late_sub_explains_the_hole_in_the_sum() -> None:
    # 14 ms are three quarters of a period at 53 Hz: the sum loses there, which is not ascribed to the room.
    rng = np.random.default_rng(4)
    room = SoundRoom(uneven_db=0.5)
    for seat in ALL_SEATS:
        room.delay("SUB2", 0.0142 + rng.uniform(-0.004, 0.004), [seat])
    assert list(found(room)) == ["settings.sub-latency"]


@pytest.mark.parametrize("scattered", [False, True])
def test_a_sub_is_not_late_by_as_much_as_the_other_arrivals_scatter(scattered: bool) -> None:
    """Nine arrivals off by up to 5 ms: no common clock, or reflections, but no reason for a new setting."""
    room = quiet_with("FL", "FC", "FR", "SUB1").drop(None, ["B1", "B2", "B3"]).delay("SUB1", 0.0032)
    off_ms = {"FL": (-1.3, 0.6, 0.0), "FR": (0.0, 1.5, -1.5), "FC": (3.5, 5.0, -1.0)}
    for channel, row in off_ms.items() if scattered else ():
        for seat, late_ms in zip(("A1", "A2", "A3"), row, strict=True):
            room.delay(channel, late_ms / 1000, [seat])
    assert ("settings.sub-latency" in found(room)) is not scattered


@pytest.mark.parametrize(
    ("noise_db", "ratio_db", "near"),
    [(3.0, 26.0, False), (11.0, 26.0, False), (13.0, 26.0, True), (3.0, 60.0, False)],
)
def test_a_sub_that_the_room_makes_soft_at_a_seat_is_not_near_the_noise(
    noise_db: float, ratio_db: float, near: bool
) -> None:
    """Noise in a subwoofer's band scatters, most in a short recording: what decides is whether it is louder than elsewhere."""
    room = quiet()
    level_db = room.items["SUB1", "A2"].level_db
    assert level_db is not None
    room.change("SUB1", ["A1"], snr_db=ratio_db, level_db=level_db - 60.0 + noise_db + ratio_db)
    assert ("measurement.noise" in found(room)) is near


def test_a_sub_near_the_noise_at_every_seat_is_reported() -> None:
    assert "measurement.noise" in found(quiet().change("SUB1", snr_db=26.0))


def test_a_late_sub_explains_a_null() -> None:
    # 10 ms against 20 ms elsewhere: half a period at 50 Hz, so that the two cancel at A3 alone.
    room = quiet()
    for seat in ALL_SEATS:
        room.delay("SUB2", 0.010 if seat == "A3" else 0.020, [seat])
    assert list(found(room)) == ["settings.sub-latency"]


def test_a_sub_measured_through_its_low_pass_is_not_called_late() -> None:
    # A subwoofer measured through its low-pass may seem 3.5 ms late; its stated uncertainty decides.
    assert found(quiet().delay("SUB2", 0.0035).change("SUB2", arrival_u_s=0.0015)) == {}


@pytest.mark.parametrize(
    ("error_ms", "u_ms"), [(-1.5, 0.5), (-1.5, 1.4), (-0.7, 0.9), (0.0, 0.9), (1.5, 0.5), (1.5, 1.4)]
)
def test_a_latency_already_entered_is_not_requested(error_ms: float, u_ms: float) -> None:
    room = quiet()
    wanted = room.distances_m["SUB2"] + 0.0065 * room.speed_m_s
    d = room.distances_m | {"SUB2": wanted}
    farther = (max(d.values()) - max(room.distances_m.values())) / room.speed_m_s
    for channel in d:  # all other channels are delayed to match the late subwoofer
        room.delay(channel, farther)
    # Its own latency and the shorter delay from its setting cancel.
    room.delay("SUB2", 0.001 * error_ms).change("SUB2", arrival_u_s=0.001 * u_ms)
    assert found(room, room.job(setting("SUB2", distance=wanted))) == {}


def test_a_late_sub_is_named_through_a_low_pass_too() -> None:
    room = quiet().delay("SUB2", 0.008).change("SUB2", arrival_u_s=0.0009)
    assert only(room, "settings.sub-latency").channels == ("SUB2",)


def test_a_late_sub_whose_setting_is_not_noted_past_the_delays_is_no_finding() -> None:
    room = quiet().delay("SUB2", 0.008)
    room.passes_delays = False
    bodies = [
        e.body for e in room.job().log[1:] if getattr(getattr(e.body, "setting", None), "channel", "") != "SUB2"
    ]
    assert "settings.sub-latency" not in found(room, job_of(*bodies))


def test_a_late_sub_whose_setting_makes_up_for_it_is_in_order() -> None:
    room = quiet()
    late = 0.0142
    wanted = room.distances_m["SUB2"] + late * room.speed_m_s
    # SUB2 is now the farthest: all others are delayed for it, which the common latency absorbs
    assert found(room, room.job(setting("SUB2", distance=wanted))) == {}


def test_odd_arrivals_are_not_reported_as_swapped_channels() -> None:
    assert "settings.arrival" not in found(quiet().swap("SiL", "BL"))


def test_an_arrival_within_ten_centimetres_is_in_order() -> None:
    assert found(quiet().delay("FC", 0.0003)) == {}


def test_trims_by_ear_are_one_finding() -> None:
    room = quiet().add_db("SiL", -3).add_db("BL", 3)
    finding = only(room, "settings.trims", with_levels(room, SiL=72.0, BL=78.0, SUB1=77.5))
    assert set(finding.channels) == {"SiL", "BL", "SUB1"}
    assert "BL by 3.0 dB" in finding.title or "SiL by 3.0 dB" in finding.title
    # One seat does not show whether a channel plays from two loudspeakers, which would make it louder.
    assert finding.alternatives[0] == "BL also sounds from another loudspeaker: listen close to the others"


def with_levels(room: SoundRoom, trim: float = 0.0, **values: float) -> Job:
    """The job of the room with other levels."""
    read = {c.id: 75.0 for c in room.system.channels} | values
    bodies = [setting(c, trim_db=trim, distance=d, polarity="normal") for c, d in room.distances_m.items()]
    return job_of(defined(room.system), *levels(read), *bodies)


@pytest.mark.parametrize("level_db", [71.0, 79.0])
def test_a_reading_that_its_response_does_not_show_asks_for_a_second_one(level_db: float) -> None:
    room = quiet()
    (finding,) = found(room, with_levels(room, FC=level_db))["settings.trims"]
    assert "FC 4.0 dB" in finding.title and finding.title.endswith("by the meter, not by its response")
    assert "not determined" in finding.evidence[1] and finding.confirm.startswith("Read FC again")


def test_all_readings_off_alike_is_the_volume_and_not_thirteen_trims() -> None:
    room = quiet()
    finding = only(room, "settings.reference", with_levels(room, **{c.id: 71.0 for c in room.system.channels}))
    assert "4.0 dB low" in finding.title


def test_two_loudspeakers_off_by_the_same_are_the_volume_and_one_of_two_is_a_trim() -> None:
    room = SoundRoom(cinema(["FL", "FR"]), uneven_db=0.5)
    finding = only(room, "settings.reference", with_levels(room, FL=81.0, FR=80.4))
    assert "5.7 dB loud" in finding.title
    assert only(room, "settings.trims", with_levels(room, FL=79.0)).channels == ("FL",)
    assert set(only(room, "settings.trims", with_levels(room, FL=81.0, FR=78.0)).channels) == {"FL", "FR"}


def test_levels_without_a_clock_may_be_those_of_exchanged_loudspeakers() -> None:
    room = quiet().add_db("FC", 4).add_db("TpBR", -3)
    job = with_levels(room, FC=79.0, TpBR=72.0)
    clockless = Analyses(replace(item, clock=None) for item in room.analyses())
    (got,) = findings(job, AS_FOUND, clockless, OUTCOMES)
    assert (got.id, set(got.channels)) == ("settings.trims", {"FC", "TpBR"})
    assert "exchanged is not determined" in got.evidence[-1]
    assert "play from the right place" in got.confirm
    assert not any("exchanged" in text for text in only(room, "settings.trims", job).evidence)


def test_a_response_decides_where_one_reading_scatters_too_much() -> None:
    """A reading 2.2 ± 2.2 dB off: certain with a response that agrees, open with one that does not or without."""
    room = quiet()
    once = with_levels(room, SiL=72.8)
    assert found(room, once) == {}
    finding = only(room.add_db("SiL", -2.5), "settings.trims", once)
    assert finding.channels == ("SiL",)
    assert "by the meter alone" in finding.evidence[1]
    assert found(quiet().add_db("SiL", -2.5), with_levels(room)) == {}


def test_a_meter_of_class_2_that_is_a_decibel_off_is_no_finding() -> None:
    # Class 2: ±1.0 dB at 1 kHz (IEC 61672-1, from memory), common to all channels.
    room = quiet()
    assert found(room, with_levels(room, **{c.id: 76.5 for c in room.system.channels})) == {}


def test_readings_within_a_decibel_are_in_order() -> None:
    room = quiet()
    assert found(room, with_levels(room, FC=75.9, BL=74.2)) == {}


def test_a_trim_at_its_stop() -> None:
    room = SoundRoom(cinema(processor=Processor(trim_db=TrimRange(min=-6, max=6, step=0.5))), uneven_db=0.5)
    got = found(room, with_levels(room, trim=4.0, SiL=70.0))
    assert set(got) == {"settings.trims", "settings.trim-range"}
    assert got["settings.trim-range"][0].channels == ("SiL",)
    assert "+9.0 dB" in got["settings.trim-range"][0].evidence[0]


def test_a_subwoofer_in_a_null_at_the_reference_seat_is_no_matter_of_its_trim() -> None:
    room = SoundRoom(cinema(processor=Processor(trim_db=TrimRange(min=-6, max=6, step=0.5))), uneven_db=0.5)
    assert "settings.trim-range" in found(room, with_levels(room, SUB1=62.0))
    reference = room.reference.id
    for sub in ("SUB1", "SUB2"):
        room.add_db(sub, -30, [reference], above_hz=45, below_hz=63)
    got = found(room, with_levels(room, SUB1=62.0))
    assert "room.null" in got
    assert "settings.trim-range" not in got


def test_a_large_trim_within_its_range_is_no_stop() -> None:
    room = SoundRoom(cinema(processor=Processor(trim_db=TrimRange(min=-12, max=12, step=0.5))), uneven_db=0.5)
    assert "settings.trim-range" not in found(room, with_levels(room, trim=4.0, SiL=70.0))


def without_readings(room: SoundRoom) -> Job:
    bodies = [setting(c, trim_db=0.0, distance=d, polarity="normal") for c, d in room.distances_m.items()]
    return job_of(defined(room.system), *bodies)


def test_a_channel_low_at_every_seat_is_the_channel() -> None:
    room = quiet().add_db("SiL", -6)
    finding = only(room, "settings.channel-level", without_readings(room))
    assert finding.channels == ("SiL",)
    assert "low at every seat" in finding.title
    assert any("neither the room nor the microphone's gain" in text for text in finding.evidence)


def test_a_channel_loud_at_every_seat_does_not_make_its_partner_low() -> None:
    room = quiet().add_db("SiL", 6)
    finding = only(room, "settings.channel-level", without_readings(room))
    assert finding.channels == ("SiL",)
    assert "loud at every seat" in finding.title
    assert finding.alternatives[-1] == "SiL also sounds from another loudspeaker: listen close to the others"


def test_one_loudspeaker_that_plays_two_channels_is_named_where_no_symmetry_makes_them_alike() -> None:
    finding = only(quiet().play_from("FC", "SiL"), "wiring.one-loudspeaker")
    assert set(finding.channels) == {"FC", "SiL"}
    in_the_middle = quiet(system=cinema(seat_ids=["A2", "B2"]))
    assert "wiring.one-loudspeaker" not in found(in_the_middle.play_from("FR", "FL"))


def test_a_pair_equal_at_a_reference_seat_off_centre_is_not_off() -> None:
    """Trims set there make the nearer loudspeaker softer at all mirrored seats, as in a measured room."""
    seats = tuple(replace(each, reference=each.id == "A1") for each in cinema(seat_ids=["A1", "A3"]).seats)
    room = quiet(system=cinema(seats=seats)).add_db("SiR", 6, ["A3"]).add_db("SiL", -6, ["A3"])
    assert found(room, without_readings(room)) == {}
    room.add_db("SiL", -6)
    assert only(room, "settings.channel-level", without_readings(room)).channels == ("SiL",)


def test_of_two_loudspeakers_alone_responses_do_not_say_which_is_off() -> None:
    room = SoundRoom(cinema(["FL", "FR"]), uneven_db=0.5).add_db("FR", -6)
    finding = only(room, "settings.channel-level", without_readings(room))
    assert set(finding.channels) == {"FL", "FR"}
    assert finding.title.startswith("FR or FL ")
    assert any("which of the two is not determined" in text for text in finding.evidence)


def test_a_centre_without_partner_is_loud_only_beyond_what_models_differ_by() -> None:
    """Home loudspeakers differ by up to 8 dB in sensitivity: a smaller difference without trim or partner is no fault."""
    assert found(quiet().add_db("FC", 7), without_readings(quiet())) == {}
    room = quiet().add_db("FC", 12)
    finding = only(room, "settings.channel-level", without_readings(room))
    assert finding.channels == ("FC",)
    assert "dB loud at every seat" in finding.title
    assert "the other channels" in finding.evidence[0]


def test_responses_taken_past_the_processor_do_not_accuse_its_trims() -> None:
    room = quiet().add_db("SiL", -6)
    analyses = Analyses(replace(item, passes_delays=False) for item in room.analyses())
    assert findings(without_readings(room), AS_FOUND, analyses, OUTCOMES) == ()


def test_a_nearer_loudspeaker_of_a_pair_may_be_louder() -> None:
    """Half the distance gives 6 dB more (inverse distance law): not a wrong trim while trims are unknown."""
    system = cinema()
    left = next(c for c in system.channels if c.id == "SiL")
    assert left.position_m is not None
    near = replace(left, position_m=(left.position_m[0] / 2, *left.position_m[1:]))
    moved = replace(system, channels=tuple(near if c.id == "SiL" else c for c in system.channels))
    room = SoundRoom(moved, uneven_db=0.5).add_db("SiL", 4)
    assert "settings.channel-level" not in found(room, without_readings(room))


def test_a_quiet_centre_is_quiet_dialogue_by_responses_and_by_the_meter() -> None:
    recorded = quiet().add_db("FC", -6)
    finding = only(recorded, "settings.dialogue-level", without_readings(recorded))
    assert (finding.channels, finding.step, finding.check) == (("FC",), "seats", "seats.level")
    assert "at 6 of 6 seats" in finding.evidence[0]
    low, read = quiet().add_db("FC", -4), quiet()
    finding = only(low, "settings.dialogue-level", with_levels(low, FC=71.0))
    assert finding.title == "dialogue quiet: FC 4.0 dB below FL and FR"
    assert (finding.step, finding.check) == ("levels", "levels.match")
    assert found(read, with_levels(read, FC=74.2)) == {}  # 0.8 dB: within the limit
    # Single readings 1.4 dB low are undecided: responses at all seats decide, and equal ones show no fault.
    assert "settings.dialogue-level" in found(quiet().add_db("FC", -3), with_levels(read, FC=73.6))
    assert "settings.dialogue-level" not in found(read, with_levels(read, FC=73.6))
    assert "settings.dialogue-level" not in found(quiet().add_db("FC", -3), with_levels(read, FC=74.2))
    # One loud side does not make the centre quiet, and a low front as a whole does not concern dialogue.
    assert "settings.dialogue-level" not in found(read, with_levels(read, FR=79.0))
    assert "settings.dialogue-level" not in found(read, with_levels(read, FC=72.0, FL=72.2, FR=72.1))


@pytest.mark.parametrize(
    ("rule_id", "gain"),
    [
        ("wiring.tweeter", {"above_hz": 2800}),
        ("wiring.midrange", {"above_hz": 450, "below_hz": 2600}),
        ("wiring.woofer", {"below_hz": 2500}),
    ],
)
def test_a_dead_driver_of_a_centre_shows_beside_left_and_right_alone(rule_id: str, gain: dict[str, Any]) -> None:
    room = quiet_with("FL", "FC", "FR", "SUB1")
    assert found(room) == {}
    finding = only(room.add_db("FC", -30, **gain), rule_id)
    assert finding.channels == ("FC",)


@pytest.mark.parametrize("channel", ["FC", "TpC"])
def test_a_soft_loudspeaker_without_a_partner_and_with_a_dip_may_have_a_driver_reversed(channel: str) -> None:
    """A dip of 8 dB over an octave, as from two equal drivers that cancel: the trim is not the only possible cause."""
    system = cinema()
    named = tuple(replace(c, id=channel) if c.id == "FC" else c for c in system.channels)
    room = SoundRoom(replace(system, channels=named), uneven_db=0.5).add_db(channel, -3.2)
    soft = with_levels(room, **{channel: 71.8})
    rule_id = "settings.dialogue-level" if channel == "FC" else "settings.trims"
    assert "not determined" not in " ".join(only(room, rule_id, soft).evidence)
    room.add_db(channel, -8, above_hz=700, below_hz=1400)
    finding = only(room, rule_id, soft)
    assert finding.channels == (channel,)
    assert finding.title.endswith(": its trim or one of its drivers")
    assert "is not determined: near 1000 Hz it is 8 dB weaker than beside" in finding.evidence[1]
    room.add_db(channel, 9)
    loud = with_levels(room, **{channel: 78.2})
    assert only(room, "settings.trims", loud).title == f"trims off, {channel} by 3.2 dB"


def test_a_silent_side_does_not_make_the_centre_loud() -> None:
    silent = FAULTS["wiring.silent"](quiet_with("FL", "FC", "FR", "SUB1"))
    silent = silent.add_db("FL", -60).change("FL", snr_db=3.0, arrival_s=None, polarity=None, direct=None)
    assert list(found(silent, without_readings(silent))) == ["wiring.silent"]


def test_a_centre_lower_than_left_and_right_is_found_reversed_in_spite_of_its_floor_reflection() -> None:
    """A floor reflection of 40 % after 1.2 ms (0.4 m) changes the phase of its lowest octave by up to 0.4 rad."""
    room = quiet_with("FL", "FC", "FR", "SUB1")
    for seat in ALL_SEATS:
        direct = np.array(room.items[("FC", seat)].direct)
        direct[round(0.0012 * DIRECT_RATE_HZ) :] += 0.4 * direct[: -round(0.0012 * DIRECT_RATE_HZ)]
        room.items[("FC", seat)] = replace(room.items[("FC", seat)], direct=direct)
    assert found(room) == {}
    assert only(room.reverse("FC"), "wiring.polarity").channels == ("FC",)


def test_a_reversed_side_still_tells_the_level_and_a_dead_driver_does_not() -> None:
    room = quiet().change("FR", polarity=-1).add_db("FC", -3.2)
    assert "settings.dialogue-level" in found(room, with_levels(room, FC=71.8))
    dead = quiet().add_db("FR", -35, below_hz=2500).add_db("FC", -3.2)
    assert "settings.dialogue-level" not in found(dead, with_levels(dead, FC=71.8))


def test_a_centre_that_is_right_where_trims_are_set_is_no_quiet_dialogue() -> None:
    # Another model aimed at the reference seat: lower than left and right at the other seats.
    room = quiet().add_db("FC", -3.5, ["A1", "A3", "B1", "B2", "B3"])
    assert "settings.dialogue-level" not in found(room, without_readings(room))
    everywhere = quiet().add_db("FC", -3.5)
    assert "settings.dialogue-level" in found(everywhere, without_readings(everywhere))


def test_a_channel_that_is_right_where_trims_are_set_is_no_wrong_trim() -> None:
    room = quiet().add_db("SiL", -6, ["A1", "A3", "B1", "B2", "B3"])
    assert "settings.channel-level" not in found(room, without_readings(room))
    everywhere = quiet().add_db("SiL", -6)
    assert "settings.channel-level" in found(everywhere, without_readings(everywhere))


def test_a_low_seat_and_a_low_channel_are_two_findings() -> None:
    room = quiet().add_db(None, -9, ["B2"]).add_db("SiL", -8)
    got = found(room, without_readings(room))
    assert sorted(got) == ["measurement.gain", "settings.channel-level"]
    assert got["measurement.gain"][0].seats == ("B2",)
    assert got["settings.channel-level"][0].channels == ("SiL",)


def test_a_seat_low_on_every_channel_is_no_channel_and_no_room() -> None:
    room = FAULTS["measurement.gain"](quiet())
    finding = only(room, "measurement.gain", without_readings(room))
    assert finding.seats == ("B2",)
    assert finding.channels == ()


def test_a_row_of_seats_with_another_gain_is_one_finding() -> None:
    room = quiet().add_db(None, -7, ["B1", "B2", "B3"])
    assert only(room, "measurement.gain").seats == ("B1", "B2", "B3")


def test_a_channel_lower_at_some_seats_is_not_called_low() -> None:
    room = quiet().add_db("SiL", -5.5, ["A1", "A2", "B1", "B2"])
    assert found(room, without_readings(room)) == {}


def test_a_meter_reading_has_the_last_word_on_a_channel() -> None:
    room = quiet().add_db("SiL", -6)
    assert list(found(room, with_levels(room, SiL=69.0))) == ["settings.trims"]


def test_a_common_offset_that_was_decided_is_no_fault() -> None:
    room = quiet()
    job = with_levels(room, **{c.id: 72.0 for c in room.system.channels})
    events = [e.body for e in job.log[1:]]
    assert found(room, job_of(*events, decided("levels", "common_offset", "-3.0"))) == {}


# --- room ---


@pytest.mark.parametrize(("length_m", "db", "boomy"), [(5.9, 11.0, True), (6.4, 11.0, False), (5.9, 6.0, False)])
def test_a_seat_with_much_bass_near_the_rear_wall_is_boomy(length_m: float, db: float, boomy: bool) -> None:
    """The ears of row B are 1.0 or 1.5 m from the wall; one of six seats is raised, so the mean rises by a sixth."""
    system = cinema()
    assert system.room is not None
    room = SoundRoom(replace(system, room=replace(system.room, length_m=length_m)), uneven_db=0.5)
    for sub in ("SUB1", "SUB2"):
        room.add_db(sub, db, ["B2"], below_hz=100)
    got = found(room)
    assert ("room.boomy" in got) is boomy
    if boomy:
        (finding,) = got["room.boomy"]
        assert set(got) == {"room.boomy"}
        assert finding.seats == ("B2",) and "1.0 m behind the ears" in finding.evidence[-1]


def test_a_null_names_seat_frequency_and_depth() -> None:
    finding = only(FAULTS["room.null"](quiet()), "room.null")
    assert finding.seats == ("A3",)
    assert "limit −20 dB" in finding.evidence[0]


def test_a_hole_of_one_subwoofer_that_the_other_fills_is_no_null() -> None:
    assert "room.null" not in found(quiet().add_db("SUB1", -30, ["A3"], above_hz=45, below_hz=63))


def test_without_a_common_clock_a_null_must_show_in_every_subwoofer() -> None:
    room = FAULTS["room.null"](quiet())
    room.clock = None
    got = found(room)
    assert got["room.null"][0].seats == ("A3",)
    assert len(got["room.null"][0].evidence) == 2
    single = quiet().add_db("SUB1", -30, ["A3"], above_hz=45, below_hz=63)
    single.clock = None
    assert "room.null" not in found(single)


def uneven_bass(db: float) -> SoundRoom:
    """Bass that differs by ±db from seat to seat, alike for both subwoofers, so that the standard deviation is db."""
    room = quiet()
    for sub in ("SUB1", "SUB2"):
        for i, seat in enumerate(ALL_SEATS):
            room.add_db(sub, db if i % 2 else -db, [seat])
    return room


def test_bass_that_differs_by_seat() -> None:
    finding = only(uneven_bass(8.0), "room.bass-differs")
    assert "7." in finding.evidence[0] or "8." in finding.evidence[0]
    assert "20-80 Hz" in finding.evidence[0]


def test_a_null_is_not_reported_again_as_bass_that_differs() -> None:
    # One seat of six is 30 dB down between 45 and 63 Hz; the others are alike. Leaving it out must also remove
    # its effect on the mean.
    room = SoundRoom(uneven_db=0.0)
    for sub in ("SUB1", "SUB2"):
        room.add_db(sub, -30, ["A3"], above_hz=28, below_hz=90)
    assert list(found(room)) == ["room.null"]


@pytest.mark.parametrize("db", [2.0, 4.5])
def test_bass_that_differs_as_in_most_rooms_is_in_order(db: float) -> None:
    assert found(uneven_bass(db)) == {}


def test_mains_that_differ_in_the_bass_are_not_reported_as_the_subwoofers() -> None:
    room = quiet()
    for i, seat in enumerate(ALL_SEATS):
        room.add_db("FL", 5.0 if i % 2 else -5.0, [seat], below_hz=80)
    assert found(room) == {}


@pytest.mark.parametrize(("gain_db", "silent"), [(-40.0, True), (-24.0, True), (-15.0, False)])
def test_a_silent_centre_between_two_others_is_named(gain_db: float, silent: bool) -> None:
    """It has no partner: 20 dB below both of the others is silence."""
    got = found(quiet_with("FL", "FC", "FR").add_db("FC", gain_db).change("FC", snr_db=1.0))
    assert [f.channels for f in got.get("wiring.silent", [])] == ([("FC",)] if silent else [])


def test_low_signal_is_not_reported_as_a_silent_channel() -> None:
    assert list(found(FAULTS["wiring.silent"](quiet()))) == ["wiring.silent"]


def test_a_lower_bound_of_the_ratio_is_no_noise() -> None:
    assert found(quiet().change("FL", snr_db=22.0, why={"snr": "its end may still be decaying sound"})) == {}


def test_a_tail_that_hides_its_decay_among_others_that_do_not_is_no_noise() -> None:
    """Two beating modes can be as loud in the tail as before it, as at one of five seats of a simulated room."""
    room = quiet().change("FL", snr_db=22.0, why={"snr": "its end may still be decaying sound"})
    room.change("FL", ["B2"], snr_db=8.0, why={})
    assert found(room) == {}
    cell = seats.solve(room.job(), AS_FOUND, room.analyses()).cells[("FL", "B2")]
    assert next(c.verdict for c in cell.checks if c.id == "seats.snr") is Verdict.NOT_TESTED


@pytest.mark.parametrize(
    ("snr_db", "louder_db", "noise"),
    [(20.0, 10.5, False), (20.0, 9.5, True), (6.5, 25.0, False), (5.5, 25.0, True)],
)
def test_bass_that_rings_until_a_short_file_ends_is_no_noise(snr_db: float, louder_db: float, noise: bool) -> None:
    """Room noise would be in the ends of main channels' files as well, and no ringing is as loud as its beginning."""
    room = quiet()
    for (channel, seat), own in list(room.items.items()):
        ends_db = (room.items["SUB1", seat].level_db or 0.0) - snr_db - (0.0 if channel == "SUB1" else louder_db)
        room.items[channel, seat] = replace(own, tail_db=np.full(len(GRID_HZ), ends_db))
    room.change("SUB1", snr_db=snr_db)
    assert bool(found(room).get("measurement.noise")) is noise
    cells = seats.solve(room.job(), AS_FOUND, room.analyses()).cells
    (check,) = [c for c in cells["SUB1", "A2"].checks if c.id == "seats.snr"]
    assert check.verdict is (Verdict.FAIL if noise else Verdict.NOT_TESTED)
    assert noise or "the bass may ring until the file ends" in (check.why_not or "")


# --- together ---


def test_electronics_come_first_and_steps_that_are_missing_say_nothing() -> None:
    room = FAULTS["wiring.polarity"](FAULTS["settings.arrival"](quiet()))
    got = findings(room.job(), AS_FOUND, room.analyses(), OUTCOMES)
    assert [f.cause for f in got] == ["electronics", "settings"]
    seats_only = {"seats": OUTCOMES["seats"]}
    assert [f.id for f in findings(room.job(), AS_FOUND, room.analyses(), seats_only)] == ["wiring.polarity"]


def test_several_faults_are_reported_one_by_one() -> None:
    room = quiet()
    for rule_id in ("wiring.swapped", "wiring.polarity", "wiring.tweeter", "settings.sub-latency"):
        FAULTS[rule_id](room)
    assert set(found(room)) == {"wiring.swapped", "wiring.polarity", "wiring.tweeter", "settings.sub-latency"}


def test_the_order_of_the_responses_does_not_matter() -> None:
    room = FAULTS["wiring.swapped"](FAULTS["wiring.tweeter"](quiet()))
    items = room.analysed()
    forward, backward = (
        findings(room.job(), AS_FOUND, Analyses(order), OUTCOMES) for order in (items, list(reversed(items)))
    )
    assert [(f.id, f.channels, f.evidence) for f in forward] == [(f.id, f.channels, f.evidence) for f in backward]


def test_levels_are_on_the_grid_of_the_program() -> None:
    assert quiet().items[("FL", "A1")].third_octave_db.shape == GRID_HZ.shape


def test_a_circle_of_three_is_one_finding() -> None:
    # SiL sounds from BL's place, BL from TpFR's, TpFR from SiL's: two exchanges one after the other.
    finding = only(quiet().swap("SiL", "BL").swap("SiL", "TpFR"), "wiring.swapped")
    assert set(finding.channels) == {"SiL", "BL", "TpFR"}


# --- reflections, blocked paths, rows and bass management ---


@pytest.mark.parametrize(
    "reflections",
    [
        None,  # not determined
        (),
        ((0.0031, -9.0),),  # above the limit, within the uncertainty
        ((0.0005, -2.0), (0.004, -15.0)),  # the loudspeaker's own other driver
    ],
)
def test_reflections_that_are_not_surely_above_the_limit_are_no_finding(reflections: object) -> None:
    assert found(quiet().change(None, reflections=reflections)) == {}


def test_reflections_of_all_channels_are_bare_walls_and_no_finding() -> None:
    room = quiet().change(None, reflections=((0.004, -5.0),))
    assert found(room) == {}
    (remark,) = [
        text for text in seats.evaluate(room.job(), AS_FOUND, room.analyses()).remarks if "reflections" in text
    ]
    assert "13 of 13 channels" in remark
    assert "−5 dB" in remark


def test_a_channel_with_a_stronger_reflection_than_bare_walls_make_is_a_finding() -> None:
    room = (
        quiet().change(None, reflections=((0.004, -5.0),)).change("SiL", reflections=((0.002, -1.0), (0.004, -5.0)))
    )
    finding = only(room, "room.reflection")
    assert finding.channels == ("SiL",)
    assert "−1 dB after 2.0 ms, 0.69 m longer path" in finding.evidence[0]


@pytest.mark.parametrize(("shifts_ms", "named"), [((0, 0, 0, 0, 0, 0), True), ((0, 0.3, 0.7, 1.1, 1.4, 1.8), False)])
def test_among_bare_walls_a_reflection_after_one_time_at_all_seats_is_a_finding(
    shifts_ms: tuple[float, ...], named: bool
) -> None:
    """The path by a wall differs from seat to seat (geometry); a copy made by electronics has one delay."""
    room = quiet().change(None, reflections=((0.002, -5.0),))
    for seat, shift in zip(ALL_SEATS, shifts_ms, strict=True):
        found_there = ((0.0113 + shift / 1000, -4.0), (0.002, -5.0))
        room.change("FR", [seat], reflections=found_there)
        if not named:  # the wall opposite gives its partner the same
            room.change("FL", [seat.translate(str.maketrans("13", "31"))], reflections=found_there)
    got = found(room)
    assert [f.channels for f in got.get("room.reflection", [])] == ([("FR",)] if named else [])


@pytest.mark.parametrize(("partner_db", "named"), [(None, True), (-11.0, True), (-8.0, False)])
def test_a_reflection_that_the_partner_lacks_is_a_finding_from_two_seats_on(
    partner_db: float | None, named: bool
) -> None:
    """Bare walls give a pair the same reflections at mirrored seats (geometry); an object beside one of them does not."""
    walls = (0.002, -5.0)
    room = quiet(system=cinema(("FL", "FR"), seat_ids=("A2", "B2"))).change(None, reflections=(walls,))
    assert found(room) == {}
    theirs = (walls,) if partner_db is None else (walls, (0.0113, partner_db))
    for seat, after_s in (("A2", 0.0113), ("B2", 0.0115)):
        room.change("FR", [seat], reflections=((after_s, -4.0), walls)).change("FL", [seat], reflections=theirs)
    assert [f.channels for f in found(room).get("room.reflection", [])] == ([("FR",)] if named else [])


def test_a_reflection_at_one_seat_of_six_is_no_finding() -> None:
    assert (
        found(quiet().change("FL", ["B2"], reflections=((0.004, -1.0),)).change("FL", ALL_SEATS[:4], reflections=()))
        == {}
    )


def test_a_beam_that_both_of_a_pair_have_is_no_blocked_path() -> None:
    """Side loudspeakers are directional: each is dull at the far seats, and its partner at the mirrored ones."""
    room = quiet().add_db("SiL", -12, ["A3"], above_hz=3000).add_db("SiR", -12, ["A1"], above_hz=3000)
    assert not {"room.blocked", "room.dull-seat"} & set(found(room))
    room.add_db("SiL", -8, ["A3"], above_hz=3000)  # a little farther round the same beam
    assert not {"room.blocked", "room.dull-seat"} & set(found(room))


def test_one_of_two_seats_is_blocked_and_what_is_louder_there_is_no_reflection() -> None:
    """A cover weakens only the direct sound of a loudspeaker, not its reflections."""
    room = quiet(system=cinema(seat_ids=["A2", "B2"])).change(None, reflections=((0.004, -12.0),))
    assert found(room) == {}
    room.add_db("FL", -12, ["B2"], above_hz=3000).change("FL", ["B2"], reflections=((0.004, 4.0),))
    finding = only(room, "room.blocked")
    assert (finding.channels, finding.seats) == (("FL",), ("B2",))
    assert "−12.1 dB against the other seats' mean" in finding.evidence[0]


@pytest.mark.parametrize(
    ("channel", "why"), [("SiL", "a dipole is as soft"), ("FC", "no seats on both sides of A3 hear it well")]
)
def test_a_dull_seat_is_not_called_blocked_where_aim_or_dipole_explain_it(channel: str, why: str) -> None:
    (finding,) = found(quiet().add_db(channel, -14, ["A3"], above_hz=3000))["room.dull-seat"]
    assert (finding.channels, finding.seats) == ((channel,), ("A3",))
    assert why in finding.evidence[1]


@pytest.mark.parametrize(("apart_m", "named"), [(0.18, False), (0.35, False), (0.45, True)])
def test_a_head_between_two_ears_blocks_no_loudspeaker(apart_m: float, named: bool) -> None:
    """From 8 kHz on a head shades the far ear by 10 to 20 dB (common practice, no source)."""
    system = cinema()
    seats = tuple(replace(s, position_m=(apart_m * n, 3.3, 1.1)) for n, s in enumerate(system.seats[:2]))
    room = quiet(system=replace(system, seats=seats)).add_db("FL", -14, [seats[0].id], above_hz=3000)
    assert bool({"room.blocked", "room.dull-seat"} & set(found(room))) is named


def test_a_gap_between_two_seats_that_hear_a_centre_well_is_an_obstacle() -> None:
    finding = only(quiet().add_db("FC", -14, ["B2"], above_hz=3000), "room.blocked")
    assert "to both sides of B2, hear it well" in finding.evidence[1]


def test_a_surround_loudspeaker_behind_the_seats_is_no_dipole_beside_them() -> None:
    only(quiet().add_db("BL", -14, ["B2"], above_hz=3000), "room.blocked")


def test_a_reflection_louder_than_the_direct_sound_may_be_a_covered_loudspeaker() -> None:
    for level_db, first in ((3.0, WEAK_DIRECT), (-3.0, DELAYED_COPY)):
        finding = only(quiet().change("FL", reflections=((0.004, level_db),)), "room.reflection")
        assert finding.alternatives[0] == first
        assert ("in sight" in finding.confirm) is (level_db > 0)


def test_a_seat_that_is_dull_for_most_channels_is_no_blocked_loudspeaker() -> None:
    room = quiet()
    for channel in ("FL", "FC", "FR", "SiL", "SiR", "TpFL", "TpFR"):
        room.add_db(channel, -12, ["B2"], above_hz=3000)
    assert not {"room.blocked", "room.dull-seat"} & set(found(room))


def test_a_null_at_two_seats_of_a_row_is_not_the_row() -> None:
    room = quiet()
    for sub in ("SUB1", "SUB2"):
        room.add_db(sub, -40, ["B1", "B2"], above_hz=45, below_hz=63)
    got = found(room)
    assert "room.row-null" not in got
    assert {seat for each in got["room.null"] for seat in each.seats} == {"B1", "B2"}


def high_passed(room: SoundRoom, without: tuple[str, ...] = (), corner_hz: float = 80.0) -> Job:
    """All main channels except some through a second-order high-pass, and the job that notes it for all."""
    for channel in room.system.channels:
        if not channel.is_sub and channel.id not in without:
            room.add_db(channel.id, lambda hz: -10 * np.log10(1 + (corner_hz / hz) ** 4))
    system = replace(
        room.system,
        channels=tuple(c if c.is_sub else replace(c, high_pass_hz=corner_hz) for c in room.system.channels),
    )
    return room.job(defined(system))


@pytest.mark.parametrize("seed", range(2))
def test_a_high_pass_that_is_there_is_no_finding(seed: int) -> None:
    room = quiet(seed)
    assert found(room, high_passed(room)) == {}


def test_a_missing_high_pass_is_found_against_the_partner() -> None:
    room = quiet()
    finding = only(room, "settings.bass-management", high_passed(room, without=("SiL",)))
    assert finding.channels == ("SiL",)


def test_a_missing_high_pass_is_found_where_the_room_lifts_the_bass_of_both() -> None:
    """12 dB less slope than the partner (second-order high-pass, arithmetic), whose slope the room has half filled."""
    room = (
        SoundRoom(cinema(("FL", "FR", "SUB1")), uneven_db=0.5)
        .add_db("FL", 8.0, below_hz=62)
        .add_db("FR", 8.0, below_hz=62)
    )
    finding = only(room, "settings.bass-management", high_passed(room, without=("FR",)))
    assert finding.channels == ("FR",)


def test_of_a_pair_whose_richer_one_is_as_all_others_neither_is_named() -> None:
    """The subwoofers play the bass of all channels but one, as seen where they are measured through the processor."""
    room = quiet()
    job = high_passed(room, without=tuple(c.id for c in room.system.channels if not c.is_sub and c.id != "SiL"))
    finding = only(room, "settings.bass-management.pair", job)
    assert set(finding.channels) == {"SiL", "SiR"}
    assert "not determined" in finding.evidence[1]


def test_a_missing_high_pass_is_found_where_noise_hides_the_bass_of_the_partner() -> None:
    """Noise only raises the partner's level, so the true difference is at least the measured one."""
    room = quiet()
    job = high_passed(room, without=("SiL",))
    for seat in ALL_SEATS:
        level = room.items[("SiR", seat)].third_octave_db
        room.change("SiR", [seat], noise_db=np.where(GRID_HZ < 62, level - 1.0, -80.0))
    assert only(room, "settings.bass-management", job).channels == ("SiL",)


def test_hum_below_the_crossover_is_no_missing_high_pass() -> None:
    room = quiet()
    job = high_passed(room)
    room.add_db("SiL", 30.0, below_hz=62)
    for seat in ALL_SEATS:
        level = room.items[("SiL", seat)].third_octave_db
        room.change("SiL", [seat], noise_db=np.where(GRID_HZ < 62, level - 1.0, -80.0))
    assert "settings.bass-management" not in found(room, job)


def test_a_high_pass_in_a_room_with_much_bass_is_no_finding() -> None:
    room = quiet().add_db(None, 8.0, below_hz=62)
    assert "settings.bass-management" not in found(room, high_passed(room))


def test_bass_that_the_processor_sends_to_the_subwoofers_is_no_missing_high_pass() -> None:
    """Measured through bass management, every main channel has the subwoofers' bass at each seat."""
    room = SoundRoom(uneven_db=1.5)
    job = high_passed(room)
    for (channel, seat), own in list(room.items.items()):
        if not channel.startswith("SUB"):
            bass = room.items[("SUB1", seat)].third_octave_db - 10 * np.log10(1 + (GRID_HZ / 80) ** 4)
            both = 10 * np.log10(10 ** (own.third_octave_db / 10) + 10 ** (bass / 10))
            room.items[(channel, seat)] = replace(own, third_octave_db=both)
    assert "settings.bass-management" not in found(room, job)


def test_measured_past_the_processor_no_high_pass_is_missed() -> None:
    room = quiet()
    job = high_passed(room, without=("SiL",))
    room.passes_delays = False
    assert "settings.bass-management" not in found(room, job)


# --- a return visit ---


def returned(room: SoundRoom, trim: float | None = 0.0, **read: float) -> Job:
    """A later visit to a room that had 75 dB on every channel and all trims at 0 dB when left."""
    figures = tuple(
        figure
        for c in room.system.channels
        for figure in (
            EarlierFigure(quantity="level_db", channel=c.id, seat="A2", value=75.0, uncertainty=0.4),
            EarlierFigure(quantity="trim_db", channel=c.id, value=0.0),
        )
    )
    earlier = EarlierVisit(
        file_name="before",
        title="",
        digest="",
        round="as-left",
        closed_at="2025-03-14",
        program_version="0",
        figures=figures,
    )
    values = {c.id: 75.0 for c in room.system.channels} | read
    entered = [setting(c, trim_db=trim, distance=d, polarity="normal") for c, d in room.distances_m.items()]
    return job_of(defined(room.system), earlier, *levels(values), *entered)


def test_a_channel_lost_since_last_time_is_no_matter_of_its_trim() -> None:
    room = quiet()
    got = findings(returned(room, SiL=65.0), AS_FOUND, Analyses(), OUTCOMES)
    assert [(f.id, f.channels) for f in got] == [("wiring.level-lost", ("SiL",))]
    assert "trim" in got[0].remedy
    assert "settings sheet" not in got[0].remedy


def test_a_few_decibels_less_than_last_time_are_a_trim_and_a_volume_is_no_loss() -> None:
    room = quiet()
    few = findings(returned(room, SiL=72.0), AS_FOUND, Analyses(), OUTCOMES)
    assert [f.id for f in few] == ["settings.trims"]
    soft = findings(returned(room, **{c.id: 65.0 for c in room.system.channels}), AS_FOUND, Analyses(), OUTCOMES)
    assert [f.id for f in soft] == ["settings.reference"]
    unknown = findings(returned(room, trim=None, SiL=65.0), AS_FOUND, Analyses(), OUTCOMES)
    assert [f.id for f in unknown] == ["settings.trims"]  # somebody may have turned it down: not determined
