"""The rehearsal room as a rig: plays into a simulated room and returns the microphone's recording."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from commission.model import Cancelled, CancelToken, FloatArray, Progress, Signal

NOISE_FS = 10 ** (-92 / 20)
"""Noise of room and microphone, rms re full scale."""
BLOCK_FRAMES = 4800


class SimulatedRig:
    """`model.Rig` at one seat. `responses(output)` gives the impulse response from one output to the microphone."""

    name = "rehearsal room"

    def __init__(
        self,
        responses: Callable[[int], FloatArray],
        seed: int = 1,
        realtime: float = 0.0,
        latency_frames: int = 0,
        room_noise: Callable[[int, float], FloatArray] | None = None,
    ) -> None:
        """`realtime` 1.0 takes as long as a real measurement, 0.0 no time.

        `room_noise(frames, rate_hz)`: what the room itself sounds like; None: nothing but the noise of the
        microphone.
        """
        self._responses, self._seed, self._realtime = responses, seed, realtime
        self._latency, self._room_noise = latency_frames, room_noise

    def play_record(self, out: Signal, cancel: CancelToken, progress: Progress) -> Signal:
        """Play and record; a cancel stops the sound and raises Cancelled."""
        from scipy.signal import oaconvolve

        frames = out.samples.shape[-1]
        for start in range(0, frames, BLOCK_FRAMES):
            if cancel.wait(self._realtime * BLOCK_FRAMES / out.rate_hz) if self._realtime else cancel.is_set():
                raise Cancelled
            progress(start / frames, "playing")
        heard = np.zeros(frames)
        for output, samples in enumerate(out.samples):
            if np.any(samples):
                heard += oaconvolve(samples, self._responses(output))[:frames]
        if self._latency:
            heard = np.concatenate((np.zeros(self._latency), heard))[:frames]
        if self._room_noise is not None:
            heard += self._room_noise(frames, out.rate_hz)
        heard += NOISE_FS * np.random.default_rng(self._seed).standard_normal(frames)
        progress(1.0, "")
        return Signal(samples=np.clip(heard, -1.0, 1.0)[None], rate_hz=out.rate_hz)
