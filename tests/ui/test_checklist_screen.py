"""The checklist by keyboard: instructions, answers, their notes, and the one number."""

from __future__ import annotations

from stand_ins import app_of, screen_text, settle

from commission.model import AS_FOUND, Decided, Noted, ReadingEntered
from commission.model.checklist import LIP_SYNC
from commission.ui.screens.step import StepScreen


async def test_answers_notes_and_the_offset_are_stored_one_by_one() -> None:
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.open_step("checklist")
        await settle(pilot)
        assert isinstance(app.screen, StepScreen)
        assert "⚠ Mains voltage" in screen_text(app)  # the caution of the selected row, before anything is done
        await pilot.press("enter", "enter")  # the first answer: in order
        await settle(pilot)
        assert "Air flows freely" in screen_text(app)  # the cursor went on to the next row
        await pilot.press("enter", "down", "enter")
        await settle(pilot)
        await pilot.press(*"hot", "enter")
        await settle(pilot)
        for _ in range(20):
            await pilot.press("down")
        await settle(pilot)
        await pilot.press("enter", *"80", "enter")
        await settle(pilot)
        bodies = [event.body for event in app.visit.job.log]
        text = screen_text(app)
    answers = {body.key: body.value for body in bodies if isinstance(body, Decided)}
    assert answers == {"mains": "ok", "rack-air": "mend"}
    assert [body.text for body in bodies if isinstance(body, Noted)] == ["Rack ventilation: hot"]
    (offset,) = [body for body in bodies if isinstance(body, ReadingEntered)]
    assert (offset.quantity, offset.value, offset.unit, offset.round) == (LIP_SYNC, 80.0, "ms", AS_FOUND)
    assert "3 of 11" in text and "+80 ms" in text


async def test_an_impossible_offset_is_refused_and_an_unusual_one_is_questioned() -> None:
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.open_step("checklist")
        await settle(pilot)
        for _ in range(20):
            await pilot.press("down")
        await settle(pilot)
        await pilot.press("enter", *"9000", "enter")
        await settle(pilot)
        assert "cannot be right" in screen_text(app)
        await pilot.press(*["backspace"] * 4, *"700", "enter")
        await settle(pilot)
        assert "outside the usual" in screen_text(app)
        await pilot.press("escape", "escape")
        await settle(pilot)
        assert not any(isinstance(event.body, ReadingEntered) for event in app.visit.job.log)
