"""Budgets of leakage, noise and hum of single channels against synthesised truth: how often U = 2 u contains it.

Shares no code with the analysis: responses of decaying noise, Gaussian noise of known density, plane waves.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from builders import cinema, defined, job_of
from decaying_rooms import SPEED_M_S, decaying
from quiet_rooms import FULL_SCALE_DB, nc_noise

from commission.dsp.leakage import flat_spectra, leakage_gain, room_sounds, shared_sound
from commission.model import AS_FOUND, AnalysedNoise, Analyses, Instrument
from commission.steps import wiring
from commission.steps.wiring.budgets import compression_budget, leakage_budget

RATE, SEATS = 16000, 4
CONTAINED = 0.95
"""Coverage of U = 2 u (JCGM 100 6.3.3)."""


def leaked(seed: int, level_db: float) -> tuple[float, float]:
    """(level found, its u) where one loudspeaker of a pair also plays from the other [dB]."""
    rng = np.random.default_rng([41, seed])
    far_m = np.array([rng.uniform(1.5, 3.0, SEATS), rng.uniform(3.4, 5.0, SEATS)])
    first, second = (
        np.array([decaying(far_m[c, k], 9000 + 100 * seed + 10 * c + k, rate_hz=RATE) for k in range(SEATS)])
        for c in (0, 1)
    )
    arrivals_s = 0.005 + far_m / SPEED_M_S
    pair = (first + 10 ** (level_db / 20) * second, second)
    own, its = (
        [each for each in room_sounds(h, list(t), [0.0] * SEATS, RATE) if each is not None]
        for h, t in zip(pair, arrivals_s, strict=True)
    )
    spectra = [flat_spectra(sounds, t) for sounds, t in zip((own, its), arrivals_s, strict=True)]
    shared = shared_sound(spectra[0], spectra[1])
    gain = leakage_gain(own, its, arrivals_s, shared.lag_s)
    return 20 * np.log10(gain.over_all), leakage_budget("FL", shared.ratio).u


def test_the_level_of_a_leaking_channel_is_within_its_uncertainty() -> None:
    """12 pairs from 0 to −12 dB: at 95 %, 2 are outside once in eight times, 3 once in fifty. u is no wider than needed."""
    levels = np.linspace(0.0, -12.0, 12)
    found, u = np.array([leaked(k, level) for k, level in enumerate(levels)]).T
    assert np.sum(np.abs(found - levels) > 2 * u) <= 2
    assert np.all((u > 1.0) & (u < 2.5))
    assert np.sqrt(np.mean((found - levels) ** 2)) > 0.3 * np.mean(u)


MICROPHONE = Instrument(kind="microphone", full_scale_db=FULL_SCALE_DB, self_noise_db=5.0)


def alone(recording: AnalysedNoise) -> wiring.ChannelNoise:
    """Noise of a channel from one recording, against "everything off"."""
    job = job_of(defined(cinema(instruments=(MICROPHONE,))))
    own = replace(recording, channel="FL", state="state not named")
    return wiring.channel_noises(job, AS_FOUND, Analyses((), (off(),), (), [own]))["FL"]


@cache
def off() -> AnalysedNoise:
    return nc_noise(15, 1, state="everything off")


def test_the_noise_of_a_channel_scatters_as_its_budget_says() -> None:
    """Gaussian noise scatters by 4.34/√(B·T) in the deciding octave, whose width is its centre over √2."""
    seconds = 6.0
    found = alone(nc_noise(34, 33, seconds=seconds))
    check, budget = found.checks[0], found.budgets[0]
    assert (budget.id, budget.channel, budget.unit) == ("wiring.noise", "FL", "NC")
    line = next(c for c in budget.contributions if c.source == "length of the recording")
    assert found.noise.deciding_hz is not None
    # 5 %: an octave's nominal frequency against its exact one, and blocks of a whole number of samples.
    assert line.u == pytest.approx(4.34 / np.sqrt(found.noise.deciding_hz / np.sqrt(2) * seconds), rel=0.05)
    assert {"position of the microphone", "length of the recording"} < {c.source for c in budget.contributions}
    assert budget.u == pytest.approx(check.uncertainty)
    assert check.value is not None and abs(check.value - 34) < 2 * budget.u


def test_the_hum_of_a_channel_is_read_within_its_uncertainty_at_ten_centimetres() -> None:
    """A line of 100 Hz in a diffuse field of 60 plane waves (Kuttruff 8.1, from memory), 2,000 pairs of places 10 cm
    apart.
    """
    rng = np.random.default_rng(5)
    directions = rng.normal(size=(60, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    waves = rng.normal(size=60) + 1j * rng.normal(size=60)
    places = rng.uniform(0, 40, (2000, 3))
    steps = rng.normal(size=(2000, 3))
    steps *= 0.1 / np.linalg.norm(steps, axis=1, keepdims=True)

    def level_db(at: np.ndarray) -> np.ndarray:
        pressure = np.exp(2j * np.pi * 100 / SPEED_M_S * at @ directions.T) @ waves
        return np.asarray(20 * np.log10(np.abs(pressure)))

    moved_db = level_db(places + steps) - level_db(places)
    found = alone(nc_noise(17, 32, lines={50: 52.0, 100: 46.0, 150: 40.0}))
    (hum,) = [each for each in found.budgets if each.id == "wiring.hum"]
    assert hum.channel == "FL" and hum.unit == "dB" and hum.u == pytest.approx(found.checks[1].uncertainty)
    assert np.mean(np.abs(moved_db) <= 2 * hum.u) >= CONTAINED
    assert found.noise.hum_db == pytest.approx(
        53.2, abs=0.5
    )  # 10·lg(10^5.2 + 10^4.6 + 10^4.0), and noise below the lines


def test_compression_of_unknown_cause_may_be_that_of_moving_parts() -> None:
    """Up to 3 dB, half of which is u; with a known third harmonic, half of the part that it explains."""

    def u_db(explained_db: float | None, unknown: bool) -> float:
        budget = compression_budget(
            ("FL", "A2"), noise_db=0.3, explained_db=explained_db, unknown=unknown, rise_db=0.4
        )
        return budget.u

    plain = np.hypot(0.1, 0.5)  # gain steps; noise and the rise
    assert u_db(None, False) == pytest.approx(plain)
    assert u_db(None, True) == pytest.approx(np.hypot(1.5, plain))
    assert u_db(2.0, True) == pytest.approx(np.hypot(1.0, plain))


def test_what_was_not_found_has_no_budget() -> None:
    quiet = alone(off())
    assert quiet.noise.hum_hz is None
    assert not any(each.id == "wiring.hum" for each in quiet.budgets)
