"""A room without hardware: a JACK client that receives the loudspeakers' signals and sends the microphone's.

Run as a script: `jack_room.py OUTPUTS LOG LOSSES`. It writes one row for each cycle to LOG (float64): the computer's
monotonic time and the peak of what all loudspeakers play. To LOSSES it writes the time of each report of lost blocks
(xrun); a second client receives these reports, so that they are noted after the room has left. Lines on standard input
cause faults: `noise` (the microphone hears noise alone), `sound` (as before), `stall S` (the client sleeps for S seconds,
so that the server drops blocks), `skip N` (N samples of the microphone's signal are lost and nothing reports it), `leave`
(the client disconnects, like an unplugged device).
"""

from __future__ import annotations

import ctypes
import os
import sys
import time
from typing import Any

import numpy as np

PATHS = ((144, 0.5), (700, 0.15), (1600, 0.08))
"""Direct sound and two reflections: delay in samples, gain."""
NOISE_FS = 1e-4
BEHIND = 4096
"""Samples by which the microphone is late, so that some can be skipped."""
ROWS = 200_000
LOSSES = 10_000
AUDIO = b"32 bit float mono audio"
INPUT, OUTPUT = 1, 2  # JackPortIsInput, JackPortIsOutput
NO_SERVER = 1  # JackNoStartServer
POINTER = ctypes.c_void_p


class Client:
    """A client of the server, known by its name, with a callback for one kind of event."""

    def __init__(self, name: str) -> None:
        self._jack = jack = ctypes.CDLL("libjack.so.0")
        jack.jack_client_open.restype = jack.jack_port_register.restype = POINTER
        jack.jack_port_register.argtypes = [POINTER, ctypes.c_char_p, ctypes.c_char_p, ctypes.c_ulong, ctypes.c_ulong]
        jack.jack_port_get_buffer.restype = POINTER
        jack.jack_port_get_buffer.argtypes = [POINTER, ctypes.c_uint32]
        jack.jack_activate.argtypes = jack.jack_client_close.argtypes = [POINTER]
        jack.jack_set_process_callback.argtypes = jack.jack_set_xrun_callback.argtypes = [POINTER] * 3
        status = ctypes.c_int()
        for _ in range(100):  # until the server is up
            self._client = jack.jack_client_open(name.encode(), NO_SERVER, ctypes.byref(status))
            if self._client:
                break
            time.sleep(0.05)
        else:
            sys.exit(f"no JACK server (status {status.value})")

    def _activate(self, event: str, callback: Any) -> None:
        self._callback = callback
        set_callback = getattr(self._jack, f"jack_set_{event}_callback")
        set_callback(self._client, ctypes.cast(callback, POINTER), None)
        self._jack.jack_activate(self._client)

    def leave(self) -> None:
        if self._client:
            self._jack.jack_client_close(self._client)
        self._client = None


class Losses(Client):
    """Writes the times at which the server reports lost blocks."""

    def __init__(self, log: str) -> None:
        super().__init__("losses")
        self._log, self._count = np.memmap(log, np.float64, "w+", shape=LOSSES), 0
        self._activate("xrun", ctypes.CFUNCTYPE(ctypes.c_int, POINTER)(self._note))

    def _note(self, _: Any) -> int:
        if self._count < LOSSES:
            self._log[self._count] = time.monotonic()
            self._count += 1
        return 0


class Room(Client):
    """Loudspeakers and a microphone, simulated in the process callback."""

    def __init__(self, outputs: int, log: str) -> None:
        super().__init__("room")
        self._inputs = [self._port(f"loudspeaker_{k + 1}", INPUT) for k in range(outputs)]
        self._microphone = self._port("microphone", OUTPUT)
        self._log = np.memmap(log, np.float64, "w+", shape=(ROWS, 2))
        self._row = 0
        self._past = np.zeros(48000, np.float32)
        self._noise = (NOISE_FS * np.random.default_rng(1).standard_normal(48000)).astype(np.float32)
        self.noise_alone, self.stall_s, self.skip = False, 0.0, 0
        self.behind = BEHIND
        self._activate("process", ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_uint32, POINTER)(self._process))

    def _port(self, name: str, flags: int) -> Any:
        return self._jack.jack_port_register(self._client, name.encode(), AUDIO, flags, 0)

    def _buffer(self, port: Any, frames: int) -> Any:
        address = self._jack.jack_port_get_buffer(port, frames)
        return np.ctypeslib.as_array((ctypes.c_float * frames).from_address(address))

    def _process(self, frames: int, _: Any) -> int:
        if self.stall_s:
            time.sleep(self.stall_s)
            self.stall_s = 0.0
        played = sum(self._buffer(port, frames) for port in self._inputs)
        if self._row < ROWS:
            self._log[self._row] = time.monotonic(), np.max(np.abs(played))
            self._row += 1
        self._past = np.concatenate((self._past[frames:], played))
        if self.skip:
            self.behind -= self.skip
            self.skip = 0
        heard = np.roll(self._noise, 977 * self._row)[:frames].copy()
        if not self.noise_alone:
            end = len(self._past) - self.behind
            for delay, gain in PATHS:
                heard += gain * self._past[end - delay - frames : end - delay]
        self._buffer(self._microphone, frames)[:] = heard
        return 0


def main() -> None:
    room, losses = Room(int(sys.argv[1]), sys.argv[2]), Losses(sys.argv[3])
    print("ready", flush=True)
    for line in sys.stdin:
        word, *rest = line.split()
        if word in ("noise", "sound"):
            room.noise_alone = word == "noise"
            room.behind = BEHIND
        elif word == "stall":
            room.stall_s = float(rest[0])
        elif word == "skip":
            room.skip = int(rest[0])
        elif word == "leave":
            room.leave()
    room.leave()
    losses.leave()
    os._exit(0)


if __name__ == "__main__":
    main()
