"""A room without hardware: a client of a JACK server that takes the loudspeakers' signals and gives the microphone's.

Run as a script: `jack_room.py OUTPUTS LOG`. It writes one row for each cycle to LOG (float64): the computer's monotonic
time, the peak of what all loudspeakers play, and how often the server has reported lost blocks (xruns). Lines on standard input make trouble: `noise` (the microphone hears
noise alone), `sound` (as before), `stall S` (the client sleeps for S seconds, so that the server drops blocks),
`skip N` (N samples of the microphone's signal are lost and nothing reports it), `leave` (the client is gone, as a device
that is unplugged).
"""

from __future__ import annotations

import ctypes
import os
import sys
import time
from typing import Any

import numpy as np

NAME = b"room"
PATHS = ((144, 0.5), (700, 0.15), (1600, 0.08))
"""Direct sound and two reflections: delay in samples, gain."""
NOISE_FS = 1e-4
ROWS = 200_000
AUDIO = b"32 bit float mono audio"
INPUT, OUTPUT = 1, 2  # JackPortIsInput, JackPortIsOutput
NO_SERVER = 1  # JackNoStartServer


class Room:
    """The client; its process callback is all that moves."""

    def __init__(self, outputs: int, log: str) -> None:
        self._jack = jack = ctypes.CDLL("libjack.so.0")
        jack.jack_client_open.restype = ctypes.c_void_p
        jack.jack_port_register.restype = ctypes.c_void_p
        jack.jack_port_register.argtypes = [
            ctypes.c_void_p,
            ctypes.c_char_p,
            ctypes.c_char_p,
            ctypes.c_ulong,
            ctypes.c_ulong,
        ]
        jack.jack_port_get_buffer.restype = ctypes.c_void_p
        jack.jack_port_get_buffer.argtypes = [ctypes.c_void_p, ctypes.c_uint32]
        for name in ("jack_activate", "jack_client_close", "jack_set_process_callback", "jack_set_xrun_callback"):
            getattr(jack, name).argtypes = [ctypes.c_void_p, *([ctypes.c_void_p] * 2 if "set" in name else [])]
        status = ctypes.c_int()
        for _ in range(100):  # until the server is up
            self._client = jack.jack_client_open(NAME, NO_SERVER, ctypes.byref(status))
            if self._client:
                break
            time.sleep(0.05)
        else:
            sys.exit(f"no JACK server (status {status.value})")
        self._inputs = [self._port(f"loudspeaker_{k + 1}", INPUT) for k in range(outputs)]
        self._microphone = self._port("microphone", OUTPUT)
        self._log = np.memmap(log, np.float64, "w+", shape=(ROWS, 3))
        self._row = self._xruns = 0
        self._past = np.zeros(48000, np.float32)
        self._noise = (NOISE_FS * np.random.default_rng(1).standard_normal(48000)).astype(np.float32)
        self.noise_alone, self.stall_s, self.skip = False, 0.0, 0
        self._behind = 4096
        """Samples by which the microphone is late, so that some can be skipped."""
        self._callback = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_uint32, ctypes.c_void_p)(self._process)
        jack.jack_set_process_callback(self._client, ctypes.cast(self._callback, ctypes.c_void_p), None)
        self._xrun_callback = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p)(self._note_xrun)
        jack.jack_set_xrun_callback(self._client, ctypes.cast(self._xrun_callback, ctypes.c_void_p), None)
        jack.jack_activate(self._client)

    def _port(self, name: str, flags: int) -> Any:
        return self._jack.jack_port_register(self._client, name.encode(), AUDIO, flags, 0)

    def _buffer(self, port: Any, frames: int) -> Any:
        address = self._jack.jack_port_get_buffer(port, frames)
        return np.ctypeslib.as_array((ctypes.c_float * frames).from_address(address))

    def _note_xrun(self, _: Any) -> int:
        self._xruns += 1
        return 0

    def _process(self, frames: int, _: Any) -> int:
        if self.stall_s:
            time.sleep(self.stall_s)
            self.stall_s = 0.0
        played = sum(self._buffer(port, frames) for port in self._inputs)
        if self._row < ROWS:
            self._log[self._row] = time.monotonic(), np.max(np.abs(played)), self._xruns
            self._row += 1
        self._past = np.concatenate((self._past[frames:], played))
        if self.skip:
            self._behind -= self.skip
            self.skip = 0
        heard = np.roll(self._noise, 977 * self._row)[:frames].copy()
        if not self.noise_alone:
            end = len(self._past) - self._behind
            for delay, gain in PATHS:
                heard += gain * self._past[end - delay - frames : end - delay]
        self._buffer(self._microphone, frames)[:] = heard
        return 0

    def leave(self) -> None:
        if self._client:
            self._jack.jack_client_close(self._client)
        self._client = None


def main() -> None:
    room = Room(int(sys.argv[1]), sys.argv[2])
    print("ready", flush=True)
    for line in sys.stdin:
        word, *rest = line.split()
        if word in ("noise", "sound"):
            room.noise_alone = word == "noise"
        elif word == "stall":
            room.stall_s = float(rest[0])
        elif word == "skip":
            room.skip = int(rest[0])
        elif word == "leave":
            room.leave()
    room.leave()
    os._exit(0)


if __name__ == "__main__":
    main()
