"""Makes the sample job "Harbour Lane cinema" from a simulated room: invented data, the same at every run.

python sample_measurements/make_sample.py           writes the files beside this script
python sample_measurements/make_sample.py --check   compares a fresh set with the files that are there
"""

from __future__ import annotations

import argparse
import datetime as dt
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import oaconvolve

from commission.audio.rehearsal import (
    MIC_OFFSET_DB,
    Faults,
    as_found_settings,
    cinema,
    installed,
    reference_distances_m,
)
from commission.audio.room import SimulatedRoom, Speaker
from commission.dsp.analysis import analyse
from commission.dsp.delays import delay_settings
from commission.dsp.sweep import sweep_signal
from commission.dsp.trims import to_grid
from commission.history import fold
from commission.job.toml import dump_definition
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    Event,
    EventBody,
    Instrument,
    ReadingEntered,
    Response,
    Setting,
    SettingEntered,
    Sweep,
    System,
    SystemDefined,
)

SEED = 20261
RATE_HZ = 48000
SECONDS = 0.8
NOISE_RMS = 10 ** (-88 / 20)
"""Noise in an impulse response, rms: signal-to-noise ratios of 50 to 70 dB, as in a quiet home."""
SWEEP = Sweep(duration_s=3.0, level_dbfs=-18.0)
SWEEP_TAIL_S = 1.0
RAW_PLACES = (("A2", "FL"), ("A2", "SUB1"), ("B1", "BL"))
REPEATED = (("A1", "FL"), ("A2", "FC"), ("B3", "SiR"), ("A2", "SUB1"), ("B2", "SUB2"))
GAIN_SD_DB, PLACEMENT_SD_M = 0.05, 0.006
FAULTS = Faults(
    swapped=("BL", "BR"),
    reversed="FR",
    tweeter_dead="SiL",
    own_latency_s=(("SUB2", 0.0142),),
    feet_for_metres=True,
    trims_by_ear_db=(
        ("FL", -1.0),
        ("FC", -3.5),
        ("FR", -1.0),
        ("SiL", -2.0),
        ("SiR", -2.0),
        ("BL", 2.5),
        ("BR", 3.0),
        ("TpFL", 0.0),
        ("TpFR", 0.5),
        ("TpBL", -1.0),
        ("TpBR", -1.0),
        ("SUB1", -2.0),
        ("SUB2", 1.5),
    ),
)
SENSITIVITY_DB = {
    "FL": 1.0,
    "FC": 0.0,
    "FR": 1.5,
    "SiL": -1.5,
    "SiR": -1.0,
    "BL": -1.0,
    "BR": -0.5,
    "TpFL": -2.0,
    "TpFR": -2.5,
    "TpBL": -2.0,
    "TpBR": -1.5,
    "SUB1": -6.0,
    "SUB2": -7.5,
}


def harbour_lane() -> System:
    """The system as the technician noted it."""
    system = cinema("Harbour Lane cinema")
    taped = {"FL": 3.52, "FC": 3.21, "FR": 3.51, "SUB1": 3.63, "SUB2": 3.41}
    return replace(
        system,
        client="the owner of the boathouse loft",
        place="Harbour Lane",
        technician="visiting technician",
        channels=tuple(replace(c, distance_m=taped.get(c.id)) for c in system.channels),
        processor=replace(
            system.processor, reference_spl_db=75.0, crossovers_hz=(60.0, 80.0, 100.0, 120.0), parametric_bands=4
        ),
        instruments=(
            Instrument(
                kind="meter",
                model="class 2 sound level meter",
                serial="0417",
                accuracy_class=2,
                calibrated=dt.date(2026, 3, 12),
                resolution=0.1,
            ),
            Instrument(
                kind="microphone",
                model="measurement microphone",
                serial="M-2208",
                calibrated=dt.date(2026, 2, 20),
                level_offset_db=MIC_OFFSET_DB,
            ),
            Instrument(
                kind="calibrator",
                model="94 dB calibrator",
                serial="C-118",
                accuracy_class=1,
                calibrated=dt.date(2026, 3, 12),
            ),
            Instrument(kind="tape", model="5 m steel tape", serial="", resolution=0.001),
        ),
        sweep=None,
    )


class Sample:
    """The job's numbers and responses, computed once."""

    def __init__(self) -> None:
        self.system = harbour_lane()
        assert self.system.room is not None
        self.room = SimulatedRoom(self.system.room, self.system.temperature_c, RATE_HZ, SECONDS, seed=SEED)
        self.rng = np.random.default_rng(SEED)
        found = {s.channel: s for s in as_found_settings(self.system, FAULTS, reference_distances_m(self.system))}
        self.settings = {AS_FOUND: found, AS_LEFT: self._as_left(found)}

    def speakers(self, round_id: str) -> dict[str, Speaker]:
        """What sounds in a round."""
        return installed(self.system, self.settings[round_id], FAULTS, SENSITIVITY_DB, mended=round_id == AS_LEFT)

    def level_db(self, speaker: Speaker, ears: tuple[float, float, float]) -> float:
        """What an ideal meter would read with the processor's reference noise."""
        response = Response(impulse=self.room.response(speaker, ears), rate_hz=RATE_HZ)
        level = analyse(response, speaker.role == "sub").level_db
        assert level is not None
        return level + MIC_OFFSET_DB

    def _as_left(self, found: dict[str, Setting]) -> dict[str, Setting]:
        """Wiring mended, levels read again, trims and distances entered: what the program proposes then."""
        processor, reference = self.system.processor, self.system.reference_seat
        assert reference is not None and reference.position_m is not None
        self.settings = {AS_LEFT: found}
        mended = self.speakers(AS_LEFT)
        distances = reference_distances_m(self.system)
        latency = dict(FAULTS.own_latency_s)
        acoustic = [
            (c.distance_m or distances[c.id]) + latency.get(c.id, 0.0) * self.room.speed_m_s
            for c in self.system.channels
        ]
        entered = delay_settings(acoustic, self.room.speed_m_s, processor.delay, processor.speed_of_sound_m_s)
        trim = processor.trim_db
        left = {}
        for channel, delay in zip(self.system.channels, entered, strict=True):
            wanted = processor.reference_spl_db - self.level_db(mended[channel.id], reference.position_m)
            old = found[channel.id].trim_db or 0.0
            left[channel.id] = Setting(
                round=AS_LEFT,
                channel=channel.id,
                polarity="normal",
                distance=round(delay.setting, 2),
                trim_db=round(to_grid(old + wanted, trim.min, trim.max, trim.step), 1),
            )
        return left

    def readings(self, round_id: str) -> list[EventBody]:
        """Hand readings: the ideal level, a common error of the meter, a hand's scatter, a display of 0.1 dB."""
        reference = self.system.reference_seat
        assert reference is not None and reference.position_m is not None
        speakers = self.speakers(round_id)
        bodies: list[EventBody] = []
        repeated = ("FL", "FC", "BR", "SUB1")
        for channel in self.system.channels:
            for _ in range(2 if channel.id in repeated else 1):
                value = self.level_db(speakers[channel.id], reference.position_m) + self.rng.normal(0.0, 0.07)
                bodies.append(
                    ReadingEntered(
                        round=round_id,
                        step="levels",
                        channel=channel.id,
                        seat=reference.id,
                        quantity="level",
                        value=round(float(value), 1),
                        unit="dB",
                    )
                )
        return bodies

    def measured(self, speaker: Speaker, ears: tuple[float, float, float]) -> np.ndarray:
        """A response as measured: microphone within a centimetre, gain within a tenth of a decibel."""
        x, y, z = (float(v + d) for v, d in zip(ears, self.rng.normal(0, PLACEMENT_SD_M, 3), strict=True))
        return self.room.response(speaker, (x, y, z)) * 10 ** (self.rng.normal(0, GAIN_SD_DB) / 20)


def write(folder: Path) -> None:
    """Write the whole sample into `folder`."""
    sample = Sample()
    bodies: list[EventBody] = [SystemDefined(system=sample.system)]
    for round_id in (AS_FOUND, AS_LEFT):
        bodies += [SettingEntered(setting=setting) for setting in sample.settings[round_id].values()]
        bodies += sample.readings(round_id)
    job = fold(Event(seq=i, at="", body=body) for i, body in enumerate(bodies, start=1))
    text = "# Invented: an example job, made by make_sample.py from a simulated room.\n" + dump_definition(job)
    (folder / "harbour-lane.toml").write_text(text, encoding="utf-8")
    stimulus = sweep_signal(SWEEP)
    soundfile.write(folder / "stimulus.flac", stimulus, RATE_HZ, subtype="PCM_16")
    stimulus, _ = soundfile.read(folder / "stimulus.flac")  # as played: with its rounding
    for round_id in (AS_FOUND, AS_LEFT):
        speakers = sample.speakers(round_id)
        target = folder / round_id
        target.mkdir(exist_ok=True)
        for seat in sample.system.seats:
            assert seat.position_m is not None
            for channel in sample.system.channels:
                place = (seat.id, channel.id)
                for repeat in range(2 if place in REPEATED else 1):
                    response = sample.measured(speakers[channel.id], seat.position_m)
                    if place in RAW_PLACES:
                        name, sound = f"{seat.id}_{channel.id}_sweep.flac", recorded(sample, stimulus, response)
                    else:
                        name = f"{seat.id}_{channel.id}{'_again' if repeat else ''}.flac"
                        sound = response + sample.rng.normal(0, NOISE_RMS, len(response))
                    soundfile.write(
                        target / name, sound, RATE_HZ, subtype="PCM_24" if "sweep" not in name else "PCM_16"
                    )


def recorded(sample: Sample, stimulus: np.ndarray, response: np.ndarray) -> np.ndarray:
    """The raw recording of a sweep: noise of the room and of the microphone, silence at its end."""
    frames = len(stimulus) + round(SWEEP_TAIL_S * RATE_HZ)
    sound = np.zeros(frames)
    heard = oaconvolve(stimulus, response)[:frames]
    sound[: len(heard)] = heard
    return sound + sample.rng.normal(0, 10 ** (-84 / 20), frames)


def check(folder: Path) -> list[str]:
    """Names of files that a fresh run makes differently (samples compared, FLAC encoders may differ in bytes)."""
    with tempfile.TemporaryDirectory() as name:
        fresh = Path(name)
        write(fresh)
        differing = []
        for path in sorted(fresh.rglob("*")):
            if path.is_dir():
                continue
            other = folder / path.relative_to(fresh)
            if not other.is_file():
                differing.append(f"{path.relative_to(fresh)} (missing)")
            elif path.suffix == ".flac":
                a, b = soundfile.read(path)[0], soundfile.read(other)[0]
                # Transforms of another processor may differ in the last bit of 24.
                if a.shape != b.shape or np.max(np.abs(a - b)) > 4 / 2**23:
                    differing.append(str(path.relative_to(fresh)))
            elif path.read_text(encoding="utf-8") != other.read_text(encoding="utf-8"):
                differing.append(str(path.relative_to(fresh)))
        return differing


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true")
    here = Path(__file__).resolve().parent
    if parser.parse_args().check:
        wrong = check(here)
        print("\n".join(wrong) or "as made")
        raise SystemExit(1 if wrong else 0)
    write(here)
