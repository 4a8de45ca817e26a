"""A channel that also plays from another loudspeaker: found with its level at each sample rate, and in no healthy
room.

The rooms are decaying noise (`decaying_rooms`), and a real one with a loudspeaker in 37 directions.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from decaying_rooms import SPEED_M_S, decaying
from open_data import MEASURED_ROOM, NO_DATA, measured_room

from commission.dsp import leakage
from commission.dsp.leakage import flat_spectra, leakage_gain, room_sounds, shared_sound
from commission.model import RoomSound

SEATS = 4


def kept(impulses: np.ndarray, arrivals_s: np.ndarray, rate_hz: float) -> list[RoomSound]:
    found = room_sounds(impulses, list(arrivals_s), [0.0] * len(impulses), rate_hz)
    assert all(each is not None for each in found)
    return [each for each in found if each is not None]


def test_a_third_of_an_octave_is_a_sixth_to_either_side() -> None:
    power = np.zeros(2000)
    power[600] = 1.0
    seen = np.flatnonzero(leakage._third_octaves(power))
    assert seen[0] == pytest.approx(600 / 2 ** (1 / 6), abs=1.0) and seen[-1] == pytest.approx(
        600 * 2 ** (1 / 6), abs=1.0
    )
    assert leakage._third_octaves(np.ones(2000)) == pytest.approx(1.0)


def pair(rate_hz: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Two loudspeakers at four seats: responses of each [shape=(seats, n)] and their arrivals [shape=(2, seats)]."""
    far_m = np.random.default_rng(seed).uniform(1.5, 5.0, (2, SEATS))
    far_m[1] += np.where(np.abs(far_m[0] - far_m[1]) < 0.4, 0.8, 0.0)
    first, second = (
        np.array([decaying(far_m[c, k], 100 * seed + 10 * c + k, rate_hz=rate_hz) for k in range(SEATS)])
        for c in (0, 1)
    )
    return first, second, 0.005 + far_m / SPEED_M_S


@pytest.mark.parametrize("rate_hz", [44100, 48000, 16000])
@pytest.mark.parametrize(("level_db", "lag_s"), [(0.0, 0.0), (-12.0, 0.0), (-9.0, 0.005)])
def test_another_loudspeaker_is_found_with_its_level(rate_hz: int, level_db: float, lag_s: float) -> None:
    first, second, arrivals_s = pair(rate_hz, seed=rate_hz // 100)
    first = first + 10 ** (level_db / 20) * np.roll(second, round(lag_s * rate_hz), axis=-1)
    own, its = (kept(h, t, rate_hz) for h, t in zip((first, second), arrivals_s, strict=True))
    spectra = [flat_spectra(sounds, t) for sounds, t in zip((own, its), arrivals_s, strict=True)]
    found = shared_sound(spectra[0], spectra[1])
    assert found.ratio > 6.0 and min(found.by_seat) > 0.3 * found.alike
    assert found.lag_s == pytest.approx(lag_s, abs=1e-4)  # a sample
    gain = leakage_gain(own, its, arrivals_s, found.lag_s)
    # The channel's own reverberation at four seats: a standard deviation of 0.13 dB at 0 dB and 0.5 dB at −12 dB (40 rooms).
    assert 20 * np.log10(gain.over_all) == pytest.approx(level_db, abs=4 * 0.13 * 10 ** (-level_db / 20))


def test_its_onset_says_which_of_the_two_plays_from_both() -> None:
    first, second, arrivals_s = pair(24000, seed=7)
    first = first + 10 ** (-12 / 20) * second
    own, its = (kept(h, t, 24000) for h, t in zip((first, second), arrivals_s, strict=True))
    forward = leakage_gain(own, its, arrivals_s, 0.0)
    back = leakage_gain(its, own, arrivals_s[::-1], 0.0)
    assert forward.at_onset is not None and 20 * np.log10(forward.at_onset) == pytest.approx(-12, abs=2.0)
    assert back.at_onset is not None and back.at_onset < 0.1 * back.over_all


def test_two_loudspeakers_share_nothing_beyond_chance() -> None:
    """Thirty pairs: the highest of 481 lags stays below 4 times chance, lag zero below 3."""
    highest: dict[tuple[float, ...] | None, float] = {(0.0,): 0.0, None: 0.0}
    for seed in range(10):
        responses = [pair(16000, 50 + seed * 2 + k) for k in (0, 1)]
        spectra = [
            flat_spectra(kept(h, t, 16000), t)
            for first, second, arrivals_s in responses
            for h, t in zip((first, second), arrivals_s, strict=True)
        ]
        for one, other in list(combinations(spectra, 2))[:3]:
            for lags_s in highest:
                highest[lags_s] = max(highest[lags_s], shared_sound(one, other, lags_s).ratio)
    assert highest[None] < 4.0 and highest[0.0,] < 3.0


def test_no_leak_is_found_in_a_real_room() -> None:
    """A loudspeaker 1.5 m from a dummy head, in 37 directions 5° apart; its two ears represent seats.

    Directions at least 30° apart without mirror images, which are equally far from the head by definition.
    """
    if not MEASURED_ROOM.exists():
        pytest.skip(NO_DATA)
    impulses, rate_hz, azimuth = measured_room()
    chosen = impulses[::4]  # 20° apart
    peaks = np.argmax(np.abs(chosen) > 0.3 * np.abs(chosen).max(axis=-1, keepdims=True), axis=-1) / rate_hz
    spectra = [flat_spectra(kept(h, t, rate_hz), t) for h, t in zip(chosen, peaks, strict=True)]
    direction = np.deg2rad(azimuth[::4])
    worst = 0.0
    for i, j in combinations(range(len(spectra)), 2):
        apart = abs(np.angle(np.exp(1j * (direction[i] - direction[j]))))
        if apart >= np.deg2rad(30) and abs(np.angle(np.exp(1j * (direction[i] + direction[j])))) > np.deg2rad(15):
            found = shared_sound(spectra[i], spectra[j])
            if min(found.by_seat) >= 0.3 * found.alike:
                worst = max(worst, found.ratio)
    assert 0.0 < worst < 7.0
    doubled = chosen[2] + 10 ** (-6 / 20) * chosen[7]
    found = shared_sound(flat_spectra(kept(doubled, peaks[2], 16000), peaks[2]), spectra[7], [0.0])
    assert found.ratio > 5.0 and found.lag_s == pytest.approx(0.0, abs=1e-4)


def test_a_rate_that_does_not_reach_six_kilohertz_keeps_nothing() -> None:
    assert room_sounds(np.ones((1, 4000)), [0.1], [0.0], 8000) == [None]
    assert room_sounds(np.ones((1, 4000)), [None], [0.0], 48000) == [None]


def test_what_is_3_db_above_its_end_is_heard() -> None:
    above = leakage._above_floor(np.concatenate(([1.9, 2.1, 2.9], np.ones(leakage._FRAMES)))[None])
    assert above[0, :4].tolist() == [False, True, True, False]
