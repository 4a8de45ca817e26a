"""A room's responses through electronics, wiring, microphone and recorder: an installer's files.

A `Plan` starts as the healthy visit; a fault changes some of its fields. Recordings are only made again where a plan
differs from the healthy one, so that a fault costs little.
"""

from __future__ import annotations

import io
import math
from copy import copy, deepcopy
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
import soundfile
from scipy import fft, signal

from rooms import loud, quiet
from rooms.acoustics import Base, base_of, direct_spectrum
from rooms.loud import Load
from rooms.loudspeakers import bell, butterworth, shelf
from rooms.placing import aim_m
from rooms.quiet import State
from rooms.scene import Scene

FOOT_M = 0.3048
MAIN_HZ, SUB_HZ = (500.0, 2000.0), (30.0, 80.0)
TARGET_DB = 75.0
METER_SCATTER_DB = 0.2
TRIM_LIMIT_DB = 12.0
"""The processor's trims reach from minus this to plus this."""


@dataclass
class Reflection:
    """One more path: later by `delay_s` than the direct sound and `gain_db` re it."""

    delay_s: float
    gain_db: float


@dataclass(frozen=True)
class Other:
    """An output in which a channel plays beside its own."""

    channel: str
    gain_db: float
    later_s: float = 0.0
    """Additional delay of a decoder."""
    cable: bool = False
    """Joined behind the processor: with the channel's own trim and delay, not with those of the output."""


@dataclass
class Plan:
    """One visit. Keys are channels, seats, or (channel, seat)."""

    place_of: dict[str, str]
    """Channel → the channel whose loudspeaker it feeds."""
    way_factor: dict[str, list[float]]
    """Factor for each way of the loudspeaker on this channel: 1, −1 (driver reversed) or 0 (dead)."""
    sign: dict[str, int]
    """Sign of the loudspeaker's terminals."""
    muted: set[str] = field(default_factory=set)
    knob_db: dict[str, float] = field(default_factory=dict)
    """Level control at the subwoofer itself."""
    trim_db: dict[str, float] = field(default_factory=dict)
    noted_trim_db: dict[str, float] = field(default_factory=dict)
    setting: dict[str, float] = field(default_factory=dict)
    """Distance or delay as set in the processor, in its unit."""
    noted_setting: dict[str, float] = field(default_factory=dict)
    noted_polarity: dict[str, str] = field(default_factory=dict)
    delay_factor: float = 1.0
    """Factor of the processor on its delays: 1, 0 (bypassed), −1 (sign), 3.28 (takes metres for feet)."""
    high_pass: set[str] = field(default_factory=set)
    volume_db: float = 0.0
    meter_db: dict[str, float] = field(default_factory=dict)
    meter_passes: int = 1
    """Number of readings of each channel."""
    microphone_at: dict[tuple[str, str], str] = field(default_factory=dict)
    """True positions of the microphone."""
    file_of: dict[tuple[str, str], tuple[str, str]] = field(default_factory=dict)
    """Whose recording was given for a place (files exchanged or used twice)."""
    recode: dict[tuple[str, str], str] = field(default_factory=dict)
    """The file there was encoded again: its subtype, or "gain"."""
    gain_db: dict[str, float] = field(default_factory=dict)
    """Gain of the microphone at a seat."""
    seat_shelf_db: dict[str, tuple[float, float]] = field(default_factory=dict)
    """Another response of the microphone at a seat: corner [Hz], change above [dB]."""
    extra_latency_s: dict[str, float] = field(default_factory=dict)
    """Latency of the loudspeaker on this channel."""
    replayed: set[tuple[str, str]] = field(default_factory=set)
    """Of `file_of`: not the same file, but the same thing recorded once more."""
    chain_sign: int = 1
    extra_noise: dict[tuple[str, str], tuple[float, float, float]] = field(default_factory=dict)
    """Noise between two frequencies in one recording, dB re the response's level there."""
    extra_hum: dict[tuple[str, str], tuple[float, float]] = field(default_factory=dict)
    clip: dict[tuple[str, str], float] = field(default_factory=dict)
    """Share of the peak at which it was cut off."""
    clock_jitter_s: float = 0.0
    """Spread of the recordings' time origins though they are imported as on one clock."""
    also: dict[str, tuple[Other, ...]] = field(default_factory=dict)
    """Other loudspeakers that play a channel."""
    loads: dict[str, Load] = field(default_factory=dict)
    """By channel: what its loudspeaker does to a sweep. Where given, the reference seat gets a louder one, too."""
    aims: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    """By channel: a point on the axis of its loudspeaker, as entered."""
    states: tuple[State, ...] = ()
    """The room's own noise, where it was recorded."""
    lip_sync_ms: float | None = None
    """Delay of the sound after the picture, as typed."""
    stimulus_factor: float = 1.0
    """Length of the sweep that was really played re the stimulus file given."""
    reflections: dict[str, tuple[Reflection, ...]] = field(default_factory=dict)
    """By loudspeaker's channel."""
    blocked: dict[tuple[str, str], float] = field(default_factory=dict)
    """Loss of the first 15 ms above 3 kHz, dB."""
    notch: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    """Bass at a seat: centre [Hz], Q, depth [dB] (a nodal plane that every source has in common)."""


def octave_level_db(power, freq, low_hz, high_hz) -> float:
    """10·lg of the pink-weighted mean of |H|² in a band."""
    inside = (freq >= low_hz) & (freq <= high_hz)
    weight = 1 / freq[inside]
    return float(10 * np.log10(np.sum(power[inside] * weight) / np.sum(weight) + 1e-30))


class Installation:
    """A scene with its responses and everything that healthy settings follow from."""

    def __init__(self, scene: Scene, base: Base | None = None) -> None:
        self.scene = scene
        self.base = base or base_of(scene)
        self.freq = self.base.freq_hz
        self.seat_ids = [s.id for s in scene.seats]
        self.channels = [p.channel for p in scene.places]
        self.rng = np.random.default_rng([9, scene.seed])
        self._mic = self._microphone()
        self._driver_spectra: dict[tuple[str, str], np.ndarray] = {}
        self._scale = 1.0
        self.healthy = self._healthy()
        peak = max(
            float(np.max(np.abs(self.impulse(self.healthy, c, s)))) for c in self.channels for s in self.seat_ids
        )
        self._scale = scene.capture.peak_fs / peak
        self._made: dict[str, bytes] = {}
        self._rms: float | None = None
        self._sweep = self._sweep_signal(scene.capture.sweep_s)

    # --- settings ---

    def own_distance_m(self, channel: str) -> float:
        """What a careful installer enters: tape, and the flight that a subwoofer's own latency is worth."""
        return self.scene.tape_m[channel] + self.scene.place(channel).speaker.latency_s * self.scene.speed_m_s

    def settings_for(self, distances_m: dict[str, float]) -> dict[str, float]:
        """Rounded settings in the processor's unit."""
        p, c = self.scene.processor, self.scene.speed_m_s
        if p.unit == "ms":
            far = max(distances_m.values())
            exact = {k: 1000 * (far - d) / c for k, d in distances_m.items()}
        else:
            scale = (p.speed_m_s / c if p.speed_known else 1.0) / (FOOT_M if p.unit == "ft" else 1.0)
            exact = {k: d * scale for k, d in distances_m.items()}
        return {k: round(round(v / p.step) * p.step, 4) for k, v in exact.items()}

    def delays_s(self, plan: Plan) -> dict[str, float]:
        """Delays of the processor."""
        p = self.scene.processor
        if p.unit == "ms":
            exact = {k: v / 1000 for k, v in plan.setting.items()}
        else:
            far = max(plan.setting.values())
            unit = FOOT_M if p.unit == "ft" else 1.0
            exact = {k: (far - v) * unit / p.speed_m_s for k, v in plan.setting.items()}
        delays = {k: plan.delay_factor * v for k, v in exact.items()}
        least = min(delays.values())
        return {k: v - min(least, 0.0) for k, v in delays.items()}

    def _healthy(self) -> Plan:
        scene = self.scene
        plan = Plan(
            place_of={c: c for c in self.channels},
            way_factor={p.channel: [1.0] * len(p.speaker.ways) for p in scene.places},
            sign=dict.fromkeys(self.channels, 1),
            trim_db=dict.fromkeys(self.channels, 0.0),
            high_pass=set(scene.high_pass_hz),
        )
        plan.setting = self.settings_for({c: self.own_distance_m(c) for c in self.channels})
        levels = {c: self.level_db(plan, c, scene.reference.id) for c in self.channels}
        mains = [v for c, v in levels.items() if scene.place(c).role != "sub"]
        self.spl_db = TARGET_DB - float(np.median(mains))
        for c in scene.subs:
            plan.knob_db[c] = TARGET_DB - self.spl_db - levels[c] + float(self.rng.uniform(-4, 4))
            levels[c] += plan.knob_db[c]
        step = scene.processor.trim_step_db
        for c, level in levels.items():
            trim = TARGET_DB - (level + self.spl_db) + float(self.rng.normal(0, 0.12))
            plan.trim_db[c] = round(round(float(np.clip(trim, -TRIM_LIMIT_DB, TRIM_LIMIT_DB)) / step) * step, 3)
        plan.noted_trim_db = dict(plan.trim_db)
        plan.noted_setting = dict(plan.setting)
        plan.noted_polarity = dict.fromkeys(self.channels, "normal")
        self.meter_scatter_db = {c: float(self.rng.normal(0, METER_SCATTER_DB)) for c in self.channels}
        return plan

    def meter_db(self, plan: Plan, channel: str, earlier: int = 0) -> float:
        """A reading of the hand-held meter at the reference seat; `earlier`: how many were made before."""
        level = self.level_db(plan, channel, self.scene.reference.id)
        room = 32.0 if not self.scene.place(channel).role == "sub" else 42.0
        heard = 10 * math.log10(10 ** ((level + self.spl_db + plan.volume_db) / 10) + 10 ** (room / 10))
        scatter_db = self.meter_scatter_db[channel]
        if earlier:
            rng = np.random.default_rng([self.scene.seed, earlier, self.channels.index(channel)])
            scatter_db = float(rng.normal(0, METER_SCATTER_DB))
        return round(heard + self.scene.meter_offset_db + scatter_db, 1)

    # --- sound ---

    def drivers(self, place: str, seat: str) -> np.ndarray:
        """Spectra of every driver of the loudspeaker that belongs to a channel, at a seat [shape=(ways, n)]."""
        key = (place, seat)
        if key not in self._driver_spectra:
            k, s = self.channels.index(place), self.seat_ids.index(seat)
            if len(self._driver_spectra) > 400:
                self._driver_spectra.clear()
            self._driver_spectra[key] = fft.rfft(self.base.impulses[k][:, s], self.base.length, axis=-1)
        return self._driver_spectra[key]

    def acoustic(self, plan: Plan, place: str, seat: str) -> np.ndarray:
        """Spectrum of a loudspeaker at a seat with its own faults and what is in the way."""
        factors = np.array(plan.way_factor[place])[:, None]
        total = (factors * self.drivers(place, seat)).sum(axis=0)
        k, s = self.channels.index(place), self.seat_ids.index(seat)
        if (place, seat) in plan.blocked or place in plan.reflections:
            direct = (factors * direct_spectrum(self.scene, self.base, k, s)).sum(axis=0)
            if (place, seat) in plan.blocked:
                octaves = np.clip(np.log2(np.maximum(self.freq, 1) / 1500), 0, 1)
                early = self._early(total, self.base.distance_m[k, s] / self.base.speed_m_s)
                total = total + (10 ** (-plan.blocked[(place, seat)] / 20 * octaves) - 1) * early
            for each in plan.reflections.get(place, ()):
                turn = np.exp(-2j * np.pi * self.freq * each.delay_s)
                total = total + 10 ** (each.gain_db / 20) * turn * direct
        if seat in plan.notch:
            hz, q, depth = plan.notch[seat]
            total = total * bell(self.freq, hz, q, -depth)
        return total * plan.sign[place] * 10 ** (plan.knob_db.get(place, 0.0) / 20)

    def _early(self, spectrum: np.ndarray, arrival_s: float) -> np.ndarray:
        """The first 15 ms of a response: what a pillar or a high back takes away."""
        rate = self.base.rate_hz
        time = np.arange(self.base.length) / rate
        window = np.clip((arrival_s + 0.018 - time) / 0.006, 0, 1) * (time < self.base.length / rate / 2)
        late_wrapped = time > self.base.length / rate * 0.98  # what begins a little before zero
        return fft.rfft(fft.irfft(spectrum, self.base.length) * np.maximum(window, late_wrapped))

    def spectrum(self, plan: Plan, channel: str, seat: str, *, microphone: bool = True) -> np.ndarray:
        """Channel at a seat as recorded, latency included, without noise; full scale not yet applied."""
        scene, p = self.scene, self.scene.processor
        at = plan.microphone_at.get((channel, seat), seat)
        place = plan.place_of[channel]
        h = self.acoustic(plan, place, at)
        delay = p.latency_s + plan.extra_latency_s.get(place, 0.0)
        if p.passes_delays:
            delay += self.delays_s(plan)[channel]
            h = h * 10 ** (plan.trim_db[channel] / 20)
            if channel in plan.high_pass:
                h = h * butterworth(self.freq, scene.high_pass_hz[channel], 2, True)
        if channel in plan.muted:
            h = h * 1e-4
        h = h * np.exp(-2j * np.pi * self.freq * delay)
        for other in plan.also.get(channel, ()):
            h = h + self._other_output(plan, channel, other, at)
        if microphone:
            h = h * self._mic * plan.chain_sign * 10 ** (plan.gain_db.get(seat, 0.0) / 20)
            if seat in plan.seat_shelf_db:
                h = h * shelf(self.freq, *plan.seat_shelf_db[seat])
        return h

    def _other_output(self, plan: Plan, channel: str, other: Other, seat: str) -> np.ndarray:
        """Spectrum of what another output makes of a channel's signal."""
        p, place = self.scene.processor, plan.place_of[other.channel]
        delay, gain_db = p.latency_s + plan.extra_latency_s.get(place, 0.0) + other.later_s, other.gain_db
        if p.passes_delays:
            setting = channel if other.cable else other.channel
            delay += self.delays_s(plan)[setting]
            gain_db += plan.trim_db[setting]
        turn = np.exp(-2j * np.pi * self.freq * delay)
        return np.asarray(10 ** (gain_db / 20) * turn * self.acoustic(plan, place, seat))

    def level_db(self, plan: Plan, channel: str, seat: str) -> float:
        """Level by the processor's test noise, trim included, without the microphone."""
        place = plan.place_of[channel]
        low, high = SUB_HZ if self.scene.place(channel).role == "sub" else MAIN_HZ
        power = np.abs(self.acoustic(plan, place, seat)) ** 2
        muted = -80.0 if channel in plan.muted else 0.0
        return octave_level_db(power, self.freq, low, high) + plan.trim_db[channel] + muted

    def impulse(self, plan: Plan, channel: str, seat: str) -> np.ndarray:
        """Impulse response without noise [shape=(n,)]."""
        frames = round((self.scene.capture.seconds + 0.02) * self.base.rate_hz)
        return fft.irfft(self.spectrum(plan, channel, seat), self.base.length)[:frames] * self._scale

    def _microphone(self) -> np.ndarray:
        out = shelf(self.freq, 6000.0, self.scene.capture.microphone_shelf_db) * butterworth(self.freq, 8.0, 1, True)
        for each in self.scene.capture.microphone:
            out = out * bell(self.freq, *each)
        return out

    # --- recordings ---

    def _noise(self, count: int, rate: int, rms: float, rng: np.random.Generator) -> np.ndarray:
        """Noise of the room, some hum."""
        white = fft.rfft(rng.standard_normal(count))
        freq = np.fft.rfftfreq(count, 1 / rate)
        noise = fft.irfft(white * self._noise_shape(freq), count)
        noise *= rms / np.sqrt(np.mean(noise**2))
        capture = self.scene.capture
        if capture.hum_hz is not None:
            time = np.arange(count) / rate
            for k in (1, 2, 3):
                level = rms * 10 ** (capture.hum_db / 20) / k
                noise += math.sqrt(2) * level * np.sin(2 * np.pi * k * capture.hum_hz * time + rng.uniform(0, 6.28))
        return noise

    def _noise_rms(self) -> float:
        """Of one sample of a file, so that the worst healthy response has the scene's signal-to-noise ratio.

        The ratio is that of the energies in the band in which levels are read, over the length of the response.
        """
        if self._rms is None:
            self._rms = 1.0
            self._rms = 10 ** (-self.scene.capture.snr_db / 20) * 10 ** (min(self._snr_unit_db().values()) / 20)
        return self._rms

    def _snr_unit_db(self) -> dict[tuple[str, str], float]:
        """Signal-to-noise ratio by (channel, seat) if the noise had an rms of 1."""
        rate, capture = self.base.rate_hz, self.scene.capture
        count = round((0.6 if capture.raw_sweep else capture.seconds) * rate)
        freq = np.fft.rfftfreq(count, 1 / rate)
        noise = self._noise_shape(freq) ** 2
        noise *= count**2 / (2 * np.sum(noise))  # Parseval: rms 1 over `count` samples
        out = {}
        played = np.abs(fft.rfft(self._sweep, self.base.length * 8)) ** 2 if capture.raw_sweep else None
        for channel in self.channels:
            low, high = SUB_HZ if self.scene.place(channel).role == "sub" else MAIN_HZ
            inside, inside_own = (freq >= low) & (freq <= high), (self.freq >= low) & (self.freq <= high)
            per_hz = np.mean(noise[inside] * np.minimum(1, 1 / freq[inside])) / np.mean(1 / freq[inside])
            for seat in self.seat_ids:
                power = np.abs(self.spectrum(self.healthy, channel, seat) * self._scale) ** 2
                if played is not None:
                    k = (self.freq * 8 * self.base.length / rate).round().astype(int)
                    power = power * np.interp(
                        self.freq, np.arange(len(played)) * rate / (8 * self.base.length), played
                    )
                    power = power * (capture.peak_fs / self._sweep_peak()) ** 2
                    del k
                weight = 1 / self.freq[inside_own]
                out[(channel, seat)] = 10 * math.log10(
                    float(np.sum(power[inside_own] * weight) / np.sum(weight)) / per_hz
                )
        return out

    def snr_db(self) -> dict[tuple[str, str], float]:
        """True signal-to-noise ratio of the healthy visit, with what 16 bits without dither add to subwoofers and soft files."""
        rms_db = 20 * math.log10(self._noise_rms())
        ratios = {place: value - rms_db for place, value in self._snr_unit_db().items()}
        if self.scene.capture.subtype != "PCM_16" or self.scene.capture.raw_sweep:
            return ratios
        for channel, seat in ratios:
            is_sub = self.scene.place(channel).role == "sub"
            stored, _ = soundfile.read(io.BytesIO(self.file(self.healthy, channel, seat)))
            if is_sub or np.max(np.abs(stored)) < 0.1:
                band_hz = SUB_HZ if is_sub else MAIN_HZ
                error = stored - self._samples(self.healthy, channel, seat)[: len(stored)]
                freq = np.fft.rfftfreq(len(error), 1 / self.base.rate_hz)
                power = np.abs(self.spectrum(self.healthy, channel, seat) * self._scale) ** 2
                own = octave_level_db(power, self.freq, *band_hz)
                own -= octave_level_db(np.abs(fft.rfft(error)) ** 2, freq, *band_hz)
                ratios[channel, seat] = -10 * math.log10(10 ** (-ratios[channel, seat] / 10) + 10 ** (-own / 10))
        return ratios

    @staticmethod
    def _noise_shape(freq: np.ndarray) -> np.ndarray:
        """Falls by 3 dB per octave."""
        return (np.maximum(freq, 15) / 1000) ** -0.5

    def file(self, plan: Plan, channel: str, seat: str) -> bytes:
        """The file of a place; one that is as in the healthy visit is made once."""
        key = repr(self._recipe(plan, channel, seat))
        if key not in self._made:
            self._made[key] = self._file(plan, channel, seat)
        return self._made[key]

    def _recipe(self, plan: Plan, channel: str, seat: str) -> tuple[object, ...]:
        """Everything of a plan that a recording depends on."""
        place = (channel, seat)
        source, seat_of = plan.file_of.get(place, place)
        at = plan.microphone_at.get((source, seat_of), seat_of)
        loudspeaker = plan.place_of[source]
        own = (source, seat_of)
        delay = self.delays_s(plan)[source]
        return (
            own,
            at,
            loudspeaker,
            tuple(plan.way_factor[loudspeaker]),
            plan.sign[loudspeaker],
            source in plan.muted,
            plan.trim_db[source],
            round(delay, 9),
            source in plan.high_pass,
            plan.knob_db.get(loudspeaker),
            plan.recode.get(place),
            plan.gain_db.get(seat_of),
            plan.seat_shelf_db.get(seat_of),
            plan.chain_sign,
            plan.extra_noise.get(own),
            plan.extra_hum.get(own),
            plan.clip.get(own),
            plan.clock_jitter_s,
            plan.stimulus_factor,
            plan.reflections.get(loudspeaker),
            plan.blocked.get((loudspeaker, at)),
            plan.notch.get(at),
            plan.extra_latency_s.get(loudspeaker),
            place in plan.replayed,
            plan.also.get(source),
            plan.loads.get(source),
        )

    def states(self) -> tuple[State, ...]:
        """A quiet room."""
        return quiet.healthy(np.random.default_rng([13, self.scene.seed]))

    def aims(self) -> dict[str, tuple[float, float, float]]:
        """Aim of each loudspeaker."""
        return {p.channel: aim_m(p) for p in self.scene.places if p.role != "sub"}

    def changed(self, scene: Scene, channel: str) -> Installation:
        """The installation with one loudspeaker elsewhere, and with settings for its new place."""
        k = self.channels.index(channel)
        alone = base_of(replace(scene, places=[scene.places[k]], seed=scene.seed + 10**7))  # its own late sound
        base = copy(self.base)
        base.impulses, base.direct = list(base.impulses), list(base.direct)
        base.impulses[k], base.direct[k] = alone.impulses[0], alone.direct[0]
        base.distance_m = base.distance_m.copy()
        base.distance_m[k] = alone.distance_m[0]
        out = Installation(scene, base)
        out._scale, out._rms = self._scale, self._noise_rms()
        out.healthy.loads, out.healthy.states = self.healthy.loads, self.healthy.states
        return out

    def loads(self) -> dict[str, Load]:
        """Sound loudspeakers."""
        rng = np.random.default_rng([11, self.scene.seed])
        return {p.channel: loud.healthy(rng, p.role == "sub") for p in self.scene.places}

    def louder_file(self, plan: Plan, channel: str) -> bytes:
        """The sweep of a channel at the reference seat, 10 dB louder."""
        key = repr(("louder", self._recipe(plan, channel, self.scene.reference.id)))
        if key not in self._made:
            data = self._samples(plan, channel, self.scene.reference.id, 2, loud.LOUDER_DB)
            self._made[key] = sound_file(data, self.base.rate_hz, self.scene.capture.subtype, "WAV")
        return self._made[key]

    def _file(self, plan: Plan, channel: str, seat: str) -> bytes:
        again = int((channel, seat) in plan.replayed)
        data = self._samples(plan, *plan.file_of.get((channel, seat), (channel, seat)), again)
        subtype, rate = self.scene.capture.subtype, self.base.rate_hz
        recode = plan.recode.get((channel, seat))
        if recode == "gain":
            data = data * 10 ** (-2.3 / 20)
        elif recode == "rate":
            other = 44100 if rate == 48000 else 48000
            data = signal.resample_poly(data, other // 300, rate // 300)
            rate = other
        elif recode is not None:
            subtype = recode
        return sound_file(data, rate, subtype, self.scene.capture.container if subtype != "FLOAT" else "WAV")

    def _seed(self, plan: Plan, channel: str, seat: str) -> list[int]:
        moved = plan.microphone_at.get((channel, seat))
        return [
            self.scene.seed,
            self.channels.index(channel),
            self.seat_ids.index(seat),
            0 if moved is None else 1 + self.seat_ids.index(moved),
        ]

    def _samples(self, plan: Plan, channel: str, seat: str, again: int = 0, louder_db: float = 0.0) -> np.ndarray:
        capture, rate = self.scene.capture, self.base.rate_hz
        rng = np.random.default_rng([*self._seed(plan, channel, seat), again])
        h = self.impulse(plan, channel, seat)
        jitter = float(rng.normal(0, 3e-6))
        offset = float(rng.uniform(0.0, 0.4)) * plan.clock_jitter_s
        if capture.raw_sweep:
            drift = 1 + 1e-6 * capture.drift_ppm  # the player's clock against the recorder's
            sweep = self._played(plan.stimulus_factor, drift)
            if channel in plan.loads and seat == self.scene.reference.id:
                sweep = loud.played(sweep, rate, plan.loads[channel], louder_db)
            count = len(self._sweep) + round(1.2 * rate)
            length = fft.next_fast_len(max(count, len(sweep) + len(h)) + 1000, real=True)
            spectrum = fft.rfft(sweep, length) * fft.rfft(h, length)
            spectrum *= np.exp(-2j * np.pi * np.fft.rfftfreq(length, 1 / rate) * (jitter + offset))
            out = fft.irfft(spectrum, length)[:count]
            peak = self._sweep_peak()
            out = out * (capture.peak_fs / peak)
            noise = self._noise(count, rate, self._noise_rms(), rng)
        else:
            if capture.clock == "none":
                start = int(np.argmax(np.abs(h) > 0.2 * np.max(np.abs(h))))
                offset = -start / rate + 0.004 + float(rng.uniform(0, 0.006))
            length = self.base.length
            spectrum = fft.rfft(h, length) * np.exp(
                -2j * np.pi * np.fft.rfftfreq(length, 1 / rate) * (jitter + offset)
            )
            out = fft.irfft(spectrum, length)[: round(capture.seconds * rate)]
            noise = self._noise(len(out), rate, self._noise_rms(), rng)
        out = (out + noise) * (10 ** (loud.HEADROOM_DB / 20) if plan.loads else 1.0)
        if (channel, seat) in plan.extra_noise:
            low, high, level = plan.extra_noise[(channel, seat)]
            out = out + self._band_noise(out, low, high, level, rng)
        if (channel, seat) in plan.extra_hum:
            hz, level = plan.extra_hum[(channel, seat)]
            time = np.arange(len(out)) / rate
            rms = np.sqrt(np.mean(out**2)) * 10 ** (level / 20)
            out = out + sum(rms * math.sqrt(2) / k * np.sin(2 * np.pi * k * hz * time + k) for k in range(1, 8))
        if (channel, seat) in plan.clip:
            limit = plan.clip[(channel, seat)] * np.max(np.abs(out))
            out = np.clip(out, -limit, limit)
        return out

    def _band_noise(self, out, low, high, level, rng) -> np.ndarray:
        """Noise between two frequencies at `level` dB re the recording's own energy there."""
        freq = np.fft.rfftfreq(len(out), 1 / self.base.rate_hz)
        inside = (freq >= low) & (freq <= high)
        own = np.sqrt(np.mean(np.abs(fft.rfft(out))[inside] ** 2))
        spectrum = np.where(inside, own * 10 ** (level / 20), 0) * np.exp(2j * np.pi * rng.random(len(freq)))
        return fft.irfft(spectrum, len(out))

    def _sweep_peak(self) -> float:
        """Largest sample of all healthy recordings, estimated from the loudest channel at one seat."""
        if not hasattr(self, "_peak"):
            peak, rate = 0.0, self.base.rate_hz
            seat = self.scene.reference.id
            length = fft.next_fast_len(len(self._sweep) + round(0.8 * rate), real=True)
            played = fft.rfft(self._sweep, length)
            for channel in self.channels:
                h = self.impulse(self.healthy, channel, seat)
                peak = max(peak, float(np.max(np.abs(fft.irfft(played * fft.rfft(h, length), length)))))
            self._peak = 2.0 * peak
        return self._peak

    @lru_cache(maxsize=4)  # noqa: B019 (an installation lives as long as its room is looked at)
    def _played(self, factor: float, drift: float) -> np.ndarray:
        return self._sweep_signal(self.scene.capture.sweep_s * factor, drift)

    def _sweep_signal(self, seconds: float, drift: float = 1.0) -> np.ndarray:
        """Farina 2000, eq. 9 (from memory): sin(ω1·T/ln(ω2/ω1)·(e^(t/T·ln(ω2/ω1)) − 1)), 15 Hz to 21 kHz, faded."""
        rate = self.scene.capture.rate_hz
        time = np.arange(round(seconds * rate / drift)) / rate * drift
        low, high = 15.0, 0.94 * min(rate / 2, 23500)
        octaves = math.log(high / low)
        x = np.sin(2 * np.pi * low * seconds / octaves * (np.exp(time / seconds * octaves) - 1))
        count, end = round(0.03 * rate), round(0.004 * rate)
        x[:count] *= np.sin(np.linspace(0, np.pi / 2, count)) ** 2
        x[-end:] *= np.cos(np.linspace(0, np.pi / 2, end)) ** 2
        return 0.5 * x

    def stimulus(self) -> bytes:
        """The file of what was played."""
        return sound_file(self._sweep, self.base.rate_hz, "PCM_24", "WAV")

    def calibrate(self, plan: Plan) -> None:
        """New trims, for what has always been in this room."""
        step = self.scene.processor.trim_step_db
        for c in self.channels:
            off = self.level_db(plan, c, self.scene.reference.id) - self.level_db(
                self.healthy, c, self.scene.reference.id
            )
            if abs(off) > step / 2:
                plan.trim_db[c] = round(round((plan.trim_db[c] - off) / step) * step, 3)
        plan.noted_trim_db = dict(plan.trim_db)

    def copy(self) -> Plan:
        """The healthy plan, to be changed."""
        return deepcopy(self.healthy)


def sound_file(samples: np.ndarray, rate_hz: int, subtype: str, container: str) -> bytes:
    """A WAV or FLAC file; what exceeds full scale is cut off, as a converter does."""
    out = io.BytesIO()
    soundfile.write(out, np.clip(samples, -1.0, 1.0 - 2**-23), rate_hz, subtype=subtype, format=container)
    return out.getvalue()
