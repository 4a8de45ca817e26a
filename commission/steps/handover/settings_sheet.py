"""The settings sheet: exactly what to type into the processor, read out while kneeling before the rack."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from commission.dsp.trims import grid_decimals
from commission.model import AS_FOUND, AS_LEFT, Analyses, Channel, Job, Polarity, Setting
from commission.steps import distances, levels
from commission.steps.seats import result as seat_cells

Kind = Literal["trim", "delay", "polarity"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLine:
    """One thing to set. `change` is false where the processor holds the right value already."""

    channel: str
    name: str
    kind: Kind
    old: float | str | None
    new: float | str
    unit: str
    decimals: int
    change: bool
    ticked: bool

    @property
    def setting(self) -> Setting:
        """The line as a setting of the round as left."""
        if self.kind == "trim":
            return Setting(round=AS_LEFT, channel=self.channel, trim_db=float(self.new))
        if self.kind == "delay":
            return Setting(round=AS_LEFT, channel=self.channel, distance=float(self.new))
        polarity: Polarity = "normal" if self.new == "normal" else "reversed"
        return Setting(round=AS_LEFT, channel=self.channel, polarity=polarity)


def measured_round(job: Job) -> str:
    """The round whose readings the sheet follows: the newest before as left with levels, else with responses."""
    before = [each for each in job.rounds if each != AS_LEFT]
    read = [each for each in before if job.readings_of(each, "levels")]
    heard = [each for each in before if job.responses_of(each)]
    return (read or heard or [AS_FOUND])[-1]


def settings_sheet(job: Job, analyses: Analyses, round_id: str | None = None) -> tuple[SheetLine, ...]:
    """Trims and delays for every channel that has what they need; new trim = old trim + correction.

    A polarity stands here only where the processor holds "reversed" and the loudspeaker was heard: then the setting
    either makes up for the wiring, or is the fault. A reversed wire behind a normal setting is mended at the wire. What
    a subwoofer's polarity shall be is judged at the crossover, not here.
    """
    source = round_id or measured_round(job)
    trims = levels.solve(job, source).channels
    delays = distances.solve(job, source, analyses).channels
    trim_range, delay_range = job.system.processor.trim_db, job.system.processor.delay
    title = {"ms": "delay", "m": "distance", "ft": "distance"}[delay_range.unit]
    lines: list[SheetLine] = []
    for channel in job.system.channels:
        now = _typed_in(job, channel.id)
        if (trim := trims.get(channel.id)) is not None:
            old = trim.old_trim_db if trim.old_trim_known else None
            decimals = grid_decimals(trim_range.step, 1)
            lines.append(_line(channel, "trim", old, trim.trim_db, now.trim_db, "dB", decimals))
        if (delay := delays.get(channel.id)) is not None:
            unit, decimals = f"{delay_range.unit} {title}", grid_decimals(delay_range.step, 1)
            lines.append(_line(channel, "delay", delay.held, delay.setting.setting, now.distance, unit, decimals))
        if job.setting(source, channel.id).polarity == "reversed" and not channel.is_sub:
            heard = _heard_reversed(job, source, channel, analyses)
            if heard is not None:
                lines.append(
                    _line(channel, "polarity", "reversed", "normal" if heard else "reversed", now.polarity, "", 0)
                )
    return tuple(lines)


def _typed_in(job: Job, channel: str) -> Setting:
    """What was ticked as typed in and still holds; a trim that is ticked says nothing of the delay."""
    empty = Setting(round=AS_LEFT, channel=channel)
    ticked, held = job.typed_in.get((AS_LEFT, channel), empty), job.setting(AS_LEFT, channel)
    return Setting(
        round=AS_LEFT,
        channel=channel,
        trim_db=ticked.trim_db if ticked.trim_db == held.trim_db else None,
        distance=ticked.distance if ticked.distance == held.distance else None,
        polarity=ticked.polarity if ticked.polarity == held.polarity else None,
    )


def _heard_reversed(job: Job, round_id: str, channel: Channel, analyses: Analyses) -> bool | None:
    """Whether a channel reads reversed; None where the seats do not tell, or do not agree.

    As the seats judge it: clipped recordings do not count, and under a measuring chain that inverts everything the
    majority is what is normal.
    """
    result = seat_cells.solve(job, round_id, analyses)
    sign = result.polarity[channel.id][0]
    return None if sign is None else sign == (1 if result.inverted else -1)


def _same(a: float | str | None, b: float | str) -> bool:
    if isinstance(a, str) or isinstance(b, str):
        return a == b
    return a is not None and abs(a - b) < 1e-6


def _line(
    channel: Channel,
    kind: Kind,
    old: float | str | None,
    new: float | str,
    now: float | str | None,
    unit: str,
    decimals: int,
) -> SheetLine:
    return SheetLine(
        channel=channel.id,
        name=channel.label,
        kind=kind,
        old=old,
        new=new if isinstance(new, str) else round(new, 6),
        unit=unit,
        decimals=decimals,
        change=not _same(old, new),
        ticked=_same(now, new),
    )
