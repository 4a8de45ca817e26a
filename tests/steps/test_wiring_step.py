"""Channels under load, from imported files to verdicts: faults planted in synthesised recordings, and similar
conditions.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import loud_sweeps as loud
import numpy as np
import pytest
from builders import analysis, cinema, defined, job_of
from scipy import ndimage

from commission.cli import main
from commission.cli.local_services import LocalServices
from commission.model import AS_FOUND, AnalysedResponse, Analyses, Capture, Check, Job, LoadAnalysis, Outcome, Verdict
from commission.model.progress import unwatched
from commission.steps import wiring
from commission.steps.wiring import result as wiring_result
from commission.steps.wiring.result import BandDistortion, explained_db

SUB_HZ = (25.0, 90.0)


def limited(x: np.ndarray) -> np.ndarray:
    """A limiter that holds the level of a subwoofer by its envelope; without harmonics, as a good one."""
    envelope = np.sqrt(np.maximum(ndimage.uniform_filter1d(x**2, 4800, mode="constant"), 1e-12)) * np.sqrt(2)
    return np.asarray(x * np.minimum(1.0, 0.4 / envelope))


def soft(x: np.ndarray) -> np.ndarray:
    """A saturating amplifier: compression with odd harmonics."""
    return np.asarray(np.tanh(2.8 * x) / 2.8)


def square(x: np.ndarray) -> np.ndarray:
    """Second harmonic only, 6 % at an amplitude of 0.25."""
    return np.asarray(x + 0.48 * x**2)


FAULTS: dict[str, dict[str, Any]] = {
    "FL": {},
    "FC": {"late_s": 0.15},
    "FR": {"bend": soft},
    "SiL": {"rattle": (63.0, 0.003)},
    "SiR": {"bend": square},
    "SUB1": {"band_hz": SUB_HZ},
    "SUB2": {"band_hz": SUB_HZ, "bend": limited},
}


def job_of_recordings(
    folder: Path, faults: Mapping[str, Mapping[str, Any]], levels: tuple[float, ...] = (0.0, 10.0)
) -> tuple[Job, Analyses, Outcome]:
    """The files of a visit, imported by the command line with a mapping, and the result of the step."""
    lines = ["file,round,channel,seat,kind,level"]
    for index, (channel, fault) in enumerate(faults.items()):
        for level in levels:
            name = f"{channel}-{level:.0f}.wav"
            samples = loud.recorded(level, **({"place": index + 1, "seed": int(100 * index + level)} | dict(fault)))
            loud.write(folder / name, samples)
            lines.append(f"{name},as-found,{channel},A2,sweep,{'reference' if not level else f'{level:+g} dB'}")
    loud.write(folder / "played.wav", loud.sweep())
    (folder / "map.csv").write_text("\n".join(lines) + "\n")
    shop = LocalServices(folder / "state")
    shop.create(folder / "loft", cinema(list(faults))).close()
    job = str(folder / "loft.commission")
    arguments = ["import", job, "--map", str(folder / "map.csv"), "--stimulus", str(folder / "played.wav")]
    assert main(arguments) == 0
    visit = shop.open(folder / "loft.commission", read_only=True)
    analyses = visit.analyse(threading.Event(), unwatched)
    outcome = visit.outcome("wiring", AS_FOUND)
    found = visit.job, analyses, outcome
    visit.close()
    return found


@pytest.fixture(scope="module")
def visited(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, Analyses, Outcome]:
    return job_of_recordings(tmp_path_factory.mktemp("wiring"), FAULTS)


def check_of(outcome: Outcome, channel: str, check_id: str) -> Check:
    (found,) = [each for each in outcome.checks if each.channel == channel and each.id == check_id]
    return found


def failed(outcome: Outcome) -> set[tuple[str, str]]:
    return {(str(each.channel), each.id) for each in outcome.checks if each.verdict is Verdict.FAIL}


def test_each_fault_is_found_in_its_channel_and_no_other(visited: tuple[Job, Analyses, Outcome]) -> None:
    _, _, outcome = visited
    assert failed(outcome) == {
        ("FR", "wiring.compression"),
        ("FR", "wiring.distortion-loud.mid"),
        ("SiL", "wiring.rattle"),
        ("SiR", "wiring.distortion.mid"),
        ("SiR", "wiring.distortion-loud.mid"),
        ("SUB2", "wiring.compression"),
    } | (failed(outcome) & {("SiR", "wiring.distortion-loud.bass"), ("FR", "wiring.distortion-loud.bass")})
    assert outcome.done == outcome.total == 2 * len(FAULTS)
    for clause in ("FR and SUB2 compressed", "SiR distorted", "SiL rattling"):
        assert clause in outcome.main_result.split("; ")


def test_every_uncertainty_has_its_budget(visited: tuple[Job, Analyses, Outcome]) -> None:
    """JCGM 100 equation 11a over the sources: gain 0.1 dB and noise for FC, 2 dB of 6 % for SiR (10^(−2/20) is 0.79)."""
    _, _, outcome = visited
    uncertain = [each for each in outcome.checks if each.value is not None and each.uncertainty]
    assert {each.kind for each in uncertain} == {
        "wiring.compression",
        "wiring.distortion",
        "wiring.distortion-loud",
        "wiring.rattle",
    }
    for check in uncertain:
        budget = outcome.budget_of(check)
        assert budget is not None and budget.u == pytest.approx(check.uncertainty) and budget.unit == check.unit, (
            check
        )
    clean, bent = check_of(outcome, "FC", "wiring.compression"), check_of(outcome, "SiR", "wiring.distortion.mid")
    assert 0.1 <= clean.uncertainty < 0.2 and bent.value is not None
    assert bent.uncertainty == pytest.approx(0.2 * bent.value, rel=0.05)


def test_a_loud_recording_that_cannot_be_used_is_named_with_its_level() -> None:
    item = AnalysedResponse(1, AS_FOUND, "FL", "A2", None, True, analysis=None, problem="it is silent", drive_db=10.0)
    outcome = wiring.evaluate(job_of(defined(cinema(["FL"]))), AS_FOUND, Analyses(driven=[item]))
    assert outcome.remarks[-1] == "Not used: FL at A2, +10 dB: it is silent."


def test_louder_recordings_are_no_repeats_of_the_others(visited: tuple[Job, Analyses, Outcome]) -> None:
    job, analyses, _ = visited
    assert len(job.responses) == len(job.driven) == len(FAULTS)
    assert len(analyses.repeats(AS_FOUND, "FL", "A2")) == 1
    assert {each.drive_db for each in analyses.driven} == {10.0}


def test_each_channel_is_swept_at_two_levels_at_the_reference_seat(visited: tuple[Job, Analyses, Outcome]) -> None:
    job, _, outcome = visited
    plan = wiring.plan(job, AS_FOUND)
    assert [(each.channel, each.seat) for each in plan if isinstance(each, Capture)] == [
        (c.id, "A2") for c in job.system.channels
    ]
    (octaves,) = [each for each in outcome.tables if each.id == "compression"]
    assert {column.decimals for column in octaves.columns if column.signed} == {1}


def test_compression_is_that_of_the_characteristic(visited: tuple[Job, Analyses, Outcome]) -> None:
    """The fundamental of a steady tone through the same characteristic at both amplitudes, by its Fourier series."""
    job, analyses, outcome = visited
    low, high = (loud.harmonics(soft, 0.25 * 10 ** (level / 20))[0] for level in (0.0, 10.0))
    truth = 10.0 - 20 * np.log10(high / low)
    found = wiring.solve(job, AS_FOUND, analyses).channels["FR"].compression
    # 0.4 dB: deconvolution moves the harmonics to other times, but an octave's window contains some of them.
    assert found.by_octave_db[1000] == pytest.approx(truth, abs=0.4)
    assert check_of(outcome, "FL", "wiring.compression").value == pytest.approx(0.0, abs=0.1)


def test_distortion_is_that_of_the_characteristic(visited: tuple[Job, Analyses, Outcome]) -> None:
    job, analyses, _ = visited
    tone = loud.harmonics(square, 0.25)
    truth = 100 * tone[1] / tone[0]
    found = wiring.solve(job, AS_FOUND, analyses).channels["SiR"].distortion
    mid = next(each for each in found if each.band == "mid" and each.drive_db == 0.0)
    assert (mid.order, mid.at_most) == (2, False)
    # 2 dB, the stated uncertainty: harmonic and fundamental sound at two frequencies of a rough room.
    assert mid.percent == pytest.approx(truth, rel=0.25)


def test_a_rattle_is_found_at_its_tone(visited: tuple[Job, Analyses, Outcome]) -> None:
    job, analyses, _ = visited
    found = wiring.solve(job, AS_FOUND, analyses).channels
    assert found["SiL"].rattle.hz == pytest.approx(63.0, rel=0.1)
    others = [each.rattle.above_db or 0.0 for c, each in found.items() if c != "SiL"]
    assert max(others) < 6.0


def test_a_single_louder_sweep_is_evaluated_at_its_seat() -> None:
    """And not at the reference seat, which has none."""
    job = job_of(defined(cinema()))
    louder: Any = SimpleNamespace(channel="FL", seat="A1", analysis=1, drive_db=10.0, seq=1)
    channel = job.system.channels[0]
    assert wiring_result._recordings(channel, job, AS_FOUND, Analyses(), [louder], None) == [louder]
    assert wiring_result._recordings(channel, job, AS_FOUND, Analyses(), [louder], "A2") == []
    for drive_db, compared in ((7.0, True), (7.1, False)):  # two levels are compared from 3 dB apart
        softer: Any = SimpleNamespace(channel="FL", seat="A1", analysis=1, drive_db=drive_db, seq=2)
        pair = wiring_result._pair(channel, job, AS_FOUND, Analyses(), [louder, softer])
        assert (pair is not None) is compared


def test_a_wrong_step_common_to_all_channels_is_no_compression(tmp_path: Path) -> None:
    """The volume was raised by 7 dB, not by 10 as the mapping states: all channels share the difference."""
    healthy: dict[str, dict[str, Any]] = {c: {} for c in ("FL", "FC", "FR")}
    job, analyses, _ = job_of_recordings(tmp_path, healthy, (0.0, 7.0))
    two_levels = Analyses(analyses, (), [replace(each, drive_db=10.0) for each in analyses.driven])
    outcome = wiring.evaluate(job, AS_FOUND, two_levels)
    assert not failed(outcome)
    assert "All main channels rise by +7.0 dB instead of +10 dB" in " ".join(outcome.remarks)
    one = Analyses(
        [a for a in analyses if a.channel == "FL"], (), [a for a in two_levels.driven if a.channel == "FL"]
    )
    check = check_of(wiring.evaluate(job, AS_FOUND, one), "FL", "wiring.compression")
    assert check.verdict is Verdict.NOT_TESTED and "3 main channels" in str(check.why_not)


def test_a_moved_microphone_is_no_compression(tmp_path: Path) -> None:
    """The louder recording is made at another position: octave levels differ by decibels in both directions."""
    lines: dict[str, dict[str, Any]] = {"FL": {}, "FC": {}, "FR": {}}
    job, analyses, _ = job_of_recordings(tmp_path, lines)
    other_place = {c: {"place": 20 + i} for i, c in enumerate(lines)}
    _, moved, _ = job_of_recordings(tmp_path / "moved", other_place)
    mixed = Analyses(analyses, (), moved.driven)
    for channel in lines:
        check = check_of(wiring.evaluate(job, AS_FOUND, mixed), channel, "wiring.compression")
        assert check.verdict in (Verdict.NOT_TESTED, Verdict.PASS, Verdict.UNSURE)
        assert check.verdict is Verdict.NOT_TESTED and "microphone" in str(check.why_not)


def test_without_sweeps_or_levels_there_is_no_verdict(tmp_path: Path) -> None:
    job, _, outcome = job_of_recordings(tmp_path, {"FL": {}, "FC": {}}, (0.0,))
    assert check_of(outcome, "FL", "wiring.compression").why_not == "it was recorded at one level only"
    assert check_of(outcome, "FL", "wiring.distortion.mid").verdict is Verdict.PASS
    assert "record it again" in str(check_of(outcome, "FL", "wiring.rattle").why_not)
    assert (outcome.done, outcome.total) == (2, 4)
    empty = wiring.evaluate(job, AS_FOUND, Analyses())
    assert not empty.checks and "Nothing is checked under load yet" in empty.remarks[0]


def test_distortion_is_listed_at_the_level_at_which_it_was_measured() -> None:
    each: Any = SimpleNamespace(
        distortion=(
            BandDistortion(band="mid", drive_db=0.0, percent=0.5, at_most=True),
            BandDistortion(band="mid", drive_db=10.0, percent=3.2),
        )
    )
    assert [wiring.distortion_text(each, "mid", loud) for loud in (False, True)] == ["< 0.5", "3.2"]


def test_a_bent_characteristic_explains_its_compression_by_its_third_harmonic() -> None:
    """Fourier series of a tone through x − 0.3·x³ at both levels; a limiter has no harmonics and explains none."""

    def bend(x: np.ndarray) -> np.ndarray:
        return np.asarray(x - 0.3 * x**3)

    tones = [loud.harmonics(bend, amplitude) for amplitude in (0.25, 0.25 * 10**0.5)]
    lost_db = 10 - 20 * np.log10(tones[1][0] / tones[0][0])
    loads = [LoadAnalysis(harmonics_db={3: {63: 20 * np.log10(tone[2] / tone[0])}}) for tone in tones]
    assert lost_db > 0.3
    assert explained_db(loads[0], loads[1], 63) == pytest.approx(lost_db, abs=0.01)  # an identity: rounding alone
    assert explained_db(LoadAnalysis(), LoadAnalysis(), 63) == 0.0
    assert explained_db(None, loads[1], 63) is None
    # A third harmonic outside the loudspeaker's range explains nothing.
    heard: dict[str, Any] = {"octave_db": dict.fromkeys((500, 1000, 2000), 70.0), "load": LoadAnalysis()}
    one = SimpleNamespace(analysis=analysis(**heard, low_hz=50.0, high_hz=3200.0))
    pair: Any = SimpleNamespace(channel=cinema(["FL"]).channels[0], low=one, high=one, step_db=0.0)
    assert wiring_result._rises(pair).explained_db == {500: 0.0, 1000: 0.0, 2000: None}
