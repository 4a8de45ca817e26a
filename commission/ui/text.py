"""Short texts that several screens share."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from commission import model
from commission.model.events import (
    ActionLogged,
    ChecklistChosen,
    Decided,
    EarlierVisit,
    JobCreated,
    LimitsChosen,
    Noted,
    PhotoAttached,
    ReadingEntered,
    ResponseStored,
    RoundOpened,
    SettingEntered,
    Signed,
    StimulusStored,
    SystemDefined,
    Withdrawn,
)
from commission.model.fate import ACTION_WORDS
from commission.model.issued_sheet import SheetIssued
from commission.model.stored_verdicts import StoredVerdicts
from commission.model.units import clean_text, counted
from commission.model.units import round_name as round_name

if TYPE_CHECKING:
    from commission.model import Event, EventBody, Job, Verdict


def attached(job: Job, step: str, round_id: str) -> tuple[list[PhotoAttached], list[Noted]]:
    """Photographs and notes of a step that belong to a round, or to none."""
    photos = [e.body for e in job.photos if isinstance(e.body, PhotoAttached)]
    notes = [e.body for e in job.notes if isinstance(e.body, Noted)]
    return (
        [each for each in photos if each.step == step and each.round in (None, round_id)],
        [each for each in notes if each.step == step and each.round in (None, round_id)],
    )


def attached_count(job: Job, step: str, round_id: str) -> str:
    """A count such as "2 photographs, 1 note"; empty if a step has neither."""
    parts = []
    photos, notes = attached(job, step, round_id)
    for count, one in ((len(photos), "photograph"), (len(notes), "note")):
        if count:
            parts.append(counted(count, one))
    return ", ".join(parts)


def attached_lines(job: Job, step: str, round_id: str) -> list[str]:
    """One line for each note and photograph of a step."""
    photos, notes = attached(job, step, round_id)
    lines = [f"Note: {clean_text(note.text)}" for note in notes]
    for photo in photos:
        caption = f", {clean_text(photo.caption)}" if photo.caption else ""
        lines.append(f"Photograph: {clean_text(photo.file_name)}{caption}")
    return lines


def verdict_count(verdict: Verdict | None, count: int) -> str:
    """Symbol with a word, or with the number of checks that did not pass."""
    if verdict is None:
        return ""
    if verdict in (model.Verdict.FAIL, model.Verdict.UNSURE) and count > 1:
        return f"{verdict.symbol} {count} {verdict.value}"
    return f"{verdict.symbol} {verdict.value}"


class TimeLeft:
    """Progress with an estimate of what remains."""

    def __init__(self, clock: object = time.monotonic) -> None:
        self._clock = clock
        self._began = self._now()

    def _now(self) -> float:
        return float(self._clock())  # type: ignore[operator]

    def line(self, fraction: float, text: str, *, stops: bool = True) -> str:
        """Percent, current work, and seconds left once they can be estimated."""
        passed = self._now() - self._began
        left = f" · {passed * (1 - fraction) / fraction:.0f} s left" if fraction > 0.02 and passed > 1 else ""
        bar = "━" * round(20 * fraction) + "─" * (20 - round(20 * fraction))
        what = f" · {clean_text(text)[:40]}" if text else ""
        return f"{bar} {100 * fraction:3.0f} %{left}{what}{' · Escape stops' if stops else ''}"


def event_words(event: Event, job: Job) -> str:
    """One event in plain words."""
    return clean_text(_entry_words(event.body, job.system.processor.delay.unit) or _course_words(event.body) or "?")


def _entry_words(body: EventBody, unit: str) -> str | None:
    """What was measured, entered or attached."""
    from commission.model.formatting import number, place_text  # imported late: it loads what tables need

    match body:
        case SettingEntered():
            return _setting_words(body, unit)
        case ReadingEntered() as r:
            return (
                f"{round_name(r.round)}: {r.quantity} {place_text(r.channel, r.seat)} {number(r.value, 2)} {r.unit}"
            )
        case ResponseStored() as r:
            of = f"noise, {r.state}," if r.kind == "noise" else f"{r.kind} of {r.channel}"
            return f"{round_name(r.round)}: {of} at {r.seat} from {r.file_name}"
        case StimulusStored(file_name=name):
            return f"stimulus {name}"
        case Noted(step=step, text=note):
            return f"note on {step}: {note}"
        case ActionLogged(title=title, action=action, by=by, note=note):
            return f"{title}: {ACTION_WORDS[action]}" + (f" by {by}" if by else "") + (f", {note}" if note else "")
        case PhotoAttached(step=step, file_name=name, caption=caption):
            return f"photograph on {step}: {name}" + (f", {caption}" if caption else "")
        case _:
            return None


def _course_words(body: EventBody) -> str | None:
    """A decision about the visit itself."""
    match body:
        case JobCreated(title=title, program_version=version):
            return f"job “{title}” opened by version {version}"
        case SystemDefined(note=note):
            return f"site: {note or 'changed'}"
        case RoundOpened(round=name):
            return f"round {round_name(name)} begins"
        case EarlierVisit(title=title, closed_at=at, figures=figures):
            return f"returns to “{title}” of {at[:10]}, {len(figures)} values to compare with"
        case LimitsChosen(profile=profile):
            return f"limits: {profile.title}"
        case ChecklistChosen(checklist=checklist):
            return f"checklist: {checklist.title}"
        case Decided(step=step, key=key, value=value):
            return f"decided on {step}: {key} = {value}"
        case StoredVerdicts(occasion=occasion, program_version=version, kinds=kinds):
            when = "at the signature" if occasion == "signed" else "for the record"
            return f"{sum(len(kind.places) for kind in kinds)} verdicts kept {when}, by version {version}"
        case SheetIssued(channels=channels):
            return f"settings sheet issued, with the prediction for {counted(len(channels), 'channel')}"
        case Signed(role=role, name=name):
            return f"signed as {role}: {name}"
        case Withdrawn(seq=seq, reason=reason):
            return f"withdraws event {seq}" + (f": {reason}" if reason else "")
        case _:
            return None


def _setting_words(entered: SettingEntered, unit: str) -> str:
    """A setting as in "as found: FC current trim −2.0 dB, distance 3.20 m"."""
    from commission.model.formatting import number

    setting = entered.setting
    parts = [f"trim {number(setting.trim_db, 1, signed=True)} dB"] if setting.trim_db is not None else []
    what = "delay" if unit == "ms" else "distance"
    parts += [f"{what} {number(setting.distance, 2)} {unit}"] if setting.distance is not None else []
    parts += [f"polarity {setting.polarity}"] if setting.polarity is not None else []
    if setting.filters is not None:
        parts.append(counted(len(setting.filters), "filter") if setting.filters else "no filters")
    verb = "set to" if entered.applied else "current"
    return f"{round_name(setting.round)}: {setting.channel} {verb} {', '.join(parts)}"
