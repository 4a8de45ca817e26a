"""Failed checks that no finding accounts for reach the reader, and so does what was not examined."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from commission.diagnosis import RULES
from commission.diagnosis.unexplained_checks import examined, not_examined, undecided, unexplained
from commission.model import Check, Finding, Limit, Outcome, Verdict

LIMIT = Limit(low=-0.5, high=0.5, unit="dB", basis="made up for the test")


def check(check_id: str, channel: str, value: float | None, seat: str | None = "A2", u: float = 0.0) -> Check:
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


def test_eight_failing_levels_are_one_line_and_never_silence() -> None:
    failing = outcomes(*(check("levels.match", f"C{n}", 0.8) for n in range(8)), check("levels.match", "C9", 0.1))
    (group,) = unexplained(failing, ())
    assert group.sentence("Levels") == "Levels, reading minus target: 8 of 9 failed"
    few = outcomes(check("levels.match", "FL", 0.8), check("levels.match", "FC", 0.1))
    assert unexplained(few, ())[0].sentence("Levels") == "Levels, reading minus target: 1 of 2 failed (FL at A2)"


def test_a_finding_accounts_for_its_channels_and_for_no_other() -> None:
    failing = outcomes(check("levels.match", "FL", 3.0), check("levels.match", "FC", 0.8))
    (group,) = unexplained(failing, [finding("settings.trims", "FL")])
    assert group.channels == ("FC",)
    assert unexplained(failing, [finding("settings.trims", "FL", "FC")]) == ()


def test_of_a_faulty_channel_nothing_else_is_concluded() -> None:
    failing = outcomes(
        check("levels.match", "FL", 3.0), check("seats.direct", "FL", -9.0), check("seats.direct", "FR", -9.0)
    )
    (group,) = unexplained(failing, [finding("wiring.tweeter", "FL")])
    assert (group.id, group.channels) == ("seats.direct", ("FR",))


def test_a_null_at_one_seat_accounts_for_no_other_seat() -> None:
    failing = outcomes(*(check("seats.bass", "SUB1", -12.0, seat) for seat in ("A1", "B2")))
    (group,) = unexplained(failing, [finding("room.null", "SUB1", seats=("B2",))])
    assert [each.seat for each in group.checks] == ["A1"]


def test_unsure_and_not_tested_are_counted() -> None:
    mixed = outcomes(check("levels.match", "FL", 0.4, u=0.3), check("levels.match", "FC", None))
    assert [(each.verdict, len(each.checks)) for each in undecided(mixed)] == [
        (Verdict.UNSURE, 1),
        (Verdict.NOT_TESTED, 1),
    ]


def test_what_no_check_could_show_was_not_examined() -> None:
    assert not examined({})
    # What is only looked at is listed as a step that was not done.
    measured = [rule for rule in RULES if not rule.id.startswith("measurement.") and rule.step != "checklist"]
    first_visit = [rule for rule in measured if not rule.returns]
    assert len(not_examined({})) == len({rule.symptom for rule in first_visit})
    only_levels = outcomes(check("levels.match", "FL", 0.1))
    assert examined(only_levels)
    assert "a channel loud or soft" not in not_examined(only_levels)
    assert "silence" in not_examined(only_levels)
    assert "a channel loud or soft" in not_examined(outcomes(check("levels.match", "FL", None)))


@given(
    st.lists(
        st.builds(
            check,
            st.sampled_from(["levels.match", "seats.bass", "seats.direct", "distances.arrival"]),
            st.sampled_from(["FL", "FR", "SUB1"]),
            st.sampled_from([-9.0, 0.1, None]),
            st.sampled_from(["A1", "B2"]),
        ),
        max_size=8,
    ),
    st.lists(
        st.builds(
            lambda rule, channels: finding(rule, *sorted(channels), seats=("A1",)),
            st.sampled_from([rule.id for rule in RULES]),
            st.sets(st.sampled_from(["FL", "FR", "SUB1"]), min_size=1),
        ),
        max_size=3,
    ),
)
def test_every_failed_check_is_reported_or_belongs_to_a_finding_of_its_channel(
    checks: list[Check], findings: list[Finding]
) -> None:
    listed = [each for group in unexplained(outcomes(*checks), findings) for each in group.checks]
    named = {channel for each in findings for channel in each.channels}
    for each in checks:
        if each.verdict is Verdict.FAIL and each.channel not in named:
            assert each in listed
        if each.verdict is not Verdict.FAIL:
            assert each not in listed
