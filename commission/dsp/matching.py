"""Assignment of recordings to loudspeakers and seats, by arrival times.

An arrival is t = τ + |p − q|/c + a: latency of the clock, flight from the loudspeaker at p to the seat at q, delay of the
processor. Several explanations of arrivals that do not fit are compared by one cost: loudspeakers connected to each
other's outputs, recordings of two seats exchanged, a microphone moved too early or not at all, one channel's delay, one
seat on another clock. The cost is −2·ln of a likelihood: squares over variances, bounded for each recording, since any
arrival may be a reflection; plus −2·ln of the prior probability of the event. An explanation is `sure` if it is 100 times
likelier than none, and than every other one for the same recordings; one that is not sure leads to no finding.

Own method; thresholds by simulation (`tests/references/matching_rates.py`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from commission.dsp.assignment import Assignment
from commission.model import FloatArray

CELL_SIGMA_S = 1.5e-4
"""Standard uncertainty of one arrival at a surveyed seat: 5 cm, including the microphone's position and the estimator."""
PLACE_SIGMA_S = 1.46e-4
"""Standard uncertainty of each coordinate of a surveyed loudspeaker: 5 cm, common to all seats."""
DELAY_SIGMA_S, DELAY_SIGMA_SHARE = 1e-4, 0.01
"""Standard uncertainty of a known delay: the processor's rounding, and its assumed speed of sound."""
BOUND = 16.0
"""Largest cost of one recording: one in a hundred is off by anything up to 20 ms."""
SURE = 9.2
"""2·ln 100."""
SWAP_Z = 4.0
"""A channel sounds from its own place if every other one raises the cost by the square of this; `z` of a sure one is
above 4.5."""
SEAT_SHIFT_S = 6e-4
"""All recordings of a seat later by this are on another clock: a seat 20 cm from its surveyed position shifts
loudspeakers in front and behind in opposite directions."""
FEW = 4
MOST = 0.6
"""Share of the cost that recordings on no common clock keep under every explanation; exchanged seats in a poor survey kept
0.44 (`tests/references/matching_rates.py`)."""
FEW_PAIRS = 6
"""Fewest channels heard at both of two seats whose differences alone show that there is no common clock."""
EACH = 6.0
"""Least improvement of the fit for each of the channels called exchanged, not only for their sum."""
ALIKE = 0.8
"""Share of the seats at which a channel's delay must be found (common practice, no source)."""
SCATTER_S, FEW_SCATTER_S = 1e-3, 0.01
"""A remainder above this, after allowing for each channel's delay and each seat's clock, fits nothing: seven times
CELL_SIGMA_S; with few channels or two seats, more than reflections cause."""
APART_S = 0.005
"""Difference that neither distances nor settings explain, 1.7 m: if each of three arrivals differs from the others by
more, they share no clock (common practice, no source)."""
STRAY_S = 0.040
"""No room of a house and no setting makes one channel later or earlier than the others by this (common practice, no
source: 14 m)."""
SCALES = (0.0, -1.0, 1 / 0.3048, 0.3048, *np.arange(0.86, 1.145, 0.02).round(2).tolist())
"""Factors on delays: not applied, wrong sign, feet and metres mixed, another speed of sound."""

POOR_SIGMA_S, LOST_RANGE_S = 5e-4, 0.02
"""Alternatives compared if nothing explains the arrivals: positions surveyed within only 17 cm, and recordings that are
each off by anything within this range (common practice, no source)."""

Kind: TypeAlias = Literal[
    "loudspeakers", "seats", "not-moved", "moved-early", "moved-late", "exchanged-at-seat", "delay", "clock"
]
SPLITS: tuple[Kind, Kind] = ("moved-early", "moved-late")
MOVED = ("not-moved", "moved-early", "moved-late")
_RARE = {"loudspeakers": 6.0, "seats": 7.0, "not-moved": 7.0, "moved-early": 7.0, "moved-late": 7.0}
_RARE |= {"exchanged-at-seat": 9.0, "delay": 12.0, "clock": 12.0}
"""−2·ln of the probability of an event in a round (common practice, no source: a twentieth to a hundredth); for an
unknown size of a delay or of a clock's shift, 2·ln of the range over σ is added."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Survey:
    """Arrivals of main channels over seats, with positions, delays and clocks."""

    arrivals_s: FloatArray
    """[shape=(channels, seats)], NaN where missing."""
    flights_s: FloatArray
    """Distance over speed of sound [same shape]."""
    directions: FloatArray
    """Unit vectors from seat to loudspeaker [shape=(channels, seats, 3)]; zero where positions are unknown."""
    applied_s: FloatArray
    """The processor's delay of each channel in these recordings [shape=(channels,)], NaN if unknown."""
    clocks: NDArray[np.int_]
    """Number of the clock that each recording claims [shape=(channels, seats)]."""
    orders: tuple[NDArray[np.int_], ...] = ()
    """Possible orders in which the channels were measured at a seat: channel indices [shape=(channels,) each]."""
    unlike: NDArray[np.bool_] | None = None
    """Whether a channel's responses at two seats differ more than with an unmoved microphone [shape=(channels, seats,
    seats)]; None: not compared."""

    @property
    def shape(self) -> tuple[int, int]:
        """(channels, seats)."""
        return self.arrivals_s.shape[0], self.arrivals_s.shape[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """One explanation that fits arrivals better than the labels do."""

    kind: Kind
    channels: tuple[int, ...] = ()
    """Channels concerned; for "loudspeakers" a cycle: each sounds from the place of the next."""
    seats: tuple[int, ...] = ()
    """Seats concerned; the recordings labelled with the first belong to the second one's place, and so on in a cycle."""
    shift_s: float = 0.0
    """Additional time of "delay" and "clock"."""
    gain: float = 0.0
    """Reduction of the cost, without the cost of the explanation itself."""
    net: float = 0.0
    """Reduction of the cost including that of the explanation: 9.2 is 100 to 1."""

    @property
    def z(self) -> float:
        """Root of the gain: the misfit of the labels in standard deviations."""
        return math.sqrt(max(self.gain, 0.0))

    @property
    def key(self) -> tuple[str, tuple[int, ...], tuple[int, ...]]:
        """Kind and members, without the size."""
        return self.kind, tuple(sorted(self.channels)), self.seats

    @property
    def family(self) -> tuple[str, tuple[int, ...], tuple[int, ...]]:
        """Key common to all explanations that move recordings of one seat to one other place, however many."""
        return ("moved", (), self.seats) if self.kind in MOVED else self.key


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Matching:
    """Conclusions from the arrivals of a round about the labels of its recordings."""

    sure: tuple[Explanation, ...]
    """Explanations beyond doubt, in the order found; each is based on what the earlier ones left."""
    undecided: tuple[tuple[Explanation, ...], ...]
    """Explanations of the same recordings between which the arrivals cannot decide."""
    scale: float
    """Factor on the processor's delays: 1 right, see SCALES."""
    places: tuple[tuple[int, float], ...]
    """For each channel the place it sounds from, and z: root of the rise of the cost if that place is excluded."""
    rivals: tuple[int, ...]
    """For each channel the place that fits next best."""
    scattered: bool
    """Half or more of the recordings fit nothing: they share no clock. Then nothing else is concluded."""
    unexplained: bool
    """The arrivals fit neither the labels nor any explanation: then nothing is `sure`, and `places` are the labels."""
    rest_s: FloatArray
    """Arrival minus latency, flight and delay by the labels [shape=(channels, seats)]."""


def match(survey: Survey) -> Matching:
    """Compare explanations of a round's arrivals; the labels hold if nothing contradicts them."""
    first = state = _State(survey, scale=_scale(survey))
    sure: list[Explanation] = []
    undecided: list[tuple[Explanation, ...]] = []
    candidates = state.candidates() if state.suspicious() else []
    while candidates and len(sure) + len(undecided) < 6:
        best = max(candidates, key=lambda each: each.net)
        if best.net < SURE:
            break
        after = state.accept(best)
        later = {each.key: each.net for each in after.candidates()} if after.suspicious() else {}
        rivals = [
            each
            for each in candidates
            if each.family != best.family and each.net > best.net - SURE and later.get(each.key, 0.0) < 0.5 * each.net
        ]
        if rivals:
            undecided.append((best, *sorted(rivals, key=lambda each: -each.net)))
            state = state.without(best, *rivals, undecided=True)
        else:
            sure.append(best)
            state = after
        candidates = state.candidates() if state.suspicious() else []
    # An explanation that leaves most of the remainder explains nothing, even if it reduces it considerably.
    unexplained = state.cost() > 4.0 * max(np.isfinite(state.rest_s()).sum(), 1)
    explained = sum(each.gain for each in (*sure, *(several[0] for several in undecided)))
    least = max(4.0 * np.isfinite(first.rest_s()).sum(), MOST * first.cost())
    unexplained |= first.cost() - explained > least
    scattered = bool(sure or undecided or unexplained) and (state.scattered() or (unexplained and first.scattered()))
    unrelated = _unrelated(survey)
    scattered |= bool(unexplained) and first.has_no_clock()
    scattered, unexplained = scattered or unrelated, unexplained or scattered or unrelated
    places, rivals_of = (first if unexplained else state).places()
    return Matching(
        sure=() if unexplained else tuple(sure),
        undecided=() if unexplained else tuple(undecided),
        scattered=scattered,
        unexplained=unexplained,
        scale=state.scale,
        places=places,
        rivals=rivals_of,
        rest_s=first.rest_s(),
    )


def _unrelated(survey: Survey) -> bool:
    """Whether arrivals at a single seat without noted delays agree under no factor on the processor's delays.

    They differ by more than any room or setting explains, form three groups or more, and no group holds more than half.
    """
    heard = np.isfinite(survey.arrivals_s)
    if (heard.any(axis=0).sum(), len(np.unique(survey.clocks[heard]))) != (1, 1):
        return False
    if heard.sum() < 3 or np.isfinite(survey.applied_s[heard.any(axis=1)]).any():
        return False
    arrivals, flights = survey.arrivals_s[heard], survey.flights_s[heard]
    for scale in SCALES:
        sent = np.sort(
            arrivals - (1.0 - scale) * flights
        )  # delays that align add the difference from the longest flight
        ends = np.concatenate(([0], np.nonzero(np.diff(sent) > APART_S)[0] + 1, [len(sent)]))
        groups = np.diff(ends)
        if np.ptp(sent) <= STRAY_S or len(groups) < 3 or 2 * groups.max() > len(sent):
            return False
    return True


PLACE_RANGE_S, HEIGHT_RANGE_S = 0.0015, 0.0003
"""Standard deviation of a microphone's displacement from its place: 0.5 m across the floor, 0.1 m in height."""


def displaced(rest_s: FloatArray, flights_s: FloatArray, directions: FloatArray, shift_s: float) -> float | None:
    """Displacement of the microphone from its place at one seat [s of flight], if that explains its arrivals.

    `rest_s`, `flights_s` [shape=(channels,)], `directions` [shape=(channels, 3)] as in `Survey`, NaN if unknown. None
    unless the displacement is 100 times likelier than `shift_s`, common to all channels: least squares of the three
    coordinates, each recording bounded, against the shift. With fewer than four channels nothing is concluded.
    """
    good = np.isfinite(rest_s) & (np.linalg.norm(directions, axis=-1) > 0)
    if good.sum() < FEW:
        return None
    rest, far = rest_s[good], flights_s[good]
    source, sigma = directions[good] * far[:, None], np.array([PLACE_RANGE_S, PLACE_RANGE_S, HEIGHT_RANGE_S])
    place = np.zeros(3)
    for _ in range(8):
        apart = source - place
        now = np.linalg.norm(apart, axis=1)
        left = (rest - (now - far)) / CELL_SIGMA_S
        weight = np.sqrt(1 / (1 + left**2 / BOUND))[:, None]  # soft bound: a hard one stops far from the optimum
        slope = -apart / np.maximum(now, 1e-6)[:, None] / CELL_SIGMA_S
        design = np.concatenate((slope * weight, np.diag(1 / sigma)))
        target = np.concatenate((left * weight[:, 0], -place / sigma))
        place = place + np.linalg.lstsq(design, target, rcond=None)[0]
    left = (rest - (np.linalg.norm(source - place, axis=1) - far)) / CELL_SIGMA_S
    cost = float(np.minimum(left**2, BOUND).sum() + ((place / sigma) ** 2).sum())
    shifted = float(np.minimum(((rest - shift_s) / CELL_SIGMA_S) ** 2, BOUND).sum())
    return float(np.linalg.norm(place)) if cost + SURE < shifted else None


def misfit(rest_s: FloatArray, directions: FloatArray, delay_sigma_s: FloatArray) -> FloatArray:
    """Cost of the differences [shape=(b, seats), NaN where missing] between arrivals and those expected from a place.

    Minimum over errors of the place (three coordinates, common to the seats) and of the delay: sum of squares over
    variances, each recording bounded. `directions` [shape=(b, seats, 3)], `delay_sigma_s` [shape=(b,)], large if the
    delay is unknown.
    """
    good = np.isfinite(rest_s)
    y = np.where(good, rest_s, 0.0) / CELL_SIGMA_S
    ones = np.ones((*rest_s.shape, 1))
    scale = np.concatenate(
        (np.full((len(rest_s), 3), PLACE_SIGMA_S), np.asarray(delay_sigma_s)[:, None]), axis=1
    )  # unknowns in units of their own sigma: unit prior precision
    design = np.concatenate((directions, ones), axis=-1) * scale[:, None, :] / CELL_SIGMA_S
    best = np.full(len(rest_s), np.inf)
    with np.errstate(all="ignore"):
        middle = np.nan_to_num(_median(np.where(good, rest_s, np.nan)))
    rows = np.tile(np.arange(len(rest_s)), 2)
    left = y[rows] - np.concatenate((np.zeros(len(rest_s)), middle))[:, None] / CELL_SIGMA_S
    counted = np.full(left.shape, -1)
    for _ in range(5):
        within = good[rows] & (left**2 < BOUND)
        changed = (within != counted).any(axis=1)  # where the same recordings count, the solution is the same
        rows, counted = rows[changed], within[changed].astype(int)
        if not len(rows):
            break
        weighted = (design[rows] * counted[..., None]).swapaxes(1, 2)
        normal = weighted @ design[rows] + np.eye(4)
        unknown = np.linalg.solve(normal, weighted @ y[rows][..., None])
        left = y[rows] - (design[rows] @ unknown)[..., 0]
        cost = np.where(good[rows], np.minimum(left**2, BOUND), 0.0).sum(axis=1) + (unknown**2).sum(axis=(1, 2))
        np.minimum.at(best, rows, cost)
    return best


def _median(values: FloatArray) -> FloatArray:
    """Median along the last axis, ignoring NaN; NaN where all values are."""
    ordered = np.sort(values, axis=-1)  # NaN last
    count = np.isfinite(values).sum(axis=-1)
    low, high = np.maximum((count - 1) // 2, 0), np.maximum(count // 2, 0)
    high = np.minimum(high, values.shape[-1] - 1)
    both = np.stack((low, high), axis=-1)
    return np.asarray(np.take_along_axis(ordered, both, axis=-1).mean(axis=-1))


def _scale(survey: Survey) -> float:
    """Factor on the processor's delays: 1 unless another value surely fits better."""
    known = np.isfinite(survey.applied_s) & np.isfinite(survey.arrivals_s).any(axis=1)
    if known.sum() < 4 or np.ptp(survey.applied_s[known]) < 1e-3:
        return 1.0
    # Each seat as if on a separate clock: the delays are then compared within seats only.
    seats = np.broadcast_to(np.arange(survey.shape[1]), survey.shape)
    survey = replace(survey, clocks=seats.copy())
    plain = _State(survey)
    if not plain.suspicious():
        return 1.0
    states = [_State(survey, scale=scale) for scale in SCALES]
    costs = misfit(
        np.concatenate([each.rest_s() for each in states]),
        np.tile(plain.directions, (len(states), 1, 1)),
        np.concatenate([each.delay_sigma for each in states]),
    )
    totals = costs.reshape(len(states), -1).sum(axis=1) + 12.0
    best = int(np.argmin(totals))
    fits = totals[best] < 5.5 * np.isfinite(plain.sent).sum()
    rival = min(plain.cost(), plain.late_group_cost())
    return SCALES[best] if fits and rival - totals[best] > SURE else 1.0


class _State:
    """A survey with the explanations accepted so far: the place of each channel, and the recordings still in question."""

    def __init__(self, survey: Survey, scale: float = 1.0, place: NDArray[np.int_] | None = None) -> None:
        self.survey, self.scale = survey, scale
        channels = len(survey.arrivals_s)
        self.place = np.arange(channels) if place is None else place
        self.free = ~np.isfinite(survey.applied_s)
        self.applied = np.where(self.free, 0.0, scale * survey.applied_s)
        middle = np.median(self.applied[~self.free]) if (~self.free).any() else 0.0
        self.delay_sigma = np.where(
            self.free, 1.0, np.hypot(DELAY_SIGMA_S, DELAY_SIGMA_SHARE * np.abs(self.applied - middle))
        )
        self.flights = survey.flights_s[self.place]
        self.directions = survey.directions[self.place]
        self.sent = survey.arrivals_s - self.applied[:, None]  # minus the delay
        self.latency = self._latency(self.sent - self.flights)

    @cached_property
    def own(self) -> FloatArray:
        """Cost of each channel at its place [shape=(channels,)]."""
        return self._cost_rows(self.rest_s())

    def rest_s(self) -> FloatArray:
        """Arrival minus latency, flight and delay."""
        return np.asarray(self.sent - self.latency - self.flights)

    def cost(self) -> float:
        """Cost of all recordings."""
        return float(self.own.sum())

    def suspicious(self) -> bool:
        """Whether any channel fits its place worse than survey errors explain (χ² beyond one in a million)."""
        return bool((self.own > BOUND - 1).any()) or self.cost() > 4 * np.isfinite(self.sent).sum()

    def scattered(self) -> bool:
        """Whether half or more of the recordings fit neither a delay of their channel nor a clock of their seat."""
        left = np.array(self.rest_s())
        good = np.isfinite(left)
        if good.sum() < 3:
            return False
        left -= np.nanmedian(left)
        if good.sum() == 3:  # if two of three agree, the third one is late
            noted = not self.free[good.any(axis=1)].any()
            return noted and bool(np.diff(np.sort(left[good])).min() > APART_S)
        if (good.sum(axis=1) >= 2).sum() < 2:  # too few to fit both a channel's delay and a seat's clock
            # One seat: settings determine each arrival; without them, anything up to the range of delays is possible.
            noted = (good.any(axis=1) & ~self.free).sum() >= FEW
            return bool(2 * (np.abs(left[good]) > (SCATTER_S if noted else STRAY_S)).sum() > good.sum())
        if left.shape[1] == 2 and (both := good.all(axis=1)).sum() >= FEW_PAIRS:
            # Two seats: a channel's delay cancels in their difference, and reflections disturb a minority.
            apart = left[both, 0] - left[both, 1]
            off = np.abs(apart - np.median(apart)) > SCATTER_S
            return bool(3 * off.sum() >= 2 * off.size)
        rows, columns = (good.sum(axis=1) >= 2).sum(), (good.sum(axis=0) >= 2).sum()
        for _ in range(6):
            left -= np.nan_to_num(_median(left))[:, None]
            left -= np.nan_to_num(_median(left.T))[None, :]
        off_s = np.abs(left[good])
        many = (good.sum(axis=1) >= 3).sum() >= FEW
        if many and 2 * (off_s > SCATTER_S).sum() >= off_s.size:
            return True
        # Medians of few values leave many differences at zero: only the free ones count then, and only beyond the effect
        # of a reflection, since three of twelve recordings may well be reflections.
        share = 0.5 * max(1.0 - (rows + columns - 1) / off_s.size, 0.1)
        return bool((off_s > (APART_S if many else FEW_SCATTER_S)).sum() >= share * off_s.size)

    def has_no_clock(self) -> bool:
        """Whether recordings with arbitrary errors are 100 times likelier than poorly surveyed places.

        Of a channel with unknown delay, only the differences over the seats count.
        """
        left = self.rest_s()
        good = np.isfinite(left)
        count = good.sum(axis=1)
        with np.errstate(all="ignore"):
            left = left - np.where(self.free, _median(left), 0.0)[:, None]
        costs = np.where(good, np.minimum((left / POOR_SIGMA_S) ** 2, BOUND), 0.0).sum(axis=1)
        counted = np.maximum(count - self.free, 0)
        poor = float((costs * counted / np.maximum(count, 1)).sum())
        lost = 2 * math.log(LOST_RANGE_S / (POOR_SIGMA_S * math.sqrt(2 * math.pi))) * counted.sum()
        return bool(poor > lost + _RARE["clock"] + SURE)

    def _latency(self, left: FloatArray) -> FloatArray:
        """Latency of each recording's clock, NaN where too few channels determine it.

        Determined by two channels with known delay, or the only one left; without any, clocks are only aligned, by median
        polish.
        """
        clocks = self.survey.clocks
        out = np.full(left.shape, np.nan)
        known = ~self.free
        heard = left[known]
        if np.isfinite(heard).any(axis=1).sum() >= min(2, np.isfinite(left).any(axis=1).sum()):
            for clock in np.unique(clocks):
                mine = (clocks == clock) & np.isfinite(left)
                counted = left[mine & known[:, None]]
                if len(counted) >= 2:
                    out[clocks == clock] = np.median(counted)
            return out
        shift = np.zeros(left.shape)
        for _ in range(4):
            now = left - shift
            own = np.nan_to_num(_median(now))
            for clock in np.unique(clocks):
                mine = (clocks == clock) & np.isfinite(left)
                if (mine.any(axis=1)).sum() >= 3 or len(np.unique(clocks)) == 1:
                    shift[clocks == clock] += np.median((now - own[:, None])[mine]) if mine.any() else 0.0
                else:
                    shift[clocks == clock] = np.nan
        return shift

    def _cost_rows(
        self,
        rest: FloatArray,
        rows: NDArray[np.int_] | None = None,
        directions: FloatArray | None = None,
        sigma: FloatArray | None = None,
    ) -> FloatArray:
        index = np.arange(len(rest)) if rows is None else rows
        return misfit(
            rest,
            self.directions[index] if directions is None else directions,
            self.delay_sigma[index] if sigma is None else sigma,
        )

    def late_group_cost(self) -> float:
        """Least cost with up to half of the channels shifted by one time, and the cost of such a group itself.

        Loudspeakers of one model with built-in signal processing share a latency. In a room whose loudspeakers are at two
        or three distances from each seat, this looks like delays of a wrong unit.
        """
        rest, count = self.rest_s(), len(self.own)
        shifted = rest - _median(rest)[np.isfinite(rest).any(axis=1), None, None]
        costs = self._cost_rows(shifted.reshape(-1, rest.shape[1]), np.tile(np.arange(count), len(shifted)))
        least = math.inf
        for saved in self.own - costs.reshape(len(shifted), count):
            members = int((saved > EACH).sum())
            if 0 < members <= count / 2:
                price = _RARE["delay"] + 2 * math.log(0.02 / CELL_SIGMA_S * math.comb(count, members))
                least = min(least, self.cost() - float(saved[saved > EACH].sum()) + price)
        return least

    # --- explanations -------------------------------------------------------------------------------------------

    def candidates(self) -> list[Explanation]:
        """Explanations that lower the cost by more than their own cost."""
        found = [*self._loudspeakers(), *self._delays(), *self._seats(), *self._at_seats()]
        return [each for each in found if each.net > 0]

    def _priced(self, kind: Kind, gain: float, ways: float, **fields: object) -> Explanation:
        net = gain - _RARE[kind] - 2 * math.log(max(ways, 1.0))
        return Explanation(kind=kind, gain=gain, net=net, **fields)  # type: ignore[arg-type]

    def place_costs(self) -> FloatArray:
        """Cost of each channel at each place [shape=(channels, places)]."""
        channels, seats = self.survey.shape
        rest = (self.sent - self.latency)[:, None] - self.survey.flights_s[None]
        directions = np.broadcast_to(self.survey.directions[None], (channels, channels, seats, 3))
        sigma = np.repeat(self.delay_sigma, channels)
        costs = misfit(rest.reshape(-1, seats), directions.reshape(-1, seats, 3), sigma).reshape(channels, channels)
        known = np.isfinite(rest).sum(axis=-1) - self.free[:, None]
        return np.asarray(np.where(known >= 1, costs, 0.0))

    def places(self) -> tuple[tuple[tuple[int, float], ...], tuple[int, ...]]:
        """The place and z of each channel, and the place that fits next best."""
        channels, _ = self.survey.shape
        if channels < 2:
            return ((0, 0.0),) * channels, (0,) * channels
        costs = self.place_costs()
        # The accepted places stay: how much worse is the best order in which this channel sounds elsewhere?
        push = np.full(costs.shape, 1e-9)
        push[np.arange(channels), self.place] = 0.0
        prices = Assignment(costs + push)
        columns = prices.columns
        base = costs[np.arange(channels), self.place].sum()
        out, rivals = [], []
        for i in range(channels):
            other = prices.without(i) if columns[i] == self.place[i] else columns
            rise = 0.0 if other is None else float(costs[np.arange(channels), list(other)].sum() - base)
            out.append((int(self.place[i]), math.sqrt(max(rise, 0.0))))
            rivals.append(int(other[i]) if other is not None else i)
        return tuple(out), tuple(rivals)

    def _loudspeakers(self) -> Iterator[Explanation]:
        """Pairs and cycles in which every channel fits the place of another and not its own."""
        channels, _ = self.survey.shape
        if channels < 2:
            return
        costs = self.place_costs()
        own = costs[np.arange(channels), self.place]
        known = np.isfinite(self.sent).sum(axis=1)
        fits = costs <= np.maximum(BOUND, 6.0 * known)[:, None]
        better = fits & (costs < own[:, None] - EACH)
        # With few channels, the latency is uncertain while one of them is elsewhere: then every pair is tried.
        onto = better[:, self.place] | (channels <= FEW)  # cost of channel i at the place of channel k
        cycles: set[tuple[int, ...]] = {
            (k, i) for i in range(channels) for k in range(i) if onto[i, k] and onto[k, i]
        }
        inverse = np.argsort(self.place)
        cycles |= {tuple(cycle) for cycle in _cycles([int(inverse[column]) for column in Assignment(costs).columns])}
        if channels > FEW:
            for i, k in np.argwhere(onto):
                for n in np.nonzero(onto[k] & onto[:, i])[0]:
                    if n not in (i, k):
                        cycles.add(tuple(_from_smallest([int(i), int(k), int(n)])))
        for cycle in sorted(cycles):
            after = self.accept(Explanation(kind="loudspeakers", channels=cycle))
            mine = list(cycle)
            if (after.own[mine] <= np.maximum(2 * BOUND, 8.0 * known[mine])).all() and (
                after.own[mine] < self.own[mine] - EACH
            ).all():
                ways = channels * (channels - 1) / 2 if len(cycle) == 2 else float(channels ** len(cycle))
                yield self._priced("loudspeakers", self.cost() - after.cost(), ways, channels=cycle)

    def _delays(self) -> Iterator[Explanation]:
        """Explanations of one channel later or earlier at all seats."""
        rest = self.rest_s()
        cost = self._cost_rows(rest, sigma=np.full(len(rest), 1.0))
        with np.errstate(all="ignore"):
            shift = _median(rest)
        with np.errstate(invalid="ignore"):
            alike = (np.abs(rest - shift[:, None]) < 3 * CELL_SIGMA_S).sum(axis=1)
        known = np.isfinite(rest).sum(axis=1)
        if ((known > 0) & ~self.free).sum() < FEW:
            return  # ambiguous: which of two is late, and which early?
        # A delay in the channel's electronics is the same at nearly all seats; a displacement is not.
        for i in np.nonzero(~self.free & (self.own > BOUND - 4) & (alike >= ALIKE * known) & (known >= 2))[0]:
            gain = float(self.own[i] - cost[i])
            yield self._priced("delay", gain, len(rest), channels=(int(i),), shift_s=float(shift[i]))

    def _moved(self) -> tuple[FloatArray, FloatArray]:
        """Change of each channel's cost if one seat's recording belongs to another [shape=(channels, seats, seats)], and
        the differences themselves.

        If a seat is the only one on its clock, the latency is estimated again.
        """
        channels, seats = self.survey.shape
        rest = self.rest_s()
        moved = np.repeat((self.sent - self.latency)[:, :, None], seats, axis=2) - self.flights[:, None, :]
        for s in range(seats):
            mine = self.survey.clocks[:, s]
            known = np.isfinite(self.sent[:, s])
            if known.any() and not np.isin(np.delete(self.survey.clocks, s, axis=1), mine[known]).any():
                with np.errstate(all="ignore"):
                    moved[:, s] -= np.nan_to_num(_median(moved[:, s].T))[None, :]
        table = np.repeat(np.repeat(rest[:, None, None], seats, axis=1), seats, axis=2)
        directions = np.repeat(np.repeat(self.directions[:, None, None], seats, axis=1), seats, axis=2)
        each = np.arange(seats)
        table[:, each, :, each] = np.moveaxis(moved, 1, 0)
        directions[:, each, :, each] = np.repeat(self.directions[None], seats, axis=0)
        sigma = np.repeat(self.delay_sigma, seats * seats)
        cost = misfit(table.reshape(-1, seats), directions.reshape(-1, seats, 3), sigma)
        return cost.reshape(channels, seats, seats) - self.own[:, None, None], moved

    def _seats(self) -> Iterator[Explanation]:
        """Explanations by recordings exchanged between seats, in cycles of two or more."""
        _, seats = self.survey.shape
        if seats < 2:
            return
        change, moved = self._moved()
        together = change.sum(axis=0)
        yield from self._splits(change)
        pairs = seats * (seats - 1) / 2
        done = set()
        for s in range(seats):
            for k in range(s):
                if together[s, k] < 0 or together[k, s] < 0:
                    done.add((k, s))
        circles = [list(pair) for pair in done]
        circles += [cycle for cycle in _cycles(list(Assignment(together - together.min()).columns)) if len(cycle) > 2]
        for circle in circles:
            rest = self.rest_s().copy()
            directions = self.directions.copy()
            for s, k in zip(circle, [*circle[1:], circle[0]], strict=True):
                rest[:, s], directions[:, s] = moved[:, s, k], self.directions[:, k]
            gain = self.cost() - float(self._cost_rows(rest, directions=directions).sum())
            ways = pairs if len(circle) == 2 else float(seats ** len(circle))
            yield self._priced("seats", gain, ways, seats=tuple(circle))

    def _splits(self, change: FloatArray) -> Iterator[Explanation]:
        """Explanations by a seat's recordings that belong to another: all, from some channel on, or up to it."""
        channels, seats = self.survey.shape
        known = np.isfinite(self.sent - self.latency)
        for s in range(seats):
            for k in range(seats):
                if s == k or known[:, s].sum() < 2:
                    continue
                total = -float(change[:, s, k].sum())
                ways = seats * (seats - 1)
                yield self._priced("not-moved", total, ways, seats=(s, k))
                for order in self.survey.orders:
                    mine = [i for i in order if known[i, s]]
                    after = -np.cumsum([change[i, s, k] for i in mine[::-1]])[::-1]  # from the i-th channel on
                    for kind in SPLITS:
                        gains = after[1:] if kind == "moved-early" else total - after[1:]
                        if not len(gains):
                            continue
                        at = int(np.argmax(gains)) + 1
                        which = mine[at:] if kind == "moved-early" else mine[:at]
                        if len(which) >= 2 and not self._unlike(which, s, k):
                            yield self._priced(
                                kind,
                                float(gains[at - 1]),
                                2 * ways * channels,
                                channels=tuple(int(i) for i in which),
                                seats=(s, k),
                            )

    def _unlike(self, channels: list[int], s: int, k: int) -> bool:
        """Whether most of these responses at two seats show that the microphone was moved in between."""
        unlike = self.survey.unlike
        return unlike is not None and 2 * int(unlike[channels, s, k].sum()) > len(channels)

    def _at_seats(self) -> Iterator[Explanation]:
        """Explanations at one seat: all channels on another clock, or the recordings of two channels exchanged."""
        channels, seats = self.survey.shape
        rest = self.rest_s()
        with np.errstate(all="ignore"):
            centred = rest - np.where(self.free, np.nan_to_num(_median(rest)), 0.0)[:, None]
        bad = np.abs(centred) > math.sqrt(BOUND) * CELL_SIGMA_S
        yield from self._clocks(rest, centred)
        for s in range(seats):
            # At their other seats both must fit their own places: otherwise they are exchanged everywhere.
            elsewhere = np.isfinite(rest).sum(axis=1) - np.isfinite(rest[:, s])
            fine = elsewhere - (bad.sum(axis=1) - bad[:, s])
            odd = np.nonzero(bad[:, s] & (elsewhere >= 1) & (fine >= ALIKE * elsewhere))[0]
            rows, others, pairs = [], [], []
            for i in odd:
                for k in odd[odd < i]:
                    for a, b in ((i, k), (k, i)):
                        # The file of b has the label of a: its flight and its delay are those of b.
                        row = rest[a].copy()
                        row[s] += self.flights[a, s] + self.applied[a] - self.flights[b, s] - self.applied[b]
                        rows.append(row)
                        others.append(a)
                    pairs.append((int(k), int(i)))
            if not pairs:
                continue
            index = np.array(others)
            cost = self._cost_rows(np.array(rows), index).reshape(-1, 2)
            for pair, both in zip(pairs, cost, strict=True):
                gain = float(self.own[list(pair)].sum() - both.sum())
                ways = seats * channels * (channels - 1) / 2
                yield self._priced("exchanged-at-seat", gain, ways, channels=pair, seats=(s,))

    def _clocks(self, rest: FloatArray, centred: FloatArray) -> Iterator[Explanation]:
        """Seats whose recordings are all later or earlier than those of most seats: no common clock."""
        _, seats = self.survey.shape
        heard = np.isfinite(rest).sum(axis=0) >= 3
        if heard.sum() < 2:
            return
        with np.errstate(all="ignore"):
            shift = _median(centred.T)
        near = np.array([(np.abs(shift[heard] - each) < SEAT_SHIFT_S).sum() for each in shift])
        most = shift[int(np.argmax(np.where(heard, near, -1)))]
        apart = np.nonzero(heard & (np.abs(shift - most) > SEAT_SHIFT_S))[0]
        if not len(apart):
            return
        now = rest - most
        now[:, apart] = rest[:, apart] - shift[apart]
        gain = self.cost() - float(self._cost_rows(now).sum())
        each_costs = 2 * math.log(0.02 / CELL_SIGMA_S)
        yield replace(
            self._priced("clock", gain - (len(apart) - 1) * each_costs, seats, seats=tuple(int(s) for s in apart)),
            shift_s=float(shift[apart[0]] - most),
        )

    # --- what follows -------------------------------------------------------------------------------------------

    def accept(self, found: Explanation) -> _State:
        """The state after accepting an explanation: places change, recordings that belong elsewhere are left out."""
        if found.kind == "loudspeakers":
            place = self.place.copy()
            if len(found.channels) == 2:
                i, k = found.channels
                place[i], place[k] = self.place[k], self.place[i]
            else:
                for i, k in zip(found.channels, [*found.channels[1:], found.channels[0]], strict=True):
                    place[i] = self.place[k]
            return _State(self.survey, self.scale, place)
        if found.kind == "clock":
            clocks = self.survey.clocks.copy()
            for s in found.seats:
                clocks[:, s] = clocks.max() + 1
            return _State(replace(self.survey, clocks=clocks), self.scale, self.place)
        return self.without(found)

    def without(self, *found: Explanation, undecided: bool = False) -> _State:
        """The state without the recordings that these explanations concern."""
        arrivals, applied = np.array(self.survey.arrivals_s), np.array(self.survey.applied_s)
        for each in found:
            if each.kind in ("delay", "loudspeakers"):
                applied[list(each.channels)] = np.nan
                if undecided:
                    arrivals[list(each.channels)] = np.nan
            elif each.channels:
                arrivals[np.ix_(list(each.channels), [each.seats[0]])] = np.nan
            else:
                seats = each.seats[:1] if each.kind == "not-moved" else each.seats
                arrivals[:, list(seats)] = np.nan
        return _State(replace(self.survey, arrivals_s=arrivals, applied_s=applied), self.scale, self.place)


def _from_smallest(cycle: list[int]) -> list[int]:
    """The same cycle, starting at its smallest member."""
    at = cycle.index(min(cycle))
    return [int(each) for each in (*cycle[at:], *cycle[:at])]


def _cycles(columns: list[int]) -> Iterator[list[int]]:
    """Cycles of a permutation, each starting at its smallest member."""
    seen: set[int] = set()
    for start in range(len(columns)):
        cycle = []
        at = start
        while at not in seen:
            seen.add(at)
            cycle.append(at)
            at = columns[at]
        if len(cycle) > 1:
            yield cycle
