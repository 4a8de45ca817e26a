"""A fake `sounddevice` for the device process: it returns half of what it plays, in real time and one block late.

FAKE_DEVICE names what goes wrong: `missing` (no PortAudio), `none` (no device), `quiet` (no blocks after a while),
`hangs opening`, `hangs closing` (the call never returns), `refuses` (an error on opening), `crashes` (the process dies
while it plays), `overflows` (a block is reported as lost), `drops` (blocks are lost and nothing reports it). It appends
the time of every block that is not silent to the file named in FAKE_LOG.
"""

from __future__ import annotations

import os
import threading
import time
from types import SimpleNamespace
from typing import Any

import numpy as np

TROUBLE = os.environ.get("FAKE_DEVICE", "")
OUTPUTS = 4
BLOCK = 480
TROUBLE_BLOCK = 30
"""0.3 s at 48 kHz."""
LOST_S = 0.05

if TROUBLE == "missing":
    raise OSError("PortAudio library not found")


class PortAudioError(Exception):
    pass


class CallbackStop(Exception):
    pass


def query_devices(kind: str) -> dict[str, object]:
    if TROUBLE == "none":
        raise PortAudioError("Error querying device -1")
    return {"name": f"fake {kind}", "max_output_channels": OUTPUTS, "max_input_channels": 2}


def _hang() -> None:
    while True:
        time.sleep(60)


class Stream:
    latency = (0.01, 0.01)

    def __init__(self, *, samplerate: float, channels: tuple[int, int], callback: Any, **_: Any) -> None:
        if TROUBLE == "refuses":
            raise PortAudioError("Device unavailable [PaErrorCode -9985]")
        if TROUBLE == "hangs opening":
            _hang()
        self._rate_hz, self._outputs, self._callback = samplerate, channels[1], callback
        self._aborted = False

    def start(self) -> None:
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        echo = np.zeros((BLOCK, 1), np.float32)
        begun_s, lost_s = time.monotonic(), 0.0
        for block in range(100_000):
            if block == TROUBLE_BLOCK and TROUBLE in ("quiet", "hangs closing"):
                return
            if block == TROUBLE_BLOCK and TROUBLE == "crashes":
                os.abort()
            if block == TROUBLE_BLOCK and TROUBLE == "drops":
                lost_s = LOST_S
            time.sleep(max(0.0, begun_s + lost_s + block * BLOCK / self._rate_hz - time.monotonic()))
            if self._aborted:
                return
            lost = TROUBLE == "overflows" and block == TROUBLE_BLOCK
            status = SimpleNamespace(
                input_overflow=lost, input_underflow=False, output_underflow=False, output_overflow=False
            )
            out = np.zeros((BLOCK, self._outputs), np.float32)
            try:
                self._callback(echo, out, BLOCK, None, status)
            except CallbackStop:
                return
            if np.any(out) and "FAKE_LOG" in os.environ:
                with open(os.environ["FAKE_LOG"], "a", encoding="ascii") as log:
                    log.write(f"{time.monotonic()}\n")
            echo = 0.5 * out.sum(axis=1, keepdims=True)

    def abort(self) -> None:
        if TROUBLE == "hangs closing":
            _hang()
        self._aborted = True

    def close(self) -> None:
        self.abort()
