"""Checks from the arrival times whether files that are stated to share a time origin can share it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby

import numpy as np

from commission.model import ImportRow, Job
from commission.model.units import counted

LARGEST_SPREAD_S = 0.08
"""Largest spread of arrivals of main loudspeakers on one clock: 10 m of flight take 30 ms, delays entered in the
wrong unit three times that of a small room, a wireless link 30 ms more (common practice, no source). Recordings
started by hand differ by more.
"""
LARGEST_SPREAD_SUB_S = 0.3
"""Largest spread of subwoofers' arrivals, which are taken at their strongest moment: as late as the room modes build up."""
SHIFTED = "all responses peak at the same sample: they were shifted in time, so arrivals are not compared"
"""Some programs export every response like this; nobody made a mistake."""
LEAST_SHARE = 2 / 3
FEWEST_AT_A_SEAT = 3


def with_clocks(rows: Sequence[ImportRow], job: Job) -> tuple[ImportRow, ...]:
    """The rows, with a `clock_problem` for each that cannot share the clock of the others.

    Recordings with a loopback have their own time zero. The others are compared with each other, sweeps and impulse
    responses apart; where only those of a seat agree, the clock is that seat's.
    """
    rows = [replace(row, clock_problem=None, clock_of_seat=False) for row in rows]
    subs = {channel.id for channel in job.system.channels if channel.is_sub}
    for kind in ("sweep", "impulse"):
        members = [
            i
            for i, row in enumerate(rows)
            if row.kind == kind
            and row.ready
            and row.shared_clock
            and row.loopback is None
            and _time_s(row, row.channel not in subs) is not None
        ]
        mains = [i for i in members if rows[i].channel not in subs]
        if len(mains) < 2:
            continue
        problems, of_seat = _problems([rows[i] for i in members], [i in mains for i in members])
        if kind == "impulse" and _peak_at_same_sample([rows[i] for i in mains]):
            problems, of_seat = [SHIFTED] * len(members), False
        for i, problem in zip(members, problems, strict=True):
            rows[i] = replace(rows[i], clock_problem=problem, clock_of_seat=of_seat and problem is None)
    return tuple(rows)


def _time_s(row: ImportRow, is_main: bool) -> float | None:
    """When a recording arrives [s]: for a main channel its treble, since room modes build up later."""
    if is_main:
        return row.onset_treble_s if row.kind == "sweep" else row.peak_treble_s
    return row.onset_s if row.kind == "sweep" else row.peak_s


def _problems(rows: Sequence[ImportRow], is_main: Sequence[bool]) -> tuple[list[str | None], bool]:
    """(why each row cannot share the clock or None, whether the clock is valid for its own seat only)."""
    problems = _misfits(rows, is_main)
    if not all(problems):
        return problems, False
    found: dict[int, str | None] = {}
    order = sorted(range(len(rows)), key=lambda i: rows[i].seat or "")
    for _, group in groupby(order, key=lambda i: rows[i].seat or ""):
        members = list(group)
        if sum(is_main[i] for i in members) < FEWEST_AT_A_SEAT:
            return problems, False
        found |= zip(members, _misfits([rows[i] for i in members], [is_main[i] for i in members]), strict=True)
    if all(found.values()):
        return problems, False
    return [found[i] for i in range(len(rows))], True


def _misfits(rows: Sequence[ImportRow], is_main: Sequence[bool]) -> list[str | None]:
    """Why each row cannot share a clock with the others, or None; most of the main loudspeakers have to agree."""
    times_s = np.array([_time_s(row, main) for row, main in zip(rows, is_main, strict=True)], dtype=float)
    mains_s = np.sort(times_s[np.array(is_main)])
    counts = np.searchsorted(mains_s, mains_s + LARGEST_SPREAD_S, "right") - np.arange(len(mains_s))
    best = int(np.argmax(counts))
    if counts[best] < LEAST_SHARE * len(mains_s):
        spread_s = float(mains_s[-1] - mains_s[0])
        why = (
            f"no common clock: {counted(len(mains_s), 'recording')} start up to {1000 * spread_s:.0f} ms apart "
            f"(limit {1000 * LARGEST_SPREAD_S:.0f} ms), so arrivals are not compared"
        )
        return [why] * len(rows)
    agreeing = mains_s[best : best + counts[best]]
    problems: list[str | None] = []
    for time_s, main in zip(times_s, is_main, strict=True):
        largest_s = LARGEST_SPREAD_S if main else LARGEST_SPREAD_SUB_S
        off_s = float(time_s - np.clip(time_s, agreeing[-1] - largest_s, agreeing[0] + largest_s))
        side = "after" if off_s > 0 else "before"
        problems.append(
            f"not on the clock of the others: heard {1000 * abs(time_s - np.median(agreeing)):.0f} ms {side} them"
            if off_s
            else None
        )
    return problems


def _peak_at_same_sample(rows: Sequence[ImportRow]) -> bool:
    """Whether all main loudspeakers peak at the same sample at two or more seats, which no delay settings can cause."""
    seats: dict[str | None, set[str | None]] = {}
    for row in rows:
        seats.setdefault(row.seat, set()).add(row.channel)
    if sum(len(channels) >= FEWEST_AT_A_SEAT for channels in seats.values()) < 2:
        return False
    samples = [(row.peak_s or 0.0) * (row.rate_hz or 0.0) for row in rows]
    return max(samples) - min(samples) <= 1.0
