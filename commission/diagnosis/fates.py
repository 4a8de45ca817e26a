"""Fate of each finding, followed through the rounds by kind and place, never better than measured.

A finding is gone only if a later round has a check that would show it and does not. A logged repair is not a measurement:
the finding stays until one follows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from commission.diagnosis import rule_of, urgency
from commission.diagnosis.dull_seats import DULL
from commission.diagnosis.room import SPOILT
from commission.dsp.uncertainty import combine
from commission.model import (
    Action,
    Check,
    Fate,
    Finding,
    FindingHistory,
    Job,
    Outcome,
    Reading,
    StoredResponse,
    Verdict,
)
from commission.model.verdict import surely_above
from commission.steps.distances.result import SET_BY_BASS

_MANY_CAUSES = frozenset({"seats.snr", "seats.clipped", "seats.level", "seats.bass"})
"""Checks that also fail for reasons other than their fault: they only show that the place was measured again. Any other
check that still fails shows that its fault remains."""
_ALIKE = (
    frozenset({"wiring.polarity", "wiring.pair-polarity", "wiring.driver-polarity", "wiring.driver-or-mounting"}),
    frozenset(DULL),
)
"""One fault each, named as surely as the round allows: a loudspeaker, one of a pair, one driver; blocked, or not aimed."""
_BY_SETTINGS, _BY_SOUND = "distances.setting", "distances.arrival"
"""Checks of the noted settings alone, and of the same by measurement."""


def same_fault(one: Finding, other: Finding) -> bool:
    """Whether two findings are the same kind of fault at the same place: a common channel, or seat if the fault is a
    seat's.
    """
    if not _same_kind(one.id, other.id):
        return False
    return _same_place(*(f.seats if f.place == "seat" else f.channels for f in (one, other)))


def _same_place(mine: Sequence[str], theirs: Sequence[str]) -> bool:
    return bool(set(mine) & set(theirs)) or not (mine and theirs)


def _same_kind(one: str, other: str) -> bool:
    return one == other or any({one, other} <= kind for kind in _ALIKE)


@dataclass(slots=True)
class _Fault:
    first: Finding
    round: str
    seen: dict[str, list[Finding]] = field(default_factory=dict)
    """Round → its findings of this fault."""


def follow(
    job: Job,
    round_id: str,
    findings: Callable[[str], Sequence[Finding]],
    outcomes: Callable[[str], Mapping[str, Outcome]],
) -> tuple[FindingHistory, ...]:
    """Every finding of the rounds up to `round_id`, with its fate by the newest round.

    `findings` and `outcomes` return those of a round; both are called once for each round needed. The order is that of
    repair; within a cause, findings that are gone come last.
    """
    rounds = _rounds(job, round_id)
    shown = rounds[: rounds.index(round_id) + 1]
    found = {each: findings(each) for each in rounds}
    faults: list[_Fault] = []
    for each in rounds:
        earlier = [(fault, next(reversed(fault.seen.values()))) for fault in faults]
        for finding in found[each]:
            known = [fault for fault, newest in earlier if _matches(fault, newest, finding)]
            if not known:  # within a round, two findings are two faults
                known = [_Fault(first=finding, round=each)]
                faults += known
            for fault in known:
                fault.seen.setdefault(each, []).append(finding)
    faults += _logged_only(job, faults, rounds)
    histories = [
        _finding_history(job, fault, rounds, found, {each: outcomes(each) for each in rounds})
        for fault in faults
        if fault.round in shown
    ]
    return tuple(sorted(histories, key=lambda each: (*urgency(each.first), each.fate.gone)))


def _logged_only(job: Job, faults: Sequence[_Fault], rounds: Sequence[str]) -> list[_Fault]:
    """Faults known only from the log: a later measurement of the same round has replaced the one that showed them."""
    out: list[_Fault] = []
    for body in (action.body for action in job.actions):
        rule = rule_of(body.finding)
        if rule is None or body.round not in rounds:
            continue
        finding = Finding(
            id=body.finding,
            cause=rule.cause,
            title=body.title,
            channels=body.channels,
            seats=body.seats,
            step=rule.step,
            check=rule.check_of(body.finding),
            place=rule.place,
        )
        if not any(_matches(each, each.seen.get(body.round, ()), finding) for each in (*faults, *out)):
            out.append(_Fault(first=finding, round=body.round))
    return out


def _rounds(job: Job, round_id: str) -> tuple[str, ...]:
    """The rounds to compare, in order: up to the newest with data, or to `round_id` if that is later."""
    rounds = job.rounds if round_id in job.rounds else (*job.rounds, round_id)
    return rounds[: max(rounds.index(each) for each in (*job.filled_rounds, round_id)) + 1]


def _matches(fault: _Fault, newest: Iterable[Finding], finding: Finding) -> bool:
    """Whether a finding is a known fault, by its first or its latest appearance."""
    return any(same_fault(each, finding) for each in (fault.first, *newest))


def _finding_history(
    job: Job,
    fault: _Fault,
    rounds: tuple[str, ...],
    found: Mapping[str, Sequence[Finding]],
    outcomes: Mapping[str, Mapping[str, Outcome]],
) -> FindingHistory:
    first, newest = fault.first, rounds[-1]
    actions = tuple(each for each in job.actions if _is_about(each, first))
    new_settings = _new_settings(job, first, fault.round)
    now = tuple(fault.seen.get(newest, ()))
    later = rounds[rounds.index(next(reversed(fault.seen))) + 1 if fault.seen else rounds.index(fault.round) :]
    shown = next(reversed(fault.seen), fault.round)
    hidden = {
        each for each in rounds if _is_hidden(job, first, found[each]) or _lacks_channels(job, first, shown, each)
    }
    rest: tuple[str, ...] = ()
    if now:
        fate = _fate_present(job, fault, rounds, hidden, outcomes, actions)
        rest = _still_faulty(first, now)
    else:
        before = outcomes[shown]
        fate, rest = _fate_absent(
            job, first, later, hidden, outcomes, actions, new_settings=new_settings, before=before
        )
    if actions and not fate.gone and fate is not Fate.REPAIRED_NOT_MEASURED:
        fate = {"accepted": Fate.ACCEPTED, "later": Fate.LEFT_FOR_LATER}.get(actions[-1].body.action, fate)
    return FindingHistory(
        first=first,
        round=fault.round,
        now=now,
        fate=fate,
        actions=actions,
        new_settings=new_settings,
        open_channels=rest,
    )


def history_of(finding: Finding, histories: Iterable[FindingHistory]) -> FindingHistory | None:
    """The history of a finding of any round; None if it is not among those histories."""
    return next(
        (each for each in histories if any(same_fault(one, finding) for one in (each.first, *each.now))), None
    )


def _is_about(action: Action, finding: Finding) -> bool:
    body = action.body
    by_seat = finding.place == "seat"
    mine, theirs = (finding.seats, body.seats) if by_seat else (finding.channels, body.channels)
    return _same_kind(body.finding, finding.id) and _same_place(mine, theirs)


def _still_faulty(first: Finding, now: Iterable[Finding]) -> tuple[str, ...]:
    """The channels still at fault, if the newest round does not name all of the first."""
    named = {channel for each in now for channel in each.channels}
    return tuple(c for c in first.channels if c in named) if set(first.channels) - named else ()


def _fate_present(
    job: Job,
    fault: _Fault,
    rounds: tuple[str, ...],
    hidden: set[str],
    outcomes: Mapping[str, Mapping[str, Outcome]],
    actions: tuple[Action, ...],
) -> Fate:
    """The fate of a finding that the newest round shows."""
    newest = rounds[-1]
    mended = [each for each in actions if each.mends]
    if mended and mended[-1] is actions[-1] and not _measured_since(job, fault.first, newest, mended[-1].seq):
        return Fate.REPAIRED_NOT_MEASURED
    if fault.round != newest:
        return Fate.STILL_THERE
    earlier = rounds[:-1]
    if not earlier:
        return Fate.STILL_THERE if mended else Fate.OPEN
    places: set[str | None] = set(fault.first.channels) or {None}
    carried = [r for r in earlier if r not in hidden and set(_checked(fault.first, outcomes[r])) >= places]
    return Fate.NEW if carried else Fate.FIRST_EXAMINED


def _fate_absent(
    job: Job,
    first: Finding,
    later: tuple[str, ...],
    hidden: set[str],
    outcomes: Mapping[str, Mapping[str, Outcome]],
    actions: tuple[Action, ...],
    *,
    new_settings: Literal["", "entered", "noted"],
    before: Mapping[str, Outcome],
) -> tuple[Fate, tuple[str, ...]]:
    """The fate of a finding that the newest round does not show, by the checks of the rounds after its last appearance.

    `before`: the outcomes of the round that showed it last.
    """
    places: tuple[str | None, ...] = first.channels or (None,)
    checked: dict[str | None, Sequence[Check]] = {}
    for each in later:
        if each not in hidden:
            checked |= _checked(first, outcomes[each])
    failing = tuple(
        place
        for place in places
        if first.check not in _MANY_CAUSES and any(c.verdict is Verdict.FAIL for c in checked.get(place, ()))
    )
    if failing:
        return Fate.STILL_THERE, _remaining(failing, places)
    unchanged = tuple(place for place in places if _unchanged(first, checked.get(place, ()), before))
    if unchanged:
        return Fate.NOT_DETERMINED, _remaining(unchanged, places)
    mended = [each for each in actions if each.mends]
    unheard = first.check == _BY_SETTINGS and not any(_checked(first, outcomes[each], _BY_SOUND) for each in later)
    # Correct settings alone do not show that the sound is correct.
    rest = tuple(place for place in places if unheard or place not in checked)
    if not rest:
        return (Fate.REPAIRED if mended or new_settings == "entered" else Fate.NO_LONGER_FOUND), ()
    repaired = mended[-1].seq if mended else 0
    measured = {c for each in later for c, seq in _evidence(job, first, each).items() if seq > repaired}
    fate = Fate.REPAIRED_NOT_MEASURED if mended or new_settings else Fate.NOT_MEASURED_AGAIN
    if measured and (first.channels == () or set(rest) <= measured):
        fate = Fate.NOT_DETERMINED
    return fate, _remaining(rest, places)


def _unchanged(first: Finding, checks: Sequence[Check], before: Mapping[str, Outcome]) -> bool:
    """Whether the checks of one place that a finding rests on are undecided now, and differ from before by no more than
    their uncertainties: a value that merely crossed the threshold of the guard band has not changed.
    """
    earlier = {(each.channel, each.seat): each for found in _checked(first, before).values() for each in found}
    pairs = [(each, earlier.get((each.channel, each.seat))) for each in checks]
    return bool(pairs) and all(
        now.verdict is Verdict.UNSURE
        and then is not None
        and then.verdict in (Verdict.FAIL, Verdict.UNSURE)
        and now.value is not None
        and then.value is not None
        and not surely_above(abs(now.value - then.value), 0.0, combine(now.uncertainty, then.uncertainty))
        for now, then in pairs
    )


def _remaining(rest: Iterable[str | None], places: Sequence[str | None]) -> tuple[str, ...]:
    """The remaining channels, if they are not all of them."""
    names = tuple(each for each in rest if each is not None)
    return names if len(names) < len(places) else ()


def _checked(
    finding: Finding, outcomes: Mapping[str, Outcome], check_id: str = ""
) -> dict[str | None, Sequence[Check]]:
    """Channel → its checks of the finding's kind that were carried out there; None: the finding names no channel.

    A finding without its own check is checked where its step is done. Settings made by the step Bass are checked there.
    """
    outcome, wanted = outcomes.get(finding.step), check_id or finding.check
    if outcome is None:
        return {}
    if not wanted:
        return dict.fromkeys(finding.channels or (None,), ()) if outcome.state == "done" else {}
    out: dict[str | None, list[Check]] = {}
    for check in outcome.checks:
        at_seat = finding.place != "seat" or check.seat is None or check.seat in finding.seats
        carried_out = check.verdict is not Verdict.NOT_TESTED or check.why_not == SET_BY_BASS
        if wanted in (check.id, check.kind) and carried_out and at_seat:
            for channel in finding.channels if check.channel is None else (check.channel,):
                out.setdefault(channel, []).append(check)
            if not finding.channels:
                out.setdefault(None, []).append(check)
    return dict(out)


def _evidence(job: Job, finding: Finding, round_id: str) -> dict[str, int]:
    """Channel → the newest event of a round that the finding's step rests on; all channels if it names none."""
    newest: dict[str, int] = {}
    stored: Sequence[Reading | StoredResponse] = job.responses_of(round_id)
    if finding.step == "levels":
        stored = job.readings_of(round_id, finding.step)
    if finding.step == "wiring":  # both levels of the load test
        stored = (*stored, *(each for each in job.driven if each.body.round == round_id))
    if finding.step == "quiet":  # belongs to no channel
        stored = (*job.readings_of(round_id, "quiet"), *(each for each in job.noises if each.body.round == round_id))
    for each in stored:
        channel = each.body.channel or ("" if finding.step == "quiet" else None)
        if channel is None or (finding.channels and channel not in finding.channels):
            continue
        if finding.place == "seat" and finding.seats and each.body.seat not in finding.seats:
            continue
        newest[channel] = max(each.seq, newest.get(channel, 0))
    return newest


def _measured_since(job: Job, finding: Finding, round_id: str, seq: int) -> bool:
    """Whether every channel of a finding was measured in that round after an event."""
    newest = _evidence(job, finding, round_id)
    return bool(newest) and set(finding.channels) <= set(newest) and min(newest.values()) > seq


def _is_hidden(job: Job, finding: Finding, others: Iterable[Finding]) -> bool:
    """Whether a round cannot show a finding of the room, because other faults affect its bass measurements."""
    subs = {channel.id for channel in job.system.channels if channel.is_sub}
    spoilt = (each for each in others if each.id in SPOILT)
    return finding.cause == "room" and any(not each.channels or subs & set(each.channels) for each in spoilt)


def _lacks_channels(job: Job, finding: Finding, shown: str, round_id: str) -> bool:
    """Whether a round lacks channels of the one that showed the finding, if its rule compares channels with each other."""
    rule, every = rule_of(finding.id), replace(finding, channels=())
    if rule is None or not rule.compares:
        return False
    return bool(set(_evidence(job, every, shown)) - set(_evidence(job, every, round_id)))


def _new_settings(job: Job, finding: Finding, round_id: str) -> Literal["", "entered", "noted"]:
    """New settings in the log for all channels of a finding about settings: ticked on the sheet as entered, or noted with
    another value in a later round.
    """
    by_step = {"levels": "trim_db", "distances": "distance"}
    what = "polarity" if finding.check == "seats.polarity" else by_step.get(finding.step)
    if finding.cause != "settings" or what is None or not finding.channels:
        return ""
    later = job.rounds[job.rounds.index(round_id) + 1 :] if round_id in job.rounds else ()
    word: Literal["entered", "noted"] = "entered"
    for channel in finding.channels:
        if any(c == channel and getattr(setting, what) is not None for (_, c), setting in job.typed_in.items()):
            continue
        word = "noted"
        old = getattr(job.setting(round_id, channel), what)
        noted = [getattr(job.setting(each, channel), what) for each in later]
        if not any(new is not None and new != old for new in noted):
            return ""
    return word
