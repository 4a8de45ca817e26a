"""The gain of the microphone changed between seats: estimated against all seats, and corrected."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from commission.dsp.across import SeatGain, seat_gains
from commission.dsp.geometry import distance_m
from commission.model import Analyses, Analysis, Channel, FloatArray, Job, Seat, freeze
from commission.model.formatting import number
from commission.steps.shared.screening.mistake import Mistake, places

OCTAVES_HZ = (500, 1000, 2000, 4000)
"""Octaves in which a seat is compared with the others: below, rooms differ more; above, the loudspeakers' directivity
does."""


def gain_changed(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """Seats whose gain differs from that of the others; their levels are corrected, with the correction's uncertainty."""
    newest = places(job, round_id, analyses)
    found = _seat_gains(job, {place: item.analysis for place, item in newest.items() if item.analysis is not None})
    if not found:
        return ()
    items = [
        item
        for seat in found
        for channel in job.system.channels
        for item in analyses.repeats(round_id, channel.id, seat)
    ]
    return (
        Mistake(
            kind="gain",
            seats=tuple(found),
            reason="the gain of the measurement changed",
            evidence=tuple(_sentence(seat, gain) for seat, gain in found.items()),
            usable={
                item.seq: corrected(item.analysis, found[item.seat]) for item in items if item.analysis is not None
            },
            corrections_db={seat: (gain.gain_db, gain.u_db) for seat, gain in found.items()},
        ),
    )


def _sentence(seat: str, gain: SeatGain) -> str:
    alike, compared = gain.alike
    off = f"{number(gain.gain_db, 1, signed=True)} ± {2 * gain.u_db:.1f} dB against the other seats"
    return f"{seat}: {off}, alike on {alike} of {compared} main channels, threshold 2 dB"


def corrected(analysis: Analysis, gain: SeatGain) -> Analysis:
    """The analysis with that gain subtracted from all of its levels."""
    off = gain.gain_db
    return replace(
        analysis,
        third_octave_db=freeze(analysis.third_octave_db - off),
        view_db=freeze(analysis.view_db - off),
        bass=None if analysis.bass is None else freeze(analysis.bass * 10 ** (-off / 20)),
        direct=None if analysis.direct is None else freeze(analysis.direct * np.float32(10 ** (-off / 20))),
        level_db=None if analysis.level_db is None else analysis.level_db - off,
        octave_db={centre: level - off for centre, level in analysis.octave_db.items()},
        noise_db=None if analysis.noise_db is None else freeze(analysis.noise_db - off),
        level_u_db=math.hypot(analysis.level_u_db, gain.u_db),
    )


def _seat_gains(job: Job, heard: dict[tuple[str, str], Analysis]) -> dict[str, SeatGain]:
    seats = job.system.seats
    mains = [channel for channel in job.system.channels if not channel.is_sub]
    if not mains or not seats:
        return {}
    distances = distances_m(mains, seats)
    if not np.isfinite(distances).all() and all(channel.role == "screen" for channel in mains):
        return {}  # with all loudspeakers in front and places unknown, a back row looks like a changed gain
    levels = np.array([[_octaves(heard.get((c.id, s.id))) for s in seats] for c in mains])
    reference = job.system.reference_seat
    base = seats.index(reference) if reference in seats else 0
    return {seats[index].id: gain for index, gain in seat_gains(levels, base, distances).items()}


def _octaves(analysis: Analysis | None) -> FloatArray:
    if analysis is None:
        return np.full(len(OCTAVES_HZ), np.nan)
    if not analysis.octave_db and analysis.level_db is not None:
        return np.full(len(OCTAVES_HZ), analysis.level_db)
    return np.array([analysis.octave_db.get(centre, math.nan) for centre in OCTAVES_HZ])


def distances_m(channels: Sequence[Channel], seats: Sequence[Seat]) -> FloatArray:
    """Distances [shape=(channels, seats)], NaN where a place is unknown."""
    return np.array(
        [
            [
                math.nan if c.position_m is None or s.position_m is None else distance_m(c.position_m, s.position_m)
                for s in seats
            ]
            for c in channels
        ]
    )
