"""The offset of sound and picture from a recording, stored as a reading with its source."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from builders import cinema

from commission.cli import main
from commission.cli.local_services import LocalServices
from commission.model import AS_FOUND, Verdict


def flashes(path: Path, offset_s: float, channels: int = 2) -> None:
    rate_hz = 48_000
    samples = np.random.default_rng(1).normal(0, 0.001, (8 * rate_hz, channels))
    for k in range(5):
        lit = int((0.6 + 1.4 * k) * rate_hz)
        heard = int((0.6 + 1.4 * k + offset_s) * rate_hz)
        samples[lit : lit + 2400, -1] += 0.5
        samples[heard : heard + 240, 0] += 0.5
    soundfile.write(path, samples, rate_hz, subtype="PCM_24")


def test_a_measured_offset_is_stored_and_checked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    LocalServices(tmp_path / "state").create(tmp_path / "loft", cinema()).close()
    flashes(tmp_path / "flashes.wav", 0.18)
    assert main(["lip-sync", "loft.commission", "flashes.wav"]) == 0
    assert "Sound +180 ms after the picture (U = 12 ms), measured over 5 flashes" in capsys.readouterr().out
    visit = LocalServices(tmp_path / "state").open(tmp_path / "loft.commission", read_only=True)
    outcome = visit.outcome("checklist", AS_FOUND)
    visit.close()
    check = next(each for each in outcome.checks if each.id == "checklist.lip-sync")
    assert check.uncertainty == pytest.approx(
        5.77, abs=0.01
    )  # one picture of 20 ms, rectangular; a film read by eye has two
    assert check.value == pytest.approx(180, abs=0.5)
    assert check.verdict is Verdict.FAIL  # 125 ms: ITU-R BT.1359-1 considering g
    # The sensor on the other input is the same offset with the other sign.
    assert main(["lip-sync", "loft.commission", "flashes.wav", "--light", "1"]) == 0
    assert "Sound −180 ms" in capsys.readouterr().out.replace("-", "−")


def test_a_recording_that_shows_no_offset_stores_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    LocalServices(tmp_path / "state").create(tmp_path / "loft", cinema()).close()
    flashes(tmp_path / "mono.wav", 0.1, channels=1)
    soundfile.write(tmp_path / "hiss.wav", np.random.default_rng(2).normal(0, 0.1, (96_000, 2)), 48_000)
    for name, found in (("mono.wav", "found 1 channel"), ("hiss.wav", "0 flashes and 0 clicks")):
        assert main(["lip-sync", "loft.commission", name]) == 2
        assert found in capsys.readouterr().err
    assert main(["lip-sync", "loft.commission", "mono.wav", "--round", "never"]) == 2
    visit = LocalServices(tmp_path / "state").open(tmp_path / "loft.commission", read_only=True)
    assert visit.job.readings == ()
    visit.close()
