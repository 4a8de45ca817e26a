"""The screens of limits, of stored verdicts compared with today's, and of uncertainty budgets."""

import asyncio
import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from builders import CREATED, cinema, defined, keep_steps, levels
from memory_journal import MemoryJournal
from stand_ins import app_of
from test_shell import footer_fits, settle, shown, to_step
from textual.widgets import Input

from commission.cli.local_services import LocalServices
from commission.diagnosis.verdict_changes import stored_verdicts
from commission.job.store import JobFile
from commission.model import AS_FOUND, Budget, Contribution, JobCreated, StoredVerdict, VerdictsOfKind
from commission.model.formatting import two_digits
from commission.ui.app import CommissionApp
from commission.ui.screens.budgets import Budgets, budgets_of
from commission.ui.screens.tables import Limits, VerdictChanges
from commission.ui.widgets.draw.canvas import plain
from commission.ui.widgets.draw.table import TableLayout
from commission.ui.widgets.picker import Picker
from commission.visit import Visit

SIZES = [(80, 24), (120, 40)]
both_sizes = pytest.mark.parametrize("size", SIZES, ids=["80x24", "120x40"])
READINGS = levels({"FL": [78.0] * 3, "FC": [75.0] * 3, "FR": [72.0] * 3})
OWN = """schema = 1
name = "Studio practice"
version = "2026-02"
[[limit]]
quantity = "levels.match"
low = -9.0
high = 9.0
unit = "dB"
basis = "our own practice, after forty rooms"
"""


@pytest.fixture
def app(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    services = LocalServices(tmp_path / "state")
    visit = services.create(tmp_path / "soft", cinema(["FL", "FC", "FR"]))
    visit.append(*READINGS)
    visit.close()
    return CommissionApp(services, tmp_path / "soft.commission", keys=tmp_path / "none.toml")


# --- limits -------------------------------------------------------------------------------------------------------


async def test_limits_are_shown_with_their_basis_and_a_custom_file_changes_verdicts(app, tmp_path):
    (tmp_path / "own.toml").write_text(OWN, encoding="utf-8")
    (tmp_path / "bad.toml").write_text(OWN.replace('"dB"', '"m"'), encoding="utf-8")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert app.outcomes["levels"].verdict.value == "fail"
        await to_step(pilot, "site")
        await pilot.press("home")  # the form opens on its first gap
        await pilot.pause()
        assert "Defaults of the program" in shown(app)
        app.screen.query_one("#fields").select("limits")
        await pilot.press("enter")
        await settle(pilot)
        assert isinstance(app.screen, Limits)
        assert footer_fits(app)
        text = " ".join(shown(app).split())
        for word in ("levels.match", "−1.00", "1.00", "default", "Applies to: level of a channel", "common practice"):
            assert word in text, word
        before = len(app.visit.job.log)
        await pilot.press("f", *"bad.toml", "enter")
        await settle(pilot)
        assert "bad.toml: limit 1.unit" in shown(app)
        assert len(app.visit.job.log) == before
        app.screen.query_one(Input).value = "own.toml"
        await pilot.press("enter")
        await settle(pilot)
        assert isinstance(app.screen, Limits)
        assert "Studio practice, version 2026-02" in shown(app)
        assert "forty rooms" in shown(app)
        assert app.outcomes["levels"].verdict.value != "fail"
        await pilot.press("escape")
        await settle(pilot)
        assert "Studio practice" in shown(app)


# --- changed verdicts -----------------------------------------------------------------------------------------------


def with_other_verdicts():
    """A job whose stored verdicts of FL and FR are the opposite of today's, with fixed dates."""
    visit = Visit(MemoryJournal(CREATED, defined(cinema(["FL", "FC", "FR"])), *READINGS), lambda *_: ())
    now = stored_verdicts(visit.outcomes(AS_FOUND).values(), "record", "0")
    turned = tuple(replace(kind, places=tuple(_turn(place) for place in kind.places)) for kind in now.kinds)
    return replace(now, kinds=turned)


def _turn(place: StoredVerdict) -> StoredVerdict:
    return place._replace(verdict={"pass": "fail", "fail": "pass"}.get(place.verdict, place.verdict))


async def wait_for(pilot, what):
    for _ in range(200):
        await settle(pilot)
        if what():
            return
        await asyncio.sleep(0.02)
    raise AssertionError("it never came")


def changed_app(tmp_path):
    path = tmp_path / "loft.commission"
    journal = JobFile.create(path, clock=lambda: datetime(2026, 11, 20, 9, 30, tzinfo=UTC))
    system = cinema(["FL", "FC", "FR"])
    journal.append((JobCreated(title=system.title, program_version="0"), defined(system), *READINGS))
    journal.append((with_other_verdicts(),))
    journal.close()
    return CommissionApp(LocalServices(tmp_path / "state"), path, keys=tmp_path / "none.toml")


async def test_changed_verdicts_are_reported_and_listed(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    app = changed_app(tmp_path)
    async with app.run_test(size=(80, 24)) as pilot:
        await wait_for(pilot, lambda: app.verdict_changes is not None)
        count = len(app.verdict_changes.differences)
        assert count >= 2
        assert f"{count} verdicts of 2026-11-20 by version 0 would be different" in " ".join(shown(app).split())
        assert "the log lists them (l, then j)" in " ".join(shown(app).split())
        assert "Next (n)" in shown(app).splitlines()[-2]
        await pilot.press("l")
        await settle(pilot)
        await pilot.press("j")
        await settle(pilot)
        assert isinstance(app.screen, VerdictChanges)
        text = shown(app)
        assert "levels.match" in text and "✓ pass" in text and "✗ fail" in text
        assert "FL" in text and "FR" in text
        assert footer_fits(app)


async def test_no_notice_when_all_verdicts_are_unchanged(app):
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.visit.append(stored_verdicts(app.outcomes.values(), "record", "0"))
        app.compute()
        await wait_for(pilot, lambda: app.verdict_changes is not None)
        assert app.verdict_changes.differences == ()
        assert "differently" not in shown(app)
        app.action_verdict_changes()
        await settle(pilot)
        assert f"All {app.verdict_changes.count} verdicts stored on" in shown(app)


@both_sizes
@pytest.mark.parametrize("listed", [False, True], ids=["overview", "list"])
def test_the_screens_of_changed_verdicts_look_as_accepted(tmp_path, monkeypatch, size, snap_compare, listed):
    monkeypatch.chdir(tmp_path)
    keep_steps(monkeypatch, "site", "layout", "levels", "distances", "seats", "compare", "handover")

    async def walk(pilot):
        await wait_for(pilot, lambda: pilot.app.verdict_changes is not None)
        if listed:
            pilot.app.action_verdict_changes()
            await settle(pilot)

    assert snap_compare(changed_app(tmp_path), run_before=walk, terminal_size=size)


# --- budgets ------------------------------------------------------------------------------------------------------


def budget(channel=None, seat=None, u=0.3):
    return Budget(
        id="x",
        title="A level",
        unit="dB",
        channel=channel,
        seat=seat,
        contributions=(
            Contribution(source="scatter", u=u, unit="dB", evaluation="A", dof=3.0, basis="four readings"),
            Contribution(source="air", u=0.5, unit="K", sensitivity=0.8, distribution="rectangular", shared=True),
        ),
    )


def test_a_budget_fits_the_narrow_screen_and_the_selected_row_is_described_below():
    """JCGM 100:2008, 5.1.2 and 6.2.1: u_c² = Σ (c u)², U = 2 u_c; 0.3 and 0.4 give 0.5 and 1.0."""
    screen = Budgets("FL", (budget(), budget("FC", "A1", 0.2)))
    table, other = screen.tables()
    assert other.title == "A level: FC at A1"
    assert [row.key for row in table.rows] == ["0 0", "0 1", "0 u", "0 U", "0 dof"]
    assert [row.cells[3] for row in table.rows[:4]] == pytest.approx([0.3, 0.4, 0.5, 1.0])
    text = plain(TableLayout(table, 80).lines())
    assert "Part" in text and "Share" in text and "← →" not in text
    assert "sensitivity" in screen.about(other.rows[1])
    assert "root of the sum of the squared parts" in screen.about(other.rows[2])


async def test_the_budget_of_the_selected_row_states_the_u_of_its_verdict(app):
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await to_step(pilot, "levels")
        await pilot.press("down", "u")
        await settle(pilot)
        assert isinstance(app.screen, Budgets)
        assert footer_fits(app)
        text = shown(app)
        assert "FC" in text.splitlines()[0]
        check = next(c for c in app.outcomes["levels"].checks if c.id == "levels.match" and c.channel == "FC")
        assert app.screen._budgets[0].u == pytest.approx(check.uncertainty)
        assert two_digits(2 * check.uncertainty) in text
        assert "U = 2 u" in text and "Share" in text and "Basis:" in text
        await pilot.press("down", "escape")
        await settle(pilot)
        assert " Levels" in shown(app)


async def test_a_row_without_a_budget_says_so():
    app = app_of()
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        app.open_step("handover")
        await settle(pilot)
        await pilot.press("u")
        await settle(pilot)
        assert any("Nothing with a stated uncertainty" in n.message for n in app._notifications)


def test_the_budget_of_a_place_takes_precedence_over_the_general_one():
    from commission.model import Outcome

    all_places, own, other = budget(), budget("FL", "A1", 0.2), budget("FC", "A1", 0.1)
    outcome = Outcome(step="x", round=AS_FOUND, budgets=(all_places, other, own))
    assert budgets_of(outcome, None, "FL", "A1") == (own,)
    assert budgets_of(outcome, None, "FR", "A1") == (all_places,)
    assert math.isclose(own.u, math.hypot(0.2, 0.4))


def test_the_kinds_of_stored_verdicts_match_the_log():
    assert all(isinstance(kind, VerdictsOfKind) for kind in with_other_verdicts().kinds)


async def test_the_form_of_places_shows_its_budget(tmp_path):
    system = cinema(["FL", "FC", "FR"])
    channels = tuple(replace(each, distance_m=3.4) for each in system.channels)
    app = app_of(system=replace(system, channels=channels))
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        await to_step(pilot, "layout")
        app.screen.query_one("#fields", Picker).select("channels.1.position")
        await pilot.press("u")
        await settle(pilot)
        assert isinstance(app.screen, Budgets)
        assert "tape" in shown(app) and "U = 2 u" in shown(app)
