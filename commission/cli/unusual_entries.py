"""Reports unusual entries of a job definition: the screens ask about them, the command line prints them."""

from __future__ import annotations

from commission.history import fold
from commission.model import Job, Prompt, ReadingEntered, SettingEntered, SystemDefined
from commission.model.units import clean_text
from commission.steps import step
from commission.steps.shared.unusual import unusual_in, unusual_setting

MOST = 12
"""Most sentences printed; a definition in the wrong unit causes one for every channel."""


def unusual_entries(job: Job) -> list[str]:
    """A sentence for each unusual entry of a log in order, each checked against the entries before it."""
    found: list[str] = []
    before: Job | None = None
    for event in job.log:
        body = event.body
        if isinstance(body, SystemDefined):
            found += unusual_in(body.system)
        elif isinstance(body, SettingEntered) and before is not None:
            found.append(_with_channel(body.setting.channel, unusual_setting(before, body.setting)))
        elif isinstance(body, ReadingEntered) and before is not None:
            found.append(_with_channel(body.channel, _unusual_reading(before, body)))
        before = fold((event,), before)
    sentences = [clean_text(sentence) for sentence in found if sentence]
    more = len(sentences) - MOST
    return sentences if more <= 0 else [*sentences[:MOST], f"There are {more} more such entries."]


def _with_channel(channel: str | None, sentence: str) -> str:
    return f"{channel}: {sentence}" if channel and sentence else sentence


def _unusual_reading(job: Job, body: ReadingEntered) -> str:
    try:
        found = step(body.step)
    except KeyError:
        return ""
    place = (body.channel, body.seat, body.quantity)
    for task in found.plan(job, body.round):
        if isinstance(task, Prompt) and (task.channel, task.seat, task.quantity) == place:
            return found.unusual(job, body.round, task, body.value)
    return ""
