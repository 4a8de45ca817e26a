"""Noise recorded by the program itself: it is stored completely, or not at all."""

from __future__ import annotations

import threading
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from builders import cinema

from commission.audio import rig_source
from commission.audio.rig_source import RigSource
from commission.cli.local_services import LocalServices
from commission.model import (
    AS_FOUND,
    Cancelled,
    CancelToken,
    CommissionError,
    FloatArray,
    Instrument,
    Progress,
    Signal,
    System,
)
from commission.model.progress import unwatched

RATE = 48000
RMS = 2e-4


class QuietRig:
    """A rig that records white noise whatever is played, and keeps the signal that it was asked to play."""

    name = "quiet rig"

    def __init__(self, scale: float = RMS, added: float = 0.0) -> None:
        self.scale, self.added = scale, added
        self.played: list[FloatArray] = []

    def play_record(self, out: Signal, cancel: CancelToken, progress: Progress) -> Signal:
        if cancel.is_set():
            raise Cancelled
        self.played.append(out.samples)
        noise = self.scale * np.random.default_rng(3).standard_normal((1, out.samples.shape[-1]))
        noise[:, : RATE // 2] += self.added  # the click of the key that started it
        return Signal(samples=np.clip(noise, -1, 1), rate_hz=out.rate_hz)


def system(full_scale_db: float = 120.0) -> System:
    """A cinema whose microphone reads that level at full scale."""
    microphone = Instrument(kind="microphone", model="measurement microphone", level_offset_db=full_scale_db)
    return replace(cinema(["FL", "FC"], ["A1", "A2"]), instruments=(microphone,))


def record(services: LocalServices, path: Path, rig: QuietRig) -> tuple[float, float]:
    """Record and store “ventilation low” at A1: the unweighted level of the stored file, and L_Aeq by the step."""
    with closing(services.create(path, system())) as visit:
        source = RigSource(visit.job, lambda seat, round_id: rig, source="rig", name=rig.name)
        body, blobs = source.record_noise("A1", "ventilation low", AS_FOUND, threading.Event(), unwatched)
        visit.append(body, blobs=blobs)
        stored = visit.path.with_suffix(".flac")
        stored.write_bytes(visit.blob(body.file_sha256))
        samples, rate_hz = soundfile.read(stored)
        assert (rate_hz, len(samples)) == (RATE, 30 * RATE)
        visit.analyse(threading.Event(), unwatched)
        rows = [row for table in visit.outcome("quiet", AS_FOUND).tables for row in table.rows]
        assert any("ventilation low" in map(str, row.cells) for row in rows)
        (noise,) = visit.analyses.noises
        assert noise.analysis is not None
        return float(10 * np.log10(np.mean(samples**2))), noise.analysis.a_db


def test_a_recording_is_stored_and_rated(tmp_path: Path) -> None:
    rig = QuietRig(added=0.9)
    plain_db, a_db = record(LocalServices(tmp_path / "state"), tmp_path / "job", rig)
    assert not np.any(rig.played[0])
    # White noise of this RMS; 30 s of it scatter by 0.01 dB. The click before the recording is not included.
    assert plain_db == pytest.approx(20 * np.log10(RMS), abs=0.05)
    # A-weighted white noise up to 24 kHz: IEC 61672-1 Annex E integrated numerically with numpy alone.
    freq = np.arange(1.0, 24000.0)
    f2 = freq**2
    gain = (12194.217**2 * f2**2) / (
        (f2 + 20.598997**2) * np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2)) * (f2 + 12194.217**2)
    )
    a_of_white_db = 10 * np.log10(np.mean((gain / gain[999]) ** 2))
    assert a_db == pytest.approx(20 * np.log10(RMS) + a_of_white_db, abs=0.1)


@pytest.mark.parametrize(
    ("rig", "words"),
    [
        (QuietRig(scale=0.5), "clips"),
        (QuietRig(scale=0.0), "softer than the steps"),
        (QuietRig(scale=1e-9), "softer"),
    ],
)
def test_a_recording_that_cannot_be_used_is_refused(tmp_path: Path, rig: QuietRig, words: str) -> None:
    with closing(LocalServices(tmp_path / "state").create(tmp_path / "job", system())) as visit:
        source = RigSource(visit.job, lambda seat, round_id: rig, source="rig", name=rig.name)
        with pytest.raises(CommissionError, match=words):
            source.record_noise("A1", "everything off", AS_FOUND, threading.Event(), unwatched)


def test_a_stopped_recording_gives_nothing(tmp_path: Path) -> None:
    cancel = threading.Event()
    cancel.set()
    with closing(LocalServices(tmp_path / "state").create(tmp_path / "job", system())) as visit:
        source = RigSource(visit.job, lambda seat, round_id: QuietRig(), source="rig", name="quiet rig")
        with pytest.raises(Cancelled):
            source.record_noise("A1", "everything off", AS_FOUND, cancel, unwatched)


def test_the_progress_of_an_analysis_weighs_noise_recordings_by_their_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two of three noises analysed are two thirds of the way, and each is reported before it begins."""
    monkeypatch.setattr(rig_source, "RECORDING_S", 5.0)
    with closing(LocalServices(tmp_path / "state").create(tmp_path / "job", system())) as visit:
        source = RigSource(visit.job, lambda seat, round_id: QuietRig(), source="rig", name="quiet rig")
        for state in ("everything off", "ventilation low", "projector on"):
            body, blobs = source.record_noise("A1", state, AS_FOUND, threading.Event(), unwatched)
            visit.append(body, blobs=blobs)
        fractions: list[float] = []
        visit.analyse(threading.Event(), lambda fraction, _: fractions.append(fraction))
    assert fractions == pytest.approx([0.0, 1 / 3, 2 / 3, 1.0])
