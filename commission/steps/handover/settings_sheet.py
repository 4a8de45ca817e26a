"""The settings sheet: the exact values to type into the processor while kneeling before the rack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

from commission.dsp.trims import grid_decimals
from commission.model import AS_LEFT, Analyses, Channel, Filter, Job, Polarity, Setting, System, Verdict
from commission.model.formatting import crossover_text, filter_texts, number
from commission.model.units import listed, round_name
from commission.steps import distances, levels
from commission.steps.bass.entries import SubProposal
from commission.steps.bass.explanation import SubChange
from commission.steps.bass.result import BassResult, in_use
from commission.steps.bass.result import solve as solve_bass
from commission.steps.bass.verification import verify
from commission.steps.seats import result as seat_cells
from commission.steps.seats.awaiting import awaiting_repair
from commission.steps.shared.isolation import or_else
from commission.steps.shared.issued_sheet import held_setting
from commission.steps.shared.screening import screen

Kind = Literal["trim", "delay", "polarity", "filters"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLine:
    """One setting. `change` is false if the processor already has the correct value."""

    channel: str
    name: str
    kind: Kind
    old: float | str | None
    new: float | str | None
    """None: nothing is proposed, for the reason `why`. With a value, `why` says that the measurement contradicts it."""
    unit: str
    decimals: int
    change: bool
    ticked: bool
    round: str
    """The round of its readings; `old` is the processor's setting then."""
    why: str = ""
    filters: tuple[Filter, ...] = ()
    """All filters that the processor must have, for a line about filters; `old` and `new` are their texts."""

    def text(self, value: float | str | None) -> str:
        """An old or new value as text."""
        return value if isinstance(value, str) else number(value, self.decimals, signed=self.kind == "trim")

    @property
    def setting(self) -> Setting:
        """The line as a setting of the round as left; a line without a new value sets nothing."""
        if self.new is None:
            return Setting(round=AS_LEFT, channel=self.channel)
        if self.kind == "trim":
            return Setting(round=AS_LEFT, channel=self.channel, trim_db=float(self.new))
        if self.kind == "delay":
            return Setting(round=AS_LEFT, channel=self.channel, distance=float(self.new))
        if self.kind == "filters":
            return Setting(round=AS_LEFT, channel=self.channel, filters=self.filters)
        polarity: Polarity = "normal" if self.new == "normal" else "reversed"
        return Setting(round=AS_LEFT, channel=self.channel, polarity=polarity)


def source_sentence(lines: Sequence[SheetLine]) -> str:
    """Source rounds of the lines, such as "trims as found, distances as left (SUB2: as found)"."""
    kinds: dict[str, dict[str, list[str]]] = {}
    for line in lines:
        what = {"trim": "trims", "polarity": "polarities", "filters": "filters"}.get(
            line.kind
        ) or f"{line.unit.split()[-1]}s"
        kinds.setdefault(what, {}).setdefault(line.round, []).append(line.channel)
    parts: dict[str, list[str]] = {}
    for what, rounds in kinds.items():
        most = max(rounds, key=lambda each: len(rounds[each]))
        others = [f"{', '.join(c)}: {round_name(r)}" for r, c in rounds.items() if r != most]
        parts.setdefault(round_name(most) + (f" ({'; '.join(others)})" if others else ""), []).append(what)
    return ", ".join(f"{listed(whats)} {rounds}" for rounds, whats in parts.items())


def settings_sheet(job: Job, analyses: Analyses, round_id: str | None = None) -> tuple[SheetLine, ...]:
    """Trims and delays for every channel with the required data; new trim = old trim + correction.

    Each is based on the newest round with the required data, or on `round_id`. Channels that await a repair have no new
    value. A polarity is listed only if the processor is set to "reversed" and the loudspeaker was compared with others of
    its model: the setting then either compensates the wiring, or is the fault. A reversed wire with a normal setting is
    repaired at the wire. Subwoofers follow the proposal of the step Bass if it is in use, including their polarity.
    """
    rounds = (round_id,) if round_id is not None else tuple(reversed(job.rounds))
    waiting = or_else(lambda: awaiting_repair(job, rounds[0], analyses), None)
    if waiting is None:
        return ()  # nothing is proposed for parts that may need repair first
    lines: list[SheetLine | None] = []
    nothing: dict[str, tuple[SubProposal, str]] = {}
    proposed = or_else(lambda: _bass(job, analyses, rounds), nothing)
    none: dict[str, SubChange] = {}
    off = or_else(lambda: _not_as_entered(job, rounds[0], analyses), none)
    for channel in job.system.channels:
        first = waiting.get(channel.id)
        if channel.id in proposed and first is None:
            lines += _bass_lines(job, *proposed[channel.id])
            continue
        if channel.id in off:
            lines += _retry_lines(job, channel, off[channel.id], rounds[0])
            continue
        lines += [
            or_else(partial(_trim, job, analyses, channel, rounds, first), None),
            or_else(partial(_delay, job, analyses, channel, rounds, first), None),
            or_else(partial(_polarity, job, analyses, channel, rounds), None),
        ]
    return tuple(line for line in lines if line is not None)


def entered_crossovers(system: System) -> dict[str, str]:
    """Channel → its crossover, if its type or a low-pass is entered: to be restored after a reset, never proposed."""
    return {
        channel.id: crossover_text(system, channel)
        for channel in system.channels
        if (system.high_pass(channel) or channel.low_pass_hz) is not None
    }


def _bass(job: Job, analyses: Analyses, rounds: Sequence[str]) -> dict[str, tuple[SubProposal, str]]:
    """Subwoofer → proposal of the step Bass, and its round; empty if not in use."""
    result = solve_bass(job, analyses)
    if not isinstance(result, BassResult) or result.measured.round not in rounds or not in_use(job, result):
        return {}
    return {sub: (each, result.measured.round) for sub, each in result.subs.items()}


def _bass_lines(job: Job, each: SubProposal, round_id: str) -> list[SheetLine]:
    """Trim, delay and, if changed, polarity and filters of a subwoofer."""
    lines = []
    if each.trim_db is not None:
        lines.append(_line(job, each.channel, "trim", each.old_trim_db, each.trim_db, round_id))
    if each.setting is not None:
        lines.append(_line(job, each.channel, "delay", each.old_setting, each.setting, round_id))
    if each.new_polarity != each.old_polarity or each.old_polarity == "reversed":
        lines.append(_line(job, each.channel, "polarity", each.old_polarity, each.new_polarity, round_id))
    if each.filters:
        ranges, typed = job.system.processor.filters, _ticked_setting(job, each.channel.id)
        old, new = (", ".join(filter_texts(v, ranges)) or "none" for v in (each.old_filters, each.new_filters))
        line = _line(job, each.channel, "filters", old, new, round_id)
        lines.append(replace(line, filters=each.new_filters, ticked=typed.filters == each.new_filters))
    return lines


def _not_as_entered(job: Job, round_id: str, analyses: Analyses) -> dict[str, SubChange]:
    """Subwoofers that have not changed as set: the proposed settings have not been tried yet."""
    checked = verify(job, round_id, analyses)
    return {} if isinstance(checked, str) else {each.sub: each for each in checked.off}


def _retry_lines(job: Job, channel: Channel, change: SubChange, round_id: str) -> list[SheetLine]:
    """The proposed settings of a subwoofer, and which of them to enter again."""
    held, ranges = held_setting(job, round_id, channel.id), job.system.processor.filters
    limited = change.limited_below_hz is not None
    rows: tuple[tuple[Kind, float | str | None, bool], ...] = (
        ("trim", held.trim_db, change.is_gain_off and not limited),
        ("delay", held.distance, change.is_delay_off),
        ("polarity", held.polarity or "normal", change.is_polarity_off),
    )
    lines = [
        _line(job, channel, kind, value, value, round_id, AGAIN if is_off else "")
        for kind, value, is_off in rows
        if value is not None and (kind != "polarity" or is_off or value == "reversed")
    ]
    if held.filters:
        texts, why = ", ".join(filter_texts(held.filters, ranges)), AGAIN if change.is_filter_missing else ""
        lines.append(replace(_line(job, channel, "filters", texts, texts, round_id, why), filters=held.filters))
    return [replace(line, change=bool(line.why)) for line in lines]


NO_LONGER_FOUND = "its fault is no longer found: read its level again"
AGAIN = "enter again"
"""Text for a setting that the responses contradict."""


def _trim(
    job: Job, analyses: Analyses, channel: Channel, rounds: Sequence[str], waiting: str | None
) -> SheetLine | None:
    """Trim from the newest round in which the channel was read and its trim then is known."""
    for round_id in rounds:
        level = levels.solve(job, round_id, analyses).channels.get(channel.id)
        if level is None or (round_id == AS_LEFT and len(rounds) > 1 and not level.old_trim_known):
            continue
        old = level.old_trim_db if level.old_trim_known else None
        new, why = level.trim_db, f"repair: {waiting}" if waiting is not None else ""
        if waiting is None and level.why_no_trim is not None:
            new, why = None, level.why_no_trim if level.in_doubt else NO_LONGER_FOUND
        elif waiting is not None:
            new = None
        elif round_id == AS_LEFT and level.match.verdict is not Verdict.FAIL and not level.before_sum:
            new = old  # already set and not shown to be wrong: no trim follows the scatter of the meter
        return _line(job, channel, "trim", old, new, round_id, why)
    return None


def _delay(
    job: Job, analyses: Analyses, channel: Channel, rounds: Sequence[str], waiting: str | None
) -> SheetLine | None:
    """Delay from the newest round in which the channel was taped or, for a subwoofer, its own latency measured."""
    line = None
    for round_id in rounds:
        found = distances.solve(job, round_id, analyses).channels.get(channel.id)
        if found is None or (round_id == AS_LEFT and len(rounds) > 1 and found.held is None):
            continue
        known = (
            found.arrival_residual_s is not None
            if channel.is_sub
            else bool(job.readings_of(round_id, "distances", channel=channel.id))
        )
        if line is not None and line.old is not None and not known:
            continue  # without readings: the newest noted settings, otherwise as found
        new, why = (None, f"repair: {waiting}") if waiting is not None else (found.setting.setting, "")
        if new is not None and channel.is_sub and (spoilt := _spoiling_mistake(job, round_id, channel.id, analyses)):
            new, why = None, f"measure it again: {spoilt}"
        line = _line(job, channel, "delay", found.held, new, round_id, why)
        if known:
            break
    return line


def _spoiling_mistake(job: Job, round_id: str, channel: str, analyses: Analyses) -> str | None:
    """The measuring mistake because of which a channel has no arrival at the reference seat; None without one."""
    reference = job.system.reference_seat
    if reference is None or analyses.of(round_id, channel, reference.id) is None:
        return None
    left = screen(job, round_id, analyses).usable
    problems = left.problems(round_id, channel, reference.id)
    return problems[-1] if left.of(round_id, channel, reference.id) is None and problems else None


def _polarity(job: Job, analyses: Analyses, channel: Channel, rounds: Sequence[str]) -> SheetLine | None:
    """Polarity from the newest round in which the processor was set to "reversed" and the channel was measured."""
    for round_id in rounds:
        if channel.is_sub or job.setting(round_id, channel.id).polarity != "reversed":
            continue
        heard = _is_reversed(job, round_id, channel, analyses)
        if heard is not None:
            return _line(job, channel, "polarity", "reversed", "normal" if heard else "reversed", round_id)
    return None


def _ticked_setting(job: Job, channel: str) -> Setting:
    """Settings ticked as entered and still valid; a ticked trim implies nothing about the delay."""
    empty = Setting(round=AS_LEFT, channel=channel)
    ticked, held = job.typed_in.get((AS_LEFT, channel), empty), job.setting(AS_LEFT, channel)
    return Setting(
        round=AS_LEFT,
        channel=channel,
        trim_db=ticked.trim_db if ticked.trim_db == held.trim_db else None,
        distance=ticked.distance if ticked.distance == held.distance else None,
        polarity=ticked.polarity if ticked.polarity == held.polarity else None,
        filters=ticked.filters if ticked.filters == held.filters else None,
    )


def _is_reversed(job: Job, round_id: str, channel: Channel, analyses: Analyses) -> bool | None:
    """Whether a channel is reversed relative to others of its model; None if undetermined."""
    state = seat_cells.solve(job, round_id, analyses).polarity[channel.id].state
    return {"alike": False, "reversed": True}.get(state)


def _same(a: float | str | None, b: float | str) -> bool:
    if isinstance(a, str) or isinstance(b, str):
        return a == b
    return a is not None and abs(a - b) < 1e-6


def _line(
    job: Job,
    channel: Channel,
    kind: Kind,
    old: float | str | None,
    new: float | str | None,
    round_id: str,
    why: str = "",
) -> SheetLine:
    trim, delay, typed = job.system.processor.trim_db, job.system.processor.delay, _ticked_setting(job, channel.id)
    now: float | str | None
    if kind == "trim":
        now, unit, decimals = typed.trim_db, "dB", grid_decimals(trim.step, 1)
    elif kind == "delay":
        now, unit, decimals = typed.distance, f"{delay.unit} {delay.word}", grid_decimals(delay.step, 1)
    else:
        now, unit, decimals = typed.polarity, "", 0
    return SheetLine(
        channel=channel.id,
        name=channel.label,
        kind=kind,
        old=old,
        new=round(new, 6) if isinstance(new, float) else new,
        unit=unit,
        decimals=decimals,
        change=new is not None and not _same(old, new),
        ticked=new is not None and _same(now, new),
        round=round_id,
        why=why,
    )
