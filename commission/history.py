"""Folding the log into the job: pure, and the only place that knows what an event does."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from commission.model import (
    AS_FOUND,
    AS_LEFT,
    CommissionError,
    Decided,
    EarlierVisit,
    Event,
    Job,
    Judged,
    LimitsChosen,
    LimitsProfile,
    Noted,
    PhotoAttached,
    Reading,
    ReadingEntered,
    ResponseStored,
    RoundOpened,
    Setting,
    SettingEntered,
    Signed,
    StimulusStored,
    StoredResponse,
    System,
    SystemDefined,
    Withdrawn,
)


def fold(events: Iterable[Event], start: Job | None = None) -> Job:
    """The job after `events`; `start` is what earlier events folded to.

    Folding a log in two parts equals folding it whole. Withdrawn events stay in `log` and count for nothing.
    """
    log = (*(start.log if start is not None else ()), *events)
    withdrawn = withdrawn_seqs(log)
    system = System(title="")
    current = AS_FOUND
    rounds: list[str] = [AS_FOUND]
    settings: dict[tuple[str, str], Setting] = {}
    typed_in: dict[tuple[str, str], Setting] = {}
    readings: list[Reading] = []
    responses: list[StoredResponse] = []
    stimuli: dict[str, str] = {}
    notes: list[Event] = []
    photos: list[Event] = []
    earlier: EarlierVisit | None = None
    limits: LimitsProfile | None = None
    decisions: dict[tuple[str, str, str], str] = {}
    judged: list[Event] = []
    signatures: list[Event] = []
    for event in log:
        if event.seq in withdrawn:
            continue
        body = event.body
        match body:
            case SystemDefined():
                system = body.system
            case RoundOpened():
                current = body.round
                rounds.append(body.round)
            case SettingEntered():
                place = (body.setting.round, body.setting.channel)
                settings[place] = merge_settings(settings.get(place), body.setting)
                rounds.append(body.setting.round)
                if body.applied:
                    typed_in[place] = merge_settings(typed_in.get(place), body.setting)
            case ReadingEntered():
                readings.append(Reading(seq=event.seq, at=event.at, body=body))
                rounds.append(body.round)
            case ResponseStored():
                responses.append(
                    StoredResponse(
                        seq=event.seq, at=event.at, body=body, blob_sha256=event.blob_sha256 or body.file_sha256
                    )
                )
                rounds.append(body.round)
            case StimulusStored():
                stimuli[body.file_sha256] = body.file_name
            case Noted():
                notes.append(event)
            case PhotoAttached():
                photos.append(event)
            case EarlierVisit():
                earlier = body
            case LimitsChosen():
                limits = body.profile
            case Decided():
                decisions[(body.round, body.step, body.key)] = body.value
            case Judged():
                judged.append(event)
            case Signed():
                signatures.append(event)
            case _:
                pass
    return Job(
        system=system,
        current_round=current,
        rounds=order_rounds(rounds),
        settings=settings,
        applied=frozenset(typed_in),
        typed_in=typed_in,
        readings=tuple(readings),
        responses=tuple(responses),
        stimuli=stimuli,
        notes=tuple(notes),
        photos=tuple(photos),
        earlier=earlier,
        limits=limits,
        decisions=decisions,
        judged=tuple(judged),
        signatures=tuple(signatures),
        log=log,
    )


def withdrawn_seqs(log: Iterable[Event]) -> frozenset[int]:
    """The events that count no longer. A withdrawal that is itself withdrawn has no effect."""
    withdrawn: set[int] = set()
    for event in reversed(tuple(log)):  # a later withdrawal decides whether an earlier one holds
        if isinstance(event.body, Withdrawn) and event.seq not in withdrawn:
            withdrawn.add(event.body.seq)
    return frozenset(withdrawn)


def may_withdraw(job: Job, seq: int) -> Event:
    """The event of that number if it can be withdrawn; raises CommissionError with the reason when it cannot."""
    event = next((event for event in job.log if event.seq == seq), None)
    if event is None:
        raise CommissionError(f"Event {seq} does not exist; the log ends at {job.log[-1].seq if job.log else 0}.")
    if seq == 1:
        raise CommissionError("The first event opens the log and cannot be withdrawn.")
    if seq in withdrawn_seqs(job.log):
        raise CommissionError(f"Event {seq} is withdrawn already.")
    return event


def merge_settings(old: Setting | None, new: Setting) -> Setting:
    """`new` over `old`: fields that are None keep the older value."""
    if old is None:
        return new
    return replace(
        old,
        trim_db=old.trim_db if new.trim_db is None else new.trim_db,
        distance=old.distance if new.distance is None else new.distance,
        polarity=old.polarity if new.polarity is None else new.polarity,
    )


def order_rounds(rounds: Iterable[str]) -> tuple[str, ...]:
    """Each round once: as found first, as left last, interim rounds between as they came."""
    seen = dict.fromkeys(rounds)
    interim = [name for name in seen if name not in (AS_FOUND, AS_LEFT)]
    return (AS_FOUND, *interim, *((AS_LEFT,) if AS_LEFT in seen else ()))
