"""Real sound without hardware: PortAudio on a JACK server, a simulated room as its only device (`jack_room.py`).

What must hold: silence within 100 ms of whatever ends a measurement, measured at the loudspeakers of that room; no hang; and
nothing stored but whole recordings. Skipped where JACK is missing; `.ci/run` installs it.
"""

from __future__ import annotations

import ctypes.util
import os
import select
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from builders import cinema, defined, job_of
from process_tree import WaitingTime

from commission.audio import live, rig_source
from commission.audio.decoding import decode
from commission.cli.local_services import LocalServices
from commission.dsp.analysis import analyse
from commission.model import Capture, CommissionError, Response, StoredResponse, Sweep

if sys.platform != "linux" or shutil.which("jackd") is None or ctypes.util.find_library("portaudio") is None:
    pytest.skip("needs Linux, jackd and PortAudio (Debian: jackd2, libportaudio2)", allow_module_level=True)

RATE, PERIOD = 48000, 1024
CHANNELS = ["FL", "FC", "FR"]
SWEEP_S, TAIL_S = 1.0, 0.6
EARLY_S = 0.1
"""A block that is lost so long before the sweep is heard may hold its first samples."""
LIMIT_S = 0.1
LOUD = 1e-4
ATTEMPTS = 3
"""A busy computer may be late once; a program that is always late is late three times."""
MOST_WAITED_S = 0.3
"""A program that is not silent by then is late, however busy the computer is."""
HANG_S = 60.0
"""Of the clock on the wall; what hangs never goes on."""
LOSSES = 8
"""Recordings in which the server reports lost blocks before a test gives up."""
TOO_BUSY = f"the computer lost blocks of sound in {LOSSES} recordings, as the JACK server reports"


class Rig:
    """The JACK server, the room, and the log of the sound in the room."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        # One name for this process: a killed server keeps one of eight slots until the next one of its name starts.
        self._name = f"commission-{os.getpid()}"
        os.environ |= {
            "JACK_DEFAULT_SERVER": self._name,
            "JACK_NO_AUDIO_RESERVATION": "1",
            "JACK_NO_START_SERVER": "1",
        }
        self.start()

    def start(self) -> None:
        log, losses = (self._folder / f"{time.monotonic_ns()}.{what}" for what in ("log", "losses"))
        self.server = self._start_server()
        script = str(Path(__file__).with_name("jack_room.py"))
        self._room = subprocess.Popen(
            [sys.executable, script, str(len(CHANNELS)), str(log), str(losses)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self._room.stdout is not None
        if self._room.stdout.readline() != "ready\n":
            self.close()
            pytest.skip("the JACK server does not start here")
        self.log = np.memmap(log, np.float64, "r").reshape(-1, 2)
        """Of each cycle: time, peak of all loudspeakers; zeros where none has been yet."""
        self.losses_s = np.memmap(losses, np.float64, "r")
        """When the server reported lost blocks (xruns); zeros where none has been yet."""

    def _start_server(self) -> subprocess.Popen[bytes]:
        dummy = ["-d", "dummy", "-r", str(RATE), "-p", str(PERIOD), "-C", "0", "-P", "0"]
        return subprocess.Popen(
            ["jackd", "--no-realtime", "--no-mlock", "-n", self._name, *dummy],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def tell(self, words: str) -> None:
        assert self._room.stdin is not None
        self._room.stdin.write(f"{words}\n")
        self._room.stdin.flush()

    def lost_blocks_since(self, moment_s: float) -> bool:
        """Whether the server reported xruns during a recording started then: the computer was too busy. Xruns at its
        beginning and end do not count, since the server reports some when a client connects or leaves.
        """
        time.sleep(2 * PERIOD / RATE)  # the report follows the loss
        loud_s = self.log[(self.log[:, 0] > moment_s) & (self.log[:, 1] > LOUD), 0]
        after_s = self.losses_s - loud_s[0] if len(loud_s) else np.zeros(0)
        return bool(np.any((after_s > -EARLY_S) & (after_s < SWEEP_S + TAIL_S)))

    def loud_s(self) -> float:
        """The time when a loudspeaker last played; 0.0 if none has."""
        loud = self.log[self.log[:, 1] > LOUD, 0]
        return float(loud[-1]) if len(loud) else 0.0

    def wait_until_loud(self) -> None:
        begun_s = time.monotonic()
        while self.loud_s() < begun_s:
            assert time.monotonic() - begun_s < HANG_S, "nothing is played"
            time.sleep(0.01)

    def silent_after_s(self, end: Callable[[], float], program: subprocess.Popen[bytes]) -> float:
        """How long after the moment that `end` returns the last loud cycle ended.

        The time that the program and the server waited for a processor does not count, but no more of it than `MOST_WAITED_S`.
        """
        waiting, waited_s = WaitingTime((program.pid, self.server.pid, self._room.pid)), 0.0
        moment_s = end()
        while (now_s := time.monotonic()) < moment_s + 2 * LIMIT_S + MOST_WAITED_S:
            if now_s < max(moment_s, self.loud_s()) + 2 * PERIOD / RATE:
                waited_s = waiting.seconds()
            time.sleep(0.01)
        return max(0.0, self.loud_s() + PERIOD / RATE - moment_s - min(waited_s, MOST_WAITED_S))

    def close(self) -> None:
        try:
            self._room.communicate(timeout=2.0)  # its input ends, so it disconnects
        except subprocess.TimeoutExpired:
            self._room.kill()
            self._room.communicate()
        if self.server.poll() is not None:  # killed: see above
            self.server = self._start_server()
            time.sleep(0.3)
        self.server.terminate()
        try:
            self.server.wait(6.0)
        except subprocess.TimeoutExpired:
            self.server.kill()
            self.server.wait()


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    with pytest.MonkeyPatch.context() as patch:
        for name in ("JACK_DEFAULT_SERVER", "JACK_NO_AUDIO_RESERVATION", "JACK_NO_START_SERVER"):
            patch.setenv(name, "")  # the rig sets them; this takes them back
        made = Rig(tmp_path_factory.mktemp("rig"))
        try:
            output = live.default_devices().output
            if output is None or output.name != "room":  # keep it from playing on a real device
                pytest.skip(f"the default device is {output and output.name}, not the simulated room")
            yield made
        finally:
            made.close()


# --- one recording -----------------------------------------------------------------------------------------------


def measure() -> tuple[Any, dict[str, bytes]]:
    job = job_of(defined(cinema(CHANNELS, ["A1"], sweep=Sweep(duration_s=SWEEP_S, rate_hz=RATE))))
    live_rig = live.LiveRig(live.Device("room", len(CHANNELS)))
    source = rig_source.RigSource(job, lambda seat, round_id: live_rig, source="rig", name="room")
    capture = Capture(channel="FC", seat="A1", text="")
    (body,), blobs = source.measure(capture, "as-found", threading.Event(), lambda f, t: None)
    return body, blobs


def test_a_measurement_gives_the_response_of_the_room(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rig_source, "TAIL_S", TAIL_S)
    for _ in range(LOSSES):
        begun_s = time.monotonic()
        try:
            body, blobs = measure()
            break
        except CommissionError as error:
            assert "lost" in str(error) or "missing" in str(error)
            assert rig.lost_blocks_since(begun_s), f"nothing was lost: {error}"
    else:
        pytest.skip(TOO_BUSY)
    stored = StoredResponse(seq=1, at="", body=body, blob_sha256=body.file_sha256)
    ((_, response),) = decode([stored], blobs.__getitem__)
    assert isinstance(response, Response)
    found = analyse(response)
    assert found.polarity == 1
    assert found.reflections is not None
    # The room's own figures: the reflection 556 samples after the direct sound is 0.15 / 0.5, −10.5 dB.
    delay_s, level_db = found.reflections[0]
    assert delay_s == pytest.approx(556 / RATE, abs=1e-4)
    assert level_db == pytest.approx(-10.5, abs=1.0)  # from 1 to 8 kHz, where both are flat


@pytest.mark.parametrize(
    ("trouble", "sentences"),
    [
        ("leave", ("falls silent",)),
        ("stall 0.3", ("lost",)),
        ("noise", ("only noise",)),
        ("skip 2048", ("arrive",)),
        ("kill", ("stopped answering",)),
    ],
)
def test_nothing_but_whole_recordings_is_stored(
    trouble: str, sentences: tuple[str, ...], rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the sweep of 1.0 s, 0.65 s are over when it happens, and 0.56 s of it heard: it passes 960 Hz."""
    # The room is anechoic: a whole recording of it is still accepted.
    monkeypatch.setattr(rig_source, "TAIL_S", TAIL_S)
    for _ in range(LOSSES):
        error, busy = _outcome_of(trouble, rig)
        # Blocks lost by the computer before the planted fault are correctly named instead of it.
        if trouble == "stall 0.3" or not busy or any(each in str(error) for each in sentences):
            break
        assert "lost" in str(error) or "missing" in str(error), error
    else:
        pytest.skip(TOO_BUSY)
    assert isinstance(error, CommissionError), "it would be stored"
    assert any(each in str(error) for each in sentences), error
    assert "Nothing was stored" in str(error)


def _outcome_of(trouble: str, rig: Rig) -> tuple[object, bool]:
    """The outcome of a measurement with this fault, and whether the server reported lost blocks."""
    outcome: list[object] = []
    begun_s = time.monotonic()

    def run() -> None:
        try:
            outcome.append(measure())
        except CommissionError as error:
            outcome.append(error)

    thread = threading.Thread(target=run)
    try:
        if trouble == "noise":
            rig.tell(trouble)
        thread.start()
        rig.wait_until_loud()
        time.sleep(0.65)
        if trouble == "kill":
            rig.server.kill()
        elif trouble != "noise":
            rig.tell(trouble)
        thread.join(HANG_S)
        assert not thread.is_alive(), "it hangs"
        busy = rig.lost_blocks_since(begun_s)
    finally:
        if trouble in ("leave", "kill"):
            rig.close()
            rig.start()
        else:
            rig.tell("sound")
    return outcome[0], busy


# --- the whole program -------------------------------------------------------------------------------------------


class Terminal:
    """The program on its own terminal."""

    def __init__(self, job: Path, ignore_hang_up: bool = False) -> None:
        import pty

        self._ours, theirs = pty.openpty()
        code = (
            "import os, signal, sys\n"
            "os.login_tty(0)\n"
            f"signal.signal(signal.SIGHUP, signal.{'SIG_IGN' if ignore_hang_up else 'SIG_DFL'})\n"
            "os.execv(sys.executable, [sys.executable, '-m', 'commission', sys.argv[1]])\n"
        )
        env = os.environ | {"TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24", "HOME": str(job.parent)}
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, str(job)], stdin=theirs, stdout=theirs, stderr=theirs, env=env
        )
        os.close(theirs)
        self._screen = bytearray()
        self._hung_up = threading.Event()
        self._reader = threading.Thread(target=self._drain, daemon=True)
        self._reader.start()

    def _drain(self) -> None:
        try:
            while not self._hung_up.is_set():
                if select.select([self._ours], [], [], 0.02)[0]:
                    self._screen.extend(os.read(self._ours, 65536))
        except OSError:
            return

    def wait_for(self, *texts: bytes, limit_s: float = HANG_S) -> int:
        """Wait until one of the texts is shown; returns that text."""
        begun_s = time.monotonic()
        while not (shown := [place for place, text in enumerate(texts) if text in self._screen]):
            assert time.monotonic() - begun_s < limit_s, f"{texts} is not shown"
            time.sleep(0.02)
        self._screen.clear()
        return shown[0]

    def type(self, keys: bytes) -> float:
        """Type keys; returns the time."""
        now_s = time.monotonic()
        os.write(self._ours, keys)
        return now_s

    def begin_to_measure(self, rig: Rig) -> None:
        """Start measuring and wait until the sweep sounds. A key that arrives before the last measurement's screen has
        closed only stops the sound.
        """
        for _ in range(ATTEMPTS):
            self.type(b"m")
            with suppress(AssertionError):
                self.wait_for(b"microphone?", limit_s=10.0)
                break
        self.type(b"\r")
        rig.wait_until_loud()
        time.sleep(0.1)

    def begin_to_measure_louder(self, rig: Rig) -> None:
        """Start measuring and wait until the second sweep sounds, 10 dB above the first; begin again if the first one lost
        blocks.
        """
        for _ in range(ATTEMPTS):
            self.begin_to_measure(rig)
            if self.wait_for("⚠ +10 dB".encode(), b"measure again") == 0:
                break
        rig.wait_until_loud()
        time.sleep(0.1)

    def kill(self) -> float:
        """Kill the program, which leaves it no time to clean up, as in a crash; returns the time."""
        now_s = time.monotonic()
        self.process.kill()
        return now_s

    def hang_up(self) -> float:
        self._hung_up.set()
        self._reader.join()  # a reader would keep the terminal open
        now_s = time.monotonic()
        os.close(self._ours)
        return now_s


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = tmp_path / "loft.commission"
    system = cinema(CHANNELS, ["A1"], sweep=Sweep(duration_s=2.0, rate_hz=RATE))
    LocalServices(tmp_path / "state").create(path, system).close()
    return path


def on_step(job: Path, step_id: str, ignore_hang_up: bool = False) -> Terminal:
    with closing(LocalServices(job.parent / "state").open(job, read_only=True)) as visit:
        place = 1 + [each.id for each in visit.steps].index(step_id)
    assert place < 10
    terminal = Terminal(job, ignore_hang_up)
    terminal.wait_for(b"Harbour")
    terminal.type(str(place).encode())
    terminal.wait_for(b"places measured")
    return terminal


def nothing_is_stored(job: Path) -> bool:
    with closing(LocalServices(job.parent / "state").open(job, read_only=True)) as visit:
        return not visit.job.responses and not visit.job.driven


def escape_and_another_key(terminal: Terminal) -> float:
    now_s = terminal.type(b"\x1b")
    time.sleep(0.02)
    terminal.type(b"x")
    return now_s


LOUDER = "Escape in the louder sweep"
KEYS: dict[str, Callable[[Terminal], float]] = {
    "Escape": lambda terminal: terminal.type(b"\x1b"),
    LOUDER: lambda terminal: terminal.type(b"\x1b"),
    "Escape, another key": escape_and_another_key,
    "Ctrl-C": lambda terminal: terminal.type(b"\x03"),
    "q": lambda terminal: terminal.type(b"q"),
    "quit": lambda terminal: terminal.type(b"\x11"),
}


def test_every_key_stops_the_sound_and_a_dying_server_causes_no_hang(rig: Rig, job: Path) -> None:
    terminal = on_step(job, "wiring")
    times_s: dict[str, float] = {}
    try:
        for name, press in KEYS.items():
            for _ in range(ATTEMPTS):
                if name == LOUDER:
                    terminal.begin_to_measure_louder(rig)
                else:
                    terminal.begin_to_measure(rig)
                times_s[name] = rig.silent_after_s(partial(press, terminal), terminal.process)
                if name in ("q", "quit"):
                    terminal.wait_for(b"Quit as well?")
                    terminal.type(b"\r")  # stay
                if times_s[name] < LIMIT_S:
                    break
        terminal.begin_to_measure(rig)
        rig.server.kill()
        terminal.wait_for(b"stopped answering")
        terminal.type(b"\x11")
        assert terminal.process.wait(HANG_S) == 0
    finally:
        terminal.process.kill()
        terminal.process.wait()
        rig.close()
        rig.start()
    print({name: f"{1000 * each:.0f} ms" for name, each in times_s.items()})
    assert max(times_s.values()) < LIMIT_S, times_s
    assert nothing_is_stored(job)


@pytest.mark.parametrize("end", ["SIGKILL", "terminal lost", "terminal lost, nohup"])
def test_the_end_of_the_program_stops_the_sound(end: str, rig: Rig, job: Path) -> None:
    for attempt in range(ATTEMPTS):
        terminal = on_step(job, "seats", ignore_hang_up=end.endswith("nohup"))
        try:
            terminal.begin_to_measure(rig)
            silent_s = rig.silent_after_s(terminal.kill if end == "SIGKILL" else terminal.hang_up, terminal.process)
            if not end.endswith("nohup"):
                terminal.process.wait(HANG_S)
        finally:
            terminal.process.kill()
            terminal.process.wait()
        print(f"{end}: {1000 * silent_s:.0f} ms")
        if silent_s < LIMIT_S:
            break
        assert attempt < ATTEMPTS - 1, f"{silent_s:.3f} s"
    assert nothing_is_stored(job)
