"""Garbage is collected while no key is pressed, and never between keys in quick succession."""

from __future__ import annotations

import gc
import time
import weakref
from collections.abc import Iterator
from pathlib import Path

import pytest
from builders import cinema, levels
from stand_ins import settle

from commission.cli.local_services import LocalServices
from commission.ui import garbage
from commission.ui.app import CommissionApp


@pytest.fixture
def app(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> CommissionApp:
    """The program on a job with a few readings; half a second without a key counts as a pause."""
    monkeypatch.setattr(garbage, "PAUSE_S", 0.5)
    services = LocalServices(tmp_path / "state")
    visit = services.create(tmp_path / "job", cinema(["FL", "FC"], ["A1", "A2"]))
    visit.append(*levels({"FL": 75.0, "FC": 76.0}))
    visit.close()
    return CommissionApp(services, visit.path, keys=tmp_path / "no-keys.toml")


@pytest.fixture
def searches() -> Iterator[list[float]]:
    """The times of full garbage collections."""
    times: list[float] = []

    def note(phase: str, info: dict[str, int]) -> None:
        if phase == "start" and info["generation"] == 2:
            times.append(time.monotonic())

    gc.callbacks.append(note)
    yield times
    gc.callbacks.remove(note)


async def test_garbage_is_collected_in_the_first_pause_and_not_between_keys(
    app: CommissionApp, searches: list[float]
) -> None:
    usual = gc.get_threshold()
    kept: list[list[int]] = []
    async with app.run_test() as pilot:
        await settle(pilot)
        searches.clear()
        for _ in range(8):  # about the number of objects in the results of a large job, while keys follow one another
            await pilot.press("down")
            kept += [[1] for _ in range(50_000)]
        last_key_s = app.last_key_s
        assert all(each > last_key_s + garbage.PAUSE_S for each in searches)
        for _ in range(100):
            await pilot.pause(0.05)
            if searches:
                break
        assert searches[0] >= last_key_s + garbage.PAUSE_S
        del kept
    assert gc.get_threshold() == usual


async def test_a_pause_without_new_objects_collects_nothing(app: CommissionApp, searches: list[float]) -> None:
    async with app.run_test() as pilot:
        await settle(pilot)
        gc.collect()
        searches.clear()
        await pilot.pause(1.2)
    assert searches == []


async def test_nothing_is_collected_while_a_key_is_handled(
    app: CommissionApp, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(garbage, "YOUNG", 100)  # a new screen makes thousands of objects
    while_handling: list[bool] = []
    async with app.run_test() as pilot:

        def note(phase: str, _info: dict[str, int]) -> None:
            if phase == "start":
                while_handling.append(app.handling_key)

        await settle(pilot)
        gc.callbacks.append(note)
        try:
            for key in ("5", "escape", "question_mark", "escape"):
                await pilot.press(key)
                while app.handling_key:
                    await pilot.pause(0.01)
                await pilot.pause(0.05)
        finally:
            gc.callbacks.remove(note)
    assert while_handling  # between the keys
    assert not any(while_handling)


def test_old_objects_are_collected_again_once_their_number_has_grown_by_half() -> None:
    class Ring:
        itself: Ring

    garbage.begin()
    try:
        ring = Ring()
        ring.itself = ring
        gone = weakref.ref(ring)
        garbage.keep_all()
        del ring
        for more in (0, gc.get_freeze_count()):
            assert gone() is not None
            kept = [[1] for _ in range(more)]
            garbage.keep_all()
            for _ in range(garbage.WORTHWHILE):
                gc.collect(1)
            garbage.search_in_pause(keep=True)
        assert gone() is None
        del kept
    finally:
        garbage.end()
