"""Target and mask of ITU-R BS.1116-3, against a published room that conforms to it."""

from __future__ import annotations

import numpy as np
import pytest
from decays import RATE_HZ, noises

from commission.dsp.band_energy import OCTAVES, THIRDS
from commission.dsp.reverberation import decays_and_clarity, mask_s, target_time_s
from commission.model import InputError

IOSR_ROOM_S = (0.461, 0.373, 0.236, 0.231, 0.219, 0.207, 0.196, 0.180)
"""Reverberation time, octaves 63 Hz to 8 kHz, of the BS.1116 listening room of the University of Surrey, 7.35 × 5.70 ×
2.50 m: J. Francombe, "IoSR Listening Room Multichannel BRIR dataset" (2017), Table 1 (CC BY 4.0)."""


def test_target_by_volume() -> None:
    assert target_time_s(100.0) == pytest.approx(0.25)
    assert target_time_s(7.35 * 5.70 * 2.50) == pytest.approx(0.2539, abs=5e-5)  # with a calculator
    assert target_time_s(800.0) == pytest.approx(0.5)
    for volume in (0.0, -3.0, float("nan")):
        with pytest.raises(InputError, match="volume"):
            target_time_s(volume)


def test_a_room_called_conforming_lies_within_the_mask_but_for_one_octave() -> None:
    """Around its own mean, and around the target; the mean itself keeps the range 0.2 to 0.4 s.

    The mask is from memory, and the room's publication does not print it: where the two disagree the test says so instead of
    allowing for it. Around its own mean the room is 5 ms too long at 125 Hz, around the target 8 ms too short at 4 kHz.
    """
    times = np.array(IOSR_ROOM_S)
    mean = float(np.mean([0.236, 0.231, 0.219, 0.207, 0.196]))  # its octaves from 250 Hz to 4 kHz
    assert 0.2 < mean < 0.4
    for middle_s, octave, beyond_s in ((mean, 1, 0.005), (target_time_s(104.74), 6, -0.008)):
        low, high = mask_s(OCTAVES.centres_hz, middle_s)
        outside = np.maximum(times - high, 0) + np.minimum(times - low, 0)
        assert np.flatnonzero(outside).tolist() == [octave]
        assert outside[octave] == pytest.approx(beyond_s, abs=5e-4)  # the published times have three decimals


def test_the_mask_by_its_corners() -> None:
    low, high = mask_s(np.array([63.0, 200.0, 1000.0, 4000.0, 5000.0, 8000.0, np.sqrt(63.0 * 200.0)]), 0.25)
    np.testing.assert_allclose(high, 0.25 + np.array([0.3, 0.05, 0.05, 0.05, 0.1, 0.1, 0.175]), atol=1e-9)
    np.testing.assert_allclose(low, 0.25 - np.array([0.05, 0.05, 0.05, 0.05, 0.1, 0.1, 0.05]), atol=1e-9)
    beside = np.array([20.0, 50.0, 10000.0, 16000.0])  # the thirds of an octave next to its ends
    assert np.isnan(mask_s(beside, 0.25)).all() and np.isfinite(mask_s(np.array([63.1, 7943.0]), 0.25)).all()


@pytest.mark.parametrize(("rate_hz", "frames"), [(8000.0, 64), (44100.0, 960), (96000.0, 4800)])
@pytest.mark.parametrize("kind", ["noise", "silence", "impulse", "constant", "whisper"])
def test_every_response_gets_a_number_or_a_reason(rate_hz: float, frames: int, kind: str) -> None:
    """Responses far too short or unusable: no warning, no exception, no number without uncertainty."""
    h = {
        "noise": np.random.default_rng(1).standard_normal((2, frames)),
        "silence": np.zeros((2, frames)),
        "impulse": np.eye(2, frames, frames // 2),
        "constant": np.ones((2, frames)),
        "whisper": 1e-20 * np.random.default_rng(2).standard_normal((2, frames)),
    }[kind]
    for bands in (OCTAVES, THIRDS):
        for starts_s in (None, np.full(2, 0.9 * frames / rate_hz)):
            decays, clarity = decays_and_clarity(h, rate_hz, bands, starts_s)
            for b in range(len(bands.indices)):
                for estimate in (
                    *(decays.estimate(quantity, 0, b) for quantity in ("edt", "t20", "t30")),
                    *(clarity.estimate(quantity, 0, b) for quantity in ("c50", "c80", "d50")),
                ):
                    if estimate.value is None:
                        assert estimate.why_not
                    else:
                        assert np.isfinite([estimate.value, estimate.u]).all()


def test_other_responses_of_a_batch_do_not_affect_a_decay() -> None:
    """Other responses in the batch must not matter. Tolerance: rounding."""
    impulses = noises(0.4, 3, seed=7, background_db=-50.0)
    late = np.roll(impulses, 1000, axis=1)
    together, _ = decays_and_clarity(np.concatenate([impulses, late]), RATE_HZ)
    for k, response in enumerate([*impulses, *late]):
        alone, _ = decays_and_clarity(response, RATE_HZ)
        for quantity, times_s in alone.times_s.items():
            assert together.times_s[quantity][k] == pytest.approx(times_s[0], rel=1e-9, nan_ok=True)
        assert together.range_db[k] == pytest.approx(alone.range_db[0], rel=1e-9, nan_ok=True)
