"""Arrivals and signs of loudspeakers with known crossovers in rooms, with and without noise.

    python tests/references/direct_sounds.py [rooms]

Image sources by pyroomacoustics, crossovers as analogue filters by scipy.signal: two-way Linkwitz-Riley of fourth order and
Butterworth of third order at 1.2 to 3.5 kHz, three-way Linkwitz-Riley with a lower crossover at 250 to 600 Hz. The true
arrival is the flight. Printed by kind: bias and scatter of the arrival without noise, how often the sign against its own
minimum phase is that of the wires; and how many arrivals are off by more than 0.3 ms in noise so far below the peak of the
envelope, with the demand of 30 dB switched off.
"""

from __future__ import annotations

import sys
import warnings
from dataclasses import dataclass
from unittest.mock import patch

import numpy as np
import pyroomacoustics as pra
from scipy import signal

from commission.dsp import timing
from commission.dsp.analysis import analyse_batch
from commission.model import Analysis, ComplexArray, FloatArray, Response

RATE_HZ, FRAMES = 48000, 19200
FREQ_HZ = np.fft.rfftfreq(FRAMES, 1 / RATE_HZ)
KINDS = ("two-way, Linkwitz-Riley 4", "two-way, Butterworth 3", "three-way, Linkwitz-Riley 4")
PEAK_TO_NOISE_DB = (30.0, 24.0, 18.0)
WRONG_S = 0.0003


def _way(order: int, corner_hz: float, side: str) -> ComplexArray:
    b, a = signal.butter(order, 2 * np.pi * corner_hz, side, analog=True)
    return np.asarray(signal.freqs(b, a, 2 * np.pi * FREQ_HZ)[1])


def loudspeaker(kind: str, rng: np.random.Generator) -> ComplexArray:
    """Spectrum at FREQ_HZ: its ways in phase as the textbook connects them, its box (sealed, 40 to 90 Hz), 20 kHz above."""
    upper_hz = float(rng.uniform(1200, 3500))
    if kind == KINDS[1]:
        ways = _way(3, upper_hz, "low") + _way(3, upper_hz, "high")
    else:
        ways = _way(2, upper_hz, "low") ** 2 + _way(2, upper_hz, "high") ** 2
    if kind == KINDS[2]:
        lower_hz = float(rng.uniform(250, 600))
        low, high = _way(2, lower_hz, "low") ** 2, _way(2, lower_hz, "high") ** 2
        ways = low + high * ways
    return np.asarray(ways * _way(2, float(rng.uniform(40, 90)), "high") * _way(2, 20000.0, "low"))


@dataclass(frozen=True)
class SimulatedResponses:
    """The responses of one kind in one room and their true arrivals [s]."""

    impulses: FloatArray
    """[shape=(n, FRAMES)]"""
    flights_s: FloatArray


def heard(seed: int, kind: str) -> SimulatedResponses:
    """Four loudspeakers of one kind at five seats of one room."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    size = np.array([rng.uniform(4.5, 7.5), rng.uniform(3.5, 5.5), rng.uniform(2.3, 2.9)])
    walls = {w: pra.Material(rng.uniform(0.15, 0.5)) for w in ("west", "east", "south", "north", "floor", "ceiling")}
    room = pra.ShoeBox(size, fs=RATE_HZ, materials=walls, max_order=8, air_absorption=False)
    places = [size * [0.06, f, 0.42] for f in (0.2, 0.8)] + [size * [0.55, f, 0.6] for f in (0.05, 0.95)]
    seats = [
        size * [x, y, 0.0] + [0, 0, 1.1] for x, y in ((0.5, 0.35), (0.5, 0.5), (0.5, 0.65), (0.7, 0.4), (0.7, 0.6))
    ]
    for place in places:
        room.add_source(place)
    room.add_microphone_array(np.array(seats).T)
    room.compute_rir()
    spectrum, delay_s = loudspeaker(kind, rng), pra.parameters.constants.get("frac_delay_length") // 2 / RATE_HZ
    impulses, flights = [], []
    for j, place in enumerate(places):
        for i, seat in enumerate(seats):
            h = np.zeros(FRAMES)
            own = room.rir[i][j][:FRAMES]
            h[: len(own)] = own
            impulses.append(np.fft.irfft(np.fft.rfft(h) * spectrum, FRAMES))
            flights.append(np.linalg.norm(place - seat) / room.c + delay_s)
    return SimulatedResponses(np.array(impulses, dtype=np.float32), np.array(flights))


def without_noise(sounds: SimulatedResponses) -> tuple[FloatArray, FloatArray]:
    """(error of each arrival [s], sign of each response)."""
    hiss = np.random.default_rng(1).normal(size=sounds.impulses.shape)
    loud = np.abs(sounds.impulses).max(axis=1, keepdims=True)
    responses = [
        Response(impulse=h, rate_hz=RATE_HZ) for h in (sounds.impulses + 1e-4 * loud * hiss).astype(np.float32)
    ]
    read = [a for a in analyse_batch(responses, [False] * len(responses)) if isinstance(a, Analysis)]
    times = np.array([np.nan if a.arrival_s is None else a.arrival_s for a in read])
    return times - sounds.flights_s, np.array([a.polarity or 0 for a in read])


def wrong_in_noise(sounds: SimulatedResponses, peak_to_noise_db: float, seed: int) -> int:
    """Number of arrivals that differ by more than 0.3 ms from the median error of their kind."""
    rng = np.random.default_rng(seed)
    df_hz = RATE_HZ / FRAMES
    noise = rng.normal(size=sounds.impulses.shape)
    envelopes, rate_hz = timing.band_envelopes(np.fft.rfft(sounds.impulses), df_hz)
    floor, _ = timing.band_envelopes(np.fft.rfft(noise), df_hz)
    gain = envelopes.max(axis=1) * 10 ** (-peak_to_noise_db / 20) / np.sqrt(np.mean(floor**2, axis=1))
    both, _ = timing.band_envelopes(np.fft.rfft(sounds.impulses + gain[:, None] * noise), df_hz)
    with patch.object(timing, "LEAST_PEAK_TO_NOISE_DB", -100.0):
        found = [timing.main_arrival(each, rate_hz).time_s for each in both]
    errors = np.array([np.nan if t is None else t for t in found]) - sounds.flights_s
    return int(np.sum(~(np.abs(errors - np.median(errors)) < WRONG_S)))


def main(rooms: int) -> None:
    """Print all of it."""
    warnings.simplefilter("ignore")
    wrong, count = dict.fromkeys(PEAK_TO_NOISE_DB, 0), 0
    for kind in KINDS:
        made = [heard(seed, kind) for seed in range(rooms)]
        errors, signs = (np.concatenate(each) for each in zip(*map(without_noise, made), strict=True))
        off = errors - np.median(errors)
        print(
            f"{kind}: {len(errors)} arrivals, bias {1e3 * np.median(errors):+.3f} ms, sd "
            f"{1e3 * np.std(off[np.abs(off) < WRONG_S]):.3f} ms, off by more than 0.3 ms {np.sum(np.abs(off) > WRONG_S)}; "
            f"sign right {np.sum(signs > 0)}, wrong {np.sum(signs < 0)}, none {np.sum(signs == 0)}"
        )
        for level_db in PEAK_TO_NOISE_DB:
            wrong[level_db] += sum(wrong_in_noise(each, level_db, k) for k, each in enumerate(made))
        count += len(errors)
    for level_db, number in wrong.items():
        print(f"noise {level_db:.0f} dB below the peak: {number} of {count} arrivals off by more than 0.3 ms")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 6)
