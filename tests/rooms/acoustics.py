"""Responses of every driver at every microphone, without electronics.

`images`: Allen & Berkley 1979 with six surfaces by octave, specular part (1 − s)^n of every reflection, long image sums
at low frequencies. `modes`: the same with a sum of rigid-wall modes (Kuttruff, Room Acoustics, eq. 3.10) at low
frequencies. `pra`: pyroomacoustics, boxes or rooms with other floor plans. What the images leave out arrives as noise
with the energy that a diffuse field has (4πc/V a second, decaying after Eyring).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft, sparse

from rooms.loudspeakers import OCTAVES_HZ
from rooms.measured import late_sound
from rooms.scene import Scene

EARLY_S, BASS_S = 0.08, 0.32
TAPS = 16
AIR = np.array([0.0, 0.0, 0.0, 0.0001, 0.0003, 0.0006, 0.0011, 0.0027, 0.0085, 0.028]) / 2
"""Amplitude attenuation [1/m] by octave, about 20 °C and 50 %: half of the energy attenuation (rounded handbook values)."""


@dataclass
class Base:
    """All drivers at all seats. Spectra follow from `impulses` by a transform of `length`."""

    impulses: list[np.ndarray]
    """Impulse responses for each place [shape=(ways, seats, n)], float32."""
    direct: list[np.ndarray]
    """For each place: distance [m] and, by octave, what of each way leaves toward each seat
    [shape=(ways, seats, 10)]."""
    distance_m: np.ndarray
    """[shape=(places, seats)]"""
    length: int
    rate_hz: int
    speed_m_s: float

    @property
    def freq_hz(self) -> np.ndarray:
        return np.arange(self.length // 2 + 1) * self.rate_hz / self.length


def octave_shares(freq_hz: np.ndarray) -> np.ndarray:
    """Weights of the octaves at each frequency, hats on the octave axis that add up to one. [shape=(10, n)]"""
    position = np.clip(np.log2(np.maximum(freq_hz, 1.0) / OCTAVES_HZ[0]), 0, len(OCTAVES_HZ) - 1)
    return np.maximum(0, 1 - np.abs(position - np.arange(len(OCTAVES_HZ))[:, None]))


def by_octave(values: np.ndarray, freq_hz: np.ndarray) -> np.ndarray:
    """Ten octave values to all frequencies [shape=(…, n)]."""
    return values @ octave_shares(freq_hz)


def base_of(scene: Scene) -> Base:
    """Simulate a room."""
    rate = scene.capture.rate_hz
    frames = round((scene.capture.seconds + 0.1) * rate)
    length = fft.next_fast_len(frames + rate // 4, real=True)
    freq = np.arange(length // 2 + 1) * rate / length
    mics = np.array([s.microphone_m for s in scene.seats]) - [scene.left_m, 0, 0]
    sources = np.array([p.position_m for p in scene.places]) - [scene.left_m, 0, 0]
    mics = np.clip(mics, 0.05, np.array(scene.size_m) - 0.05)
    if scene.simulator.startswith("pra"):
        greens, distance, speed = _pra(scene, sources, mics, freq, rate)
    else:
        greens, distance, speed = _boxes(scene, sources, mics, freq, rate, length)
    impulses, direct = [], []
    fade = np.ones(frames)
    count = round(0.06 * rate)
    fade[-count:] = np.cos(np.linspace(0, np.pi / 2, count)) ** 2
    for place, green, far in zip(scene.places, greens, distance, strict=True):
        ways = place.speaker.way_responses(freq)
        out = fft.irfft(ways[:, None, :] * green, length, axis=-1)[..., :frames] * fade
        impulses.append(out.astype(np.float32))
        toward = (mics - sources[scene.places.index(place)]) / np.maximum(far[:, None], 1e-6)
        cosine = toward @ np.array(place.axis)
        direct.append(np.array([place.speaker.directivity(way, cosine) for way in place.speaker.ways]))
    return Base(impulses, direct, distance, length, rate, speed)


def direct_spectrum(scene: Scene, base: Base, place: int, seat: int) -> np.ndarray:
    """The direct sound alone of each way [shape=(ways, n)]."""
    freq = base.freq_hz
    ways = scene.places[place].speaker.way_responses(freq)
    d = base.distance_m[place, seat]
    gain = by_octave(base.direct[place][:, seat], freq)
    mounted = 2.0 if scene.places[place].speaker.mount == "wall" else 1.0
    return mounted * ways * gain * np.exp(-2j * np.pi * freq * d / base.speed_m_s) / d


# --- boxes --------------------------------------------------------------------------------------------------------


def _lattice(reach_m: float, size: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    counts = [math.ceil((reach_m + s) / (2 * s)) for s in size]
    grids = np.meshgrid(*(np.arange(-n, n + 1) for n in counts), *([np.arange(2)] * 3), indexing="ij")
    flat = np.stack([g.ravel() for g in grids])
    near = np.sqrt(((2 * flat[:3] * size[:, None]) ** 2).sum(axis=0)) < reach_m + 2 * np.linalg.norm(size)
    return flat[:3, near], flat[3:, near]


def _kernel(index: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions and heights of the taps of a band-limited pulse [shape=(k, TAPS)]."""
    first = np.floor(index).astype(int) - TAPS // 2 + 1
    places = first[:, None] + np.arange(TAPS)
    x = places - index[:, None]
    return places, np.sinc(x) * (0.5 + 0.5 * np.cos(np.pi * x / (TAPS / 2 + 0.5)))


def _boxes(scene: Scene, sources, mics, freq, rate, length):
    size, c = np.array(scene.size_m), scene.speed_m_s
    schroeder = 2000 * math.sqrt(float(np.median(scene.t60_s[2:5])) / scene.volume_m3)
    edge = float(np.clip(1.6 * schroeder, 130, 300))
    high = _rise(np.log2(np.maximum(freq, 1) / edge) + 0.5)
    shares = octave_shares(freq)
    early = _lattice(EARLY_S * c, size)
    bass_rate = 1600
    bass_length = fft.next_fast_len(round(length / rate * bass_rate), real=True)
    bass_freq = np.arange(bass_length // 2 + 1) * bass_rate / bass_length
    late = _lattice(BASS_S * c, size)
    modes = None if scene.simulator == "images" else _modes(scene, edge)
    distance = np.sqrt(((sources[:, None] - mics[None]) ** 2).sum(axis=-1))
    greens = []
    rng = np.random.default_rng([5, scene.seed])
    for k, place in enumerate(scene.places):
        speaker = place.speaker
        out = np.empty((len(speaker.ways), len(mics), len(freq)), complex)
        axis = np.array(place.axis)
        table_cos = np.linspace(-1, 1, 91)
        tables = np.array([speaker.directivity(way, table_cos) for way in speaker.ways])
        power = np.array([by_octave(speaker.power_response(way), freq) for way in speaker.ways])
        for s, mic in enumerate(mics):
            tail = _tail(scene, distance[k, s], rate, length, freq, shares, rng)
            gain, far, cosine = _image_gains(scene, sources[k], mic, early, EARLY_S, axis)
            turn = np.interp(cosine, [-1, 1], [0, 90]).round().astype(int)
            places, taps = _kernel(far / c * rate)
            inside = (places >= 0) & (places < length)
            matrix = sparse.csr_matrix(
                (
                    np.where(inside, taps, 0).ravel(),
                    (np.clip(places, 0, length - 1).ravel(), np.repeat(np.arange(len(far)), TAPS)),
                ),
                shape=(length, len(far)),
            )
            for w in range(len(speaker.ways)):
                traces = matrix @ (gain * tables[w][turn])
                spectrum = (fft.rfft(traces, axis=0).T * shares).sum(axis=0)
                out[w, s] = spectrum + power[w] * tail
            low_band = freq < 2.2 * edge
            if modes is not None:
                low = _modal(scene, modes, sources[k], mic, freq[low_band])
            else:
                gain, far, cosine = _image_gains(scene, sources[k], mic, late, BASS_S, axis, octaves=5)
                places, taps = _kernel(far / c * bass_rate)
                traces = np.stack(
                    [
                        np.bincount(
                            np.maximum(places, 0).ravel(), (taps * gain[:, b, None]).ravel(), minlength=bass_length
                        )[:bass_length]
                        for b in range(5)
                    ]
                )
                bass = (fft.rfft(traces, axis=-1) * octave_shares(bass_freq)[:5]).sum(axis=0)
                bass += octave_shares(bass_freq)[5:].sum(axis=0) * fft.rfft(traces[4])
                low = np.interp(freq[low_band], bass_freq, bass.real) + 1j * np.interp(
                    freq[low_band], bass_freq, bass.imag
                )
            weight = high[low_band]
            for w in range(len(speaker.ways)):
                out[w, s, low_band] = weight * out[w, s, low_band] + (1 - weight) * low
        # Seat backs take treble from what comes from behind at ear height.
        if scene.seat_backs_db and place.role == "surround":
            for s, mic in enumerate(mics):
                if sources[k][1] > mic[1] + 0.8 and sources[k][2] < mic[2] + 0.6:
                    loss = 10 ** (-scene.seat_backs_db / 20 * np.clip(np.log2(np.maximum(freq, 1) / 1000) / 2, 0, 1))
                    d = distance[k, s]
                    direct = np.exp(-2j * np.pi * freq * d / c) / d
                    for w, way in enumerate(speaker.ways):
                        cosine = float((mic - sources[k]) @ axis / d)
                        out[w, s] += (loss - 1) * direct * by_octave(speaker.directivity(way, np.array(cosine)), freq)
        greens.append(out)
    return greens, distance, c


def _rise(x):
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0, 1))


def _image_gains(scene: Scene, source, mic, lattice, reach_s, axis, octaves: int = 10):
    """(amplitude by octave [shape=(k, octaves)], distance [m], cosine to the mirrored axis) of all images in reach."""
    size = np.array(scene.size_m)
    cells, mirrored = lattice
    images = (1 - 2 * mirrored) * source[:, None] + 2 * cells * size[:, None]
    toward = mic[:, None] - images
    far = np.sqrt((toward**2).sum(axis=0))
    near = far < reach_s * scene.speed_m_s
    cells, mirrored, far, toward = cells[:, near], mirrored[:, near], far[near], toward[:, near]
    low, high = np.abs(cells - mirrored), np.abs(cells)  # hits at the walls at 0 and at the far end
    log_r = 0.5 * np.log1p(-scene.absorption)[:, :octaves]
    order = np.stack([low[0], high[0], low[1], high[1], low[2], high[2]])
    specular = 0.5 * np.log1p(-scene.scattering[:octaves])
    gain = np.exp(order.T @ log_r + order.sum(axis=0)[:, None] * specular - far[:, None] * AIR[:octaves])
    gain /= np.maximum(far, 0.05)[:, None]
    gain *= np.sqrt(1 - np.clip((far / scene.speed_m_s / reach_s - 0.75) / 0.25, 0, 1))[:, None]
    facing = (1 - 2 * mirrored) * axis[:, None]
    cosine = (toward * facing).sum(axis=0) / np.maximum(far, 0.05)
    return gain, far, cosine


def _tail(scene: Scene, far_m: float, rate, length, freq, shares, rng, fades=None) -> np.ndarray:
    """Scattered and late sound as decaying noise."""
    time = np.arange(min(length, round((scene.capture.seconds + 0.1) * rate))) / rate
    noise = rng.standard_normal(len(time))
    if scene.simulator == "measured" and late_sound():
        real = late_sound()[scene.seed % len(late_sound())]
        noise = np.roll(np.resize(real, len(time)), int(rng.integers(len(time)))) * rng.choice([-1, 1])
    w, d, h = scene.size_m
    bounces = scene.speed_m_s * 2 * (w * d + w * h + d * h) / (4 * scene.volume_m3) * time
    first, last = fades or (0.75 * EARLY_S, EARLY_S)
    faded = np.clip((time - far_m / scene.speed_m_s * (fades is not None) - first) / (last - first), 0, 1)
    begun = np.clip((time - far_m / scene.speed_m_s - 0.001) / 0.006, 0, 1)
    density = 4 * np.pi * scene.speed_m_s / scene.volume_m3
    spectrum = np.zeros(len(freq), complex)
    for octave in range(3, 10):
        specular = (1 - scene.scattering[octave]) ** bounces
        share = np.maximum(0.0 if fades else 1 - specular, faded) * begun
        envelope = np.sqrt(density * np.exp(-13.8155 * time / scene.t60_s[octave]) * share / rate)
        spectrum += shares[octave] * fft.rfft(noise * envelope, length)
    return spectrum


def _modes(scene: Scene, edge_hz: float):
    """Wave numbers of each mode in three directions, its frequency and decay."""
    size, c = np.array(scene.size_m), scene.speed_m_s
    top = 2.6 * edge_hz
    counts = [int(2 * s * top / c) + 1 for s in size]
    n = np.stack([g.ravel() for g in np.meshgrid(*(np.arange(k + 1) for k in counts), indexing="ij")])
    k = np.pi * n / size[:, None]
    hz = c * np.sqrt((k**2).sum(axis=0)) / (2 * np.pi)
    keep = hz < top
    n, k, hz = n[:, keep], k[:, keep], hz[keep]
    # Each direction is damped by its own two walls; a mode that grazes a wall half as much (Kuttruff, section 3.3).
    log_r = -0.5 * np.log1p(-np.clip(scene.absorption, 0, 0.95))
    octave = np.clip(np.log2(np.maximum(hz, 31.25) / 31.25), 0, 9)
    rate = np.zeros(len(hz))
    for axis in range(3):
        both = np.interp(octave, np.arange(10), log_r[2 * axis]) + np.interp(
            octave, np.arange(10), log_r[2 * axis + 1]
        )
        rate += np.where(n[axis] > 0, 1.0, 0.5) * both * c / (2 * size[axis]) * 0.8
    return k, 2 * np.pi * np.maximum(hz, 4.0), rate, np.where(n > 0, 2.0, 1.0).prod(axis=0)


def _modal(scene: Scene, modes, source, mic, freq) -> np.ndarray:
    """4π times the Green's function of the box: Σ ψ(r)ψ(r0)/(V·(k_n² − k² + 2jkδ/c))."""
    k, omega, decay, norm = modes
    shape = np.cos(k * source[:, None]).prod(axis=0) * np.cos(k * mic[:, None]).prod(axis=0) * norm
    key = (id(modes[1]), len(freq))
    if key not in _RESONANCES:
        _RESONANCES.clear()
        w = 2 * np.pi * freq[None, :]
        _RESONANCES[key] = scene.speed_m_s**2 / (omega[:, None] ** 2 - w**2 + 2j * w * decay[:, None])
    return 4 * np.pi / scene.volume_m3 * (shape @ _RESONANCES[key])


_RESONANCES: dict[tuple[int, int], np.ndarray] = {}


# --- the other simulator ------------------------------------------------------------------------------------------


def _pra_room(scene: Scene, rate: int, subs: bool):
    """For subwoofers the walls reflect all frequencies alike: filters by octave would begin before the sound does."""
    import pyroomacoustics as pra

    pra.constants.set("rir_hpf_enable", False)  # it runs forwards and backwards, which would begin before the sound
    names = ("west", "east", "south", "north", "floor", "ceiling")
    bands = {"center_freqs": [125, 250, 500, 1000, 2000, 4000, 8000]}
    if subs:
        walls = {name: pra.Material(float(scene.absorption[i, 1])) for i, name in enumerate(names)}
    else:
        scattering = {"coeffs": list(scene.scattering[2:9]), **bands}
        walls = {
            name: pra.Material({"coeffs": list(scene.absorption[i, 2:9]), **bands}, scattering)
            for i, name in enumerate(names)
        }
    air = {"air_absorption": not subs, "temperature": scene.temperature_c, "humidity": 50}
    if scene.corners is None:
        return pra.ShoeBox(scene.size_m, fs=rate, max_order=16 if subs else 13, materials=walls, **air)
    sides = [walls[names[i % 4]] for i in range(scene.corners.shape[1])]
    room = pra.Room.from_corners(scene.corners, fs=rate, max_order=8, materials=sides, **air)
    room.extrude(scene.size_m[2], materials={"floor": walls["floor"], "ceiling": walls["ceiling"]})
    return room


def _pra(scene: Scene, sources, mics, freq, rate):
    """Pyroomacoustics; the driver's directivity acts on the direct sound, its power response on the rest."""
    inside = np.clip(sources, 0.004, np.array(scene.size_m) - 0.004)  # built in: as good as flush
    is_sub = np.array([p.speaker.is_sub for p in scene.places])
    rirs: dict[int, list[np.ndarray]] = {}
    for subs in (False, True):
        chosen = np.flatnonzero(is_sub == subs)
        if len(chosen):
            room = _pra_room(scene, rate, subs)
            for each in inside[chosen]:
                room.add_source(each)
            room.add_microphone_array(mics.T)
            room.image_source_model()
            room.compute_rir()
            rirs |= {int(k): [room.rir[s][n] for s in range(len(mics))] for n, k in enumerate(chosen)}
    distance = np.sqrt(((inside[:, None] - mics[None]) ** 2).sum(axis=-1))
    length = 2 * (len(freq) - 1)
    early = 40 / rate  # its fractional delay filters begin 40 samples early
    turn = np.exp(2j * np.pi * freq * early)
    greens, shares, rng = [], octave_shares(freq), np.random.default_rng([6, scene.seed])
    for k, place in enumerate(scene.places):
        speaker = place.speaker
        padded = np.zeros((len(mics), length))
        for s, rir in enumerate(rirs[k]):
            padded[s, : min(len(rir), length)] = rir[:length]
        total = fft.rfft(padded, axis=-1) * turn
        d = distance[k][:, None]
        direct = np.exp(-2j * np.pi * freq * d / room.c) / d
        cosine = ((mics - inside[k]) @ np.array(place.axis)) / distance[k]
        if scene.corners is not None:  # few reflections, so that the end is noise
            total += np.array([_tail(scene, d, rate, length, freq, shares, rng, (0.02, 0.055)) for d in distance[k]])
        out = []
        for way in speaker.ways:
            toward, power = (
                by_octave(speaker.directivity(way, cosine), freq),
                by_octave(speaker.power_response(way), freq),
            )
            out.append(toward * direct + power * (total - direct))
        greens.append(np.array(out))
    return greens, distance, float(room.c)
