"""Did every channel change between two rounds as its settings did, and if not, which single typing mistake explains it?

From a round's responses and the settings of both rounds follow the level and the arrival that each seat should have
later: level + change of trim, arrival + change of delay. What all main channels share (volume, gain of the microphone;
at each seat the clock) is not known and is taken off as a median. The rest is compared with what was measured, as the
median over the seats.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.delays import assumed_speed_m_s, unit_m
from commission.dsp.trims import grid_decimals
from commission.model import Analyses, Channel, Job, Setting
from commission.model.formatting import number
from commission.model.units import round_name
from commission.model.verdict import surely_above
from commission.steps.compare.result import rounds_to_compare
from commission.steps.shared.awaiting import awaiting_repair
from commission.steps.shared.cache import cached
from commission.steps.shared.screening import usable
from commission.steps.shared.survey import common_clock, on_clock

LEVEL_OFF_DB, LEVEL_U_DB = 1.0, 0.5
DELAY_OFF_S, DELAY_U_S = 0.3e-3, 0.1e-3
"""How far a level or an arrival may be from its prediction, and the standard uncertainty at one seat of a microphone put
back within 5 cm (determined by simulation: tests/steps/test_compare_predicted.py)."""
LEAST_CHANNELS = 3
"""Of fewer channels the median is no common part."""
MISTAKE_DB, MISTAKE_S = 0.6, 0.15e-3
"""A mistake explains a measurement that is this near to what it would give."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A change between two rounds, by the settings and as measured."""

    predicted: float
    measured: float
    u: float
    limit: float

    @property
    def off(self) -> float:
        """Measured minus predicted."""
        return self.measured - self.predicted

    @property
    def is_off(self) -> bool:
        """Whether it contradicts the prediction beyond doubt."""
        return surely_above(abs(self.off), self.limit, self.u)


@dataclass(frozen=True, slots=True, kw_only=True)
class AtSeat:
    """Level [dB] and arrival [s] of a channel at a seat, as predicted and as measured; None: not measured."""

    level_db: tuple[float, float] | None
    arrival_s: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """One channel in both rounds."""

    channel: str
    level_db: Quantity | None
    delay_s: Quantity | None
    seats: dict[str, AtSeat]
    why_not: str = ""
    """Why nothing can be compared; empty where something is."""
    mistake: str = ""
    """The one typing mistake that explains what is off, as a clause; empty where nothing is off, or none explains it."""

    @property
    def is_off(self) -> bool:
        """Whether the channel contradicts its settings beyond doubt."""
        return any(each is not None and each.is_off for each in (self.level_db, self.delay_s))

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
    """By how much all main channels became louder than their trims say."""


@dataclass(frozen=True, slots=True)
class _Change:
    """What one seat shows of one channel: level and arrival before and after."""

    level_db: tuple[float, float] | None
    arrival_s: tuple[float, float] | None


@cached
def predictions(job: Job, analyses: Analyses) -> Predictions | None:
    """The channels of the two rounds that are compared; None where there are no two rounds."""
    rounds = rounds_to_compare(job)
    if rounds is None:
        return None
    screened = usable(job, analyses, *rounds)
    slope_s = _slope_s(job)
    repaired = _repaired(job, rounds, analyses)
    found = {c.id: _changes(job, c, rounds, screened) for c in job.system.channels}
    settings = {c.id: (job.setting(rounds[0], c.id), job.setting(rounds[1], c.id)) for c in job.system.channels}
    through = {
        c.id: all(item.passes_delays for r in rounds for s in found[c.id] for item in screened.repeats(r, c.id, s))
        for c in job.system.channels
    }
    reasons = {c.id: _why_not(c, settings[c.id], found[c.id], repaired, through[c.id]) for c in job.system.channels}
    mains = [c.id for c in job.system.channels if not c.is_sub and not reasons[c.id]]
    level_shift = _common_level_db(mains, found, settings)
    clock_shift = _common_arrivals_s(mains, found, settings, slope_s)
    channels = {
        c.id: Prediction(channel=c.id, level_db=None, delay_s=None, seats={}, why_not=reasons[c.id])
        if reasons[c.id]
        else _prediction(job, c, found[c.id], settings, slope_s, level_shift, clock_shift)
        for c in job.system.channels
    }
    return Predictions(rounds=rounds, channels=channels, common_db=level_shift)


def _slope_s(job: Job) -> float:
    """Delay for each unit of the setting [s]."""
    processor = job.system.processor
    if processor.delay.unit == "ms":
        return 1e-3
    own = assumed_speed_m_s(
        processor.delay.unit, processor.speed_of_sound_m_s, speed_of_sound_m_s(job.system.temperature_c)
    )
    return -unit_m(processor.delay.unit) / own


def _repaired(job: Job, rounds: tuple[str, str], analyses: Analyses) -> set[str]:
    """Channels that were faulty before, or repaired: these changed by more than their settings."""
    touched = set(awaiting_repair(job, rounds[0], analyses)) | set(awaiting_repair(job, rounds[1], analyses))
    return touched | {c for action in job.actions if action.mends for c in action.body.channels}


def _changes(job: Job, channel: Channel, rounds: tuple[str, str], screened: Analyses) -> dict[str, _Change]:
    out = {}
    for seat in job.system.seats:
        levels, arrivals = [], []
        for r in rounds:
            newest = screened.of(r, channel.id, seat.id)
            timed = on_clock(screened.repeats(r, channel.id, seat.id), common_clock(job, r, screened, seat))
            levels.append(None if newest is None else newest.level_db)
            arrivals.append(None if timed is None or timed.analysis is None else timed.analysis.arrival_s)
        level = _pair(levels)
        arrival = None if channel.is_sub else _pair(arrivals)
        if level is not None or arrival is not None:
            out[seat.id] = _Change(level, arrival)
    return out


def _pair(values: list[float | None]) -> tuple[float, float] | None:
    one, two = values
    return None if one is None or two is None else (one, two)


def _why_not(
    channel: Channel,
    settings: tuple[Setting, Setting],
    found: dict[str, _Change],
    repaired: set[str],
    passes_processor: bool,
) -> str:
    if not found:
        return "not measured at one seat in both rounds"
    if not passes_processor:
        return "measured past the processor"
    if channel.id in repaired:
        return "repaired or faulty: it changes by more than its settings"
    if channel.is_sub and settings[1].filters is not None and settings[1].filters != (settings[0].filters or ()):
        return "its filters changed: see Bass"
    known = any(None not in (getattr(settings[0], n), getattr(settings[1], n)) for n in ("trim_db", "distance"))
    return "" if known else "its settings are not entered in both rounds"


def _step(settings: tuple[Setting, Setting], name: str) -> float | None:
    """The change of a setting, None where it is not entered in both rounds."""
    one, two = (getattr(each, name) for each in settings)
    return None if one is None or two is None else float(two - one)


Changes = dict[str, dict[str, _Change]]
Settings = dict[str, tuple[Setting, Setting]]


def _common_level_db(mains: list[str], found: Changes, settings: Settings) -> float | None:
    """Median over the main channels of what they became louder beyond their trims."""
    beyond = []
    for c in mains:
        step = _step(settings[c], "trim_db")
        levels = [each.level_db[1] - each.level_db[0] for each in found[c].values() if each.level_db is not None]
        if step is not None and levels:
            beyond.append(float(np.median(levels)) - step)
    return float(np.median(beyond)) if len(beyond) >= LEAST_CHANNELS else None


def _common_arrivals_s(mains: list[str], found: Changes, settings: Settings, slope_s: float) -> dict[str, float]:
    """By seat: median over the main channels of what they arrive later beyond their delays."""
    beyond: dict[str, list[float]] = {}
    for c in mains:
        step = _step(settings[c], "distance")
        for seat, each in found[c].items():
            if step is not None and each.arrival_s is not None:
                beyond.setdefault(seat, []).append(each.arrival_s[1] - each.arrival_s[0] - step * slope_s)
    return {seat: float(np.median(v)) for seat, v in beyond.items() if len(v) >= LEAST_CHANNELS}


def _prediction(
    job: Job,
    channel: Channel,
    found: dict[str, _Change],
    settings: Settings,
    slope_s: float,
    level_shift: float | None,
    clock_shift: dict[str, float],
) -> Prediction:
    own = settings[channel.id]
    trim, distance = _step(own, "trim_db"), _step(own, "distance")
    seats: dict[str, AtSeat] = {}
    levels, arrivals = [], []
    for seat, each in found.items():
        level = arrival = None
        if each.level_db is not None and trim is not None and level_shift is not None:
            level = (each.level_db[0] + trim + level_shift, each.level_db[1])
            levels.append(level[1] - level[0])
        if each.arrival_s is not None and distance is not None and seat in clock_shift:
            arrival = (each.arrival_s[0] + distance * slope_s + clock_shift[seat], each.arrival_s[1])
            arrivals.append(arrival[1] - arrival[0])
        seats[seat] = AtSeat(level_db=level, arrival_s=arrival)
    level_q = _quantity(trim, levels, LEVEL_U_DB, LEVEL_OFF_DB)
    delay_q = _quantity(None if distance is None else distance * slope_s, arrivals, DELAY_U_S, DELAY_OFF_S)
    why = "" if level_q or delay_q else "fewer than three main channels show what all of them share"
    made = Prediction(channel=channel.id, level_db=level_q, delay_s=delay_q, seats=seats, why_not=why)
    if not made.is_off:
        return made
    return replace(made, mistake=_mistake(job, channel.id, made, settings, slope_s))


def _quantity(predicted: float | None, off: list[float], u: float, limit: float) -> Quantity | None:
    if predicted is None or not off:
        return None
    return Quantity(
        predicted=predicted,
        measured=predicted + float(np.median(off)),
        u=u / math.sqrt(len(off)),
        limit=limit,
    )


def _mistake(job: Job, channel: str, made: Prediction, settings: Settings, slope_s: float) -> str:
    """The one slip that gives what was measured; empty where two quantities are off, or none does."""
    off = [each for each in (made.level_db, made.delay_s) if each is not None and each.is_off]
    if len(off) != 1:
        return ""
    is_level = off[0] is made.level_db
    name, per_unit = ("trim_db", 1.0) if is_level else ("distance", slope_s)
    old, new = (float(getattr(each, name)) for each in settings[channel])
    others = {c: float(v) for c, s in settings.items() if c != channel and (v := getattr(s[1], name)) is not None}
    held = old + off[0].measured / per_unit
    """What the processor holds by the measurement, in the unit of the setting."""
    within = (MISTAKE_DB if is_level else MISTAKE_S) / abs(per_unit)
    what = "trim" if is_level else ("delay" if job.system.processor.delay.unit == "ms" else "distance")
    step = job.system.processor.trim_db.step if is_level else job.system.processor.delay.step
    unit = "dB" if is_level else job.system.processor.delay.unit
    for value, words in _slips(old, new, others, what, metres=not is_level and unit != "ms"):
        if abs(value - held) <= within and abs(value - new) > within:
            shown = number(value, grid_decimals(step, 1), signed=is_level)
            return words.format(value=f"{shown} {unit}")
    return ""


def _slips(
    old: float, new: float, others: dict[str, float], what: str, *, metres: bool
) -> Iterator[tuple[float, str]]:
    """What would be in the processor after each slip, the likeliest first, with its clause."""
    yield old, f"the new {what} was not set"
    yield -new, f"the {what} was typed with the wrong sign"
    yield 2 * old - new, f"the {what} was changed in the wrong direction"
    for c, value in others.items():
        yield value, f"it has the {what} of {c}, {{value}}"
    yield new * 10, f"the decimal point of the {what} is wrong: {{value}}"
    yield new / 10, f"the decimal point of the {what} is wrong: {{value}}"
    if metres:
        yield new / 0.3048, f"the {what} was converted between feet and metres: {{value}}"
        yield new * 0.3048, f"the {what} was converted between feet and metres: {{value}}"
    for value in _transposed(new):
        yield value, f"two digits of the {what} are exchanged: {{value}}"


def _transposed(value: float) -> Iterator[float]:
    """The value with two neighbouring digits exchanged."""
    text = f"{abs(value):.2f}"
    places = [i for i, letter in enumerate(text) if letter.isdigit()]
    for i, j in pairwise(places):
        letters = list(text)
        letters[i], letters[j] = letters[j], letters[i]
        yield math.copysign(float("".join(letters)), value)


def sentence(each: Prediction, rounds: tuple[str, str]) -> str:
    """What is off of a channel and what explains it, in one sentence."""
    parts = []
    if each.level_db is not None and each.level_db.is_off:
        parts.append(f"its level is {number(each.level_db.off, 1, signed=True)} dB off its prediction")
    if each.delay_s is not None and each.delay_s.is_off:
        parts.append(f"it arrives {number(1000 * each.delay_s.off, 2, signed=True)} ms off its prediction")
    why = f" Most likely {each.mistake}." if each.mistake else " No single typing mistake explains that."
    return f"{each.channel}, {round_name(rounds[1])}: {' and '.join(parts)}.{why}"
