"""Plays and records one sweep on the audio device, in a separate process that can be ended at any moment.

A driver or a sound server that fails may never return from a call, and takes its process with it; here that is not
the terminal program. The other end is `live.py`. Standard input carries one JSON line, then the samples to play
(float32); whatever comes after them, and above all its end, means stop: a terminal program that is killed closes the
pipe. Standard output carries JSON lines, the last of them followed by the recording (float32). Started as a script,
so that nothing but numpy and sounddevice loads.
"""

from __future__ import annotations

import gc
import json
import os
import signal
import sys
import threading
import time
from typing import Any

import numpy as np

FADE_S = 0.01
"""Fade-out on stop; stopping at full level would click."""
STOP_LIMIT_S = 0.02
"""Longest time for the fade to be written, and for it to be played; then the device's buffer is dropped."""
SILENT_LIMIT_S, CLOSE_LIMIT_S = 0.07, 0.5
"""How long the process waits after a stop, and then for a silent device to close, before it ends even if a call hangs."""
LOOK_S, REPORT_S = 0.02, 0.1
QUIET_LIMIT_S = 1.0
"""A device that delivers no block for this long is treated as lost: some drivers hang instead of failing."""
LATENCY_S = 0.1
"""Enough for a busy computer; what the device has buffered is dropped on stop."""


def main() -> None:
    """Serve one request."""
    for name in ("SIGHUP", "SIGINT", "SIGTERM"):  # each of them stops the sound; `nohup` would have the first ignored
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_DFL)
    replies = os.fdopen(os.dup(1), "wb")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for descriptor in (1, 2):  # sound servers print messages there, which would garble the replies
        os.dup2(nowhere, descriptor)
    requests = sys.stdin.buffer
    request = json.loads(requests.readline() or "{}")
    try:
        import sounddevice

        if request.get("task") == "list":
            _reply(replies, {"event": "devices", **_default_devices(sounddevice)})
        elif request.get("task") == "play":
            shape = (request["frames"], len(request["sounding"]))
            data = requests.read(4 * shape[0] * shape[1])
            if len(data) == 4 * shape[0] * shape[1]:
                _play(sounddevice, request, np.frombuffer(data, np.float32).reshape(shape), requests, replies)
    except OSError as error:  # PortAudio itself is missing
        _reply(replies, {"event": "failed", "reason": "no PortAudio", "text": str(error)})
    except Exception as error:
        _reply(replies, {"event": "failed", "reason": "device", "text": f"{error}"})


def _reply(replies: Any, message: dict[str, Any], data: bytes = b"") -> None:
    replies.write(json.dumps(message).encode() + b"\n" + data)
    replies.flush()


def _default_devices(sd: Any) -> dict[str, Any]:
    """Name and number of channels of the default input and output; None where there is none."""
    found: dict[str, Any] = {}
    for kind in ("input", "output"):
        try:
            device = sd.query_devices(kind=kind)
        except (sd.PortAudioError, ValueError):
            device = None
        channels = int(device[f"max_{kind}_channels"]) if device else 0
        found[kind] = {"name": str(device["name"]), "channels": channels} if device and channels else None
    return found


def _has_terminal() -> bool:
    """Whether this session has a controlling terminal; never on Windows, which itself ends the programs of a console."""
    try:
        os.close(os.open("/dev/tty", os.O_RDONLY | getattr(os, "O_NOCTTY", 0)))
    except OSError:
        return False
    return True


class _Run:
    """One recording in progress, shared by the device's thread and the main one."""

    def __init__(self, samples: Any, sounding: list[int], rate_hz: float, stop: type[Exception]) -> None:
        """`samples` [shape=(frames, outputs that sound)]."""
        self._samples, self._sounding, self._stop_stream = samples, sounding, stop
        self._fade_frames = max(1, round(FADE_S * rate_hz))
        self._faded_frames = 0
        self.recorded = np.zeros(len(samples), np.float32)
        self.blocks: list[tuple[int, int, float]] = []
        """(first frame, number of frames, the computer's time when it was delivered [s]) of each block."""
        self.lost_input: list[int] = []
        self.lost_output: list[int] = []
        """First frames of blocks for which the device reports lost input or an output underrun."""
        self.done = 0
        self.stopping = False
        """Set by the thread that reads the stop request, which also sets `complete`."""
        self.faded, self.silent, self.complete = (threading.Event() for _ in range(3))

    def block(self, indata: Any, outdata: Any, frames: int, times: Any, status: Any) -> None:
        """Play and record one block."""
        now_s = time.monotonic()
        first = self.done
        part = self._samples[first : first + frames]
        outdata[:] = 0
        outdata[: len(part), self._sounding] = part
        if self.stopping:
            ramp = 1 - (self._faded_frames + np.arange(frames)) / self._fade_frames
            outdata[:] *= np.clip(ramp, 0, 1)[:, None]
            self._faded_frames += frames
            if self._faded_frames >= self._fade_frames:
                self.faded.set()
        if status.input_overflow or status.input_underflow:
            self.lost_input.append(first)
        if status.output_underflow or status.output_overflow:
            self.lost_output.append(first)
        self.recorded[first : first + len(part)] = indata[: len(part), 0]
        self.blocks.append((first, frames, now_s))
        self.done += len(part)
        if self.done >= len(self._samples):
            self.complete.set()
            raise self._stop_stream


def _play(sd: Any, request: dict[str, Any], samples: Any, requests: Any, replies: Any) -> None:
    run = _Run(samples, request["sounding"], request["rate_hz"], sd.CallbackStop)

    def stop() -> None:
        requests.read(1)
        run.stopping = True
        run.complete.set()
        if run.silent.wait(SILENT_LIMIT_S):
            time.sleep(CLOSE_LIMIT_S)
        os._exit(0)

    threading.Thread(target=stop, daemon=True).start()
    gc.collect()
    gc.disable()  # no pause for the garbage collector between two blocks
    stream = sd.Stream(
        samplerate=request["rate_hz"],
        channels=(1, request["outputs"]),
        dtype="float32",
        latency=LATENCY_S,
        callback=run.block,
    )
    if run.stopping:
        return
    stream.start()
    _reply(replies, {"event": "begun"})
    seen, seen_s, in_terminal = 0, time.monotonic(), _has_terminal()
    while not run.complete.wait(LOOK_S):
        if in_terminal and not _has_terminal():  # the program may miss the hang-up (`nohup`)
            return
        past_s = time.monotonic() - seen_s
        if past_s > REPORT_S and run.done > seen:
            seen, seen_s = run.done, time.monotonic()
            _reply(replies, {"event": "frames", "done": seen})
        elif past_s > QUIET_LIMIT_S:
            _reply(replies, {"event": "failed", "reason": "quiet", "done": seen})
            return
    if run.stopping:
        run.faded.wait(STOP_LIMIT_S)
        time.sleep(min(STOP_LIMIT_S, stream.latency[1]))
        stream.abort()
        run.silent.set()
        _reply(replies, {"event": "silent"})
    else:
        lost = {"lost_input": run.lost_input, "lost_output": run.lost_output}
        message = {"event": "recorded", "frames": run.done, "blocks": run.blocks, **lost}
        _reply(replies, message, run.recorded[: run.done].tobytes())
    stream.close()


if __name__ == "__main__":
    try:
        main()
    finally:
        os._exit(0)  # PortAudio's own shutdown may never return
