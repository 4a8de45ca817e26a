"""The figures of a visit that a later visit compares with: settings, levels, responses, arrivals, tapes.

Each has the uncertainty that it does not share with the same figure of another visit: the loudspeaker's own part, which
is the same at both, is left out. Levels and responses are kept by seat, so that only seats of both visits are compared.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from commission.dsp import timing
from commission.dsp import uncertainty as u_of
from commission.model import (
    AS_FOUND,
    FULL_SCALE,
    Analyses,
    EarlierFigure,
    EarlierVisit,
    Job,
    SheetIssued,
    StoredVerdicts,
)
from commission.steps.handover import not_typed_in
from commission.steps.levels import result as level_results
from commission.steps.seats import result as seat_cells
from commission.steps.shared import seat_variance
from commission.steps.shared.arrivals import reference_arrival
from commission.steps.shared.screening import common_reference, usable

LEVEL, RESPONSE, ARRIVAL, TAPE, HEARD, SPREAD, TRIM, HELD, POLARITY = (
    "level_db",
    "response_level_db",
    "arrival_ms",
    "tape_m",
    "heard_polarity",
    "spread_db",
    "trim_db",
    "held_distance",
    "held_polarity",
)
SETTINGS = (TRIM, HELD, POLARITY)
KINDS = (LEVEL, RESPONSE, ARRIVAL, TAPE, HEARD, SPREAD, *SETTINGS)
"""Kinds of figures that are compared; other kinds, stored by another version of the program, are ignored."""


def kind(quantity: str) -> str:
    """The quantity without its band."""
    return quantity.split(" ")[0]


def figures_of(job: Job, round_id: str, analyses: Analyses) -> tuple[EarlierFigure, ...]:
    """The figures of a round for comparison at a later visit."""
    screened = usable(job, analyses, round_id)
    return (
        *_settings(job, round_id),
        *_levels(job, round_id),
        *_tapes(job, round_id),
        *_responses(job, round_id, analyses),
        *_arrivals(job, round_id, screened),
        *_spreads(job, round_id, analyses),
    )


def earlier_visit(job: Job, analyses: Analyses, *, file_name: str, program_version: str) -> EarlierVisit:
    """The part of this job that a return visit keeps: its last round, with the digest that proves it."""
    round_id = last_round(job)
    meter = job.system.instrument("meter")
    # Verdicts and sheets are stored whenever a record or a sheet is written, which may be years after the visit.
    at = [event.at for event in job.log if not isinstance(event.body, StoredVerdicts | SheetIssued)]
    return EarlierVisit(
        file_name=file_name,
        title=job.system.title,
        digest=job.digest,
        round=round_id,
        closed_at=at[-1] if at else "",
        program_version=program_version,
        meter=f"{meter.model} {meter.serial}".strip() if meter is not None else "",
        not_typed_in=not_typed_in(job),
        figures=figures_of(job, round_id, analyses),
    )


def rounds_with_data(job: Job) -> tuple[str, ...]:
    """The rounds with data, in the order of the visit."""
    held = {r.body.round for r in job.readings} | {r.body.round for r in job.responses} | {r for r, _ in job.settings}
    return tuple(r for r in job.rounds if r in held)


def last_round(job: Job) -> str:
    """As left if anything was measured or noted in it, otherwise the last round with data."""
    held = rounds_with_data(job)
    return held[-1] if held else AS_FOUND


def _settings(job: Job, round_id: str) -> Iterator[EarlierFigure]:
    for channel in job.system.channels:
        held = job.setting_until(round_id, channel.id)
        sign = {"normal": 1.0, "reversed": -1.0}.get(held.polarity or "")
        for quantity, value in ((TRIM, held.trim_db), (HELD, held.distance), (POLARITY, sign)):
            if value is not None:
                yield EarlierFigure(quantity=quantity, channel=channel.id, value=value)


def _levels(job: Job, round_id: str) -> Iterator[EarlierFigure]:
    for (channel, seat), (level_db, budget) in level_results.by_seat(job, round_id).items():
        dof = budget.dof if math.isfinite(budget.dof) else None
        yield EarlierFigure(quantity=LEVEL, channel=channel, seat=seat, value=level_db, uncertainty=budget.u, dof=dof)


def _tapes(job: Job, round_id: str) -> Iterator[EarlierFigure]:
    """Only distances taped in this round: one taken over from an earlier round adds nothing new."""
    seat = level_results.reference_id(job)
    for channel in job.system.channels:
        read = [r.body for r in job.readings_of(round_id, "distances", channel=channel.id)]
        if values := [r.value for r in read if r.quantity == "distance" and r.seat in (None, seat)]:
            yield EarlierFigure(
                quantity=TAPE, channel=channel.id, seat=seat, value=values[-1], uncertainty=u_of.TAPE_U_M
            )


def _responses(job: Job, round_id: str, analyses: Analyses) -> Iterator[EarlierFigure]:
    found = seat_cells.solve(job, round_id, analyses)
    kept = usable(job, analyses, round_id)
    at_full_scale = common_reference(job, round_id, kept) == FULL_SCALE  # a figure does not include its reference
    for (channel, seat), cell in found.cells.items():
        if cell.level_db is not None and at_full_scale:
            yield EarlierFigure(
                quantity=RESPONSE,
                channel=channel,
                seat=seat,
                value=cell.level_db,
                uncertainty=seat_cells.LEVEL_U_DB,
                passes_delays=analyses.repeats(round_id, channel, seat)[-1].passes_delays,
            )
    for name, (sign, _, _) in found.own_signs.items():
        if sign is not None:
            own = [item for s in job.system.seats for item in analyses.repeats(round_id, name, s.id)[-1:]]
            passes = all(item.passes_delays for item in own)
            yield EarlierFigure(quantity=HEARD, channel=name, value=float(sign), passes_delays=passes)


def _arrivals(job: Job, round_id: str, analyses: Analyses) -> Iterator[EarlierFigure]:
    """Arrivals at the reference seat. Type of crossover and acoustic centre are properties of the loudspeaker, equal at
    both visits.
    """
    seat = level_results.reference_id(job)
    for channel in job.system.channels:
        heard = reference_arrival(job, round_id, channel, analyses)
        if heard.arrival_s is None:
            continue
        own_s2 = timing.CROSSOVER_U_S**2 + timing.CENTRE_U_S**2
        whole = channel.is_sub or heard.u_s < timing.U_MAIN_S * (1 - 1e-9)
        u_s = heard.u_s if whole else math.sqrt(max(heard.u_s**2 - own_s2, 0.0))
        yield EarlierFigure(
            quantity=ARRIVAL,
            channel=channel.id,
            seat=seat,
            value=1000 * heard.arrival_s,
            uncertainty=1000 * u_s,
            passes_delays=heard.passes_delays,
        )


def _without_repeats(analyses: Analyses) -> Analyses:
    """The newest usable response of each place; the same object if nothing was repeated, so that its results
    stay cached.
    """
    newest = {(item.round, item.channel, item.seat): item.seq for item in analyses if item.analysis is not None}
    kept = [i for i in analyses if i.analysis is None or newest[(i.round, i.channel, i.seat)] == i.seq]
    return analyses if len(kept) == len(analyses) else Analyses(kept, analyses.noises)


def _spreads(job: Job, round_id: str, analyses: Analyses) -> Iterator[EarlierFigure]:
    """Spreads over seats with a microphone put back within 5 cm, however well one visit repeats: on another day it is
    elsewhere.
    """
    once = _without_repeats(analyses)
    as_placed = seat_variance.variance_of_round(job, round_id, once)
    for name, kinds in seat_variance.variance_of_round(job, round_id, analyses).items():
        for label, band in kinds[seat_variance.HEARD].items():
            default = as_placed.get(name, {}).get(seat_variance.HEARD, {}).get(label)
            yield EarlierFigure(
                quantity=f"{SPREAD} {label}",
                channel=name,
                value=band.sd_db,
                uncertainty=max(band.u_sd_db, 0.0 if default is None else default.u_sd_db),
                over=tuple(band.deviations_db),
                heard_hz=band.heard_hz,
            )
