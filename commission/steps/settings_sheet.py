"""The settings sheet: exactly what to type into the processor, read out while kneeling before the rack."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from commission.model import AS_FOUND, AS_LEFT, Analyses, Job, Polarity, Setting
from commission.steps import distances, levels

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
    """The round whose readings the sheet follows: the newest before as left that has any."""
    rounds = [r for r in job.rounds if r != AS_LEFT and (job.readings_of(r, "levels") or job.responses_of(r))]
    return rounds[-1] if rounds else AS_FOUND


def settings_sheet(job: Job, analyses: Analyses, round_id: str | None = None) -> tuple[SheetLine, ...]:
    """Trims and delays for every channel that has what they need; new trim = old trim + correction."""
    source = round_id or measured_round(job)
    trims = levels.solve(job, source).channels
    delays = distances.solve(job, source, analyses).channels
    processor = job.system.processor
    title = {"ms": "delay", "m": "distance", "ft": "distance"}[processor.delay.unit]
    lines: list[SheetLine] = []
    for channel in job.system.channels:
        now = job.setting(AS_LEFT, channel.id) if (AS_LEFT, channel.id) in job.applied else None
        if (trim := trims.get(channel.id)) is not None:
            old = trim.old_trim_db if trim.old_trim_known else None
            ticked = now is not None and _same(now.trim_db, trim.trim_db)
            lines.append(_line(channel.id, channel.label, "trim", old, trim.trim_db, "dB", 1, ticked))
        if (delay := delays.get(channel.id)) is not None:
            ticked = now is not None and _same(now.distance, delay.setting.setting)
            unit = processor.delay.unit
            lines.append(
                _line(
                    channel.id,
                    channel.label,
                    "delay",
                    delay.held,
                    delay.setting.setting,
                    f"{unit} {title}",
                    2,
                    ticked,
                )
            )
    return tuple(lines)


def _same(a: float | None, b: float) -> bool:
    return a is not None and abs(a - b) < 1e-6


def _line(
    channel: str, name: str, kind: Kind, old: float | None, new: float, unit: str, decimals: int, ticked: bool
) -> SheetLine:
    return SheetLine(
        channel=channel,
        name=name,
        kind=kind,
        old=old,
        new=round(new, 6),
        unit=unit,
        decimals=decimals,
        change=not _same(old, new),
        ticked=ticked,
    )
