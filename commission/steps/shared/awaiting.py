"""Which channels wait for a repair: their trims and distances are not proposed before it is done and measured.

A fault found by the responses of one round holds in later rounds, until a response of a later round shows the channel
without it, or the client accepts it. What a loudspeaker with a dead driver or a wrong cable reads on a meter says nothing
about its trim.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from commission.dsp.matching import SWAP_Z
from commission.model import Analyses, Job, Verdict
from commission.model.followed import ACTION_WORDS
from commission.model.units import round_name
from commission.steps.distances import result as distances
from commission.steps.seats import faults as seat_faults
from commission.steps.seats import result as seats
from commission.steps.shared.cache import cached

_CHECKS = {
    "wiring.silent": "seats.snr",
    "wiring.polarity": "seats.polarity",
    "wiring.pair-polarity": "seats.polarity",
    "wiring.driver-polarity": "seats.polarity",
    "wiring.tweeter": "seats.treble",
    "wiring.woofer": "seats.lows",
}
"""Finding → the check that a response of the channel carries where it could show that finding."""
_REVERSED = {
    "reversed": ("wiring.polarity", "reversed"),
    "one of two": ("wiring.pair-polarity", "{} reversed"),
    "driver": ("wiring.driver-polarity", "one driver reversed"),
    "one driver of two": ("wiring.driver-polarity", "one driver of {} reversed"),
}
"""How a channel is connected → the finding, and the fault in words."""

AFTER_REPAIR = "after repair"
"""What a table shows in place of a setting that is not proposed yet."""


def waiting_sentences(reasons: Mapping[str, str | None], setting: str) -> tuple[str, ...]:
    """One sentence for all channels that wait, such as "No trim is proposed before the repair: FR (reversed)."."""
    waiting = [f"{channel} ({reason})" for channel, reason in reasons.items() if reason is not None]
    return (f"No {setting} is proposed before the repair: {', '.join(waiting)}.",) if waiting else ()


@dataclass(frozen=True, slots=True)
class _Round:
    """What the responses of one round say about electronic faults."""

    faults: dict[tuple[str, str], str]
    """(id of the finding, channel) → the fault in words."""
    carried: frozenset[tuple[str, str]]
    """(id of the finding, channel) where the round could have shown it."""


@cached
def awaiting_repair(job: Job, round_id: str, analyses: Analyses) -> dict[str, str]:
    """Channel → why its trim and distance are not proposed in a round, as a clause; empty where all may be set."""
    if not job.responses:
        return {}
    until = job.rounds.index(round_id) if round_id in job.rounds else len(job.rounds) - 1
    open_faults: dict[tuple[str, str], tuple[str, str]] = {}
    for each in job.rounds[: until + 1]:
        if not job.responses_of(each):
            continue
        found = _round(job, each, analyses)
        open_faults = {
            key: value for key, value in open_faults.items() if key not in found.carried or key in found.faults
        }
        open_faults |= {key: (text, each) for key, text in found.faults.items()}
    reasons: dict[str, list[str]] = {}
    for (rule, channel), (text, found_in) in open_faults.items():
        if (reason := _reason(job, rule, channel, text, found_in, round_id)) is not None:
            reasons.setdefault(channel, []).append(reason)
    return {channel.id: "; ".join(reasons[channel.id]) for channel in job.system.channels if channel.id in reasons}


def _reason(job: Job, rule: str, channel: str, text: str, found_in: str, round_id: str) -> str | None:
    """The clause for one fault; None where the client accepted it as it is."""
    actions = [a for a in job.actions if a.body.finding == rule and channel in a.body.channels]
    if actions and actions[-1].body.action == "accepted":
        return None
    measured = max((r.seq for r in job.responses_of(found_in, channel=channel)), default=0)
    if actions and actions[-1].mends and actions[-1].seq > measured:
        did = ACTION_WORDS[actions[-1].body.action]
        return f"{did} {actions[-1].at[11:16]} UTC, not yet measured again"
    if found_in == round_id:
        return text
    rounds = job.rounds[job.rounds.index(found_in) + 1 :]
    again = any(job.responses_of(each, channel=channel) for each in rounds)
    return f"{text} {round_name(found_in)}, {'not determined again' if again else 'not measured again'}"


def _round(job: Job, round_id: str, analyses: Analyses) -> _Round:
    result = seats.solve(job, round_id, analyses)
    places = distances.solve(job, round_id, analyses)
    faults = {
        (rule, c): text.format(" or ".join((c, *each.others)))
        for c, each in seat_faults.reversed_channels(result).items()
        if not each.by_setting
        for rule, text in (_REVERSED[each.state],)
    }
    faults |= {("wiring.silent", c): "silent" for c in seat_faults.silent_channels(result)}
    faults |= {("wiring.tweeter", c): "tweeter dead" for c in seat_faults.dead_drivers(job, result, "tweeter")}
    faults |= {("wiring.woofer", c): "woofer dead" for c in seat_faults.dead_drivers(job, result, "woofer")}
    for channel, (place, _) in places.swapped.items():
        faults[("wiring.swapped", channel)] = f"sounds from the place of {place}"
        faults.setdefault(("wiring.swapped", place), f"its place sounds {channel}")
    carried = {
        (rule, cell.channel.id)
        for cell in result.cells.values()
        for check in cell.checks
        for rule, wanted in _CHECKS.items()
        if check.id == wanted and check.verdict is not Verdict.NOT_TESTED
    }
    carried |= {("wiring.swapped", c) for c, each in places.places.items() if each.z >= SWAP_Z}
    return _Round(faults, frozenset(carried))
