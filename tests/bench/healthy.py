"""Healthy visits from a second simulator, and the program's findings in them: `python tests/bench healthy`.

Image sources of a shoebox with octave-band absorption up to the end of the response (J. B. Allen, D. A. Berkley, JASA 65
(1979) 943-950), loudspeakers with separate drivers, some with their own signal processing, some upside down, some with an
object beside them. It shares no code with `tests/rooms` but the log in memory. The ways of measuring (`VISITS`) are those
of other programs: files cut at their first sound, scaled to one peak, short, with pre-roll, past the processor. The
installation has no fault; only faults of the files and late loudspeakers may be reported.
"""

from __future__ import annotations

import io
import math
import tempfile
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
import tomli_w
from memory_journal import MemoryJournal
from scipy import fft, signal

from commission import __version__, model
from commission.audio.decoding import decode
from commission.audio.importing import FileImporter
from commission.job.toml import parse_definition
from commission.model.progress import unwatched
from commission.visit import Visit

OCTAVES_HZ = 31.5 * 2.0 ** np.arange(10)
SPEED_M_S = 344.0
FOOT_M = 0.3048
ABSORPTION = {  # by octave from 31.5 Hz, common practice
    "live": (0.08, 0.08, 0.09, 0.10, 0.10, 0.12, 0.13, 0.14, 0.15, 0.18),
    "normal": (0.12, 0.14, 0.16, 0.18, 0.20, 0.22, 0.25, 0.28, 0.30, 0.32),
    "treated": (0.15, 0.20, 0.28, 0.38, 0.45, 0.50, 0.52, 0.54, 0.55, 0.55),
    "dead": (0.20, 0.30, 0.45, 0.60, 0.70, 0.75, 0.78, 0.80, 0.80, 0.80),
}
CARPET = (0.08, 0.08, 0.10, 0.14, 0.22, 0.35, 0.50, 0.60, 0.65, 0.68)
GLASS = (0.25, 0.22, 0.15, 0.08, 0.06, 0.05, 0.05, 0.05, 0.05, 0.05)
LAYOUTS = {
    "2.0": "FL FR",
    "2.1": "FL FR SUB1",
    "3.1": "FL FR FC SUB1",
    "5.1": "FL FR FC SiL SiR SUB1",
    "5.1.2": "FL FR FC SiL SiR TpSiL TpSiR SUB1",
    "7.1": "FL FR FC SiL SiR BL BR SUB1",
}


@dataclass(frozen=True)
class Manner:
    """Manner in which a visit is measured and stored."""

    layout: str = "5.1"
    seats: int = 3
    rows: int = 1
    rate_hz: int = 48000
    subtype: str = "PCM_24"
    seconds: float = 0.4
    unit: str = "m"
    cut: bool = False
    """Each file begins 2 ms before its first sound."""
    scaled: bool = False
    """Each file is scaled to the same peak."""
    pre_roll_s: float = 0.0
    past_processor: bool = False
    settings: bool = True
    meter: bool = True
    low_pass: bool = False
    """The subwoofers' own low-pass is on."""


VISITS = (
    Manner("2.0", 1),
    Manner("2.0", 3, rate_hz=44100),
    Manner("2.1", 1, rate_hz=96000),
    Manner("2.1", 3, settings=False, meter=False),
    Manner("3.1", 4, unit="ms"),
    Manner("3.1", 3, scaled=True),
    Manner(),
    Manner(seats=1, unit="ms"),
    Manner(seats=2, rows=2, seconds=0.15),
    Manner(cut=True),
    Manner(scaled=True, meter=False),
    Manner(low_pass=True, unit="ft"),
    Manner(pre_roll_s=0.4),
    Manner(rows=2, past_processor=True, settings=False, meter=False),
    Manner(subtype="PCM_16", seconds=0.3),
    Manner("5.1.2", 3, unit="ms"),
    Manner("7.1", 2, rows=2),
)


# --- loudspeakers ---


def way(freq_hz: np.ndarray, corner_hz: float, kind: str, part: str) -> np.ndarray:
    """Low or high way of a crossover such as "LR4" or "BW3"."""
    order, times = (int(kind[2:]) // 2, 2) if kind.startswith("LR") else (int(kind[2:]), 1)
    filter_ = signal.butter(order, 2 * np.pi * corner_hz, part, analog=True)
    return signal.freqs(*filter_, 2 * np.pi * np.maximum(freq_hz, 0.1))[1] ** times


def peak(freq_hz: np.ndarray, centre_hz: float, gain_db: float, q: float) -> np.ndarray:
    """Second-order peak."""
    a, w = 10 ** (gain_db / 40), freq_hz / centre_hz
    return (1 - w**2 + 1j * w * a / q) / (1 - w**2 + 1j * w / (a * q))


class Model:
    """A model of loudspeaker; `drivers` makes one specimen: spectrum, place (right, up, out) and radius of each driver."""

    def __init__(self, rng: np.random.Generator, kind: str) -> None:
        self.kind = kind
        self.crossover = str(rng.choice(["LR4", "LR4", "LR2", "BW3", "BW2", "BW1"]))
        self.corner_hz = float(rng.uniform(1500, 3500))
        self.low_corner_hz = float(rng.uniform(180, 700))
        self.flip = -1 if self.crossover == "LR2" or (self.crossover == "BW2" and rng.random() < 0.5) else 1
        self.lowest_hz = float(rng.uniform(*{"sub": (18, 32), "small": (90, 140)}.get(kind, (35, 70))))
        self.ripples = [
            (float(np.exp(rng.uniform(4.1, 9.7))), rng.normal(0, 1.5), rng.uniform(0.7, 5)) for _ in range(10)
        ]
        self.sensitivity_db, self.spacing_m = float(rng.uniform(-4, 4)), float(rng.uniform(0.09, 0.2))
        self.inverted = -1 if rng.random() < 0.08 else 1
        self.latency_s = float(rng.uniform(0.001, 0.004)) if rng.random() < 0.15 and kind != "sub" else 0.0

    def drivers(self, freq_hz: np.ndarray, rng: np.random.Generator) -> list[tuple[np.ndarray, np.ndarray, float]]:
        """One specimen."""
        common = way(freq_hz, self.lowest_hz, "BW2", "high") * way(freq_hz, 21000.0, "BW2", "low") * self.inverted
        for centre_hz, gain_db, q in self.ripples:
            common = common * peak(freq_hz, centre_hz * (1 + rng.normal(0, 0.01)), gain_db + rng.normal(0, 0.25), q)
        common = common * 10 ** ((self.sensitivity_db + rng.normal(0, 0.3)) / 20)
        common = common * np.exp(-2j * np.pi * freq_hz * self.latency_s)
        if self.kind in ("sub", "small"):
            return [(common, np.zeros(3), 0.15 if self.kind == "sub" else 0.04)]
        corner_hz, half = self.corner_hz * (1 + rng.normal(0, 0.025)), self.spacing_m / 2
        low = common * way(freq_hz, corner_hz, self.crossover, "low")
        high = self.flip * common * way(freq_hz, corner_hz, self.crossover, "high")
        if self.kind == "two":
            return [(low, np.array([0, -half, 0]), 0.075), (high, np.array([0, half, 0]), 0.0125)]
        woofer = common * way(freq_hz, self.low_corner_hz, "LR4", "low")
        mid = low * way(freq_hz, self.low_corner_hz, "LR4", "high")
        return [
            (woofer, np.array([0, -0.4, 0]), 0.1),
            (mid, np.array([0, -half, 0]), 0.05),
            (high, np.zeros(3), 0.0125),
        ]


# --- room ---


class Room:
    """A shoebox: x to the right from its middle, y from the screen wall, z up."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.size_m = np.array([rng.uniform(3.2, 5.6), rng.uniform(4.6, 7.5), rng.uniform(2.3, 2.9)])
        walls = np.tile(ABSORPTION[str(rng.choice(list(ABSORPTION)))], (6, 1)) * rng.uniform(0.7, 1.35, (6, 1))
        walls[4] = CARPET
        if rng.random() < 0.4:
            walls[int(rng.integers(2))] = GLASS
        self.log_reflection = 0.5 * np.log(1 - np.clip(walls, 0.03, 0.92))

    def response(
        self, driver: np.ndarray, radius_m: float, at: np.ndarray, axis: np.ndarray, ear: np.ndarray, grid: Grid
    ) -> np.ndarray:
        """Spectrum of one driver at one place."""
        shift = np.array([self.size_m[0] / 2, 0, 0])
        source, ear = np.clip(at + shift, 0.02, self.size_m - 0.02), ear + shift
        count = np.ceil(SPEED_M_S * grid.until_s / (2 * self.size_m)).astype(int) + 1
        axes = [np.arange(-n, n + 1) for n in count] + [np.arange(2)] * 3
        cells = np.stack(np.meshgrid(*axes, indexing="ij"), -1).reshape(-1, 6)
        cell, mirrored = cells[:, :3], cells[:, 3:]
        apart = (1 - 2 * mirrored) * source + 2 * cell * self.size_m - ear
        far = np.linalg.norm(apart, axis=1)
        near = far < SPEED_M_S * grid.until_s
        cell, mirrored, apart, far = cell[near], mirrored[near], apart[near], far[near]
        hits = np.stack((np.abs(cell - mirrored), np.abs(cell)), -1).reshape(-1, 6)
        cosine = -(apart * axis * (1 - 2 * mirrored)).sum(axis=1) / far
        narrow = np.clip((2 * np.pi * OCTAVES_HZ / SPEED_M_S * radius_m) ** 2 / 3, 0, 14)
        beam = np.maximum(np.clip((1 + cosine[:, None]) / 2, 1e-3, 1) ** narrow, 0.05)
        size = np.exp(hits @ self.log_reflection) * beam / far[:, None]
        index = np.rint(far / SPEED_M_S * grid.rate_hz * OVER).astype(int)
        total = np.zeros(len(grid.freq_hz), complex)
        for weight, column in zip(grid.octaves, size.T, strict=True):
            pulses = np.bincount(index, column, minlength=grid.frames * OVER)[: grid.frames * OVER]
            total += weight * fft.rfft(pulses)[: len(grid.freq_hz)]
        return total * driver


OVER = 4
"""The time grid of the images is this many times finer than the samples."""


class Grid:
    """Samples and frequencies of a visit."""

    def __init__(self, manner: Manner) -> None:
        self.rate_hz, self.until_s = manner.rate_hz, min(manner.seconds, 0.25)
        self.frames = int(manner.rate_hz * (manner.seconds + 0.15))
        self.freq_hz = np.fft.rfftfreq(self.frames, 1 / self.rate_hz)
        place = np.log2(np.maximum(self.freq_hz, 1) / OCTAVES_HZ[0])
        self.octaves = np.maximum(0, 1 - np.abs(np.clip(place, 0, 9)[None] - np.arange(10)[:, None]))


# --- a visit ---


class Healthy:
    """One visit to a healthy installation."""

    def __init__(self, seed: int, manner: Manner) -> None:
        rng = np.random.default_rng([4242, seed])
        self.manner, self.grid, self.room = manner, Grid(manner), Room(rng)
        self.channels = LAYOUTS[manner.layout].split()
        width, length, height = self.room.size_m
        row_m, z = min(length - 1.2 * manner.rows, float(rng.uniform(2.5, 3.4))), float(rng.uniform(1.0, 1.2))
        self.seats = {
            f"{'AB'[r]}{k + 1}": np.array([(k - (manner.seats - 1) / 2) * 0.66, row_m + 1.1 * r, z + 0.2 * r])
            for r in range(manner.rows)
            for k in range(manner.seats)
        }
        self.reference = f"A{(manner.seats + 1) // 2}"
        ears = self.seats[self.reference]
        front, top = min(width / 2 - 0.4, 0.5 * row_m), height - 0.05
        half = {"F": (front, 0.4, 1.05), "Si": (width / 2 - 0.15, row_m + 0.2, 1.5), "B": (1.1, length - 0.15, 1.5)}
        half |= {"TpSi": (0.8 * front, row_m, top)}
        models = {name: Model(rng, str(rng.choice(["two", "three"]))) for name in ("F", "FC")}
        models |= {name: Model(rng, str(rng.choice(["two", "small"]))) for name in ("Si", "B", "TpSi")}
        models |= {"SUB": Model(rng, "sub")}
        self.models: dict[str, Model] = {}
        self.places: dict[str, np.ndarray] = {}
        upside_down = "SiR" if rng.random() < 0.15 else ""
        self.sounds: dict[tuple[str, str], np.ndarray] = {}
        latency = {c: float(rng.uniform(0, 0.012)) if c.startswith("SUB") else 0.0 for c in self.channels}
        for c in self.channels:
            name = "SUB" if c.startswith("SUB") else c if c == "FC" else c[:-1]
            self.models[c] = models[name]
            if name == "SUB":
                at = np.array([-width / 2 + 0.5, 0.4, 0.25])
            else:
                x, y, up = (0.0, 0.35, 0.8) if c == "FC" else half[name]
                at = np.array([-x if c.endswith("L") else x, y, up]) + rng.normal(0, 0.02, 3)
            self.places[c] = at
            axis = ears - at + rng.normal(0, 0.2, 3)
            axis /= np.linalg.norm(axis)
            right = np.cross(axis, [0, 0, 1.0]) / np.linalg.norm(np.cross(axis, [0, 0, 1.0]))
            turn = -1 if c == upside_down else 1
            beside = (
                (float(rng.uniform(0.0003, 0.0015)), float(rng.uniform(-0.25, 0.3))) if rng.random() < 0.3 else None
            )
            drivers = self.models[c].drivers(self.grid.freq_hz, rng)
            for s, seat in self.seats.items():
                ear = seat + rng.normal(0, 0.012, 3)
                sound = np.zeros(len(self.grid.freq_hz), complex)
                for spectrum, (along, up, out), radius_m in drivers:
                    where = at + turn * (along * right + up * np.cross(right, axis)) + out * axis
                    sound += self.room.response(spectrum, radius_m, where, axis, ear, self.grid)
                if beside is not None and name != "SUB":  # an object reflects the direct sound
                    later, gain = beside
                    high = way(self.grid.freq_hz, 600.0, "BW1", "high")
                    sound = sound + gain * high * sound * np.exp(-2j * np.pi * self.grid.freq_hz * later)
                if name == "SUB":
                    corner, kind = (100.0, "LR4") if manner.low_pass else (1500.0, "BW2")
                    sound *= way(self.grid.freq_hz, corner, kind, "low")
                    sound *= np.exp(-2j * np.pi * self.grid.freq_hz * latency[c])
                self.sounds[c, s] = sound
        self._set(rng, latency)

    def _set(self, rng: np.random.Generator, latency_s: dict[str, float]) -> None:
        """Distances, delays and trims as a careful installer sets them; the loudspeakers' own latency is unknown."""
        ears, unit = self.seats[self.reference], self.manner.unit
        self.tape_m = {c: round(math.dist(at, ears) + rng.normal(0, 0.008), 2) for c, at in self.places.items()}
        path_m = {c: self.tape_m[c] + SPEED_M_S * latency_s[c] for c in self.channels}
        far = max(path_m.values())
        if unit == "ms":
            self.setting = {c: round(1000 * (far - d) / SPEED_M_S, 1) for c, d in path_m.items()}
            self.delay_s = {c: value / 1000 for c, value in self.setting.items()}
        else:
            unit_m, step = (FOOT_M, 0.5) if unit == "ft" else (1.0, 0.05)
            self.setting = {c: round(round(d / unit_m / step) * step, 3) for c, d in path_m.items()}
            most = max(self.setting.values())
            self.delay_s = {c: (most - value) * unit_m / 343.0 for c, value in self.setting.items()}
        level = {c: self._level_db(c) for c in self.channels}
        middle = float(np.median([level[c] for c in self.channels if not c.startswith("SUB")]))
        self.gain_db = {c: middle - v + rng.uniform(-2, 2) if c.startswith("SUB") else 0.0 for c, v in level.items()}
        self.trim_db = {
            c: float(np.clip(round(2 * (middle - v - self.gain_db[c])) / 2, -12, 12)) for c, v in level.items()
        }
        self.meter_db = {
            c: round(75 + level[c] + self.gain_db[c] + self.trim_db[c] - middle + rng.normal(0, 0.2), 1)
            for c in self.channels
        }

    def _level_db(self, channel: str) -> float:
        low_hz, high_hz = (30, 80) if channel.startswith("SUB") else (500, 2000)
        inside = (self.grid.freq_hz >= low_hz) & (self.grid.freq_hz <= high_hz)
        power = np.abs(self.sounds[channel, self.reference][inside]) ** 2 / self.grid.freq_hz[inside]
        return float(10 * np.log10(power.sum() / (1 / self.grid.freq_hz[inside]).sum()))

    def files(self) -> dict[str, bytes]:
        """Name → WAV file of each response."""
        manner, rate_hz = self.manner, self.grid.rate_hz
        rng, impulses = np.random.default_rng(5), {}
        for (c, s), sound in self.sounds.items():
            through = 0.0 if manner.past_processor else 1.0
            turn = np.exp(-2j * np.pi * self.grid.freq_hz * (0.01 + through * self.delay_s[c]))
            impulse = fft.irfft(
                sound * turn * 10 ** ((through * self.trim_db[c] + self.gain_db[c]) / 20), self.grid.frames
            )
            impulse = impulse[: int((manner.seconds + 0.03) * rate_hz)]
            impulses[f"{s}_{c}.wav"] = np.concatenate((np.zeros(int(manner.pre_roll_s * rate_hz)), impulse))
        peaks = {name: float(np.abs(each).max()) for name, each in impulses.items()}
        soft = min(value for name, value in peaks.items() if "SUB" not in name)
        out = {}
        for name, each in impulses.items():
            heard = each + rng.normal(0, soft * 10**-3.5, len(each))
            if manner.cut:
                first = int(np.argmax(np.abs(heard) > 0.1 * np.abs(heard).max()))
                heard = heard[max(0, first - int(0.002 * rate_hz)) :]
            heard = heard * (0.9 / np.abs(heard).max() if manner.scaled else 0.7 / max(peaks.values()))
            file = io.BytesIO()
            soundfile.write(file, heard, rate_hz, subtype=manner.subtype, format="WAV")
            out[name] = file.getvalue()
        return out

    def definition(self) -> str:
        """The job as an installer writes it."""
        manner = self.manner
        width, length, height = (round(float(v), 2) for v in self.room.size_m)
        role = {"SUB": "sub", "Tp": "height", "F": "screen"}
        most, step = {"m": (30.0, 0.05), "ft": (100.0, 0.5), "ms": (100.0, 0.1)}[manner.unit]
        data: dict[str, Any] = {
            "schema": 1,
            "title": "Healthy visit",
            "temperature_c": 21.5,
            "room": {"width_m": width, "length_m": length, "height_m": height},
            "processor": {
                "trim_db": {"min": -12.0, "max": 12.0, "step": 0.5},
                "delay": {"unit": manner.unit, "min": 0.0, "max": most, "step": step},
                "sweeps_pass_delays": not manner.past_processor,
            },
            "channel": [
                {
                    "id": c,
                    "name": c,
                    "role": next((r for start, r in role.items() if c.startswith(start)), "surround"),
                    "position_m": [round(float(v), 2) for v in at],
                }
                for c, at in self.places.items()
            ],
            "seat": [
                {"id": s, "position_m": [round(float(v), 2) for v in at], "reference": s == self.reference}
                for s, at in self.seats.items()
            ],
            "reading": [self._reading("distances", c, value_m=self.tape_m[c]) for c in self.channels],
        }
        if manner.settings:
            data["setting"] = [
                {"round": model.AS_FOUND, "channel": c, "trim_db": self.trim_db[c], "distance": self.setting[c]}
                for c in self.channels
            ]
        if manner.meter:
            data["reading"] += [self._reading("levels", c, value_db=self.meter_db[c]) for c in self.channels]
        return tomli_w.dumps(data)

    def _reading(self, step: str, channel: str, **value: float) -> dict[str, Any]:
        return {"round": model.AS_FOUND, "step": step, "channel": channel, "seat": self.reference, **value}

    def findings(self) -> tuple[model.Finding, ...]:
        """Findings of the program."""
        journal = MemoryJournal()
        limits = model.LimitsChosen(profile=model.default_profile())
        made = model.JobCreated(title="healthy", program_version=__version__)
        journal.append((made, *parse_definition(self.definition()).bodies, limits))
        visit, importer = Visit(journal, decode, None), FileImporter()
        options = model.ImportOptions(round=model.AS_FOUND)
        with tempfile.TemporaryDirectory(prefix="healthy-") as folder:
            for name, data in self.files().items():
                (Path(folder) / name).write_bytes(data)
            paths = sorted(Path(folder).iterdir())
            rows = importer.survey(paths, visit.job, options, None, threading.Event(), unwatched)
            visit.import_rows(importer, rows, options, threading.Event(), unwatched)
        visit.analyse(threading.Event(), unwatched)
        return visit.findings(model.AS_FOUND)


def unexplained(visit: Healthy, found: tuple[model.Finding, ...]) -> list[model.Finding]:
    """Findings that are not true of the visit: not about its files, nor the room, nor a loudspeaker's own latency."""
    own = {"measurement.normalised": visit.manner.scaled, "measurement.clock": visit.manner.cut}
    late = {c for c, each in visit.models.items() if each.latency_s > 0}
    return [
        each
        for each in found
        if not own.get(each.id, False)
        and each.cause != "room"
        and not (each.id == "settings.arrival" and late)  # against them the others are early
    ]


def run(channels: int = 0, seeds: int = 2) -> None:
    """Run every manner of visit in some rooms; print the findings, and those that accuse something healthy."""
    del channels
    accused = 0
    for seed in range(seeds):
        for number, manner in enumerate(VISITS):
            visit = Healthy(100 * seed + number, manner)
            found = visit.findings()
            wrong = unexplained(visit, found)
            accused += bool(wrong)
            for each in found:
                mark = "✗" if each in wrong else " "
                print(
                    f"{mark} room {100 * seed + number}, {manner.layout}: {each.id} {each.title} | {' | '.join(each.evidence)}"
                )
    print(f"{accused} of {seeds * len(VISITS)} healthy visits accuse something")
