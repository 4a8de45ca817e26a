"""Tonal balance of channels with known slopes and steps, computed by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from builders import analysis, cinema

from commission.dsp.spectrum import GRID_HZ
from commission.model import FloatArray
from commission.steps.seats.balance import Balance, _against_group, balance_table, balances
from commission.steps.seats.result import SeatsResult

OCTAVES = np.log2(GRID_HZ / 1000)


def found(levels_db: dict[tuple[str, str], FloatArray], **fields: object) -> dict[str, Balance]:
    """Balance by channel of responses with these third octaves; a response's level is that at 1 kHz."""
    at_1k = int(np.argmin(np.abs(GRID_HZ - 1000)))
    channels = {c.id: c for c in cinema().channels}
    cells = {}
    for (channel, seat), levels in levels_db.items():
        given: dict[str, object] = {"freq_hz": GRID_HZ, "third_octave_db": levels, "level_db": float(levels[at_1k])}
        given |= {"low_hz": 40.0, "high_hz": 20_000.0} | fields
        cells[channel, seat] = SimpleNamespace(channel=channels[channel], analysis=analysis(**given))
    result = cast(SeatsResult, SimpleNamespace(cells=cells))
    return {each.channel: each for each in balances(result)}


def test_a_slope_is_read_as_tilt_and_levels_do_not_count() -> None:
    """FL falls by 1 dB per octave, FC and FR are flat; A2 is 7 dB softer throughout. The mean tilt is −1/3 dB."""
    seats = {"A1": 70.0, "A2": 63.0}
    slopes = {"FL": -1.0, "FC": 0.0, "FR": 0.0}
    got = found({(c, s): level + slope * OCTAVES for c, slope in slopes.items() for s, level in seats.items()})
    assert got["FL"].tilt_db == pytest.approx(-1.0, abs=1e-6)
    assert got["FL"].tilt_from_group_db == pytest.approx(-2 / 3, abs=1e-6)
    assert got["FC"].tilt_from_group_db == pytest.approx(1 / 3, abs=1e-6)
    assert got["FL"].seats == ("A1", "A2")
    # At 8 kHz, three octaves up: −3 dB against a mean of −1 dB. 0.06 dB: the middle of the grid points is not 8 kHz.
    assert got["FL"].from_group_db is not None
    assert got["FL"].from_group_db[8000] == pytest.approx(-2.0, abs=0.06)
    assert [row.key for row in balance_table(got.values())[0].rows] == ["FL", "FC", "FR"]


def test_groups_are_compared_with_themselves_alone() -> None:
    got = found({(c, "A1"): 70 + slope * OCTAVES for c, slope in {"FL": -2.0, "FR": -2.0, "SiL": 0.0}.items()})
    assert got["FL"].tilt_from_group_db == pytest.approx(0.0, abs=1e-6)
    assert (got["SiL"].group, got["SiL"].from_group_db) == ("surround", None)
    assert balance_table(()) == ()


def test_only_seats_and_octaves_that_all_have_are_compared() -> None:
    flat = 70 + 0 * OCTAVES
    got = found({("FL", "A1"): flat, ("FL", "A2"): flat, ("FR", "A2"): flat}, high_hz=5000.0)
    assert got["FL"].seats == got["FR"].seats == ("A2",)
    assert got["FL"].tilt_db is not None  # 200 to 5000 Hz is 82 % of the span in octaves
    assert set(got["FL"].bands_db) == {125, 250, 500, 1000, 2000, 4000}  # 5000 Hz leaves 82 % of the last
    assert found({("FL", "A1"): flat, ("FR", "A2"): flat}) == {}
    assert found({("FL", "A1"): flat}, low_hz=500.0)["FL"].tilt_db is None


def test_a_group_with_an_unknown_tilt_has_no_mean_tilt() -> None:
    """FR's tilt is unknown, so FL's is compared with nothing; the octave known for both is compared: ±1 dB."""
    known = Balance(channel="FL", group="screen", seats=("A1",), tilt_db=-1.0, bands_db={125: 0.0, 1000: 2.0})
    unknown = Balance(channel="FR", group="screen", seats=("A1",), tilt_db=None, bands_db={1000: 0.0})
    first, second = _against_group([known, unknown])
    assert (first.tilt_from_group_db, second.tilt_from_group_db) == (None, None)
    assert (first.from_group_db, second.from_group_db) == ({1000: 1.0}, {1000: -1.0})
