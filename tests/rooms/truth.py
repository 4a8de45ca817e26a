"""True properties of the simulated room, from responses without noise: nulls, uneven bass, reflections, dull seats.

Computed here, so that findings are confirmed independently of the program.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from scipy import fft, signal

from rooms.installation import TARGET_DB, Installation, Plan


def third_octaves_db(power: np.ndarray, freq: np.ndarray, centres: np.ndarray) -> np.ndarray:
    """Mean power in third octaves [shape=(…, centres)]."""
    total = np.concatenate((np.zeros((*power.shape[:-1], 1)), np.cumsum(power, axis=-1)), axis=-1)
    low = np.searchsorted(freq, centres * 2 ** (-1 / 6))
    high = np.maximum(np.searchsorted(freq, centres * 2 ** (1 / 6)), low + 1)
    return 10 * np.log10((total[..., high] - total[..., low]) / (high - low) + 1e-30)


class Truth:
    """True properties for one visit."""

    def __init__(self, installation: Installation, plan: Plan) -> None:
        self.i, self.plan = installation, plan
        self.seats = installation.seat_ids
        self.subs, self.mains = installation.scene.subs, installation.scene.mains

    def spectra(self, channel: str) -> np.ndarray:
        """[shape=(seats, n)]"""
        return np.array([self.i.spectrum(self.plan, channel, s) for s in self.seats])

    @cached_property
    def _bass(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(fine centres [Hz], of the sum [shape=(seats, n)], of each subwoofer [shape=(subs, seats, n)])"""
        centres = np.geomspace(22, 130, 120)
        each = np.array([self.spectra(c) for c in self.subs])
        freq = self.i.freq
        single = third_octaves_db(np.abs(each) ** 2, freq, centres)
        return centres, third_octaves_db(np.abs(each.sum(axis=0)) ** 2, freq, centres), single

    def null_db(self, seat: str) -> float:
        """Deepest third octave re the seats' mean, of all subwoofers together; of the least bad one alone if worse."""
        if not self.subs or len(self.seats) < 2:
            return 0.0
        _, together, single = self._bass
        k = self.seats.index(seat)

        def depth(levels):
            own = levels.mean(axis=0) > levels.mean(axis=0).max() - 14
            return float(np.min(np.where(own, levels[k] - levels.mean(axis=0), 0.0)))

        return min(depth(together), max(depth(each) for each in single))

    def boomy_db(self, seat: str) -> float:
        """Bass of all subwoofers together from 22 to 80 Hz above the seats' mean; of each alone, the most if more."""
        if not self.subs or len(self.seats) < 2:
            return 0.0
        centres, together, single = self._bass

        def above(levels):
            by_seat = 10 * np.log10(np.mean(10 ** (levels[:, centres <= 80] / 10), axis=-1))
            return float(by_seat[self.seats.index(seat)] - by_seat.mean())

        return max(above(together), min(above(each) for each in single))

    @cached_property
    def uneven_db(self) -> float:
        """Root of the variance over seats, 20–80 Hz."""
        if not self.subs or len(self.seats) < 2:
            return 0.0
        centres, together, single = self._bass

        def root(levels):
            inside = (centres <= 80) & (levels.mean(axis=0) > levels.mean(axis=0).max() - 14)
            return float(np.sqrt(np.mean(np.var(levels[:, inside], axis=0))))

        return max(root(together), min(root(each) for each in single))

    def crossover_db(self, channel: str) -> tuple[float, float]:
        """Sum with the subwoofers re both in phase, mean over seats and the octave around the high-pass: as it is, and with
        the subwoofers reversed.
        """
        corner, freq = self.i.scene.high_pass_hz[channel], self.i.freq
        inside = (freq >= corner / np.sqrt(2)) & (freq <= corner * np.sqrt(2))
        main = self.spectra(channel)[:, inside]
        subs = np.sum([self.spectra(c)[:, inside] for c in self.subs], axis=0)
        in_phase = np.abs(main) + np.abs(subs)
        as_is, turned = (float(np.mean(20 * np.log10(np.abs(main + sign * subs) / in_phase))) for sign in (1, -1))
        return as_is, turned

    def bass_slopes_db(self) -> dict[str, float]:
        """Mean of third octaves around half the high-pass frequency minus around twice it, by main channel with one."""
        out = {}
        for channel, corner in self.i.scene.high_pass_hz.items():
            centres = corner * np.concatenate((np.geomspace(1 / 2.2, 1 / 1.6, 6), np.geomspace(1.4, 3.0, 12)))
            power = np.mean(np.abs(self.spectra(channel)) ** 2, axis=0)
            levels = third_octaves_db(power, self.i.freq, centres)
            out[channel] = float(levels[:6].mean() - levels[6:].mean())
        return out

    def direct_db(self, channel: str, seat: str) -> float:
        """Direct sound, 4–10 kHz, at a seat re the mean of the other seats: the 2 ms after the flight of the sound."""
        place, base = self.plan.place_of[channel], self.i.base
        inside = (self.i.freq >= 4000) & (self.i.freq <= 10000)
        levels = []
        for s, name in enumerate(self.seats):
            response = fft.irfft(self.i.acoustic(self.plan, place, name), base.length)
            flight_s = base.distance_m[self.i.channels.index(place), s] / base.speed_m_s
            first, length = round((flight_s - 0.001) * base.rate_hz), round(0.003 * base.rate_hz)
            early = np.roll(response, -first)
            early[length:] = 0.0
            power = np.abs(fft.rfft(early)[inside]) ** 2
            levels.append(10 * np.log10(np.mean(power / self.i.freq[inside]) + 1e-30))
        at = self.seats.index(seat)
        return float(levels[at] - np.mean(np.delete(levels, at)))

    def dull_db(self, channel: str, seat: str) -> float:
        """4–12 kHz of the whole response at a seat re the mean of all seats."""
        power = np.abs(self.spectra(channel)) ** 2
        inside = (self.i.freq >= 4000) & (self.i.freq <= 12000)
        levels = 10 * np.log10(np.mean(power[:, inside] / self.i.freq[inside], axis=1) + 1e-30)
        return float(levels[self.seats.index(seat)] - levels.mean())

    def required_trim_db(self, channel: str) -> float:
        """Trim that brings a healthy channel to the target at the reference seat, however far the processor's range."""
        i = self.i
        level_db = i.level_db(i.healthy, channel, i.scene.reference.id) + i.spl_db
        return TARGET_DB - level_db + i.healthy.trim_db[channel]

    def reflection_db(self, channel: str, seat: str) -> float:
        """Strongest arrival 1–15 ms after the direct sound re it, 1–8 kHz."""
        rate = self.i.base.rate_hz
        spectrum = self.i.spectrum(self.plan, channel, seat)
        freq = self.i.freq
        band = (
            np.clip(np.minimum(np.log2(np.maximum(freq, 1) / 700), np.log2(11000 / np.maximum(freq, 1))), 0, 0.5) * 2
        )
        envelope = np.abs(signal.hilbert(fft.irfft(spectrum * band, self.i.base.length)))
        first = int(np.argmax(envelope >= 10 ** (-12 / 20) * envelope.max()))
        top = first + int(np.argmax(envelope[first : first + round(0.0008 * rate)]))
        later = envelope[top + round(0.0009 * rate) : top + round(0.016 * rate)]
        return float(20 * np.log10(later.max() / envelope[top]))

    def worst_reflection_db(self, channel: str) -> float:
        """Over the seats."""
        return max(self.reflection_db(channel, s) for s in self.seats)
