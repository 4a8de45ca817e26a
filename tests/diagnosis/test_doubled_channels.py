"""A channel that also plays from another loudspeaker: from responses of decaying noise to the finding.

`python tests/bench faults` measures the finding in rooms with walls, healthy ones included.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from builders import defined, job_of, levels, setting
from decaying_rooms import CHANNELS, SYSTEM, place, visit

from commission.diagnosis import findings
from commission.diagnosis.evidence import Evidence
from commission.diagnosis.load import _leaks
from commission.diagnosis.rule import Findings
from commission.model import AS_FOUND, AnalysedResponse, Analyses, Job, Verdict
from commission.record.data.results import _wiring
from commission.steps import levels as levels_step
from commission.steps import wiring


def named(job: Job, analyses: Analyses) -> list[tuple[str, tuple[str, ...]]]:
    found = findings(job, AS_FOUND, analyses, {"wiring": wiring.evaluate(job, AS_FOUND, analyses)})
    return [(f.id, f.channels) for f in found]


def test_a_healthy_room_accuses_none() -> None:
    job, analyses = visit()
    found = wiring.leakages(job, AS_FOUND, analyses)
    assert set(found) == set(CHANNELS)
    assert all(not each.also and each.check.verdict is not Verdict.FAIL for each in found.values())
    assert not named(job, analyses)
    for each in found.values():  # six seats detect levels from somewhere between −26 and −12 dB on
        assert each.below_db is not None and -26 < each.below_db < -12


def test_what_was_not_compared_does_not_pass() -> None:
    """Two loudspeakers at one place are equally far from every seat, so a shared cable could not be detected."""
    _, analyses = visit()
    left = place(SYSTEM, "FL")
    moved = [replace(each, position_m=left) if each.id == "FR" else each for each in SYSTEM.channels]
    job = job_of(defined(replace(SYSTEM, channels=tuple(moved))))
    found = wiring.leakages(job, AS_FOUND, analyses)
    for channel, other in (("FL", "FR"), ("FR", "FL")):
        assert found[channel].not_compared == (other,)
        assert found[channel].check.verdict is Verdict.NOT_TESTED
        assert f"not compared with {other}" in str(found[channel].check.why_not)
    assert not found["SiL"].not_compared and "not compared" not in str(found["SiL"].check.why_not)
    assert _wiring(wiring.solve(job, AS_FOUND, analyses), found, {})["FL"]["also_from_not_compared"] == ["FR"]


def test_a_cable_is_not_blamed_alone_where_more_loudspeakers_may_play_the_channel() -> None:
    _, analyses = visit(("FL", "SiR", -6.0))
    moved = [replace(each, position_m=place(SYSTEM, "FL")) if each.id == "FR" else each for each in SYSTEM.channels]
    job = job_of(defined(replace(SYSTEM, channels=tuple(moved))))
    (found,) = findings(job, AS_FOUND, analyses, {"wiring": wiring.evaluate(job, AS_FOUND, analyses)})
    assert "whether it plays from FR, too, is not determined" in found.evidence[1]
    assert found.remedy.startswith("Switch surround modes off")


FEW = [("A2", "B1"), ("B1",)]


def at(seats: tuple[str, ...], analyses: Analyses) -> Analyses:
    return Analyses([each for each in analyses if each.seat in seats])


@pytest.mark.parametrize("seats", FEW)
def test_what_is_common_at_one_seat_or_two_accuses_nobody(seats: tuple[str, ...]) -> None:
    """In a healthy room whose front and rear heights mirror each other, the common sound was nine times that of chance."""
    job, analyses = visit(("FL", "SiR", -3.0))
    found = wiring.leakages(job, AS_FOUND, analyses)["FL"]
    assert found.also[0].seats > 2
    check = wiring.leakages(job, AS_FOUND, at(seats, analyses))["FL"].check
    where = "at one seat" if len(seats) == 1 else "at two seats"
    assert check.verdict is Verdict.NOT_TESTED and where in str(check.why_not)
    assert not named(job, at(seats, analyses))


def test_at_one_seat_a_cable_behind_the_delays_is_looked_for_where_they_put_it() -> None:
    job, analyses = visit(("FL", "SiR", -3.0), earlier_s=0.00275)
    one = at(("B1",), analyses)
    assert not wiring.leakages(job, AS_FOUND, one)["FL"].also  # no lag is expected for a leak after the delays
    through = Analyses([replace(each, passes_delays=True) for each in one])
    farther_m = 0.00275 * 343.2 * 1.0026  # FL is delayed less, at 21.5 °C
    entered = job_of(
        *(event.body for event in job.log),
        *(setting(c, distance=3.0 + (farther_m if c == "FL" else 0.0)) for c in CHANNELS),
    )
    assert [each.other for each in wiring.leakages(entered, AS_FOUND, through)["FL"].also] == ["SiR"]


@pytest.mark.parametrize("seats", FEW)
@pytest.mark.parametrize(
    ("read_db", "named_so", "trim_proposed"), [(77.5, True, False), (75.0, False, True), (80.0, False, False)]
)
def test_at_few_seats_the_meter_shows_whether_another_loudspeaker_plays_it_too(
    seats: tuple[str, ...], read_db: float, named_so: bool, trim_proposed: bool
) -> None:
    """Sum of powers: two equal sounds are 3.0 dB louder than one; if one is 1 dB softer, 2.5 dB."""
    job, analyses = visit(("FL", "SiR", -1.0))
    read = job_of(
        *(event.body for event in job.log), *levels({c: 4 * (read_db if c == "FL" else 75.0,) for c in CHANNELS})
    )
    few = at(seats, analyses)
    found = findings(read, AS_FOUND, few, {"wiring": wiring.evaluate(read, AS_FOUND, few)})
    assert [(f.id, f.title) for f in found] == (
        [("wiring.doubled", "FL likely also plays from SiR")] if named_so else []
    )
    assert all("louder than the others, by as much as SiR adds: 2." in f.evidence[1] for f in found)
    assert (levels_step.solve(read, AS_FOUND, few).channels["FL"].trim_db is not None) is trim_proposed


@pytest.mark.parametrize("level_db", [0.0, -12.0])
def test_a_channel_on_two_outputs_is_named_with_the_other_and_the_level(level_db: float) -> None:
    job, analyses = visit(("FL", "SiR", level_db))
    ((each,),) = [found.also for found in wiring.leakages(job, AS_FOUND, analyses).values() if found.also]
    assert (each.other, each.certain) == ("SiR", True)
    assert each.level_db == pytest.approx(level_db, abs=2 * each.u_db)
    assert named(job, analyses) == [("wiring.doubled", ("FL",))]


def test_a_channel_that_is_first_heard_from_the_other_is_named() -> None:
    """A cable after the delays: SiR plays FL without FL's delay, and so before FL itself."""
    job, analyses = visit(("FL", "SiR", -6.0), earlier_s=0.00275)
    ((each,),) = [found.also for found in wiring.leakages(job, AS_FOUND, analyses).values() if found.also]
    assert (each.other, each.certain) == ("SiR", True)
    assert each.lag_s == pytest.approx(-0.00275, abs=1e-4)


def test_a_swapped_channel_is_not_said_to_play_from_another_loudspeaker_too() -> None:
    """It sounds from another place than the comparison assumes."""
    job, analyses = visit(("FL", "SiR", -6.0))
    evidence = Evidence(job=job, round=AS_FOUND, analyses=analyses)
    assert [each.channel for each in _leaks(evidence, Findings())] == ["FL"]
    swapped: Any = SimpleNamespace(id="wiring.swapped", channels=("FL", "FR"))
    assert not _leaks(evidence, Findings((swapped,)))


def test_a_surround_mode_is_no_cable() -> None:
    job, analyses = visit(("FL", "SiL", -6.0), ("FL", "BL", -7.0), ("FR", "SiR", -6.0))
    assert named(job, analyses) == [("settings.upmix", ("FL", "FR"))]


@pytest.mark.parametrize("level_db", [-3.0, -7.0])
def test_a_mode_that_plays_all_channels_from_the_same_loudspeakers_is_found(level_db: float) -> None:
    """Each pair shares sound, and both share it with every third channel: such pairs must not cancel as evidence."""
    channels, others = ("FL", "FR", "BL"), ("SiL", "SiR")
    job, analyses = visit(*((c, other, level_db) for c in channels for other in others))
    assert named(job, analyses) == [("settings.upmix", channels)]


def test_a_third_loudspeaker_is_not_taken_for_the_first() -> None:
    """Both front channels play from one surround: they share its sound, but neither plays from the other."""
    job, analyses = visit(("FL", "BL", -3.0), ("FR", "BL", -3.0))
    found = wiring.leakages(job, AS_FOUND, analyses)
    assert {c: [each.other for each in leak.also] for c, leak in found.items() if leak.also} == {
        "FL": ["BL"],
        "FR": ["BL"],
    }


def test_recordings_without_a_common_clock_say_nothing() -> None:
    job, analyses = visit(("FL", "SiR", 0.0))
    alone = Analyses(
        AnalysedResponse(each.seq, each.round, each.channel, each.seat, None, False, each.analysis)
        for each in analyses
    )
    assert not any(each.also for each in wiring.leakages(job, AS_FOUND, alone).values())


def test_results_name_the_other_loudspeaker() -> None:
    job, analyses = visit(("FL", "SiR", -6.0))
    leakages = wiring.leakages(job, AS_FOUND, analyses)
    values = _wiring(wiring.solve(job, AS_FOUND, analyses), leakages, {})
    (other,) = values["FL"]["also_from"]
    assert other["channel"] == "SiR" and other["level_db"] == pytest.approx(-6.0, abs=2.0)
    assert other["certain"] and other["seats"] >= 3 and values["FL"]["verdict"] == "fail"
    assert values["SiL"]["also_from"] == [] and values["SiL"]["also_from_below_db"] < -12
