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
    """One number to be read and typed by the technician."""

    channel: str | None
    seat: str | None
    quantity: str
    unit: str
    text: str
    """One or two imperative lines with the action in the room."""
    expected: tuple[float, float] | None = None
    """The entry asks for confirmation of a value outside this range: most likely a typing error."""
    caution: str = ""
    """A warning shown with the prompt if people or equipment can be harmed."""
    given: tuple[float, str] | None = None
    """(value without a reading in this round, its source in one word); a reading replaces it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """One response to be recorded or imported."""

    channel: str
    seat: str
    text: str
    caution: str = ""
    levels_db: tuple[float, ...] = (0.0,)
    """Levels re the reference level, lowest first; recorded one after the other with the microphone untouched."""

    def is_held(self, job: Job, round_id: str) -> bool:
        """Whether a round already holds it, at the loudest of its levels."""
        return job.has_response(round_id, self.channel, self.seat, louder=self.levels_db[-1] > 0)


Task = Prompt | Capture


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of the visit. It is defined in `commission.steps`, and nothing else needs to know it."""

    id: str
    title: str
    question: str
    """The question it answers."""
    help: str
    """Instructions for the room, as Markdown: position, instrument, settings, what to switch off, cautions."""
    evaluate: Callable[[Job, str, Analyses], Outcome]
    """(job, round id, analysed responses) → its results."""
    plan: Callable[[Job, str], tuple[Task, ...]] = lambda job, round_id: ()
    """(job, round id) → the readings and recordings to make, in order; none by default."""
    unusual: Callable[[Job, str, Prompt, float], str] = lambda job, round_id, prompt, value: ""
    """(job, round id, prompt, value) → a sentence on an unusual reading, shown for confirmation before it is stored."""
    entry: Literal["readings", "responses", "form", "answers", "none"] = "none"
    """The kind of entry on the screen: a table of readings, import of responses, a form, questions with answers, or
    none.
    """
    imports: bool = False
    """Whether recordings are imported in addition to readings; a step whose entry is responses always imports."""
    trims_in_use: Callable[[Job, str, Analyses], Mapping[str, float | None]] = lambda job, round_id, analyses: {}
    """(job, round id, analyses) → trims [dB] of channels whose settings are those this step asked for in an earlier
    round.
    """
    mistyped_polarities: Callable[[Job, str, Analyses], frozenset[str]] = lambda job, round_id, analyses: frozenset()
    """(job, round id, analyses) → channels whose measured polarity did not follow a change of their settings."""
    limits: tuple[CheckLimit, ...] = ()
    """The limits of its checks, for `commission limits`; includes every id that the step can produce."""
