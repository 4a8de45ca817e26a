"""What a sound level meter does, against the standard's tables, closed forms and another library."""

from __future__ import annotations

import numpy as np
import pytest
from references.catalogue import table
from references.sounds import RATE_HZ, ventilation

from commission.dsp import weighting

TABLE_3 = table("weighting/independent_iec61672_table3.csv")


@pytest.mark.parametrize("kind", ["A", "C"])
def test_weightings_are_those_of_table_3(kind: str) -> None:
    exact = np.array([float(line["exact_hz"]) for line in TABLE_3])
    want = [float(line[f"{kind.lower()}_db"]) for line in TABLE_3]
    np.testing.assert_allclose(weighting.weighting_db(exact, kind), want, atol=0.051)  # type: ignore[arg-type]  # 0.1 dB steps


@pytest.mark.parametrize("kind", ["A", "C"])
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_weighted_tones_read_as_table_3_says(kind: str, rate_hz: int) -> None:
    """A tone of every nominal frequency through the filter, from its level before and after: 0.07 dB, and so within class 1."""
    time_s = np.arange(2 * rate_hz) / rate_hz
    middle = slice(rate_hz // 2, 3 * rate_hz // 2)
    for line in TABLE_3:
        tone = np.sin(2 * np.pi * float(line["exact_hz"]) * time_s)
        heard = weighting.weighted(tone, rate_hz, kind)[middle]  # type: ignore[arg-type]
        change = 10 * np.log10(np.mean(heard**2) / np.mean(tone[middle] ** 2))
        # 0.02 dB beyond the table's rounding: a second is no whole number of periods of every tone.
        assert change == pytest.approx(float(line[f"{kind.lower()}_db"]), abs=0.07), line["nominal_hz"]
        deviation = change - float(line[f"{kind.lower()}_db"])
        assert float(line["class1_low_db"]) < deviation < float(line["class1_high_db"])


def test_z_leaves_the_samples_alone() -> None:
    x = np.arange(10.0)
    assert weighting.weighted(x, 48000, "Z") is x


def test_levels_of_tones_are_known() -> None:
    time_s = np.arange(48000) / 48000
    assert float(weighting.equivalent_level_db(np.sqrt(2) * np.sin(2 * np.pi * 1000 * time_s))) == pytest.approx(
        93.9794,
        abs=1e-4,  # 1 Pa: 20·lg(1/20e-6), by calculator
    )
    both = weighting.equivalent_level_db(np.stack((np.ones(100), np.r_[np.ones(10), np.zeros(90)])), 1.0)
    np.testing.assert_allclose(both, [0, -10], atol=1e-12)  # a tenth of the time: 10 dB less


@pytest.mark.parametrize("line", table("weighting/independent_levels.csv"), ids=lambda line: line["quantity"])
def test_levels_agree_with_another_library(line: dict[str, str]) -> None:
    name, sound = line["quantity"], ventilation()
    heard = weighting.weighted(sound, RATE_HZ, name[1])  # type: ignore[arg-type]
    if name.endswith("eq"):
        found = float(weighting.equivalent_level_db(heard))
    else:
        level = weighting.time_weighted_level_db(heard, RATE_HZ, name[2])[5 * RATE_HZ :]  # type: ignore[arg-type]
        found = float(level.max() if name.endswith("max") else level.min())
    # 0.02 dB for means. Theirs weights with phase: the extremes of C, where low frequencies rule, shift by up to 0.06 dB.
    assert found == pytest.approx(float(line["level_db"]), abs=0.1 if name[2] in "FS" and name[1] != "Z" else 0.02)


@pytest.mark.parametrize(("speed", "tau_s"), [("F", 0.125), ("S", 1.0)])
@pytest.mark.parametrize("burst_s", [0.002, 0.02, 0.2, 0.5, 1.0])
def test_tone_bursts_read_as_the_standard_says(speed: str, tau_s: float, burst_s: float) -> None:
    """IEC 61672-1:2013 equation (9), of which Table 4 is the rounding: 10·lg(1 − e^(−T/τ)) re the steady tone, 4 kHz."""
    rate_hz = 48000
    time_s = np.arange(round(1.5 * rate_hz)) / rate_hz
    burst = np.sqrt(2) * np.sin(2 * np.pi * 4000 * time_s) * (time_s < burst_s)
    level = weighting.time_weighted_level_db(burst, rate_hz, speed, 1.0)  # type: ignore[arg-type]
    # 0.02 dB: the ripple of twice the tone's frequency on a τ of 0.125 s, 4.34/(4π·4000·0.125), more on a short burst.
    assert level.max() == pytest.approx(10 * np.log10(1 - np.exp(-burst_s / tau_s)), abs=0.02)


TABLE_4_DB = {
    "F": {1.0: 0.0, 0.5: -0.1, 0.2: -1.0, 0.05: -4.8, 0.01: -11.1},
    "S": {1.0: -2.0, 0.5: -4.1, 0.2: -7.4, 0.05: -13.1},
}
"""IEC 61672-1:2013 Table 4 (from memory)."""


@pytest.mark.parametrize("speed", ["F", "S"])
def test_tone_bursts_read_as_table_4_says(speed: str) -> None:
    time_s = np.arange(72000) / 48000
    for burst_s, want in TABLE_4_DB[speed].items():
        burst = np.sqrt(2) * np.sin(2 * np.pi * 4000 * time_s) * (time_s < burst_s)
        level = weighting.time_weighted_level_db(burst, 48000, speed, 1.0)  # type: ignore[arg-type]
        assert level.max() == pytest.approx(want, abs=0.06)  # the table steps by 0.1 dB


@pytest.mark.parametrize(("speed", "db_per_s"), [("F", 34.7), ("S", 4.3)])
def test_levels_fall_as_fast_as_the_standard_says(speed: str, db_per_s: float) -> None:
    """IEC 61672-1:2013 5.8.3: 34.7 and 4.3 dB a second after the sound has stopped (10·lg e/τ)."""
    sound = np.r_[np.ones(48000), np.zeros(96000)]
    level = weighting.time_weighted_level_db(sound, 48000, speed, 1.0)  # type: ignore[arg-type]
    assert level[60000] - level[108000] == pytest.approx(db_per_s, abs=0.06)  # one decimal
