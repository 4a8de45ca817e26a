"""Mistakes shown by the arrivals of a round: seats or channels mixed up, a microphone not moved, no common clock.

Each is reported only if it explains the arrivals beyond doubt, and better than any fault of the installation
(`dsp.matching`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.matching import STRAY_S, Explanation, Matching, displaced
from commission.model import AnalysedResponse, Analyses, Job
from commission.model.formatting import number
from commission.model.units import listed
from commission.steps.shared.screening.mistake import (
    NOISE_ALONE_SNR_DB,
    Mistake,
    places,
    unusable,
    without,
    without_times,
)
from commission.steps.shared.survey import NamedSurvey, round_matching, round_survey

LEAST_CUT, CUT_SHARE, SAME_ARRIVAL_S, DIFFERENT_SHARE = 6, 0.9, 0.0002, 0.3
"""Files were cut where nine of ten arrivals are within ±0.2 ms of each other, although three in ten would be more than
0.4 ms from their channel's mean over the seats by distance: at least six arrivals (common practice, no source)."""


def mixed_up_recordings(job: Job, round_id: str, analyses: Analyses) -> tuple[Mistake, ...]:
    """Recordings that belong to another seat, another channel, or another clock."""
    newest = places(job, round_id, analyses)
    timed = [item for item in newest.values() if _on_clock(item)]
    off_clock = _off_clock(job, round_id, newest, timed)
    if off_clock and off_clock[0].usable:
        return off_clock
    found, matching = round_survey(job, round_id, analyses), round_matching(job, round_id, analyses)
    if isinstance(found, str) or matching is None:
        return off_clock
    if cut := _cut_files(found, timed, job):
        return (cut,)
    if matching.scattered:
        return (_scattered(found, matching, timed, job, off_clock),)
    mistakes = [
        mistake
        for each in matching.sure
        if each.kind not in ("loudspeakers", "delay")
        for mistake in _mistakes(each, found, matching, newest, job)
    ]
    if stray := _single_outliers(found, matching, mistakes):
        left = without(analyses, (*mistakes, stray))
        rest, of_rest = round_survey(job, round_id, left), round_matching(job, round_id, left)
        if not isinstance(rest, str) and of_rest is not None and of_rest.scattered:
            return (_scattered(rest, of_rest, timed, job, (*off_clock, stray)),)
        mistakes.append(stray)
    return (*off_clock, *mistakes)


def _off_clock(
    job: Job, round_id: str, newest: dict[tuple[str, str], AnalysedResponse], timed: list[AnalysedResponse]
) -> tuple[Mistake, ...]:
    """Recordings that the import could not align with their stated clock; if most are, all are."""
    why = {r.seq: r.body.clock_problem for r in job.responses_of(round_id) if r.body.clock_problem is not None}
    off = [item for item in newest.values() if item.seq in why and not _is_noise(item)]
    if not off:
        return ()
    reason, most = "its recordings should share a clock, but do not", 2 * len(off) > len(newest)
    sentences = [why[i.seq] if most else f"{i.channel} at {i.seat}: {why[i.seq]}" for i in off]
    spoilt = off + timed if most else off
    return (
        Mistake(
            kind="clock",
            channels=() if most else tuple(dict.fromkeys(item.channel for item in off)),
            seats=tuple(s.id for s in job.system.seats if any(item.seat == s.id for item in spoilt)),
            reason=reason,
            evidence=tuple(dict.fromkeys(sentences))[:6],
            usable=without_times(timed, reason) if most else {},
        ),
    )


def _is_noise(item: AnalysedResponse) -> bool:
    """Whether only noise was recorded: its strongest moment gives no time."""
    ratio = None if item.analysis is None else item.analysis.snr_db
    return ratio is not None and ratio < NOISE_ALONE_SNR_DB


def _on_clock(item: AnalysedResponse) -> bool:
    return item.clock is not None and item.analysis is not None and item.analysis.arrival_s is not None


def _cut_files(found: NamedSurvey, timed: list[AnalysedResponse], job: Job) -> Mistake | None:
    """Recordings that each begin with their sound: all arrivals are the same, at seats that are at different distances."""
    arrivals, flights = found.survey.arrivals_s, found.survey.flights_s
    heard = np.isfinite(arrivals)
    if heard.sum() < LEAST_CUT or (heard.sum(axis=0) > 0).sum() < 2:
        return None
    same = np.abs(arrivals - np.median(arrivals[heard])) <= SAME_ARRIVAL_S
    several = heard.sum(axis=1) >= 2
    flights = np.where(heard, flights, np.nan)[several]
    apart = np.abs(flights - np.nanmean(flights, axis=1, keepdims=True)) if several.any() else np.zeros(0)
    if same.sum() < CUT_SHARE * heard.sum() or np.nansum(apart > 2 * SAME_ARRIVAL_S) < DIFFERENT_SHARE * heard.sum():
        return None
    reason = "each file begins with its sound, so that its time of flight is lost"
    return Mistake(
        kind="clock",
        seats=tuple(s.id for s in job.system.seats if any(item.seat == s.id for item in timed)),
        reason=reason,
        evidence=(
            f"{int(same.sum())} of {int(heard.sum())} arrivals are the same within {number(1000 * SAME_ARRIVAL_S, 1)} ms; "
            f"by their distances they differ by up to {number(2000 * float(np.nanmax(apart)), 1)} ms from seat to seat",
        ),
        usable=without_times(timed, reason),
    )


def _scattered(
    found: NamedSurvey, matching: Matching, timed: list[AnalysedResponse], job: Job, single: tuple[Mistake, ...]
) -> Mistake:
    """No recording shares a clock with another; `single`: those already known individually."""
    rest = matching.rest_s[np.isfinite(matching.rest_s)]
    half = float(np.median(np.abs(rest - np.median(rest))))
    reason = "its recordings should share a clock, but do not"
    return Mistake(
        kind="clock",
        seats=tuple(s.id for s in job.system.seats if any(item.seat == s.id for item in timed)),
        reason=reason,
        evidence=(
            f"half of {len(rest)} arrivals differ by more than {number(1000 * half, 1)} ms from what distances and delays "
            "explain, each recording by another time",
            *(text for mistake in single for text in mistake.evidence),
        )[:6],
        usable=without_times(timed, reason),
    )


def _mistake(
    each: Explanation, found: NamedSurvey, newest: dict[tuple[str, str], AnalysedResponse], job: Job
) -> Mistake:
    """The recordings that belong to other seats or channels."""
    if each.kind == "clock":
        return _other_clock(each, found, newest, job)
    channels = tuple(found.channels[i] for i in each.channels)
    seats = tuple(found.seats[i] for i in each.seats)
    every = [item for (_, seat), item in newest.items() if seat in seats]
    better = f"z = {each.z:.0f}, threshold 4"
    if each.kind == "seats":
        what = (
            f"the arrivals at {listed(seats)} fit each other's places and not their own, for all channels: {better}"
        )
        reason = f"the recordings of {listed(seats)} are exchanged"
        return Mistake(kind="seats-exchanged", seats=seats, reason=reason, evidence=(what,), usable=unusable(every))
    if each.kind == "exchanged-at-seat":
        items = [newest[c, seats[0]] for c in channels]
        reason = f"the recordings of {listed(channels)} at {seats[0]} are exchanged"
        what = f"at {seats[0]} each of {listed(channels)} arrives when the other one should: {better}"
        return Mistake(
            kind="wrong-channel",
            channels=channels,
            seats=seats,
            reason=reason,
            evidence=(what,),
            usable=unusable(items),
        )
    label, place = seats
    spoilt = [item for (c, s), item in newest.items() if s == label and (not channels or c in channels)]
    # Subwoofers are measured last: if the last main channels are at the other seat, the subwoofers may be, too.
    if each.kind == "moved-early":
        mains = set(found.channels)
        spoilt += [item for (c, s), item in newest.items() if s == label and c not in mains]
    reason = f"it was recorded with the microphone at {place}"
    who = listed(channels) if channels else "all channels"
    return Mistake(
        kind="microphone-not-moved",
        channels=tuple(dict.fromkeys(item.channel for item in spoilt)) if channels else (),
        seats=(label,),
        reason=reason,
        evidence=(f"the arrivals of {who} at {label} fit {place} and not {label}: {better}",),
        usable=unusable(spoilt),
    )


def _other_clock(
    each: Explanation, found: NamedSurvey, newest: dict[tuple[str, str], AnalysedResponse], job: Job
) -> Mistake:
    """Seats whose recordings are on another clock; of two, the one that is not the reference seat."""
    seats = tuple(found.seats[i] for i in each.seats)
    reference = job.system.reference_seat
    if len(found.seats) == 2 and reference is not None and reference.id in seats:
        seats = tuple(s for s in found.seats if s not in seats)
    size = number(1000 * abs(each.shift_s), 1)
    reason = "its recordings are on another clock than those of the other seats"
    return Mistake(
        kind="clock",
        seats=seats,
        reason=reason,
        evidence=(
            f"at {seats[0]} all channels come {size} ms {_lateness(each.shift_s)} than at the other seats: z = {each.z:.0f}"
            ", threshold 4",
        ),
        usable=without_times([item for (_, s), item in newest.items() if s in seats and _on_clock(item)], reason),
    )


def _mistakes(
    each: Explanation,
    found: NamedSurvey,
    matching: Matching,
    newest: dict[tuple[str, str], AnalysedResponse],
    job: Job,
) -> list[Mistake]:
    """The mistake of an explanation; among seats on separate clocks, those with a displaced microphone are listed
    separately.
    """
    if each.kind != "clock":
        return [_mistake(each, found, newest, job)]
    survey, speed_m_s, out, rest = found.survey, speed_of_sound_m_s(job.system.temperature_c), [], []
    for k in each.seats:
        own_s = np.where(np.isfinite(survey.applied_s), matching.rest_s[:, k], np.nan)
        heard = np.isfinite(own_s)
        shift_s = float(np.median(own_s[heard])) if heard.any() else 0.0
        apart_s = displaced(own_s, survey.flights_s[:, k], survey.directions[:, k], shift_s)
        if apart_s is None:
            rest.append(k)
            continue
        seat, reason = found.seats[k], "it was recorded with the microphone beside its place"
        out.append(
            Mistake(
                kind="microphone-not-moved",
                seats=(seat,),
                reason=reason,
                evidence=(
                    f"the arrivals at {seat} fit a microphone {number(apart_s * speed_m_s, 1)} m from its place, 100 times "
                    "likelier than another clock",
                ),
                usable=without_times(
                    [item for (_, s), item in newest.items() if s == seat and _on_clock(item)], reason
                ),
            )
        )
    return out + ([_mistake(replace(each, seats=tuple(rest)), found, newest, job)] if rest else [])


def _lateness(shift_s: float) -> str:
    return "later" if shift_s > 0 else "earlier"


def _single_outliers(found: NamedSurvey, matching: Matching, known: list[Mistake]) -> Mistake | None:
    """Single recordings whose arrival no room and no setting explains."""
    spoilt = {seq for mistake in known for seq in mistake.usable}
    out = []
    for i, channel in enumerate(found.channels):
        for k, seat in enumerate(found.seats):
            rest, item = matching.rest_s[i, k], found.recordings.get((channel, seat))
            if item is not None and item.seq not in spoilt and np.isfinite(rest) and abs(rest) > STRAY_S:
                out.append((item, float(rest)))
    determined = np.isfinite(found.survey.applied_s)
    delays = [each for each in matching.sure if each.kind == "delay"]
    if not out or not determined.any() or delays:
        return None
    reason = "its arrival is on another clock than the others"
    return Mistake(
        kind="clock",
        channels=tuple(dict.fromkeys(item.channel for item, _ in out)),
        seats=tuple(dict.fromkeys(item.seat for item, _ in out)),
        reason=reason,
        evidence=tuple(
            f"{item.channel} at {item.seat} comes {number(1000 * abs(rest), 0)} ms {_lateness(rest)} than distance and "
            f"delay explain, threshold {number(1000 * STRAY_S, 0)} ms"
            for item, rest in out[:6]
        ),
        usable=without_times([item for item, _ in out], reason),
    )
