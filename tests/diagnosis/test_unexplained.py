"""Failed checks without a finding and unexamined parts are reported."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from commission.diagnosis import RULES
from commission.diagnosis.unexplained_checks import examined, explained, not_examined, undecided, unexplained
from commission.model import Check, Finding, Limit, Outcome, Verdict

LIMIT = Limit(low=-0.5, high=0.5, unit="dB", basis="made up for the test")


def check(check_id: str, channel: str | None, value: float | None, seat: str | None = "A2", u: float = 0.0) -> Check:
    return Check(
        id=check_id,
        channel=channel,
        seat=seat,
        value=value,
        unit="dB",
        uncertainty=u,
        limit=LIMIT,
        text="reading minus target",
        why_not=None if value is not None else "no reading yet",
    )


def outcomes(*checks: Check) -> dict[str, Outcome]:
    steps = dict.fromkeys(each.id.partition(".")[0] for each in checks)
    return {
        step: Outcome(step=step, round="as-found", checks=tuple(c for c in checks if c.id.startswith(f"{step}.")))
        for step in steps
    }


def finding(rule: str, *channels: str, seats: tuple[str, ...] = ()) -> Finding:
    kind = next(each for each in RULES if each.id == rule)
    return Finding(
        id=rule,
        cause=kind.cause,
        title="",
        channels=channels,
        seats=seats,
        step=kind.step,
        check=kind.check,
        place=kind.place,
    )


def test_eight_failing_levels_are_reported_in_one_line() -> None:
    failing = outcomes(*(check("levels.match", f"C{n}", 0.8) for n in range(8)), check("levels.match", "C9", 0.1))
    (group,) = unexplained(failing, ())
    assert group.sentence("Levels") == "Levels, reading minus target: 8 of 9 failed"
    few = outcomes(check("levels.match", "FL", 0.8), check("levels.match", "FC", 0.1))
    assert unexplained(few, ())[0].sentence("Levels") == "Levels, reading minus target: 1 of 2 failed (FL at A2)"


A1, A2, B2 = ("A1",), ("A2",), ("B2",)


@pytest.mark.parametrize(
    ("rule", "channels", "seats", "failing", "names_it", "accounts_for_it"),
    [
        # Its own check at its channels or seats, and checks that name no channel or seat.
        ("settings.trims", "FL FC", (), ("levels.match", "FL", 3.0), True, True),
        ("settings.trims", "FL", (), ("levels.match", "FC", 3.0), False, False),
        ("settings.trims", "", (), ("levels.match", "FL", 3.0), True, True),
        ("settings.trims", "FL", A1, ("levels.match", "FL", 3.0), True, True),
        ("room.rattle", "FL", (), ("wiring.rattle", "FL", 3.0), True, True),
        ("room.rattle", "FL", (), ("wiring.noise", "FL", 3.0), False, False),
        ("room.null", "SUB1", B2, ("seats.bass", "SUB1", -12.0, "B2"), True, True),
        ("room.null", "SUB1", B2, ("seats.bass", "SUB1", -12.0, None), True, True),
        ("room.null", "SUB1", B2, ("seats.bass", "SUB1", -12.0, "A1"), False, False),
        ("room.null", "SUB1", (), ("seats.bass", "SUB1", -12.0, "A1"), True, True),
        # The checks that its rule names; nothing else is concluded of a channel with an electronic fault.
        ("wiring.tweeter", "FL", (), ("levels.match", "FL", 3.0), True, True),
        ("wiring.tweeter", "FL", (), ("levels.reference", "FL", 3.0), False, True),
        ("wiring.tweeter", "FL", (), ("seats.direct", "FR", -9.0), False, False),
        ("wiring.compression", "", (), ("levels.match", "FL", 3.0), False, False),
        ("room.noise", "", (), ("dialogue.sti", None, 3.0), True, True),
        # A finding about a setting explains every check of a step about settings.
        ("settings.trims", "FL", (), ("levels.reference", "FL", 3.0), False, True),
        ("settings.trims", "FL", (), ("distances.setting", "FL", 3.0), False, False),
        ("settings.channel-level", "FL", (), ("seats.direct", "FL", 3.0), False, False),
        ("room.rattle", "FL", (), ("levels.match", "FL", 3.0), False, False),
        # A spoilt recording proves nothing at its seats; manual readings and entries do not depend on it.
        ("measurement.gain", "", A2, ("seats.direct", "FL", -9.0), False, True),
        ("measurement.gain", "", A2, ("seats.direct", "FL", -9.0, "B2"), False, False),
        ("measurement.clipped", "FL", A2, ("seats.direct", "FL", -9.0, "B2"), False, False),
        ("measurement.clipped", "FL", A2, ("levels.match", "FL", 3.0), False, False),
    ],
)
def test_a_finding_accounts_for_what_its_fault_explains_and_for_nothing_else(
    rule: str, channels: str, seats: tuple[str, ...], failing: tuple[Any, ...], names_it: bool, accounts_for_it: bool
) -> None:
    found, failed = finding(rule, *channels.split(), seats=seats), check(*failing)
    assert explained(failed, failed.id.partition(".")[0], [found]) is names_it
    assert (unexplained(outcomes(failed), [found]) == ()) is accounts_for_it


def test_a_line_names_what_its_checks_have_in_common_and_the_few_places() -> None:
    def line(*places: tuple[str | None, str | None], bands: bool = False) -> str:
        checks = [check("seats.bass", channel, 3.0, seat) for channel, seat in places]
        if bands:
            checks = [replace(each, text=f"bass, {63 * 2**n} Hz") for n, each in enumerate(checks)]
        (group,) = unexplained(outcomes(*checks), ())
        return group.sentence("Seats")

    few = [("SUB1", f"A{n}") for n in range(1, 5)]
    assert line(*few, bands=True) == "Seats, bass: 4 of 4 failed (SUB1 at A1, SUB1 at A2, SUB1 at A3, SUB1 at A4)"
    assert line(*few, (None, "A5")) == "Seats, reading minus target: 5 of 5 failed (SUB1)"
    four = [(f"SUB{n}", f"A{k}") for n in range(1, 5) for k in (1, 2)]
    assert line(*four) == "Seats, reading minus target: 8 of 8 failed (SUB1, SUB2, SUB3, SUB4)"


def test_unsure_and_not_tested_are_counted() -> None:
    mixed = outcomes(check("levels.match", "FL", 0.4, u=0.3), check("levels.match", "FC", None))
    assert [(each.verdict, len(each.checks)) for each in undecided(mixed)] == [
        (Verdict.UNSURE, 1),
        (Verdict.NOT_TESTED, 1),
    ]


def test_parts_that_no_check_covers_are_listed_as_not_examined() -> None:
    nothing = outcomes(
        check("levels.match", "FL", None), check("layout.sight", "FL", 0.1), check("levels.own", "FL", 0.1)
    )
    assert not examined({}) and not examined(nothing)
    # An inspection is listed as a step that was not done.
    measured = [rule for rule in RULES if not rule.id.startswith("measurement.") and rule.step != "checklist"]
    first_visit = [rule for rule in measured if not rule.returns]
    assert len(not_examined({})) == len({rule.symptom for rule in first_visit})
    only_levels = outcomes(check("levels.match", "FL", 0.1))
    assert examined(only_levels)
    assert "a channel loud or soft" not in not_examined(only_levels)
    assert "silence" in not_examined(only_levels)
    assert "a channel loud or soft" in not_examined(outcomes(check("levels.match", "FL", None)))
