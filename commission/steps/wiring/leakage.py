"""Channels that also play from another loudspeaker: routed twice, an upmixer or surround mode left on, crosstalk."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from commission.dsp.leakage import (
    LEAST_SEATS,
    MOST_LAG_S,
    SAME_LAG_S,
    Gain,
    SharedSound,
    flat_spectra,
    leakage_gain,
    shared_sound,
)
from commission.model import Analyses, Budget, Check, ComplexArray, Job, RoomSound
from commission.model.formatting import number
from commission.model.units import listed
from commission.steps.shared.cache import cached
from commission.steps.shared.survey import NamedSurvey, round_survey
from commission.steps.wiring.budgets import leakage_budget

LEAST_APART_S = 0.001
"""Least difference of travel times at a seat: in a symmetrical room, a seat halfway between two hears both alike."""
EXPECTED_RATIO, AT_ANY_RATIO, AT_ANY_OF_TWO_RATIO = 5.0, 7.0, 9.0
"""Least ratio of common sound to chance: at an expected lag, at any lag, at any lag of two seats. Of pairs in healthy
rooms, the highest at all seats was 3.7 at lag zero, 5.0 at any lag, and 5.9 at any lag of two seats; determined by
simulation (`python tests/bench leakage`). At one seat only a lag that is expected counts: of 2,532 healthy pairs sampled
there in 40 rooms 3 had 5.0 or more (8.2 at most), mirror images in boxes of bare walls, and of the 2,045 that are no
mirror images the highest was 4.8."""
OF_THIRD_RATIO, OF_THIRDS_TIMES = 4.0, 1.5
LEAST_OF_MEAN = 0.3
"""Least share of the mean correlation at every seat: it is then no coincidence at one."""
SAME_SOUND = 0.9
"""Likeness from which responses come from one recording: other checks look for that."""
EQUAL_ARRIVALS_S, LATER_S = 0.0003, 0.0009
ONSET_SHARE = 0.5
LISTEN = "to settle it, play it alone and listen close to the others"


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherSource:
    """Another loudspeaker that plays a channel, too."""

    other: str
    level_db: float
    """Level relative to that loudspeaker's own channel."""
    budget: Budget
    lag_s: float
    """Delay relative to that loudspeaker's own channel."""
    seats: int
    certain: bool = True
    """False if it may be the other way round."""

    @property
    def u_db(self) -> float:
        """Standard uncertainty of `level_db`."""
        return self.budget.u


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelLeakage:
    """The other loudspeakers that play a channel, loudest first, and the detection limit."""

    channel: str
    also: tuple[OtherSource, ...] = ()
    below_db: float | None = None
    """Detection limit for the worst of the other loudspeakers; None: nothing could be compared."""
    compared: int = 0
    """Number of other loudspeakers compared."""
    not_compared: tuple[str, ...] = ()
    """Other measured loudspeakers that too few seats distinguish from it."""
    check: Check
    budget: Budget | None = None
    """Budget of the check, if another loudspeaker is certain."""


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two channels at the seats at which they can be compared."""

    seats: NDArray[np.int_]
    expected: SharedSound
    """Sound at lag zero, as from a mixer before the delays; at one seat also at the difference of the delays, as from a
    cable behind them."""
    any_lag: SharedSound

    @property
    def found(self) -> SharedSound | None:
        """The common sound: at an expected lag, or at another one."""
        at_any = {1: math.inf, LEAST_SEATS: AT_ANY_OF_TWO_RATIO}.get(len(self.seats), AT_ANY_RATIO)
        for shared, least in ((self.expected, EXPECTED_RATIO), (self.any_lag, at_any)):
            if shared.ratio >= least and min(shared.by_seat) >= LEAST_OF_MEAN * shared.alike:
                return shared if shared.alike < SAME_SOUND else None
        return None


class PairedRound:
    """The responses of all main channels of a round, prepared for comparison."""

    def __init__(self, found: NamedSurvey) -> None:
        self.channels, self.flights_s = found.channels, found.survey.flights_s
        shape = found.survey.shape
        self.arrivals_s = np.full(shape, np.nan)
        self.level_db = np.full(shape, np.nan)
        self.clocks = found.survey.clocks
        self.applied_s = found.survey.applied_s
        self.sounds: dict[tuple[int, int], RoomSound] = {}
        for i, channel in enumerate(found.channels):
            for k, seat in enumerate(found.seats):
                recorded = found.recordings.get((channel, seat))
                analysis = None if recorded is None else recorded.analysis
                if analysis is None or analysis.room is None or not np.isfinite(found.survey.arrivals_s[i, k]):
                    continue
                self.sounds[i, k] = analysis.room
                self.arrivals_s[i, k] = found.survey.arrivals_s[i, k]
                self.level_db[i, k] = math.nan if analysis.level_db is None else analysis.level_db
        places = list(self.sounds)
        flat = flat_spectra([self.sounds[p] for p in places], [self.arrivals_s[p] for p in places]) if places else ()
        self.spectra: dict[tuple[int, int], ComplexArray] = dict(zip(places, flat, strict=True))

    def pair(self, i: int, j: int) -> _Pair | None:
        """Two channels to compare; None if no seat distinguishes them."""
        apart = np.abs(self.flights_s[i] - self.flights_s[j]) >= LEAST_APART_S
        known = np.isfinite(self.arrivals_s[i]) & np.isfinite(self.arrivals_s[j]) & (self.clocks[i] == self.clocks[j])
        seats = np.flatnonzero(apart & known)
        if not len(seats):
            return None
        first, second = (np.stack([self.spectra[c, int(k)] for k in seats]) for c in (i, j))
        between_s = float(self.applied_s[i] - self.applied_s[j])
        # At more seats a sound at any lag is found, and an early reflection may have the difference of the delays.
        at_one = len(seats) < LEAST_SEATS and abs(between_s) < MOST_LAG_S
        expected_s = (0.0, between_s) if at_one else (0.0,)
        return _Pair(seats, shared_sound(first, second, expected_s), shared_sound(first, second))

    def pairs(self) -> dict[tuple[int, int], _Pair]:
        """Index pairs of all comparable channels."""
        every = combinations(range(len(self.channels)), 2)
        return {(i, j): pair for i, j in every if (pair := self.pair(i, j)) is not None}

    def gain(self, i: int, j: int, seats: NDArray[np.int_], lag_s: float) -> Gain:
        """Gain of `j` in the responses of channel `i`."""
        own_s, its_s = self.arrivals_s[i, seats].copy(), self.arrivals_s[j, seats]
        heard_s = its_s + lag_s  # delays of the other loudspeaker while it plays the channel
        # A channel first heard from the other's place has its own direct sound where the plan predicts it.
        between_s = self.flights_s[i] - self.flights_s[j] + self.applied_s[i] - self.applied_s[j]
        later_s = np.nan_to_num(between_s[seats] - lag_s)
        hidden = (np.abs(own_s - heard_s) < EQUAL_ARRIVALS_S) & (later_s >= LATER_S)
        own_s[hidden] = (heard_s + later_s)[hidden]
        own, its = ([self.sounds[c, int(k)] for k in seats] for c in (i, j))
        return leakage_gain(own, its, np.array([own_s, its_s]), lag_s)

    def louder_db(self, i: int, j: int, seats: NDArray[np.int_]) -> float:
        """Level of channel `i` above `j`, median over seats; 0 if unknown."""
        found = self.level_db[i, seats] - self.level_db[j, seats]
        return float(np.nanmedian(found)) if np.isfinite(found).any() else 0.0


@cached
def leakages(job: Job, round_id: str, analyses: Analyses) -> Mapping[str, ChannelLeakage]:
    """Every main channel of a round against every other; empty where positions or a common clock are missing.

    All recordings are used, even those rejected by other checks, which a second loudspeaker can affect.
    """
    found = round_survey(job, round_id, analyses)
    if isinstance(found, str) or found.by_tape:
        return {}
    visit = PairedRound(found)
    pairs = visit.pairs()
    also: dict[int, list[OtherSource]] = {}
    by_thirds = _by_thirds(pairs)
    for (i, j), pair in pairs.items():
        if (i, j) not in by_thirds:
            for one, each in _directions(visit, i, j, pair):
                also.setdefault(one, []).append(each)
    out = {}
    for i, channel in enumerate(visit.channels):
        own = sorted(also.get(i, ()), key=lambda each: -each.level_db)
        enough = {pair: each for pair, each in pairs.items() if i in pair and len(each.seats) >= LEAST_SEATS}
        hidden = [_hidden_db(visit, i, pair, each) for pair, each in enough.items() if each.found is None]
        compared = {visit.channels[c] for pair in enough for c in pair} | {each.other for each in own}
        heard = dict.fromkeys(visit.channels[c] for c, _ in visit.sounds)
        missing = tuple(c for c in heard if c not in compared and c != channel)
        out[channel] = _channel(job, channel, tuple(own), hidden, missing)
    return out


def _by_thirds(pairs: Mapping[tuple[int, int], _Pair]) -> set[tuple[int, int]]:
    """Pairs whose common sound is explained by third loudspeakers that play both: it is then the product of two.

    The best explained come first, and an explained pair explains no other: if a mode plays several channels from the same
    loudspeakers, each pair of a triangle has a third.
    """
    explained: set[tuple[int, int]] = set()
    left = {pair: each.found for pair, each in pairs.items() if each.found is not None}
    while left:
        shares = {
            pair: _of_thirds(pairs, explained, *pair, shared.lag_s) / shared.alike for pair, shared in left.items()
        }
        best = max(shares, key=lambda pair: shares[pair])
        if OF_THIRDS_TIMES * shares[best] < 1:
            break
        explained.add(best)
        del left[best]
    return explained


def _of_thirds(
    pairs: Mapping[tuple[int, int], _Pair], explained: set[tuple[int, int]], i: int, j: int, lag_s: float
) -> float:
    """Likeness of two channels caused by third loudspeakers, from pairs that are not themselves explained."""
    alike = 0.0
    for third in {c for pair in pairs for c in pair} - {i, j}:
        both = [(min(c, third), max(c, third)) for c in (i, j)]
        first, second = (None if pair in explained else pairs.get(pair) for pair in both)
        if first is None or second is None or min(first.any_lag.ratio, second.any_lag.ratio) < OF_THIRD_RATIO:
            continue
        its_s = math.copysign(1, third - i) * first.any_lag.lag_s - math.copysign(1, third - j) * second.any_lag.lag_s
        if abs(its_s - lag_s) <= 2 * SAME_LAG_S:
            alike += first.any_lag.alike * second.any_lag.alike
    return alike


def _directions(visit: PairedRound, i: int, j: int, pair: _Pair) -> list[tuple[int, OtherSource]]:
    """(channel, result) for each direction of a pair with common sound."""
    shared = pair.found
    if shared is None:
        return []
    ways = [(i, j, visit.gain(i, j, pair.seats, shared.lag_s)), (j, i, visit.gain(j, i, pair.seats, -shared.lag_s))]
    yes = [_is_heard(gain) for _, _, gain in ways]
    if yes == [False, False]:
        return []
    out = []
    for (one, other, gain), own, opposite in zip(ways, yes, yes[::-1], strict=True):
        if own or (own is None and not opposite):
            level_db = 20 * math.log10(gain.over_all)
            lag_s = shared.lag_s if one == i else -shared.lag_s
            seats = len(pair.seats)
            # A room in which the two mirror each other causes the same at one or two seats.
            certain = (own is True or opposite is False) and seats > LEAST_SEATS
            each = OtherSource(
                other=visit.channels[other],
                level_db=level_db,
                budget=leakage_budget(visit.channels[one], shared.ratio),
                lag_s=lag_s,
                seats=seats,
                certain=certain,
            )
            out.append((one, each))
    return out


def _is_heard(gain: Gain) -> bool | None:
    """Whether a channel contains the other loudspeaker's onset before its own; None if that is never earlier."""
    return None if gain.at_onset is None else gain.at_onset >= ONSET_SHARE * gain.over_all


def _hidden_db(visit: PairedRound, i: int, pair: tuple[int, int], compared: _Pair) -> float:
    """The lowest detectable level of another loudspeaker in channel `i`."""
    j = pair[1] if pair[0] == i else pair[0]
    return 20 * math.log10(EXPECTED_RATIO * compared.expected.chance) + visit.louder_db(i, j, compared.seats)


def _channel(
    job: Job, channel: str, also: tuple[OtherSource, ...], hidden_db: Sequence[float], missing: tuple[str, ...]
) -> ChannelLeakage:
    """Result of one channel. `hidden_db`: detection limit of each loudspeaker not found; `missing`: those not compared."""
    below_db = max(hidden_db, default=None)
    sure = [each for each in also if each.certain]
    check_id, value, u, why, words = "wiring.leakage", None, 0.0, None, ""
    text = f"also heard from {sure[0].other}" if sure else "heard from another loudspeaker"
    if sure:
        value, u = sure[0].level_db, sure[0].u_db
    elif also:
        why = (
            f"it and {also[0].other} share sound; which of them plays from both is not determined"
            if also[0].seats > LEAST_SEATS
            else f"it and {also[0].other} share sound at {'one seat' if also[0].seats == 1 else 'two seats'}, which a room "
            f"that mirrors the two does, too; {LISTEN}"
        )
    elif below_db is None:
        why = (
            f"no other loudspeaker is 0.35 m nearer or farther at {LEAST_SEATS} seats measured on one clock; {LISTEN}"
        )
    else:
        check_id, value, words = "wiring.leakage.hidden", below_db, f"none found, below {number(below_db, 0)} dB"
        if below_db > job.limit(check_id).upper:
            why = f"none found, but the room would hide one below {number(below_db, 0)} dB; {LISTEN}"
        elif missing:
            why = (
                f"{words}, but not compared with {listed(missing)}: too few seats are 0.35 m nearer to one; {LISTEN}"
            )
    check = Check(
        id=check_id,
        channel=channel,
        value=value,
        unit="dB",
        uncertainty=u,
        limit=job.limit(check_id),
        why_not=why,
        words=words if why is None else "",
        text=text,
    )
    return ChannelLeakage(
        channel=channel,
        also=also,
        below_db=below_db,
        compared=len(hidden_db) + len(also),
        not_compared=missing,
        check=check,
        budget=sure[0].budget if sure else None,
    )
