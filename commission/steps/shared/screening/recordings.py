"""Mistakes visible in one recording, or by comparing two: clipped, one file twice, microphone not moved.

Nothing is concluded from levels alone of two places that a symmetric room makes alike: the loudspeaker at the same
distance from both seats, or two loudspeakers at the same distance from one seat. The noise of two recordings differs
there, too.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TypeVar

import numpy as np

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.geometry import distance_m, mirror_partner
from commission.dsp.likeness import Likeness, alike_pairs
from commission.dsp.spectrum import GRID_HZ
from commission.model import AnalysedResponse, Analyses, Channel, Job, Seat
from commission.model.system import Position
from commission.model.units import listed
from commission.steps.shared.cache import cached
from commission.steps.shared.screening.mistake import NOISE_ALONE_SNR_DB, NOTHING_DB, Mistake, places, unusable

SYMMETRIC_M, SYMMETRIC_SUB_M = 0.08, 0.25
"""Distances that differ by less may be those of mirror images: places are entered to about 5 cm (common practice, no
source; a mirrored pair with distances 5.1 cm apart read alike in a box of bare walls). Bass is alike over more: in rooms
of modes, 8 of 156 mirrored pairs with distances 3 to 25 cm apart passed as one recording, 0 of 41 farther apart."""
ASIDE_M = 0.15
"""Mirror images are on one line across the plane between them, which in a room is a wall's: places that differ by more
than this along two of its directions are not mirror images (common practice, no source)."""
FITS_S, MISFITS_S = 0.0003, 0.0007
"""An arrival within 10 cm fits its place, and one off by more than twice as much does not (common practice)."""
SAME_NOISE_DB = 0.05
"""Same noise: half of the frequencies differ by less. Two noises scatter by √2·4.34/√(B·T) dB in third octaves: 0.16 dB
at 1 kHz in 6 s of noise, more in less time (arithmetic)."""
LEAST_NOT_MOVED = 2
"""With this number of channels alike at two seats, the microphone was not moved; with fewer, one file may be used twice."""
NOT_MOVED_SHARE = 0.8
"""Share of the channels from which nothing recorded at the seat is used."""

SILENT_DB = -60.0
"""Recordings softer than the loudest one by more contain no loudspeaker: a few steps of quantisation are alike in any two
files (16 bits end 90 dB below full scale)."""

PLAYS_SNR_DB = 20.0
"""Least signal-to-noise ratio at the other seats of a channel that plays there (common practice, no source)."""
BELOW_WEAKEST_DB = -10.0
"""Least distance below the weakest of the other seats: the neighbours of a seat in a null lose bass too, those of a
recording of noise alone do not (rooms of the fault matrix: a null reached 21 dB, the seats beside it 15 dB)."""

T = TypeVar("T")
Places = Mapping[tuple[str, str], AnalysedResponse]


def clipped(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """Recordings that clipped, one mistake for all of them. A place is spoilt if its newest response clipped."""
    newest = places(job, round_id, analyses)
    spoilt = {place for place, item in newest.items() if item.analysis is not None and item.analysis.clipped}
    items = [
        item
        for place in newest
        for item in analyses.repeats(round_id, *place)
        if place in spoilt or (item.analysis is not None and item.analysis.clipped)
    ]
    if not items:
        return ()
    return (
        Mistake(
            kind="clipped",
            channels=tuple(sorted({c for c, _ in spoilt})),
            seats=tuple(sorted({s for _, s in spoilt})),
            reason="the recording clipped",
            evidence=tuple(f"{c} at {s}" for c, s in newest if (c, s) in spoilt),
            usable=unusable(items),
        ),
    )


def not_played(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """Recordings of noise alone at one seat, while the channel plays at most others: it is not a silent loudspeaker.

    A channel that is silent at every seat was either not played or is silent; recordings alone cannot decide which.
    """
    heard = {
        place: (item.analysis.level_db, item.analysis.snr_db)
        for place, item in places(job, round_id, analyses).items()
        if item.analysis is not None and item.analysis.level_db is not None and item.analysis.snr_db is not None
    }
    out: list[Mistake] = []
    for (channel, seat), (level_db, snr_db) in heard.items():
        elsewhere = [both for (c, s), both in heard.items() if c == channel and s != seat]
        if not elsewhere or snr_db >= NOISE_ALONE_SNR_DB:
            continue
        others_db, others_snr_db = np.median(elsewhere, axis=0)
        if level_db - others_db > NOTHING_DB or others_snr_db < PLAYS_SNR_DB:
            continue
        weakest_db = min((level for level, snr in elsewhere if snr >= NOISE_ALONE_SNR_DB), default=others_db)
        if level_db - weakest_db > BELOW_WEAKEST_DB:
            continue
        out.append(
            Mistake(
                kind="not-played",
                channels=(channel,),
                seats=(seat,),
                reason="nothing was played while it was recorded",
                evidence=(
                    f"{others_db - level_db:.0f} dB below its level at the other seats, threshold {-NOTHING_DB:.0f} dB",
                    f"signal to noise {snr_db:.0f} dB, nothing is heard below {NOISE_ALONE_SNR_DB:.0f} dB; "
                    f"{others_snr_db:.0f} dB at the other seats",
                ),
                usable=unusable(analyses.repeats(round_id, channel, seat)),
            )
        )
    # A row in a null of one subwoofer is also lost in the noise; at a single seat that would be an odd coincidence.
    missing = Counter(each.channels[0] for each in out)
    in_null = {c.id for c in job.system.channels if c.is_sub and missing[c.id] > 1}
    return tuple(each for each in out if each.channels[0] not in in_null)


def not_moved(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """Two seats at which several channels read alike: the microphone stood at one of them both times."""
    newest = places(job, round_id, analyses)
    by_channel = {c.id: _alike(newest, c, [(c.id, s.id) for s in job.system.seats]) for c in job.system.channels}
    out: list[Mistake] = []
    done: set[str] = set()
    for first, second in combinations(job.system.seats, 2):
        if {first.id, second.id} & done:
            continue
        both = [c for c in job.system.channels if (c.id, first.id) in newest and (c.id, second.id) in newest]
        alike = {
            c.id: found
            for c in both
            if (found := by_channel[c.id].get(((c.id, first.id), (c.id, second.id)))) is not None
        }
        if sum(not _mirrored_seats(c, first, second) for c in both if c.id in alike) < LEAST_NOT_MOVED:
            continue
        wrong = _wrong_seats(job, newest, first, second, list(alike))
        names = [seat.id for seat in wrong]
        done |= set(names)
        if len(wrong) > 1:
            reason = f"{first.id} and {second.id} were measured at one place, and which of them is not determined"
            place = "at which of the two seats the microphone stood is not determined"
        else:
            other = first if wrong == (second,) else second
            reason, place = f"the microphone stood at {other.id} instead", f"the arrivals fit the place of {other.id}"
        median = max(each.median_db for each in alike.values())
        out.append(
            Mistake(
                kind="microphone-not-moved",
                channels=() if len(alike) >= NOT_MOVED_SHARE * len(both) else tuple(alike),
                seats=tuple(names),
                reason=reason,
                evidence=(
                    f"{len(alike)} of {len(both)} channels read the same at {first.id} and {second.id}, within "
                    f"{median:.2f} dB (median over frequency, threshold 0.3 dB); two seats differ by 0.9 dB or more",
                    place,
                ),
                usable=unusable(
                    item
                    for seat in names
                    for c in (
                        both if len(alike) >= NOT_MOVED_SHARE * len(both) else [c for c in both if c.id in alike]
                    )
                    for item in analyses.repeats(round_id, c.id, seat)
                ),
            )
        )
    return tuple(out)


def same_recording(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """One recording stored for two seats of a channel, or for two channels at one seat or more: one mistake each."""
    newest = places(job, round_id, analyses)
    groups: dict[tuple[object, object], list[_Pair]] = {}
    for pair in (*_same_at_two_seats(job, newest), *_same_for_two_channels(job, newest)):
        one, other, _ = pair
        groups.setdefault((one, other) if one[0] == other[0] else (one[0], other[0]), []).append(pair)
    out: list[Mistake] = []
    done: set[tuple[str, str]] = set()
    for group in groups.values():
        pairs = [pair for pair in group if not {*pair[:2]} & done]
        if not pairs:
            continue
        wrong = _wrong_in_pairs(job, newest, pairs)
        done |= set(wrong)
        (c, s), (d, t), found = max(pairs, key=lambda pair: pair[2].median_db)
        what = f"{c} at {s} and at {t}" if c == d else f"{c} and {d} at {listed([one[1] for one, _, _ in pairs])}"
        right = [place for pair in pairs for place in pair[:2] if place not in wrong]
        whose = f"{right[0][0]} at {listed([seat for _, seat in right])}" if right else ""
        gain = f", one {abs(found.gain_db):.1f} dB louder" if abs(found.gain_db) >= 0.1 else ""
        reason = f"{what} are one recording"
        out.append(
            Mistake(
                kind="same-recording",
                channels=tuple(dict.fromkeys(c for c, _ in wrong)),
                seats=tuple(dict.fromkeys(s for _, s in wrong)),
                reason=f"{reason}, of {whose}" if right else reason,
                evidence=(
                    f"{what} agree within {found.median_db:.2f} dB (median over frequency, threshold 0.3 dB){gain}; two "
                    "places in a room differ by 0.9 dB or more",
                    *(
                        ("they hold the same noise, too",)
                        if all(_same_noise(newest, *pair) for pair in pairs)
                        else ()
                    ),
                    f"the arrivals fit {whose}" if right else "which of them it is, is not determined",
                ),
                usable=unusable(item for place in wrong for item in analyses.repeats(round_id, *place)),
            )
        )
    return tuple(out)


_Pair = tuple[tuple[str, str], tuple[str, str], Likeness]


def _same_at_two_seats(job: Job, newest: Places) -> Iterator[_Pair]:
    seats = {seat.id: seat for seat in job.system.seats}
    for channel in job.system.channels:
        for (one, other), found in _alike(newest, channel, [(channel.id, s) for s in seats]).items():
            if not _mirrored_seats(channel, seats[one[1]], seats[other[1]]) or _same_noise(newest, one, other, found):
                yield one, other, found


def _same_for_two_channels(job: Job, newest: Places) -> Iterator[_Pair]:
    """If two channels read alike at most seats, one loudspeaker may play both: only their noise shows one file."""
    for (one_id, other_id), at in _alike_channels(job, newest).items():
        by_wiring = 2 * len(at) > _common_seats(job, newest, one_id, other_id)
        for each in at:
            one, other = (one_id, each.seat), (other_id, each.seat)
            if not (by_wiring or each.mirrored) or _same_noise(newest, one, other, each.found):
                yield one, other, each.found


@dataclass(frozen=True, slots=True)
class AlikeChannels:
    """Two channels that read alike at a seat."""

    seat: str
    found: Likeness
    mirrored: bool
    """Whether a symmetric room may cause it."""


@cached
def one_loudspeaker(job: Job, round_id: str, analyses: Analyses) -> dict[tuple[str, str], tuple[AlikeChannels, ...]]:
    """Main channels that read alike at most seats, because one loudspeaker plays both; with those seats.

    Excluded if the symmetry of the room may be the reason at every seat, or for a pair at every seat but one: its places
    are entered within centimetres.
    """
    newest = places(job, round_id, analyses)
    subs = {channel.id for channel in job.system.channels if channel.is_sub}
    out = {}
    for (one, other), at in _alike_channels(job, newest).items():
        least = 2 if mirror_partner(one) == other else 1
        most = 2 * len(at) > _common_seats(job, newest, one, other)
        if one not in subs and most and sum(not each.mirrored for each in at) >= least:
            out[one, other] = tuple(at)
    return out


def _common_seats(job: Job, newest: Places, one: str, other: str) -> int:
    return sum((one, s.id) in newest and (other, s.id) in newest for s in job.system.seats)


def _alike_channels(job: Job, newest: Places) -> dict[tuple[str, str], list[AlikeChannels]]:
    channels = {channel.id: channel for channel in job.system.channels}
    same: dict[tuple[str, str], list[AlikeChannels]] = {}
    for is_sub in (False, True):
        kind = [channel for channel in job.system.channels if channel.is_sub is is_sub]
        for seat in job.system.seats if kind else ():
            for (one, other), found in _alike(newest, kind[0], [(c.id, seat.id) for c in kind]).items():
                mirrored = _mirrored_channels(channels[one[0]], channels[other[0]], seat)
                same.setdefault((one[0], other[0]), []).append(AlikeChannels(seat.id, found, mirrored))
    return same


def _alike(
    newest: Places, channel: Channel, among: Sequence[tuple[str, str]]
) -> dict[tuple[tuple[str, str], tuple[str, str]], Likeness]:
    """Pairs of places with one recording; `channel` is one of their kind."""
    loudest_db = max(
        (a.level_db for i in newest.values() if (a := i.analysis) and a.level_db is not None), default=0.0
    )
    heard = {
        place: a
        for place in among
        if place in newest and (a := newest[place].analysis) is not None and len(a.view_db) == len(GRID_HZ)
        if a.level_db is None or a.level_db > loudest_db + SILENT_DB
    }
    if len(heard) < 2:
        return {}
    held = list(heard)
    pairs = alike_pairs(
        np.array([a.view_db for a in heard.values()]),
        is_sub=channel.is_sub,
        smoothed=[a.bass is None for a in heard.values()],
    )
    return {(held[i], held[j]): found for (i, j), found in pairs.items()}


def _same_noise(newest: Places, one: tuple[str, str], other: tuple[str, str], found: Likeness) -> bool:
    """Whether two recordings contain the same noise, which no symmetry causes; False if unknown."""
    first, second = (a.noise_db if (a := newest[place].analysis) is not None else None for place in (one, other))
    if first is None or second is None:
        return False
    apart_db = np.abs(first - second - found.gain_db)
    known = np.isfinite(apart_db)
    return bool(2 * known.sum() >= len(GRID_HZ) and np.median(apart_db[known]) <= SAME_NOISE_DB)


def _mirrored_seats(channel: Channel, first: Seat, second: Seat) -> bool:
    """Whether a symmetric room may make a channel alike at two seats."""
    if channel.position_m is None or first.position_m is None or second.position_m is None:
        return mirror_partner(channel.id) is None  # one of a pair is at a side
    apart = distance_m(channel.position_m, first.position_m) - distance_m(channel.position_m, second.position_m)
    return _same_distance(apart, channel) and _mirror_images(first.position_m, second.position_m)


def _mirrored_channels(first: Channel, second: Channel, seat: Seat) -> bool:
    """Whether a symmetric room may make two channels alike at a seat."""
    if first.position_m is None or second.position_m is None or seat.position_m is None:
        return mirror_partner(first.id) == second.id or first.is_sub
    apart = distance_m(first.position_m, seat.position_m) - distance_m(second.position_m, seat.position_m)
    return _same_distance(apart, first) and _mirror_images(first.position_m, second.position_m)


def _same_distance(apart_m: float, channel: Channel) -> bool:
    return abs(apart_m) < (SYMMETRIC_SUB_M if channel.is_sub else SYMMETRIC_M)


def _mirror_images(first: Position, second: Position) -> bool:
    """Whether two places may be mirror images of each other in a room with walls along the coordinates."""
    return sum(abs(a - b) > ASIDE_M for a, b in zip(first, second, strict=True)) < 2


def _wrong_seats(job: Job, newest: Places, first: Seat, second: Seat, channels: Sequence[str]) -> tuple[Seat, ...]:
    """Which of two seats the microphone did not stand at, by these channels' arrivals; both if undetermined."""
    misfits: dict[Seat, float | None] = {}
    for seat in (first, second):
        own = [_misfit_s(job, newest, (channel, seat.id), {first.id, second.id}) for channel in channels]
        known = [misfit for misfit in own if misfit is not None]
        misfits[seat] = float(np.sqrt(np.mean(np.square(known)))) if len(known) >= 2 else None
    return tuple(_worse(misfits))


def _wrong_places(
    job: Job, newest: Places, one: tuple[str, str], other: tuple[str, str]
) -> tuple[tuple[str, str], ...]:
    """Which of two places a recording does not belong to, by its arrival; both if undetermined."""
    without = {one[1], other[1]}
    return tuple(_worse({place: _misfit_s(job, newest, place, without) for place in (one, other)}))


def _wrong_in_pairs(job: Job, newest: Places, pairs: Sequence[_Pair]) -> tuple[tuple[str, str], ...]:
    """The places of these pairs that the recordings do not belong to; both of a pair if undetermined.

    Where arrivals at some seats show which of two channels was recorded, this holds for their other seats, too.
    """
    wrong = [_wrong_places(job, newest, one, other) for one, other, _ in pairs]
    decided = {each[0][0] for each in wrong if len(each) == 1}
    if len(pairs) > 1 and len(decided) == 1:
        return tuple(place for pair in pairs for place in pair[:2] if place[0] in decided)
    return tuple(place for each in wrong for place in each)


def _worse(misfits_s: Mapping[T, float | None]) -> list[T]:
    """The one of two that does not fit while the other does; otherwise both."""
    (one, first), (other, second) = misfits_s.items()
    if first is not None and second is not None:
        if abs(first) <= FITS_S and abs(second) >= MISFITS_S:
            return [other]
        if abs(second) <= FITS_S and abs(first) >= MISFITS_S:
            return [one]
    return [one, other]


def _misfit_s(job: Job, newest: Places, place: tuple[str, str], without: set[str]) -> float | None:
    """Arrival of a channel at a seat minus the one that the other seats, except those in `without`, imply.

    Delays and latencies are the same at all seats, so that arrival minus flight differs between two seats by one value for
    all channels: the median over the other channels.
    """
    channel, seat = place
    here = _minus_flight_s(job, newest, seat)
    off = []
    for other in job.system.seats:
        there = _minus_flight_s(job, newest, other.id) if other.id not in without | {seat} else {}
        common = [here[c] - there[c] for c in here if c in there and c != channel]
        if channel in here and channel in there and len(common) >= 2:
            off.append(here[channel] - there[channel] - float(np.median(common)))
    return float(np.median(off)) if off else None


def _minus_flight_s(job: Job, newest: Places, seat: str) -> dict[str, float]:
    """Arrival minus flight of each main channel at a seat; empty where they share no clock."""
    speed, at = speed_of_sound_m_s(job.system.temperature_c), job.system.seat(seat)
    off: dict[str, float] = {}
    clocks = set()
    for channel in job.system.channels:
        item = newest.get((channel.id, seat))
        if channel.is_sub or item is None or item.analysis is None or item.analysis.arrival_s is None:
            continue
        if channel.position_m is None or at is None or at.position_m is None:
            continue
        clocks.add(item.clock)
        off[channel.id] = item.analysis.arrival_s - distance_m(channel.position_m, at.position_m) / speed
    return off if len(clocks) == 1 and None not in clocks else {}
