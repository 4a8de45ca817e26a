"""Hand over: what was found, what was changed, what remains, who signs.

A summary of the log: settings as found and as left, entered settings, measurements not repeated, signatures. Findings are
not part of it: they depend on all steps.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from commission.dsp.trims import grid_decimals
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    Advice,
    Analyses,
    Column,
    Filter,
    Job,
    Noted,
    Outcome,
    SheetIssued,
    Signed,
    Step,
    StoredVerdicts,
    Table,
    table_of,
)
from commission.model.units import counted

HELP = """
Sit down with the homeowner; play something they know, at a level they choose.

- Show what was wrong, what you changed, what remains and what it would take.
- Hand over the settings sheet: it restores everything if the processor is ever reset.
- Sign, and let them sign. The record names the log's digest, so that anybody can check it later.

**Say it plainly:** 85 dB(A) for eight hours is a full day's dose, and every 3 dB more halves the time (NIOSH 98-126).
Mains wiring and heavy loads overhead are for licensed trades; local codes decide.
"""

ROLES = ("technician", "client")
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
    filters_found: tuple[Filter, ...] | None = None
    filters_left: tuple[Filter, ...] | None = None
    applied: bool = False
    """Ticked on the settings sheet: entered in the processor during the visit."""

    @property
    def noted(self) -> bool:
        """Whether any setting is noted as left."""
        left = (self.trim_left_db, self.distance_left, self.polarity_left, self.filters_left)
        return any(value is not None for value in left)

    @property
    def changed(self) -> bool:
        """Whether a setting noted in both rounds differs."""
        pairs = (
            (self.trim_found_db, self.trim_left_db),
            (self.distance_found, self.distance_left),
            (self.polarity_found, self.polarity_left),
            (self.filters_found, self.filters_left),
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
                filters_found=found.filters,
                filters_left=left.filters,
                applied=(AS_LEFT, channel.id) in job.applied,
            )
        )
    return tuple(out)


def signatures(job: Job) -> dict[str, tuple[str, str]]:
    """Role → (name, time) of the newest signature of each role."""
    return {e.body.role: (e.body.name, e.at) for e in job.signatures if isinstance(e.body, Signed)}


def missing_repeats(job: Job, later: str = AS_LEFT) -> tuple[tuple[str, ...], int, int, tuple[str, ...]]:
    """Parts of as found that a later round lacks: channels whose level was not read again, number of responses not
    measured again, number of responses, and their channels. Channels in their order; all empty without that round.
    """
    if later not in job.rounds:
        return (), 0, 0, ()

    def places(round_id: str) -> tuple[set[str], set[tuple[str, str]]]:
        read = {r.body.channel for r in job.readings_of(round_id, "levels") if r.body.channel is not None}
        return read, {(r.body.channel, r.body.seat) for r in job.responses_of(round_id)}

    (read, heard), (read_again, heard_again) = places(AS_FOUND), places(later)
    order = [channel.id for channel in job.system.channels]

    def in_order(ids: set[str]) -> tuple[str, ...]:
        return (*(each for each in order if each in ids), *sorted(ids - set(order)))

    lost = heard - heard_again
    return in_order(read - read_again), len(lost), len(heard), in_order({channel for channel, _ in lost})


def not_measured_again(job: Job) -> tuple[str, ...]:
    """Sentences on what was not measured again; empty while there is no as-left round."""
    unread, lost, heard, channels = missing_repeats(job)
    out = []
    if unread:
        out.append(f"Levels were not read again as left: {', '.join(unread)}.")
    if lost:
        out.append(f"{lost} of {heard} responses were not measured again as left: {', '.join(channels)}.")
    return tuple(out)


def not_typed_in(job: Job) -> tuple[str, ...]:
    """Channels whose setting as left differs from as found and is not ticked as applied."""
    return tuple(c.channel for c in setting_changes(job) if c.changed and not c.applied)


def events_since_signature(job: Job, role: str) -> int:
    """Events logged after the newest signature of a role, which it does not cover. Other signatures, stored verdicts and
    issued sheets do not count.
    """
    signed = [e.seq for e in job.signatures if isinstance(e.body, Signed) and e.body.role == role]
    if not signed:
        return 0
    return sum(e.seq > max(signed) and not isinstance(e.body, Signed | StoredVerdicts | SheetIssued) for e in job.log)


def _decimals(values: Iterable[float | None], least: int) -> int:
    """Decimals that show all of a column as noted: two different values must not look the same."""
    return max((grid_decimals(abs(value), least) for value in values if value is not None), default=least)


def _untyped_sentence(job: Job) -> tuple[str, ...]:
    untyped = not_typed_in(job)
    if not untyped:
        return ()
    if not any(c.applied for c in setting_changes(job)):
        return ("The settings as left are entered, but none is ticked as applied.",)
    return (f"Entered as left but not ticked as applied: {', '.join(untyped)}.",)


def _signature_sentences(job: Job) -> tuple[str, ...]:
    signed = signatures(job)
    out = []
    for role in ROLES:
        if role not in signed:
            out.append(f"Not signed by the {role}.")
            continue
        later = events_since_signature(job, role)
        after = f" {later} event{'s were' if later > 1 else ' was'} logged after that: sign again." if later else ""
        out.append(f"Signed as {role}: {signed[role][0]}, {signed[role][1]}.{after}")
    return tuple(out)


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The settings of both rounds, notes, what was not measured again, signatures."""
    changes = setting_changes(job)
    signed = signatures(job)
    left = any(c.noted for c in changes)
    notes = [f"Note ({e.body.step}): {e.body.text}" for e in job.notes if isinstance(e.body, Noted)]
    remarks = [
        *notes,
        *(() if left else ("No settings as left are entered yet.",)),
        *_untyped_sentence(job),
        *not_measured_again(job),
        *_signature_sentences(job),
        *CAUTIONS,
    ]
    changed = sum(c.changed for c in changes)
    return Outcome(
        step="handover",
        round=round_id,
        done=len(signed),
        total=len(ROLES),
        tables=(_table(job, changes),) if changes else (),
        advice=_advice(job, left),
        main_result=f"{counted(changed, 'channel')} changed" if changed else "",
        remarks=tuple(remarks),
    )


def _advice(job: Job, left: bool) -> tuple[Advice, ...]:
    if not left:
        return ()
    signed = signatures(job)
    role = next((role for role in ROLES if role not in signed or events_since_signature(job, role)), None)
    if role is None:
        return ()
    again = " again: events were logged since" if role in signed else ""
    return (Advice(text=f"Sign the record as {role}{again}.", step="handover", priority=90),)


def _table(job: Job, changes: tuple[SettingChange, ...]) -> Table:
    unit, what = job.system.processor.delay.unit, job.system.processor.delay.word.capitalize()
    trims = _decimals((trim for c in changes for trim in (c.trim_found_db, c.trim_left_db)), 1)
    decimals = _decimals((each for c in changes for each in (c.distance_found, c.distance_left)), 2)
    return table_of(
        changes,
        (Column(key="channel", title="Channel"), lambda c: c.channel),
        (
            Column(key="trim_found", title="Trim found", unit="dB", decimals=trims, signed=True),
            lambda c: c.trim_found_db,
        ),
        (
            Column(key="trim_left", title="Trim left", unit="dB", decimals=trims, signed=True),
            lambda c: c.trim_left_db,
        ),
        # The processor's own unit is used, whatever the job's units are.
        (Column(key="distance_found", title=f"{what} found [{unit}]", decimals=decimals), lambda c: c.distance_found),
        (Column(key="distance_left", title=f"{what} left [{unit}]", decimals=decimals), lambda c: c.distance_left),
        (Column(key="polarity_found", title="Polarity found"), lambda c: c.polarity_found),
        (Column(key="polarity_left", title="Polarity left"), lambda c: c.polarity_left),
        (Column(key="applied", title="Applied"), lambda c: "✓ yes" if c.applied else ""),
        id="settings",
        title="Settings as found and as left",
        key=lambda c: c.channel,
    )


STEP = Step(
    id="handover",
    title="Hand over",
    question="What was found, what was changed, what remains, who signs?",
    help=HELP,
    evaluate=evaluate,
)
