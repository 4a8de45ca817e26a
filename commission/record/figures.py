"""Which curves and plans of an outcome are drawn, and how they are taken together."""

from __future__ import annotations

from dataclasses import replace

from commission.model import Curve, Outcome
from commission.record.document import Figure
from commission.record.telling import Telling


def figures(telling: Telling, outcome: Outcome) -> list[Figure]:
    """The curves of an outcome: all seats of a channel in one drawing, everything else by itself.

    Curves that hold two states beside each other are drawn for the reference seat, and for every seat where they are of
    loudspeakers taken together; the curves of each seat stand in the step that measured them.
    """
    from commission.record import plots

    by_channel: dict[str | None, list[Curve]] = {}
    for curve in outcome.curves:
        by_channel.setdefault(curve.channel, []).append(curve)
    out = []
    for channel, curves in by_channel.items():
        seated = [curve for curve in curves if curve.seat is not None and channel is not None]
        out += [plots.curve_figure(curve, telling.told) for curve in curves if curve not in seated]
        if any(series.kind == "other" for curve in seated for series in curve.series):
            reference = telling.job.system.reference_seat
            together = channel is not None and telling.job.system.channel(channel) is None
            chosen = [c for c in seated if together or (reference is not None and c.seat == reference.id)]
            out += [plots.curve_figure(curve, telling.told) for curve in chosen]
        elif len(seated) > 1:
            out.append(plots.curves_by_seat(telling.channel_name(channel or ""), seated, telling.told))
        else:
            out += [plots.curve_figure(curve, telling.told) for curve in seated]
    return [
        replace(figure, id=telling.id("figure", outcome.step, outcome.round, figure.id), wide=False) for figure in out
    ]


def plans(telling: Telling, outcome: Outcome) -> list[Figure]:
    """The plans of the room that the record does not show yet."""
    from commission.record import plots

    out = []
    for plan in outcome.room_plans:
        if plan not in telling.plans_shown and plan.items:
            telling.plans_shown.append(plan)
            figure = plots.plan_figure(plan, telling.job.system.units, telling.told)
            out.append(replace(figure, id=telling.id("figure", outcome.step, outcome.round, figure.id)))
    return out
