"""Checks that a recording is complete. Rooms come from simulators that share no code with the analysis, and from open
data.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from open_data import LIVING_ROOM, NO_DATA, measured_room
from rooms import matrix
from scipy import fft
from scipy.signal import butter, oaconvolve, resample_poly, sosfilt

from commission.audio.recording_checks import (
    LARGEST_STEP_S,
    Block,
    arrival_step,
    clock_step_s,
    content_problem,
    silence_s,
    transport_problem,
)
from commission.dsp.sweep import sweep_deconvolver, sweep_signal
from commission.model import Sweep

RATE = 48000
SWEEP = Sweep(duration_s=3.0, rate_hz=RATE, level_dbfs=-20.0)
START, TAIL = RATE // 2, round(1.2 * RATE)
NOISE_FS = 10 ** (-80 / 20)
FLAT = np.r_[np.zeros(700), 1.0, np.zeros(300)]


def recorded(impulse: np.ndarray, noise_fs: float = NOISE_FS, seed: int = 1) -> np.ndarray:
    """A microphone's recording of the sweep, with white noise. [shape=(n,)]"""
    played = np.concatenate((np.zeros(START), sweep_signal(SWEEP), np.zeros(TAIL)))
    heard = oaconvolve(played, impulse)[: len(played)]
    return heard + noise_fs * np.random.default_rng(seed).standard_normal(len(played))


def problem(recording: np.ndarray) -> str | None:
    return content_problem(recording, SWEEP, START, START + len(sweep_signal(SWEEP)) + TAIL)


def frame_of(freq_hz: float) -> int:
    """The sample at which the sweep passes a frequency: exponential, from 20 Hz to 20 kHz."""
    return START + round(SWEEP.duration_s * RATE * np.log(freq_hz / 20.0) / np.log(1000.0))


@cache
def room(seed: int, simulator: str, every: int = 4) -> np.ndarray:
    """Responses of the main loudspeakers at the seats: every `every`-th place. [shape=(k, n)]"""
    installation = matrix.cached_installation(seed, simulator, matrix.default_cache())
    mains = [c for c in installation.channels if installation.scene.place(c).role != "sub"]
    places = [(c, s) for c in mains for s in installation.seat_ids][::every]
    impulses = [
        resample_poly(installation.impulse(installation.healthy, *place), RATE, installation.scene.capture.rate_hz)
        for place in places
    ]
    return 0.1 * np.array(impulses) / np.max(np.abs(impulses))


@pytest.mark.parametrize(("seed", "simulator"), [(2, "pra"), (6, "modes")])
def test_a_whole_recording_of_a_healthy_room_is_accepted(seed: int, simulator: str) -> None:
    for k, impulse in enumerate(room(seed, simulator)):
        recording = recorded(impulse, seed=k)
        assert problem(recording) is None
        step_s, _ = measured_step(recording)
        assert abs(step_s) < 0.009  # as stated in the docstring of the threshold


def measured_step(recording: np.ndarray) -> tuple[float, float]:
    inverse = sweep_deconvolver(SWEEP, len(recording))
    return arrival_step(inverse.spectra(recording[None].astype(np.float32))[0], RATE / inverse.length)


def real_rooms() -> list[np.ndarray]:
    """A living room, and both ears of a dummy head in another room, facing and turned away from the loudspeaker (open
    data).
    """
    import soundfile

    samples, rate = soundfile.read(LIVING_ROOM, always_2d=True)
    ears = measured_room()[0][::12].reshape(8, -1)
    found = [resample_poly(samples[:, 0], RATE, rate), *resample_poly(ears, RATE, 16000, axis=-1)]
    return [0.1 * each / np.max(np.abs(each)) for each in found]


@pytest.mark.skipif(not LIVING_ROOM.is_file(), reason=NO_DATA)
def test_real_rooms_are_accepted() -> None:
    for impulse in real_rooms():
        recording = recorded(impulse)
        assert problem(recording) is None
        assert abs(measured_step(recording)[0]) < 0.003  # as stated in the docstring of the threshold


def test_a_subwoofer_and_a_dull_or_a_quiet_loudspeaker_are_accepted() -> None:
    for corners in ((25, 90), (80, 3000)):
        band = sosfilt(butter(2, corners, "band", fs=RATE, output="sos"), np.r_[1.0, np.zeros(RATE // 2)])
        assert problem(recorded(band)) is None
    assert problem(recorded(10 ** (-30 / 20) * FLAT)) is None


def test_treble_by_way_of_the_ceiling_is_accepted() -> None:
    """A detour of 3.4 m, 10 ms, is the longest in a room 4 m high (geometry of a mirror source)."""
    low = sosfilt(butter(4, 500, fs=RATE, output="sos"), FLAT)
    high = sosfilt(butter(4, 500, "high", fs=RATE, output="sos"), FLAT)
    assert problem(recorded(np.pad(low, (0, 480)) + np.pad(high, (480, 0)))) is None


def test_noise_before_and_a_coarse_converter_are_accepted() -> None:
    recording = recorded(FLAT)
    talk = np.zeros(len(recording))
    talk[4800:START] = 10 ** (15 / 20) * NOISE_FS * np.random.default_rng(2).standard_normal(START - 4800)
    assert problem(recording + talk) is None
    coarse = (
        np.round(recorded(0.05 * FLAT, noise_fs=1e-6) * 2**15) / 2**15
    )  # 16 bits: digital silence around the sweep
    assert not coarse[:START].any()
    assert problem(coarse) is None


@pytest.mark.parametrize("impulse", [FLAT, None], ids=["flat", "room"])
@pytest.mark.parametrize("freq_hz", [40.0, 300.0, 1000.0, 8000.0])
def test_lost_sound_filled_with_silence_is_refused(impulse: np.ndarray | None, freq_hz: float) -> None:
    recording = recorded(room(2, "pra")[0] if impulse is None else impulse)
    for length, fill in ((1024, 0.0), (1024, 0.02), (RATE, 0.0)):
        broken = recording.copy()
        broken[frame_of(freq_hz) :][:length] = fill
        assert "falls silent" in (problem(broken) or ""), (length, fill)
    assert silence_s(broken, START, RATE) == pytest.approx(frame_of(freq_hz) / RATE, abs=0.011)


def test_a_gap_is_detected_without_noise() -> None:
    recording = recorded(FLAT, noise_fs=0.0)
    assert problem(recording) is None
    recording[frame_of(1000) :][:1024] = 0.0
    assert "falls silent" in (problem(recording) or "")


@pytest.mark.parametrize("freq_hz", [30.0, 500.0, 3000.0, 15000.0])
def test_a_device_that_vanishes_is_refused(freq_hz: float) -> None:
    """From there on the recording holds exact silence, or only the preamplifier's own noise."""
    recording = recorded(FLAT)
    for noise_fs in (0.0, NOISE_FS / 20):
        broken = recording.copy()
        rest = broken[frame_of(freq_hz) :]
        rest[:] = noise_fs * np.random.default_rng(3).standard_normal(len(rest))
        assert problem(broken) is not None


@pytest.mark.parametrize("freq_hz", [1000.0, 2000.0, 3500.0])
@pytest.mark.parametrize("lost", [1024, 4096, -1024])
def test_lost_or_repeated_blocks_that_nothing_reports_are_refused(freq_hz: float, lost: int) -> None:
    """After a lost block the rest comes earlier; after a repeated block it comes later."""
    at = frame_of(freq_hz)
    recording = recorded(np.pad(FLAT, (0, RATE // 4)) + 0.1 * _tail())
    broken = np.concatenate((recording[:at], recording[at + lost :]))
    broken = np.pad(broken, (0, max(0, lost)), mode="reflect")[: len(recording)]
    assert "arrive" in (problem(broken) or "")
    step_s, hertz = measured_step(broken)
    # 3 ms and half an octave: the width of the bands. A block of 1024 samples is 21 ms.
    assert -step_s == pytest.approx(lost / RATE, abs=0.003)
    assert hertz == pytest.approx(freq_hz, rel=0.5)
    assert abs(step_s) > LARGEST_STEP_S


def _tail() -> np.ndarray:
    """A decay of T = 0.3 s behind the direct sound. [shape=(n,)]"""
    time_s = np.arange(RATE // 4 + len(FLAT)) / RATE
    noise = np.random.default_rng(4).standard_normal(len(time_s)) * 10 ** (-3 * time_s / 0.3)
    noise[:1000] = 0.0
    return noise


def test_noise_alone_and_another_signal_are_refused() -> None:
    frames = START + len(sweep_signal(SWEEP)) + TAIL
    rng = np.random.default_rng(5)
    white = 0.01 * rng.standard_normal(frames)
    pink = fft.irfft(fft.rfft(white) / np.sqrt(np.arange(1, frames // 2 + 2)), frames)
    for noise in (white, 0.05 * pink / np.std(pink), recorded(FLAT, noise_fs=0.0)[::-1]):
        assert problem(noise) is not None
    assert "only noise" in (problem(white) or "")
    assert "only noise" in (problem(recorded(1e-4 * FLAT, noise_fs=1e-3)) or "")


def test_clipped_silent_and_short_recordings_are_refused() -> None:
    recording = recorded(FLAT)
    assert "clipped" in (problem(np.clip(20 * recording, -1, 1)) or "")
    assert "clipped" in (problem(np.clip(recording, -0.08, 0.08)) or "")  # in front of the converter
    assert "nothing was heard" in (problem(1e-5 * recording) or "")
    assert "delivered" in (problem(recording[:-1000]) or "")
    recording[7] = np.nan
    assert "not numbers" in (problem(recording) or "")


# --- blocks ------------------------------------------------------------------------------------------------------


def blocks(
    late_s: np.ndarray | float = 0.0, length: int = 512, count: int = 500, rate_hz: float = RATE
) -> list[Block]:
    late = np.broadcast_to(late_s, count)
    return [Block(k * length, length, 100.0 + k * length / rate_hz + float(late[k])) for k in range(count)]


def transport(given: list[Block], lost_input: tuple[int, ...] = (), lost_output: tuple[int, ...] = ()) -> str | None:
    return transport_problem(given, lost_input, lost_output, frames=500 * 512, sounds_from=START, rate_hz=RATE)


def test_blocks_on_time_are_accepted_with_any_jitter() -> None:
    rng = np.random.default_rng(6)
    assert transport(blocks()) is None
    assert transport(blocks(rng.exponential(0.01, 500))) is None
    assert transport(blocks(np.where(np.arange(500) % 8 == 0, 0.0, 0.08) * rng.random(500))) is None  # bursts
    stall = np.clip(0.4 - np.abs(np.arange(500) - 250) * 512 / RATE, 0, None)  # caught up: nothing was lost
    assert transport(blocks(stall)) is None
    assert transport(blocks(rate_hz=RATE * 1.0002)) is None  # two clocks
    assert transport(blocks(np.where(np.arange(500) >= 495, 0.05, 0.0))) is None  # busy at the very end
    assert transport(blocks(), lost_input=(0, 512), lost_output=(0,)) is None  # before the sweep


def test_lost_blocks_are_refused_whether_the_device_reports_them_or_not() -> None:
    assert "lost a block of sound 1.0 s" in (transport(blocks(), lost_input=(48128,)) or "")
    assert "lost 2 blocks" in (transport(blocks(), lost_input=(48128,), lost_output=(99840,)) or "")
    jitter = np.random.default_rng(7).exponential(0.004, 500)
    late = jitter + np.where(np.arange(500) > 200, 512 / RATE, 0.0)
    assert "11 ms of sound are missing" in (transport(blocks(late)) or "")
    assert "twice" in (transport(blocks(late[::-1].copy())) or "")
    assert "delivered 255488 of 256000" in (transport(blocks()[:-1]) or "")
    assert clock_step_s([], RATE) == 0.0
