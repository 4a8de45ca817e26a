"""Functions of a sound level meter, against the standard's tables, closed forms and another library."""

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


MEANS = [line for line in table("weighting/independent_levels.csv") if line["quantity"].endswith("eq")]


@pytest.mark.parametrize("line", MEANS, ids=lambda line: line["quantity"])
def test_levels_agree_with_another_library(line: dict[str, str]) -> None:
    name, sound = line["quantity"], ventilation()
    heard = weighting.weighted(sound, RATE_HZ, name[1])  # type: ignore[arg-type]
    level_db = 10 * np.log10(np.mean(heard**2) / 20e-6**2)  # IEC 61672-1:2013 3.9, p0 of ISO 1683
    assert level_db == pytest.approx(float(line["level_db"]), abs=0.02)
