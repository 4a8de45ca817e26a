"""Findings with their present state, logged repairs, and differences that no rule explains."""

from builders import cinema, levels, setting
from stand_ins import app_of, settle
from test_returning import shown
from test_shell import to_step

from commission.model import Fate, RoundOpened
from commission.ui.screens.actions import AskAction
from commission.ui.screens.findings import Findings
from commission.ui.widgets.picker import Picker


def quiet_centre():
    """A room whose centre reads 3 dB low and whose two readings of top back left differ by 4 dB, which no rule explains."""
    read = {channel.id: 75.0 for channel in cinema().channels} | {"FC": 72.0}
    passes = (*levels(read | {"TpBL": 74.0}), *levels(read | {"TpBL": 78.0}))
    return app_of(*(setting(c, trim_db=0.0) for c in read), *passes)


async def test_a_repair_is_logged_by_keyboard_and_the_finding_stays():
    app = quiet_centre()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        text = shown(app)
        assert "✗ dialogue quiet: FC 3.0 dB below FL and FR" in text
        assert "failed checks, no cause found" in text
        assert "Levels, largest minus smallest reading: 1 of 13 failed (TpBL)" in text
        await pilot.press("f")
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        assert isinstance(app.screen, AskAction)
        await pilot.press("down", "enter", *"Kim", "enter", *"trim raised", "enter")
        await settle(pilot)
        (action,) = app.visit.job.actions
        assert (action.body.finding, action.body.channels) == ("settings.dialogue-level", ("FC",))
        assert (action.body.action, action.body.by, action.body.note) == ("adjusted", "Kim", "trim raised")
        text = shown(app)
        assert "not yet measured again" in text
        assert "trim raised" in text
        await pilot.press("enter")
        await settle(pilot)
        assert app.screen.query_one("#action", Picker).key == "adjusted"  # the list opens on the latest entry
        await pilot.press("escape")
        await settle(pilot)
        app.visit.withdraw(action.seq)
        app.compute()
        await settle(pilot)
        assert "not yet measured again" not in shown(app)


async def test_postponing_a_repair_needs_a_reason():
    app = quiet_centre()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await pilot.press("f")
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        await pilot.press("end", "enter", "enter", "enter")
        await settle(pilot)
        assert isinstance(app.screen, AskAction)
        assert "the reason why it is left for later" in " ".join(shown(app).split())
        assert app.visit.job.actions == ()
        await pilot.press(*"parts ordered", "enter")
        await settle(pilot)
        assert app.finding_histories[0].status == "left for later: parts ordered"


async def test_every_screen_of_as_left_keeps_findings_that_were_not_measured_again():
    app = quiet_centre()
    app.get_default_screen()
    app.visit.append(RoundOpened(round="as-left"), *levels({"FL": 75.0}, round_id="as-left"))
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        app.show_round("as-left")
        await settle(pilot)
        assert app.finding_histories[0].fate is Fate.NOT_MEASURED_AGAIN
        assert "not measured again" in shown(app)
        for where in ("f", "compare", "handover", "levels"):
            await (pilot.press("f") if where == "f" else to_step(pilot, where))
            await settle(pilot)
            text = shown(app)
            assert "dialogue quiet" in text, where
            assert "ot measured again" in text, where
            await pilot.press("escape")
            await settle(pilot)


async def test_without_measurements_no_result_is_claimed():
    app = app_of()
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(pilot)
        await pilot.press("f")
        await settle(pilot)
        assert isinstance(app.screen, Findings)
        text = shown(app)
        assert "Nothing was examined as found yet." in text
        assert "Not examined" not in text
