"""The offset of sound and picture, against recordings made with a known one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from commission.dsp.lip_sync import sound_after_picture
from commission.model import FloatArray, UnusableError

RATE_HZ = 48_000.0


def recording(
    offset_s: float,
    *,
    period_s: float = 1.5,
    count: int = 8,
    noise: float = 0.003,
    coupled: bool = False,
    seed: int = 1,
) -> tuple[FloatArray, FloatArray]:
    """Flashes of two pictures with the flicker of a lamp, and clicks in a room that decays within 0.3 s.

    `coupled`: a sound card that lets no constant light through, so that a flash is a step that dies away.
    """
    rng = np.random.default_rng(seed)
    n = int((count + 1) * period_s * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    light, sound = rng.normal(0, noise, n), rng.normal(0, noise, n)
    decay = rng.normal(0, 0.3, int(0.4 * RATE_HZ)) * 10 ** (-3 * np.arange(int(0.4 * RATE_HZ)) / RATE_HZ / 0.3)
    decay[:20] = 1.0
    for k in range(count):
        flash_s = 0.7 * period_s + k * period_s
        lit = slice(*np.searchsorted(t, [flash_s, flash_s + 0.08]))
        light[lit] += 0.6 + 0.4 * np.cos(2 * np.pi * 240 * (t[lit] - flash_s))
        start = round((flash_s + offset_s) * RATE_HZ)
        sound[start : start + len(decay)] += 0.5 * decay[: n - start]
    if coupled:
        from scipy.signal import lfilter

        light = lfilter([1, -1], [1, -(1 - 2 * np.pi * 20 / RATE_HZ)], light)
    return light, sound


@pytest.mark.parametrize("coupled", [False, True])
@pytest.mark.parametrize("offset_s", [-0.2, 0.0, 0.08, 0.4])
def test_a_known_offset_is_found_to_a_millisecond(offset_s: float, coupled: bool) -> None:
    # 1 ms: the light rises within a sample, the click as well; the flicker of 240 Hz starts at its peak.
    found = sound_after_picture(*recording(offset_s, coupled=coupled), RATE_HZ)
    assert found.sound_after_picture_s == pytest.approx(offset_s, abs=1e-3)
    assert found.pairs == 8
    assert found.u_s == pytest.approx(0.02 / 12**0.5, rel=0.02)  # JCGM 100 4.3.7: the screen's own 20 ms, rectangular


@settings(max_examples=6, deadline=None)
@given(
    offset_s=st.floats(-0.3, 0.45), noise=st.floats(1e-5, 0.01), gain=st.floats(1e-3, 1.0), seed=st.integers(0, 99)
)
@example(offset_s=0.0, noise=0.009921446777725499, gain=1.0, seed=17)  # once 5 standard deviations high
def test_noise_and_gain_do_not_move_it(offset_s: float, noise: float, gain: float, seed: int) -> None:
    light, sound = recording(offset_s, noise=noise, seed=seed)
    found = sound_after_picture(-gain * light, gain * sound + 0.1, RATE_HZ)  # a sensor of the other sign, an offset
    assert found.sound_after_picture_s == pytest.approx(offset_s, abs=1e-3)


def test_an_offset_that_belongs_to_another_flash_as_well_is_refused() -> None:
    with pytest.raises(UnusableError, match="with a click within 200 ms"):
        sound_after_picture(*recording(0.25, period_s=0.5), RATE_HZ)


def test_a_recording_without_pairs_is_refused() -> None:
    light, _ = recording(0.1)
    hiss = np.random.default_rng(2).normal(0, 0.1, len(light))
    for other in (hiss, np.zeros(len(light)), np.full(len(light), 0.2)):
        with pytest.raises(UnusableError, match="and 0 clicks"):
            sound_after_picture(light, other, RATE_HZ)
    with pytest.raises(UnusableError, match="2 flashes and 2 clicks"):
        sound_after_picture(*recording(0.1, count=2), RATE_HZ)


def test_speech_beside_flashes_is_no_offset() -> None:
    """Bursts at random times, as in speech, do not belong to the flashes."""
    light, _ = recording(0.1, count=12)
    rng = np.random.default_rng(3)
    sound = rng.normal(0, 0.002, len(light))
    for start in np.cumsum(rng.uniform(0.35, 1.1, 20)):
        i = int(start * RATE_HZ)
        sound[i : i + 4800] += rng.normal(0, 0.3, len(sound[i : i + 4800]))
    with pytest.raises(UnusableError, match="scatter|with a click"):
        sound_after_picture(light, sound, RATE_HZ)


def test_clicks_that_scatter_make_the_mean_of_more_of_them_surer() -> None:
    """JCGM 100 4.2.3: s/√n of n clicks; ±4 ms in turn about 80 ms."""
    for count in (4, 8):
        parts = [recording(0.08 + (-1) ** k * 0.004, count=1, seed=k) for k in range(count)]
        light, sound = (np.concatenate([part[i] for part in parts]) for i in (0, 1))
        found = sound_after_picture(light, sound, RATE_HZ)
        scatter_s = 0.004 * (count / (count - 1)) ** 0.5
        # 2 %: a click and a flash are each found to a few samples.
        assert found.u_s == pytest.approx(np.hypot(scatter_s / count**0.5, 0.02 / 12**0.5), rel=0.02)
