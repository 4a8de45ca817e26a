"""The settings sheet issued before a round was measured, with its settings."""

from __future__ import annotations

from commission.model import Event, Job, Setting, SheetChannel, SheetIssued, merge_settings


def issued_before(job: Job, round_id: str) -> tuple[Event | None, dict[str, SheetChannel]]:
    """The newest settings sheet issued before the responses of a round, and its channels."""
    if not job.sheets or round_id not in job.rounds:
        return None, {}
    first = min((each.seq for each in job.responses_of(round_id)), default=0)
    earlier = job.rounds[: job.rounds.index(round_id)]
    for event in reversed(job.sheets):
        if event.seq < first and isinstance(event.body, SheetIssued):
            return event, {each.channel: each for each in event.body.channels if each.round in earlier}
    return None, {}


def held_setting(job: Job, round_id: str, channel: str) -> Setting:
    """The processor's setting in a round: as entered; otherwise as in the sheet issued before."""
    entered = job.setting(round_id, channel)
    stored = issued_before(job, round_id)[1].get(channel)
    return entered if stored is None else merge_settings(stored.new, entered)
