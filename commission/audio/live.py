"""Live measurement through a separate process (`device_process.py`), so that no driver can hang this program.

Without PortAudio or without a device everything else goes on working.
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from commission.audio.recording_checks import Block, transport_problem
from commission.model import Cancelled, CancelToken, CommissionError, Job, Progress, Signal
from commission.model.units import clean_text

if TYPE_CHECKING:
    from commission.audio.rig_source import RigSource

NO_PORTAUDIO = (
    "Live measurement is off: the PortAudio library is missing. To switch it on, install it "
    "(Debian: apt-get install libportaudio2) and try again. Everything else works."
)
NO_DEVICE = (
    "Live measurement is off: there is no audio device with input and output. To switch it on, connect one and try "
    "again. Everything else works."
)
NO_ANSWER = (
    "Live measurement is off: the audio system does not answer. Restart it, or the computer, and try again. "
    "Everything else works."
)
COMMAND = (sys.executable, "-P", str(Path(__file__).with_name("device_process.py")))
LIST_LIMIT_S = 5.0
"""Time limit for listing devices, which takes well under a second."""
OPEN_LIMIT_S = 10.0
"""Time limit for opening a device, which may wait for a slow driver or for a permission."""
ANSWER_LIMIT_S = 1.5
"""The process reports every 0.1 s during playback, and reports a silent device itself after one second."""
STOP_LIMIT_S = 0.06
"""Time within which the process must be silent; then it is killed, and the system closes the device."""
CLOSE_LIMIT_S = 0.5
KILL_LIMIT_S = 1.0
LOOK_S = 0.01


class Device(NamedTuple):
    """One direction of an audio device."""

    name: str
    channels: int


class Devices(NamedTuple):
    """The devices that would be used, or the reason why there are none."""

    input: Device | None
    output: Device | None
    why_not: str | None


def default_devices(command: Sequence[str] = COMMAND) -> Devices:
    """The default devices, listed by a new process so that a device connected a moment ago is found."""
    process = DeviceProcess(command, {"task": "list"})
    try:
        message, _ = process.next_reply(LIST_LIMIT_S) or ({}, b"")
    finally:
        process.end(silent=True)
    if message.get("event") == "devices":
        inp, out = (Device(**each) if (each := message[kind]) else None for kind in ("input", "output"))
        return Devices(inp, out, None if inp and out else NO_DEVICE)
    return Devices(None, None, NO_PORTAUDIO if message.get("reason") == "no PortAudio" else NO_ANSWER)


def live_status(devices: Devices | None = None) -> str:
    """One sentence: which device would be used, or why live measurement is off and how to switch it on."""
    inp, out, why_not = devices or default_devices()
    if inp is None or out is None:
        return why_not or NO_DEVICE
    return f"Live measurement is on: {inp.name} in, {out.name} out ({out.channels} outputs)."


def live_source(job: Job, command: Sequence[str] = COMMAND) -> RigSource | None:
    """The device as a source of measurements; None where there is none."""
    devices = default_devices(command)
    if devices.input is None or devices.output is None:
        return None
    from commission.audio.rig_source import RigSource

    rig = LiveRig(devices.output, command)
    # Without a loopback the latency may change from one opening to the next: no common clock.
    return RigSource(job, lambda seat, round_id: rig, source="rig", name=rig.name)


class LiveRig:
    """`model.Rig` on the default device; each recording runs in its own process."""

    def __init__(self, output: Device, command: Sequence[str] = COMMAND) -> None:
        self.name = clean_text(output.name)
        self._outputs, self._command = output.channels, command

    def play_record(self, out: Signal, cancel: CancelToken, progress: Progress) -> Signal:
        """Play and record at once. Cancel fades out, ends the process within `STOP_LIMIT_S` and raises Cancelled."""
        outputs, frames = out.samples.shape
        if self._outputs < outputs:
            raise CommissionError(
                f"The device has {self._outputs} outputs, the job needs {outputs}. Set the channels' "
                "outputs on the Site form, or play test signals from another player (`commission signals`)."
            )
        sounding = [index for index, row in enumerate(out.samples) if np.any(row)]
        request = {
            "task": "play",
            "rate_hz": out.rate_hz,
            "frames": frames,
            "outputs": outputs,
            "sounding": sounding,
        }
        samples = np.ascontiguousarray(out.samples[sounding].T, np.float32)
        process = DeviceProcess(self._command, request, samples.tobytes())
        recorded = False
        try:
            message, data = _await_recording(process, frames, cancel, progress)
            recorded = True
        finally:
            process.end(silent=recorded)
        problem = transport_problem(
            [Block(*each) for each in message["blocks"]],
            message["lost_input"],
            message["lost_output"],
            frames=frames,
            sounds_from=int(np.argmax(np.any(out.samples, axis=0))),
            rate_hz=out.rate_hz,
        )
        if problem is not None:
            raise CommissionError(problem)
        return Signal(samples=np.frombuffer(data, np.float32)[None], rate_hz=out.rate_hz)


def _await_recording(
    process: DeviceProcess, frames: int, cancel: CancelToken, progress: Progress
) -> tuple[dict[str, Any], bytes]:
    """The reply with the recording; raises Cancelled, or CommissionError if the device fails."""
    done, limit_s, heard_s = 0, OPEN_LIMIT_S, time.monotonic()
    while True:
        if cancel.wait(LOOK_S):
            raise Cancelled
        while (reply := process.next_reply(0.0)) is not None:
            message, data = reply
            event = message.get("event")
            if event == "recorded":
                progress(1.0, "")
                return message, data
            if event in ("failed", "ended"):
                raise CommissionError(_failure(message, done))
            done, limit_s, heard_s = message.get("done", done), ANSWER_LIMIT_S, time.monotonic()
            progress(done / frames, "playing and recording")
        if time.monotonic() - heard_s > limit_s:
            raise CommissionError(_failure({"reason": "quiet"}, done))


def _failure(message: dict[str, Any], done: int) -> str:
    """Why there is no recording, in one sentence."""
    if message.get("reason") == "no PortAudio":
        return NO_PORTAUDIO
    if message.get("reason") == "device":
        text = clean_text(str(message.get("text", "")))[:200]
        return f"The audio device failed: {text}. Nothing was stored. Check its connection and measure again."
    return (
        f"The audio device stopped answering after {done} frames. Nothing was stored. Unplug it, plug it in, and "
        "measure again."
    )


class DeviceProcess:
    """The process of the device, and a thread that reads its replies. Closing its input stops the sound."""

    def __init__(self, command: Sequence[str], request: dict[str, Any], data: bytes = b"") -> None:
        """Raises CommissionError if the system cannot start the process."""
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
                creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
            )
        except OSError as error:
            raise CommissionError(
                f"The process of the audio device does not start: {error.strerror}. Close other programs and try again."
            ) from error
        self._replies: queue.SimpleQueue[tuple[dict[str, Any], bytes]] = queue.SimpleQueue()
        self._sender = threading.Thread(target=self._send, args=(json.dumps(request).encode() + b"\n" + data,))
        self._sender.daemon = True
        self._sender.start()
        threading.Thread(target=self._read, daemon=True).start()

    def _send(self, data: bytes) -> None:
        """Send on a thread of its own: a process that does not read would block the pipe."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(data)
            self._process.stdin.flush()
        except OSError:  # the process has ended, which the reader reports
            pass

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as replies:
            try:
                for line in replies:
                    message = json.loads(line)
                    size = 4 * message["frames"] if message["event"] == "recorded" else 0
                    data = replies.read(size)
                    if len(data) < size:
                        break
                    self._replies.put((message, data))
            except (OSError, ValueError, KeyError, TypeError):
                pass  # a truncated reply is ignored
        self._replies.put(({"event": "ended"}, b""))

    def next_reply(self, timeout_s: float) -> tuple[dict[str, Any], bytes] | None:
        """The oldest unread reply with its recording; None if none arrives within the time."""
        try:
            return self._replies.get(timeout=timeout_s) if timeout_s else self._replies.get_nowait()
        except queue.Empty:
            return None

    def end(self, silent: bool = False) -> None:
        """Stop the sound; kill the process if it is not silent, or has not ended, within the limits."""
        if not self._sender.is_alive():  # otherwise it has not read its request, and closing would wait for it
            self._close_input()
            if silent or self._is_silent_within(STOP_LIMIT_S):
                self._wait(CLOSE_LIMIT_S)
        self._process.kill()
        self._wait(KILL_LIMIT_S)  # longer if its driver blocks; the system ends it once the driver returns
        self._sender.join(KILL_LIMIT_S)
        if not self._sender.is_alive():
            self._close_input()

    def _close_input(self) -> None:
        assert self._process.stdin is not None
        try:
            self._process.stdin.close()
        except OSError:  # unread data remained when the process ended
            pass

    def _is_silent_within(self, limit_s: float) -> bool:
        until_s = time.monotonic() + limit_s
        while (left_s := until_s - time.monotonic()) > 0:
            reply = self.next_reply(left_s)
            if reply is not None and reply[0]["event"] in ("silent", "ended", "recorded"):
                return True
        return False

    def _wait(self, limit_s: float) -> None:
        try:
            self._process.wait(limit_s)
        except subprocess.TimeoutExpired:
            pass
