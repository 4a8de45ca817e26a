"""The audio device, through sounddevice. Without PortAudio or without a device everything else goes on working."""

from __future__ import annotations

import queue
import threading
from typing import TYPE_CHECKING, Any

import numpy as np

from commission.model import Cancelled, CancelToken, CommissionError, Job, Progress, Signal

if TYPE_CHECKING:
    from commission.audio.rig_source import RigSource

NO_PORTAUDIO = (
    "Live measurement is off: the PortAudio library is missing. To switch it on, install it "
    "(Debian: apt-get install libportaudio2) and start again. Everything else works."
)
NO_DEVICE = (
    "Live measurement is off: there is no audio device with input and output. To switch it on, connect one and start "
    "again. Everything else works."
)
FADE_S = 0.02
WATCHDOG_S = 3.0
"""Without a callback for so long the device counts as gone: some drivers hang for ever instead of failing."""


def load_sounddevice() -> Any:
    """The sounddevice module, or None where PortAudio is missing."""
    try:
        import sounddevice
    except OSError:
        return None
    return sounddevice


def live_status(module: Any = None) -> str:
    """One sentence: which device would be used, or why live measurement is off and how to switch it on."""
    sd = module or load_sounddevice()
    if sd is None:
        return NO_PORTAUDIO
    found = _devices(sd)
    if found is None:
        return NO_DEVICE
    inp, out = found
    return f"Live measurement is on: {inp['name']} in, {out['name']} out ({out['max_output_channels']} outputs)."


def _devices(sd: Any) -> tuple[Any, Any] | None:
    try:
        inp, out = sd.query_devices(kind="input"), sd.query_devices(kind="output")
    except (sd.PortAudioError, ValueError):
        return None
    return (inp, out) if inp and out else None


def live_source(job: Job, module: Any = None) -> RigSource | None:
    """The device as a source of measurements; None where there is none."""
    sd = module or load_sounddevice()
    if sd is None or _devices(sd) is None:
        return None
    from commission.audio.rig_source import RigSource

    rig = LiveRig(sd)
    # Without a loopback nobody knows whether the latency stays the same from one opening to the next: no common clock.
    return RigSource(job, lambda seat, round_id: rig, source="rig", name=rig.name)


class LiveRig:
    """`model.Rig` on the default device: one duplex stream, opened and closed on the calling thread."""

    def __init__(self, module: Any) -> None:
        self._sd = module
        found = _devices(module)
        self.name = found[1]["name"] if found else "audio device"

    def play_record(self, out: Signal, cancel: CancelToken, progress: Progress) -> Signal:
        """Play and record at once. Cancel fades out within 20 ms and raises Cancelled."""
        outputs, frames = out.samples.shape
        _, device = _devices(self._sd) or (None, {"max_output_channels": 0})
        if device["max_output_channels"] < outputs:
            raise CommissionError(
                f"The device has {device['max_output_channels']} outputs, the job needs {outputs}. Set the channels' "
                "outputs on the Site form, or play test signals from another player (`commission signals`)."
            )
        player = _Player(out.samples.T.astype(np.float32), out.rate_hz, cancel, self._sd.CallbackStop)
        try:
            with self._sd.Stream(
                samplerate=out.rate_hz,
                channels=(1, outputs),
                dtype="float32",
                callback=player.callback,
                finished_callback=player.finished.set,
            ):
                player.watch(frames, progress)
        except self._sd.PortAudioError as error:
            raise CommissionError(f"The audio device failed: {error}. Check its connection and try again.") from error
        if player.stopped:
            raise Cancelled
        return Signal(samples=player.recorded[None, : player.done], rate_hz=out.rate_hz)


class _Player:
    """State of one run, touched by the callback's thread and the caller's."""

    def __init__(self, samples: Any, rate_hz: float, cancel: CancelToken, stop: type[Exception]) -> None:
        self._samples, self._cancel, self._stop = samples, cancel, stop
        self._fade = max(1, round(FADE_S * rate_hz))
        self.recorded = np.zeros(len(samples), np.float32)
        self.done = 0
        self.stopped = False
        self.finished = threading.Event()
        self._ticks: queue.SimpleQueue[int] = queue.SimpleQueue()

    def callback(self, indata: Any, outdata: Any, frames: int, time: Any, status: Any) -> None:
        """Fill one block. Own counting: status flags are not to be trusted."""
        part = self._samples[self.done : self.done + frames]
        outdata[: len(part)] = part
        outdata[len(part) :] = 0
        if self._cancel.is_set():
            ramp = np.clip(1 - np.arange(frames) / self._fade, 0, 1)[:, None]
            outdata[:] = outdata * ramp
            self.stopped = True
            raise self._stop
        self.recorded[self.done : self.done + len(part)] = indata[: len(part), 0]
        self.done += len(part)
        self._ticks.put(self.done)
        if len(part) < frames or self.done >= len(self._samples):
            raise self._stop

    def watch(self, frames: int, progress: Progress) -> None:
        """Wait for the end; raises CommissionError when the device falls silent."""
        seen, silent_s = 0, 0.0
        while not self.finished.wait(0.05):
            silent_s += 0.05
            while not self._ticks.empty():
                seen, silent_s = self._ticks.get(), 0.0
                progress(seen / frames, "playing and recording")
            if silent_s > WATCHDOG_S:
                raise CommissionError(
                    f"The audio device stopped answering after {seen} frames. Unplug it, plug it in, try again."
                )
        progress(1.0, "")
