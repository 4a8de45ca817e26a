"""The loudest source, hum of the electronics, dialogue hard to follow: named where present, and not reported
elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from builders import cinema, defined, job_of
from quiet_rooms import FULL_SCALE_DB, nc_noise
from sound_room import SoundRoom

from commission.diagnosis import findings
from commission.diagnosis import noise as noise_rules
from commission.diagnosis.fates import follow
from commission.dsp.analysis import analyse_batch
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    AnalysedNoise,
    AnalysedResponse,
    Analyses,
    Analysis,
    Fate,
    Finding,
    Instrument,
    Job,
    Outcome,
    Response,
    RoundOpened,
    Verdict,
)
from commission.record.data.results import _wiring
from commission.steps import all_steps, dialogue, wiring

MICROPHONE = Instrument(kind="microphone", full_scale_db=FULL_SCALE_DB, self_noise_db=5.0)
HUM = {50: 52.0, 100: 46.0, 150: 40.0}


def off(seed: int) -> AnalysedNoise:
    return nc_noise(17, seed, state="everything off")


def job(microphone: Instrument | None = MICROPHONE) -> Job:
    system = cinema(instruments=() if microphone is None else (microphone,))
    return job_of(defined(system), RoundOpened(round=AS_LEFT))


def found(noises: Sequence[AnalysedNoise], of: Job | None = None, round_id: str = AS_FOUND) -> list[Finding]:
    analyses, of = Analyses((), noises), of or job()
    return [
        f
        for f in findings(of, round_id, analyses, outcomes(of, round_id, analyses))
        if f.step in ("quiet", "dialogue")
    ]


def outcomes(of: Job, round_id: str, analyses: Analyses) -> dict[str, Outcome]:
    return {each.id: each.evaluate(of, round_id, analyses) for each in all_steps()}


def only(noises: Sequence[AnalysedNoise], of: Job | None = None) -> Finding:
    (finding,) = found(noises, of)
    assert finding.evidence
    assert finding.alternatives
    assert finding.confirm
    assert finding.remedy.endswith(".")
    return finding


def test_loud_ventilation_is_the_rooms() -> None:
    finding = only([off(1), nc_noise(20, 3, "ventilation low"), nc_noise(36, 4, "ventilation high")])
    assert (finding.id, finding.cause, finding.check) == ("room.noise", "room", "quiet.nc.ventilation high")
    assert finding.title.startswith("NC 3")
    assert finding.title.endswith("with ventilation high (limit NC 25)")
    assert "ladder" in finding.remedy


def test_a_loud_projector_is_the_equipments() -> None:
    finding = only([off(1), nc_noise(34, 5, "projector on")])
    assert (finding.id, finding.cause) == ("wiring.equipment-noise", "electronics")
    assert "Mains wiring" in finding.remedy


def test_a_room_that_is_loud_by_itself_accuses_no_source() -> None:
    finding = only(
        [
            nc_noise(34, 6, "everything off"),
            nc_noise(34.4, 7, "ventilation high"),
            nc_noise(34.2, 8, "electronics on"),
        ]
    )
    assert (finding.id, finding.check) == ("room.noise", "quiet.nc.everything off")


def test_without_everything_off_the_alternative_is_named() -> None:
    finding = only([nc_noise(36, 9, "ventilation high")])
    assert any("everything off was not measured" in text for text in finding.alternatives)


@pytest.mark.parametrize(
    ("state", "sti", "stated"), [("fan", 0.45, True), ("fan", None, False), ("off", 0.45, False)]
)
def test_what_a_noise_costs_speech_is_stated_of_that_noise(
    state: str, sti: float | None, stated: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    seat = SimpleNamespace(seat="A2", check=SimpleNamespace(verdict=Verdict.FAIL), sti=sti, sti_without_noise=0.71)
    monkeypatch.setattr(dialogue, "solve", lambda *_: SimpleNamespace(state=state, seats=(seat,)))
    e: Any = SimpleNamespace(job=None, round=AS_FOUND, analyses=None)
    assert noise_rules._speech(e, "fan") == ["speech at A2: STI 0.45, without this noise 0.71"] * stated


def test_hum_with_the_electronics_is_theirs() -> None:
    finding = only([off(1), nc_noise(18, 10, "electronics on", HUM)])
    assert (finding.id, finding.cause) == ("wiring.hum", "electronics")
    assert "50 Hz" in finding.title
    assert "amplifier off" in finding.remedy


@pytest.mark.parametrize(
    "noises",
    [
        [(17, 11, "everything off", HUM), (18, 12, "electronics on", HUM)],  # hum is present with everything off
        [(17, 2, "everything off"), (18, 13, "ventilation high", HUM)],  # a motor
        [(17, 2, "everything off"), (18, 14, "electronics on", {50: 30.0, 100: 22.0})],  # inaudible
    ],
)
def test_other_hum_accuses_no_electronics(noises: list[tuple[Any, ...]]) -> None:
    assert not [f for f in found([nc_noise(*each) for each in noises]) if f.id == "wiring.hum"]


@pytest.mark.parametrize("seed", range(2))
def test_a_quiet_room_has_no_findings(seed: int) -> None:
    """NC 15 to 22 in all states, with the hum of an ordinary room."""
    rng = np.random.default_rng(seed)
    states = ("everything off", "ventilation low", "ventilation high", "electronics on", "projector on")
    noises = [
        nc_noise(
            float(rng.uniform(15, 22)),
            100 * seed + n,
            state,
            {50: float(rng.uniform(10, 35)), 100: float(rng.uniform(5, 22))},
        )
        for n, state in enumerate(states)
    ]
    assert found(noises) == []


def test_an_uncalibrated_microphone_accuses_nobody() -> None:
    assert (
        found([off(1), nc_noise(40, 15, "ventilation high"), nc_noise(18, 16, "electronics on", HUM)], job(None))
        == []
    )


def test_what_is_quiet_again_is_no_longer_found() -> None:
    noises = [
        off(1),
        nc_noise(36, 17, "ventilation high"),
        nc_noise(18, 18, "electronics on", HUM),
        nc_noise(20, 19, "ventilation high", round_id=AS_LEFT),
    ]
    of, analyses = job(), Analyses((), noises)
    by_round = {r: outcomes(of, r, analyses) for r in (AS_FOUND, AS_LEFT)}
    histories = follow(of, AS_LEFT, lambda r: findings(of, r, analyses, by_round[r]), by_round.__getitem__)
    fates = {each.first.id: each.fate for each in histories if each.first.step == "quiet"}
    assert fates["room.noise"] is Fate.NO_LONGER_FOUND
    assert not fates["wiring.hum"].gone  # the electronics were not recorded again


def echo(seed: int, t_s: float) -> Analysis:
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(3.5 * 48000)) / 48000
    h = rng.normal(size=len(time_s)) * 10 ** (-3 * time_s / t_s) + rng.normal(0, 1e-6, len(time_s))
    (analysis,) = analyse_batch([Response(impulse=h, rate_hz=48000)], [False], [True])
    assert isinstance(analysis, Analysis)
    return analysis


@pytest.mark.parametrize(("t_s", "expected"), [(3.0, ["room.speech"]), (0.4, [])])
def test_reverberation_that_spoils_speech_is_the_rooms(t_s: float, expected: list[str]) -> None:
    item = AnalysedResponse(
        seq=1, round=AS_FOUND, channel="FC", seat="A2", clock=None, passes_delays=True, analysis=echo(1, t_s)
    )
    of, analyses = job(), Analyses([item], [off(1)])
    named = [
        f
        for f in findings(of, AS_FOUND, analyses, outcomes(of, AS_FOUND, analyses))
        if f.step in ("quiet", "dialogue")
    ]
    assert [f.id for f in named] == expected
    assert all("reverberation" in f.title for f in named)
    worst = dialogue.worst_of(dialogue.solve(of, AS_FOUND, analyses).seats)
    assert worst is not None and worst.sti is not None
    assert all(f.evidence[0].startswith(f"STI {worst.sti:.2f} at A2") for f in named)


def test_a_sound_room_of_the_other_rules_has_none_of_these() -> None:
    room = SoundRoom(seed=1, uneven_db=0.5)
    of, analyses = room.job(), room.analyses()
    assert [
        f
        for f in findings(of, AS_FOUND, analyses, outcomes(of, AS_FOUND, analyses))
        if f.step in ("quiet", "dialogue")
    ] == []


def of_channels(noises: dict[str, AnalysedNoise], *room: AnalysedNoise) -> Analyses:
    """Recordings with the amplifier of one channel on, and of the room."""
    return Analyses((), room, (), [replace(each, channel=c, state="state not named") for c, each in noises.items()])


def of_wiring(analyses: Analyses, of: Job | None = None) -> list[tuple[str, tuple[str, ...]]]:
    of = of or job()
    return [
        (f.id, f.channels)
        for f in findings(of, AS_FOUND, analyses, outcomes(of, AS_FOUND, analyses))
        if f.step == "wiring"
    ]


def test_a_channel_that_hums_and_one_that_hisses_are_named() -> None:
    noises = {"FL": nc_noise(17, 31), "SiL": nc_noise(17, 32, lines=HUM), "BL": nc_noise(34, 33)}
    analyses = of_channels(noises, off(1))
    assert of_wiring(analyses) == [("wiring.channel-hum", ("SiL",)), ("wiring.channel-noise", ("BL",))]
    values = _wiring(wiring.solve(job(), AS_FOUND, analyses), {}, wiring.channel_noises(job(), AS_FOUND, analyses))
    assert values["SiL"]["noise"]["hum_hz"] == pytest.approx(50, abs=0.1) and values["SiL"]["verdict"] == "fail"
    assert values["FL"]["noise"]["hum_hz"] is None and values["FL"]["verdict"] == "pass"


def test_what_the_room_does_without_the_channel_is_not_the_channels() -> None:
    loud = nc_noise(34, 34, state="everything off", lines=HUM)
    noises = {"FL": nc_noise(34, 35, lines=HUM), "SiL": nc_noise(34, 36, lines=HUM)}
    assert of_wiring(of_channels(noises, loud)) == []
    without_off = of_channels({c: nc_noise(34, 40 + k) for k, c in enumerate(noises)})
    assert of_wiring(without_off) == []
    both = wiring.channel_noises(job(), AS_FOUND, of_channels(noises, loud))
    assert all("it hums with everything off, too" in str(each.checks[1].why_not) for each in both.values())
    (alone,) = wiring.channel_noises(job(), AS_FOUND, of_channels({"FL": nc_noise(34, 37)})).values()
    assert "record everything off" in str(alone.checks[0].why_not)


def test_an_uncalibrated_microphone_accuses_no_channel() -> None:
    noises = {"FL": nc_noise(34, 38, lines=HUM)}
    assert of_wiring(of_channels(noises), job(microphone=None)) == []


@pytest.mark.parametrize(
    ("deciding_hz", "lines", "octave_db", "by_hum"),
    [
        (125, {100.0: 46.0}, 48.9, True),  # half of the power
        (125, {100.0: 46.0}, 49.1, False),
        (125, {100.0: 46.0, 150.0: 46.0}, 51.9, True),  # 49 dB together
        (125, {50.0: 60.0, 200.0: 60.0}, 49.0, False),  # in other octaves
        (31, {25.0: 50.0}, 52.0, True),  # its exact centre is 31.5 Hz
        (125, {}, 49.0, False),
        (None, {100.0: 46.0}, 48.0, False),
    ],
)
def test_hum_makes_an_octave_with_half_of_its_power(
    deciding_hz: int | None, lines: dict[float, float], octave_db: float, by_hum: bool
) -> None:
    made: Any = SimpleNamespace(
        deciding_hz=deciding_hz,
        hum_lines=[SimpleNamespace(frequency_hz=hz, level_db=db) for hz, db in lines.items()],
        octave_db={31: octave_db, 125: octave_db},
    )
    assert noise_rules._by_hum(made) is by_hum
