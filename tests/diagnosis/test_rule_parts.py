"""Findings of each rule for hand-written results, so that every number has a known answer."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from builders import cinema, defined, job_of, levels, setting

from commission.diagnosis import (
    bass,
    bass_management,
    delay_settings,
    dull_seats,
    level_settings,
    measurement,
    prediction,
    room,
    wiring,
)
from commission.diagnosis.evidence import seat_distance_m
from commission.diagnosis.rule import FindingDetails, Findings
from commission.dsp.crossover import CrossoverHole
from commission.dsp.pair_polarity import Relation
from commission.dsp.spectrum import GRID_HZ
from commission.model import AS_FOUND, Analyses, Check, CrossoverFilter, Finding, Limit, Processor, Verdict
from commission.model.outcome import Cause
from commission.steps import distances
from commission.steps import wiring as wiring_step
from commission.steps.bass.explanation import SubChange
from commission.steps.distances import likely_delays
from commission.steps.seats.drivers import Dip, LevelVariation
from commission.steps.seats.faults import trim_doubt
from commission.steps.seats.polarity import ChannelPolarity
from commission.steps.shared.screening.mistake import Mistake

Look = Callable[[Any, Findings], Iterator[FindingDetails]]


def evidence(*bodies: Any, **parts: Any) -> Any:
    """The invented cinema with the given step results."""
    return SimpleNamespace(
        job=job_of(defined(cinema()), *bodies), round=AS_FOUND, **{"outcomes": {}, "checks": lambda _: (), **parts}
    )


def look(rule: Look, e: Any, *found: Finding) -> list[FindingDetails]:
    return list(rule(e, Findings(found)))


def earlier(rule_id: str, *channels: str, seats: tuple[str, ...] = (), cause: Cause = "electronics") -> Finding:
    """Findings of an earlier rule."""
    return Finding(
        id=rule_id,
        cause=cause,
        step="seats",
        check="seats.snr",
        title=rule_id,
        channels=channels,
        seats=seats,
        evidence=("1",),
        alternatives=("a",),
        confirm="c.",
        remedy="r.",
    )


# --- wiring: places ------------------------------------------------------------------------------------------------


def distances_of(found: dict[str, tuple[str, float]], fits_also: dict[str, tuple[str, float]]) -> Any:
    """Channels in another place → (place, z), and channels in their own → (the place that fits next best, z)."""
    own = {c: SimpleNamespace(place=c, rival=rival, z=z) for c, (rival, z) in fits_also.items()}
    return SimpleNamespace(swapped=found, rest_s={}, places=own, no_swap_reason=None, channels={}, reference="A1")


def swapped(**places: tuple[str, float]) -> list[FindingDetails]:
    return look(wiring._swapped, evidence(distances=distances_of(places, {}), seats=SimpleNamespace(cells={})))


def test_every_circle_is_one_finding_from_its_first_channel_on() -> None:
    got = swapped(
        FL=("FR", 9.0), FR=("FL", 7.0), SiL=("BL", 6.0), BL=("TpFR", 5.0), TpFR=("SiL", 8.0), BR=("FC", 5.0)
    )
    assert [each.channels for each in got] == [("FL", "FR"), ("SiL", "BL", "TpFR"), ("BR", "FC")]
    assert [each.title.split()[-1] for each in got] == ["swapped", "outputs", "swapped"]
    assert "FL from the position of FR, FR from the position of FL; z = 7," in got[0].evidence[0]
    assert "z = 5," in got[1].evidence[0]
    assert "BR from the position of FC; z = 5" in got[2].evidence[0]
    ladders = ["ladder" in each.remedy for each in got]
    assert ladders == [False, True, False]  # a loudspeaker overhead is among the second


@pytest.mark.parametrize(("z", "probability"), [(1.0, 0.68), (2.0, 0.95), (6.0, 0.99)])
def test_the_confidence_of_a_swap_is_that_of_a_normal_distribution(z: float, probability: float) -> None:
    # Within one, and two, standard deviations: 68.3 % and 95.4 %; never more than 0.99.
    (only,) = swapped(FL=("FR", z), FR=("FL", z + 1))
    assert only.confidence == probability


def test_a_swap_names_whom_it_may_include_where_a_check_of_that_channel_fails() -> None:
    failing = [
        SimpleNamespace(channel=c, verdict=verdict)
        for c, verdict in (("FC", Verdict.FAIL), ("SiL", Verdict.FAIL), ("SiR", Verdict.FAIL), ("BL", Verdict.PASS))
    ]
    fits_also = {"FC": ("FR", 0.5), "SiL": ("FR", 6.0), "SiR": ("BR", 0.5), "BL": ("FL", 0.5)}
    e = evidence(
        distances=distances_of({"FL": ("FR", 9.0), "FR": ("FL", 9.0)}, fits_also),
        seats=SimpleNamespace(cells={}),
        checks=lambda name: failing if name == "levels.match" else (),
    )
    assert wiring.perhaps_swapped(e) == {"FC": "FR"}
    (only,) = look(wiring._swapped, e)
    assert only.evidence[1].startswith("whether FC is swapped with them is not determined")


# --- wiring: polarity ----------------------------------------------------------------------------------------------

OPPOSITE = Relation(sign=-1, correlation=-0.82, agree=5, seats=6, confidence=0.97)
SPLIT = Relation(
    sign=None, correlation=0.9, agree=4, seats=4, confidence=0.95, split_hz=1449.0, dip_db=9.0, lead_db=8.0
)


def polarity(*more: Any, **channels: ChannelPolarity) -> Any:
    return evidence(*more, seats=SimpleNamespace(polarity=channels), analyses=Analyses(()))


def reversed_against(*others: str, by_setting: bool = False, relation: Relation | None = OPPOSITE) -> ChannelPolarity:
    return ChannelPolarity(state="reversed", others=others, relation=relation, by_setting=by_setting)


ALIKE = ChannelPolarity(state="alike", others=("FR",), relation=replace(OPPOSITE, sign=1, correlation=0.9))


def test_reversed_by_wires_and_reversed_by_setting_are_two_rules() -> None:
    e = polarity(
        setting("SiL", polarity="normal"),
        FC=ALIKE,
        FL=reversed_against("FR", "FC", by_setting=True),
        BL=reversed_against("BR", "SiR", relation=None),
        SiL=reversed_against("SiR", "BR"),
        TpFL=reversed_against("TpFR", "TpBL"),
        TpBL=reversed_against("TpBR", "TpBL", by_setting=True),
    )
    wires, settings = look(wiring._reversed, e), look(wiring._set_reversed, e)
    assert [each.channels for each in wires] == [("SiL",), ("TpFL",)]
    assert [each.channels for each in settings] == [("FL",), ("TpBL",)]
    assert wires[0].evidence == (
        "opposite to SiR and BR: correlation −0.82 at 5 of 6 seats, threshold ±0.5",
        "polarity in the processor: normal",
    )
    assert wires[1].evidence[1] == "polarity in the processor: not noted"
    assert settings[0].evidence[0].startswith("opposite to FR and FC: correlation −0.82")
    assert {each.confidence for each in (*wires, *settings)} == {0.97}
    assert "ladder" in wires[1].remedy
    assert "ladder" not in wires[0].remedy


def one_of_two(other: str, state: str = "one of two", relation: Relation | None = OPPOSITE) -> ChannelPolarity:
    return ChannelPolarity(state=state, others=(other,), relation=relation, why="there is no third")  # type: ignore[arg-type]


def test_one_of_two_is_reported_once_for_each_pair() -> None:
    e = polarity(
        FL=one_of_two("FR", relation=None),
        FR=one_of_two("FL"),
        FC=ALIKE,
        SiL=one_of_two("SiR"),
        SiR=one_of_two("SiL"),
        SUB1=one_of_two("SUB2"),
        SUB2=one_of_two("SUB1"),
    )
    got = look(wiring._one_of_two, e)
    assert [each.channels for each in got] == [("SiL", "SiR"), ("SUB1", "SUB2")]
    assert got[0].evidence[1] == "which of the two is not determined, because there is no third"
    assert got[0].alternatives[0] == "the two are different models"
    assert "phase switch" in got[1].alternatives[0]
    assert got[0].confidence == 0.97
    doubt = replace(OPPOSITE, sign=None, changes_sign=True, opposite=True)
    (either,) = look(wiring._one_of_two, polarity(FL=one_of_two("FR", relation=doubt), FR=one_of_two("FL")))
    assert either.title == "FL or FR reversed, or one driver of it"
    assert either.evidence[1].startswith("which of the two, and whether all of it, is not determined, because ")


def driver(*others: str, relation: Relation | None = SPLIT) -> ChannelPolarity:
    return ChannelPolarity(state="driver", others=others, relation=relation)


def test_a_reversed_driver_is_named_or_one_of_two() -> None:
    below = replace(SPLIT, above=False)
    e = polarity(
        FC=driver("FL", relation=None),
        FL=driver("FR"),
        SiL=driver("SiR", "BL", "BR", relation=below),
        BL=one_of_two("BR", "one driver of two", SPLIT),
        BR=one_of_two("BL", "one driver of two", SPLIT),
        TpFL=one_of_two("TpFR", "one driver of two", OPPOSITE),  # no split: nothing to say
        TpFR=one_of_two("TpFL", "one driver of two", OPPOSITE),
    )
    alone, among, either = look(wiring._driver_reversed, e)
    assert [each.channels for each in (alone, among, either)] == [("FL",), ("SiL",), ("BL", "BR")]
    assert alone.evidence == (
        "FL and FR are opposite above 1400 Hz and alike on the other side, at 4 of 4 seats",
        "FL has a dip of 9 dB against FR near 1400 Hz",
    )
    assert among.evidence[0].startswith("SiL and SiR are opposite below 1400 Hz")
    assert among.evidence[2] == "SiR, BL and BR agree with each other"
    assert either.evidence[1] == "which of the two is not determined, because there is no third"
    assert "1 m on axis" in alone.confirm
    assert either.confirm.startswith("Open BL and BR")
    assert alone.remedy.startswith("Open FL and connect its drivers as in FR.")
    assert either.remedy.startswith("Open the reversed one and connect its drivers as in the other one.")
    # An unclear dip is neither evidence nor an alternative.
    (shallow,) = look(wiring._driver_reversed, polarity(FL=driver("FR", relation=replace(SPLIT, dip_db=3.0))))
    assert len(shallow.evidence) == 1
    assert len(shallow.alternatives) == 2


# --- measurement ---------------------------------------------------------------------------------------------------


def mistake(
    kind: Any = "clock", channels: tuple[str, ...] = (), seats: tuple[str, ...] = ("A1",), **more: Any
) -> Mistake:
    return Mistake(kind=kind, channels=channels, seats=seats, **{"reason": "why", "evidence": ("12 ms",), **more})


def details(one: Mistake) -> FindingDetails:
    rule = next(rule for rule in measurement.RULES if rule.id == f"measurement.{one.kind}")
    (found,) = look(rule.look, evidence(screening=SimpleNamespace(of=lambda kind: (one,)), analyses=Analyses()))
    return found


def leaking_from(monkeypatch: pytest.MonkeyPatch, *channels: str) -> None:
    """These channels also play from another loudspeaker."""
    failed = SimpleNamespace(check=SimpleNamespace(verdict=Verdict.FAIL))
    monkeypatch.setattr(wiring_step, "leakages", lambda *_: dict.fromkeys(channels, failed))


def test_arrivals_from_another_loudspeaker_show_no_microphone(monkeypatch: pytest.MonkeyPatch) -> None:
    leaking_from(monkeypatch, "FL", "FR")
    rule = next(rule for rule in measurement.RULES if rule.id == "measurement.microphone-not-moved")
    for channels, expected in ((("FL",), 0), (("FL", "FC"), 1), ((), 1)):
        one = mistake("microphone-not-moved", channels)
        e = evidence(screening=SimpleNamespace(of=lambda kind, one=one: (one,)), analyses=Analyses())
        assert len(look(rule.look, e)) == expected, channels


def test_recordings_of_all_seats_that_show_another_loudspeaker_share_a_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    rule = next(rule for rule in measurement.RULES if rule.id == "measurement.clock")
    cells = SimpleNamespace(cells={("FL", "A1"): None, ("FL", "A2"): None})
    for leaking, seats, expected in ((["FL"], ("A1", "A2"), 0), (["FL"], ("A1",), 1), ([], ("A1", "A2"), 1)):
        leaking_from(monkeypatch, *leaking)
        of = SimpleNamespace(of=lambda kind, seats=seats: (mistake(seats=seats),))
        assert len(look(rule.look, evidence(screening=of, analyses=Analyses(), seats=cells))) == expected, seats


@pytest.mark.parametrize(
    ("count", "listed"),
    [
        (2, "p1 and p2"),
        (8, "p1, p2, p3, p4, p5, p6, p7 and p8"),
        (10, "p1, p2, p3, p4, p5, p6, p7 and p8 and 2 more"),
    ],
)
def test_eight_places_are_listed_and_the_rest_is_counted(count: int, listed: str) -> None:
    clipped = details(mistake("clipped", evidence=tuple(f"p{n + 1}" for n in range(count))))
    assert clipped.evidence[0] == listed
    assert clipped.title == f"{count} recordings clipped"


@pytest.mark.parametrize(
    ("channels", "seats", "title", "who"),
    [
        ((), ("A1",), "microphone not at A1", "all channels"),
        (("FL",), ("A1",), "microphone not at A1 for FL", "FL"),
        (("FL", "FR", "FC"), ("A1",), "microphone not at A1 for FL, FR and FC", "FL, FR and FC"),
        (("FL", "FR", "FC", "SiL"), ("A1",), "microphone not at A1 for 4 channels", "4 channels"),
        ((), ("A1", "B1"), "A1 and B1 measured at one place", "all channels"),
    ],
)
def test_a_microphone_at_another_seat_is_named_with_what_to_measure(
    channels: tuple[str, ...], seats: tuple[str, ...], title: str, who: str
) -> None:
    got = details(mistake("microphone-not-moved", channels, seats))
    assert (got.title, got.channels, got.seats) == (title, channels, seats)
    assert f"measure {who} there again" in got.remedy


@pytest.mark.parametrize(
    ("channels", "title"),
    [
        ((), "no common clock: A1 and B2"),
        (("FL",), "no common clock: FL at A1 and B2"),
        (("FL", "FR", "FC"), "no common clock: FL, FR and FC at A1 and B2"),
        (("FL", "FR", "FC", "BL"), "no common clock: A1 and B2"),
    ],
)
def test_up_to_three_channels_are_named_beside_the_seats(channels: tuple[str, ...], title: str) -> None:
    assert details(mistake("clock", channels, ("A1", "B2"))).title == title


def test_the_evidence_of_a_mistake_is_kept_and_added_to() -> None:
    exchanged = details(mistake("seats-exchanged", seats=("A1", "B2")))
    assert exchanged.evidence == ("12 ms", "no exchange of loudspeakers explains them as well")
    assert exchanged.title == "recordings of A1 and B2 exchanged"
    wrong = details(mistake("wrong-channel", ("FL", "BR"), ("A2",)))
    assert (wrong.title, wrong.channels) == ("recordings of FL and BR exchanged at A2", ("FL", "BR"))
    assert wrong.evidence[0] == "12 ms"
    gain = details(mistake("gain", seats=("A1", "B2"), evidence=("+3 dB", "−2 dB")))
    assert gain.evidence[:2] == ("+3 dB", "−2 dB")
    assert len(gain.evidence) == 3
    assert "at A1" in gain.confirm
    same = details(mistake("same-recording", (), ("A1",)))
    assert (same.title, same.evidence) == ("why", ("12 ms",))
    assert "all channels" in same.remedy
    assert "Measure FL at A1" in details(mistake("same-recording", ("FL",), ("A1",))).remedy
    reference = details(mistake("reference", evidence=("FL at A1", "FL at A2")))
    assert (reference.title, reference.evidence) == (
        "levels of 2 responses with another reference",
        ("FL at A1 and FL at A2", "why"),
    )


def snr(value: float, limit: float = 30.0, check_id: str = "seats.snr") -> Check:
    return Check(
        id=check_id, value=value, unit="dB", uncertainty=0.0, limit=Limit(low=limit, unit="dB", basis="b"), text="t"
    )


def noise(cells: dict[tuple[str, str], tuple[Check, ...]], *found: Finding, noisy: tuple[Mistake, ...] = ()) -> Any:
    job = job_of(defined(cinema()))
    made = {
        (c, s): SimpleNamespace(channel=job.system.channel(c), checks=checks, analysis=None)
        for (c, s), checks in cells.items()
    }
    e = evidence(seats=SimpleNamespace(cells=made), screening=SimpleNamespace(of=lambda kind: noisy))
    return look(measurement._noise, e, *found)


def test_responses_near_the_noise_are_one_finding_but_for_what_explains_itself() -> None:
    low = (snr(50.0), snr(22.0))
    cells = {
        ("FL", "A1"): low,
        ("FL", "A2"): (snr(40.0), snr(5.0, check_id="seats.bass")),  # another check that fails
        ("FR", "B1"): (snr(14.0),),
        ("FC", "A1"): (snr(2.0),),  # silent
        ("SiL", "A3"): (snr(8.0),),  # noise in one recording, a finding of its own
        ("SiL", "B3"): (snr(19.0),),
        ("SUB1", "A3"): (snr(6.0),),  # soft there because of the room
        ("SUB1", "A1"): (snr(25.0),),
    }
    noisy = (mistake("interference", ("SiL",), ("A3",)),)
    (got,) = noise(
        cells, earlier("wiring.silent", "FC"), earlier("room.null", seats=("A3",), cause="room"), noisy=noisy
    )
    assert got.title == "4 responses near the noise"
    assert got.channels == ("FL", "FR", "SUB1", "SiL")
    assert got.seats == ("A1", "B1", "B3")
    assert "down to 14 dB of signal to noise, limit 30 dB" in got.evidence[0]
    assert got.evidence[1] == "median 20 dB"  # of 14, 19, 22 and 25 dB: 20.5
    assert noise({("FL", "A2"): (snr(40.0),)}) == []


# --- settings -----------------------------------------------------------------------------------------------------


def level(correction_db: float, u_db: float = 0.3, why: str | None = None, **more: Any) -> Any:
    return SimpleNamespace(
        correction_db=correction_db, u_db=u_db, why_no_trim=why, in_doubt=False, before_sum=False, **more
    )


EVEN = LevelVariation(300.0, 0.0, 3000.0, 0.0)


def read(values: dict[str, Any], polarity: dict[str, ChannelPolarity] | None = None, common_u_db: float = 0.0) -> Any:
    for name, each in values.items():
        each.channel = SimpleNamespace(id=name, is_sub=name.startswith("SUB"))
    return evidence(
        levels=SimpleNamespace(channels=values, common_u_db=common_u_db, seats=()),
        seats=SimpleNamespace(polarity=polarity or {}, against={}, cells={}),
        distances=distances_of({}, {}),
        analyses=Analyses(),
    )


@pytest.mark.parametrize(
    ("factor", "clause"),
    [(-1.0, "wrong sign"), (0.0, "no delays"), (3.28, "feet for metres"), (1.0, None), (0.6, None)],
)
def test_three_channels_show_what_the_processor_seems_to_make_of_its_delays(
    factor: float, clause: str | None
) -> None:
    # Arrivals by t = τ + d/c + k·a; the remainder with k = 1 is then (k − 1)·a.
    applied_s = {"FL": 0.0, "FC": 0.9e-3, "FR": 1.4e-3}
    channels = {
        c: SimpleNamespace(
            channel=SimpleNamespace(is_sub=False),
            arrival_residual_s=(factor - 1) * a,
            held_error_s=0.0,
            setting=SimpleNamespace(delay_s=a),
        )
        for c, a in applied_s.items()
    }
    found: Any = SimpleNamespace(channels=channels, unit_fit=None)
    got = likely_delays(found)
    assert got is None if clause is None else clause in str(got)
    del channels["FR"]
    assert likely_delays(found) is None


def test_what_most_readings_share_is_no_trim() -> None:
    five = {"FL": level(-4.0), "FC": level(-4.5), "FR": level(-3.8), "SiL": level(-4.1), "SiR": level(1.0)}
    assert level_settings._common_error_db(read(five)) == pytest.approx(4.0)  # the median of what is too loud
    four = {**five, "FL": level(0.5)}
    assert level_settings._common_error_db(read(four)) == 0.0  # three of five are alike: too few
    assert level_settings._common_error_db(read({"FL": level(-4.0), "FC": level(-4.0)})) == 0.0
    waits = {**five, "SiL": level(-4.0, why="it waits for its repair")}
    assert level_settings._common_error_db(read(waits)) == 0.0  # then three of four are alike


@pytest.mark.parametrize(("third_db", "common_db"), [(7.2, 6.9), (7.3, 0.0), (-6.9, 0.0)])
def test_few_channels_share_what_is_far_more_than_they_differ_by(third_db: float, common_db: float) -> None:
    # A quarter of the least of them, 5.8 dB, is 1.45 dB.
    three = read({"FL": level(-5.8), "FR": level(-6.9), "SUB1": level(-third_db)})
    three.job = job_of(defined(replace(cinema(), channels=cinema().channels[:3])))
    assert level_settings._common_error_db(three) == pytest.approx(common_db)


def test_all_channels_off_alike_are_loud_or_low_beyond_their_uncertainty() -> None:
    loud = {c: level(-1.9) for c in ("FL", "FC", "FR")}
    (got,) = look(level_settings._all_off, read(loud, common_u_db=0.4))
    assert got.title == "all channels 1.9 dB loud"
    assert got.channels == ("FL", "FC", "FR")
    assert "+1.9 ± 1.0 dB" in got.evidence[0]  # twice the root of 0.3² + 0.4²
    (low,) = look(level_settings._all_off, read({c: level(1.9) for c in loud}))
    assert low.title == "all channels 1.9 dB low"
    # Two with a possibly reversed driver are as soft as the third: that, too, is the volume.
    (still,) = look(
        level_settings._all_off, read({c: level(4.0) for c in loud}, {"FL": driver("FR"), "FR": driver("FL")})
    )
    assert still.title == "all channels 4.0 dB low"
    # 1 dB + 1.645 · 0.5 dB = 1.82 dB
    assert look(level_settings._all_off, read({c: level(-1.8) for c in loud}, common_u_db=0.4)) == []


def test_trims_are_reported_beyond_what_all_share() -> None:
    values = {c: level(-4.0) for c in ("FL", "FR", "SiL", "SiR", "BL", "BR", "TpFL", "TpFR")} | {
        "FC": level(-1.0),  # 3 dB too soft against the others
        "TpBL": level(-6.2),
        "SUB1": level(-4.9),
    }
    (got,) = look(level_settings._trims, read(values))
    assert got.channels == ("FC", "TpBL")
    assert got.title == "trims off, FC by 3.0 dB"
    assert got.evidence == ("against the other channels: FC −3.0 dB, TpBL +2.2 dB, limit 1 dB",)
    again = look(level_settings._trims, read(values), earlier(level_settings.DIALOGUE, "FC", cause="settings"))
    assert [each.channels for each in again] == [("TpBL",)]
    assert again[0].title == "trims off, TpBL by 2.2 dB"
    joined = earlier("wiring.doubled", "FR", "TpBL")  # a second loudspeaker makes them louder, never softer
    pair = {"FL": level(0.0), "FC": level(0.0), "FR": level(2.0), "TpBL": level(-2.0)}
    assert [each.channels for each in look(level_settings._trims, read(pair), joined)] == [("FR",)]
    absolute = look(level_settings._trims, read({"FL": level(0.0), "FR": level(2.0)}))
    assert absolute[0].evidence == ("against the reference: FR −2.0 dB, limit 1 dB",)
    assert (
        look(level_settings._trims, read({"FL": level(0.0), "FR": level(1.4)})) == []
    )  # 1 dB + 1.645 · 0.3 dB = 1.5 dB
    doubtful = read(values, {"FC": driver("FL"), "TpBL": reversed_against("TpBR")})
    assert [each.channels for each in look(level_settings._trims, doubtful)] == [("TpBL",)]
    # A faulty driver leaves some half octaves unchanged: 2.5 dB or more in all of them is a difference of gain.
    no_dip, dip = Dip(math.nan, 0.0), Dip(1900.0, 7.0)
    doubtful.seats.against["FC"] = SimpleNamespace(shared_db=-2.5, has_partner=True, dip=no_dip, variation=EVEN)
    assert [each.channels for each in look(level_settings._trims, doubtful)] == [("FC", "TpBL")]
    unsure = ChannelPolarity(state="unknown", relation=replace(OPPOSITE, sign=None, changes_sign=True))
    soft = read({"FL": level(0.0), "FR": level(2.0)}, {"FR": unsure})
    assert look(level_settings._trims, soft) == []
    soft.seats.against["FR"] = SimpleNamespace(
        shared_db=-1.1, has_partner=True, partner="FL", dip=dip, variation=EVEN
    )
    assert [each.title for each in look(level_settings._trims, soft)] == [
        "FR 2.0 dB low: its trim or one of its drivers"
    ]


@pytest.mark.parametrize(
    ("off_db", "words"),
    [(-8.4, "low: its trim or one of its drivers"), (3.0, "loud: its trim, an equalizer or a second loudspeaker")],
)
def test_a_level_that_depends_on_frequency_is_no_trim(off_db: float, words: str) -> None:
    """A dead midrange between first-order crossovers: 9 dB less in the middle, nothing at either end."""
    variation = (
        LevelVariation(800.0, off_db - 1.0, 6000.0, -0.3) if off_db < 0 else LevelVariation(300.0, -0.2, 3000.0, 8.0)
    )
    e = read({"FL": level(0.0), "FR": level(-off_db)})
    e.seats.against["FR"] = SimpleNamespace(
        has_partner=True, partner="FL", dip=Dip(math.nan, 0.0), variation=variation
    )
    (got,) = look(level_settings._trims, e)
    assert got.title == f"FR {abs(off_db):.1f} dB {words}"
    assert ("driver" in f"{got.evidence} {got.alternatives} {got.confirm} {got.remedy}") is (off_db < 0)
    assert "not determined: its level depends on frequency, " in got.evidence[1]
    assert ("another loudspeaker plays it, too" in got.alternatives) is (off_db > 0)
    e.seats.against["FR"].variation = EVEN
    assert [each.channels for each in look(level_settings._trims, e)] == [("FR",)]
    assert look(level_settings._trims, e)[0].title.startswith("trims off, FR")
    # Healthy pairs reach 4 dB. If one end is as loud as the partner's, no trim is off, and 4.5 dB suffice.
    for low_db, high_db, is_trim in ((-9.4, -3.5, True), (1.8, 7.7, True), (-5.0, -0.4, False), (-5.0, -0.6, True)):
        e.seats.against["FR"].variation = replace(variation, low_db=low_db, high_db=high_db)
        assert look(level_settings._trims, e)[0].title.startswith("trims off, FR") is is_trim


def test_a_trim_at_the_end_of_its_range() -> None:
    end: dict[str, Any] = {"at_limit": True, "reachable": True, "trim_exact_db": 10.0, "trim_db": 10.0}
    fine: dict[str, Any] = {"at_limit": False, "reachable": True, "trim_exact_db": 1.0, "trim_db": 1.0}
    beyond: dict[str, Any] = {"at_limit": True, "reachable": False, "trim_exact_db": 13.4, "trim_db": 10.0}
    e = read(
        {"FL": level(0.0, **fine), "FC": level(0.0, **end), "SUB1": level(0.0, **beyond), "BL": level(0.0, **beyond)}
    )
    got = look(level_settings._trim_stop, e)
    assert [each.channels for each in got] == [("FC",), ("SUB1",), ("BL",)]
    assert got[0].title == "trim of FC at the end of its range"
    assert got[0].evidence == ("its required trim is +10.0 dB, the end of the range",)
    assert got[1].title == "SUB1 cannot reach the reference"
    assert got[2].evidence == ("needs +13.4 dB, the range ends at +10.0 dB",)
    # With the volume below its reference every trim is too low: the volume is set first.
    assert look(level_settings._trim_stop, e, earlier("settings.reference", "FL", cause="settings")) == []
    for rule_id, seat, left in (
        ("room.null", "A2", ["FC", "BL"]),  # A2 is the reference seat
        ("room.row-null", "A2", ["FC", "BL"]),
        ("room.null", "A1", ["FC", "SUB1", "BL"]),
        ("room.bass-differs", "A2", ["FC", "SUB1", "BL"]),
    ):
        there = look(level_settings._trim_stop, e, earlier(rule_id, seats=(seat,), cause="room"))
        assert [c for each in there for c in each.channels] == left


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ({"FC": 72.0, "FL": 75.0, "FR": 75.0}, True),
        ({"FC": 73.6, "FL": 75.0, "FR": 75.0}, False),  # −1.4 dB: −1 dB − 1.645 · 0.37 dB = −1.6 dB
        ({"FC": 74.8, "FL": 75.0, "FR": 80.0}, False),  # one side is loud
        ({"FC": 72.0, "FL": 75.0}, False),
        ({"FC": 78.0, "FL": 75.0, "FR": 75.0}, False),
    ],
)
def test_dialogue_is_quiet_below_both_sides(readings: dict[str, float], expected: bool) -> None:
    e = read({c: level(75.0 - value, level_db=value) for c, value in readings.items()})
    got = look(level_settings._dialogue, e)
    assert [each.title for each in got] == (["dialogue quiet: FC 3.0 dB below FL and FR"] if expected else [])
    if expected:
        assert "3.0 ± 0.7 dB below the mean of FL and FR, limit 1 dB" in got[0].evidence[0]  # 0.3·√1.5 = 0.37


def test_a_centre_surely_below_the_reference_alone_is_quiet_dialogue() -> None:
    """1.8 dB beyond the limit: above 1.645 · 1.0 dB (reference), below 1.645 · 1.0 · √1.5 (two channels)."""
    e = read({"FC": level(2.8, 1.0, level_db=72.2), **{c: level(0.0, 1.0, level_db=75.0) for c in ("FL", "FR")}})
    (got,) = look(level_settings._dialogue, e)
    assert got.title == "dialogue quiet: FC 2.8 dB below the reference"
    assert "2.8 ± 2.0 dB below the reference, limit 1 dB" in got.evidence[0]
    low_side = read(
        {"FC": level(2.8, 1.0, level_db=72.2), "FL": level(2.8, 1.0, level_db=72.2), "FR": level(0.0, level_db=75.0)}
    )
    assert look(level_settings._dialogue, low_side) == []


@pytest.mark.parametrize(
    ("mode", "together", "stated"),
    [("together", object(), True), ("together", None, False), ("each", object(), False)],
)
def test_what_each_subwoofer_alone_must_read_is_stated_where_all_at_once_read_the_reference(
    mode: str, together: object, stated: bool
) -> None:
    e: Any = read({"SUB1": level(2.0, target_db=69.0), "FL": level(2.0, target_db=75.0)})
    e.job = job_of(defined(cinema(processor=Processor(sub_reference_for=mode))))  # type: ignore[arg-type]
    e.levels.together = together
    sentences = level_settings._sub_targets(e, ["SUB1", "FL"])
    assert [each.endswith("each alone must read: SUB1 69.0 dB") for each in sentences] == [True] * stated
    assert level_settings._sub_targets(e, ["FL"]) == ()


def test_centre_left_and_right_have_the_labels_of_the_standard_or_short_ones() -> None:
    # IEC 62574 (from memory): FC, FL, FR.
    job = job_of(defined(cinema()))
    assert level_settings.front_loudspeakers(job) == ("FC", "FL", "FR")
    channels = job.system.channels
    names = {"FL": "L", "FR": "R", "FC": "C"}
    short = replace(job.system, channels=tuple(replace(c, id=names.get(c.id, c.id)) for c in channels))
    assert level_settings.front_loudspeakers(job_of(defined(short))) == ("C", "L", "R")
    without = replace(job.system, channels=tuple(c for c in channels if c.id != "FR"))
    assert level_settings.front_loudspeakers(job_of(defined(without))) is None


def against(level_db: float, partner: str, alike: tuple[int, int] = (6, 6)) -> Any:
    return SimpleNamespace(
        level_db=level_db,
        partner=partner,
        alike_seats=alike,
        has_partner=partner != "the other channels",
        variation=EVEN,
    )


def channel_levels(
    of: dict[str, Any],
    *found: Finding,
    past: tuple[str, ...] = (),
    read_db: dict[str, float] | None = None,
    **mains: float,
) -> Any:
    """Findings about channels whose responses are off, with unknown places."""
    job = job_of(defined(replace(cinema(), channels=tuple(replace(c, position_m=None) for c in cinema().channels))))
    seats = SimpleNamespace(
        against=of,
        polarity={},
        channel_level_db={c: 75.0 + mains.get(c, 0.0) for c in {**of, **mains}},
        cells={(c, "A2"): SimpleNamespace(repeats=1, level_db=None) for c in of},
    )
    heard = SimpleNamespace(
        repeats=lambda round_id, channel, seat: [SimpleNamespace(passes_delays=channel not in past)]
    )
    e = SimpleNamespace(
        job=job,
        round=AS_FOUND,
        seats=seats,
        levels=SimpleNamespace(channels={c: level(-value) for c, value in (read_db or {}).items()}),
        distances=distances_of({}, {}),
        screening=SimpleNamespace(usable=heard),
        analyses=Analyses(),
        checks=lambda _: (),
    )
    return [(each.channels, each.title) for each in look(level_settings._channel_level, e, *found)]


def test_the_one_of_a_pair_that_is_farther_from_the_others_is_named() -> None:
    pair = {"SiL": against(-5.0, "SiR"), "SiR": against(5.0, "SiL")}
    others = {"FL": against(0.0, "FR"), "FR": against(0.0, "FL")}
    assert channel_levels(pair | others, SiL=-5.0) == [(("SiL",), "SiL 5.0 dB low at every seat")]
    assert channel_levels(pair | others, SiR=5.0) == [(("SiR",), "SiR 5.0 dB loud at every seat")]
    # Where both were read, their readings must show the same.
    for read_db, found in (({"SiL": -2.4, "SiR": -1.2}, True), ({"SiL": -1.0, "SiR": -0.2}, False)):
        assert bool(channel_levels(pair | others, read_db=read_db, SiL=-5.0)) is found
    assert channel_levels(pair | others, read_db={"SiL": -2.4}, SiL=-5.0) == []
    assert channel_levels(pair | others, earlier("settings.trims", "SiL"), SiL=-5.0) == []
    pair["SiL"].variation = LevelVariation(800.0, -7.0, 6000.0, -0.5)
    in_doubt = [(("SiL",), "SiL 5.0 dB low: its trim or one of its drivers")]  # a trim acts on all frequencies alike
    assert channel_levels(pair | others, SiL=-5.0) == in_doubt
    pair["SiL"].variation = EVEN


@pytest.mark.parametrize(
    ("off_db", "alike", "expected"),
    [
        (-2.7, (6, 6), True),
        (-1.7, (6, 6), False),  # 1 dB + 1.645 · 0.86 dB = 2.4 dB
        (-2.7, (1, 1), False),  # one seat differs by 0.8 dB again: 1 dB + 1.645 · 1.13 dB = 2.9 dB
        (-5.0, (4, 5), True),
        (-5.0, (3, 5), False),  # four of five seats must agree
    ],
)
def test_a_channel_is_off_beyond_its_uncertainty_at_four_of_five_seats(
    off_db: float, alike: tuple[int, int], expected: bool
) -> None:
    got = channel_levels({"SiL": against(off_db, "SiR", alike), "SiR": against(-off_db, "SiL", alike)}, SiL=off_db)
    assert bool(got) is expected


def test_a_loudspeaker_without_a_partner_may_be_8_db_more_or_less_sensitive() -> None:
    for off_db, expected in ((-7.0, False), (-9.0, False), (-11.0, True), (11.0, True)):
        got = channel_levels(
            {"FC": against(off_db, "the other channels"), "FL": against(0.0, "FR"), "FR": against(0.0, "FL")},
            FC=off_db,
        )
        assert [channels for channels, _ in got] == ([("FC",)] if expected else [])


def test_a_level_is_not_judged_where_something_else_explains_it_or_no_trim_is_in_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pair = {"SiL": against(-5.0, "SiR"), "SiR": against(5.0, "SiL")}
    for rule_id, cause, expected in (
        ("wiring.woofer", "electronics", False),
        ("wiring.polarity", "electronics", True),  # reversed as a whole it is as loud
        (level_settings.DIALOGUE, "settings", False),
        (delay_settings.SWAP_OR_DISTANCE, "settings", False),
        ("settings.arrival", "settings", True),
    ):
        assert bool(channel_levels(pair, earlier(rule_id, "SiR", cause=cause), SiL=-5.0)) is expected  # type: ignore[arg-type]
    assert channel_levels(pair, past=("SiR",), SiL=-5.0) == []
    monkeypatch.setattr(level_settings, "perhaps_swapped", lambda _: {"SiL": "BL"})
    assert channel_levels(pair, SiL=-5.0) == []


def test_distances_explain_levels_at_mirrored_seats() -> None:
    # 1/r: twice the distance is 6 dB.
    job = job_of(defined(cinema()))
    moved = tuple(
        replace(c, position_m={"SiL": (-2.0, 3.3, 1.1), "SiR": (4.0, 3.3, 1.1)}.get(c.id, c.position_m))
        for c in job.system.channels
    )
    one_seat = tuple(s for s in job.system.seats if s.id == "A2")
    e: Any = SimpleNamespace(job=job_of(defined(replace(job.system, channels=moved, seats=one_seat))))
    assert level_settings._distance_db(e, "SiL", ["SiR"]) == pytest.approx(6.02, abs=0.01)
    assert level_settings._distance_db(e, "SiR", ["SiL"]) == pytest.approx(6.02, abs=0.01)
    nowhere = tuple(replace(c, position_m=None) for c in moved)
    e = SimpleNamespace(job=job_of(defined(replace(job.system, channels=nowhere))))
    assert level_settings._distance_db(e, "SiL", ["SiR"]) == 0.0


def wrong(channel: str, error_ms: float, u_ms: float = 0.1, **more: Any) -> Any:
    fields = {"what": "setting", "likely": True, "seats": 1}
    return SimpleNamespace(channel=channel, error_s=error_ms / 1000, u_s=u_ms / 1000, **{**fields, **more})


def heard_from(far_m: dict[str, float], third: str = "", late_ms: float = 0.0, *, is_sub: bool = False) -> Any:
    """Channels at those distances, one of them late by an amount that is not certain."""
    channels = {
        c: SimpleNamespace(
            channel=SimpleNamespace(is_sub=is_sub),
            distance_m=m,
            speed_m_s=343.0,
            arrival_residual_s=late_ms / 1000 if c == third else None,
            arrival_u_s=1e-4,
        )
        for c, m in far_m.items()
    }
    return SimpleNamespace(channels=channels, rest_s={"FL": {"A2": 0.0}})


@pytest.mark.parametrize(
    ("errors", "expected"),
    [
        ([wrong("FL", 2.0), wrong("BL", -2.0)], True),  # BL is 0.7 m = 2 ms farther
        ([wrong("FL", 2.15), wrong("BL", -1.85)], True),
        ([wrong("FL", 2.3), wrong("BL", -2.0)], False),  # 0.3 ms is beyond 2 · 0.1 ms
        ([wrong("FL", 2.0), wrong("BL", -2.3)], False),
        ([wrong("FL", -2.0), wrong("BL", 2.0)], False),
        ([wrong("FL", 2.0, seats=3), wrong("BL", -2.0)], False),  # at three seats arrivals decide
        ([wrong("FL", 2.0, seats=2), wrong("BL", -2.0)], True),
        ([wrong("FL", 2.0, what="tape"), wrong("BL", -2.0)], False),
        ([wrong("FL", 2.0, likely=False), wrong("BL", -2.0)], False),
        ([wrong("FC", 1.0), wrong("FL", 2.0), wrong("BL", -2.0)], True),
    ],
)
def test_two_channels_at_each_others_times_are_swapped_or_set_wrongly(
    errors: list[Any], expected: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(distances, "wrong_times", lambda *_: tuple(errors))
    result = heard_from({"FL": 2.0, "BL": 2.686, "FC": 2.0})
    got = look(delay_settings._swap_or_distance, evidence(distances=result))
    assert [each.channels for each in got] == ([("FL", "BL")] if expected else [])
    if expected:
        assert "ms late, BL" in got[0].evidence[0]
        assert "ms early: each as if" in got[0].evidence[0]
        assert "from 1 seat" in got[0].evidence[1]
    assert look(delay_settings._swap_or_distance, evidence(distances=result), earlier("settings.unit")) == []


def test_a_channel_that_is_heard_early_from_another_loudspeaker_is_one_finding(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """FL also plays from a loudspeaker 0.7 m nearer; FC is early by itself."""
    monkeypatch.setattr(
        distances, "wrong_times", lambda *_: tuple(wrong(c, -2.0, what="unknown") for c in ("FL", "FC"))
    )
    result = heard_from({"FL": 2.7, "FC": 2.0})
    for each in result.channels.values():
        each.arrival_residual_s, each.implied_m, each.why_no_arrival = -0.002, 2.0, None
    e = evidence(distances=result, analyses=Analyses())
    named = [each.channels for each in look(delay_settings._odd_arrival, e, earlier("wiring.doubled", "FL"))]
    assert named == [("FC",)]
    assert len(look(delay_settings._odd_arrival, e)) == 2
    # A weaker sound comes earlier: either may be the direct one, so it counts from twice its expanded uncertainty on.
    for u_s, count in ((0.00049, 2), (0.00051, 0)):
        for each in result.channels.values():
            each.why_no_arrival, each.arrival_u_s = "a weaker sound comes 1.0 ms earlier", u_s
        assert len(look(delay_settings._odd_arrival, e)) == count


@pytest.mark.parametrize(
    ("early_ms", "title", "is_open"),
    [
        # From SiR's place the sound takes (1 − 3) m / 343 m/s at A1 and (2 − 3) m / 343 m/s at A2.
        ({"A1": -5.83, "A2": -2.92}, "FL arrives as if from the place of SiR", True),
        ({"A1": -5.83, "A2": -5.83}, "FL 2.0 ms early", False),  # equal at every seat: a delay
        ({"A1": -5.83, "A2": -3.9}, "FL 2.0 ms early", False),  # fits no other place
        ({"A1": -5.83}, "FL 2.0 ms early", True),  # one seat is not enough
        ({"A1": -4.0}, "FL 2.0 ms early", False),
        ({}, "FL 2.0 ms early", False),
    ],
)
def test_a_channel_early_from_the_place_of_another_one_is_no_wrong_setting(
    early_ms: dict[str, float], title: str, is_open: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(distances, "wrong_times", lambda *_: (wrong("FL", -2.0, what="unknown"),))
    paths_m = {("FL", "A1"): 3.0, ("FL", "A2"): 3.0, ("SiR", "A1"): 1.0, ("SiR", "A2"): 2.0}
    paths_m |= {("SiL", "A1"): 1.0, ("SiL", "A2"): 1.5}
    monkeypatch.setattr(delay_settings, "seat_distance_m", lambda _, c, s: paths_m.get((c, s)))
    result = heard_from({"FL": 3.0, "FC": 2.0, "SiR": 1.0, "SiL": 1.0})
    for each in result.channels.values():
        each.arrival_residual_s, each.implied_m, each.why_no_arrival = -0.002, 2.0, None
    result.rest_s = {"FL": {s: t / 1000 for s, t in early_ms.items()}}
    (got,) = look(delay_settings._odd_arrival, evidence(distances=result, analyses=Analyses()))
    assert (got.title, got.channels) == (title, ("FL",))
    assert ("not determined" in " ".join(got.evidence)) is is_open
    assert ("SiR or SiL plays FL, too" in got.alternatives) is (is_open and "early" in title)


@pytest.mark.parametrize(
    ("errors", "late_ms", "is_sub", "expected"),
    [
        # FL from the place of BL, 2 ms farther; BL from that of FC, 2.5 ms nearer; FC from that of FL, 0.5 ms farther.
        ([wrong("FL", 2.0), wrong("BL", -2.5)], 0.5, False, True),
        ([wrong("BL", -2.5), wrong("FL", 2.0)], 0.35, False, True),
        ([wrong("FL", 2.0), wrong("BL", -2.5)], 0.25, False, False),  # beyond 2 · 0.1 ms
        ([wrong("FL", 2.0), wrong("BL", -2.8)], 0.5, False, False),
        ([wrong("FL", 2.0), wrong("BL", -2.5)], 0.5, True, False),
        ([wrong("FL", 2.0)], 0.5, False, False),
    ],
)
def test_three_channels_at_each_others_times_are_swapped_or_set_wrongly(
    errors: list[Any], late_ms: float, is_sub: bool, expected: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(distances, "wrong_times", lambda *_: tuple(errors))
    far_m = {"FL": 2.0, "BL": 2.686, "FC": 2.0 - 0.5e-3 * 343}
    result = heard_from(far_m, "FC", late_ms, is_sub=is_sub)
    got = look(delay_settings._swap_or_distance, evidence(distances=result))
    assert [each.channels for each in got] == ([("FL", "BL", "FC")] if expected else [])
    if expected:
        assert "FC" not in got[0].evidence[0]  # not surely late itself
        assert got[0].evidence[0].endswith("from the place of another of the three")


@pytest.mark.parametrize(
    ("held", "ratio", "unit", "holds"),
    [
        # 5 m away by its sound; all settings are in feet where metres are wanted, or the other way round.
        (5.0 / 0.3048, 1 / 0.3048, "m", True),
        (5.0, 0.3048, "ft", True),
        # 2 ms and 1.645 · 0.1 ms are 0.74 m.
        (5.73 / 0.3048, 1 / 0.3048, "m", True),
        (5.76 / 0.3048, 1 / 0.3048, "m", False),
        (4.24 / 0.3048, 1 / 0.3048, "m", False),
        (5.0, 0.3048, "ms", False),
        (None, 0.3048, "ft", False),
        (5.0, None, "ft", False),
    ],
)
def test_a_subwoofer_that_was_entered_in_the_wrong_unit_of_all_holds_its_latency(
    held: float | None, ratio: float | None, unit: Any, holds: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(distances, "unit_is_entered", lambda _: True)
    base = evidence(distances=SimpleNamespace(held_ratio=ratio))
    processor = replace(base.job.system.processor, delay=replace(base.job.system.processor.delay, unit=unit))
    base.job = job_of(defined(replace(base.job.system, processor=processor)))
    sub: Any = SimpleNamespace(held=held, acoustic_m=5.0, speed_m_s=343.0, arrival_u_s=0.1e-3)
    assert delay_settings._entered_in_another_unit(base, sub) is holds


@pytest.mark.parametrize(
    ("depth_db", "has_partner", "doubt"), [(5.1, False, True), (4.9, False, False), (9.0, True, False)]
)
def test_a_dip_of_5_db_leaves_the_driver_of_a_loudspeaker_without_partner_in_doubt(
    depth_db: float, has_partner: bool, doubt: bool
) -> None:
    against = SimpleNamespace(
        has_partner=has_partner,
        dip=SimpleNamespace(depth_db=depth_db, hz=1840.0),
        partner="FL and FR",
        variation=EVEN,
    )
    seats: Any = SimpleNamespace(against={"FC": against}, polarity={})
    text = "near 1800 Hz it is 5 dB weaker than beside, compared with FL and FR, threshold 5 dB"
    assert trim_doubt(seats, "FC", (), loud=False) == (text if doubt else None)
    assert trim_doubt(seats, "FL", (), loud=False) is None


# --- the room ------------------------------------------------------------------------------------------------------


def test_rows_are_seats_at_one_distance_from_the_screen() -> None:
    job = job_of(defined(cinema()))
    seats = job.system.seats
    ids = [s.id for s in seats]
    assert room._rows(seats, ids) == [["A1", "A2", "A3"], ["B1", "B2", "B3"]]
    assert room._rows(seats, ["A1", "B1", "B3"]) == [["A1"], ["B1", "B3"]]
    unplaced = tuple(replace(s, position_m=None) for s in seats)
    assert room._rows(unplaced, ids) == [["A1", "A2", "A3"], ["B1", "B2", "B3"]]
    curved = tuple(
        replace(s, position_m=(s.position_m[0], s.position_m[1] + (0.3 if s.id.endswith("2") else 0.0), 1.1))
        for s in seats
        if s.position_m is not None
    )
    assert room._rows(curved, ids) == [["A1", "A2", "A3"], ["B1", "B2", "B3"]]
    bent = tuple(
        replace(s, position_m=(s.position_m[0], s.position_m[1] + (0.5 if s.id == "A2" else 0.0), 1.1))
        for s in seats
        if s.position_m is not None
    )
    assert room._rows(bent, ids) == [["A1", "A3"], ["A2"], ["B1", "B2", "B3"]]


def sums(**dips_db: float) -> Any:
    """All subwoofers together, flat over the seats but for a third octave around 50 Hz."""
    ids = ["A1", "A2", "A3", "B1", "B2", "B3"]
    shape = np.where((GRID_HZ >= 30) & (GRID_HZ <= 90), 0.0, -40.0)
    dip = (GRID_HZ >= 44) & (GRID_HZ <= 57)
    table = np.array([shape + dip * dips_db.get(s, 0.0) for s in ids])
    return evidence(subs=(ids, table), seats=SimpleNamespace(cells={}))


def test_a_null_of_one_seat_and_of_a_row() -> None:
    (null,) = look(room._null, sums(A3=-30.0))
    assert (null.seats, null.channels) == (("A3",), ("SUB1", "SUB2"))
    # −30 dB at one of six seats pulls their mean down by 5 dB.
    assert "all subwoofers together −25 dB re the seats' mean in the third octave at" in null.evidence[0]
    assert look(room._null, sums(A3=-10.0)) == []
    assert [each.seats for each in look(room._null, sums(A1=-40.0, B3=-40.0))] == [("A1",), ("B3",)]
    got = look(room._null, sums(A1=-40.0, B3=-40.0), earlier("room.row-null", seats=("A1", "A2"), cause="room"))
    assert [each.seats for each in got] == [("B3",)]
    row = dict.fromkeys(("B1", "B2", "B3"), -40.0)
    (found,) = look(room._row_null, sums(**row))
    assert (found.seats, found.channels) == (("B1", "B2", "B3"), ("SUB1", "SUB2"))
    assert "all subwoofers together: all 3 seats at least 20 dB below" in found.evidence[0]
    assert look(room._row_null, sums(B1=-40.0, B2=-40.0)) == []
    narrow = sums()
    names, levels = narrow.subs
    for seat, hz in zip(
        row, (44.5, 50.0, 56.1), strict=True
    ):  # the null moves along the row by a sixth of an octave a seat
        levels[names.index(seat), np.abs(np.log2(GRID_HZ / hz)) < 0.05] = -40.0
    (moving,) = look(room._row_null, narrow)
    assert (moving.seats, "misses bass at 50 Hz" in moving.title) == (("B1", "B2", "B3"), True)
    alone = evidence(subs=(names[3:], levels[3:]), seats=narrow.seats)
    assert look(room._row_null, alone) == []  # a row misses bass only against other rows


@pytest.mark.parametrize(
    ("rule_id", "channels", "spoilt"),
    [
        ("settings.sub-latency", ("SUB2",), True),
        ("wiring.polarity", ("FL",), False),
        ("wiring.pair-polarity", ("SUB1", "SUB2"), True),
        ("settings.unit", (), True),
        ("wiring.tweeter", ("SUB1",), False),
    ],
)
def test_the_sum_of_the_subwoofers_is_spoilt_by_what_is_about_them(
    rule_id: str, channels: tuple[str, ...], spoilt: bool
) -> None:
    assert room._sum_is_spoilt(sums(), Findings((earlier(rule_id, *channels),))) is spoilt


def direct(cells: dict[tuple[str, str], float]) -> Any:
    job = job_of(defined(cinema()))
    made = {
        place: SimpleNamespace(
            checks=(snr(99.0), snr(value, -9.0, "seats.direct")),
            channel=job.system.channel(place[0]),
            analysis=SimpleNamespace(direct=10 ** (value / 20) * np.eye(1, 336, 48)[0]),
        )
        for place, value in cells.items()
    }
    return evidence(seats=SimpleNamespace(cells=made))


def blocked(*found: Finding, **cells: float) -> list[tuple[tuple[str, ...], tuple[str, ...]]]:
    """Determined or not."""
    return [*_named(dull_seats.blocked, *found, **cells), *_named(dull_seats.dull_seat, *found, **cells)]


def _named(
    rule: Callable[..., Any], *found: Finding, **cells: float
) -> list[tuple[tuple[str, ...], tuple[str, ...]]]:
    e = direct({tuple(place.split("_")): value for place, value in cells.items()})  # type: ignore[misc]
    return [(each.channels, each.seats) for each in look(rule, e, *found)]


def test_a_seat_is_blocked_where_the_beam_does_not_explain_it() -> None:
    # A1 and B1 behind it are in nearly the same direction from FL; FR at A3 is the mirror image of FL at A1.
    assert blocked(FL_A1=-10.0, FL_B1=0.0, FR_A3=0.0) == [(("FL",), ("A1",))]
    assert blocked(FL_A1=-10.0, FL_B1=-3.0, FR_A3=-6.0 + 2) == [(("FL",), ("A1",))]
    assert blocked(FL_A1=-10.0, FL_B1=-8.0, FR_A3=0.0) == []  # 6 dB less than the seat behind, each at its distance
    assert blocked(FL_A1=-10.0, FL_B1=0.0, FR_A3=-5.5) == []  # 5 dB less than the partner at the mirrored seat
    assert _named(dull_seats.blocked, FL_A1=-10.0, FL_B1=0.0, FR_A3=0.0) == [(("FL",), ("A1",))]
    assert _named(dull_seats.dull_seat, FL_A1=-10.0, FR_A3=0.0) == [(("FL",), ("A1",))]  # or turned away
    assert _named(dull_seats.dull_seat, FL_A1=-10.0, FL_B1=0.0) == [(("FL",), ("A1",))]
    assert _named(dull_seats.dull_seat, FL_A1=-10.0, FL_B1=0.0, FL_B2=0.0) == [(("FL",), ("A1",))]
    assert blocked(FL_A1=-10.0) == []  # nothing to compare with
    assert blocked(FL_A1=-5.0, FL_B1=3.0, FR_A3=3.0) == []  # within the limit
    assert blocked(earlier("wiring.tweeter", "FL"), FL_A1=-10.0, FL_B1=0.0, FR_A3=0.0) == []
    assert blocked(earlier("wiring.swapped", "FL"), FL_A1=-10.0, FL_B1=0.0, FR_A3=0.0) == []
    assert blocked(earlier("wiring.silent", "FR"), FL_A1=-10.0, FL_B1=0.0, FR_A3=0.0) == [(("FL",), ("A1",))]
    # Dull at A1 and at B1 in front of it: neither shows what the other should hear, B2 beside them does.
    assert blocked(FL_A1=-10.0, FL_B1=-9.5, FL_B2=0.0) == [(("FL",), ("A1",)), (("FL",), ("B1",))]
    # All channels are lower there, one by 2.5 dB more: the gain of the microphone.
    lower = dict.fromkeys(("FC_A1", "FR_A1", "SiL_A1", "SiR_A1", "BL_A1", "BR_A1"), -5.5)
    assert blocked(**lower, FL_A1=-8.0, FL_B1=0.0, FR_A3=0.0) == []
    assert blocked(**lower, FL_A1=-12.0, FL_B1=0.0, FR_A3=0.0) == [(("FL",), ("A1",))]
    six = {f"{c}_A1": -10.0 for c in ("FC", "FR", "SiL", "SiR", "BL")}
    assert blocked(**six, FL_A1=-18.0, FL_B1=0.0, FR_A3=0.0) == []  # six of eleven: the seat, not the loudspeaker


@pytest.mark.parametrize(
    ("change", "heard"),
    [
        ({"gain_db": -3.0}, ["its level changed by −3.0 dB, its trim by +1.0 dB"]),
        ({"delay_s": 0.003}, ["its arrival changed by +3.0 ms, its setting by +2.0 ms"]),
        ({"polarity": -1}, ["its polarity turned over, by the settings it stayed as it was"]),
        ({"is_filter_missing": True}, ["its response over frequency changed as it would without the new filters"]),
        ({"limited_below_hz": 40.0}, ["above 40 Hz it became louder by its trim (+1.0 dB), below that by less"]),
        (
            {"gain_db": 5.0, "polarity": -1},
            ["its level changed by +5.0 dB, its trim by +1.0 dB", "its polarity turned"],
        ),
        ({"delay_s": None, "polarity": None, "gain_db": 9.0}, ["its level changed by +9.0 dB, its trim by +1.0 dB"]),
    ],
)
def test_a_subwoofer_that_did_not_follow_its_settings_is_named_with_all_that_differs_and_no_more(
    change: dict[str, Any], heard: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    as_set = SubChange(
        sub="SUB1", typed_gain_db=1.0, typed_delay_s=0.002, typed_polarity=1, gain_db=1.0, delay_s=0.002, polarity=1
    )
    checked = SimpleNamespace(
        off=(replace(as_set, **change),), explanation=None, before=AS_FOUND, after=AS_FOUND, seats=(), agreement_db=()
    )
    monkeypatch.setattr(bass, "verify", lambda *_: checked)
    e = evidence(analyses=Analyses())
    (got,) = look(bass._not_as_set, e)
    assert got.channels == ("SUB1",) and got.title == "SUB1 not as entered"
    parts = got.evidence[0].partition(": ")[2].split("; ")
    assert len(parts) == len(heard) and all(a.startswith(b) for a, b in zip(parts, heard, strict=True))
    assert look(bass._not_as_set, e, earlier("settings.unit", cause="settings")) == []
    assert look(bass._not_as_predicted, e) == []


@pytest.mark.parametrize(("count", "moved"), [(1, True), (2, True), (3, False), (6, False)])
def test_bass_off_its_prediction_at_a_third_of_the_seats_is_a_moved_microphone(
    monkeypatch: pytest.MonkeyPatch, count: int, moved: bool
) -> None:
    """Six seats; 2.0 and 1.9 dB against 1.5 dB + 1.645 · 0.3 dB = 1.99 dB."""
    seats = ("A1", "A2", "A3", "B1", "B2", "B3")
    off_db = [2.0] * count + [1.9] * (6 - count)
    checked = SimpleNamespace(off=(), seats=seats, agreement_db=off_db, before=AS_FOUND, after=AS_FOUND)
    monkeypatch.setattr(bass, "verify", lambda *_: checked)
    (got,) = look(bass._not_as_predicted, evidence(analyses=Analyses()))
    assert got.seats == seats[:count]
    assert got.title.startswith("microphone likely moved" if moved else "bass not as predicted")


@pytest.mark.parametrize(
    ("polarity", "delay_ms", "words", "setting"),
    [
        (-1, 0.0, "turned over", ""),
        (-1, 0.09, "turned over", ""),
        (1, 2.0, "2.0 ms later", " (+0.7 m)"),  # a metre is 2.9 ms
        (1, -2.0, "2.0 ms earlier", " (−0.7 m)"),
        (-1, 0.11, "turned over and 0.1 ms later", " (0.0 m)"),
    ],
)
def test_a_hole_at_the_crossover_says_what_mends_it(
    polarity: int, delay_ms: float, words: str, setting: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    hole = CrossoverHole(
        reason="slope",
        delay_s=delay_ms / 1000,
        polarity=polarity,
        loss_db=-5.0,
        gain_db=4.2,
        inverting_gains_db=4.0,
        seat_share=0.8,
        gain_seat_share=0.7,
    )
    front = SimpleNamespace(hole=hole)
    made = SimpleNamespace(
        crossover=SimpleNamespace(mains=("FL", "FR"), hz=80.0, gain_db=3.0),
        measured=SimpleNamespace(subs=("SUB1",)),
        space=SimpleNamespace(slope_s=1 / 343),
    )
    monkeypatch.setattr(bass, "front_of_round", lambda *_: front)
    monkeypatch.setattr(bass, "solve_round", lambda *_: made)
    monkeypatch.setattr(bass, "in_use", lambda *_: False)
    e = evidence(analyses=Analyses())
    (got,) = look(bass._hole, e)
    assert got.title == f"sum at the crossover (80 Hz): 4.2 dB more with the subwoofers {words}"
    assert got.channels == ("FL", "FR")
    assert "the sum of FL and FR with SUB1 is 5.0 dB below both in phase" in got.evidence[0]
    assert f"with SUB1 {words} it is 4.2 dB louder" in got.evidence[1] and "70 % of the seats" in got.evidence[1]
    assert "adds 4.0 dB" in got.evidence[2] and "at 80 % of the seats" in got.evidence[2]
    assert got.remedy.startswith(f"Enter SUB1 {words}{setting}, where")
    assert len(got.alternatives) == 3 and "most likely, the slopes" in got.alternatives[0]
    for cause, channel in (("settings.unit", "FC"), (room.SPOILT[0], "SUB1"), ("settings.bass", "FL")):
        assert look(bass._hole, e, earlier(cause, channel)) == [], cause
    monkeypatch.setattr(bass, "in_use", lambda *_: True)
    (by_sheet,) = look(bass._hole, e, earlier(room.SPOILT[0], "BL"))
    assert "as the settings sheet says (calculated: 3.0 dB louder)" in by_sheet.remedy
    front.hole = None
    assert look(bass._hole, e) == []


@pytest.mark.parametrize(
    ("off", "arrival", "match", "mistake", "counts"),
    [
        ({"trim_db": 2}, None, None, "", True),
        ({"trim_db": 1}, None, None, "", False),  # the microphone, perhaps
        ({"trim_db": 1}, None, None, "it was not set", True),
        ({"trim_db": 1, "distance": 2}, None, None, "", True),
        ({"trim_db": 3}, None, Verdict.PASS, "it was not set", False),  # its new state is right
        ({"trim_db": 3}, None, Verdict.FAIL, "", True),
        ({"trim_db": 3}, Verdict.PASS, None, "", True),
        ({"distance": 3}, Verdict.PASS, None, "it was not set", False),
        ({"distance": 3}, Verdict.UNSURE, None, "", True),
        ({"distance": 3}, None, Verdict.PASS, "", True),
    ],
)
def test_a_channel_that_is_not_as_set_counts_unless_its_new_state_is_right(
    off: dict[str, int], arrival: Verdict | None, match: Verdict | None, mistake: str, counts: bool
) -> None:
    e = evidence(
        distances=SimpleNamespace(
            channels={}
            if arrival is None
            else {"FL": SimpleNamespace(check_arrival=SimpleNamespace(verdict=arrival))}
        ),
        levels=SimpleNamespace(
            channels={} if match is None else {"FL": SimpleNamespace(match=SimpleNamespace(verdict=match))}
        ),
    )
    seats = {key: SimpleNamespace(seats=n) for key, n in off.items()}
    each: Any = SimpleNamespace(channel="FL", off=seats, mistake=mistake)
    assert prediction._counts(e, Findings(), each) is counts
    if "distance" in off:
        assert not prediction._counts(e, Findings((earlier("settings.unit", cause="settings"),)), each)


def test_other_seats_come_nearest_in_direction_first_and_without_what_distance_explains() -> None:
    e = direct({("FL", s): float(n) for n, s in enumerate(("A1", "A2", "A3", "B1", "B2", "B3"))})
    fl, a1 = e.job.system.channel("FL"), e.job.system.seat("A1")

    def served(*dull: str, at: Any = fl) -> list[tuple[str, float]]:
        return [(each.seat.id, each.angle_deg) for each in dull_seats._others_served(e, at, a1, set(dull))]

    # From (−1.45, 0.10): A1 at 11.5° off the axis, B1 at 7.7°, B2 at 16.8°, A2 at 24.4°, A3 at 35.1°.
    assert [name for name, _ in served()] == ["B1", "B2", "A2", "B3", "A3"]
    assert served("B1", "B2")[0] == ("A2", pytest.approx(24.4 - 11.5, abs=0.2))
    assert served(at=replace(fl, position_m=None)) == []
    behind = dull_seats._others_served(e, fl, a1, set())[0]
    farther = math.hypot(0.65, 4.8, 0.35) / math.hypot(0.65, 3.2, 0.05)
    assert behind.more_db == pytest.approx(3.0 + 20 * math.log10(farther))


def test_a_seat_exactly_behind_another_is_in_its_direction() -> None:
    """Rounding makes the cosine 1 + 2⁻⁵² there, and the angle must be 0°."""
    seat = replace(cinema().seats[0], id="B1", position_m=(-0.7675, 3.46, 1.0975))
    e = direct({("FL", "A1"): 0.0, ("FL", "B1"): 3.0})
    e.job = job_of(defined(replace(cinema(), seats=(cinema().seats[0], seat))))
    fl, a1 = e.job.system.channel("FL"), e.job.system.seat("A1")
    assert (fl.position_m, a1.position_m) == ((-1.45, 0.1, 1.15), (-0.8, 3.3, 1.1))
    (behind,) = dull_seats._others_served(e, fl, a1, set())
    assert (behind.seat.id, behind.angle_deg) == ("B1", 0.0)


# --- wiring, by levels ---------------------------------------------------------------------------------


def test_a_level_that_is_lost_is_not_reported_beside_a_fault_that_explains_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(wiring, "lost_levels_db", lambda *_: {"FL": -9.0, "TpFL": -12.4})
    got = look(wiring._level_lost, evidence(*levels({"FL": 66.0})))
    assert [(each.channels, each.title) for each in got] == [
        (("FL",), "FL 9 dB lower than last time"),
        (("TpFL",), "TpFL 12 dB lower than last time"),
    ]
    assert "9.0 ± 2.0 dB less" in got[0].evidence[0]
    assert "ladder" in got[1].remedy
    explained = look(wiring._level_lost, evidence(), earlier("wiring.tweeter", "FL"))
    assert [each.channels for each in explained] == [("TpFL",)]
    other = look(wiring._level_lost, evidence(), earlier("settings.arrival", "FL", cause="settings"))
    assert len(other) == 2


def test_what_an_earlier_rule_found_is_asked_by_id() -> None:
    found = Findings((earlier("a", "FL", "FR"), earlier("b", "FC")))
    assert found.channels("a") == {"FL", "FR"}
    assert found.channels("a", "b") == {"FL", "FR", "FC"}
    assert found.any("c", "b")
    assert not found.any("c")


# --- bass ----------------------------------------------------------------------------------------------------------


FALL_DB = -10 * np.log10(1 + (80.0 / GRID_HZ) ** 4)
"""A second-order high-pass at 80 Hz."""


def high_passed(**system: Any) -> Any:
    """Main channels with a noted high-pass at 80 Hz."""
    made = cinema(**system)
    noted = tuple(replace(c, high_pass_hz=80.0) if not c.is_sub else c for c in made.channels)
    return defined(replace(made, channels=noted))


def give_bass(monkeypatch: pytest.MonkeyPatch, below_db: dict[str, float]) -> None:
    """Levels that fall towards the bass like a high-pass; `below_db`: an octave below its corner re an octave above."""
    unit = FALL_DB / bass_management._slope_db(FALL_DB, 80.0)
    levels_db = {c: slope_db * unit for c, slope_db in below_db.items()}
    monkeypatch.setattr(bass_management, "_bass_level_db", lambda _, channel, **noisy: levels_db.get(channel.id))


@pytest.mark.parametrize(
    ("below_db", "missing"),
    [
        # 12 dB less slope than the partner (second order); healthy pairs differ by up to 6.6 dB.
        ({"FL": 4.0, "FR": -12.0}, ["FL"]),
        ({"FL": -2.0, "FR": -12.0}, ["FL"]),
        ({"FL": -2.0, "FR": -10.0}, []),
        ({"FL": -9.5, "FR": -20.0}, []),  # it has a slope itself
        ({"FL": 2.0, "FR": -8.0}, ["FL"]),
        ({"FL": 7.5, "FR": -2.0}, []),  # the partner has none
        # Rooms lift healthy bass as much: only a partner with a slope shows that the high-pass is missing.
        ({"FC": 6.2, "FL": -9.0, "FR": -9.3, "SiL": -11.4, "SiR": -10.6}, []),
        ({"FL": 3.6, "FR": 2.7, "FC": 2.4, "SiL": -13.6, "SiR": -13.7}, []),
    ],
)
def test_a_high_pass_is_missing_against_the_partner(
    below_db: dict[str, float], missing: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    e = SimpleNamespace(job=job_of(high_passed()))
    give_bass(monkeypatch, below_db)
    got = look(bass_management._bass_management, e)
    assert [list(each.channels) for each in got] == ([missing] if missing else [])
    if missing == ["FL"]:
        for cause in (
            "wiring.woofer",
            "wiring.doubled",
            "settings.upmix",
        ):  # other loudspeakers contribute to its sound
            assert look(bass_management._bass_management, e, earlier(cause, "FL")) == []
        assert f"{signed_db(below_db['FL'])} dB re an octave above" in got[0].evidence[0]


@pytest.mark.parametrize(
    ("type_", "slope", "below_db", "title"),
    [
        # From half to twice its corner a second-order high-pass makes 12 dB, one of fourth order 24 dB (arithmetic).
        ("linkwitz-riley", 24, {"FL": -6.0, "FR": -22.0}, "no high-pass on FL"),
        ("linkwitz-riley", 24, {"FL": -14.0, "FR": -26.0}, "high-pass of FL less steep than entered"),
        ("linkwitz-riley", 24, {"FL": -14.0, "FR": -22.0}, ""),  # healthy pairs differ by up to 6.6 dB
        ("linkwitz-riley", 24, {"FL": -23.0, "FR": -34.0}, ""),  # it has the slope that is entered
        ("linkwitz-riley", 48, {"FL": -23.0, "FR": -40.0}, ""),  # at that low a level other loudspeakers contribute
        ("butterworth", 12, {"FL": -14.0, "FR": -26.0}, ""),
        ("butterworth", 6, {"FL": -6.0, "FR": -16.0}, ""),  # 6 dB of slope, and a partner in a dip of the room
    ],
)
def test_a_high_pass_is_checked_against_the_slope_that_is_entered(
    type_: Any, slope: int, below_db: dict[str, float], title: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    entered = CrossoverFilter(type=type_, slope_db_per_octave=slope)
    e = SimpleNamespace(job=job_of(high_passed(processor=Processor(high_pass=entered))))
    give_bass(monkeypatch, below_db)
    got = look(bass_management._bass_management, e)
    assert [each.title for each in got] == ([title] if title else [])
    assert all(each.channels == ("FL",) for each in got)


def signed_db(value: float) -> str:
    return f"{value:+.1f}".replace("-", "−")


def heard(levels_db: list[np.ndarray], **more: Any) -> Any:
    cells = {
        ("FL", f"S{n}"): SimpleNamespace(
            analysis=SimpleNamespace(third_octave_db=level, noise_db=more.get("noise_db")),
            passes_delays=more.get("passes_delays", True),
        )
        for n, level in enumerate(levels_db)
    }
    return SimpleNamespace(seats=SimpleNamespace(cells=cells))


def slope_of(e: Any, channel: Any, **noisy: bool) -> float | None:
    level_db = bass_management._bass_level_db(e, channel, **noisy)
    return None if level_db is None else bass_management._slope_db(level_db, channel.high_pass_hz)


def test_a_slope_is_read_an_octave_below_and_above_over_two_seats_or_more() -> None:
    fl = replace(cinema().channels[0], high_pass_hz=80.0)
    slope = 12.0 * np.log2(GRID_HZ / 80.0)  # 12 dB an octave: 24 dB from 40 to 160 Hz
    plain_db = slope_of(heard([slope, slope]), fl)
    assert plain_db is not None and plain_db == pytest.approx(-24.0, abs=1.0)
    other = slope - 10 * (GRID_HZ < 80)  # powers: 10·lg((1 + 0.1)/2) = −2.6 dB below, 0 dB above
    assert slope_of(heard([slope, other]), fl) == pytest.approx(plain_db - 2.6, abs=0.01)
    assert slope_of(heard([slope]), fl) is None
    assert slope_of(heard([slope, slope], passes_delays=False), fl) is None
    for corner_hz, known in ((45.0, False), (55.0, True)):  # most loudspeakers end by themselves below 50 Hz
        found = slope_of(heard([slope, slope]), replace(fl, high_pass_hz=corner_hz))
        assert (found is not None) is known
    for ratio_db, known in ((9.0, False), (11.0, True)):  # 10 dB: a tenth of the power may be noise
        for below_hz in (80, 30):
            noise = np.where(GRID_HZ < below_hz, slope - ratio_db, -99.0)
            found = slope_of(heard([slope, slope], noise_db=noise), fl)
            assert (found is not None) is known
            assert slope_of(heard([slope, slope], noise_db=noise), fl, noisy=True) == pytest.approx(plain_db)
    gap = np.where(GRID_HZ > 200, np.nan, slope)
    assert slope_of(heard([slope, slope, gap]), fl) is not None
    assert slope_of(heard([slope, gap]), fl) is None


@pytest.mark.parametrize("corner_hz", [50.0, 80.0, 120.0])
def test_what_a_missing_high_pass_makes_grows_over_two_octaves(corner_hz: float) -> None:
    """Powers of a Butterworth filter (arithmetic); levels below 20 Hz are unknown."""
    missing_db = 10 * np.log10(1 + (corner_hz / GRID_HZ) ** 4)
    assert bass_management._grows_below(missing_db, corner_hz)
    assert not bass_management._grows_below(missing_db / 4, corner_hz)


@pytest.mark.parametrize("centre_hz", [40.0, 64.0, 90.0])
def test_a_mode_at_one_of_a_pair_is_no_missing_high_pass(centre_hz: float) -> None:
    """A resonance (bandwidth a third of an octave to an octave), or a null of the other one, is strongest at its own place."""
    for width in (0.3, 0.6, 1.0):
        mode_db = 14.0 / (1 + (2 * np.log2(GRID_HZ / centre_hz) / width) ** 2)
        assert not bass_management._grows_below(mode_db, 80.0)


@pytest.mark.parametrize(("centre_hz", "found"), [(21.5, False), (33.0, True), (66.0, True), (110.0, False)])
def test_nulls_are_looked_for_from_25_to_80_hz(centre_hz: float, found: bool) -> None:
    # A third of an octave to either side, so that the third octave itself is wholly inside.
    ids = ["A1", "A2", "A3", "B1", "B2", "B3"]
    shape = np.where(GRID_HZ < 250, 0.0, -40.0)
    dip = np.abs(np.log2(GRID_HZ / centre_hz)) < 0.2
    table = np.array([shape - 30.0 * dip * (s == "A3") for s in ids])
    e = evidence(subs=(ids, table), seats=SimpleNamespace(cells={}))
    assert bool(look(room._null, e)) is found


def test_distances_below_10_cm_are_taken_as_10_cm() -> None:
    job = job_of(defined(cinema()))
    at = {c.id: c for c in job.system.channels}
    a2 = job.system.seat("A2")
    assert a2 is not None
    assert a2.position_m is not None
    x, y, z = a2.position_m
    e: Any = None
    for apart_m, expected_m in ((0.0, 0.1), (0.05, 0.1), (0.3, 0.3), (0.9, 0.9)):
        near = tuple(replace(c, position_m=(x, y + apart_m, z)) if c.id == "FL" else c for c in at.values())
        e = SimpleNamespace(job=job_of(defined(replace(job.system, channels=near))))
        assert seat_distance_m(e, "FL", "A2") == pytest.approx(expected_m)
    assert seat_distance_m(e, "nobody", "A2") is None
    assert seat_distance_m(e, "FL", "nowhere") is None


@pytest.mark.parametrize(
    ("undecided", "late_s", "within"), [((), 0.004, False), ((1,), 0.004, True), ((1,), 0.009, False)]
)
def test_a_subwoofer_is_late_beyond_what_main_channels_scatter_whose_cause_is_open(
    undecided: tuple[int, ...], late_s: float, within: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """2 ms and three standard deviations of 2 ms make 8 ms."""
    arrivals = SimpleNamespace(unexplained=False, undecided=undecided, rest_s=np.array([[-0.002, 0.002]]))
    monkeypatch.setattr(delay_settings, "round_matching", lambda *_: arrivals)
    e: Any = SimpleNamespace(job=None, round=None, screening=SimpleNamespace(usable=None))
    sub: Any = SimpleNamespace(alignment_s=late_s, channel=SimpleNamespace(is_sub=True))
    assert delay_settings._within_scatter(e, sub) is within


# --- reflections ---------------------------------------------------------------------------------------------------


def reflecting(levels_db: dict[str, float], after_s: float = 0.005, shift_s: float = 0.0) -> Any:
    """Each channel's only reflection, equally late at every seat or later from seat to seat; the plan is unknown."""
    system = replace(cinema(), room=None)
    cells = {
        (c, s.id): SimpleNamespace(
            analysis=SimpleNamespace(reflections=((after_s + n * shift_s, level),)),
        )
        for c, level in levels_db.items()
        for n, s in enumerate(system.seats)
    }
    return SimpleNamespace(
        job=job_of(defined(system)),
        seats=SimpleNamespace(cells=cells),
        distances=SimpleNamespace(speed_m_s=343.0),
    )


@pytest.mark.parametrize(
    ("strong", "title"),
    [
        (1, "early reflections up to −3 dB: FL"),
        (3, "early reflections up to −3 dB: FL, FC, FR"),
        (5, "early reflections up to −3 dB: FL, FC, FR and 2 more"),
    ],
)
def test_channels_with_reflections_are_listed_from_the_strongest(strong: int, title: str) -> None:
    ids = list(c.id for c in cinema().channels)[:11]
    levels = {c: (-3.0 - 0.1 * n if n < strong else -20.0) for n, c in enumerate(ids)}
    (got,) = look(room._reflection, reflecting(levels))
    assert got.title == title
    assert got.channels == tuple(ids[:strong])
    assert sum("longer path" in text for text in got.evidence) == min(strong, 4)
    assert "FL at B3: −3 dB after 5.0 ms, 1.72 m longer path" in got.evidence[0]  # 5 ms · 343 m/s
    assert "the median of all channels is −20 dB" in got.evidence[min(strong, 4)]
    (without,) = look(room._reflection, reflecting(levels | {"BL": -2.0}), earlier("wiring.doubled", "BL"))
    assert without.channels == got.channels  # another loudspeaker is no reflection


@pytest.mark.parametrize(("more_db", "expected"), [(3.0, False), (4.0, True)])
def test_among_bare_walls_one_is_odd_that_is_3_5_db_above_their_middle(more_db: float, expected: bool) -> None:
    levels = dict.fromkeys(("FL", "FC", "FR", "SiL", "SiR"), -6.0) | {"FC": -6.0 + more_db}
    got = look(room._reflection, reflecting(levels, shift_s=0.0005))
    assert [each.channels for each in got] == ([("FC",)] if expected else [])


@pytest.mark.parametrize(("partner_db", "expected"), [(-10.0, False), (-12.0, True)])
def test_among_bare_walls_one_is_odd_that_is_surely_above_its_partner(partner_db: float, expected: bool) -> None:
    """3.5 dB plus 1.645 times 2 dB · √(2/6) for six seats: from 5.4 dB on."""
    levels = dict.fromkeys(("FL", "FC", "FR", "SiL"), -5.0) | {"SiR": partner_db}
    got = look(room._reflection, reflecting(levels, shift_s=0.0005))
    assert [each.channels for each in got] == ([("SiL",)] if expected else [])
    assert all("its partner SiR has at most −12 dB against SiL's −5 dB" in each.evidence[-1] for each in got)


@pytest.mark.parametrize(("shift_s", "found"), [(0.0, {"SiL": 0.005}), (0.002, {})])
def test_a_reflection_that_the_partner_lacks_comes_after_nearly_one_time(
    shift_s: float, found: dict[str, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "candidate_names", lambda *_: ())
    assert room._lone_reflections(reflecting({"SiL": -3.0, "SiR": -30.0}, shift_s=shift_s)) == found


@pytest.mark.parametrize(("more_db", "expected"), [(3.0, False), (4.0, True)])
def test_of_two_channels_one_is_odd_that_is_3_5_db_above_the_other(more_db: float, expected: bool) -> None:
    got = look(room._reflection, reflecting({"FL": -6.0, "FR": -6.0 + more_db}, shift_s=0.0005))
    assert [each.channels for each in got] == ([("FR",)] if expected else [])


@pytest.mark.parametrize(
    ("names", "by_one"),
    [
        ((("ceiling",), ("ceiling",), ("left wall",)), True),
        ((("ceiling",), ("floor",), ("left wall",)), False),  # another surface at each seat explains no common delay
        ((("back of row A",), ("back of row B",), ()), True),
        (((), (), ("floor",)), False),
        ((("floor",), None, None), True),  # unknown places
        (((), ()), False),
    ],
)
def test_one_surface_must_explain_half_of_the_seats(
    names: tuple[Any, ...], by_one: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = iter(names)
    monkeypatch.setattr(room, "candidate_names", lambda *_: next(given))
    e = evidence(distances=SimpleNamespace(speed_m_s=343.0))
    assert room._by_one_surface(e, "FL", {f"A{n}": 0.004 for n in range(len(names))}) is by_one


def test_a_silent_channel_is_reported_with_its_level_and_its_noise(monkeypatch: pytest.MonkeyPatch) -> None:
    below = {"level_db": -45.2, "compared_with": "SiR", "limit_db": -20.0, "snr_db": 3.0, "snr_limit_db": 10.0}
    silent = {"SiL": SimpleNamespace(**below), "TpFL": SimpleNamespace(**below)}
    monkeypatch.setattr(wiring, "silent_channels", lambda _: silent)
    first, second = look(wiring._silent, evidence(seats=SimpleNamespace(cells={})))
    assert (first.title, first.channels) == ("SiL silent", ("SiL",))
    assert first.evidence == (
        "45 dB below SiR, threshold 20 dB",
        "signal to noise 3 dB, silent below 10 dB",
    )
    assert "ladder" in second.remedy
    assert "ladder" not in first.remedy


def test_a_dead_driver_is_reported_with_its_band_and_its_seats(monkeypatch: pytest.MonkeyPatch) -> None:
    dead = SimpleNamespace(gap_db=-24.4, band_hz=(3000.0, 10000.0), seats=(5, 6), limit_db=-10.0)
    monkeypatch.setattr(wiring, "dead_drivers", lambda job, seats, driver: {"SiL": dead})
    e = evidence(seats=SimpleNamespace(against={"SiL": SimpleNamespace(partner="SiR")}))
    for driver, title in (
        ("tweeter", "no treble from SiL"),
        ("midrange", "no midrange from SiL"),
        ("woofer", "no lows from SiL"),
    ):
        (got,) = wiring._dead_driver(driver, e, Findings())  # type: ignore[arg-type]
        assert got.title == title
        assert got.evidence[0].startswith("3000 to 10000 Hz is 24 dB below SiR at 5 of 6 seats, threshold 10 dB; ")
        assert driver in got.confirm
