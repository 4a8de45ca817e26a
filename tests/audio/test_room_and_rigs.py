"""The simulated room against physics and another simulator; the simulated rig; test signals."""

from __future__ import annotations

import io
import math
import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile
from builders import cinema, defined, job_of

from commission.audio.rehearsal import rehearsal_events, rehearsal_seed, rehearsal_source
from commission.audio.rig_source import CEILING_DBFS, RigSource
from commission.audio.room import OCTAVES_HZ, SimulatedRoom, Speaker, Walls, eyring_t60_s
from commission.audio.room_noise import FULL_SCALE_DB, has_hum, state_noise
from commission.audio.signals import write_signals
from commission.audio.simulated import SimulatedRig
from commission.dsp.analysis import analyse
from commission.dsp.background import background
from commission.model import (
    Cancelled,
    Capture,
    CommissionError,
    NoiseAnalysis,
    Response,
    ResponseStored,
    Room,
    Signal,
    Sweep,
)

ROOM = Room(length_m=6.4, width_m=4.7, height_m=2.6)
RATE = 48000


def test_direct_sound_follows_distance() -> None:
    """Twice as far means half the amplitude, and a delay given by the speed of sound."""
    room = SimulatedRoom(ROOM, 20.0, walls=Walls((0.999,) * 9, (0.999,) * 9, (0.999,) * 9))
    source = Speaker(position_m=(0.0, 0.5, 1.3), role="screen")
    near, far = (room.response(source, (0.0, 0.5 + d, 1.3)) for d in (1.5, 3.0))
    a, b = (analyse(Response(impulse=h + 1e-9, rate_hz=RATE)) for h in (near, far))
    assert a.level_db is not None
    assert b.level_db is not None
    # 0.3 dB: walls that absorb 99.9 % of the energy still send 3 % of the amplitude back.
    assert a.level_db - b.level_db == pytest.approx(20 * math.log10(2), abs=0.3)
    assert a.arrival_s is not None
    assert b.arrival_s is not None
    assert b.arrival_s - a.arrival_s == pytest.approx(1.5 / 343.2, abs=2e-5)


def test_decay_is_near_eyring() -> None:
    """Schroeder integration from −5 to −25 dB, octave 500 Hz, against Eyring's formula."""
    from scipy.signal import butter, sosfiltfilt

    h = SimulatedRoom(ROOM, 20.0, seconds=0.8).response(
        Speaker(position_m=(-1, 0.4, 1), role="screen"), (0.7, 4.6, 1.2)
    )
    band = sosfiltfilt(butter(3, [354, 707], "band", fs=RATE, output="sos"), h)
    curve = 10 * np.log10(np.cumsum(band[::-1] ** 2)[::-1] / np.sum(band**2))
    first, last = np.argmax(curve < -5), np.argmax(curve < -25)
    expected = eyring_t60_s(ROOM, Walls())[3]
    # 40 %: one position in a small room, where Eyring's diffuse field is a rough guide (0.8 to 1.3 of it at other positions).
    assert 3 * (last - first) / RATE == pytest.approx(expected, rel=0.4)


def test_octave_levels_agree_with_another_simulator() -> None:
    """pyroomacoustics, image sources of the same absorption; only ratios are compared, since it scales by 1/(4π)."""
    pra = pytest.importorskip("pyroomacoustics")
    alpha = 0.4
    walls = Walls((alpha,) * 9, (alpha,) * 9, (alpha,) * 9)
    ours = SimulatedRoom(ROOM, 20.0, seconds=0.4, walls=walls)
    levels = []
    for ears in ((0.0, 2.0, 1.2), (1.1, 5.0, 1.3)):
        h = ours._green((-1.2, 0.6, 1.0), ears)
        from scipy import fft

        mine = fft.irfft(h, ours.length)[: int(0.06 * RATE)]
        box = pra.ShoeBox([4.7, 6.4, 2.6], fs=RATE, materials=pra.Material(alpha), max_order=14, air_absorption=False)
        box.set_sound_speed(ours.speed_m_s)
        box.add_source([-1.2 + 2.35, 0.6, 1.0])
        box.add_microphone([ears[0] + 2.35, ears[1], ears[2]])
        box.compute_rir()
        theirs = np.asarray(box.rir[0][0])[40 : 40 + int(0.06 * RATE)]  # its filters delay by 40 samples
        levels.append(
            [
                [
                    10 * np.log10(np.sum(np.abs(np.fft.rfft(x, RATE))[int(f / 1.41) : int(f * 1.41)] ** 2))
                    for f in OCTAVES_HZ[3:7]
                ]
                for x in (mine, theirs)
            ]
        )
    (near_ours, near_theirs), (far_ours, far_theirs) = np.array(levels)
    # 0.5 dB: the images end at 60 ms with a fade here and at 60 ms with a cut there (0.46 dB at such an edge).
    np.testing.assert_allclose(near_ours - far_ours, near_theirs - far_theirs, atol=0.5)


def test_the_rehearsal_gives_the_same_room_for_the_same_number() -> None:
    assert rehearsal_events(5) == rehearsal_events(5)
    assert rehearsal_events(5) != rehearsal_events(6)
    assert rehearsal_seed(job_of(*rehearsal_events(5))) == 5
    assert rehearsal_seed(job_of(defined(cinema()))) is None
    assert rehearsal_source(job_of(defined(cinema()))) is None


def test_measuring_in_the_rehearsal_room() -> None:
    job = job_of(*rehearsal_events(2))
    source = rehearsal_source(job)
    assert source is not None
    capture = Capture(channel="FC", seat="A2", text="")
    assert source.why_not(capture) is None
    assert "not a channel" in (source.why_not(Capture(channel="XX", seat="A2", text="")) or "")
    (body,), blobs = source.measure(capture, "as-found", threading.Event(), lambda f, t: None)
    samples, rate = soundfile.read(io.BytesIO(blobs[body.file_sha256]))
    assert rate == body.rate_hz
    assert len(samples) == body.frames
    assert body.source == "rehearsal"
    stop = threading.Event()
    stop.set()
    with pytest.raises(Cancelled):
        source.measure(capture, "as-found", stop, lambda f, t: None)


class Loopback:
    """A rig that returns what was played, times `gain`, and keeps it."""

    name = "loopback"

    def __init__(self, gain: float = 1.0) -> None:
        self.gain = gain
        self.played: list[Signal] = []

    def play_record(self, out: Signal, cancel: object, progress: object) -> Signal:
        self.played.append(out)
        return Signal(samples=self.gain * out.samples.sum(axis=0)[None], rate_hz=out.rate_hz)


def measured(rig: Loopback, level_dbfs: float, *levels_db: float) -> tuple[ResponseStored, ...]:
    job = job_of(defined(cinema(sweep=Sweep(duration_s=0.5, level_dbfs=0.0))))
    source = RigSource(job, lambda seat, name: rig, source="rig", name="x", level_dbfs=level_dbfs)
    capture = Capture(channel="FR", seat="A2", text="", levels_db=levels_db)
    bodies, blobs = source.measure(capture, "as-found", threading.Event(), lambda f, t: None)
    assert {body.file_sha256 for body in bodies} == set(blobs)
    return bodies


def peaks_dbfs(rig: Loopback) -> list[float]:
    return [float(20 * np.log10(np.max(np.abs(out.samples)))) for out in rig.played]


def test_no_sweep_is_louder_than_the_ceiling() -> None:
    rig = Loopback()
    measured(rig, 0.0, 0.0)
    out = rig.played[0].samples
    assert peaks_dbfs(rig)[0] <= CEILING_DBFS + 1e-6
    assert np.count_nonzero(np.any(out != 0, axis=1)) == 1
    assert np.any(out[2] != 0)  # third channel of the job
    assert out[2, 0] == 0
    assert out[2, -1] == 0


@pytest.mark.parametrize(("start_dbfs", "drives_db"), [(-30.0, [0.0, 10.0]), (-18.0, [0.0, 6.0]), (-12.0, [0.0])])
def test_two_levels_differ_by_ten_decibels_or_end_at_the_ceiling(start_dbfs: float, drives_db: list[float]) -> None:
    rig = Loopback()
    bodies = measured(rig, start_dbfs, 0.0, 10.0)
    assert [body.drive_db or 0.0 for body in bodies] == drives_db
    # 0.2 dB: a sweep of half a second does not reach its full peak.
    assert peaks_dbfs(rig) == pytest.approx([start_dbfs + each for each in drives_db], abs=0.2)
    assert len({body.sweep for body in bodies}) == 1  # both are compared with the softer one
    assert len({body.file_name for body in bodies}) == len(bodies)


def test_a_louder_sweep_that_would_clip_is_not_played() -> None:
    rig = Loopback(10.0)  # −30 dB of full scale come back as −10
    with pytest.raises(CommissionError, match="was not played"):
        measured(rig, -30.0, 0.0, 10.0)
    assert len(rig.played) == 1


@pytest.mark.parametrize(("gain", "word"), [(100.0, "clipped"), (0.0, "nothing was heard")])
def test_bad_recordings_are_refused_while_the_microphone_is_still_in_place(gain: float, word: str) -> None:
    rig = SimulatedRig(lambda output: np.r_[np.zeros(100), gain, np.zeros(100)])
    source = RigSource(job_of(defined(cinema())), lambda seat, name: rig, source="rehearsal", name="x")
    with pytest.raises(CommissionError, match=word):
        source.measure(Capture(channel="FL", seat="A1", text=""), "as-found", threading.Event(), lambda f, t: None)


def test_signals_have_their_stated_level(tmp_path: Path) -> None:
    job = job_of(defined(cinema(["FL", "FR", "SUB1"])))
    files = write_signals(job, tmp_path / "out", lambda f, t: None)
    assert len(files) == 7
    samples, rate = soundfile.read(tmp_path / "out" / "noise" / "02_FR.wav")
    assert rate == RATE
    assert samples.shape[1] == 3
    assert not samples[:, [0, 2]].any()
    middle = samples[RATE:-RATE, 1]
    # 0.1 dB: the fades at both ends are left out of the middle, and 28 s of 1500 Hz of noise scatter by 0.02 dB.
    assert 20 * np.log10(np.sqrt(np.mean(middle**2))) == pytest.approx(-30.0, abs=0.1)
    assert "volume down" in (tmp_path / "out" / "README.txt").read_text(encoding="utf-8")
    with pytest.raises(CommissionError, match="overwritten"):
        write_signals(job, tmp_path / "out", lambda f, t: None)


def test_the_rehearsal_room_sounds_different_in_each_state() -> None:
    """Analysed like a recording: ventilation high above low above everything off, and hum with the electronics as found."""
    seed = next(n for n in range(20) if has_hum(n))

    def heard(state: str, *, mended: bool = False) -> NoiseAnalysis:
        return background(state_noise(state, seed, 21 * 8000, 8000.0, mended=mended), 8000.0)

    off, low, high = (heard(state).a_db for state in ("everything off", "ventilation low", "ventilation high"))
    assert off < low < high
    hum = heard("electronics on")
    assert hum.hum_hz == pytest.approx(50.0, abs=0.1)
    assert heard("electronics on", mended=True).hum_hz is None
    assert heard("calibrator 114 dB").a_db + FULL_SCALE_DB == pytest.approx(114.0, abs=0.1)  # 1 kHz: 0 dB in A
