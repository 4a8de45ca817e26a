"""Early reflections: echoes of known level and delay, mirror images by hand, and an independent simulated room."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
from builders import LOUDSPEAKERS, SEATS
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from commission.dsp import timing
from commission.dsp.reflections import (
    DELAY_U_S,
    LEVEL_U_DB,
    SURFACE_TOLERANCE_S,
    Reflection,
    candidates,
    could_come_from,
    early_reflections,
    image_positions,
    in_words,
    reflecting_point,
    reflections_of,
    seat_backs,
)
from commission.model import FloatArray, Room, Seat

RATE = 48000
C = 343.2
ROOM = Room(length_m=6.40, width_m=4.70, height_m=2.60)


def _echoes(echoes: dict[float, float], noise: float = 1e-5) -> FloatArray:
    """A direct sound at 12 ms and echoes (seconds after it → amplitude), each moved by parts of a sample."""
    frames = 9600
    freq = np.fft.rfftfreq(frames, 1 / RATE)
    spectrum = sum(a * np.exp(-2j * np.pi * freq * (0.012 + t)) for t, a in {0.0: 1.0, **echoes}.items())
    h = np.fft.irfft(spectrum, frames) + noise * np.random.default_rng(2).standard_normal(frames)
    return np.asarray(signal.sosfilt(signal.butter(2, 100, "high", fs=RATE, output="sos"), h))


def test_echoes_of_known_level_and_delay() -> None:
    truth = {0.00213: 0.5, 0.00507: -0.25, 0.01101: 0.35}
    (found,) = early_reflections(_echoes(truth)[None], RATE, [0.012])
    assert found.why_not is None
    assert [round(r.delay_s, 5) for r in found.found] == pytest.approx([0.00213, 0.01101, 0.00507], abs=2e-5)
    for reflection, (delay_s, amplitude) in zip(
        found.found, sorted(truth.items(), key=lambda each: -abs(each[1])), strict=True
    ):
        # 0.01 ms: a sixth of the envelope's step; 0.2 dB: the steps of the envelope and the window's side lobes.
        assert reflection.delay_s == pytest.approx(delay_s, abs=1e-5)
        assert reflection.level_db == pytest.approx(20 * np.log10(abs(amplitude)), abs=0.2)


@given(gain=st.floats(1e-3, 1e3), later=st.integers(0, 2000))
def test_gain_and_delay_of_the_whole_change_nothing(gain: float, later: int) -> None:
    h = _echoes({0.004: 0.5, 0.009: 0.2})
    first = early_reflections(h[None], RATE, [0.012])[0]
    moved = np.pad(h, (later, 0)) * gain
    second = early_reflections(moved[None], RATE, [0.012 + later / RATE])[0]
    assert [r.level_db for r in second.found] == pytest.approx([r.level_db for r in first.found], abs=0.2)
    assert [r.delay_s for r in second.found] == pytest.approx([r.delay_s for r in first.found], abs=1e-5)


def test_where_a_surface_reflects() -> None:
    """Ears and loudspeaker 1.1 m high and 3.2 m apart: floor and side walls half-way; from 0.3 m aside, by similar triangles."""
    source, ears = (0.0, 0.1, 1.1), (0.0, 3.3, 1.1)
    assert reflecting_point(source, ears, ROOM, "floor") == pytest.approx((0.0, 1.7, 0.0))
    assert reflecting_point(source, ears, ROOM, "left wall") == pytest.approx((-2.35, 1.7, 1.1))
    assert reflecting_point(source, ears, ROOM, "rear wall") == pytest.approx((0.0, 6.4, 1.1))
    assert reflecting_point(source, ears, ROOM, "screen wall") == pytest.approx((0.0, 0.0, 1.1))
    # 2.35 m from the wall at the ears and 1.35 m at the loudspeaker: 1.35/(1.35 + 2.35) of 3.2 m.
    y_m = 0.1 + 3.2 * 1.35 / 3.7
    assert reflecting_point((1.0, 0.1, 1.1), ears, ROOM, "right wall") == pytest.approx((2.35, y_m, 1.1))
    assert reflecting_point(source, (0.0, 3.3, 2.7), ROOM, "ceiling") is None  # above the ceiling


def test_mirror_images_by_hand() -> None:
    images = image_positions((-1.45, 0.10, 1.15), ROOM)
    assert images["left wall"] == pytest.approx((-3.25, 0.10, 1.15))  # the wall is at −2.35
    assert images["right wall"] == pytest.approx((6.15, 0.10, 1.15))
    assert images["screen wall"] == pytest.approx((-1.45, -0.10, 1.15))
    assert images["rear wall"] == pytest.approx((-1.45, 12.70, 1.15))
    assert images["floor"] == pytest.approx((-1.45, 0.10, -1.15))
    assert images["ceiling"] == pytest.approx((-1.45, 0.10, 4.05))
    # Centre loudspeaker 3.2 m ahead at ear height, ears 1.1 m high: floor √(3.2² + 2.2²) − 3.2 = 0.6833 m.
    found = {c.name: c for c in candidates((0.0, 0.1, 1.1), (0.0, 3.3, 1.1), ROOM, C)}
    assert found["floor"].delay_s == pytest.approx(0.683298 / C, rel=1e-5)
    assert found["screen wall"].delay_s == pytest.approx(0.2 / C)
    assert found["left wall"].delay_s == found["right wall"].delay_s


def test_candidates_are_named_within_their_tolerance() -> None:
    among = candidates((0.0, 0.1, 1.1), (0.4, 4.9, 1.4), ROOM, C, {"back of row A": (0.4, 3.5, 0.9)})
    by_name = {c.name: c.delay_s for c in among}
    names = could_come_from(Reflection(by_name["ceiling"] + 0.0001, -8.0), among)
    assert names[0] == "ceiling"
    assert in_words(("ceiling",)) == "ceiling"
    assert in_words(("left wall", "back of row A")) == "left wall, or back of row A"
    assert could_come_from(Reflection(0.040, -8.0), among) == ()
    assert "no single surface" in in_words(())
    seat_back = could_come_from(Reflection(by_name["back of row A"] + 0.0008, -8.0), among)
    assert "back of row A" in seat_back  # half a metre wide: its tolerance is wider than a wall's
    wall = could_come_from(Reflection(by_name["rear wall"] + 2 * SURFACE_TOLERANCE_S, -8.0), among)
    assert "rear wall" not in wall


def test_a_wall_is_known_within_0_3_ms_and_a_seat_back_within_1_ms() -> None:
    """Tolerances: the sum of errors of positions, sizes and reading; half a metre of width for a seat back."""
    among = candidates((0.0, 0.1, 1.1), (0.4, 4.9, 1.4), ROOM, C, {"back of row A": (0.4, 3.5, 0.9)})
    for each in among:
        limit_s = 0.001 if each.name == "back of row A" else 0.0003
        for off_s in (limit_s, -limit_s):
            assert each.name in could_come_from(Reflection(each.delay_s + 0.98 * off_s, -8.0), among)
            assert each.name not in could_come_from(Reflection(each.delay_s + 1.02 * off_s, -8.0), among)


@pytest.mark.parametrize(
    ("echo", "noise_db", "listed"),
    [
        ((14.9, -6.0), -60.0, True),  # within 15 ms
        ((15.1, -6.0), -60.0, False),
        ((5.0, -19.5), -60.0, True),  # 20 dB below the direct sound and louder
        ((5.0, -20.5), -60.0, False),
        ((0.45, -6.0), -60.0, True),  # 0.4 ms is half the main lobe of a band of 7 kHz
        ((0.35, -6.0), -60.0, False),
        ((5.0, -6.0), -35.5, True),  # 35 dB above the noise
        ((5.0, -6.0), -34.5, False),
    ],
)
def test_which_echoes_are_listed(echo: tuple[float, float], noise_db: float, listed: bool) -> None:
    """On an envelope: bells of 0.02 ms over even noise, the direct sound at 20 ms."""
    rate_hz = 65536.0
    time_s = np.arange(6553) / rate_hz
    after_ms, level_db = echo
    envelope = np.exp(-0.5 * ((time_s - 0.02) / 2e-5) ** 2)
    envelope += 10 ** (level_db / 20) * np.exp(-0.5 * ((time_s - 0.02 - after_ms / 1000) / 2e-5) ** 2)
    found = reflections_of(np.maximum(envelope, 10 ** (noise_db / 20)), rate_hz, 0.02)
    assert (found.why_not is not None) is (noise_db == -34.5)
    assert "34 dB above the noise" in (found.why_not or "34 dB above the noise")
    assert [(1000 * r.delay_s, r.level_db) for r in found.found] == (
        [(pytest.approx(after_ms, abs=0.002), pytest.approx(level_db, abs=0.1))] if listed else []
    )


def test_backs_of_seats_by_row() -> None:
    seats = [Seat(id=name, position_m=place) for name, place in SEATS.items()] + [Seat(id="C1")]
    backs = seat_backs(seats, seats[5])  # B3, ears at (0.80, 4.90, 1.50)
    assert list(backs) == ["back of row A", "back of row B"]
    assert backs["back of row A"] == pytest.approx((0.80, 3.55, 0.95))  # of A3, the nearest of its row
    assert backs["back of row B"] == pytest.approx((0.80, 5.15, 1.35))
    # From the rear wall over the back of row A to the ears of B3: (0.8, 6.2, 1.5) → back → ears, worked by hand.
    found = {c.name: c for c in candidates((0.8, 6.2, 1.5), (0.80, 4.90, 1.50), ROOM, C, backs)}
    way_m = np.hypot(2.65, 0.55) + np.hypot(1.35, 0.55)
    assert found["back of row A"].delay_s == pytest.approx((way_m - 1.3) / C)
    assert seat_backs(seats, Seat(id="C1")) == {}
    assert list(seat_backs([Seat(id="7", position_m=(0, 3, 1))], seats[0])) == ["back of seat 7"]


def test_backs_of_known_height() -> None:
    a1 = Seat(id="A1", position_m=(0.0, 3.0, 1.10), back_top_m=1.30)
    b1 = Seat(id="B1", position_m=(0.0, 4.5, 1.40))
    assert seat_backs([a1, b1], b1, assumed=False) == {"back of row A": pytest.approx((0.0, 3.25, 0.95))}
    low = replace(
        a1, back_top_m=0.90
    )  # 0.2 m below the ears: it reflects nothing to them, but perhaps to the next row
    assert list(seat_backs([low, b1], low)) == ["back of row B"]
    assert seat_backs([low, b1], b1)["back of row A"] == pytest.approx((0.0, 3.25, 0.80))


def test_a_room_by_another_library() -> None:
    """pyroomacoustics: bare walls, images to the third order. Predicted reflections are found in their places."""
    warnings.simplefilter("ignore")
    pra = pytest.importorskip("pyroomacoustics")
    mains = {name: place for name, (_, role, place) in LOUDSPEAKERS.items() if role != "sub"}
    room = pra.ShoeBox([4.70, 6.40, 2.60], fs=RATE, materials=pra.Material(0.35), max_order=3, air_absorption=False)
    room.set_sound_speed(C)
    for x, y, z in mains.values():
        room.add_source([x + 2.35, y, z])
    room.add_microphone_array(np.array([[x + 2.35, y, z] for x, y, z in SEATS.values()]).T)
    room.compute_rir()
    expected, hit, off_s, off_db = 0, 0, [], []
    for i, seat in enumerate(SEATS.values()):
        for j, place in enumerate(mains.values()):
            h = np.zeros(24000)
            heard = room.rir[i][j][:24000]
            h[: len(heard)] = heard
            h += 1e-5 * np.max(np.abs(h)) * np.random.default_rng(i * 20 + j).standard_normal(24000)
            (envelope,), rate_hz = timing.band_envelopes(np.fft.rfft(h[None]), RATE / 24000)
            arrival = timing.main_arrival(envelope[: int(0.5 * rate_hz)], rate_hz)
            direct_m = float(np.linalg.norm(np.subtract(place, seat)))
            assert arrival.time_s == pytest.approx(
                direct_m / C + 40 / RATE, abs=1e-4
            )  # its filters delay by 40 samples
            found = reflections_of(envelope[: int(0.5 * rate_hz)], rate_hz, arrival.time_s)
            for candidate in candidates(place, seat, ROOM, C):
                if not 0.0006 < candidate.delay_s < 0.0145:
                    continue
                expected += 1
                agreeing = [r for r in found.found if abs(r.delay_s - candidate.delay_s) <= candidate.tolerance_s]
                if agreeing:
                    hit += 1
                    nearest = min(agreeing, key=lambda r: abs(r.delay_s - candidate.delay_s))
                    assert candidate.name in could_come_from(nearest, [candidate])
                    off_s.append(nearest.delay_s - candidate.delay_s)
                    way_m = direct_m + candidate.delay_s * C
                    off_db.append(nearest.level_db - 20 * np.log10(direct_m / way_m) - 10 * np.log10(1 - 0.35))
    assert expected > 250
    assert hit / expected > 0.88  # the others are within half a millisecond of a stronger one
    # Neighbours shift delays and add to or cancel levels, which the stated uncertainties include.
    assert np.std(off_s) < 1.1 * DELAY_U_S
    assert np.median(off_db) == pytest.approx(0.0, abs=0.5)
    assert np.std(off_db) < 1.3 * LEVEL_U_DB


@pytest.mark.parametrize(
    ("echoes", "noise", "arrival_s", "rate", "says"),
    [
        ({}, 1e-5, None, RATE, "could not be found"),
        ({}, 0.1, 0.012, RATE, "above the noise"),
        ({}, 1e-5, 0.195, RATE, "ends within 15 ms"),
        ({}, 1e-5, 0.012, 12000, "does not reach 8 kHz"),
    ],
)
def test_what_cannot_be_reported_is_not_reported(
    echoes: dict[float, float], noise: float, arrival_s: float | None, rate: int, says: str
) -> None:
    (found,) = early_reflections(_echoes(echoes, noise)[None], rate, [arrival_s])
    assert found.found == ()
    assert says in str(found.why_not)


def test_no_reflection_is_made_up() -> None:
    (found,) = early_reflections(_echoes({})[None], RATE, [0.012])
    assert found.why_not is None
    assert found.found == ()
