"""The definition of a step: a plan of tasks and the evaluation of their results, both pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from commission.model.job import Job
from commission.model.limits import CheckLimit
from commission.model.outcome import Outcome
from commission.model.signal import Analyses


@dataclass(frozen=True, slots=True, kw_only=True)
class Prompt:
    """One number that the technician reads and types."""

    channel: str | None
    seat: str | None
    quantity: str
    unit: str
    text: str
    """One or two imperative lines: what to do in the room."""
    expected: tuple[float, float] | None = None
    """Outside this the entry asks for confirmation: most likely a typing error."""
    caution: str = ""
    """Shown with the prompt when something can hurt people or equipment."""
    given: tuple[float, str] | None = None
    """What holds without a reading of this round, and in one word where it comes from; a reading replaces it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """One response to be recorded or imported."""

    channel: str
    seat: str
    text: str
    caution: str = ""
    levels_db: tuple[float, ...] = (0.0,)
    """Re the reference level, lowest first; recorded one after the other with the microphone untouched."""

    def is_held(self, job: Job, round_id: str) -> bool:
        """Whether a round holds it already, at the loudest of its levels."""
        return job.has_response(round_id, self.channel, self.seat, louder=self.levels_db[-1] > 0)


Task = Prompt | Capture


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of the visit. A file in `commission.steps` defines one and nothing else need know of it."""

    id: str
    title: str
    question: str
    """The question it answers."""
    help: str
    """How to do it in the room, as Markdown: position, instrument, settings, what to switch off, cautions."""
    evaluate: Callable[[Job, str, Analyses], Outcome]
    """(job, round id, analysed responses) → its results."""
    plan: Callable[[Job, str], tuple[Task, ...]] = lambda job, round_id: ()
    """(job, round id) → what to read or record, in that order; nothing by default."""
    unusual: Callable[[Job, str, Prompt, float], str] = lambda job, round_id, prompt, value: ""
    """(job, round id, prompt, value) → a sentence on what is unusual about a reading, to ask before it is stored."""
    entry: Literal["readings", "responses", "form", "answers", "none"] = "none"
    """What the screen offers: a table of readings, import of responses, a form, questions with answers, or nothing."""
    imports: bool = False
    """Whether recordings are imported beside readings; a step whose entry is responses always imports."""
    trims_in_use: Callable[[Job, str, Analyses], Mapping[str, float | None]] = lambda job, round_id, analyses: {}
    """Channels whose settings in a round are those that this step asked for in an earlier one, with their trims [dB]."""
    mistyped_polarities: Callable[[Job, str, Analyses], frozenset[str]] = lambda job, round_id, analyses: frozenset()
    """Channels whose polarity has not changed since an earlier round as their settings did."""
    limits: tuple[CheckLimit, ...] = ()
    """What its checks are compared with: `commission limits` lists it, and every id that the step can produce is in it."""
