"""The fate of a finding is never better than the measurements since then."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest
from builders import cinema, defined, events_of, job_of, levels, setting
from hypothesis import given
from hypothesis import strategies as st

from commission.diagnosis import RULES
from commission.diagnosis.fates import _is_hidden, follow, history_of, same_fault
from commission.history import fold
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    ActionLogged,
    Check,
    EventBody,
    Fate,
    Finding,
    FindingHistory,
    Job,
    JobCreated,
    Limit,
    Outcome,
    ResponseStored,
    RoundOpened,
    Withdrawn,
)
from commission.steps.distances.result import SET_BY_BASS

LIMIT = Limit(low=0.0, unit="", basis="made up for the test")


def finding(rule: str, *channels: str, seats: tuple[str, ...] = ()) -> Finding:
    kind = next(each for each in RULES if each.id == rule)
    return Finding(
        id=rule,
        cause=kind.cause,
        title=f"{rule} {channels}",
        channels=channels,
        seats=seats,
        step=kind.step,
        check=kind.check,
        place=kind.place,
    )


def response(channel: str, seat: str = "A1", round_id: str = AS_FOUND) -> ResponseStored:
    name = f"{round_id}-{seat}-{channel}"
    return ResponseStored(
        round=round_id, channel=channel, seat=seat, kind="impulse", file_name=name, file_sha256=name
    )


def action(about: Finding, what: str = "repaired", round_id: str = AS_FOUND, note: str = "") -> ActionLogged:
    return ActionLogged(
        round=round_id,
        finding=about.id,
        title=about.title,
        channels=about.channels,
        seats=about.seats,
        action=what,  # type: ignore[arg-type]
        by="T",
        note=note,
    )


def checks(check_id: str, **by_channel: float | str | None) -> Outcome:
    """Outcome of the step with these checks: values below 0 fail, others pass, and texts are reasons for not testing."""
    step = check_id.partition(".")[0]
    made = tuple(
        Check(
            id=check_id,
            channel=channel,
            seat="A1",
            value=value if isinstance(value, float) else None,
            unit="",
            limit=LIMIT,
            why_not=value if isinstance(value, str) else None,
        )
        for channel, value in by_channel.items()
    )
    return Outcome(step=step, round="", done=len(made), total=len(made), checks=made)


def fates(
    job: Job,
    found: Mapping[str, Sequence[Finding]],
    outcomes: Mapping[str, Sequence[Outcome]] | None = None,
    round_id: str = AS_LEFT,
) -> list[FindingHistory]:
    return list(
        follow(
            job,
            round_id,
            lambda r: tuple(found.get(r, ())),
            lambda r: {each.step: each for each in (outcomes or {}).get(r, ())},
        )
    )


def job_with(*bodies: EventBody) -> Job:
    return job_of(defined(cinema()), response("FR"), *bodies)


FR = finding("wiring.polarity", "FR")
AGAIN = response("FR", round_id=AS_LEFT)
PASSES = {AS_LEFT: [checks("seats.polarity", FR=1.0)]}


def test_a_finding_with_nothing_after_it_is_open() -> None:
    (one,) = fates(job_with(), {AS_FOUND: [FR]}, round_id=AS_FOUND)
    assert (one.fate, one.status, one.now) == (Fate.OPEN, "open", (FR,))


def test_a_finding_that_was_not_measured_again_stays() -> None:
    (one,) = fates(job_with(RoundOpened(round=AS_LEFT)), {AS_FOUND: [FR]})
    assert (one.fate, one.now, one.title) == (Fate.NOT_MEASURED_AGAIN, (), FR.title)


def test_a_finding_has_the_history_of_its_own_fault_alone() -> None:
    other, third = finding("wiring.polarity", "FL"), finding("wiring.polarity", "SiL")
    first, second = fates(job_with(), {AS_FOUND: [other, FR]}, round_id=AS_FOUND)
    assert history_of(FR, (first, second)) is second and history_of(other, (first, second)) is first
    assert history_of(third, (first, second)) is None


def test_no_longer_found_needs_the_check_carried_out_again() -> None:
    job = job_with(response("FL", round_id=AS_LEFT), AGAIN)
    assert fates(job, {AS_FOUND: [FR]}, PASSES)[0].fate is Fate.NO_LONGER_FOUND
    undecided = {AS_LEFT: [checks("seats.polarity", FR="a response without phase")]}
    assert fates(job, {AS_FOUND: [FR]}, undecided)[0].fate is Fate.NOT_DETERMINED
    other = {AS_LEFT: [checks("seats.polarity", FL=1.0)]}
    assert (
        fates(job_with(response("FL", round_id=AS_LEFT)), {AS_FOUND: [FR]}, other)[0].fate is Fate.NOT_MEASURED_AGAIN
    )


def test_a_failing_check_of_its_own_keeps_a_finding_although_no_rule_names_it() -> None:
    fails = {AS_LEFT: [checks("seats.polarity", FR=-1.0)]}
    assert fates(job_with(AGAIN), {AS_FOUND: [FR]}, fails)[0].fate is Fate.STILL_THERE


@pytest.mark.parametrize(
    ("before", "after", "u", "fate"),
    [
        # −0.25 ± 0.2 and +0.1 ± 0.2: 0.35 apart, 1.645·0.2·√2 = 0.47 needed; the second is within 1.645·0.2 of the limit.
        (-0.25, 0.1, 0.2, Fate.NOT_DETERMINED),
        (-0.50, 0.1, 0.2, Fate.NO_LONGER_FOUND),
        (-0.25, 0.1, 0.01, Fate.NO_LONGER_FOUND),
    ],
)
def test_a_value_that_only_crossed_the_guard_band_is_not_gone(
    before: float, after: float, u: float, fate: Fate
) -> None:
    def outcome(value: float) -> Outcome:
        (check,) = checks("seats.polarity", FR=value).checks
        return replace(checks("seats.polarity", FR=value), checks=(replace(check, uncertainty=u),))

    outcomes = {AS_FOUND: [outcome(before)], AS_LEFT: [outcome(after)]}
    assert fates(job_with(AGAIN), {AS_FOUND: [FR]}, outcomes)[0].fate is fate


def test_a_repair_is_no_measurement() -> None:
    job = job_with(action(FR))
    (one,) = fates(job, {AS_FOUND: [FR]}, round_id=AS_FOUND)
    assert one.fate is Fate.REPAIRED_NOT_MEASURED
    assert one.status == "repaired 09:00 UTC, not yet measured again"
    (one,) = fates(job_with(action(FR), RoundOpened(round=AS_LEFT)), {AS_FOUND: [FR]})
    assert one.fate is Fate.REPAIRED_NOT_MEASURED


def test_a_repair_of_another_loudspeaker_or_fault_is_none_of_this_one() -> None:
    for about in (finding("wiring.polarity", "FL"), finding("wiring.silent", "FR")):
        one = fates(job_with(action(about)), {AS_FOUND: [FR]}, round_id=AS_FOUND)[0]
        assert (one.first, one.actions, one.fate) == (FR, (), Fate.OPEN)


def test_a_repair_and_a_measurement_without_the_fault() -> None:
    (one,) = fates(job_with(action(FR), AGAIN), {AS_FOUND: [FR]}, PASSES)
    assert (one.fate, one.status) == (Fate.REPAIRED, "repaired 09:00 UTC, no longer found")


def test_a_repair_that_did_not_help_is_still_there() -> None:
    found = {AS_FOUND: [FR], AS_LEFT: [FR]}
    (one,) = fates(job_with(action(FR), AGAIN), found)
    assert (one.fate, one.status) == (Fate.STILL_THERE, "still there after it was repaired 09:00 UTC")
    (one,) = fates(job_with(AGAIN, action(FR, round_id=AS_LEFT)), found)
    assert one.fate is Fate.REPAIRED_NOT_MEASURED  # measured before the repair


def test_a_withdrawn_action_does_not_count() -> None:
    job = job_with(action(FR), Withdrawn(seq=4))
    assert job.actions == ()
    assert fates(job, {AS_FOUND: [FR]}, round_id=AS_FOUND)[0].fate is Fate.OPEN


def test_accepted_and_left_for_later_keep_their_reason_and_a_measurement_goes_before_them() -> None:
    job = job_with(action(FR, "later", note="the lift comes in May"))
    (one,) = fates(job, {AS_FOUND: [FR]}, round_id=AS_FOUND)
    assert (one.fate, one.status) == (Fate.LEFT_FOR_LATER, "left for later: the lift comes in May")
    assert fates(job_with(action(FR, "accepted")), {AS_FOUND: [FR]}, round_id=AS_FOUND)[0].fate is Fate.ACCEPTED
    assert fates(job_with(action(FR, "later"), AGAIN), {AS_FOUND: [FR]}, PASSES)[0].fate is Fate.NO_LONGER_FOUND


def test_what_only_the_newest_round_shows_is_new_only_where_it_was_looked_for_before() -> None:
    job = job_with(AGAIN)
    before = {AS_FOUND: [checks("seats.polarity", FR=1.0)]}
    assert fates(job, {AS_LEFT: [FR]}, before)[0].fate is Fate.NEW
    assert fates(job, {AS_LEFT: [FR]})[0].fate is Fate.FIRST_EXAMINED


def test_an_uneven_bass_is_the_same_fault_whichever_seat_is_worst() -> None:
    one, other = (finding("room.bass-differs", "SUB1", "SUB2", seats=(seat,)) for seat in ("A3", "B1"))
    assert same_fault(one, other)
    (history,) = fates(job_with(response("SUB1", round_id=AS_LEFT)), {AS_FOUND: [one], AS_LEFT: [other]})
    assert history.fate is Fate.STILL_THERE
    assert not same_fault(*(finding("room.null", "SUB1", seats=(seat,)) for seat in ("A3", "B1")))


def test_one_of_a_pair_reversed_is_the_fault_that_named_the_loudspeaker() -> None:
    pair = finding("wiring.pair-polarity", "FL", "FR")
    (history,) = fates(job_with(AGAIN), {AS_FOUND: [FR], AS_LEFT: [pair]})
    assert (history.fate, history.title) == (Fate.STILL_THERE, pair.title)


def test_a_pair_of_which_one_was_measured_again() -> None:
    pair = finding("wiring.polarity", "FL", "FR")
    (one,) = fates(job_with(AGAIN), {AS_FOUND: [pair]}, PASSES)
    assert (one.fate, one.status) == (Fate.NOT_MEASURED_AGAIN, "not measured again: FL")


def test_what_is_found_with_other_loudspeakers_too_is_still_there_for_the_first_alone() -> None:
    """The left one was not measured again: a finding that names the right one and a third says nothing about it."""
    before, now = finding("room.reflection", "FL", "FR"), finding("room.reflection", "FR", "BR")
    (one,) = fates(job_with(AGAIN), {AS_FOUND: [before], AS_LEFT: [now]})
    assert (one.fate, one.open_channels) == (Fate.STILL_THERE, ("FR",))


def test_a_comparison_with_the_others_needs_all_of_them_again() -> None:
    """Against fewer loudspeakers a reflection may no longer be conspicuous, although nothing has changed."""
    before, passes = finding("room.reflection", "FR"), {AS_LEFT: [checks("seats.direct", FR=1.0)]}
    job = job_with(response("FL"), AGAIN)
    assert fates(job, {AS_FOUND: [before]}, passes)[0].fate is Fate.NOT_DETERMINED
    job = job_with(response("FL"), AGAIN, response("FL", round_id=AS_LEFT))
    assert fates(job, {AS_FOUND: [before]}, passes)[0].fate is Fate.NO_LONGER_FOUND


def test_settings_that_are_right_now_were_not_yet_heard() -> None:
    unit = finding("settings.unit", "FL", "FR")
    left = {AS_LEFT: [checks("distances.setting", FL=1.0, FR=1.0)]}
    noted = [setting(c, round_id=AS_LEFT, distance=3.0) for c in ("FL", "FR")]
    job = job_with(*noted)
    (one,) = fates(job, {AS_FOUND: [unit]}, left)
    assert (one.fate, one.status) == (
        Fate.REPAIRED_NOT_MEASURED,
        "new setting noted, not yet measured again",
    )
    again = job_with(*noted, *(response(c, round_id=AS_LEFT) for c in ("FL", "FR")))
    (one,) = fates(again, {AS_FOUND: [unit]}, left)
    assert (one.fate, one.status) == (Fate.NOT_DETERMINED, "not determined again")
    heard = {
        AS_LEFT: [
            Outcome(
                step="distances",
                round="",
                checks=(*left[AS_LEFT][0].checks, *checks("distances.arrival", FL=1.0, FR=1.0).checks),
            )
        ]
    }
    assert fates(job, {AS_FOUND: [unit]}, heard)[0].fate is Fate.NO_LONGER_FOUND


def test_what_bass_has_set_is_settled_where_it_was_heard() -> None:
    unit = finding("settings.unit", "FL", "FR")
    own = checks("distances.setting", FL=1.0, FR=SET_BY_BASS).checks
    for arrival, fate in (("not measured", Fate.REPAIRED_NOT_MEASURED), (SET_BY_BASS, Fate.NO_LONGER_FOUND)):
        heard = checks("distances.arrival", FL=arrival, FR=arrival).checks
        left = {AS_LEFT: [Outcome(step="distances", round="", checks=(*own, *heard))]}
        job = job_with(*(setting(c, round_id=AS_LEFT, distance=3.0) for c in ("FL", "FR")))
        assert fates(job, {AS_FOUND: [unit]}, left)[0].fate is fate


def test_a_ticked_trim_is_a_logged_adjustment() -> None:
    trims = finding("settings.trims", "FL")
    job = job_with(*levels({"FL": 77.0}), setting("FL", round_id=AS_LEFT, applied=True, trim_db=-2.0))
    assert fates(job, {AS_FOUND: [trims]})[0].fate is Fate.REPAIRED_NOT_MEASURED
    left = {AS_LEFT: [checks("levels.match", FL=1.0)]}
    assert fates(job, {AS_FOUND: [trims]}, left)[0].fate is Fate.REPAIRED


def test_settings_that_were_only_noted_are_no_logged_repair() -> None:
    trims = finding("settings.trims", "FL")
    noted = setting("FL", round_id=AS_LEFT, trim_db=-2.0)
    (one,) = fates(job_with(*levels({"FL": 77.0}), noted), {AS_FOUND: [trims]})
    assert (one.status, one.proven) == ("new setting noted, not yet measured again", Fate.NOT_MEASURED_AGAIN)
    left = {AS_LEFT: [checks("levels.match", FL=1.0)]}
    assert fates(job_with(noted), {AS_FOUND: [trims]}, left)[0].fate is Fate.NO_LONGER_FOUND


def test_a_room_that_another_fault_hides_is_not_determined() -> None:
    bass, late = finding("room.bass-differs", "SUB1"), finding("settings.sub-latency", "SUB1")
    job = job_with(response("SUB1", round_id=AS_LEFT))
    left = {AS_LEFT: [checks("seats.bass", SUB1=1.0)]}
    assert fates(job, {AS_FOUND: [bass]}, left)[0].fate is Fate.NO_LONGER_FOUND
    hidden = {each.first.id: each.fate for each in fates(job, {AS_FOUND: [bass], AS_LEFT: [late]}, left)}
    assert hidden["room.bass-differs"] is Fate.NOT_DETERMINED


def test_a_repair_in_the_same_round_is_remembered_by_the_log() -> None:
    # Measured, repaired and measured again in the round as found, which then no longer shows the fault.
    job = job_with(action(FR), response("FR"))
    (one,) = fates(job, {}, {AS_FOUND: [checks("seats.polarity", FR=1.0)]}, round_id=AS_FOUND)
    assert (one.fate, one.title) == (Fate.REPAIRED, FR.title)


def test_the_view_of_as_found_shows_its_findings_with_their_present_state() -> None:
    new = finding("wiring.tweeter", "FL")
    found = {AS_FOUND: [FR], AS_LEFT: [new]}
    assert [each.first for each in fates(job_with(AGAIN), found, PASSES, round_id=AS_FOUND)] == [FR]
    assert [each.first for each in fates(job_with(AGAIN), found, PASSES)] == [new, FR]  # open findings first


RULE_IDS = [rule.id for rule in RULES]
NAMES = ("FL", "FR", "SUB1")
findings_drawn = st.lists(
    st.builds(
        lambda rule, channels: finding(rule, *sorted(channels), seats=("A1",)),
        st.sampled_from(RULE_IDS),
        st.sets(st.sampled_from(NAMES), min_size=1),
    ),
    max_size=3,
)
checks_drawn = st.lists(
    st.builds(
        lambda rule, values: checks(next(r.check for r in RULES if r.id == rule), **values),
        st.sampled_from(RULE_IDS),
        st.dictionaries(st.sampled_from(NAMES), st.sampled_from([1.0, -1.0, "not known"])),
    ),
    max_size=3,
    unique_by=lambda outcome: outcome.step,
)
bodies_drawn = st.lists(
    st.one_of(
        st.builds(response, st.sampled_from(NAMES), st.just("A1"), st.sampled_from([AS_FOUND, AS_LEFT])),
        st.builds(
            action,
            findings_drawn.filter(bool).map(lambda found: found[0]),
            st.sampled_from(["repaired", "adjusted", "replaced", "accepted", "later"]),
        ),
        st.builds(Withdrawn, seq=st.integers(3, 8)),
    ),
    max_size=6,
)


@given(bodies_drawn, findings_drawn, findings_drawn, checks_drawn)
def test_gone_only_by_a_later_check_that_carries_it(
    bodies: list[EventBody], first: list[Finding], second: list[Finding], left: list[Outcome]
) -> None:
    """Whatever is logged, a finding of as found is gone only if as left checked every channel of it."""
    job = job_with(*bodies)
    found = {AS_FOUND: first, AS_LEFT: second}
    histories = fates(job, found, {AS_LEFT: left})
    for one in first:
        assert any(same_fault(one, each.first) for each in histories), "a finding was forgotten"
    for each in histories:
        if each.fate.gone and each.round == AS_FOUND and each.first in first:
            carried = {
                check.channel
                for outcome in left
                for check in outcome.checks
                if check.id == each.first.check and check.why_not is None
            }
            assert set(each.first.channels) <= carried
        if each.fate in (Fate.REPAIRED, Fate.REPAIRED_NOT_MEASURED) and not each.new_settings:
            assert any(action.mends for action in job.actions)


@given(bodies_drawn, st.integers(0, 8))
def test_actions_fold_in_two_parts_as_in_one(bodies: list[EventBody], cut: int) -> None:
    log = events_of(JobCreated(title="t", program_version="0"), defined(cinema()), *bodies)
    assert fold(log[cut:], fold(log[:cut])) == fold(log)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_every_finding_without_a_second_measurement_is_not_gone(rule) -> None:
    one = finding(rule.id, "FL", seats=("A1",))
    assert not fates(job_with(action(one), RoundOpened(round=AS_LEFT)), {AS_FOUND: [one]})[0].fate.gone


def test_only_what_spoils_the_bass_hides_a_finding_of_the_room() -> None:
    job = job_of(defined(cinema()))
    for spoilt, hides in ((("SUB1",), True), (("FL", "SUB2"), True), ((), True), (("FL",), False)):
        others = [finding("wiring.polarity", *spoilt)]
        assert _is_hidden(job, finding("room.bass-differs", "SUB1"), others) is hides
        assert not _is_hidden(job, finding("settings.bass"), others)
