"""The differences between seats in two rounds, for the step "compare". Only data in both rounds are compared."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from commission.dsp import multiple, variance
from commission.dsp.repeatability import Repeatability
from commission.model import AS_FOUND, AS_LEFT, Analyses, Budget, FloatArray, Job
from commission.model.verdict import guard_band
from commission.steps.shared import budgets as budget_for
from commission.steps.shared.cache import cached
from commission.steps.shared.screening import common_reference, usable
from commission.steps.shared.seat_variance import (
    HEARD,
    KINDS,
    TONE,
    BandResult,
    SeatLevels,
    band_result,
    level_band_hz,
    levels_by_seat,
    of_channel,
    repeatability,
    seat_gains_u_db,
    typical_db,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Before and after of one channel in one band."""

    before: BandResult
    after: BandResult
    change_db2: float
    budget: Budget
    k: float = 2.0
    """Coverage factor common to all comparisons of this kind."""

    @property
    def u_db2(self) -> float:
        """Standard uncertainty of the change."""
        return self.budget.u

    @property
    def expanded_db2(self) -> float:
        """U = k u."""
        return self.k * self.u_db2

    @property
    def word(self) -> variance.Word:
        """Better or worse if beyond U."""
        return variance.change_word(self.change_db2, self.expanded_db2)

    @property
    def detectable_db(self) -> float:
        """Rise of the standard deviation over the seats that is called worse in about 19 of 20 cases [dB].

        The error from the microphone's position grows with the difference between seats, so u of the second round grows
        with its standard deviation s (s₀ before): s² − s₀² = (k + 1.645) u √((1 + s²/s₀²)/2).
        """
        if self.u_db2 == 0:
            return 0.0
        before_db = max(self.before.sd_db, math.sqrt(self.u_db2))
        relative = ((self.k * self.u_db2 + guard_band(self.u_db2)) / before_db**2) ** 2 / 2
        return before_db * (math.sqrt(1 + relative / 2 + math.sqrt(relative * (relative + 8)) / 2) - 1)

    @property
    def is_real(self) -> bool:
        """Whether it exceeds its uncertainty."""
        return self.word is not variance.Word.SAME


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelCompare:
    """One channel, or the subwoofers together, in both rounds; kind "heard" and "tone"."""

    channel: str
    seats: tuple[str, ...]
    bands: dict[str, dict[str, Change]]
    """kind → band label → change."""
    levels: tuple[FloatArray, FloatArray]
    """Third-octave levels [shape=(seats, n)] before and after, NaN outside the loudspeaker's range."""
    readings: dict[str, tuple[int, int]]
    """How many readings of each seat they are the mean of, before and after."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareResult:
    """All channels that both rounds contain at two seats or more. `u_db`: repeatability by band label."""

    rounds: tuple[str, str] | None
    channels: dict[str, ChannelCompare]
    left_out: tuple[str, ...]
    u_db: dict[str, float]
    u_from: str
    why_not: str | None = None
    one_sided: int = 0
    """Number of channels that only one of the rounds contains."""


def rounds_to_compare(job: Job) -> tuple[str, str] | None:
    """As found and as left; if one is missing, the latest two rounds with responses."""
    held = [r for r in job.rounds if job.responses_of(r)]
    if len(held) < 2:
        return None
    return (AS_FOUND, AS_LEFT) if AS_FOUND in held and AS_LEFT in held else (held[-2], held[-1])


@cached
def solve(job: Job, analyses: Analyses) -> CompareResult:
    """Compare the two rounds."""
    rounds = rounds_to_compare(job)
    if rounds is None:
        return CompareResult(
            rounds=None,
            channels={},
            left_out=(),
            u_db={},
            u_from="",
            why_not="this needs responses from two rounds, as found and as left",
        )
    screened = usable(job, analyses, *rounds)
    repeats, u_from = repeatability(job, rounds, screened)
    (before, gaps_before), (after, gaps_after) = (levels_by_seat(job, r, screened) for r in rounds)
    left_out = [f"{r}: {gap}" for r, gaps in zip(rounds, (gaps_before, gaps_after), strict=True) for gap in gaps]
    references = [common_reference(job, r, screened) for r in rounds]
    if None not in references and references[0] != references[1]:
        left_out.append(
            f"levels between the rounds: {rounds[0]} is relative to {references[0]}, {rounds[1]} to {references[1]}"
        )
    gains_u_db = (seat_gains_u_db(job, rounds[0], analyses), seat_gains_u_db(job, rounds[1], analyses))
    one_sided = [name for name in (*before, *after) if (name in before) != (name in after)]
    left_out += [f"{name}: only in {rounds[0] if name in before else rounds[1]}" for name in one_sided]
    channels = {}
    for name in (each for each in before if each in after):
        channel, why = _channel(job, name, before[name], after[name], repeats, gains_u_db)
        left_out += why
        if channel is not None:
            channels[name] = channel
    return CompareResult(
        rounds=rounds,
        channels=_with_coverage(channels),
        left_out=(*left_out, *_not_played(job, channels)),
        u_from=u_from,
        u_db=typical_db(job, repeats),
        one_sided=len(one_sided),
    )


def _channel(
    job: Job,
    name: str,
    before: SeatLevels,
    after: SeatLevels,
    repeats: dict[str, Repeatability],
    gains_u_db: tuple[Mapping[str, float], Mapping[str, float]],
) -> tuple[ChannelCompare | None, list[str]]:
    """One channel in both rounds, None if it cannot be compared, and the parts left out."""
    pair, why = _common(before, after)
    left_out = [f"{name}{why}"] if why else []
    if pair is None:
        return None, left_out
    levels = (pair[0].levels, pair[1].levels)
    plays = variance.own_band(levels[0]) & variance.own_band(levels[1])
    bands = _changes(job, name, pair, plays, repeats, gains_u_db)
    if bands[HEARD] and not bands[TONE]:
        low, high = level_band_hz(job, name)
        left_out.append(
            f"{name} in evenness of tone: its level from {low:.0f} to {high:.0f} Hz is not known at every seat"
        )
    shown = (np.where(plays, levels[0], np.nan), np.where(plays, levels[1], np.nan))
    readings = {
        seat: (int(first), int(second))
        for seat, first, second in zip(pair[0].seats, pair[0].times, pair[1].times, strict=True)
    }
    return ChannelCompare(channel=name, seats=tuple(readings), levels=shown, readings=readings, bands=bands), left_out


def _not_played(job: Job, channels: Mapping[str, ChannelCompare]) -> Iterator[str]:
    """Channels that do not play in a band in both rounds, for each band, as a clause."""
    for label in (band.label for band in job.system.bands):
        names = [name for name, each in channels.items() if all(label not in each.bands[kind] for kind in KINDS)]
        if names:
            yield f"{label} Hz of {', '.join(names)}: not played in both rounds"


def _with_coverage(channels: dict[str, ChannelCompare]) -> dict[str, ChannelCompare]:
    """The channels with coverage factors by which at most one table in twenty has a false word; each kind is one table."""
    threshold = {}
    for kind in KINDS:
        changes = [change for each in channels.values() for change in each.bands[kind].values()]
        p_values = [
            multiple.two_sided_p(c.change_db2 / c.u_db2 if c.u_db2 > 0 else math.inf, c.budget.dof) for c in changes
        ]
        threshold[kind] = multiple.hommel_threshold(p_values)
    return {
        name: replace(
            each,
            bands={
                kind: {
                    label: replace(c, k=multiple.coverage_factor(threshold[kind], c.budget.dof))
                    for label, c in bands.items()
                }
                for kind, bands in each.bands.items()
            },
        )
        for name, each in channels.items()
    }


def _common(before: SeatLevels, after: SeatLevels) -> tuple[tuple[SeatLevels, SeatLevels] | None, str]:
    """Both rounds at the seats that both hold, and what was left out."""
    if before.how != after.how:
        return None, f": {before.how} in one round and {after.how} in the other"
    common = [s for s in before.seats if s in after.seats]
    missing = sorted(set(before.seats) ^ set(after.seats))
    why = f" at {', '.join(missing)}: measured in one round only" if missing else ""
    if len(common) < 2:
        return None, ": fewer than two seats in both rounds"
    return (before.at(common), after.at(common)), why


def _changes(
    job: Job,
    name: str,
    pair: tuple[SeatLevels, SeatLevels],
    plays: variance.BoolArray,
    repeats: dict[str, Repeatability],
    gains_u_db: tuple[Mapping[str, float], Mapping[str, float]],
) -> dict[str, dict[str, Change]]:
    out: dict[str, dict[str, Change]] = {kind: {} for kind in KINDS}
    own = [of_channel(job, repeats, name, each.seats, each.times) for each in pair]
    for kind in KINDS:
        for band in job.system.bands:
            # Both rounds are compared at the same frequencies: where the loudspeaker plays in both.
            before, after = (
                band_result(job, name, each.seats, each.levels, band, kind, scatter[band.label], plays, u_db)
                for each, scatter, u_db in zip(pair, own, gains_u_db, strict=True)
            )
            if before is None or after is None:
                continue
            change = after.msv_db2 - before.msv_db2
            budget = budget_for.change_budget(before.budget, after.budget)
            out[kind][band.label] = Change(
                before=before,
                after=after,
                change_db2=change,
                budget=budget,
            )
    return out
