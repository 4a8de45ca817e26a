"""Lags between recordings, against delays of known parts of a sample."""

from __future__ import annotations

import numpy as np
import pytest

from commission.dsp.lag import lag_between
from commission.model import UnusableError

RATE = 48000


@pytest.mark.parametrize("delay", [0.0, 0.25, -3.4, 100.7])
def test_lags_of_parts_of_a_sample(delay: float) -> None:
    rng = np.random.default_rng(8)
    x = rng.standard_normal(8192)
    freq = np.fft.rfftfreq(32768, 1.0)
    moved = np.fft.irfft(np.fft.rfft(np.pad(x, (2000, 22576))) * np.exp(-2j * np.pi * freq * delay))[:14000]
    lag = lag_between(np.pad(x, (2000, 3808)), moved, RATE, (200.0, 20000.0))
    assert lag.seconds * RATE == pytest.approx(delay, abs=1e-5)  # the ringing of the moved noise is cut at the ends
    assert lag.agreement > 0.99
    unrelated = lag_between(x, rng.standard_normal(8192), RATE, (200.0, 20000.0))
    assert unrelated.agreement < 0.2


def test_silence_has_no_lag() -> None:
    with pytest.raises(UnusableError, match="nothing is heard"):
        lag_between(np.ones(64), np.zeros(64), RATE, (200.0, 20000.0))
