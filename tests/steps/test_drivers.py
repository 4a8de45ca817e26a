"""Dead drivers by their band: crossovers built with scipy, in a real room if its response is beside the checkout.

Fourth-order Linkwitz-Riley is two second-order Butterworth filters in series, and so on (Linkwitz 1976). Corners and
orders in use: 200 to 600 Hz and 1.9 to 3.8 kHz (common practice, no source).
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from open_data import LIVING_ROOM, NO_DATA
from scipy.signal import butter, freqs

from commission.dsp.analysis import analyse_batch
from commission.dsp.spectrum import GRID_HZ
from commission.model import ComplexArray, FloatArray, Response
from commission.steps.seats.drivers import BANDS_HZ, Driver, DriverGap, driver_gaps, level_variation, shared_level_db

RATE_HZ = 48000.0
"""A living room (OpenAIR, public domain), where it is beside the checkout."""
ORDERS = ("lr2", "lr4", "bw3")
CORNERS_HZ = tuple(product((220.0, 350.0, 600.0), (1900.0, 2600.0, 3800.0)))


def way(name: str, corner_hz: float, kind: str, freq_hz: FloatArray) -> ComplexArray:
    """One way of a crossover, such as "lr4" or "bw3"."""
    order = int(name[2]) // (2 if name.startswith("lr") else 1)
    one = freqs(*butter(order, 2 * np.pi * corner_hz, kind, analog=True), 2 * np.pi * freq_hz)[1]
    return np.asarray(one**2 if name.startswith("lr") else one)


def three_ways(name: str, low_hz: float, high_hz: float, freq_hz: FloatArray) -> dict[str, ComplexArray]:
    """Woofer, midrange and tweeter, each with the polarity that its crossover requires."""
    sign = -1 if name == "lr2" else 1
    upper = way(name, low_hz, "high", freq_hz)
    return {
        "woofer": way(name, low_hz, "low", freq_hz),
        "midrange": sign * upper * way(name, high_hz, "low", freq_hz),
        "tweeter": upper * way(name, high_hz, "high", freq_hz),
    }


def gaps(ratio_db: FloatArray, level_db: FloatArray | None = None) -> dict[Driver, float]:
    """Result of `driver_gaps` for levels minus the partner's on GRID_HZ, at one seat."""
    levels = np.zeros(len(GRID_HZ)) if level_db is None else level_db
    bands = [(GRID_HZ >= low) & (GRID_HZ <= high) for low, high in BANDS_HZ]
    apart, beside = (np.array([each[band].mean() for band in bands]) for each in (ratio_db, levels))
    return {
        driver: found.gap_db for driver, found in driver_gaps({"A1": apart}, {"A1": beside}, has_partner=True).items()
    }


def less_db(ways: dict[str, ComplexArray], name: str, factor: float) -> FloatArray:
    """A loudspeaker with one driver dead (0) or reversed (−1), minus a sound one [dB]."""
    whole = np.sum(list(ways.values()), axis=0)
    return np.asarray(20 * np.log10(np.abs(whole + (factor - 1) * ways[name]) / np.abs(whole) + 1e-3))


@pytest.mark.parametrize("name", ORDERS)
@pytest.mark.parametrize("corners_hz", CORNERS_HZ)
def test_each_dead_driver_leaves_its_own_band_and_no_other(name: str, corners_hz: tuple[float, float]) -> None:
    ways = three_ways(name, *corners_hz, GRID_HZ)
    # Least expected: woofer and tweeter an octave from their corner, the midrange at the edges of 1.5 octaves. Within less
    # than two octaves its neighbours fill the gap, unless they are steep.
    octaves = float(np.log2(corners_hz[1] / corners_hz[0]))
    middle_db = 0.0 if octaves < 2 and name != "lr4" else -5.0 if octaves < 2.6 or name == "lr2" else -8.5
    for dead, least_db in (("woofer", -12.0), ("midrange", middle_db), ("tweeter", -12.0)):
        found = gaps(less_db(ways, dead, 0.0))
        assert min(found, key=found.__getitem__) == dead, found
        assert found.pop(dead) <= least_db
        assert min(found.values()) > -7.0, (dead, found)


@pytest.mark.parametrize("name", ["lr2", "lr4", "bw2", "bw3"])
@pytest.mark.parametrize("corner_hz", [500.0, 800.0, 1200.0, 2000.0, 3000.0])
def test_a_reversed_driver_leaves_no_gap_as_wide_as_a_dead_one(name: str, corner_hz: float) -> None:
    # |(1 − q)/(1 + q)|, q = (f/f0)^n, is widest for n = 2; limits: 10 dB for tweeter and woofer. The midrange's limit of
    # 7 dB holds in rooms, whose echoes fill the null; without any echo the gap reaches 10.2 dB (arithmetic).
    low, high = way(name, corner_hz, "low", GRID_HZ), way(name, corner_hz, "high", GRID_HZ)
    ways = {"woofer": low, "tweeter": -high if name in ("lr2", "bw2") else high}
    found = gaps(less_db(ways, "tweeter", -1.0))
    assert found["tweeter"] > -6.0
    assert found["woofer"] > -6.0
    assert found["midrange"] > -10.5


def test_a_trim_and_a_tilt_are_no_dead_driver() -> None:
    assert min(gaps(np.full(len(GRID_HZ), -15.0)).values()) > -1e-9
    tilt = -1.0 * np.log2(GRID_HZ / 1000)  # 1 dB an octave
    assert min(gaps(tilt).values()) > -6.0


def test_what_a_loudspeaker_does_not_play_says_nothing() -> None:
    silent_below = np.where(GRID_HZ < 190, -60.0, 0.0)
    apart = np.where(GRID_HZ < 190, -30.0, 0.0)
    assert gaps(apart, silent_below)["woofer"] > -1.0
    assert gaps(apart)["woofer"] < -20.0


def test_the_band_counts_in_which_less_need_be_missing() -> None:
    """Below 200 Hz a room makes two sides differ: there 6 dB more must be missing than above, if two seats show it."""
    for lowest_db, band_hz in ((-15.0, (200.0, 500.0)), (-21.0, (80.0, 200.0))):
        apart = np.zeros(len(BANDS_HZ))
        apart[2:4] = -13.0, lowest_db
        both = {seat: apart for seat in ("A1", "A2")}
        found = driver_gaps(both, dict.fromkeys(both, np.zeros(len(BANDS_HZ))), has_partner=True)
        assert found["woofer"].band_hz == band_hz


@pytest.mark.parametrize(("seats_db", "weak_db"), [((-9, -13, -13), 0), ((-3, -13, -13), 6), ((-13, -13), 6)])
def test_what_each_of_three_seats_lacks_below_200_hz_is_not_the_room(
    seats_db: tuple[float, ...], weak_db: int
) -> None:
    gap = DriverGap((80.0, 200.0), {f"A{n}": db for n, db in enumerate(seats_db)})
    assert gap.weak_db(has_partner=True) == weak_db


@pytest.mark.skipif(not LIVING_ROOM.exists(), reason=NO_DATA)
@pytest.mark.parametrize("dead", ["woofer", "midrange", "tweeter"])
def test_a_dead_driver_in_a_real_room(dead: str) -> None:
    import soundfile

    samples, rate_hz = soundfile.read(LIVING_ROOM, always_2d=True)
    room = np.fft.rfft(samples[:, 0], 2 * len(samples))
    freq_hz = np.fft.rfftfreq(2 * len(samples), 1 / rate_hz)
    ways = three_ways("lr4", 400.0, 2600.0, np.maximum(freq_hz, 1.0))
    whole = np.sum(list(ways.values()), axis=0)
    rng = np.random.default_rng(1)
    responses = []
    for speaker in (whole - ways[dead], whole, whole):
        impulse = np.fft.irfft(room * speaker)[: len(samples)]
        noise = rng.standard_normal(len(impulse)) * np.abs(impulse).max() * 10 ** (-60 / 20)
        responses.append(Response(impulse=(impulse + noise).astype(np.float32), rate_hz=float(rate_hz)))
    levels = [
        each.third_octave_db for each in analyse_batch(responses, [False] * 3) if not isinstance(each, Exception)
    ]
    found = gaps(levels[0] - levels[1], levels[1])
    assert min(found, key=found.__getitem__) == dead
    assert found.pop(dead) <= -10.0
    assert min(found.values()) > -7.0
    assert min(gaps(levels[2] - levels[1], levels[1]).values()) > -1.0  # the same loudspeaker twice, two noises


def test_what_all_half_octaves_share_is_no_driver() -> None:
    """Arithmetic: medians over the seats, above 200 Hz only, where the room does not dominate."""
    even = np.full(len(BANDS_HZ), 3.0)
    even[4:6] = -9.0  # 100 to 200 Hz
    odd = even.copy()
    odd[10] = 1.5
    assert shared_level_db({"A1": even, "A2": odd, "A3": odd}) == 1.5
    odd[10] = -0.5
    assert shared_level_db({"A1": even, "A2": odd, "A3": odd}) == 0.0
    assert shared_level_db({"A1": -even}) == -3.0


def test_a_difference_is_uneven_over_one_and_a_half_octaves_and_more() -> None:
    """Arithmetic: a trim gives no range, a half octave a third of its depth, a midrange all of it."""
    even = np.full(len(BANDS_HZ), 3.0)
    even[4:6] = -9.0  # 100 to 200 Hz do not count
    assert level_variation({"A1": even}).range_db == 0.0
    odd = even.copy()
    odd[10] -= 6.0
    assert level_variation({"A1": odd}).range_db == pytest.approx(2.0)
    odd[9:12] = -6.0  # 566 Hz to 1.6 kHz
    found = level_variation({"A1": even, "A2": odd, "A3": odd})
    assert (found.low_db, found.high_db) == pytest.approx((-6.0, 3.0))
    assert found.low_hz == pytest.approx(100 * 2**3.25)
    odd[10] = np.nan
    assert level_variation({"A1": odd}).range_db == 0.0
