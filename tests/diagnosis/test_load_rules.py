"""Limiters, distortion and rattles under load: named with their alternatives where present, and not reported
elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from builders import analysis, cinema, defined, job_of

from commission.diagnosis import findings
from commission.dsp.load import ORDERS, THIRDS_HZ
from commission.model import AS_FOUND, SOUND_PRESSURE, AnalysedResponse, Analyses, Finding, LoadAnalysis
from commission.record.data.results import _wiring
from commission.steps import wiring
from commission.steps.wiring import result as wiring_result

MAINS = ("FL", "FC", "FR", "SiL", "SiR")
OCTAVES = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
TWELFTHS = tuple(round(25 * 2 ** (k / 12), 1) for k in range(48))


def load(
    percent: float = 0.1, order: int = 3, rattle_hz: float | None = None, rattle_db: float = 25.0
) -> LoadAnalysis:
    """The same distortion at all frequencies, in one order; a burst of 25 dB at one tone."""
    level_db = 20 * math.log10(percent / 100)
    bursts = tuple((hz, rattle_db if rattle_hz and abs(hz / rattle_hz - 1) < 0.04 else 0.4) for hz in TWELFTHS)
    harmonics: dict[int, dict[int, float]] = {each: {} for each in ORDERS}
    harmonics[order] = dict.fromkeys(THIRDS_HZ, level_db)
    return LoadAnalysis(
        harmonics_db=harmonics, floors_db={each: dict.fromkeys(THIRDS_HZ, -90.0) for each in ORDERS}, bursts_db=bursts
    )


def heard(
    compressed_db: Mapping[str, float] | None = None,
    loads: Mapping[str, LoadAnalysis] | None = None,
    channels: tuple[str, ...] = (*MAINS, "SUB1"),
    step_error_db: float = 0.0,
) -> Analyses:
    """Every channel at two levels, 10 dB apart."""

    def made(seq: int, channel: str, drive_db: float) -> AnalysedResponse:
        lost = (compressed_db or {}).get(channel, 0.0) if drive_db else 0.0
        level = drive_db - lost + (step_error_db if drive_db else 0.0)
        is_sub = channel.startswith("SUB")
        fields: dict[str, Any] = {"low_hz": 20.0, "high_hz": 120.0 if is_sub else 20000.0}
        octaves = dict.fromkeys((31, 63) if is_sub else OCTAVES, level)
        found = analysis(octave_db=octaves, level_db=level, load=(loads or {}).get(channel, load()), **fields)
        return AnalysedResponse(seq, AS_FOUND, channel, "A2", "c", True, found, drive_db=drive_db)

    low = [made(10 + i, c, 0.0) for i, c in enumerate(channels)]
    return Analyses(low, (), [made(50 + i, c, 10.0) for i, c in enumerate(channels)])


JOB = job_of(defined(cinema([*MAINS, "SUB1"])))


def found(analyses: Analyses) -> list[Finding]:
    outcomes = {"wiring": wiring.evaluate(JOB, AS_FOUND, analyses)}
    return [each for each in findings(JOB, AS_FOUND, analyses, outcomes) if each.step == "wiring"]


def only(analyses: Analyses) -> Finding:
    (finding,) = found(analyses)
    assert finding.evidence and finding.alternatives
    assert finding.confirm.endswith((".", "?")) and finding.remedy.endswith(".")
    return finding


def test_healthy_channels_have_no_findings() -> None:
    assert found(heard()) == []
    assert found(heard(step_error_db=-3.0)) == []


def test_a_limiter_of_a_subwoofer_is_named_as_likely() -> None:
    finding = only(heard({"SUB1": 4.0}))
    assert (finding.id, finding.channels) == ("wiring.compression", ("SUB1",))
    assert finding.title == "SUB1 limited by 4.0 dB when 10 dB louder"
    assert "likely its limiter" in finding.evidence[0]
    assert "amplifier off" in finding.remedy


def test_a_main_that_does_not_follow_is_named_whatever_the_step_of_the_volume_was() -> None:
    finding = only(heard({"FR": 2.0}, step_error_db=-2.5))
    assert (finding.id, finding.channels) == ("wiring.compression", ("FR",))
    assert "2.0 dB" in finding.title


def test_a_pair_that_warms_up_alike_is_no_fault_of_one() -> None:
    """A warm voice coil compresses by 1 to 2 dB in healthy loudspeakers, too (common practice, no source)."""
    pair = found(heard({"FL": 1.2, "FR": 1.1}))
    assert [each.channels for each in pair] == [("FL",), ("FR",)]
    for each, partner in zip(pair, ("FR", "FL"), strict=True):
        assert "a warm voice coil" in each.evidence[0]
        assert each.evidence[-1].startswith(f"{partner} does the same")
    alone, _ = found(heard({"FL": 3.0, "FR": 1.1}))
    assert "a warm voice coil" not in alone.evidence[0] and "does the same" not in " ".join(alone.evidence)


@pytest.mark.parametrize("lost_db", [0.4, 0.6])
def test_half_a_decibel_within_its_uncertainty_accuses_nobody(lost_db: float) -> None:
    assert found(heard({"FR": lost_db})) == []


@pytest.mark.parametrize(("percent", "loud"), [(8.0, False), (2.5, None), (16.0, False)])
def test_distortion_above_its_limit_is_named(percent: float, loud: bool | None) -> None:
    analyses = heard(loads={"SiR": load(percent, order=2)})
    if loud is None:
        assert found(analyses) == []
        return
    finding = only(analyses)
    assert (finding.id, finding.channels, finding.check) == ("wiring.distortion", ("SiR",), "wiring.distortion")
    # Bass may be distorted by 10 %, so that each band is compared with its own limit.
    limits = [each.rpartition("(limit ")[2] for each in finding.evidence]
    assert limits == (["3 %)"] * len(limits) if percent < 10 else ["10 %)", *["3 %)"] * (len(limits) - 1)])
    assert all(each.startswith(f"{percent:.1f} % at ") and ", order 2 strongest" in each for each in finding.evidence)


def test_distortion_that_all_channels_share_accuses_no_loudspeaker() -> None:
    finding = only(heard(loads={c: load(8.0) for c in (*MAINS, "SUB1")}))
    assert finding.id == "measurement.distortion"
    assert "microphone" in finding.confirm


def test_a_rattle_of_one_channel_is_that_channel_and_of_several_something_in_the_room() -> None:
    finding = only(heard(loads={"SiL": load(rattle_hz=62.0)}))
    assert (finding.id, finding.channels) == ("wiring.rattle", ("SiL",))
    assert "something near it rattles" in finding.alternatives[0]
    # Room noise causes 1.5 dB: 10 dB in both recordings is a rattle, 5 dB may be one.
    assert only(heard(loads={"SiL": load(rattle_hz=62.0, rattle_db=10.0)})).id == "wiring.rattle"
    assert found(heard(loads={"SiL": load(rattle_hz=62.0, rattle_db=5.0)})) == []
    finding = only(heard(loads={c: load(rattle_hz=62.0) for c in ("FL", "SUB1")}))
    assert (finding.id, finding.cause, finding.channels) == ("room.rattle", "room", ("FL", "SUB1"))
    # Another rattle two octaves higher: each tone has its own loudspeakers, and a single one is the cause itself.
    tones = {"FL": 62.0, "SUB1": 62.0, "FC": 248.0, "FR": 248.0}
    both = found(heard(loads={c: load(rattle_hz=hz) for c, hz in tones.items()}))
    assert [(each.id, each.channels) for each in both] == [
        ("room.rattle", ("FL", "SUB1")),
        ("room.rattle", ("FC", "FR")),
    ]


def test_a_burst_in_one_recording_is_no_rattle() -> None:
    analyses = heard()
    odd = analysis(octave_db={}, low_hz=20.0, high_hz=20000.0, load=load(rattle_hz=62.0))
    driven = [
        AnalysedResponse(each.seq, AS_FOUND, each.channel, "A2", "c", True, odd, drive_db=10.0)
        if each.channel == "FC"
        else each
        for each in analyses.driven
    ]
    assert found(Analyses(analyses, (), driven)) == []


def test_results_hold_what_each_channel_shows() -> None:
    values = _wiring(wiring.solve(JOB, AS_FOUND, heard({"SUB1": 4.0}, {"SiL": load(rattle_hz=62.0)})), {}, {})
    assert values["SUB1"]["compression_db"] == 4.0 and values["SUB1"]["verdict"] == "fail"
    assert values["SUB1"]["compression_bands_db"] == {"31.5": 4.0, "63": 4.0}
    assert values["FL"]["levels_db"] == [0.0, 10.0]
    mid = next(each for each in values["FL"]["distortion"] if each["band"] == "mid" and each["level_db"] == 0.0)
    assert (mid["percent"], mid["orders_percent"]) == (0.1, {"3": 0.1})
    assert values["SiL"]["rattle_hz"] == pytest.approx(62.0, rel=0.05) and values["FL"]["rattle_hz"] is None


def test_a_band_that_a_channel_does_not_play_has_no_distortion() -> None:
    """Three third octaves from 20 Hz make an octave; two, up to 25 Hz, do not."""
    narrow = analysis(octave_db={}, low_hz=20.0, high_hz=26.0, load=load())
    found = wiring_result._band_distortion("bass", 0.0, narrow)
    assert (found.percent, found.why_not) == (None, "it does not play an octave of this band")
    wide = wiring_result._band_distortion("bass", 0.0, replace(narrow, high_hz=200.0))
    assert wide.percent == pytest.approx(0.1) and wide.why_not is None


def test_without_a_seat_there_are_no_recordings_to_compare() -> None:
    job = job_of(defined(replace(cinema([*MAINS, "SUB1"]), seats=())))
    channel = job.system.channels[0]
    assert wiring_result._recordings(channel, job, AS_FOUND, Analyses(), (), None) == []


@pytest.mark.parametrize(
    ("fields", "words"), [({"clipped": True}, "clips"), ({"reference": SOUND_PRESSURE}, "different references")]
)
def test_two_levels_that_are_not_comparable_show_no_compression(fields: dict[str, Any], words: str) -> None:
    whole = heard({"FR": 4.0})
    driven = [
        replace(each, analysis=replace(each.analysis, **fields))
        if each.channel == "FR" and each.analysis is not None
        else each
        for each in whole.driven
    ]
    outcome = wiring.evaluate(JOB, AS_FOUND, Analyses(whole, (), driven))
    checks = {c.channel: c for c in outcome.checks if c.id == "wiring.compression"}
    assert words in (checks["FR"].why_not or "") and checks["FR"].value is None
    assert checks["FL"].value is not None


@pytest.mark.parametrize(
    ("lost_db", "partner_db", "warm", "twin"),
    [(1.9, 1.45, True, True), (2.1, 1.65, False, True), (1.9, 1.35, True, False), (3.0, 3.45, False, True)],
)
def test_a_warm_coil_takes_2_db_and_two_of_a_model_differ_by_half_a_decibel(
    lost_db: float, partner_db: float, warm: bool, twin: bool
) -> None:
    (left, *_) = [each for each in found(heard({"FL": lost_db, "FR": partner_db})) if each.channels == ("FL",)]
    assert ("a warm voice coil" in left.evidence[0]) is warm
    assert any("FR does the same" in text for text in left.evidence) is twin


@pytest.mark.parametrize(("channels", "bad", "shared"), [(6, 4, True), (6, 3, False), (3, 2, True), (2, 2, False)])
def test_two_thirds_of_three_channels_or_more_share_their_distortion(channels: int, bad: int, shared: bool) -> None:
    names = (*MAINS, "SUB1")[:channels]
    ids = {each.id for each in found(heard(loads={c: load(8.0) for c in names[:bad]}, channels=names))}
    assert ids == {"measurement.distortion" if shared else "wiring.distortion"}


@pytest.mark.parametrize(("octaves", "one_thing"), [(1 / 12, True), (1 / 4, False), (-1 / 12, True), (-1 / 4, False)])
def test_a_sixth_of_an_octave_is_one_tone(octaves: float, one_thing: bool) -> None:
    tones = {"FL": 62.0, "FR": 62.0 * 2**octaves}
    ids = {each.id for each in found(heard(loads={c: load(rattle_hz=hz) for c, hz in tones.items()}))}
    assert ids == {"room.rattle" if one_thing else "wiring.rattle"}
