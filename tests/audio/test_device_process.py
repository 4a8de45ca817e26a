"""The device process with a fake `sounddevice`: what it plays, and that no fault makes it hang."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from builders import cinema, defined, job_of

from commission.audio import live
from commission.model import Cancelled, CommissionError, Signal

RATE = 48000
FAKE = Path(__file__).with_name("fake_device")
DEVICE = live.Device("fake output", 4)


@pytest.fixture(autouse=True)
def fake(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Install the fake library; returns the path of its log of loud blocks."""
    monkeypatch.setenv("PYTHONPATH", str(FAKE))
    monkeypatch.setenv("FAKE_DEVICE", "")
    monkeypatch.setenv("FAKE_LOG", str(tmp_path / "loud"))
    return tmp_path / "loud"


def play(seconds: float = 0.6, cancel: threading.Event | None = None, outputs: int = 2) -> Signal:
    out = np.zeros((outputs, round(seconds * RATE)))
    out[-1, 4800:] = np.random.default_rng(1).uniform(-0.1, 0.1, out.shape[1] - 4800)
    return live.LiveRig(DEVICE).play_record(
        Signal(samples=out, rate_hz=RATE), cancel or threading.Event(), lambda f, t: None
    )


def test_the_device_plays_everything_on_its_output_and_records_it() -> None:
    heard = play()
    assert heard.samples.shape == (1, 28800)
    expected = np.zeros(28800)
    expected[4800:] = 0.5 * np.random.default_rng(1).uniform(-0.1, 0.1, 24000)
    np.testing.assert_allclose(heard.samples[0, 480:], expected[:-480], atol=1e-6)  # the fake is one block late


def last_loud_s(log: Path) -> float:
    return float(log.read_text().splitlines()[-1])


@pytest.mark.parametrize("trouble", ["", "hangs closing"])
def test_a_stop_is_immediate_even_when_the_device_does_not_close(
    trouble: str, fake: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAKE_DEVICE", trouble)
    cancel = threading.Event()
    stopped_s: list[float] = []

    def stop() -> None:
        while not fake.exists():
            time.sleep(0.005)
        stopped_s.append(time.monotonic())
        cancel.set()

    threading.Thread(target=stop).start()
    with pytest.raises(Cancelled):
        play(5.0, cancel)
    # Two blocks of 10 ms plus the delay of a busy computer; a process that hangs is killed after 60 ms.
    assert last_loud_s(fake) - stopped_s[0] < 0.1
    assert time.monotonic() - stopped_s[0] < 1.0


def test_when_this_program_is_killed_the_sound_ends(fake: Path) -> None:
    code = (
        "import threading, numpy as np\n"
        "from commission.audio import live\n"
        "from commission.model import Signal\n"
        "out = Signal(samples=np.full((1, 480000), 0.1), rate_hz=48000)\n"
        "live.LiveRig(live.Device('x', 4)).play_record(out, threading.Event(), lambda f, t: None)\n"
    )
    program = subprocess.Popen([sys.executable, "-c", code])
    while not fake.exists():
        time.sleep(0.005)
    killed_s = time.monotonic()
    program.kill()
    program.wait()
    time.sleep(0.3)
    assert last_loud_s(fake) - killed_s < 0.1


@pytest.mark.parametrize(
    ("trouble", "sentence", "limit_s"),
    [
        ("missing", "libportaudio2", 2.0),
        ("refuses", "Device unavailable", 2.0),
        ("quiet", "stopped answering", 3.5),
        ("hangs closing", "stopped answering", 3.5),
        ("crashes", "stopped answering", 2.0),
        ("overflows", "lost a block of sound 0.3 s", 3.0),
        ("drops", "ms of sound are missing", 6.0),
    ],
)
def test_every_fault_gives_one_sentence_and_no_recording(
    trouble: str, sentence: str, limit_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAKE_DEVICE", trouble)
    begun_s = time.monotonic()
    with pytest.raises(CommissionError, match=sentence):
        play(2.0 if trouble == "drops" else 0.6)
    assert time.monotonic() - begun_s < limit_s


def test_a_device_that_does_not_open_is_abandoned(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAKE_DEVICE", "hangs opening")
    monkeypatch.setattr(live, "OPEN_LIMIT_S", 0.5)
    with pytest.raises(CommissionError, match="stopped answering after 0 frames"):
        play()


def test_too_few_outputs_are_named() -> None:
    with pytest.raises(CommissionError, match="4 outputs, the job needs 5"):
        play(outputs=5)


def test_the_devices_are_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "fake input in, fake output out (4 outputs)" in live.live_status()
    source = live.live_source(job_of(defined(cinema())))
    assert source is not None
    assert source.name == "fake output"
    for trouble, sentence in (("missing", "libportaudio2"), ("none", "no audio device")):
        monkeypatch.setenv("FAKE_DEVICE", trouble)
        assert sentence in live.live_status()
        assert "Everything else works" in live.live_status()
        assert live.live_source(job_of(defined(cinema()))) is None
    monkeypatch.setattr(live, "LIST_LIMIT_S", 0.0)
    assert "does not answer" in live.live_status()


def test_a_process_that_does_not_start_is_reported() -> None:
    with pytest.raises(CommissionError, match="does not start: No such file"):
        live.live_source(job_of(defined(cinema())), command=("/nowhere/python",))
