"""Channels that await a repair: their trims and distances are not proposed before it is done and measured.

A fault remains in later rounds until one shows the channel without it, or the client accepts it. It is found from the
responses of a round, or by a meter against the earlier visit. The meter's reading of a loudspeaker with a dead driver or
a wrong cable says nothing about its trim.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from commission.dsp.matching import SWAP_Z
from commission.model import Action, Analyses, Job, Reading, StoredResponse, Verdict
from commission.model.fate import ACTION_WORDS
from commission.model.units import round_name
from commission.steps.seats import faults as seat_faults
from commission.steps.seats import result as seats
from commission.steps.seats.drivers import DRIVERS
from commission.steps.shared.arrivals import find_places
from commission.steps.shared.cache import cached
from commission.steps.shared.lost_level import level_changes_db, lost_levels_db, silent_readings_db
from commission.steps.shared.screening import usable
from commission.steps.shared.screening.recordings import one_loudspeaker

_CHECKS = {
    "wiring.silent": "seats.snr",
    "wiring.polarity": "seats.polarity",
    "wiring.pair-polarity": "seats.polarity",
    "wiring.driver-polarity": "seats.polarity",
    "wiring.tweeter": "seats.treble",
    "wiring.midrange": "seats.mids",
    "wiring.woofer": "seats.lows",
}
"""Finding → the check of a channel's response that could show it."""
_REVERSED = {
    "reversed": ("wiring.polarity", "reversed"),
    "one of two": ("wiring.pair-polarity", "{} reversed"),
    "driver": ("wiring.driver-polarity", "one driver reversed"),
    "one driver of two": ("wiring.driver-polarity", "one driver of {} reversed"),
}
"""How a channel is connected → the finding, and the fault in words."""
ONE_LOUDSPEAKER = "wiring.one-loudspeaker"
"""Finding for two channels that read alike where no symmetry explains it."""
LEVEL_LOST = "wiring.level-lost"
"""Finding based on readings of this and the earlier visit."""
AFTER_REPAIR = "repair"
"""Table entry for a setting that is not proposed yet: no wider than a figure; the remark explains it."""


def waiting_sentences(reasons: Mapping[str, str | None], setting: str) -> tuple[str, ...]:
    """One sentence for all channels that await a repair, such as "No trim is proposed before the repair: FR
    (reversed).".
    """
    waiting = [f"{channel} ({reason})" for channel, reason in reasons.items() if reason is not None]
    return (f"No {setting} is proposed before the repair: {', '.join(waiting)}.",) if waiting else ()


@dataclass(frozen=True, slots=True)
class _Round:
    """Electronic faults by the responses of one round."""

    faults: dict[tuple[str, str], str]
    """(id of the finding, channel) → the fault in words."""
    carried: frozenset[tuple[str, str]]
    """(id of the finding, channel) where the round could have shown it."""


@cached
def awaiting_repair(job: Job, round_id: str, analyses: Analyses) -> dict[str, str]:
    """Channel → reason why its trim and distance are not proposed in a round, as a clause; empty if all may be set."""
    return _awaiting(job, round_id, analyses, seats.solve)


@cached
def awaiting_as_heard(job: Job, round_id: str, analyses: Analyses) -> dict[str, str]:
    """The same without considering mistyped polarities, which Bass derives from this result."""
    return _awaiting(job, round_id, analyses, seats.heard)


_Solve = Callable[[Job, str, Analyses], seats.SeatsResult]


def _awaiting(job: Job, round_id: str, analyses: Analyses, solve: _Solve) -> dict[str, str]:
    if not job.responses and job.earlier is None and not any(silent_readings_db(job, each) for each in job.rounds):
        return {}
    open_faults: dict[tuple[str, str], tuple[str, str]] = {}
    for each in job.rounds_until(round_id):
        if not job.responses_of(each) and not job.readings_of(each, "levels"):
            continue
        found = _round(job, each, analyses, solve)
        open_faults = {
            key: value for key, value in open_faults.items() if key not in found.carried or key in found.faults
        }
        open_faults |= {key: (text, each) for key, text in found.faults.items()}
    reasons: dict[str, list[str]] = {}
    for (rule, channel), (text, found_in) in open_faults.items():
        if (reason := _reason(job, rule, channel, text, found_in, round_id)) is not None:
            reasons.setdefault(channel, []).append(reason)
    return {channel.id: "; ".join(reasons[channel.id]) for channel in job.system.channels if channel.id in reasons}


def _actions(job: Job, rule: str, channel: str) -> list[Action]:
    return [a for a in job.actions if a.body.finding == rule and channel in a.body.channels]


def is_accepted(job: Job, rule: str, channel: str) -> bool:
    """Whether the client accepted a fault of a channel."""
    actions = _actions(job, rule, channel)
    return bool(actions) and actions[-1].body.action == "accepted"


def _reason(job: Job, rule: str, channel: str, text: str, found_in: str, round_id: str) -> str | None:
    """The clause for one fault; None if the client accepted it."""
    if is_accepted(job, rule, channel):
        return None
    actions = _actions(job, rule, channel)
    by_meter = rule == LEVEL_LOST
    measured = max((each.seq for each in _measured(job, found_in, channel, by_meter=by_meter)), default=0)
    if actions and actions[-1].mends and actions[-1].seq > measured:
        did = ACTION_WORDS[actions[-1].body.action]
        return f"{did} {actions[-1].at[11:16]} UTC, not yet measured again"
    if found_in == round_id:
        return text
    rounds = job.rounds[job.rounds.index(found_in) + 1 :]
    again = any(_measured(job, each, channel, by_meter=by_meter) for each in rounds)
    return f"{text} {round_name(found_in)}, {'not determined again' if again else 'not measured again'}"


def _measured(
    job: Job, round_id: str, channel: str, *, by_meter: bool
) -> tuple[Reading, ...] | tuple[StoredResponse, ...]:
    """Measurements of a channel in a round that could show its fault."""
    return (
        job.readings_of(round_id, "levels", channel=channel)
        if by_meter
        else job.responses_of(round_id, channel=channel)
    )


def _round(job: Job, round_id: str, analyses: Analyses, solve: _Solve) -> _Round:
    result = solve(job, round_id, analyses)
    heard = usable(job, analyses, round_id)
    places, _ = find_places(job, round_id, heard)
    faults = {
        (rule, c): text.format(" or ".join((c, *each.others)))
        for c, each in seat_faults.reversed_channels(result).items()
        if not each.by_setting
        for rule, text in (_REVERSED[each.state],)
    }
    faults |= {("wiring.silent", c): "silent" for c in seat_faults.silent_channels(result)}
    faults |= {("wiring.silent", c): "silent" for c in seat_faults.silent_by_meter(job, round_id, result)}
    faults |= {
        (f"wiring.{driver}", c): f"{driver} dead"
        for driver in DRIVERS
        for c in seat_faults.dead_drivers(job, result, driver)
    }
    for channel, each in places.items():
        if each.place != channel:
            faults[("wiring.swapped", channel)] = f"plays from the position of {each.place}"
            faults.setdefault(("wiring.swapped", each.place), f"{channel} plays from its position")
    for pair in one_loudspeaker(job, round_id, heard):
        for channel, other in zip(pair, reversed(pair), strict=True):
            faults[(ONE_LOUDSPEAKER, channel)] = f"plays from one loudspeaker with {other}"
    carried = {
        (rule, cell.channel.id)
        for cell in result.cells.values()
        for check in cell.checks
        for rule, wanted in _CHECKS.items()
        if check.id == wanted and check.verdict is not Verdict.NOT_TESTED
    }
    faults |= {
        (LEVEL_LOST, c): f"{-change:.0f} dB lower than last time"
        for c, change in lost_levels_db(job, round_id).items()
        if not any(channel == c for _, channel in faults)
    }
    carried |= {
        ("wiring.silent", each.body.channel) for each in job.readings_of(round_id, "levels") if each.body.channel
    }
    carried |= {(LEVEL_LOST, c) for c in level_changes_db(job, round_id)}
    carried |= {(ONE_LOUDSPEAKER, cell.channel.id) for cell in result.cells.values() if cell.analysis is not None}
    carried |= {("wiring.swapped", c) for c, each in places.items() if each.z >= SWAP_Z}
    return _Round(faults, frozenset(carried))
