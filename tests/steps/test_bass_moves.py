"""Advice on one move: true in the simulated rooms for which it is given, and not given in rooms unlike the box."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import bass_visit
import numpy as np
import pytest
from bass_rooms import BINS_HZ, image_room
from bass_visit import BassVisit, as_found
from builders import defined, job_of

from commission.dsp.bass_search import Figures, figures, search
from commission.dsp.bass_sum import SubResponses
from commission.model import Room
from commission.record.data.bass import _move
from commission.steps import bass
from commission.steps.bass.moves import SubwooferMove, _best, _places, best_move
from commission.steps.bass.result import BassResult


def found_for(visit: BassVisit) -> tuple[BassResult, SubwooferMove | str]:
    result = bass.solve(visit.job, visit.analyses)
    assert isinstance(result, BassResult)
    return result, best_move(visit.job, result)


def truly_db(visit: BassVisit, result: BassResult, move: SubwooferMove) -> float:
    """The standard deviation that a full search reaches in the simulated room after the move."""
    places, ears = np.array(visit.places), np.array(visit.ears)
    if move.to_m is not None:
        x, y, z = move.to_m
        places[visit.names.index(move.what)] = (y, x + visit.size[1] / 2, z)
    else:
        ears[[seat in move.what for seat in visit.seat_names], 0] += move.by_m
    h = bass_visit.modal_responses(visit.size, places, ears, BINS_HZ) / (1 + (BINS_HZ / 140) ** 4) ** 2
    h = h * 10 ** (visit.level_db[:, None, None] / 20)
    h = h * np.exp(-2j * np.pi * BINS_HZ * visit.latency_s[:, None, None])
    room = result.measured.room
    index = np.isin(BINS_HZ, room.freq_hz)
    moved = SubResponses(h[..., index], room.freq_hz, room.seat_share, room.freq_share)
    return figures(moved, search(moved, result.space.bounds).settings[0]).sd_db


@pytest.mark.parametrize("simulator", ["modes", "images"])
def test_the_advised_move_wins_what_is_estimated(simulator: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With one subwoofer the move gains in every room, within 0.7 dB of what a search reaches there."""
    if simulator == "images":
        monkeypatch.setattr(
            bass_visit,
            "modal_responses",
            lambda size, places, ears, freq: image_room(places, np.clip(ears, 0.05, size - 0.05), size, freq),
        )
    advised = 0
    for seed in range(3, 8) if simulator == "modes" else range(3):
        visit = as_found(subs=1, seed=seed)
        result, move = found_for(visit)
        if isinstance(move, str):
            continue
        advised += 1
        assert move.sd_db < move.before_db
        truth = truly_db(visit, result, move)
        assert truth < move.before_db and abs(truth - move.sd_db) < 0.7
        assert "estimate" in move.text("metric") and _move(move)["move"]["what"] == move.what
    assert advised >= 2


def test_a_room_that_is_not_as_entered_gets_no_advice() -> None:
    visit = as_found(subs=2, seed=4)
    room = visit.system.room
    assert room is not None
    larger = Room(length_m=room.length_m * 1.1, width_m=room.width_m * 1.1, height_m=room.height_m)
    job = job_of(defined(replace(visit.system, room=larger)), *visit.bodies)
    result = bass.solve(job, visit.analyses)
    assert isinstance(result, BassResult)
    why = best_move(job, result)
    assert isinstance(why, str) and "explains only" in why
    assert _move(why)["move"] is None


def test_what_is_not_entered_or_is_outside_the_room_is_named() -> None:
    visit = as_found(subs=2, seed=4)
    system, (result, _) = visit.system, found_for(visit)
    assert system.room is not None

    def why(**fields: Any) -> str:
        found = best_move(job_of(defined(replace(system, **fields)), *visit.bodies), result)
        assert isinstance(found, str)
        return found

    def moved(items: Sequence[Any], id_: str, axis: int, to: float) -> tuple[Any, ...]:
        places = {each.id: list(each.position_m) for each in items if each.position_m is not None}
        places[id_][axis] = to
        return tuple(
            replace(each, position_m=tuple(places[each.id])) if each.id in places else each for each in items
        )

    assert why(room=None) == "the size of the room is not entered"
    unplaced = tuple(replace(s, position_m=None) for s in system.seats)
    assert why(seats=unplaced) == "not all positions of subwoofers and seats are entered"
    half, long, high = system.room.width_m / 2, system.room.length_m, system.room.height_m
    for axis, to in ((0, -half - 0.1), (0, half + 0.1), (1, -0.1), (1, long + 0.1), (2, -0.1), (2, high + 0.1)):
        for name, items, first in (
            ("channels", system.channels, visit.names[0]),
            ("seats", system.seats, result.measured.seats[0]),
        ):
            assert "outside the room" in why(**{name: moved(items, first, axis, to)}), (name, axis, to)


def test_a_move_is_advised_only_where_it_beats_the_most_even_settings() -> None:
    size_m, corner = np.array([4.0, 6.0, 2.5]), np.zeros(3)
    at, heads = np.array([[2.0, 0.3, 0.3]]), np.array([[1.0, 4.0, 1.1], [2.0, 4.0, 1.1], [3.0, 4.0, 1.1]])

    def variance_db2(places: Any, ears: Any) -> float:
        return 9.0 if np.array_equal(places, at) and np.array_equal(ears, heads) else 4.0

    def version(db2: float) -> Any:
        return SimpleNamespace(figures=Figures(db2, 0.0, db2))

    box: Any = SimpleNamespace(size_m=size_m, variance_db2=variance_db2)
    for even_db2, advised in ((9.0, True), (5.0, False)):
        result: Any = SimpleNamespace(
            measured=SimpleNamespace(subs=("SUB1",), seats=("A1", "A2", "A3")),
            proposed=version(9.0),
            tradeoff=(version(9.0),),
            candidates={"even": version(even_db2)},
        )
        assert isinstance(_best(box, at, heads, corner, result), SubwooferMove) is advised


def test_places_to_try_are_at_the_walls_inside_the_room() -> None:
    size_m, at = np.array([4.0, 6.0, 2.5]), np.array([[2.0, 3.0, 0.3]])
    heads = np.array([[2.0, 4.0, 1.1]])
    places = np.array(list(_places(size_m, at, heads, 0)))
    assert len(places) == 16  # four corners, and three places between them on each of four walls
    assert (places > 0).all() and (places < size_m).all()
    assert set(np.round(places[:, 1] / 6.0, 2)) >= {0.25, 0.5, 0.75}
    in_corner = np.vstack([at, places[:1]])  # the next places are 0.65 m and more from that corner
    np.testing.assert_array_equal(list(_places(size_m, in_corner, heads, 0)), places[1:])
