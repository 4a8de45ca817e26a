"""Small words that several screens share."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from commission import model
from commission.model.events import (
    ActionLogged,
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
from commission.model.followed import ACTION_WORDS
from commission.model.judged import Judged
from commission.model.units import clean_text, counted
from commission.model.units import round_name as round_name

if TYPE_CHECKING:
    from commission.model import Event, Job, Verdict


def attached(job: Job, step: str, round_id: str) -> tuple[list[PhotoAttached], list[Noted]]:
    """Photographs and notes of a step that belong to a round, or to none."""
    photos = [e.body for e in job.photos if isinstance(e.body, PhotoAttached)]
    notes = [e.body for e in job.notes if isinstance(e.body, Noted)]
    return (
        [each for each in photos if each.step == step and each.round in (None, round_id)],
        [each for each in notes if each.step == step and each.round in (None, round_id)],
    )


def attached_count(job: Job, step: str, round_id: str) -> str:
    """Such as "2 photographs, 1 note"; empty where a step has neither."""
    parts = []
    photos, notes = attached(job, step, round_id)
    for count, one in ((len(photos), "photograph"), (len(notes), "note")):
        if count:
            parts.append(counted(count, one))
    return ", ".join(parts)


def attached_lines(job: Job, step: str, round_id: str) -> list[str]:
    """Each note and photograph of a step in a line of its own."""
    photos, notes = attached(job, step, round_id)
    lines = [f"Note: {clean_text(note.text)}" for note in notes]
    for photo in photos:
        caption = f", {clean_text(photo.caption)}" if photo.caption else ""
        lines.append(f"Photograph: {clean_text(photo.file_name)}{caption}")
    return lines


def verdict_count(verdict: Verdict | None, count: int) -> str:
    """Symbol with a word, or with how many did not pass."""
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
        """Percent, what is being done, and seconds left once they can be told."""
        passed = self._now() - self._began
        left = f" · {passed * (1 - fraction) / fraction:.0f} s left" if fraction > 0.02 and passed > 1 else ""
        bar = "━" * round(20 * fraction) + "─" * (20 - round(20 * fraction))
        what = f" · {clean_text(text)[:40]}" if text else ""
        return f"{bar} {100 * fraction:3.0f} %{left}{what}{' · Escape stops' if stops else ''}"


def event_words(event: Event, job: Job) -> str:
    """One event in plain words."""
    from commission.model.show import number, place_text  # late: it loads what tables are made of

    match event.body:
        case JobCreated(title=title, program_version=version):
            text = f"job “{title}” opened by version {version}"
        case SystemDefined(note=note):
            text = f"site: {note or 'changed'}"
        case RoundOpened(round=name):
            text = f"round {round_name(name)} begins"
        case SettingEntered(setting=s, applied=applied):
            parts = [f"trim {number(s.trim_db, 1, signed=True)} dB"] if s.trim_db is not None else []
            unit = job.system.processor.delay.unit
            what = "delay" if unit == "ms" else "distance"
            parts += [f"{what} {number(s.distance, 2)} {unit}"] if s.distance is not None else []
            parts += [f"polarity {s.polarity}"] if s.polarity is not None else []
            text = f"{round_name(s.round)}: {s.channel} {'set to' if applied else 'holds'} {', '.join(parts)}"
        case ReadingEntered() as r:
            place = place_text(r.channel, r.seat)
            text = f"{round_name(r.round)}: {r.quantity} {place} {number(r.value, 2)} {r.unit}"
        case ResponseStored() as r:
            text = f"{round_name(r.round)}: {r.kind} of {r.channel} at {r.seat} from {r.file_name}"
        case StimulusStored(file_name=name):
            text = f"stimulus {name}"
        case Noted(step=step, text=said):
            text = f"note on {step}: {said}"
        case ActionLogged(title=title, action=action, by=by, note=note):
            text = f"{title}: {ACTION_WORDS[action]}" + (f" by {by}" if by else "") + (f", {note}" if note else "")
        case PhotoAttached(step=step, file_name=name, caption=caption):
            text = f"photograph on {step}: {name}" + (f", {caption}" if caption else "")
        case EarlierVisit(title=title, closed_at=at, figures=figures):
            text = f"returns to “{title}” of {at[:10]}, {len(figures)} figures to compare with"
        case LimitsChosen(profile=profile):
            text = f"limits: {profile.title}"
        case Decided(step=step, key=key, value=value):
            text = f"decided on {step}: {key} = {value}"
        case Judged(occasion=occasion, program_version=version, kinds=kinds):
            when = "at the signature" if occasion == "signed" else "for the record"
            text = f"{sum(len(kind.places) for kind in kinds)} verdicts kept {when}, by version {version}"
        case Signed(role=role, name=name):
            text = f"signed as {role}: {name}"
        case Withdrawn(seq=seq, reason=reason):
            text = f"withdraws event {seq}" + (f": {reason}" if reason else "")
        case _:
            text = "?"
    return clean_text(text)
