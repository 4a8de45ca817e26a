"""Selects the curves and plans of an outcome to be drawn, and combines them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from commission.model import Curve, Outcome
from commission.record.content.context import Context, sentence
from commission.record.document import Figure, Paragraph

if TYPE_CHECKING:
    from commission.record.drawing.plots import Axis

SHARED_FROM = 3
"""If this many drawings share a caption, it is printed once before them."""


def figures(context: Context, outcome: Outcome) -> list[Figure | Paragraph]:
    """The curves of an outcome: all seats of a channel in one drawing, any other curve by itself.

    Curves that compare two states are drawn for the reference seat only, or for every seat if they are of several
    loudspeakers together; the curves of each seat are in the step that measured them.
    """
    from commission.record.drawing import plots, tradeoff

    axes = _axes(context, outcome)
    by_channel: dict[str | None, list[Curve]] = {}
    for curve in outcome.curves:
        by_channel.setdefault(curve.channel, []).append(curve)
    out = []
    for channel, curves in by_channel.items():
        seated = [curve for curve in curves if curve.seat is not None and channel is not None]
        chosen = [curve for curve in curves if curve not in seated]
        if any(series.kind == "other" for curve in seated for series in curve.series):
            reference = context.job.system.reference_seat
            together = channel is not None and context.job.system.channel(channel) is None
            chosen += [c for c in seated if together or (reference is not None and c.seat == reference.id)]
            seated = []
        elif len(seated) == 1:
            chosen, seated = chosen + seated, []
        out += [plots.curve_figure(curve, axes[_kind(curve)]) for curve in chosen]
        if seated:
            name = context.channel_name(channel or "")
            out.append(plots.curves_by_seat(name, seated, axes[_kind(seated[0])]))
    out += [tradeoff.tradeoff_figure(curve) for curve in outcome.tradeoff_curves]
    return _with_captions(
        [replace(each, id=context.id("figure", outcome.step, outcome.round, each.id), wide=False) for each in out]
    )


def _kind(curve: Curve) -> tuple[str, str]:
    """The kind of a curve, (name, unit) of its y axis: curves of one kind share an axis."""
    return curve.y_name, curve.y_unit


def _axes(context: Context, outcome: Outcome) -> dict[tuple[str, str], Axis]:
    """One axis for each kind of curve of a step, the same in all rounds, so that drawings can be compared by eye."""
    from commission.record.drawing import plots

    kinds: dict[tuple[str, str], list[Curve]] = {_kind(curve): [] for curve in outcome.curves}
    for round_id in context.job.rounds if outcome.curves else ():
        for curve in context.outcome(outcome.step, round_id).curves:
            kinds.setdefault(_kind(curve), []).append(curve)
    for curve in outcome.curves:
        kinds[_kind(curve)].append(curve)
    return {kind: plots.y_axis(s for curve in curves for s in curve.series) for kind, curves in kinds.items()}


def _with_captions(figures: Sequence[Figure]) -> list[Figure | Paragraph]:
    """The drawings; a caption common to all appears once, before the first."""
    shared = {each.caption for each in figures}
    if len(figures) < SHARED_FROM or len(shared) > 1 or not (caption := next(iter(shared))):
        return list(figures)
    return [Paragraph(text=sentence(caption), kind="note"), *(replace(each, caption="") for each in figures)]


def plans(context: Context, outcome: Outcome) -> list[Figure]:
    """The plans of the room that the record does not show yet."""
    from commission.record.drawing import plots

    out = []
    for plan in outcome.room_plans:
        if plan not in context.plans_shown and plan.items:
            context.plans_shown.append(plan)
            figure = plots.plan_figure(plan, context.job.system.units)
            out.append(replace(figure, id=context.id("figure", outcome.step, outcome.round, figure.id)))
    return out
