"""A sound room for tests: analysed responses of the invented cinema, made by hand, into which one fault is put at a time.

    room = SoundRoom()
    room.reverse("FL")                      # at every seat
    room.add_db("SiL", -24, above_hz=3000)  # a dead tweeter
    analyses = room.analyses()

Levels are smooth and differ a little by seat and channel, arrivals are latency + flight + the delay that the job's
settings give. Nothing here comes from the program's own analysis of sound.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from builders import cinema, defined, job_of, levels, setting, tapes

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.analysis import BASS_HZ
from commission.dsp.direct import DIRECT_BEFORE_S, DIRECT_FRAMES, DIRECT_RATE_HZ
from commission.dsp.spectrum import GRID_HZ
from commission.model import (
    AS_FOUND,
    AnalysedResponse,
    Analyses,
    Analysis,
    ComplexArray,
    EventBody,
    FloatArray,
    Job,
    ResponseStored,
    System,
)
from commission.model.signal import freeze

LATENCY_S = 0.0125
TARGET_DB = 75.0
CROSSOVERS_HZ = (2800.0, 1200.0, 600.0)
"""Of the models in front, around and overhead."""


def both_in_front(system: System) -> System:
    """SUB2 in the other front corner: with one in front and one behind, paths differ by up to half a wave, and no seat has
    even bass.
    """
    moved = tuple(replace(c, position_m=(1.90, 0.30, 0.30)) if c.id == "SUB2" else c for c in system.channels)
    return replace(system, channels=moved)


def band_level_db(levels_db: FloatArray, sub: bool) -> float:
    """Energy mean over 500–2000 Hz, subwoofers 30–80 Hz."""
    low, high = (30.0, 80.0) if sub else (500.0, 2000.0)
    inside = (GRID_HZ >= low) & (GRID_HZ <= high)
    return float(10 * np.log10(np.mean(10 ** (levels_db[inside] / 10))))


@lru_cache(maxsize=16)
def _roll_off_db(corner_hz: float, order: int, *, high: bool) -> FloatArray:
    """A Butterworth slope: −10·lg(1 + (f/fc)^±2n)."""
    ratio = GRID_HZ / corner_hz if high else corner_hz / GRID_HZ
    return freeze(-10 * np.log10(1 + ratio ** (2 * order)))


def two_way(
    sound: FloatArray, crossover_hz: float, *, tweeter: complex | ComplexArray = 1.0, undo: bool = False
) -> FloatArray:
    """A sound through a two-way loudspeaker: fourth-order Linkwitz-Riley, two Butterworth filters in series a way.

    `tweeter`: factor on its sound, −1 where it is reversed. `undo`: the sound has already passed through a correct one.
    """
    freq_hz = np.fft.rfftfreq(2 * len(sound), 1 / DIRECT_RATE_HZ)
    s = 1j * freq_hz / crossover_hz
    low = (1 / (s**2 + math.sqrt(2) * s + 1)) ** 2
    high = low * s**4
    ratio = (low + tweeter * high) / (low + high) if undo else low + tweeter * high
    return np.asarray(np.fft.irfft(np.fft.rfft(sound, 2 * len(sound)) * ratio)[: len(sound)], np.float32)


def _filtered(sound: FloatArray, gain_db: FloatArray) -> FloatArray:
    """A direct sound with a gain at each point of the grid, without a shift in time."""
    freq_hz = np.fft.rfftfreq(len(sound), 1 / DIRECT_RATE_HZ)
    amplitude = 10 ** (np.interp(freq_hz, GRID_HZ, gain_db) / 20)
    return freeze(np.asarray(np.fft.irfft(np.fft.rfft(sound) * amplitude, len(sound)), np.float32))


@lru_cache(maxsize=4096)
def _direct_sound(seed: int, channel: str, seat: str) -> FloatArray:
    """Cached, since most rooms of the tests are the same before a fault is planted."""
    model = {"S": 1, "B": 1, "T": 2}.get(channel[0], 0)
    rng = np.random.default_rng([model, seed, *channel.encode(), *seat.encode()])
    time = np.arange(DIRECT_FRAMES) - round(DIRECT_BEFORE_S * DIRECT_RATE_HZ)
    sound = np.sinc(time) * np.hanning(DIRECT_FRAMES)
    for delay in rng.uniform(30, 200, 6):  # from 1.3 ms on
        sound = sound + rng.normal(0, 0.05) * np.sinc(time - delay)
    return freeze(two_way(sound, CROSSOVERS_HZ[model]))


@lru_cache(maxsize=4096)
def _ripple(channel: str, seat: str) -> FloatArray:
    """Fine structure by reflections, different at every place: 2 dB, as in simulated rooms."""
    rng = np.random.default_rng(list(f"{channel} at {seat}".encode()))
    return freeze(np.asarray(rng.normal(0, 2.0, len(GRID_HZ))))


MOST_KEPT = 32
_HEALTHY: dict[tuple[System, int, float], tuple[dict[tuple[str, str], Analysis], Any]] = {}
"""Rooms before a fault is put into them, and the state of their random numbers."""


class SoundRoom:
    """Analysed responses by (channel, seat); every method changes them and returns the room."""

    def __init__(self, system: System | None = None, seed: int = 1, uneven_db: float = 1.0) -> None:
        self.system = both_in_front(system or cinema())
        self.rng = np.random.default_rng(seed)
        self.seed = seed
        self.speed_m_s = speed_of_sound_m_s(self.system.temperature_c)
        self.reference = next(s for s in self.system.seats if s.reference)
        self.items: dict[tuple[str, str], Analysis] = {}
        self.clock: str | None = "one clock"
        self.passes_delays = True
        if (key := (self.system, seed, uneven_db)) not in _HEALTHY:
            places = [(c.id, s.id) for c in self.system.channels for s in self.system.seats]
            _HEALTHY[key] = {place: self._sound(*place, uneven_db) for place in places}, self.rng.bit_generator.state
            if len(_HEALTHY) > MOST_KEPT:
                del _HEALTHY[next(iter(_HEALTHY))]
        items, self.rng.bit_generator.state = _HEALTHY[key]
        self.items |= items

    def distance_m(self, channel: str, seat: str) -> float:
        """Straight distance from loudspeaker to seat."""
        return float(np.linalg.norm(np.subtract(self._at(channel), self._at(seat))))

    def _at(self, name: str) -> tuple[float, float, float]:
        found = self.system.channel(name) or self.system.seat(name)
        assert found is not None
        assert found.position_m is not None
        return found.position_m

    @cached_property
    def distances_m(self) -> dict[str, float]:
        """Tape distances from the reference seat."""
        return {c.id: self.distance_m(c.id, self.reference.id) for c in self.system.channels}

    def _sound(self, channel: str, seat: str, uneven_db: float) -> Analysis:
        sub = channel.startswith("SUB")
        wave = sum(
            self.rng.normal(0, uneven_db) * np.cos(k * np.log2(GRID_HZ / 20) + self.rng.uniform(0, 6))
            for k in (1, 2, 3)
        )
        slopes = _roll_off_db(110, 4, high=True) + _roll_off_db(24, 3, high=False)
        shape = np.asarray(wave + (slopes if sub else _roll_off_db(35, 2, high=False)))
        shape = shape - band_level_db(shape, sub)
        d = self.distances_m
        delay = (max(d.values()) - d[channel]) / self.speed_m_s
        arrival = LATENCY_S + self.distance_m(channel, seat) / self.speed_m_s + delay
        return Analysis(
            freq_hz=GRID_HZ,
            third_octave_db=shape,
            view_db=shape + _ripple(channel, seat),
            bass_freq_hz=BASS_HZ,
            bass=self._bass(shape, arrival),
            level_db=band_level_db(shape, sub),
            octave_db={},
            arrival_s=arrival,
            arrival_u_s=5e-4 if sub else 8.5e-5,
            polarity=1,
            direct=None if sub else _direct_sound(self.seed, channel, seat),
            snr_db=60.0,
            low_hz=None,
            high_hz=None,
            clipped=False,
        )

    def _bass(self, shape: FloatArray, arrival_s: float) -> Any:
        amplitude = 10 ** (np.interp(BASS_HZ, GRID_HZ, shape) / 20)
        return amplitude * np.exp(-2j * np.pi * BASS_HZ * arrival_s)

    def _places(self, channel: str | None, seats: Iterable[str] | None) -> list[tuple[str, str]]:
        return [(c, s) for c, s in self.items if channel in (None, c) and (seats is None or s in tuple(seats))]

    def change(self, channel: str | None, seats: Iterable[str] | None = None, **fields: Any) -> SoundRoom:
        """Set fields of the analyses of a channel (None: all) at some seats (None: all)."""
        for place in self._places(channel, seats):
            self.items[place] = replace(self.items[place], **fields)
        return self

    def reverse(self, channel: str | None, seats: Iterable[str] | None = None) -> SoundRoom:
        """Reverse the polarity of a channel (None: all) as heard at some seats (None: all)."""
        for place in self._places(channel, seats):
            old = self.items[place]
            self.items[place] = replace(
                old,
                polarity=None if old.polarity is None else -old.polarity,
                direct=None if old.direct is None else -old.direct,
                bass=None if old.bass is None else -old.bass,
            )
        return self

    def reverse_tweeter(self, channel: str) -> SoundRoom:
        """Reverse the tweeter of a surround loudspeaker in its direct sound."""
        for place in self._places(channel, None):
            old = self.items[place]
            assert old.direct is not None
            self.items[place] = replace(old, direct=two_way(old.direct, CROSSOVERS_HZ[1], tweeter=-1.0, undo=True))
        return self

    def add_db(
        self,
        channel: str | None,
        db: float | Callable[[FloatArray], FloatArray],
        seats: Iterable[str] | None = None,
        *,
        above_hz: float = 0.0,
        below_hz: float = np.inf,
    ) -> SoundRoom:
        """Add decibels in a range of frequencies, or a function of frequency."""
        gain = np.where((GRID_HZ >= above_hz) & (GRID_HZ <= below_hz), db(GRID_HZ) if callable(db) else db, 0.0)
        for place in self._places(channel, seats):
            old = self.items[place]
            shape = old.third_octave_db + gain
            ratio = 10 ** (np.interp(BASS_HZ, GRID_HZ, gain) / 20)
            self.items[place] = replace(
                old,
                third_octave_db=shape,
                view_db=old.view_db + gain,
                level_db=band_level_db(shape, place[0].startswith("SUB")),
                bass=None if old.bass is None else old.bass * ratio,
                direct=None if old.direct is None else _filtered(old.direct, gain),
            )
        return self

    def delay(self, channel: str, by_s: float, seats: Iterable[str] | None = None) -> SoundRoom:
        """Delay the sound of a channel."""
        for place in self._places(channel, seats):
            old = self.items[place]
            assert old.arrival_s is not None
            bass = None if old.bass is None else old.bass * np.exp(-2j * np.pi * BASS_HZ * by_s)
            self.items[place] = replace(old, arrival_s=old.arrival_s + by_s, bass=bass)
        return self

    def swap(self, a: str, b: str) -> SoundRoom:
        """Exchange the loudspeakers of two channels, which keep their delays."""
        d = self.distances_m
        for seat in [s.id for s in self.system.seats]:
            first, second = self.items[(a, seat)], self.items[(b, seat)]
            assert first.arrival_s is not None
            assert second.arrival_s is not None
            shift = (d[a] - d[b]) / self.speed_m_s
            self.items[(a, seat)] = replace(second, arrival_s=second.arrival_s - shift)
            self.items[(b, seat)] = replace(first, arrival_s=first.arrival_s + shift)
        return self

    def play_from(self, channel: str, other: str) -> SoundRoom:
        """Let a channel sound from the loudspeaker of another channel, which also plays its own."""
        own = {place: item for place, item in self.items.items() if place[0] == other}
        self.swap(channel, other).items.update(own)
        return self

    def exchange_seats(self, a: str, b: str, *, both: bool = True) -> SoundRoom:
        """Exchange the recordings of two seats, or replace those of `a` by another measurement at `b`."""
        for channel in [c.id for c in self.system.channels]:
            first, second = self.items[(channel, a)], self.items[(channel, b)]
            if both:
                self.items[(channel, a)], self.items[(channel, b)] = second, first
                continue
            wave = self.rng.normal(0, 0.5) * np.cos(np.log2(GRID_HZ / 20) + self.rng.uniform(0, 6))
            assert second.arrival_s is not None
            self.items[(channel, a)] = replace(
                second,
                third_octave_db=second.third_octave_db + wave,
                arrival_s=second.arrival_s + self.rng.normal(0, 3e-5),
            )
        return self

    def exchange_files(self, a: str, b: str, seat: str) -> SoundRoom:
        """Exchange the recordings of two channels at one seat."""
        self.items[(a, seat)], self.items[(b, seat)] = self.items[(b, seat)], self.items[(a, seat)]
        return self

    def drop(self, channel: str | None, seats: Iterable[str] | None = None) -> SoundRoom:
        """Remove the responses of a channel."""
        for place in self._places(channel, seats):
            del self.items[place]
        return self

    def analysed(self, round_id: str = AS_FOUND, start: int = 1000) -> list[AnalysedResponse]:
        """The room as analysed responses of a round."""
        return [
            AnalysedResponse(
                seq=start + i,
                round=round_id,
                channel=c,
                seat=s,
                clock=self.clock,
                passes_delays=self.passes_delays,
                analysis=a,
            )
            for i, ((c, s), a) in enumerate(self.items.items())
        ]

    def analyses(self, round_id: str = AS_FOUND) -> Analyses:
        """The analyses as the visit passes them to the steps."""
        return Analyses(self.analysed(round_id))

    def bodies(self, round_id: str = AS_FOUND) -> list[EventBody]:
        """Tape, meter readings and settings that are right for the room."""
        d = self.distances_m
        bodies: list[EventBody] = [
            *tapes(d, round_id=round_id),
            *levels(dict.fromkeys(d, TARGET_DB), round_id=round_id),
        ]
        bodies += [
            setting(c, round_id=round_id, trim_db=0.0, distance=value, polarity="normal") for c, value in d.items()
        ]
        return bodies

    def job(self, *more: EventBody, round_id: str = AS_FOUND) -> Job:
        """The job of this room, with the right settings and the added bodies."""
        return job_of(defined(self.system), *self.bodies(round_id), *more)


def stored(heard: Iterable[AnalysedResponse]) -> list[EventBody]:
    """Bodies of the events with these responses."""
    return [
        ResponseStored(
            round=each.round,
            channel=each.channel,
            seat=each.seat,
            kind="impulse",
            file_name=f"{each.seq}.flac",
            file_sha256=f"{each.seq:064d}",
            clock=each.clock,
        )
        for each in heard
    ]
