"""Simulates a room: the response of each loudspeaker at each seat.

Image sources (Allen & Berkley 1979) with walls that absorb by octave band. Up to 250 Hz they run to 0.3 s, long
enough for the modes of the room to build up out of them; above, to 80 ms, followed by decaying noise of the same
density. For practice, the sample and tests: real rooms are worse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.crossover_filters import butterworth
from commission.model import ComplexArray, FloatArray, Position, Role, Room, System

OCTAVES_HZ = np.array([63.0, 125, 250, 500, 1000, 2000, 4000, 8000, 16000])
EARLY_S, BASS_S = 0.08, 0.30
"""Duration of the image sources above and up to 250 Hz."""
BASS_OCTAVES = 3
OVERSAMPLING = 4
"""Arrivals are placed on a grid four times finer than the samples: 5 µs at 48 kHz."""


@dataclass(frozen=True, slots=True)
class Walls:
    """Absorption coefficients by octave 63 Hz to 16 kHz, one for each pair of surfaces."""

    sides: tuple[float, ...] = (0.12, 0.18, 0.28, 0.36, 0.42, 0.46, 0.50, 0.52, 0.54)
    ends: tuple[float, ...] = (0.14, 0.22, 0.32, 0.40, 0.46, 0.50, 0.52, 0.55, 0.56)
    floor_ceiling: tuple[float, ...] = (0.12, 0.18, 0.26, 0.34, 0.42, 0.50, 0.56, 0.58, 0.60)

    def axes(self) -> FloatArray:
        """[shape=(3, octaves)] in the order x, y, z."""
        return np.array([self.sides, self.ends, self.floor_ceiling])


@dataclass(frozen=True, slots=True, kw_only=True)
class Speaker:
    """A loudspeaker as installed: its type, its position, its faults."""

    position_m: Position
    role: Role
    gain_db: float = 0.0
    delay_s: float = 0.0
    """Processor delay plus own latency."""
    reversed: bool = False
    tweeter_dead: bool = False
    woofer_dead: bool = False

    def mended(self) -> Speaker:
        """The same loudspeaker without wiring faults."""
        return replace(self, reversed=False, tweeter_dead=False, woofer_dead=False)


def eyring_t60_s(room: Room, walls: Walls) -> FloatArray:
    """Reverberation time by octave [s]: T = 0.161·V/(−S·ln(1 − ᾱ)), Eyring 1930."""
    areas = _areas(room)
    mean = (areas[:, None] * walls.axes()).sum(axis=0) / areas.sum()
    volume = room.length_m * room.width_m * room.height_m
    return np.asarray(0.161 * volume / (-areas.sum() * np.log1p(-mean)))


def _areas(room: Room) -> FloatArray:
    return 2.0 * np.array([room.length_m * room.height_m, room.width_m * room.height_m, room.length_m * room.width_m])


class SimulatedRoom:
    """One room; responses are computed on demand and depend only on its inputs and the seed."""

    def __init__(
        self,
        room: Room,
        temperature_c: float,
        rate_hz: int = 48000,
        seconds: float = 0.5,
        walls: Walls | None = None,
        seed: int = 1,
    ) -> None:
        self.room, self.rate_hz, self.seed = room, rate_hz, seed
        self.walls = walls or Walls()
        self.speed_m_s = speed_of_sound_m_s(temperature_c)
        self.frames = round(seconds * rate_hz)
        self.length = 1 << (self.frames + rate_hz // 4).bit_length()
        self.t60_s = eyring_t60_s(room, self.walls)
        self.freq_hz = np.arange(self.length // 2 + 1) * rate_hz / self.length
        self._shares = octave_shares(self.freq_hz)
        self._early = self._image_lattice(EARLY_S)
        self._bass = self._image_lattice(BASS_S)

    def response(self, speaker: Speaker, ears_m: Position) -> FloatArray:
        """Impulse response at `ears_m` [shape=(frames,)]; amplitude 1 at 1 m in the open."""
        from scipy import fft

        green = self._green(speaker.position_m, ears_m)
        total = green * loudspeaker(self.freq_hz, speaker)
        total *= np.exp(-2j * np.pi * self.freq_hz * speaker.delay_s)
        return np.asarray(fft.irfft(total, self.length)[: self.frames])

    @staticmethod
    def speed_of(system: System) -> float:
        """The speed of sound in a system's room [m/s]."""
        return speed_of_sound_m_s(system.temperature_c)

    # --- Green's function -------------------------------------------------------------------------------------

    def _green(self, source_m: Position, ears_m: Position) -> ComplexArray:
        """Green's function times 4π, so that the free field is e^(−jkd)/d."""
        bass, rest = slice(0, BASS_OCTAVES), slice(BASS_OCTAVES, len(OCTAVES_HZ))
        spectrum = self._images_spectrum(source_m, ears_m, self._bass, BASS_S, bass, oversampling=1)
        spectrum += self._images_spectrum(source_m, ears_m, self._early, EARLY_S, rest, OVERSAMPLING)
        return spectrum + self._tail_spectrum(source_m, ears_m)

    def _image_lattice(self, reach_s: float) -> tuple[FloatArray, FloatArray]:
        """Cell indices and mirror flags of all images that can be heard within `reach_s`. [shape=(3, n) each]"""
        reach = reach_s * self.speed_m_s
        size = np.array([self.room.width_m, self.room.length_m, self.room.height_m])
        counts = [math.ceil((reach + s) / (2 * s)) for s in size]
        grids = np.meshgrid(*(np.arange(-n, n + 1) for n in counts), *([np.arange(2)] * 3), indexing="ij")
        flat = np.stack([grid.ravel() for grid in grids])
        near = np.sqrt(((2 * flat[:3] * size[:, None]) ** 2).sum(axis=0)) < reach + 2 * float(np.linalg.norm(size))
        return flat[:3, near], flat[3:, near]

    def _images_spectrum(
        self,
        source_m: Position,
        ears_m: Position,
        lattice: tuple[FloatArray, FloatArray],
        reach_s: float,
        octaves: slice,
        oversampling: int,
    ) -> ComplexArray:
        """Allen & Berkley's images for some octaves, on a grid finer than the samples."""
        from scipy import fft

        size = np.array([self.room.width_m, self.room.length_m, self.room.height_m])
        cells, mirrored = lattice
        source, ears = _inside(source_m, self.room), _inside(ears_m, self.room)
        # The lattice counts from the left wall, room coordinates from the middle.
        corner = np.array([size[0] / 2, 0.0, 0.0])
        source, ears = source + corner, ears + corner
        images = (1 - 2 * mirrored) * source[:, None] + 2 * cells * size[:, None]
        distance = np.sqrt(((images - ears[:, None]) ** 2).sum(axis=0))
        near = distance < reach_s * self.speed_m_s
        hits = np.abs(cells - mirrored) + np.abs(cells)  # reflections at the two walls of each axis
        reflection = 0.5 * np.log1p(-self.walls.axes()[:, octaves])
        gain = np.exp(hits[:, near].T @ reflection) / distance[near, None]
        gain *= np.sqrt(1 - _late(distance[near] / self.speed_m_s, reach_s))[:, None]
        rate_hz = self.rate_hz * oversampling
        index = np.round(distance[near] / self.speed_m_s * rate_hz).astype(int)
        length = self.length * oversampling  # the same bins as the transform of the samples
        spectrum = np.zeros(len(self.freq_hz), complex)
        for column, share in enumerate(self._shares[octaves]):
            fine = fft.rfft(np.bincount(index, weights=gain[:, column], minlength=length))
            spectrum += share * fine[: len(spectrum)]
        return spectrum

    def _tail_spectrum(self, source_m: Position, ears_m: Position) -> ComplexArray:
        """Decaying noise that continues the images at the same energy density: 4πc/V a second, times the walls'
        decay.

        Images fill space at one per room volume, so that 4πr²·c/V of them arrive a second, each with energy 1/r².
        """
        from scipy import fft

        key = [round(1000 * value) + 100_000 for value in (*source_m, *ears_m)]
        noise = np.random.default_rng([self.seed, *key]).standard_normal(self.frames)
        time_s = np.arange(self.frames) / self.rate_hz
        volume = self.room.length_m * self.room.width_m * self.room.height_m
        spectrum = np.zeros(len(self.freq_hz), complex)
        for octave, share in enumerate(self._shares):
            reach_s = BASS_S if octave < BASS_OCTAVES else EARLY_S
            decay = 13.8155 / float(self.t60_s[octave])
            density = 4 * math.pi * self.speed_m_s / volume * np.exp(-decay * time_s) * _late(time_s, reach_s)
            spectrum += share * fft.rfft(noise * np.sqrt(density / self.rate_hz), self.length)
        return spectrum


def _late(time_s: FloatArray, reach_s: float) -> FloatArray:
    """0 until three quarters of the reach, 1 from its end: the tail fades in as the images fade out."""
    return np.asarray(np.clip((time_s / reach_s - 0.75) / 0.25, 0, 1))


def _inside(point: Position, room: Room) -> FloatArray:
    """The point, moved to at least 3 cm from every wall."""
    half = room.width_m / 2
    return np.array(
        [
            min(max(point[0], -half + 0.03), half - 0.03),
            min(max(point[1], 0.03), room.length_m - 0.03),
            min(max(point[2], 0.03), room.height_m - 0.03),
        ]
    )


def octave_shares(freq_hz: FloatArray) -> FloatArray:
    """Weights of the octaves at each frequency, adding up to one: linear on the octave axis. [shape=(octaves, n)]"""
    position = np.clip(np.log2(np.maximum(freq_hz, 1.0) / OCTAVES_HZ[0]), 0, len(OCTAVES_HZ) - 1)
    return np.asarray(np.maximum(0, 1 - np.abs(position - np.arange(len(OCTAVES_HZ))[:, None])))


_CROSSOVER_HZ = {"screen": 2200.0, "surround": 2500.0, "height": 2800.0}
_HIGH_PASS_HZ = {"screen": 55.0, "surround": 80.0, "height": 95.0, "sub": 22.0}


def loudspeaker(freq_hz: FloatArray, speaker: Speaker) -> ComplexArray:
    """Transfer function of a loudspeaker: two-way with a fourth-order Linkwitz-Riley crossover, or a subwoofer."""
    low = butterworth(freq_hz, _HIGH_PASS_HZ[speaker.role], 2, "high")
    gain = 10 ** (speaker.gain_db / 20) * (-1.0 if speaker.reversed else 1.0)
    if speaker.role == "sub":
        return np.asarray(gain * low * butterworth(freq_hz, 320.0, 2, "low"))
    crossover_hz = _CROSSOVER_HZ[speaker.role]
    woofer = butterworth(freq_hz, crossover_hz, 2, "low") ** 2
    tweeter = butterworth(freq_hz, crossover_hz, 2, "high") ** 2
    ways = woofer * (0.0 if speaker.woofer_dead else 1.0) + tweeter * (0.0 if speaker.tweeter_dead else 1.0)
    return np.asarray(gain * low * ways * butterworth(freq_hz, 21000.0, 2, "low"))
