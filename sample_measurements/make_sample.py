"""Makes the sample job "Harbour Lane cinema" from a simulated room: invented data, the same at every run.

python sample_measurements/make_sample.py           writes the files beside this script
python sample_measurements/make_sample.py --check   compares a fresh set with the files that are there
"""

from __future__ import annotations

import argparse
import datetime as dt
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import soundfile
import tomli_w
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
from commission.dsp.rating import nc_curve_db
from commission.dsp.sweep import sweep_signal
from commission.dsp.trims import to_grid
from commission.history import fold
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    Channel,
    Event,
    EventBody,
    Instrument,
    Job,
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
SWEEP = Sweep(duration_s=3.0, level_dbfs=-24.0)
"""So soft that the recording 10 dB louder does not clip."""
SWEEP_TAIL_S = 1.0
SWEEP_NOISE_RMS = 10 ** (-84 / 20)
"""Of the room and of the microphone."""
RAW_PLACES = (("A2", "FL"), ("A2", "SUB1"), ("B1", "BL"))
LOUD_SEAT, LOUD_CHANNELS, LOUDER_DB = "A2", ("FL", "FC", "FR", "SUB1"), 10.0
"""Recorded as sweeps at two levels."""
HARMONICS = (0.004, 0.0015)
"""Second and third harmonic of a tone at the level of the sweep, of the fundamental: sound loudspeakers."""
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
NOISE_RATE_HZ, NOISE_SECONDS, NOISE_FULL_SCALE_DB = 24000, 22.0, 112.0
CALIBRATOR_DB, CALIBRATOR_SECONDS = 94.0, 4.0
SELF_NOISE_DB = 14.0
OFF, VENTILATION, ELECTRONICS = "everything-off", "ventilation-high", "electronics-on"
NC = {
    AS_FOUND: {OFF: 17.0, VENTILATION: 34.0, ELECTRONICS: 18.5},
    AS_LEFT: {OFF: 17.0, VENTILATION: 29.0, ELECTRONICS: 18.5},
}
"""About how loud the room is in each state: NC. As left the fan is limited at its control, which is not enough."""
HUM_DB = {50: 50.0, 100: 47.0, 150: 39.0, 200: 33.0, 250: 30.0}
"""Of the ground loop, as found with the electronics on: lines, dB SPL."""
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


def _noted(channel: Channel) -> Channel:
    """Heights are aimed at the middle of the seats; the rear ones may be moved along the ceiling."""
    if channel.role != "height" or channel.position_m is None:
        return channel
    aimed = replace(channel, aim_m=(0.0, 4.0, 1.2), coverage_deg=100.0)
    if not channel.id.startswith("TpB"):
        return aimed
    side, height_m = np.sign(channel.position_m[0]), channel.position_m[2]
    return replace(
        aimed,
        mount="ceiling",
        move_from_m=(float(0.9 * side), 4.3, height_m),
        move_to_m=(float(1.6 * side), 6.0, height_m),
    )


def harbour_lane() -> System:
    """The system as the technician noted it."""
    system = cinema("Harbour Lane cinema")
    taped = {"FL": 3.52, "FC": 3.21, "FR": 3.51, "SUB1": 3.63, "SUB2": 3.41}
    return replace(
        system,
        client="the owner of the boathouse loft",
        place="Harbour Lane",
        technician="visiting technician",
        channels=tuple(_noted(replace(c, distance_m=taped.get(c.id))) for c in system.channels),
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
                self_noise_db=SELF_NOISE_DB,
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
    text = "# Invented: an example job, made by make_sample.py from a simulated room.\n" + definition_text(job)
    (folder / "harbour-lane.toml").write_text(text, encoding="utf-8")
    stimulus = sweep_signal(SWEEP)
    soundfile.write(folder / "stimulus.flac", stimulus, RATE_HZ, subtype="PCM_16")
    stimulus, _ = soundfile.read(folder / "stimulus.flac")  # as played: with its rounding
    for round_id in (AS_FOUND, AS_LEFT):
        speakers = sample.speakers(round_id)
        target = folder / round_id
        target.mkdir(exist_ok=True)
        responses: dict[str, np.ndarray] = {}
        for seat in sample.system.seats:
            assert seat.position_m is not None
            for channel in sample.system.channels:
                place = (seat.id, channel.id)
                for repeat in range(2 if place in REPEATED else 1):
                    response = sample.measured(speakers[channel.id], seat.position_m)
                    loud = seat.id == LOUD_SEAT and channel.id in LOUD_CHANNELS
                    if loud:
                        responses[channel.id] = response  # the last one
                    if place in RAW_PLACES:
                        path, sound = target / f"{seat.id}_{channel.id}_sweep.flac", recorded(stimulus, response)
                        sound += sample.rng.normal(0, SWEEP_NOISE_RMS, len(sound))
                    else:
                        path = target / f"{seat.id}_{channel.id}{'_again' if repeat else ''}.flac"
                        sound = response + sample.rng.normal(0, NOISE_RMS, len(response))
                        if loud and (repeat or place not in REPEATED):
                            continue  # a sweep takes its place
                    soundfile.write(path, sound, RATE_HZ, subtype="PCM_16" if place in RAW_PLACES else "PCM_24")
        write_loud(target, stimulus, responses)
    write_noise(folder)


def definition_text(job: Job) -> str:
    """System, settings and hand readings as a job definition in TOML."""
    system = msgspec.to_builtins(job.system, builtin_types=(dt.date,))
    lists = {"channel": "channels", "seat": "seats", "instrument": "instruments", "band": "bands"}
    plain = ("title", "client", "place", "technician", "units", "temperature_c", "room", "processor", "sweep")
    data = {"schema": 1, **{key: system[key] for key in plain}, **{key: system[name] for key, name in lists.items()}}
    for instrument in data["instrument"]:
        instrument["class"] = instrument.pop("accuracy_class")
    data["setting"] = [asdict(setting) for setting in job.settings.values()]
    data["reading"] = [asdict(reading.body) for reading in job.readings]
    return tomli_w.dumps(without_none(data))


def without_none(value: Any) -> Any:
    """The same without keys that have no value, which TOML cannot express."""
    if isinstance(value, dict):
        return {key: without_none(item) for key, item in value.items() if item is not None}
    if isinstance(value, list | tuple):
        return [without_none(item) for item in value]
    return value


def write_noise(folder: Path) -> None:
    """Recordings of the quiet room and of the calibrator, all at one gain, with a random generator of their own."""
    rng = np.random.default_rng(SEED + 1)
    calibrator_s = np.arange(round(CALIBRATOR_SECONDS * NOISE_RATE_HZ)) / NOISE_RATE_HZ
    for round_id, states in NC.items():
        amplitude = np.sqrt(2) * 10 ** ((CALIBRATOR_DB - NOISE_FULL_SCALE_DB) / 20)
        sounds = {"calibrator-94dB": amplitude * np.sin(2 * np.pi * 1000 * calibrator_s)}
        for state, nc in states.items():
            sounds[state] = room_noise(rng, nc)
            if state == ELECTRONICS and round_id == AS_FOUND:
                sounds[state] += hum(rng, len(sounds[state]))
        for state, sound in sounds.items():
            own = rng.normal(0, 10 ** ((SELF_NOISE_DB - NOISE_FULL_SCALE_DB) / 20), len(sound))
            path = folder / round_id / f"A2_noise_{state}.flac"
            soundfile.write(path, sound + own, NOISE_RATE_HZ, subtype="PCM_16")


def room_noise(rng: np.random.Generator, nc: float) -> np.ndarray:
    """Steady noise near the curve NC: octave levels 2 dB below it, and at 250 Hz on it, as a fan makes them."""
    curve = {hz: level - (0 if hz == 250 else 2) for hz, level in nc_curve_db(nc).items() if hz >= 31}
    centres = np.array([1000 * 2.0 ** round(np.log2(hz / 1000)) for hz in curve])
    density = np.array(list(curve.values())) - 10 * np.log10(centres / np.sqrt(2)) - NOISE_FULL_SCALE_DB
    frames = round(NOISE_SECONDS * NOISE_RATE_HZ)
    freq = np.fft.rfftfreq(frames, 1 / NOISE_RATE_HZ)[1:]
    power = np.where(freq > 20, 10 ** (np.interp(np.log(freq), np.log(centres), density) / 10), 0.0)
    scale = np.sqrt(power * frames * NOISE_RATE_HZ / 4)
    bins = scale * (rng.normal(size=len(freq)) + 1j * rng.normal(size=len(freq)))
    return np.fft.irfft(np.concatenate(([0.0], bins)), frames)


def hum(rng: np.random.Generator, frames: int) -> np.ndarray:
    """Lines at multiples of the mains' frequency, 49.98 Hz at that hour."""
    time_s = np.arange(frames) / NOISE_RATE_HZ
    out = np.zeros(frames)
    for hz, level_db in HUM_DB.items():
        amplitude = np.sqrt(2) * 10 ** ((level_db - NOISE_FULL_SCALE_DB) / 20)
        out += amplitude * np.sin(2 * np.pi * hz * 0.9996 * time_s + rng.uniform(0, 2 * np.pi))
    return out


def write_loud(folder: Path, stimulus: np.ndarray, responses: Mapping[str, np.ndarray]) -> None:
    """Sweeps at two levels at one seat, the microphone not touched in between; with a random generator of their own."""
    rng = np.random.default_rng(SEED + 2)
    for channel, response in responses.items():
        for louder_db in (0.0, LOUDER_DB):
            if not louder_db and (LOUD_SEAT, channel) in RAW_PLACES:
                continue
            sound = recorded(stimulus, response, louder_db)
            sound += rng.normal(0, SWEEP_NOISE_RMS, len(sound))
            name = f"{LOUD_SEAT}_{channel}_{f'+{louder_db:.0f}dB' if louder_db else 'sweep'}.flac"
            soundfile.write(folder / name, sound, RATE_HZ, subtype="PCM_16")


def recorded(stimulus: np.ndarray, response: np.ndarray, louder_db: float = 0.0) -> np.ndarray:
    """A sweep as a loudspeaker with a little distortion plays it, with silence at its end."""
    peak, x = float(np.max(np.abs(stimulus))), stimulus * 10 ** (louder_db / 20)
    second, third = (each / peak**n for n, each in enumerate(HARMONICS, start=1))
    # A tone of amplitude A makes A²/2 of the second and A³/4 of the third harmonic.
    played = x + 2 * second * x**2 - 4 * third * (x**3 - 0.75 * peak**2 * x)
    frames = len(played) + round(SWEEP_TAIL_S * RATE_HZ)
    sound = np.zeros(frames)
    heard = oaconvolve(played, response)[:frames]
    sound[: len(heard)] = heard
    return sound


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
