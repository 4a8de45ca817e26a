"""Checks that remain open at the end of a visit: failed without a known cause, undecided, not tested, outdated."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from commission.diagnosis.level_settings import front_loudspeakers
from commission.diagnosis.unexplained_checks import explained
from commission.model import Check, FindingHistory, Verdict
from commission.model.formatting import number
from commission.record.content.checks import kind_name
from commission.record.content.context import FOUND, Context, capital

PLAIN_KINDS = {
    "quiet.nc": "Quietness of the room",
    "quiet.hum": "Freedom from hum",
    "wiring.leakage": "Each loudspeaker plays its own channel alone",
    "wiring.noise": "Quietness of each loudspeaker",
    "wiring.hum": "Freedom from hum of each loudspeaker",
    "wiring.compression": "Loudness when played louder",
    "wiring.distortion": "Clean sound at the usual level",
    "wiring.distortion-loud": "Clean sound when loud",
    "wiring.rattle": "Freedom from rattles",
    "dialogue.sti": "How well speech is understood",
    "levels.match": "Loudness of each loudspeaker",
    "levels.reference": "Loudness of all loudspeakers together",
    "levels.sum": "Loudness of all subwoofers together",
    "levels.repeat": "Agreement of repeated loudness readings",
    "distances.setting": "Timing set in the processor",
    "distances.arrival": "Arrival of the sound of each loudspeaker",
    "distances.place": "Position that each loudspeaker plays from",
    "seats.snr": "Quiet during the recordings",
    "seats.clipped": "Recordings free of overload",
    "seats.polarity": "Polarity of each loudspeaker",
    "seats.treble": "High tones compared with the partner loudspeaker",
    "seats.mids": "Middle tones compared with the partner loudspeaker",
    "seats.lows": "Low tones compared with the partner loudspeaker",
    "seats.level": "Loudness from seat to seat",
    "seats.direct": "High tones from seat to seat",
    "seats.bass": "Deep bass from seat to seat",
    "seats.decay": "Reverberation of the room",
    "bass.agreement": "Bass at each seat compared with its prediction",
    "bass.crossover": "Bass together with the main loudspeakers",
    "compare.heard": "Evenness of loudness between seats, compared with the first measurement",
    "compare.tone": "Evenness of tone between seats, compared with the first measurement",
    "drift": "Changes since the earlier visit",
    "layout.inside": "Positions inside the room",
    "layout.tape": "Tape distances compared with the plan",
    "layout.side": "Left and right loudspeakers on the correct sides",
    "layout.seats-centred": "Seats in line with the centre of the screen",
    "layout.outside-heads": "Left and right loudspeakers outside all heads",
    "layout.front-heights": "Front overhead loudspeakers ahead of the front row",
    "layout.rear-heights": "Rear overhead loudspeakers behind the back row",
    "layout.sight": "Clear path from the screen loudspeakers to the ears",
    "layout.seat-back": "Clear path over the backs of the seats",
    "layout.obstacle": "Clear path past columns and other obstacles",
    "layout.aim": "Loudspeakers aimed at the seats",
    "layout.direction": "Loudspeakers in the directions of the standard",
    "layout.seat-wall": "Seats away from the walls",
    "site": "Information about the site",
}
"""The subject of a check in plain words, by the beginning of its id; others use the terms of the trade."""
FAILING = {"compare.": "worse", "drift": "beyond the uncertainty of the measurements"}
"""The meaning of a failed check, by the beginning of its id, if it has no chosen limit."""
Key = tuple[str, str, str | None, str | None]


@dataclass(slots=True)
class OpenKind:
    """All checks of one kind: the open ones and the total."""

    name: str
    checks: list[Check] = field(default_factory=list)
    failed: list[Check] = field(default_factory=list)
    """Checks that fail in the newest round, unexplained by any open finding."""
    unsure: list[Check] = field(default_factory=list)
    untested: list[Check] = field(default_factory=list)
    outdated: list[Check] = field(default_factory=list)
    """Checks that failed or were undecided in an earlier round, and were not made again."""
    passed_before: list[Check] = field(default_factory=list)
    """Checks that passed in an earlier round, and were not made again."""


def open_kinds(context: Context, histories: Iterable[FindingHistory]) -> list[OpenKind]:
    """Every kind of check of the visit, in the order of the steps, open or not."""
    open_findings = [f for each in histories if not each.fate.gone for f in (each.first, *each.now)]
    newest = context.after or FOUND
    rounds = context.job.rounds[: context.job.rounds.index(newest) + 1] if newest in context.job.rounds else (newest,)
    kinds: dict[str, OpenKind] = {}
    for step in context.visit.steps:
        if step.id == "handover":
            continue
        states_of: dict[Key, list[tuple[str, Check]]] = {}
        for round_id in rounds:
            for check in context.outcome(step.id, round_id).checks:
                states_of.setdefault((step.id, check.id, check.channel, check.seat), []).append((round_id, check))
        for states in states_of.values():
            round_id, check = states[-1]
            carried = [(r, c) for r, c in states if c.verdict is not Verdict.NOT_TESTED]
            kind = kinds.setdefault(_name(check), OpenKind(_name(check)))
            kind.checks.append(check)
            if carried and carried[-1][0] != newest:
                check = carried[-1][1]
                if check.verdict is Verdict.PASS:
                    kind.passed_before.append(check)
                elif not explained(check, step.id, open_findings):
                    kind.outdated.append(check)
            elif not carried:
                kind.untested.append(check)
            elif check.verdict is Verdict.FAIL and not explained(check, step.id, open_findings):
                kind.failed.append(check)
            elif check.verdict is Verdict.UNSURE and not explained(check, step.id, open_findings):
                kind.unsure.append(check)
    return list(kinds.values())


def _name(check: Check) -> str:
    known = [key for key in PLAIN_KINDS if check.id == key or check.id.startswith(f"{key}.")]
    return PLAIN_KINDS[max(known, key=len)] if known else capital(kind_name([check]))


# --- sentences ------------------------------------------------------------------------------------------------------


def failed_sentences(context: Context, kinds: Iterable[OpenKind]) -> list[str]:
    """One line for each kind with unexplained failed checks."""
    return [
        f"{kind.name}: {len(kind.failed)} of {len(kind.checks)} {_failing(kind)}{_worst(context, kind.failed)}. "
        f"{level_of_dialogue(context, kind.failed)}{_chance(kind)}Cause not known."
        for kind in kinds
        if kind.failed
    ]


def _chance(kind: OpenKind) -> str:
    """How often a comparison looks worse by chance: half of the false results of one table."""
    by_chance = kind.failed[0].id.startswith("compare.")
    return (
        "In a cinema where nothing changed, chance shows such a line once in twenty times at most. "
        if by_chance
        else ""
    )


def _failing(kind: OpenKind) -> str:
    return next((text for key, text in FAILING.items() if kind.failed[0].id.startswith(key)), "outside the limit")


def counted_sentence(start: str, kinds: Iterable[tuple[OpenKind, list[Check]]]) -> list[str]:
    """One line for all kinds with their counts, such as "Not tested: deep bass from seat to seat (3 of 12)."."""
    parts = [f"{_small(kind.name)} ({len(own)} of {len(kind.checks)})" for kind, own in kinds if own]
    return [f"{start}: {'; '.join(parts)}."] if parts else []


def _small(name: str) -> str:
    return name[:1].lower() + name[1:]


def _worst(context: Context, checks: list[Check]) -> str:
    """A few names, and the worst value with its limit if its unit is in everyday use."""
    channels = tuple(dict.fromkeys(check.channel for check in checks if check.channel is not None))
    names = f" ({context.channel_names(channels)})" if channels else ""
    values = [c for c in checks if c.value is not None and c.limit is not None and c.unit in ("dB", "ms", "m")]
    if not values:
        return names
    worst = max(values, key=_beyond)
    assert worst.limit is not None and worst.value is not None
    system = context.job.system
    place = [context.channel_name(worst.channel)] if worst.channel is not None and len(channels) > 1 else []
    place += [context.seat_name(worst.seat)] if worst.seat is not None and len(system.seats) > 1 else []
    at = f" ({' at '.join(place)})" if place else ""
    low, high = worst.limit.low, worst.limit.high
    if low is not None and high is not None and low == -high:
        limit = f"±{_rounded(context, high, worst.unit)}"
    else:
        limit = context.limit(worst.limit)
    return f"{names}, at worst {_rounded(context, worst.value, worst.unit, signed=True)}{at}, limit {limit}"


def _rounded(context: Context, value: float, unit: str, *, signed: bool = False) -> str:
    """A value for the homeowner: decibels and milliseconds to a tenth, lengths in the job's units."""
    return (
        context.quantity(value, unit, signed=signed) if unit == "m" else f"{number(value, 1, signed=signed)} {unit}"
    )


def _beyond(check: Check) -> float:
    assert check.limit is not None and check.value is not None
    return max(check.limit.lower - check.value, check.value - check.limit.upper)


def level_of_dialogue(context: Context, checks: Iterable[Check], tense: str = "now") -> str:
    """The meaning of a wrong level of the dialogue loudspeaker; "" if none of the checks is about it."""
    for check in checks:
        channel = context.job.system.channel(check.channel or "")
        if check.id == "levels.match" and check.value is not None and channel is not None and channel.is_centre:
            by = f"{number(abs(check.value), 1)} dB"
            word, below = ("quiet", "below") if check.value < 0 else ("loud", "above")
            verb = "is" if tense == "now" else "was"
            name = context.channel_name(channel.id)
            return f"Dialogue {verb} {word}: {name} {verb} {by} {below} the other loudspeakers. "
    return ""


def below_the_sides(context: Context, round_id: str, tense: str) -> str:
    """How far the centre is below the front loudspeakers beside it, by the readings of a round; "" if unknown."""
    known = {
        check.channel: check.value
        for check in context.outcome("levels", round_id).checks
        if check.id == "levels.match"
    }
    names = front_loudspeakers(context.job)
    centre, left, right = (known.get(channel) for channel in names or ("", "", ""))
    if centre is None or left is None or right is None:
        return ""
    by = number((left + right) / 2 - centre, 1)
    return f"It {'is' if tense == 'now' else 'was'} {by} dB below the other front loudspeakers. "
