"""Runs the captures of one step on one source, with progress and cancel; each recording is stored at once."""

from __future__ import annotations

from dataclasses import dataclass

from commission.model import Cancelled, CancelToken, Capture, CommissionError, Event, Progress, Source, Step
from commission.visit import Visit


@dataclass(frozen=True, slots=True)
class Run:
    """The result of a run: the events stored, and the captures left out with the reason."""

    stored: tuple[Event, ...]
    left_out: tuple[tuple[Capture, str], ...]


def run_captures(
    visit: Visit,
    step: Step,
    source: Source,
    round_id: str,
    cancel: CancelToken,
    progress: Progress,
    *,
    seat: str | None = None,
    only_missing: bool = True,
) -> Run:
    """Run the captures of a step, at one seat or at all; `only_missing` skips those that the round has.

    Raises Cancelled between or within captures; what was stored stays stored. A capture that fails is named and the
    rest goes on, unless the first one fails: then most likely all would.
    """
    captures = [
        task
        for task in step.plan(visit.job, round_id)
        if isinstance(task, Capture)
        and (seat is None or task.seat == seat)
        and not (only_missing and task.is_held(visit.job, round_id))
    ]
    stored: list[Event] = []
    left_out: list[tuple[Capture, str]] = []
    for index, capture in enumerate(captures):
        if cancel.is_set():
            raise Cancelled

        def part(fraction: float, text: str, index: int = index, capture: Capture = capture) -> None:
            progress((index + fraction) / len(captures), f"{capture.channel} at {capture.seat} {text}".strip())

        if (why := source.why_not(capture)) is not None:
            left_out.append((capture, why))
            continue
        try:
            bodies, blobs = source.measure(capture, round_id, cancel, part)
        except CommissionError as error:
            if not stored:
                raise
            left_out.append((capture, str(error)))
            continue
        stored.extend(visit.append(*bodies, blobs=blobs))
    progress(1.0, "")
    return Run(tuple(stored), tuple(left_out))
