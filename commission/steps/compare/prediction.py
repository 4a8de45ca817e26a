"""The change of every channel between two rounds, compared with that of its settings, and the typing mistake behind it.

A round's responses and the change of the settings predict the later level and arrival at each seat: level + change of
trim, arrival + change of delay. Where a settings sheet was issued, its own prediction is taken from the log, and so are
its settings where those as left are not entered. The part common to all main channels (volume, gain of the microphone; at
each seat the clock) is unknown and subtracted as a median. The remainder is compared with the measurement, as the median
over the seats.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from commission.model import Analyses, Channel, Event, Job, Setting, SheetChannel
from commission.model.formatting import number
from commission.model.units import round_name
from commission.model.verdict import surely_above
from commission.steps.compare.result import rounds_to_compare
from commission.steps.seats.awaiting import awaiting_repair
from commission.steps.shared.cache import cached
from commission.steps.shared.issued_sheet import held_setting, issued_before
from commission.steps.shared.screening import usable
from commission.steps.shared.slips import Slip, exchange, slip_of
from commission.steps.shared.survey import common_clock, delay_slope_s, on_clock

LEVEL_OFF_DB, LEVEL_U_DB = 1.0, 0.5
DELAY_OFF_S, DELAY_U_S = 0.3e-3, 0.1e-3
"""Largest deviation of a level or an arrival from its prediction, and the standard uncertainty at one seat with a
microphone put back within 5 cm (determined by simulation: tests/steps/test_compare_prediction.py)."""
LEAST_CHANNELS = 3
"""Fewest channels whose median is a common part."""
MISTAKE_DB, MISTAKE_S = 0.6, 0.15e-3
"""Largest deviation between a measurement and the mistake that explains it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A change between two rounds, by the settings and as measured."""

    predicted: float
    measured: float
    u: float
    limit: float
    seats: int
    """Number of seats at which it was measured in both rounds."""

    @property
    def off(self) -> float:
        """Measured minus predicted."""
        return self.measured - self.predicted

    @property
    def is_off(self) -> bool:
        """Whether it contradicts the prediction beyond doubt."""
        return surely_above(abs(self.off), self.limit, self.u)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatChange:
    """Level [dB] and arrival [s] of a channel at a seat, as predicted and as measured; None: not measured."""

    level_db: tuple[float, float] | None
    arrival_s: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """One channel in both rounds."""

    channel: str
    level_db: Quantity | None
    delay_s: Quantity | None
    seats: dict[str, SeatChange]
    why_not: str = ""
    """Reason why nothing can be compared; empty if something is."""
    mistake: str = ""
    """The single typing mistake that explains the deviation, as a clause; empty without a deviation or an explanation."""
    is_shared: bool = False
    """Whether the mistake explains two channels together."""

    @property
    def off(self) -> dict[str, Quantity]:
        """The quantities that contradict the settings beyond doubt, by the name of the setting."""
        both = {"trim_db": self.level_db, "distance": self.delay_s}
        return {name: each for name, each in both.items() if each is not None and each.is_off}

    @property
    def is_off(self) -> bool:
        """Whether the channel contradicts its settings beyond doubt."""
        return bool(self.off)

    @property
    def word(self) -> str:
        """As predicted or not."""
        if self.level_db is None and self.delay_s is None:
            return "not compared"
        return "not as predicted" if self.is_off else "as predicted"


@dataclass(frozen=True, slots=True, kw_only=True)
class Predictions:
    """All channels of two rounds."""

    rounds: tuple[str, str]
    channels: dict[str, Prediction]
    common_db: float | None
    """Common increase of all main channels beyond their trims."""
    sheet: Event | None = None
    """The issued settings sheet whose prediction is compared; None: computed from the settings of both rounds."""

    @property
    def off(self) -> tuple[Prediction, ...]:
        """The channels that contradict their settings beyond doubt."""
        return tuple(each for each in self.channels.values() if each.is_off)


LevelAndArrival = tuple[float | None, float | None]
"""Level [dB] and arrival [s] of a channel at a seat; None where not measured."""


@dataclass(frozen=True, slots=True)
class _RoundPair:
    """One channel: its settings and its response at each seat in both rounds."""

    channel: Channel
    old: Setting
    new: Setting
    seats: dict[str, tuple[LevelAndArrival, LevelAndArrival]]
    passes_delays: bool

    def step(self, name: str) -> float | None:
        """The change of a setting; None if not entered in both rounds."""
        return setting_step(self.old, self.new, name)

    def pairs(self, quantity: int) -> dict[str, tuple[float, float]]:
        """Level (0) or arrival (1) before and after, by seat, where both are known."""
        both = {seat: (one[quantity], other[quantity]) for seat, (one, other) in self.seats.items()}
        return {seat: (a, b) for seat, (a, b) in both.items() if a is not None and b is not None}


@cached
def predictions(job: Job, analyses: Analyses) -> Predictions | None:
    """The channels of the two rounds compared; None if there are no two rounds."""
    rounds = rounds_to_compare(job)
    if rounds is None:
        return None
    screened = usable(job, analyses, *rounds)
    slope_s = delay_slope_s(job)
    repaired = _repaired(job, rounds, analyses)
    sheet, stored = issued_before(job, rounds[1])
    compared = {c.id: _compared(job, c, rounds, screened, stored.get(c.id), slope_s) for c in job.system.channels}
    reasons = {c: _why_not(each, repaired) for c, each in compared.items()}
    mains = [each for c, each in compared.items() if not each.channel.is_sub and not reasons[c]]
    louder = ((each.step("trim_db"), [new - old for old, new in each.pairs(0).values()]) for each in mains)
    level_shift = common_change(louder)
    clock_shift = _common_arrivals_s(mains, slope_s)
    channels = {
        c: Prediction(channel=c, level_db=None, delay_s=None, seats={}, why_not=reasons[c])
        if reasons[c]
        else _prediction(each, slope_s, level_shift, clock_shift)
        for c, each in compared.items()
    }
    named = _explained(job, channels, compared, slope_s)
    return Predictions(rounds=rounds, channels=named, common_db=level_shift, sheet=sheet)


def setting_step(old: Setting, new: Setting, name: str) -> float | None:
    """The change of a trim or a delay; None if unknown before or after."""
    one, two = (getattr(each, name) for each in (old, new))
    return None if one is None or two is None else float(two - one)


def _repaired(job: Job, rounds: tuple[str, str], analyses: Analyses) -> set[str]:
    """Channels that were faulty before, or repaired: these changed by more than their settings."""
    touched = set(awaiting_repair(job, rounds[0], analyses)) | set(awaiting_repair(job, rounds[1], analyses))
    return touched | {c for action in job.actions if action.mends for c in action.body.channels}


def heard_at_seats(
    job: Job, channel: Channel, round_id: str, screened: Analyses
) -> tuple[dict[str, LevelAndArrival], bool]:
    """(level and arrival of a channel at every seat of a round, whether all recordings went through the processor)."""
    out: dict[str, LevelAndArrival] = {}
    through = True
    for seat in job.system.seats:
        repeats = screened.repeats(round_id, channel.id, seat.id)
        newest = screened.of(round_id, channel.id, seat.id)
        timed = on_clock(repeats, common_clock(job, round_id, screened, seat))
        arrival = None if timed is None or timed.analysis is None or channel.is_sub else timed.analysis.arrival_s
        level = None if newest is None else newest.level_db
        through &= all(item.passes_delays for item in repeats)
        if level is not None or arrival is not None:
            out[seat.id] = (level, arrival)
    return out, through


def _compared(
    job: Job,
    channel: Channel,
    rounds: tuple[str, str],
    screened: Analyses,
    stored: SheetChannel | None,
    slope_s: float,
) -> _RoundPair:
    after, through = heard_at_seats(job, channel, rounds[1], screened)
    if stored is None:
        before, was_through = heard_at_seats(job, channel, rounds[0], screened)
        old, through = job.setting(rounds[0], channel.id), through and was_through
    else:
        before, old = _stored_before(stored, slope_s), stored.old
    new = held_setting(job, rounds[1], channel.id)
    seats = {seat: (before[seat], after[seat]) for seat in before if seat in after}
    return _RoundPair(channel, old, new, seats, through)


def _stored_before(stored: SheetChannel, slope_s: float) -> dict[str, LevelAndArrival]:
    """Level and arrival at each seat when the sheet was issued: its prediction minus the changes that it asks for."""
    trim, delay = (setting_step(stored.old, stored.new, name) for name in ("trim_db", "distance"))
    return {
        each.seat: (
            None if each.level_db is None or trim is None else each.level_db - trim,
            None if each.arrival_ms is None or delay is None else each.arrival_ms / 1000 - delay * slope_s,
        )
        for each in stored.seats
    }


def _why_not(each: _RoundPair, repaired: set[str]) -> str:
    if not each.passes_delays:
        return "measured past the processor"
    if each.channel.id in repaired:
        return "repaired or faulty: it changes by more than its settings"
    if each.step("trim_db") is None and each.step("distance") is None:
        return "its settings are not entered in both rounds"
    if not each.pairs(0) and not each.pairs(1):
        return "not measured at one seat in both rounds"
    if each.channel.is_sub and (each.new.filters or ()) != (each.old.filters or ()):
        return "its filters changed: see Bass"
    return ""


def common_change(changes: Iterable[tuple[float | None, Sequence[float]]]) -> float | None:
    """Median over channels of the change beyond the setting; None with too few.

    `changes`: for each channel, the change of its setting and the change at each seat.
    """
    beyond = [float(np.median(shown)) - step for step, shown in changes if step is not None and shown]
    return float(np.median(beyond)) if len(beyond) >= LEAST_CHANNELS else None


def _common_arrivals_s(mains: Sequence[_RoundPair], slope_s: float) -> dict[str, float]:
    """Common delay of the main channels beyond their settings (median), by seat."""
    beyond: dict[str, list[float]] = {}
    for each in mains:
        step = each.step("distance")
        if step is None:
            continue
        for seat, (before, after) in each.pairs(1).items():
            beyond.setdefault(seat, []).append(after - before - step * slope_s)
    return {seat: float(np.median(v)) for seat, v in beyond.items() if len(v) >= LEAST_CHANNELS}


def _prediction(
    each: _RoundPair, slope_s: float, level_shift: float | None, clock_shift: dict[str, float]
) -> Prediction:
    trim, distance = each.step("trim_db"), each.step("distance")
    levels: dict[str, tuple[float, float]] = {}
    arrivals: dict[str, tuple[float, float]] = {}
    if trim is not None and level_shift is not None:
        levels = {seat: (old + trim + level_shift, new) for seat, (old, new) in each.pairs(0).items()}
    if distance is not None:
        moved = {seat: distance * slope_s + shift for seat, shift in clock_shift.items()}
        arrivals = {seat: (old + moved[seat], new) for seat, (old, new) in each.pairs(1).items() if seat in moved}
    level_q = _quantity(trim, levels, LEVEL_U_DB, LEVEL_OFF_DB)
    delay_q = _quantity(None if distance is None else distance * slope_s, arrivals, DELAY_U_S, DELAY_OFF_S)
    return Prediction(
        channel=each.channel.id,
        level_db=level_q,
        delay_s=delay_q,
        seats={seat: SeatChange(level_db=levels.get(seat), arrival_s=arrivals.get(seat)) for seat in each.seats},
        why_not="" if level_q or delay_q else "fewer than three main channels show what all of them share",
    )


def _quantity(predicted: float | None, at: dict[str, tuple[float, float]], u: float, limit: float) -> Quantity | None:
    if predicted is None or not at:
        return None
    off = [measured - expected for expected, measured in at.values()]
    return Quantity(
        predicted=predicted,
        measured=predicted + float(np.median(off)),
        u=u / math.sqrt(len(off)),
        limit=limit,
        seats=len(off),
    )


def _explained(
    job: Job, channels: dict[str, Prediction], compared: dict[str, _RoundPair], slope_s: float
) -> dict[str, Prediction]:
    """The channels with the mistake that explains each one that is off in one quantity."""
    settings = {c: (each.old, each.new) for c, each in compared.items()}
    slips: dict[str, tuple[str, Slip | None]] = {}
    for c, made in channels.items():
        if len(made.off) == 1:
            ((name, off),) = made.off.items()
            within = MISTAKE_DB if name == "trim_db" else MISTAKE_S
            slips[c] = (name, slip_of(job, name, settings, c, off.measured, within, slope_s))
    named = {c: replace(channels[c], mistake=slip.text) for c, (_, slip) in slips.items() if slip is not None}
    if len(slips) == 2 and sum(each.is_off for each in channels.values()) == 2:
        (one, (first, its)), (other, (second, theirs)) = slips.items()
        what = "trim" if first == "trim_db" else job.system.processor.delay.word
        if first == second and (text := exchange(one, its, other, theirs, what)):
            named = {c: replace(channels[c], mistake=text, is_shared=True) for c in (one, other)}
    return channels | named


def differences(each: Prediction) -> list[str]:
    """The differences of a channel from its prediction, a phrase for each quantity: "2.1 ± 0.5 dB louder than"."""
    words = {
        "trim_db": ("louder than", "softer than", "dB", 1, 1),
        "distance": ("later than", "earlier than", "ms", 2, 1000),
    }
    out = []
    for name, off in each.off.items():
        above, below, unit, decimals, factor = words[name]
        value, u = (number(factor * v, decimals) for v in (abs(off.off), 2 * off.u))
        out.append(f"{value} ± {u} {unit} {above if off.off > 0 else below}")
    return out


def sentence(each: Prediction, rounds: tuple[str, str]) -> str:
    """The differences of a channel and their explanation, in one sentence."""
    why = f" Most likely {each.mistake}." if each.mistake else " No single typing mistake explains that."
    return f"{each.channel}, {round_name(rounds[1])}: {' and '.join(differences(each))} predicted.{why}"
