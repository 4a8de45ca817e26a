"""A sentence for each seat: loudness, time and bass, before and now.

A figure is better or worse only beyond U = 2 u of the change; only what was measured in both rounds is compared.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import BoolArray, Word, own_band
from commission.model import FloatArray, Job, Seat
from commission.model.formatting import number
from commission.record.content.context import FOUND, Context, capital, mains
from commission.steps import compare, distances, seats
from commission.steps.seats.result import LEVEL_U_DB
from commission.steps.shared import seat_variance
from commission.steps.shared.screening import usable
from commission.steps.shared.subwoofers import SUBS

NAMES = {"loudness": "loudness", "time": "timing", "bass": "deep bass"}
UNITS = {"loudness": "dB", "time": "ms", "bass": "dB"}
MIXED = "partly better, partly worse"
NOT_COMPARED = "not compared, because it was not measured both times"
BASS_BELOW_HZ = 100.0
"""The bass is the lowest band of the comparison that begins below this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatFigure:
    """One figure of a seat, better the smaller it is; None: not measured in that round."""

    kind: Literal["loudness", "time", "bass"]
    before: float | None
    now: float | None
    u_change: float
    """Standard uncertainty of now minus before, in the same unit."""
    decimals: int

    @property
    def word(self) -> Word | None:
        """Better, worse or the same, judged against U = 2 u; None if one of the two is missing."""
        if self.before is None or self.now is None:
            return None
        change = self.now - self.before
        if abs(change) <= 2 * self.u_change:
            return Word.SAME
        return Word.BETTER if change < 0 else Word.WORSE


def seat_sentences(context: Context, figures: Mapping[str, tuple[SeatFigure, ...]]) -> tuple[str, ...]:
    """One sentence for each seat with measurements, in the order of the seats."""
    return tuple(text for seat in context.job.system.seats if (text := _sentence(context, seat, figures[seat.id])))


def seat_figures(context: Context) -> dict[str, tuple[SeatFigure, ...]]:
    """The figures of every seat. In a visit with one round `before` is that round and `now` is None everywhere."""
    job, after = context.job, context.after
    loudness = _pair(context, after, _loudness)
    time = _pair(context, after, _time)
    bass, bass_u = _bass(context, after)
    out: dict[str, tuple[SeatFigure, ...]] = {}
    for seat in job.system.seats:
        b, n = loudness
        t_b, t_n = time
        out[seat.id] = (
            # Each end of the span has the uncertainty of a level at one seat: twice √2.
            SeatFigure(
                kind="loudness", before=b.get(seat.id), now=n.get(seat.id), u_change=2 * LEVEL_U_DB, decimals=1
            ),
            SeatFigure(
                kind="time",
                before=t_b.get(seat.id),
                now=t_n.get(seat.id),
                u_change=_time_u_ms(context, seat.id),
                decimals=1,
            ),
            SeatFigure(
                kind="bass", before=bass[0].get(seat.id), now=bass[1].get(seat.id), u_change=bass_u, decimals=1
            ),
        )
    return out


_Values = dict[str, float]


def _pair(
    context: Context, after: str | None, look: Callable[[Context, str, set[str]], _Values]
) -> tuple[_Values, _Values]:
    """Values of both rounds over the main loudspeakers that both have at any seat; if there are none, over those of the
    first round with any.
    """
    heard = _channels(context.job, FOUND)
    if after is None:
        return look(context, FOUND, heard), {}
    again = _channels(context.job, after)
    both = heard & again
    return look(context, FOUND, both or heard), look(context, after, both if heard else again)


def compared_mains(context: Context) -> int:
    """The number of main loudspeakers in the loudness of the seats: those recorded in every round shown."""
    heard = _channels(context.job, FOUND)
    return len(heard if context.after is None else heard & _channels(context.job, context.after))


def tone_counts(context: Context) -> tuple[int, int, int]:
    """(better, worse, all) comparisons of tonal evenness from seat to seat; zeros if there are none."""
    result = compare.solve(context.job, context.visit.analyses)
    if context.after is None or result.rounds != (FOUND, context.after):
        return 0, 0, 0
    words = [change.word for each in result.channels.values() for change in each.bands["tone"].values()]
    return words.count(Word.BETTER), words.count(Word.WORSE), len(words)


def bass_band(job: Job) -> str:
    """The band of the deep bass in hertz, as in "20–80"."""
    low = min(job.system.bands, key=lambda each: each.low_hz)
    return f"{low.low_hz:g}–{low.high_hz:g}"


def _channels(job: Job, round_id: str) -> set[str]:
    ids = {channel.id for channel in mains(job)}
    return {response.body.channel for response in job.responses_of(round_id)} & ids


def _loudness(context: Context, round_id: str, channels: set[str]) -> _Values:
    """Loudest minus softest main loudspeaker at each seat [dB], if all were measured."""
    cells = seats.solve(context.job, round_id, context.visit.analyses).cells
    out = {}
    for seat in context.job.system.seats:
        levels = [cells[(c, seat.id)].level_db if (c, seat.id) in cells else None for c in sorted(channels)]
        known = [level for level in levels if level is not None]
        if len(known) >= 2 and len(known) == len(levels):
            out[seat.id] = max(known) - min(known)
    return out


def _time(context: Context, round_id: str, channels: set[str]) -> _Values:  # noqa: ARG001 (looks at all, or gives nothing)
    """Arrival of the last minus the first main loudspeaker at each seat [ms], measured through the processor's delays."""
    found = distances.solve(context.job, round_id, context.visit.analyses).seats
    return {each.seat: 1000 * each.measured_s for each in found if each.measured_s is not None}


def _time_u_ms(context: Context, seat: str) -> float:
    """Standard uncertainty of the change of a time span: four arrivals of main loudspeakers, each as uncertain as the
    worst.
    """
    heard = {channel.id for channel in mains(context.job)}
    u = [
        item.analysis.arrival_u_s
        for item in context.visit.analyses
        if item.seat == seat
        and item.channel in heard
        and item.round in (FOUND, context.after)
        and item.analysis is not None
        and item.analysis.arrival_s is not None
    ]
    return 2000 * max(u, default=0.0)


def _bass(context: Context, after: str | None) -> tuple[tuple[_Values, _Values], float]:
    """The deviation of each seat's bass from the mean of all seats (rms over the lowest band, dB) in both rounds, and u."""
    job, analyses = context.job, context.visit.analyses
    band = min(job.system.bands, key=lambda each: each.low_hz, default=None)
    if band is None or band.low_hz >= BASS_BELOW_HZ:
        return ({}, {}), 0.0
    inside = (GRID_HZ >= band.low_hz) & (GRID_HZ <= band.high_hz)
    if after is None:
        seat_ids, levels = _bass_levels(context)
        if len(levels) < 2:
            return ({}, {}), 0.0
        return (dict(zip(seat_ids, _off_mean_db(levels, inside & own_band(levels)), strict=False)), {}), 0.0
    result = compare.solve(job, analyses)
    if result.rounds != (FOUND, after):
        return ({}, {}), 0.0
    # All of them are heard together; one of several does not represent the sum.
    subs = [channel.id for channel in job.system.channels if channel.is_sub]
    each = result.channels.get(subs[0] if len(subs) == 1 else SUBS)
    if each is None or band.label not in each.bands["heard"]:
        return ({}, {}), 0.0
    deviations = each.bands["heard"][band.label].after.deviations_db
    kept = [i for i, seat in enumerate(each.seats) if seat in deviations]
    pair = [
        dict(zip((each.seats[i] for i in kept), _off_mean_db(levels[kept], inside), strict=False))
        for levels in each.levels
    ]
    return (pair[0], pair[1]), math.sqrt(2) * result.u_db.get(band.label, 0.0)


def _bass_levels(context: Context) -> tuple[list[str], FloatArray]:
    """Seats and third-octave levels [shape=(seats, n)] of all subwoofers together, or of the only one, as found."""
    job, analyses = context.job, context.visit.analyses
    together = seat_variance.summed_subs(job, FOUND, analyses)
    if together is not None:
        return together
    subs = [channel.id for channel in job.system.channels if channel.is_sub]
    screened = usable(job, analyses, FOUND)
    heard = {seat.id: screened.of(FOUND, subs[0], seat.id) for seat in job.system.seats} if len(subs) == 1 else {}
    levels = {seat: each.third_octave_db for seat, each in heard.items() if each is not None}
    return list(levels), np.array(list(levels.values())).reshape(len(levels), len(GRID_HZ))


def _off_mean_db(levels: FloatArray, inside: BoolArray) -> list[float]:
    """Deviation of each seat from the mean of all seats, rms over the frequencies that all of them have [dB]."""
    apart = levels[:, inside]
    apart = apart[:, np.isfinite(apart).all(axis=0)]
    if not apart.size:
        return []
    return [float(value) for value in np.sqrt(np.mean((apart - apart.mean(axis=0)) ** 2, axis=1))]


def _sentence(context: Context, seat: Seat, figures: tuple[SeatFigure, ...]) -> str:
    name = capital(context.seat_name(seat.id))
    reference = context.job.system.reference_seat
    if reference is not None and seat.id == reference.id and len(context.job.system.seats) > 1:
        name = f"{name} (reference)"
    known = [figure for figure in figures if figure.before is not None or figure.now is not None]
    if not known:
        return f"{name}: not measured."
    if context.after is None:
        parts = [_now(figure, figure.before) for figure in known if figure.before is not None]
        return f"{name}: {capital('; '.join(parts))}."
    words = [figure.word for figure in known]
    given = [each for each in words if each is not None]
    word: str
    if not given:
        word = NOT_COMPARED
    elif Word.BETTER in given:
        word = MIXED if Word.WORSE in given else Word.BETTER
    else:
        word = Word.WORSE if Word.WORSE in given else Word.SAME
    # If all changed alike, the word appears once.
    plain = len(given) == len(known) and len(set(given)) == 1
    parts = [_changed(figure, plain) for figure in known]
    if 0 < len(given) < len(known):
        word = f"{word}, as far as it was compared"
    return f"{name}: {word}. {capital('; '.join(parts))}."


def _now(figure: SeatFigure, value: float) -> str:
    return f"{NAMES[figure.kind]} {_size(figure, value)}"


def _size(figure: SeatFigure, value: float | None) -> str:
    """A figure in words: "within 2.1 dB", "2.1 dB off"."""
    size = f"{number(value, figure.decimals)} {UNITS[figure.kind]}"
    return f"{size} off" if figure.kind == "bass" else f"within {size}"


def _changed(figure: SeatFigure, plain: bool) -> str:
    name, unit = NAMES[figure.kind], UNITS[figure.kind]
    if figure.word is None:
        if figure.now is not None:
            return f"{name} {_size(figure, figure.now)}, not measured before"
        return f"{name} {_size(figure, figure.before)} before, not measured again"
    before, now = number(figure.before, figure.decimals), _size(figure, figure.now)
    if plain:
        return f"{name} {now} (was {before})"
    return f"{name} {figure.word}, {now} (before {before} {unit})"
