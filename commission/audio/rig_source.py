"""Turns a rig into a source of recordings, with the same sweep, level ceiling, fades and checks for device and
rehearsal.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Literal

import numpy as np

from commission.audio.recording_checks import CLIPPED_FS, content_problem
from commission.dsp.sweep import sweep_signal
from commission.model import (
    CancelToken,
    Capture,
    CommissionError,
    FloatArray,
    Job,
    Progress,
    ResponseStored,
    Rig,
    Signal,
    Sweep,
    UnusableError,
)
from commission.model.noise_states import RECORDING_S

START_DBFS = -30.0
"""Peak of the first sweep: in most rooms well below speech at the listener."""
CEILING_DBFS = -12.0
"""The highest level ever played, to protect amplifiers and hearing."""
PRE_ROLL_S, TAIL_S = 0.5, 1.2
NOISE_LEAD_S = 2.0
"""Omitted before a noise recording: the key that began it, and the device's start."""


class RigSource:
    """`model.Source`: plays one sweep on one channel and records it at the microphone's seat."""

    def __init__(
        self,
        job: Job,
        rig_at: Callable[[str, str], Rig],
        source: Literal["rig", "rehearsal"],
        name: str,
        level_dbfs: float = START_DBFS,
        common_clock: bool = False,
        noise_rig_at: Callable[[str, str, str], Rig] | None = None,
    ) -> None:
        """`rig_at(seat, round)` gives the rig with its microphone there; `common_clock` if its latency is constant.

        `noise_rig_at(seat, round, state)`: the rig for recordings of noise, where the state makes a difference to it.
        """
        self.name = name
        self._job, self._rig_at, self._source, self._common_clock = job, rig_at, source, common_clock
        self._level_dbfs = min(level_dbfs, CEILING_DBFS)
        self._noise_rig_at = noise_rig_at or (lambda seat, round_id, _: rig_at(seat, round_id))

    def why_not(self, capture: Capture) -> str | None:
        """Why a channel cannot be played; None if it can."""
        if self._job.system.channel(capture.channel) is None:
            return f"{capture.channel} is not a channel of this job"
        return None

    def measure(
        self, capture: Capture, round_id: str, cancel: CancelToken, progress: Progress
    ) -> tuple[tuple[ResponseStored, ...], dict[str, bytes]]:
        """Play the sweep at each level, record it, check it; an event for each and their recordings.

        No level is above the ceiling. Raises CommissionError before playback if the louder recording would clip.
        """
        bodies: list[ResponseStored] = []
        blobs: dict[str, bytes] = {}
        peak_fs, before_db = 0.0, 0.0
        for k, level_db in enumerate(capture.levels_db):
            louder_db = min(level_db, CEILING_DBFS - self._level_dbfs)
            if bodies and louder_db <= before_db:
                break  # the ceiling is reached
            if peak_fs * 10 ** ((louder_db - before_db) / 20) >= CLIPPED_FS:
                raise CommissionError(
                    f"{capture.channel} at {capture.seat}: {louder_db:+.0f} dB would clip the input, and was not played. "
                    "Nothing was stored; turn the microphone's gain down and measure both levels again."
                )

            def part(fraction: float, text: str, k: int = k, louder_db: float = louder_db) -> None:
                loud = f"⚠ {louder_db:+.0f} dB " if louder_db > 0 else ""
                progress((k + fraction) / len(capture.levels_db), f"{loud}{text}".strip())

            body, blob, peak_fs = self._measured_at(louder_db, capture, round_id, cancel, part)
            before_db = louder_db
            bodies.append(body)
            blobs |= blob
        return tuple(bodies), blobs

    def _measured_at(
        self, louder_db: float, capture: Capture, round_id: str, cancel: CancelToken, progress: Progress
    ) -> tuple[ResponseStored, dict[str, bytes], float]:
        """(event, recordings, peak re full scale) of one sweep played `louder_db` above the first level."""
        sweep = replace(self._job.system.sweep or Sweep(), level_dbfs=self._level_dbfs + louder_db)
        rate_hz = sweep.rate_hz
        signal = sweep_signal(sweep)
        pre, tail = round(PRE_ROLL_S * rate_hz), round(TAIL_S * rate_hz)
        out = np.zeros((self._outputs(), pre + len(signal) + tail))
        out[self._output(capture.channel), pre : pre + len(signal)] = signal
        rig = self._rig_at(capture.seat, round_id)
        heard = rig.play_record(Signal(samples=out, rate_hz=rate_hz), cancel, progress).samples[0]
        problem = content_problem(heard, sweep, pre, out.shape[-1])
        if problem is not None:
            raise CommissionError(f"{capture.channel} at {capture.seat}: {problem}")
        sha256, data = _stored(heard, rate_hz)
        body = ResponseStored(
            round=round_id,
            channel=capture.channel,
            seat=capture.seat,
            kind="sweep",
            file_name=f"{round_id}-{capture.seat}-{capture.channel}{f'_{louder_db:+g}dB' if louder_db else ''}.flac",
            file_sha256=sha256,
            rate_hz=rate_hz,
            frames=len(heard),
            clock=f"{self._source} {round_id}" if self._common_clock else None,
            origin_frame=pre,
            passes_delays=self._job.system.processor.sweeps_pass_delays,
            sweep=replace(sweep, level_dbfs=self._level_dbfs),
            source=self._source,
            drive_db=louder_db or None,
        )
        return body, {sha256: data}, float(np.max(np.abs(heard)))

    def record_noise(
        self, seat: str, state: str, round_id: str, cancel: CancelToken, progress: Progress
    ) -> tuple[ResponseStored, dict[str, bytes]]:
        """Record and check the room's noise at a seat; the event and its recording. Nothing is played.

        `state` names what is switched on. Raises CommissionError for a recording that clips or that cannot be
        analysed.
        """
        from commission.dsp.background import background

        rate_hz = (self._job.system.sweep or Sweep()).rate_hz
        lead, frames = round(NOISE_LEAD_S * rate_hz), round(RECORDING_S * rate_hz)
        silence = Signal(samples=np.zeros((1, lead + frames)), rate_hz=rate_hz)
        rig = self._noise_rig_at(seat, round_id, state)
        heard = rig.play_record(silence, cancel, lambda f, _: progress(f, "recording"))
        noise = np.round(heard.samples[0][lead:] * 2.0**23) / 2.0**23  # quantised as in the FLAC
        try:
            clipped = background(noise, rate_hz).clipped
        except UnusableError as error:
            raise CommissionError(f"Nothing was stored: the recording cannot be used, because {error}.") from error
        if clipped:
            raise CommissionError(
                "Nothing was stored: the recording clips. Lower the gain of the input, record again."
            )
        sha256, data = _stored(noise, rate_hz)
        words = "-".join(re.findall(r"\w+", state)) or "state"
        body = ResponseStored(
            round=round_id,
            channel="",
            seat=seat,
            kind="noise",
            file_name=f"{round_id}-{seat}-noise-{words}.flac",
            file_sha256=sha256,
            rate_hz=rate_hz,
            frames=len(noise),
            source=self._source,
            state=state,
        )
        return body, {sha256: data}

    def _outputs(self) -> int:
        return max(self._output(channel.id) for channel in self._job.system.channels) + 1

    def _output(self, channel_id: str) -> int:
        """Index of the output: as noted (counted from 1), else the channel's position in the job."""
        channels = self._job.system.channels
        index = next(i for i, channel in enumerate(channels) if channel.id == channel_id)
        output = channels[index].output
        return index if output is None else output - 1


def _stored(samples: FloatArray, rate_hz: float) -> tuple[str, bytes]:
    """SHA-256 and bytes of the FLAC that the job stores, from samples [shape=(n,)]."""
    import soundfile

    buffer = io.BytesIO()
    soundfile.write(buffer, samples, round(rate_hz), format="FLAC", subtype="PCM_24")
    data = buffer.getvalue()
    return hashlib.sha256(data).hexdigest(), data
