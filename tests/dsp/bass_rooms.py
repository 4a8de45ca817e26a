"""Rooms for tests of the bass: a modal sum computed here, image sources by pyroomacoustics, and a measured room.

No code of the analysis.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import open_data

from commission.model import Filter

SPEED_M_S = 343.2
BINS_HZ = np.arange(10.0, 321.0)


def measured_room() -> np.ndarray | None:
    """Responses at BINS_HZ of two sources at 37 places [shape=(2, 37, n)]; None where the open data are not here.

    IoSR Surrey, room A: two ears for 37 places of a loudspeaker; by reciprocity two sources at 37 places.
    """
    if not open_data.MEASURED_ROOM.is_file():
        return None
    impulses, rate_hz, _ = open_data.measured_room()
    return np.fft.rfft(impulses, round(rate_hz), axis=-1)[..., BINS_HZ.astype(int)].transpose(1, 0, 2)


def modal_room(
    seed: int, subs: int, seats: int, freq_hz: np.ndarray, decay_s: float = 0.4
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(responses [shape=(subs, seats, n)], size, subwoofers, seats in metres) of a box with nearly rigid walls.

    Kuttruff, Room Acoustics, equation (3.10) (from memory): a sum over the modes of the box, each damped alike. Subwoofers in
    corners and at the middle of walls, unequally loud and late; seats anywhere in the rear two thirds.
    """
    rng = np.random.default_rng([77, seed])
    size = np.array([rng.uniform(4.5, 8), rng.uniform(3.5, 5.5), rng.uniform(2.3, 3)])
    x, y = size[:2]
    spots = [(0.2, 0.2), (x - 0.2, y - 0.2), (x - 0.2, 0.2), (0.2, y - 0.2), (0.2, y / 2), (x - 0.2, y / 2)]
    spots += [(x / 2, 0.2), (x / 2, y - 0.2)]
    places = np.array([(*spot, 0.25) for spot in spots[:subs]])
    places[:, :2] += np.sign(size[:2] / 2 - places[:, :2]) * rng.uniform(0, 0.4, (subs, 2))
    ears = np.column_stack([rng.uniform(0.4, 0.85, seats) * x, rng.uniform(0.2, 0.8, seats) * y, np.full(seats, 1.1)])
    responses = modal_responses(size, places, ears, freq_hz, decay_s)
    late = np.exp(-2j * np.pi * freq_hz * rng.uniform(0, 0.004, (subs, 1, 1)))
    return responses * late * 10 ** (rng.uniform(-3, 3, (subs, 1, 1)) / 20), size, places, ears


def modal_responses(
    size: np.ndarray, places: np.ndarray, ears: np.ndarray, freq_hz: np.ndarray, decay_s: float = 0.4
) -> np.ndarray:
    """The sum over the modes alone [shape=(subs, seats, n)]."""
    order, gain = _modes(tuple(size), tuple(freq_hz), decay_s)

    def shapes(points: np.ndarray) -> np.ndarray:
        return np.prod(np.cos(np.pi * order[None] * points[:, None] / size), axis=-1)

    heard = shapes(places)[:, None] * shapes(ears)[None]
    # Real times complex as real products, which takes half the time.
    parts = heard.reshape(-1, len(order)) @ gain.view(float)
    return parts.view(complex).reshape(len(places), len(ears), -1)


@lru_cache(maxsize=8)
def _modes(size: tuple[float, ...], freq_hz: tuple[float, ...], decay_s: float) -> tuple[np.ndarray, np.ndarray]:
    """The orders of a box's modes [shape=(m, 3)] and their factors at the frequencies [shape=(m, n)], cached for all
    places.
    """
    highest = 2 * max(freq_hz)
    counts = [int(np.ceil(2 * highest * side / SPEED_M_S)) for side in size]
    order = np.stack(np.meshgrid(*(np.arange(c + 1) for c in counts), indexing="ij"), -1).reshape(-1, 3)
    natural = SPEED_M_S / 2 * np.sqrt(((order / size) ** 2).sum(axis=1))
    order, natural = order[natural < highest], natural[natural < highest]
    omega = 2 * np.pi * np.array(freq_hz)
    weight = np.prod(np.where(order > 0, 2, 1), axis=1)
    gain = weight[:, None] / ((2 * np.pi * natural)[:, None] ** 2 - omega**2 + 2j * 6.9 / decay_s * omega)
    return order, gain * omega**2


def image_room(places: np.ndarray, ears: np.ndarray, size: np.ndarray, freq_hz: np.ndarray) -> np.ndarray:
    """Responses by pyroomacoustics' image sources, with walls that absorb a third [shape=(subs, seats, n)]."""
    import pyroomacoustics as pra

    rate = 2000
    room = pra.ShoeBox(size, fs=rate, materials=pra.Material(0.33), max_order=18)
    for place in places:
        room.add_source(place)
    room.add_microphone_array(ears.T)
    room.compute_rir()
    h = np.zeros((len(places), len(ears), max(len(each) for row in room.rir for each in row)))
    for s, row in enumerate(room.rir):
        for i, each in enumerate(row):
            h[i, s, : len(each)] = each
    return np.asarray(h @ np.exp(-2j * np.pi * np.outer(np.arange(h.shape[-1]) - 40, freq_hz) / rate))


def crossover_room(
    seed: int, simulator: str, mains: str = "closed", corner_hz: float = 80.0, seats: int | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """(sum of the subwoofers [shape=(seats, n)], three mains [shape=(3, seats, n)]) through a crossover.

    All arrive at the first seat together and are equally loud. The subwoofers have a low-pass of 24 dB per octave
    (Linkwitz-Riley). The mains have a high-pass of 12 dB per octave before closed loudspeakers, whose own slope makes it 24,
    before vented ones (24 dB per octave at 45 Hz), or before ones without a slope ("flat").
    """
    count, seats = 1 + seed % 4, seats or (3, 6, 9, 12)[seed % 4]
    _, size, places, ears = modal_room(seed, count, seats, BINS_HZ)
    fronts = np.array([[0.3, y * size[1], 1.0] for y in (0.2, 0.5, 0.8)])
    every = np.vstack([places, fronts])
    if simulator == "modes":
        h = modal_responses(size, every, ears, BINS_HZ, (0.2, 0.4, 0.7)[seed % 3]) / BINS_HZ**2
    else:
        h = image_room(every, ears, size, BINS_HZ)
    flight_s = np.linalg.norm(every - ears[0], axis=1) / SPEED_M_S
    h = h * np.exp(2j * np.pi * BINS_HZ * flight_s[:, None, None])
    own = {"closed": high_pass(corner_hz), "vented": high_pass(45.0) ** 2, "flat": np.ones(len(BINS_HZ))}[mains]
    s = 1j * BINS_HZ / corner_hz
    subs, main = h[:count].sum(axis=0) / (s * s + np.sqrt(2) * s + 1) ** 2, h[count:] * high_pass(corner_hz) * own
    low, high = (BINS_HZ > 30) & (BINS_HZ < 60), (BINS_HZ > 120) & (BINS_HZ < 250)
    alike = np.sqrt(np.mean(np.abs(main[..., high]) ** 2) / np.mean(np.abs(subs[..., low]) ** 2))
    return subs * alike, main


def high_pass(corner_hz: float) -> np.ndarray:
    """A Butterworth high-pass of second order, from its polynomial [shape=(n,)]."""
    s = 1j * BINS_HZ / corner_hz
    return np.asarray(s * s / (s * s + np.sqrt(2) * s + 1))


def cookbook(each: Filter, width: str, freq_hz: np.ndarray) -> np.ndarray:
    """The cookbook's peakingEQ by its analogue prototype and scipy's bilinear transform."""
    from scipy import signal

    size = 10 ** (each.gain_db / 40)
    q = {
        "q": each.width,
        "pole-q": each.width / 10 ** (abs(each.gain_db) / 40),
        "octaves": 0.5 / np.sinh(np.log(2) / 2 * each.width),
    }[width]
    warped = 2 * 48000 * np.tan(np.pi * each.frequency_hz / 48000)
    top, bottom = [1 / warped**2, size / q / warped, 1], [1 / warped**2, 1 / (size * q) / warped, 1]
    return np.asarray(signal.freqz(*signal.bilinear(top, bottom, 48000), freq_hz, fs=48000)[1])
