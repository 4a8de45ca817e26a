"""All subwoofers together at the seats: evenness, nulls, and level relative to one alone."""

from __future__ import annotations

from dataclasses import replace
from statistics import fmean

import numpy as np

from commission.dsp.across import LEAST_COUNT
from commission.dsp.repeatability import placement_u_db
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import BASS_SCALE_DB, NULL_SCALE_DB, bass_word, null_word
from commission.model import Analyses, Budget, Check, Job
from commission.model.formatting import number
from commission.steps.seats.result import THIRD_OCTAVE, deepest_bass
from commission.steps.shared import budgets as budget_for
from commission.steps.shared.seat_variance import bass_of_round, summed_subs
from commission.steps.shared.sub_sum import MODES, sub_level_db
from commission.steps.shared.subwoofers import SUBS, sub_outputs, sub_spectra

BASS_BELOW_HZ = 80.0


def bass_checks(job: Job, round_id: str, analyses: Analyses) -> tuple[tuple[Check, Budget], ...]:
    """The deepest third octave of all subwoofers together at each seat, with its budget; empty if unknown."""
    summed = summed_subs(job, round_id, analyses)
    if summed is None or len(summed[0]) < LEAST_COUNT:
        return ()
    seats, levels = summed
    counted = [weight > 0 for weight in job.system.seat_weights(seats)]
    out = []
    for (seat,), (depth_db, at_hz) in deepest_bass([(s,) for s in seats], seats, levels, counted).items():
        title = "Bass of all subwoofers together minus the mean of the seats"
        own = budget_for.against_mean(
            THIRD_OCTAVE, "seats.bass", title, sum(counted), counts=counted[seats.index(seat)]
        )
        check = Check(
            id="seats.bass",
            seat=seat,
            value=depth_db,
            unit="dB",
            uncertainty=own.u,
            limit=job.limit("seats.null"),
            text=f"bass of all subwoofers together relative to the mean of the seats, lowest at {at_hz:.0f} Hz",
        )
        out.append((check, replace(own, seat=seat)))
    return tuple(out)


def bass_remarks(
    job: Job, round_id: str, analyses: Analyses, checks: tuple[tuple[Check, Budget], ...]
) -> tuple[str, ...]:
    """The scales of evenness and of nulls, and the level of all subwoofers together at the reference seat.

    `checks`: those of `bass_checks`.
    """
    return (
        *_evenness(job, round_id, analyses),
        *_deepest_null([check for check, _ in checks]),
        *_level(job, round_id, analyses),
    )


def _deepest_null(checks: list[Check]) -> tuple[str, ...]:
    if not checks:
        return ()
    lowest = min(checks, key=lambda each: each.value or 0.0)
    depth_db = -(lowest.value or 0.0)
    scale = ", ".join(f"{word} up to {high:g} dB" for word, high in NULL_SCALE_DB)
    return (
        f"Deepest null of all subwoofers together: {number(depth_db, 1)} ± {2 * lowest.uncertainty:.1f} dB below the mean "
        f"of the seats, at {lowest.seat} ({lowest.text.rpartition(' at ')[2]}): {null_word(depth_db)}. Scale, from "
        f"simulated rooms: {scale}.",
    )


def _evenness(job: Job, round_id: str, analyses: Analyses) -> tuple[str, ...]:
    found = bass_of_round(job, round_id, analyses)
    subs, _ = sub_outputs(job)
    name = SUBS if SUBS in found else subs[0] if len(subs) == 1 and subs[0] in found else None
    low = {} if name is None else {k: r for k, r in found[name].items() if r.heard_hz[1] <= BASS_BELOW_HZ * 1.01}
    if name is None or not low:
        return ()
    label, result = min(low.items(), key=lambda item: item[1].heard_hz[0])
    who = "all subwoofers together" if name == SUBS else name
    scale = ", ".join(f"{word} up to {high:g} dB" for word, high in BASS_SCALE_DB)
    return (
        f"Bass of {who} from seat to seat: {result.sd_db:.1f} ± {2 * result.u_sd_db:.1f} dB (standard deviation, {label} "
        f"Hz): {bass_word(result.sd_db)}. Scale, from simulated rooms: {scale}.",
    )


def _level(job: Job, round_id: str, analyses: Analyses) -> tuple[str, ...]:
    seat = job.system.reference_seat
    found = None if seat is None else sub_spectra(job, round_id, analyses, seat.id)
    if seat is None or found is None:
        return ()
    settle = "read the meter with all subwoofers playing at once"
    if isinstance(found, str):
        return (f"How loud the subwoofers are together at {seat.id} is not determined, because {found}: {settle}.",)
    more_db = sub_level_db(np.sum(list(found.values()), axis=0)) - fmean(map(sub_level_db, found.values()))
    # The position of the microphone, common to all of them: at most that of a single one at each third octave.
    u_db = float(placement_u_db(GRID_HZ[:1])[0])
    more = f"{number(more_db, 1, signed=True)} ± {2 * u_db:.1f} dB"
    mode = job.system.processor.sub_reference_for
    meant = "" if mode is None else f" They are meant to add so: {dict(MODES)[mode]} (Levels)."
    if mode is None:
        meant = (
            " Where the processor's noise plays them one by one, each trimmed alone to its reference, their sum is that "
            "much above it: enter on the Site form how they are meant to add, and Levels asks for trims that do it."
        )
    return (
        f"The {len(found)} subwoofers together are {more} at {seat.id}, relative to the mean of one alone (30–80 Hz)."
        f"{meant}",
    )
