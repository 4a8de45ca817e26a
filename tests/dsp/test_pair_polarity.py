"""Two loudspeakers against each other: published crossovers, measured drivers, echoes of their own at each seat."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from scipy.io import loadmat
from scipy.signal import butter, freqs

from commission.dsp import pair_polarity
from commission.dsp.analysis import analyse, analyse_batch
from commission.dsp.direct import DIRECT_BEFORE_S, DIRECT_FRAMES, DIRECT_RATE_HZ, direct_sounds
from commission.model import ComplexArray, FloatArray, Response

RATE_HZ, FRAMES = 48000.0, 9600
FREQ_HZ = np.fft.rfftfreq(FRAMES, 1 / RATE_HZ)
MEASURED = Path(__file__).resolve().parents[3] / "shared" / "data" / "loudspeaker_response_raw.ita"
"""Woofer and tweeter of one loudspeaker (ITA toolbox, BSD), where it lies beside the checkout."""


def butterworth(order: int, corner_hz: float, kind: str) -> ComplexArray:
    """Analogue Butterworth filter, by scipy."""
    return np.asarray(freqs(*butter(order, 2 * np.pi * corner_hz, kind, analog=True), 2 * np.pi * FREQ_HZ)[1])


def way(name: str, corner_hz: float, kind: str) -> ComplexArray:
    """One way of a crossover: "lr4" (Linkwitz 1976: two Butterworth filters of half the order in series) or "bw3"."""
    order = int(name[2])
    if name.startswith("lr"):
        return butterworth(order // 2, corner_hz, kind) ** 2
    return butterworth(order, corner_hz, kind)


INVERTED = {"lr2", "bw2"}
"""Crossovers whose ways add up only with the next driver inverted: their phases differ by 180° (Linkwitz 1976)."""


def drivers(name: str, *corners_hz: float) -> list[ComplexArray]:
    """Responses of the drivers of a loudspeaker, low to high, each as its crossover wants it connected."""
    out, upper, sign = [], np.ones(len(FREQ_HZ), complex), 1
    for corner_hz in corners_hz:
        out.append(sign * upper * way(name, corner_hz, "low"))
        upper = upper * way(name, corner_hz, "high")
        sign *= -1 if name in INVERTED else 1
    ends = butterworth(2, 60.0, "high") * butterworth(2, 20000.0, "low")
    return [each * ends for each in (*out, sign * upper)]


def heard(loudspeaker: ComplexArray, rng: np.random.Generator, seats: int = 4) -> FloatArray:
    """Impulse responses at some seats: the direct sound, twelve echoes and noise. [shape=(seats, FRAMES)]"""
    out = []
    for _ in range(seats):
        arrival_s = rng.uniform(0.012, 0.02)
        room = np.exp(-2j * np.pi * FREQ_HZ * arrival_s)
        for delay_s in rng.uniform(0.0008, 0.03, 12):
            gain = rng.uniform(0.1, 0.45) * np.exp(-delay_s / 0.02) / np.sqrt(1 + (FREQ_HZ / 8000) ** 2)
            room = room + gain * np.exp(-2j * np.pi * FREQ_HZ * (arrival_s + delay_s))
        impulse = np.fft.irfft(loudspeaker * room, FRAMES)
        out.append(impulse + 3e-5 * rng.standard_normal(FRAMES))
    return np.asarray(out)


def spectra_of(impulses: FloatArray) -> ComplexArray:
    found = [analyse(Response(impulse=impulse, rate_hz=RATE_HZ)).direct for impulse in impulses]
    return pair_polarity.spectra(np.array([each for each in found if each is not None]))


def relation(one: ComplexArray, other: ComplexArray, seed: int = 1) -> pair_polarity.Relation:
    rng = np.random.default_rng(seed)
    return pair_polarity.relation(pair_polarity.compare(spectra_of(heard(one, rng)), spectra_of(heard(other, rng))))


TWO_WAYS = [(name, (corner,)) for name in ("lr2", "lr4", "lr8", "bw1", "bw2", "bw3") for corner in (1600.0, 2800.0)]
THREE_WAYS = [(name, (corner, 3000.0)) for name in ("lr2", "lr4", "bw3") for corner in (250.0, 400.0, 600.0)]
MODELS = {f"{name} {corners}": sum(drivers(name, *corners)) for name, corners in (*TWO_WAYS, *THREE_WAYS)}


@pytest.mark.parametrize("rate_hz", [16000.0, 22050.0, 44100.0, 47999.3, 48000.0, 96000.0])
def test_the_direct_sound_is_the_same_at_every_rate(rate_hz: float) -> None:
    def pulse(time_s: FloatArray) -> FloatArray:
        return np.exp(-((time_s / 0.0008) ** 2)) * np.cos(2 * np.pi * 1500 * time_s + 0.7)

    time_s = np.arange(round(0.05 * rate_hz)) / rate_hz
    impulses = np.stack([pulse(time_s - 0.02003)] * 2).astype(np.float32)
    sound, none = direct_sounds(impulses, [0.0192, None], rate_hz)
    own_s = np.arange(DIRECT_FRAMES) / DIRECT_RATE_HZ - DIRECT_BEFORE_S
    assert none is None
    assert np.abs(sound - pulse(own_s + 0.0192 - 0.02003)).max() < 2e-6  # single precision


def test_a_direct_sound_at_the_very_beginning_or_end_is_cut_with_silence() -> None:
    impulses = np.zeros((2, 2000), np.float32)
    impulses[0, 24] = impulses[1, 1990] = 1.0
    sounds = direct_sounds(impulses, [0.0005, 1990 / 48000], 48000.0)
    for sound in sounds:
        assert np.argmax(sound) == round(DIRECT_BEFORE_S * DIRECT_RATE_HZ)
        assert np.abs(sound[200:]).max() < 1e-3


@pytest.mark.parametrize("name", MODELS)
def test_a_pair_of_one_model_has_the_sign_of_its_wires(name: str) -> None:
    for seed in (1, 2):
        alike, opposite = (relation(MODELS[name], sign * MODELS[name], seed) for sign in (1, -1))
        assert (alike.sign, opposite.sign) == (1, -1)
        assert alike.split_hz is opposite.split_hz is None
        assert opposite.agree == opposite.seats == 4


def test_no_other_crossover_looks_like_the_same_model_reversed() -> None:
    rng = np.random.default_rng(3)
    spectra = {name: spectra_of(heard(model, rng)) for name, model in MODELS.items()}
    for (one, a), (other, b) in combinations(spectra.items(), 2):
        found = pair_polarity.relation(pair_polarity.compare(a, b))
        assert not (found.alike() and found.sign == -1), (one, other)


@pytest.mark.parametrize("name", ["lr2", "lr4", "bw2"])
@pytest.mark.parametrize("corner_hz", [1200.0, 2000.0])
def test_a_reversed_driver_leaves_a_null_where_both_drivers_play(name: str, corner_hz: float) -> None:
    # Equal in phase and level at the crossover, so that a reversed one cancels the other there (Linkwitz 1976).
    low, high = drivers(name, corner_hz)
    found = relation(low - high, low + high)
    assert found.sign is None
    assert found.split_hz is not None
    assert corner_hz / 2 < found.split_hz < 2 * corner_hz
    assert (found.dip, found.above) == (0, True)
    assert found.odd == (None if name == "bw2" else 0)
    woofer = relation(low + high, high - low)
    assert (woofer.dip, woofer.above) == (1, False)
    # Butterworth ways add to 3 dB at the crossover: such models are built either way round, so that neither is named.
    assert woofer.odd == (None if name == "bw2" else 1)


@pytest.mark.parametrize("name", ["bw1", "bw3"])
@pytest.mark.parametrize("corner_hz", [1200.0, 2000.0])
def test_a_crossover_in_quadrature_has_no_null_and_names_neither(name: str, corner_hz: float) -> None:
    # The sum is flat whichever way the tweeter is connected (Linkwitz 1976): the phase alone shows it.
    low, high = drivers(name, corner_hz)
    found = relation(low - high, low + high)
    assert found.split_hz is not None
    assert (found.sign, found.odd) == (None, None)
    assert corner_hz / 2 < found.split_hz < 2 * corner_hz


@pytest.mark.parametrize("name", ["lr2", "lr4", "bw1", "bw2", "bw3"])
@pytest.mark.parametrize("sign", [1, -1])
def test_no_healthy_pair_has_a_driver_reversed(name: str, sign: int) -> None:
    low, high = drivers(name, 1800.0)
    other = relation(low + sign * high, low + sign * high, seed=3)
    assert (other.sign, other.split_hz) == (1, None)


@pytest.mark.parametrize("corner_hz", [1200.0, 2500.0])
def test_a_dead_driver_is_no_reversed_driver_of_the_partner(corner_hz: float) -> None:
    low, high = drivers("lr4", corner_hz)
    for dead in (low + 0.003 * high, 0.003 * low + high):
        found = relation(dead, low + high)
        assert found.split_hz is None
        assert found.sign != -1


@pytest.mark.parametrize("name", ["lr4", "bw3"])
def test_one_seat_is_enough_where_the_two_are_alike_otherwise(name: str) -> None:
    low, high = drivers(name, 1600.0)
    rng = np.random.default_rng(1)
    one, other = (spectra_of(heard(each, rng, seats=1)) for each in (low - high, low + high))
    assert pair_polarity.relation(pair_polarity.compare(one, other)).split_hz is not None


def test_nothing_compared_is_nothing_said() -> None:
    nothing = pair_polarity.compare(np.zeros((0, 513), complex), np.zeros((0, 513), complex))
    assert pair_polarity.relation(nothing).sign is None
    rng = np.random.default_rng(1)
    noise = pair_polarity.compare(*(pair_polarity.spectra(rng.standard_normal((6, DIRECT_FRAMES))) for _ in range(2)))
    assert pair_polarity.relation(noise).sign is None


@pytest.mark.skipif(not MEASURED.exists(), reason=f"the measured loudspeaker is not there: {MEASURED.name}")
def test_measured_drivers_with_a_linkwitz_riley_crossover() -> None:
    data = loadmat(MEASURED, struct_as_record=False, squeeze_me=True)["ITA_TOOLBOX_AUDIO_OBJECT"]
    start = int(np.argmax(np.abs(data.data[:, 1]))) - 60
    cut = data.data[start : start + 400] * np.hanning(800)[400:, None]
    turn = np.exp(-2j * np.pi * np.outer(FREQ_HZ, np.arange(400)) / data.samplingRate)
    woofer, tweeter = (turn @ cut).T
    low, high = woofer * way("lr4", 2000.0, "low"), tweeter * way("lr4", 2000.0, "high")
    at_crossover = np.argmin(np.abs(FREQ_HZ - 2000.0))
    if abs(low + high)[at_crossover] < abs(low - high)[at_crossover]:
        high = -high
    assert relation(low + high, low + high).sign == 1
    assert relation(low + high, -low - high).sign == -1
    assert relation(low + high, low - high).sign is None


def sub(order: int, corner_hz: float) -> ComplexArray:
    return butterworth(order, corner_hz, "high") * butterworth(2, 250.0, "low")


@pytest.mark.parametrize("order", [2, 4])  # closed, vented
@pytest.mark.parametrize("sign", [1, -1])
def test_two_subwoofers_of_one_model(order: int, sign: int) -> None:
    rng = np.random.default_rng(order)
    rooms = [heard(each * sub(order, 28.0), rng) for each in (1, sign)]
    both = [analyse_batch([Response(impulse=h, rate_hz=RATE_HZ) for h in room], [True] * 4) for room in rooms]
    values, products = [], []
    for a, b in zip(*both, strict=True):
        arrivals = (a.arrival_s, b.arrival_s)
        values.append(pair_polarity.subs_correlation((a.bass, b.bass), arrivals, a.bass_freq_hz))
        products.append(a.polarity * b.polarity)
    found = pair_polarity.subs_relation(np.array(values), np.array(products))
    assert (found.sign, found.agree) == (sign, 4)
    assert pair_polarity.subs_relation(np.array(values), -np.array(products)).sign is None


@pytest.mark.parametrize(
    ("correlations", "weakest_octave", "sign"),
    # Half of the sound alike (determined by simulation), every octave the same way round, at four of five seats.
    [
        ((0.51,) * 5, 0.4, 1),
        ((-0.51,) * 5, 0.4, -1),
        ((0.49,) * 5, 0.4, None),
        ((-0.49,) * 5, 0.4, None),
        ((0.6,) * 5, 0.21, 1),
        ((0.6,) * 5, 0.19, None),
        ((0.6, 0.6, 0.6, 0.6, -0.6), 0.4, 1),
        ((0.6, 0.6, 0.6, -0.6, -0.6), 0.4, None),
        ((), 0.4, None),
    ],
)
def test_a_sign_needs_half_of_the_sound_alike_in_every_octave_at_four_of_five_seats(
    correlations: tuple[float, ...], weakest_octave: float, sign: int | None
) -> None:
    flat = np.ones((len(correlations), len(pair_polarity._frequencies())), complex)
    even = pair_polarity.compare(flat, flat)  # for its shapes
    bands = np.outer(np.sign(correlations), np.full(pair_polarity.BANDS, 0.6)).astype(complex)
    bands[:, 2:4] *= weakest_octave / 0.6
    rest = {each.name: 0 * getattr(even, each.name) for each in fields(even)}  # no driver, no dip
    found = pair_polarity.relation(replace(even, **rest | {"correlation": np.array(correlations), "bands": bands}))
    assert found.sign == sign
    assert found.seats == len(correlations)


REAL_ROOM = MEASURED.with_name("UniS_Room_A_BRIR_16k.sofa")
"""One loudspeaker at 37 angles around a dummy head in a room (University of Surrey), where it lies beside the checkout."""


def mirrored_in_a_real_room(turned: tuple[str, float] | None = None) -> list[pair_polarity.Relation]:
    """The loudspeaker at an angle to the left and to the right, the ears as two seats; one with its tweeter turned."""
    import h5py

    with h5py.File(REAL_ROOM) as file:
        impulses = np.asarray(file["Data.IR"])
        rate_hz = float(np.ravel(file["Data.SamplingRate"])[0])
        angles = [round(float(each)) % 360 for each in np.asarray(file["SourcePosition"])[:, 0]]
    if turned is not None:
        freq_hz = np.fft.rfftfreq(2 * impulses.shape[-1], 1 / rate_hz)
        order, corner_hz = int(turned[0][2]), turned[1]
        sign = -1 if turned[0] in INVERTED else 1
        upper = sign * (1j * freq_hz / corner_hz) ** order  # q of the two ways, whatever they have in common
        changed = np.fft.irfft(np.fft.rfft(impulses, 2 * impulses.shape[-1]) * (1 - upper) / (1 + upper))
        left = [n for n, angle in enumerate(angles) if 0 < angle < 180]
        impulses[left] = changed[left, :, : impulses.shape[-1]]
    found = {
        angle: [analyse(Response(impulse=ear.astype(np.float32), rate_hz=rate_hz)).direct for ear in ears]
        for angle, ears in zip(angles, impulses, strict=True)
    }
    out = []
    for angle in (a for a in found if 0 < a < 180 and 360 - a in found):
        both = [
            (a, b)
            for a, b in zip(found[angle], found[360 - angle][::-1], strict=True)
            if a is not None and b is not None
        ]
        spectra = [pair_polarity.spectra(np.array(each)) for each in zip(*both, strict=True)]
        out.append(pair_polarity.relation(pair_polarity.compare(*spectra)))
    return out


@pytest.mark.skipif(not REAL_ROOM.exists(), reason=f"the measured room is not there: {REAL_ROOM.name}")
def test_mirrored_angles_in_a_real_room_are_alike() -> None:
    found = mirrored_in_a_real_room()
    assert len(found) == 18
    assert all(each.split_hz is None and each.sign != -1 for each in found)
    assert sum(each.sign == 1 for each in found) >= 16


@pytest.mark.skipif(not REAL_ROOM.exists(), reason=f"the measured room is not there: {REAL_ROOM.name}")
@pytest.mark.parametrize("name", ["lr2", "lr4", "bw3"])
def test_a_tweeter_turned_in_a_real_room_is_found(name: str) -> None:
    # One loudspeaker twice, so that only the room differs. Two seats: a turn as slow as that of third order is found at half
    # of the angles, where the echoes of both sides are alike.
    found = mirrored_in_a_real_room((name, 1800.0))
    assert sum(each.split_hz is not None for each in found) >= (0.5 if name == "bw3" else 0.9) * len(found)
    named = [each.odd for each in found if each.odd is not None]
    assert set(named) <= {0}
    assert not named or name != "bw3"
