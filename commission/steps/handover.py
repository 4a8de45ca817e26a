"""Hand over: what was found, what was changed, what remains, who signs.

The record in words, from what the log holds: settings as found and as left, steps not done, signatures. Findings with
their evidence join it in the record.
"""

from __future__ import annotations

from dataclasses import dataclass

from commission.model import (
    AS_FOUND,
    AS_LEFT,
    Advice,
    Analyses,
    Column,
    Job,
    Noted,
    Outcome,
    Row,
    Signed,
    Step,
    Table,
    Task,
)

HELP = """
Sit down with the homeowner; play something they know, at a level they choose.

- Show what was wrong, what you changed, what remains and what it would take.
- Hand over the settings sheet: it restores everything if the processor is ever reset.
- Sign, and let them sign. The record names the log's digest, so that anybody can check it later.

**Say it plainly:** 85 dB(A) for eight hours is a full day's dose, and every 3 dB more halves the time (NIOSH 98-126).
What concerns mains wiring and heavy loads overhead is for licensed trades; local codes decide.
"""

CAUTIONS = (
    "Listening: 85 dB(A) for 8 hours is a full daily dose; every 3 dB more halves the time (NIOSH 98-126).",
    "Mains wiring and heavy loudspeakers overhead are for licensed trades; local codes decide.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingChange:
    """One channel's settings as found and as left; None: not noted."""

    channel: str
    trim_found_db: float | None
    trim_left_db: float | None
    distance_found: float | None
    distance_left: float | None
    polarity_found: str | None
    polarity_left: str | None

    @property
    def changed(self) -> bool:
        """Whether something noted in both rounds differs."""
        pairs = (
            (self.trim_found_db, self.trim_left_db),
            (self.distance_found, self.distance_left),
            (self.polarity_found, self.polarity_left),
        )
        return any(a is not None and b is not None and a != b for a, b in pairs)


def setting_changes(job: Job) -> tuple[SettingChange, ...]:
    """Settings of every channel in both rounds."""
    out = []
    for channel in job.system.channels:
        found, left = job.setting(AS_FOUND, channel.id), job.setting(AS_LEFT, channel.id)
        out.append(
            SettingChange(
                channel=channel.id,
                trim_found_db=found.trim_db,
                trim_left_db=left.trim_db,
                distance_found=found.distance,
                distance_left=left.distance,
                polarity_found=found.polarity,
                polarity_left=left.polarity,
            )
        )
    return tuple(out)


def signatures(job: Job) -> dict[str, tuple[str, str]]:
    """Role → (name, time) of the newest signature of each role."""
    return {e.body.role: (e.body.name, e.at) for e in job.signatures if isinstance(e.body, Signed)}


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """Signatures are given on the screen."""
    return ()


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The settings of both rounds, notes, signatures."""
    changes = setting_changes(job)
    signed = signatures(job)
    left = any(c.trim_left_db is not None or c.distance_left is not None for c in changes)
    unit = job.system.processor.delay.unit
    columns = (
        Column(key="channel", title="Channel"),
        Column(key="trim_found", title="Trim found", unit="dB", decimals=1, signed=True),
        Column(key="trim_left", title="left", unit="dB", decimals=1, signed=True),
        Column(key="distance_found", title=f"Distance found [{unit}]", decimals=2),
        Column(key="distance_left", title=f"left [{unit}]", decimals=2),
        Column(key="polarity_found", title="Polarity found"),
        Column(key="polarity_left", title="left"),
    )
    rows = tuple(
        Row(
            key=c.channel,
            cells=(
                c.channel,
                c.trim_found_db,
                c.trim_left_db,
                c.distance_found,
                c.distance_left,
                c.polarity_found,
                c.polarity_left,
            ),
        )
        for c in changes
    )
    notes = [f"Note ({e.body.step}): {e.body.text}" for e in job.notes if isinstance(e.body, Noted)]
    waiting = [role for role in ("technician", "client") if role not in signed]
    remarks = [
        *notes,
        *(f"Signed as {role}: {name}, {at}." for role, (name, at) in signed.items()),
        *(() if left else ("No settings as left are noted yet.",)),
        *CAUTIONS,
    ]
    advice: tuple[Advice, ...] = ()
    if left and waiting:
        advice = (Advice(text=f"Sign the record as {waiting[0]}.", step="handover", priority=90),)
    return Outcome(
        step="handover",
        round=round_id,
        done=len(signed),
        total=2,
        tables=(Table(id="settings", title="Settings as found and as left", columns=columns, rows=rows),)
        if rows
        else (),
        advice=advice,
        stands_out=f"{sum(c.changed for c in changes)} channels changed" if any(c.changed for c in changes) else "",
        remarks=tuple(remarks),
    )


STEP = Step(
    id="handover",
    title="Hand over",
    question="What was found, what was changed, what remains, who signs?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
)
