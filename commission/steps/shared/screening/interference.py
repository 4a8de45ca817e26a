"""Changes of the spectrum of recordings that are not the room's: noise in one recording, a covered microphone."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from commission.dsp.across import seat_tilts
from commission.dsp.analysis import LEVEL_BAND_HZ, SUB_LEVEL_BAND_HZ
from commission.dsp.medians import known_median
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import BoolArray
from commission.model import AnalysedResponse, Analyses, Analysis, FloatArray, Job, freeze
from commission.model.formatting import number
from commission.steps.shared.screening.gains import distances_m
from commission.steps.shared.screening.mistake import NOISE_ALONE_SNR_DB, NOTHING_DB, Mistake, places

NOISE_ABOVE_DB = 12.0
"""Threshold of a recording's noise above that of the others (common practice, no source)."""
LEAST_RATIO_DB = 12.0
"""Least signal-to-noise ratio of a third octave: at 12 dB, noise adds 0.3 dB to its level, 2 dB at worst (arithmetic)."""
WORSE_DB = 6.0
"""Least deficit of that ratio against the other recordings (common practice, no source)."""
LEAST_RECORDINGS = 4
FEW_ABOVE_DB, FEW_RATIO_DB = 20.0, 6.0
"""The first and the last of these with few recordings of a kind: one of two subwoofers may decay twice as long as the
other."""
LEAST_POINTS = 8
"""Points of a third octave on the grid."""
PLAYS_WITHIN_DB = 20.0
"""A loudspeaker's range extends to this far below its loudest third octave."""
LEVEL_SHARE = 0.25
"""Largest missing share of the band in which the level is read."""
MIDDLE_HZ, TREBLE_HZ = (500, 1000), (2000, 4000, 8000)


def interference(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """Recordings in which noise, such as hum or a fan, lifts a band that is quiet in the others.

    If the others still decay at their ends, their noise is unknown, but no louder than those ends. The shape of the noise
    over frequency is compared, since files may have different gains, and the signal-to-noise ratio, so that a channel
    that is soft in a band is not taken for a noisy recording.
    """
    newest = {
        place: item
        for place, item in places(job, round_id, analyses).items()
        if item.analysis is not None and _tail_db(item.analysis) is not None
    }
    if len(newest) < 2:
        return ()
    level, noise, tail = (
        np.array([each(item.analysis) for item in newest.values() if item.analysis is not None])
        for each in (lambda a: a.third_octave_db, _noise_db, _tail_db)
    )
    subs = {channel.id for channel in job.system.channels if channel.is_sub}
    with np.errstate(invalid="ignore"):
        ratio = level - noise
        worse = _usual(list(newest), subs, level - tail, np.fmin) - ratio
        louder = tail - _usual(list(newest), subs, tail)
        louder -= known_median(louder, axis=1)[:, None]
        few = _too_few(list(newest), subs, np.isfinite(noise))
        bad = louder > np.where(few, FEW_ABOVE_DB, NOISE_ABOVE_DB)
        bad &= ratio < np.where(few, FEW_RATIO_DB, LEAST_RATIO_DB)
        bad &= worse > WORSE_DB
    bad &= np.array([_channel_range(channel, newest) for channel, _ in newest])
    bad &= ~np.array([_silent(channel, newest) for channel, _ in newest])[:, None]
    bad &= ~_decaying_lows(bad, ratio, noise, np.array([c in subs for c, _ in newest]))
    spoilt: dict[int, tuple[tuple[str, str], BoolArray]] = {
        k: (place, _with_gaps(bad[k], ~np.isfinite(noise[k]) & _channel_range(place[0], newest)))
        for k, place in enumerate(newest)
        if bad[k].sum() >= LEAST_POINTS
    }
    if 2 * len(spoilt) > len(newest):
        return ()  # noise of most recordings is the room's
    return tuple(
        Mistake(
            kind="interference",
            channels=place[:1],
            seats=place[1:],
            reason=_cover_text(bad[k], covered),
            evidence=(
                f"noise from {_range(bad[k])} is {np.median(louder[k][bad[k]]):.0f} dB above that of "
                f"the other recordings (threshold {NOISE_ABOVE_DB:g} dB), signal to noise there "
                f"{np.median(ratio[k][bad[k]]):.0f} dB (at least {LEAST_RATIO_DB:g} dB needed)",
            ),
            usable=without_bands(job, [newest[place]], covered, _cover_text(bad[k], covered)),
        )
        for k, (place, covered) in spoilt.items()
    )


def _cover_text(bad: BoolArray, with_gaps: BoolArray) -> str:
    """What noise covers, and what it may cover because its level there is unknown."""
    unknown = "" if _range(with_gaps) == _range(bad) else f", and may cover {_range(with_gaps)}"
    return f"noise covers {_range(bad)}{unknown}"


def _too_few(where: Sequence[tuple[str, str]], subs: set[str], noise_known: BoolArray) -> BoolArray:
    """Where a kind has fewer than `LEAST_RECORDINGS`, of subwoofers with known noise. [shape as `noise_known`]

    Beating modes at the end of a file may fall or not: if other recordings of a subwoofer still fall, this one may, too.
    """
    counted = noise_known | np.array([channel not in subs for channel, _ in where])[:, None]
    return np.array([counted[_same_kind(place, where, subs)].sum(axis=0) < LEAST_RECORDINGS - 1 for place in where])


def _decaying_lows(bad: BoolArray, ratio_db: FloatArray, noise_db: FloatArray, is_sub: BoolArray) -> BoolArray:
    """Where the end of a main channel's file may be decaying bass instead of noise. [shape as `bad`]

    A response that ends while its middle range decays contains no noise in the bass, which decays for longer. Noise over
    an octave that is as loud as the response itself is not decay.
    """
    middle, lows = (GRID_HZ >= LEVEL_BAND_HZ[0]) & (GRID_HZ <= LEVEL_BAND_HZ[1]), GRID_HZ < LEVEL_BAND_HZ[0]
    ends_early = ~is_sub & (np.isnan(noise_db[:, middle]).mean(axis=1) > 0.5)
    covered = (bad & lows & (ratio_db < FEW_RATIO_DB)).sum(axis=1) >= 3 * LEAST_POINTS
    return np.asarray((ends_early & ~covered)[:, None] & lows)


def _noise_db(analysis: Analysis) -> FloatArray:
    noise = analysis.noise_db
    return np.full(len(GRID_HZ), np.nan) if noise is None else np.where(np.isfinite(noise), noise, np.nan)


def _tail_db(analysis: Analysis) -> FloatArray | None:
    """Upper bound of the noise; None if unknown."""
    tail = analysis.noise_db if analysis.tail_db is None else analysis.tail_db
    return None if tail is None or not np.isfinite(tail).any() else np.where(np.isfinite(tail), tail, np.nan)


def _same_kind(place: tuple[str, str], where: Sequence[tuple[str, str]], subs: set[str]) -> list[bool]:
    """Which of the other recordings are of the same kind: main channels or subwoofers."""
    return [(c in subs) == (place[0] in subs) and (c, s) != place for c, s in where]


def _usual(
    where: Sequence[tuple[str, str]], subs: set[str], values: FloatArray, noisier: np.ufunc = np.fmax
) -> FloatArray:
    """Usual value of the others, for each recording: of most of its kind, or of its channel elsewhere if that is noisier.

    The tails of subwoofers, and of one channel, share slow decays, so that one of few is not taken for a noisy one. NaN
    if no other is of its kind.
    """
    out = np.full(values.shape, np.nan)
    for k, (channel, seat) in enumerate(where):
        for others in (_same_kind(where[k], where, subs), [c == channel and s != seat for c, s in where]):
            if any(others):
                out[k] = noisier(out[k], known_median(values[others], axis=0))
    return out


def _with_gaps(bad: BoolArray, unknown: BoolArray) -> BoolArray:
    """Bad frequencies with the adjoining ones at which the noise is unknown."""
    grown = bad.copy()
    for order in (range(1, len(bad)), range(len(bad) - 2, -1, -1)):
        for index in order:
            before = index - 1 if order.step > 0 else index + 1
            grown[index] |= grown[before] and unknown[index]
    return grown


def _channel_range(channel: str, newest: Mapping[tuple[str, str], AnalysedResponse]) -> BoolArray:
    """The range of a channel at most seats: noise outside it spoils nothing."""
    levels = np.array(
        [
            item.analysis.third_octave_db
            for (c, _), item in newest.items()
            if c == channel and item.analysis is not None
        ]
    )
    middle = known_median(np.where(np.isfinite(levels), levels, np.nan), axis=0)
    return np.asarray(np.nan_to_num(middle, nan=-np.inf) >= np.nanmax(middle, initial=-np.inf) - PLAYS_WITHIN_DB)


def _silent(channel: str, newest: Mapping[tuple[str, str], AnalysedResponse]) -> bool:
    """Whether recordings of a channel contain noise alone: then noise in one of them is no disturbance.

    At most of several seats; at a single one it must also be far softer than the other channels, as noise that covers a
    loudspeaker is not.
    """
    heard = {
        place: (item.analysis.snr_db, item.analysis.level_db)
        for place, item in newest.items()
        if item.analysis is not None and item.analysis.snr_db is not None and item.analysis.level_db is not None
    }
    own = {seat: both for (c, seat), both in heard.items() if c == channel}
    if not own or float(np.median([snr for snr, _ in own.values()])) >= NOISE_ALONE_SNR_DB:
        return False
    if len(own) > 1:
        return True
    ((seat, (_, level_db)),) = own.items()
    others = [level for (c, s), (_, level) in heard.items() if s == seat and c != channel]
    return bool(others) and level_db - float(np.median(others)) < NOTHING_DB


def _range(bad: BoolArray) -> str:
    heard = GRID_HZ[bad]
    return f"{heard[0]:.0f} to {heard[-1]:.0f} Hz"


def microphone(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """Seats at which the treble of all channels is off alike: the microphone was covered, turned or exchanged."""
    mains = [channel for channel in job.system.channels if not channel.is_sub]
    if not any(channel.role != "screen" for channel in mains):
        return ()  # loudspeakers in one direction have the same directivity: a seat at the side is dull for all of them
    newest = places(job, round_id, analyses)
    seats = job.system.seats
    levels = np.full((len(mains), len(seats), len(MIDDLE_HZ) + len(TREBLE_HZ)), np.nan)
    for i, channel in enumerate(mains):
        for k, seat in enumerate(seats):
            item = newest.get((channel.id, seat.id))
            if item is not None and item.analysis is not None:
                levels[i, k] = [item.analysis.octave_db.get(centre, math.nan) for centre in (*MIDDLE_HZ, *TREBLE_HZ)]
    out = []
    for index, tilt in seat_tilts(levels, (0, 1), distances_m(mains, seats)).items():
        seat_id, centre = seats[index].id, (*MIDDLE_HZ, *TREBLE_HZ)[tilt.worst]
        worst_db = float(tilt.tilt_db[tilt.worst])
        octaves = zip((*MIDDLE_HZ, *TREBLE_HZ), tilt.tilt_db, strict=True)
        from_hz = min(each for each, db in octaves if abs(db) > 0.3 * abs(worst_db)) / math.sqrt(2)
        bad = GRID_HZ >= from_hz
        items = [item for (_, s), item in newest.items() if s == seat_id]
        alike, compared = tilt.alike
        why = f"the microphone read differently at {seat_id} above {from_hz:.0f} Hz"
        out.append(
            Mistake(
                kind="microphone",
                seats=(seat_id,),
                reason=why,
                evidence=(
                    f"{number(worst_db, 1, signed=True)} ± {2 * tilt.u_db:.1f} dB in the octave at {centre} Hz against "
                    f"500 and 1000 Hz and the other seats, alike on {alike} of {compared} main channels, threshold 3.5 dB",
                    "loudspeakers in several directions are not dull at one seat together",
                ),
                usable=without_bands(job, items, bad, why),
            )
        )
    return tuple(out)


def without_bands(
    job: Job, items: Iterable[AnalysedResponse], bad: BoolArray, why: str
) -> dict[int, Analysis | None]:
    """These responses without the grid's frequencies where `bad` is true; `why`: one clause."""
    subs = {channel.id for channel in job.system.channels if channel.is_sub}
    return {
        item.seq: _without(item.analysis, bad, why, SUB_LEVEL_BAND_HZ if item.channel in subs else LEVEL_BAND_HZ)
        for item in items
        if item.analysis is not None
    }


def _without(analysis: Analysis, bad: BoolArray, why: str, band_hz: tuple[float, float]) -> Analysis:
    lost = GRID_HZ[bad]
    inside = (GRID_HZ >= band_hz[0]) & (GRID_HZ <= band_hz[1])
    return replace(
        analysis,
        third_octave_db=freeze(np.where(bad, np.nan, analysis.third_octave_db)),
        bass=None if (lost < 120.0).any() else analysis.bass,
        level_db=None if (inside & bad).sum() > LEVEL_SHARE * inside.sum() else analysis.level_db,
        octave_db={
            centre: level
            for centre, level in analysis.octave_db.items()
            if not ((lost > 1.03 * centre / math.sqrt(2)) & (lost < 0.97 * centre * math.sqrt(2))).any()
        },
        why={**analysis.why, "bands": why},
    )
