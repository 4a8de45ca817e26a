"""Folds the log into the job: pure, and the only place that knows the effect of each event."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from commission.model import (
    AS_FOUND,
    AS_LEFT,
    Action,
    ActionLogged,
    ChecklistChosen,
    CommissionError,
    Decided,
    EarlierVisit,
    Event,
    EventBody,
    Job,
    LimitsChosen,
    Noted,
    PhotoAttached,
    Reading,
    ReadingEntered,
    ResponseStored,
    RoundOpened,
    SettingEntered,
    SheetIssued,
    Signed,
    StimulusStored,
    StoredResponse,
    StoredVerdicts,
    System,
    SystemDefined,
    UnusedEntry,
    Withdrawn,
    merge_settings,
)
from commission.model.plausible import counts

DOUBTFUL_BACK = timedelta(days=1)
"""Steps of the clock back by no more than this are not mentioned."""
DOUBTFUL_GAP = timedelta(days=3650)
"""Longer gaps between two events are mentioned: a job may be opened again after years, not after decades."""


def fold(events: Iterable[Event], start: Job | None = None) -> Job:
    """The job after `events`, applied to the job `start` of the earlier ones.

    Folding a log in two parts gives the same job as folding it at once. Withdrawn events stay in `log` without
    effect. If `events` contain no withdrawal, only they are folded.
    """
    new = tuple(events)
    log = (*(start.log if start is not None else ()), *new)
    whole = start is None or any(isinstance(event.body, Withdrawn) for event in new)
    withdrawn = withdrawn_seqs(log) if whole else frozenset()
    so_far = _PartialJob(None if whole else start)
    for event in log if whole else new:
        if event.seq not in withdrawn:
            so_far.take(event)
    return so_far.job(log)


class _PartialJob:
    """The job while its events are applied one by one."""

    def __init__(self, job: Job | None = None) -> None:
        job = Job(system=System(title="")) if job is None else job
        self.system = job.system
        self.current = job.current_round
        self.rounds = list(job.rounds)
        self.settings = dict(job.settings)
        self.typed_in = dict(job.typed_in)
        self.readings = list(job.readings)
        self.responses = list(job.responses)
        self.noises = list(job.noises)
        self.driven = list(job.driven)
        self.stimuli = dict(job.stimuli)
        self.actions = list(job.actions)
        self.left_out = list(job.left_out)
        self.earlier = job.earlier
        self.limits = job.limits
        self.checklist = job.checklist
        self.decisions = dict(job.decisions)
        self.kept: dict[type, list[Event]] = {
            Noted: list(job.notes),
            PhotoAttached: list(job.photos),
            SheetIssued: list(job.sheets),
            StoredVerdicts: list(job.stored_verdicts),
            Signed: list(job.signatures),
        }
        """Events that the job lists unchanged, by kind."""

    def take(self, event: Event) -> None:
        """Apply one event."""
        if (why := counts(event.body)) is not None:
            self.left_out.append(UnusedEntry(seq=event.seq, round=_round_of(event.body), why=why))
            return
        match event.body:
            case SystemDefined() as body:
                self.system = body.system
            case RoundOpened() as body:
                self.current = body.round
                self.rounds.append(body.round)
            case SettingEntered() as body:
                self._set(body)
            case ReadingEntered() | ResponseStored() | StimulusStored():
                self._measure(event)
            case ActionLogged() as body:
                self.actions.append(Action(seq=event.seq, at=event.at, body=body))
            case EarlierVisit() | LimitsChosen() | ChecklistChosen() | Decided() as body:
                self._choose(body)
            case Noted() | PhotoAttached() | SheetIssued() | StoredVerdicts() | Signed() as body:
                self.kept[type(body)].append(event)
            case _:
                pass

    def _measure(self, event: Event) -> None:
        """Apply a reading, a recording, or a stimulus."""
        match event.body:
            case ReadingEntered() as body:
                self.readings.append(Reading(seq=event.seq, at=event.at, body=body))
                self.rounds.append(body.round)
            case ResponseStored() as body:
                blob = event.blob_sha256 or body.file_sha256
                kept = self.noises if body.kind == "noise" else self.driven if body.drive_db else self.responses
                kept.append(StoredResponse(seq=event.seq, at=event.at, body=body, blob_sha256=blob))
                self.rounds.append(body.round)
            case StimulusStored() as body:
                self.stimuli[body.file_sha256] = body.file_name

    def _choose(self, body: EarlierVisit | LimitsChosen | ChecklistChosen | Decided) -> None:
        """Apply a choice of the technician; the newest one counts."""
        match body:
            case EarlierVisit():
                self.earlier = body
            case LimitsChosen():
                self.limits = body.profile
            case ChecklistChosen():
                self.checklist = body.checklist
            case Decided():
                self.decisions[(body.round, body.step, body.key)] = body.value

    def _set(self, body: SettingEntered) -> None:
        place = (body.setting.round, body.setting.channel)
        self.settings[place] = merge_settings(self.settings.get(place), body.setting)
        self.rounds.append(body.setting.round)
        if body.applied:
            self.typed_in[place] = merge_settings(self.typed_in.get(place), body.setting)

    def job(self, log: tuple[Event, ...]) -> Job:
        """The job after all events so far."""
        return Job(
            system=self.system,
            current_round=self.current,
            rounds=order_rounds(self.rounds),
            settings=self.settings,
            applied=frozenset(self.typed_in),
            typed_in=self.typed_in,
            readings=tuple(self.readings),
            responses=tuple(self.responses),
            noises=tuple(self.noises),
            driven=tuple(self.driven),
            stimuli=self.stimuli,
            notes=tuple(self.kept[Noted]),
            actions=tuple(self.actions),
            left_out=tuple(self.left_out),
            photos=tuple(self.kept[PhotoAttached]),
            earlier=self.earlier,
            limits=self.limits,
            checklist=self.checklist,
            decisions=self.decisions,
            sheets=tuple(self.kept[SheetIssued]),
            stored_verdicts=tuple(self.kept[StoredVerdicts]),
            signatures=tuple(self.kept[Signed]),
            log=log,
        )


def _round_of(body: EventBody) -> str:
    return body.setting.round if isinstance(body, SettingEntered) else str(getattr(body, "round", AS_FOUND))


def withdrawn_seqs(log: Iterable[Event]) -> frozenset[int]:
    """Numbers of the withdrawn events. A withdrawal has no effect if it is itself withdrawn or names a later event."""
    withdrawn: set[int] = set()
    for event in reversed(tuple(log)):  # a later withdrawal decides whether an earlier one is valid
        if isinstance(event.body, Withdrawn) and event.seq not in withdrawn and event.body.seq < event.seq:
            withdrawn.add(event.body.seq)
    return frozenset(withdrawn)


def doubtful_times(log: Iterable[Event], now: datetime) -> tuple[str, ...]:
    """Sentences on implausible times: far before or after the previous event, or in the future.

    A corrected clock looks like a log that was put together later, so these are only doubts.
    """
    out: list[str] = []
    before: datetime | None = None
    for event in log:
        at = datetime.fromisoformat(event.at)
        if before is not None and at < before - DOUBTFUL_BACK:
            out.append(
                f"event {event.seq} is dated {event.at[:10]}, before event {event.seq - 1} ({before:%Y-%m-%d})"
            )
        elif before is not None and at > before + DOUBTFUL_GAP:
            years = (at - before).days // 365
            out.append(f"event {event.seq} is dated {event.at[:10]}, {years} years after event {event.seq - 1}")
        elif at > now + DOUBTFUL_BACK and (before is None or before <= now + DOUBTFUL_BACK):
            out.append(f"event {event.seq} is dated {event.at[:10]}, later than today")
        before = at
    return tuple(out)


def may_withdraw(job: Job, seq: int) -> Event:
    """The event of that number; raises CommissionError with the reason if it cannot be withdrawn."""
    event = next((event for event in job.log if event.seq == seq), None)
    if event is None:
        raise CommissionError(f"Event {seq} does not exist; the log ends at {job.log[-1].seq if job.log else 0}.")
    if seq == 1:
        raise CommissionError("The first event opens the log and cannot be withdrawn.")
    if seq in withdrawn_seqs(job.log):
        raise CommissionError(f"Event {seq} is withdrawn already.")
    return event


def order_rounds(rounds: Iterable[str]) -> tuple[str, ...]:
    """Each round once: as found first, as left last, interim rounds between as they came."""
    seen = dict.fromkeys(rounds)
    interim = [name for name in seen if name not in (AS_FOUND, AS_LEFT)]
    return (AS_FOUND, *interim, *((AS_LEFT,) if AS_LEFT in seen else ()))
