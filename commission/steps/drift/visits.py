"""Two visits in comparison: what moved, the effects of settings and air, and what cannot be compared.

The log of the return visit begins with the room as it was at the earlier visit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from commission.dsp import delays as delays_of
from commission.dsp.air import speed_of_sound_m_s
from commission.model import (
    Channel,
    DelayRange,
    EarlierFigure,
    EarlierVisit,
    Job,
    Position,
    Seat,
    System,
    SystemDefined,
)
from commission.steps.drift.figures import (
    ARRIVAL,
    HEARD,
    HELD,
    LEVEL,
    POLARITY,
    RESPONSE,
    SETTINGS,
    SPREAD,
    TAPE,
    TRIM,
    kind,
)
from commission.steps.shared.subwoofers import SUBS
from commission.steps.shared.survey import known_distance_m

MOVED_M = 0.05
"""Displacement from which something has moved: as far as a microphone is put back (common practice, no source)."""
NOT_NOW, NOT_THEN = "this round does not have them", "the last round of the earlier visit does not have them"
OTHER_UNIT = "the processor takes delays at one visit and distances at the other"
PAST_PROCESSOR = "one visit measured through the processor and the other past it"
OTHER_SEATS = "the two visits measured different seats"
WEIGHTS = "the weights of the seats are different"
SUBS_SET = "the settings of the subwoofers are different"
OTHER_BANDS, OTHER_CROSSOVER = "the bands are different", "its crossover is different"
OTHER_RANGE = "the range that was heard of the band is different"
SAME_RANGE_OCTAVES = 1 / 6
"""Largest difference of a range's ends: beyond it, the range may include a mode that the other does not (common practice,
no source)."""
OTHER_REFERENCE = "the reference seat is different"
_QUIET = (TAPE, HEARD, SPREAD)
"""Kinds not listed as missing if only one visit has them: others include them, or they need not be measured again."""
Place = tuple[str, str | None, str | None]
"""(quantity, channel, seat)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visits:
    """A visit and the one before."""

    job: Job
    round: str
    earlier: EarlierVisit
    then: System
    """The room, its seats, loudspeakers and instruments as they were."""
    temperature_noted: bool
    """Whether the air temperature was entered at this visit: until then it is that of the earlier one."""

    @classmethod
    def of(cls, job: Job, round_id: str) -> Visits | None:
        """The two visits; None if this is not a return."""
        earlier = job.earlier
        if earlier is None:
            return None
        here = max((e.seq for e in job.log if e.body is earlier), default=0)
        defined = [(e.seq, e.body.system) for e in job.log if isinstance(e.body, SystemDefined)]
        before = [system for seq, system in defined if seq < here]
        then = before[-1] if before else job.system
        states = [then, *(system for seq, system in defined if seq > here)]
        # A system with another temperature is stored only if it was read again.
        noted = any(old == new or old.temperature_c != new.temperature_c for old, new in pairwise(states))
        return cls(job=job, round=round_id, earlier=earlier, then=then, temperature_noted=noted)

    @property
    def now(self) -> System:
        """The room, its seats, loudspeakers and instruments at this visit."""
        return self.job.system

    @property
    def mains(self) -> frozenset[str]:
        """Main loudspeakers, without subwoofers."""
        return frozenset(c.id for c in self.now.channels if not c.is_sub)

    def figure(self, quantity: str, channel: str | None) -> EarlierFigure | None:
        """A figure of the earlier visit that has no seat."""
        return next((f for f in self.earlier.figures if (f.quantity, f.channel) == (quantity, channel)), None)


def place_of(figure: EarlierFigure, system: System) -> Place:
    """The place of a figure. Levels, arrivals and tapes without a seat were taken at the reference seat."""
    seat = figure.seat
    if seat is None and figure.quantity in (LEVEL, ARRIVAL, TAPE) and system.reference_seat is not None:
        seat = system.reference_seat.id
    return figure.quantity, figure.channel, seat


def why_not(visits: Visits, place: Place, then: EarlierFigure | None, now: EarlierFigure | None) -> str | None:
    """Reason why a figure cannot be compared; None if it can, empty if there is nothing to say."""
    quantity, channel, seat = place
    if reason := _why_gone(visits, channel, seat):
        return reason if kind(quantity) not in _QUIET else ""
    if then is None or now is None:
        return _why_one_only(visits, quantity, seat, now is None)
    if quantity in SETTINGS:
        return OTHER_UNIT if quantity == HELD and not _comparable(visits) else None
    if reason := _why_moved(visits, quantity, channel, seat or ""):
        return reason
    if then.passes_delays != now.passes_delays:
        return PAST_PROCESSOR
    if kind(quantity) == SPREAD:
        return _why_other_seats(visits, then, now)
    return None


def _why_one_only(visits: Visits, quantity: str, seat: str | None, gone: bool) -> str:
    """Reason why only one visit has a figure; `gone`: this one lacks it."""
    references = [None if s.reference_seat is None else s.reference_seat.id for s in (visits.then, visits.now)]
    if quantity == ARRIVAL and references[0] != references[1] and seat in references:
        return OTHER_REFERENCE
    bands = [{band.label for band in s.bands} for s in (visits.then, visits.now)]
    if kind(quantity) == SPREAD and quantity.split(" ")[-1] not in bands[0] & bands[1]:
        return OTHER_BANDS
    return "" if kind(quantity) in _QUIET else NOT_NOW if gone else NOT_THEN


def _why_gone(visits: Visits, channel: str | None, seat: str | None) -> str:
    for what, known in (("channel", channel), ("seat", seat)):
        lists = [{each.id for each in getattr(system, f"{what}s")} for system in (visits.then, visits.now)]
        if (
            known is None
            or known == SUBS
            or all(known in ids for ids in lists)
            or not any(known in ids for ids in lists)
        ):
            continue
        when = "this job" if known in lists[0] else "the earlier job"
        return f"{when} has no {what} of that name (renamed, added or removed?)"
    return ""


def _why_moved(visits: Visits, quantity: str, channel: str | None, seat: str) -> str:
    old, new = (None, None) if channel is None else (s.channel(channel) for s in (visits.then, visits.now))
    if old is not None and new is not None:
        if old.is_sub != new.is_sub:
            return "it is a subwoofer at one visit only"
        if quantity not in (TAPE, HEARD) and (far := _apart_m(old, new)) > MOVED_M:
            return f"it is {far:.2f} m from where it was"
    if quantity != HEARD:
        pair = [s.seat(seat) for s in (visits.then, visits.now)]
        if pair[0] is not None and pair[1] is not None and (far := _apart_m(pair[0], pair[1])) > MOVED_M:
            return f"seat {seat} is {far:.2f} m from where it was"
    return ""


def _apart_m(old: Channel | Seat, new: Channel | Seat) -> float:
    places: list[Position] = [each.position_m for each in (old, new) if each.position_m is not None]
    return math.dist(*places) if len(places) == 2 else 0.0


def _why_other_seats(visits: Visits, then: EarlierFigure, now: EarlierFigure) -> str | None:
    if set(then.over or now.over) != set(now.over):
        return OTHER_SEATS
    for seat in now.over:
        old, new = visits.then.seat(seat), visits.now.seat(seat)
        if old is not None and new is not None:
            if _apart_m(old, new) > MOVED_M:
                return f"seat {seat} is {_apart_m(old, new):.2f} m from where it was"
            if old.weight != new.weight:
                return WEIGHTS
    if _is_other_crossover(visits, now.channel or ""):
        return OTHER_CROSSOVER
    if then.heard_hz is not None and now.heard_hz is not None:
        edges = zip(then.heard_hz, now.heard_hz, strict=True)
        if any(abs(math.log2(a / b)) > SAME_RANGE_OCTAVES for a, b in edges if a > 0 and b > 0):
            return OTHER_RANGE
    subs = [c.id for c in visits.now.channels if c.is_sub]
    changed = any(
        before is not None and now_held is not None and abs(before - now_held) > 1e-6
        for c in subs
        for before, now_held in (_held(visits, q, c) for q in SETTINGS)
    )
    return SUBS_SET if now.channel == SUBS and changed else None


def _is_other_crossover(visits: Visits, channel: str) -> bool:
    """Whether the entered crossover has changed; a type or low-pass that was not entered then is no change."""
    old, new = visits.then.channel(channel), visits.now.channel(channel)
    if old is None or new is None:
        return any(each is not None and each.high_pass_hz is not None for each in (old, new))
    entered = (
        (visits.then.high_pass(old), visits.now.high_pass(new)),
        (old.low_pass_hz, new.low_pass_hz),
        (visits.then.low_pass(old), visits.now.low_pass(new)),
    )
    return old.high_pass_hz != new.high_pass_hz or any(None not in pair and pair[0] != pair[1] for pair in entered)


def _held(visits: Visits, quantity: str, channel: str) -> tuple[float | None, float | None]:
    """The processor's setting then and now; None if not noted."""
    then = visits.figure(quantity, channel)
    setting = visits.job.setting(visits.round, channel)
    sign = {"normal": 1.0, "reversed": -1.0}.get(setting.polarity or "")
    now = {TRIM: setting.trim_db, HELD: setting.distance, POLARITY: sign}[quantity]
    return None if then is None else then.value, now


def explained(visits: Visits, quantity: str, channel: str, *, passes: bool) -> float | None:
    """The change by settings and air, in its unit (of polarity: the factor); None where a setting is not noted.

    A response that bypassed the processor does not include its settings.
    """
    if quantity in (LEVEL, RESPONSE):
        return 0.0 if quantity == RESPONSE and not passes else _difference(*_held(visits, TRIM, channel))
    if quantity == HEARD:
        then, now = _held(visits, POLARITY, channel)
        return 1.0 if not passes else None if then is None or now is None else then * now
    if quantity == ARRIVAL:
        delay = _delay_ms(visits, channel) if passes else 0.0
        return None if delay is None else delay + _flight_ms(visits, channel)
    return 0.0


def _difference(then: float | None, now: float | None) -> float | None:
    return None if then is None or now is None else now - then


def _comparable(visits: Visits) -> bool:
    units = [s.processor.delay.unit for s in (visits.then, visits.now)]
    return (units[0] == "ms") == (units[1] == "ms")


def in_present_unit(visits: Visits, value: float) -> float:
    """An earlier distance setting, in the unit that the processor uses now."""
    then, now = (s.processor.delay.unit for s in (visits.then, visits.now))
    return value if then == now or not _comparable(visits) else value * delays_of.unit_m(then) / delays_of.unit_m(now)


def coarser_step(visits: Visits) -> float:
    """Rounding of a distance entered in another unit: half a step of the coarser one; 0 in the same unit."""
    then, now = (s.processor.delay for s in (visits.then, visits.now))
    return 0.0 if then.unit == now.unit else max(in_present_unit(visits, then.step), now.step) / 2


def _delay_ms(visits: Visits, channel: str) -> float | None:
    """Additional delay of a channel since then, beyond the part common to all [ms]."""
    then, now = _held(visits, HELD, channel)
    if then is None or now is None or not _comparable(visits):
        return None
    # A processor that takes distances uses one speed of sound, whatever the air.
    speed = speed_of_sound_m_s(visits.then.temperature_c)
    return _delay_of(now, visits.now, speed) - _delay_of(then, visits.then, speed)


def _delay_of(value: float, system: System, speed: float) -> float:
    """The delay of a setting [ms]; for a distance relative to its farthest one, which is common to all channels."""
    delay: DelayRange = system.processor.delay
    if delay.unit == "ms":
        return value
    own = delays_of.assumed_speed_m_s(delay.unit, system.processor.speed_of_sound_m_s, speed)
    return -1000 * value * delays_of.unit_m(delay.unit) / own


def flight_m(visits: Visits, channel: str) -> float | None:
    """Distance of a loudspeaker from the reference seat; None without tape and positions."""
    known = visits.now.channel(channel)
    found = None if known is None else known_distance_m(visits.job, known, visits.round)
    return None if found is None else found[0]


def _flight_ms(visits: Visits, channel: str) -> float:
    """Additional travel time because the air is colder than then."""
    far = flight_m(visits, channel) or 0.0
    then, now = (speed_of_sound_m_s(s.temperature_c) for s in (visits.then, visits.now))
    return 1000 * far * (1 / now - 1 / then)
