"""Rooms that are not made of image sources: modes in the bass, plane waves from random directions above it.

The statistical model of a room (H. Kuttruff, Room Acoustics, chapters 3 and 4, from memory): the direct sound, then waves
that arrive as densely as 4πc³t²/V from all directions, with the energy of a diffuse field, 4πc/V a second, decaying by 60
dB in T. Below about 1.4 times the Schroeder frequency a sum of the modes of a box with rigid walls, each damped by its own
T. All microphones of one seat hear the same waves, each at its own time, so that a displaced microphone receives physically
consistent sound. Nothing is shared with the program or with `placement.py`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft

SPEED_M_S, OVERSAMPLING, DENSEST_HZ = 343.2, 8, 6000.0


@dataclass(frozen=True)
class Room:
    """A box, its decay and the places in it."""

    size_m: np.ndarray
    t60_s: float
    bass_t60_s: float
    sources_m: np.ndarray
    """Subwoofers last."""
    seats_m: np.ndarray
    directivity: np.ndarray
    """Directivity of each source: energy toward the seats over the mean of all directions."""


def room(seed: int, mains: int = 5, subs: int = 2, seats: int = 6) -> Room:
    """One cinema; two rows of seats."""
    rng = np.random.default_rng([31, seed])
    size = np.array([rng.uniform(3.4, 5.6), rng.uniform(4.8, 8.0), rng.uniform(2.3, 3.0)])
    width, length, height = size
    front = rng.uniform(0.45, 0.6) * length
    pitch = min(0.75, (width - 1.0) / 2)
    columns = seats // 2
    places = [
        (width / 2 + pitch * (k - (columns - 1) / 2) + rng.normal(0, 0.02), front + 1.1 * row, 1.1 + 0.2 * row)
        for row in (0, 1)
        for k in range(columns)
    ]
    ears = np.minimum(np.array(places), size - 0.4)
    at = [
        (0.18 * width, 0.35, 1.1),
        (0.5 * width, 0.3, 0.8),
        (0.82 * width, 0.35, 1.1),
        (0.1, front, 1.5),
        (0.8 * width, min(front + 1.0, length - 0.4), height - 0.05),
    ][:mains]
    at += [(0.35, 0.4, 0.3), (width - 0.4, length - 0.45, 0.25)][:subs]
    return Room(
        size_m=size,
        t60_s=rng.uniform(0.2, 0.45),
        bass_t60_s=rng.uniform(0.35, 0.7),
        sources_m=np.array(at),
        seats_m=ears,
        directivity=np.concatenate([rng.uniform(2, 8, mains), np.ones(subs)]),
    )


def responses(
    own: Room, offsets_m: np.ndarray, seed: int, rate_hz: int = 24000, seconds: float = 0.4
) -> tuple[np.ndarray, np.ndarray]:
    """(impulse responses [shape=(sources, seats, placements, n)], flights [s] to the seats [shape=(sources, seats)]).

    `offsets_m`: of the microphone from its seat [shape=(seats, placements, 3)].
    """
    frames = round(seconds * rate_hz)
    length = fft.next_fast_len(2 * frames, real=True)
    freq = np.arange(length // 2 + 1) * rate_hz / length
    volume = float(np.prod(own.size_m))
    edge = float(np.clip(2800 * math.sqrt(own.bass_t60_s / volume), 120, 300))
    high = 0.5 - 0.5 * np.cos(np.pi * np.clip(np.log2(np.maximum(freq, 1) / edge) + 0.5, 0, 1))
    low_band = high < 1
    modes = _modes(own, 2.2 * edge, freq[low_band])
    out = np.empty((len(own.sources_m), *offsets_m.shape[:2], frames), np.float32)
    flights = np.linalg.norm(own.sources_m[:, None] - own.seats_m, axis=-1) / SPEED_M_S
    for i, source in enumerate(own.sources_m):
        for s, seat in enumerate(own.seats_m):
            rng = np.random.default_rng([32, seed, i, s])
            ears = seat + offsets_m[s]
            waves = _waves(own, source, seat, ears, float(own.directivity[i]), rng, seconds, rate_hz, length)
            spectrum = waves * high
            spectrum[:, low_band] += (1 - high[low_band]) * _modal(modes, source, ears)
            out[i, s] = fft.irfft(spectrum, length, axis=-1)[:, :frames]
    return out, flights


def _waves(own, source, seat, ears, directivity, rng, seconds, rate_hz, length):
    """Spectra at all placements of one seat [shape=(placements, bins)]."""
    volume, c = float(np.prod(own.size_m)), SPEED_M_S
    flight = float(np.linalg.norm(source - seat)) / c
    grid = np.arange(flight, seconds, 1e-4)
    density = np.minimum(4 * np.pi * c**3 * grid**2 / volume, DENSEST_HZ)
    at = np.repeat(grid, rng.poisson(density * 1e-4))
    at = at + rng.uniform(0, 1e-4, len(at))
    energy = 4 * np.pi * c / volume / directivity * np.exp(-13.8155 * (at - flight) / own.t60_s)
    gain = np.sqrt(energy / np.minimum(4 * np.pi * c**3 * at**2 / volume, DENSEST_HZ)) * rng.choice([-1, 1], len(at))
    way = rng.normal(size=(len(at), 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    count = length * OVERSAMPLING
    spectra = []
    for ear in ears:
        far = float(np.linalg.norm(source - ear))
        times = np.concatenate(([far / c], at + way @ (ear - seat) / c))
        gains = np.concatenate(([1 / far], gain))
        index = np.clip(np.round(times * rate_hz * OVERSAMPLING).astype(int), 0, count - 1)
        fine = np.bincount(index, weights=gains, minlength=count)
        spectra.append(fft.rfft(fine)[: length // 2 + 1])
    return np.array(spectra)


def _modes(own: Room, top_hz: float, freq_hz: np.ndarray):
    size, c = own.size_m, SPEED_M_S
    counts = [int(2 * s * top_hz / c) + 1 for s in size]
    n = np.stack([g.ravel() for g in np.meshgrid(*(np.arange(k + 1) for k in counts), indexing="ij")])
    k = np.pi * n / size[:, None]
    hz = c * np.sqrt((k**2).sum(axis=0)) / (2 * np.pi)
    keep = (hz < top_hz) & (hz > 5)
    k, hz, n = k[:, keep], hz[keep], n[:, keep]
    norm = np.where(n > 0, 2.0, 1.0).prod(axis=0)
    w = 2 * np.pi * freq_hz[None, :]
    decay = 6.9078 / own.bass_t60_s
    resonance = c**2 / ((2 * np.pi * hz[:, None]) ** 2 - w**2 + 2j * w * decay)
    return k, norm * 4 * np.pi / float(np.prod(size)), resonance


def _modal(modes, source, ears):
    """Spectra of the modes at the ears [shape=(placements, bins)]."""
    k, norm, resonance = modes
    at_source = np.cos(k * source[:, None]).prod(axis=0) * norm
    at_ears = np.cos(k[None] * ears[:, :, None]).prod(axis=1)
    return (at_ears * at_source) @ resonance
