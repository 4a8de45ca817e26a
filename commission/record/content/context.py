"""The input of every part of a record: the visit, and the format of names, dates and figures."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from commission.model import AS_FOUND, Channel, Job, Limit, Outcome, Processor, RoomPlan
from commission.model.quantities import quantity
from commission.model.units import clean_text
from commission.record.document import Heading, PrintedTable
from commission.visit import Visit

MOST_NAMES = 4
"""More names than this in a sentence for the homeowner become a count."""
OPTIONAL = "–"
"""The text of an optional cell."""
EMPTY = ("", OPTIONAL)
"""The text of a cell without a value."""
_DECIMALS = {"m": 2, "ms": 2, "dB²": 1, "Hz": 0, "°": 0, "%": 1, "°C": 1, "m/s": 1, "s": 2, "NC": 1, "NR": 1}


@dataclass(frozen=True, slots=True, eq=False)
class Context:
    """The input of every part of the record; analyse the visit first."""

    visit: Visit
    plans_shown: list[RoomPlan] = field(default_factory=list)
    """Plans of the room that the record already shows."""
    _ids: set[str] = field(default_factory=set)

    @property
    def job(self) -> Job:
        """The job as folded from its log."""
        return self.visit.job

    @property
    def units(self) -> str:
        """Units of the job: "metric" or "imperial"."""
        return self.job.system.units

    @property
    def after(self) -> str | None:
        """The round that shows the present state: as left, else the newest with data; None if only as found has data. A
        round that was opened and is empty does not count.
        """
        later = (each for each in reversed(self.job.rounds) if each != FOUND)
        return next((each for each in later if has_round(self.job, each)), None)

    def outcome(self, step_id: str, round_id: str) -> Outcome:
        """The outcome of a step in a round."""
        return self.visit.outcome(step_id, round_id)

    def id(self, *parts: str) -> str:
        """An id that is unique in the record: lower-case letters, digits and hyphens."""
        wanted = re.sub(r"[^a-z0-9]+", "-", "-".join(parts).lower()).strip("-")[:60] or "part"
        unique, count = wanted, 1
        while unique in self._ids:
            count += 1
            unique = f"{wanted}-{count}"
        self._ids.add(unique)
        return unique

    def round(self, round_id: str) -> str:
        """The name of a round: "as found"."""
        return clean_text(round_id.replace("-", " "))

    def listed(self, names: Iterable[str]) -> str:
        """Names joined as in "A, B and C"."""
        all_names = [clean_text(name) for name in names]
        if len(all_names) < 2:
            return "".join(all_names)
        return f"{', '.join(all_names[:-1])} and {all_names[-1]}"

    def channel_name(self, channel_id: str) -> str:
        """The plain name of a channel, else its id."""
        channel = self.job.system.channel(channel_id)
        return clean_text(channel_id if channel is None else channel.label)

    def channel_names(self, ids: Iterable[str]) -> str:
        """A few channels by name, many as a count."""
        own, known = tuple(ids), self.job.system.channels
        if len(own) <= MOST_NAMES:
            return self.listed(self.channel_name(each) for each in own)
        if len(own) == len(known):
            return f"all {len(known)} loudspeakers"
        return f"{len(own)} of the {len(known)} loudspeakers"

    def seat_name(self, seat_id: str) -> str:
        """A seat in a sentence, with its own name if it has one."""
        seat = self.job.system.seat(seat_id)
        name = "" if seat is None or seat.name in ("", seat_id) else clean_text(seat.name)
        text = f"seat {clean_text(seat_id)}"
        return f"{text} ({name})" if name else text

    def seat_names(self, ids: Iterable[str]) -> str:
        """Seats in a sentence."""
        own, known = tuple(ids), self.job.system.seats
        if len(own) <= MOST_NAMES:
            return self.listed(self.seat_name(each) for each in own)
        return f"{len(own)} of the {len(known)} seats"

    def date(self, moment: str) -> str:
        """The date of a time in UTC, ISO 8601, in words; the text itself if it is not a time."""
        found = re.match(r"(\d{4})-(\d{2})-(\d{2})", moment)
        if found is None or not 1 <= int(found[2]) <= 12:
            return clean_text(moment)
        months = "January February March April May June July August September October November December".split()
        return f"{int(found[3])} {months[int(found[2]) - 1]} {found[1]}"

    def quantity(self, value: float | None, unit: str, *, like: Limit | None = None, signed: bool = False) -> str:
        """A figure with its unit; lengths and temperatures in the job's units."""
        return quantity(value, unit, self.units, decimals(unit, like), signed=signed)

    def assumed(self, value: str) -> str:
        """A property of the processor, marked as assumed if it was not entered."""
        noted = self.job.system.processor != Processor()
        return value if noted else f"{value} (assumed: no processor was entered)"

    def limit(self, limit: Limit) -> str:
        """The range allowed by a limit: "−0.50 to 0.50 dB", "at most 30 dB"."""
        low, high = (self.quantity(edge, limit.unit, like=limit) for edge in (limit.low, limit.high))
        if limit.low is not None and limit.high is not None:
            if limit.low == -limit.high:
                return f"within ±{high}"
            return f"{low.removesuffix(limit.unit).rstrip()} to {high}"
        if limit.high is not None:
            return f"at most {high}"
        return f"at least {low}" if limit.low is not None else "none"


def decimals(unit: str, limit: Limit | None = None) -> int:
    """Number of decimals of a figure: two for decibels if a limit other than 0 is finer than 2 dB, else one."""
    if unit == "dB":
        edges = [abs(edge) for edge in (limit.low, limit.high) if edge is not None] if limit is not None else []
        return 2 if edges and 0 < max(edges) < 2 else 1
    return _DECIMALS.get(unit, 2)


def table(
    ident: str, title: str, headings: Sequence[Heading], rows: Sequence[Sequence[str]], remark: str = ""
) -> PrintedTable:
    """A table without empty columns; the first column, which names the row, stays."""
    kept = [i for i in range(len(headings)) if i == 0 or any(row[i] not in EMPTY for row in rows)]
    return PrintedTable(
        id=ident,
        title=title,
        headings=tuple(headings[i] for i in kept),
        rows=tuple(tuple(row[i] for i in kept) for row in rows),
        remark=remark,
    )


def capital(text: str) -> str:
    """The text with its first letter capitalised."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """The text as a sentence: first letter capitalised, full stop at the end."""
    text = capital(text.strip())
    return text if text.endswith((".", "!", "?", ":", "…")) or not text else f"{text}."


def channel_text(channel: Channel) -> str:
    """Id and plain name of a channel."""
    own = "" if channel.name in ("", channel.id) else f" ({clean_text(channel.name)})"
    return f"{clean_text(channel.id)}{own}"


def has_round(job: Job, round_id: str) -> bool:
    """Whether a round holds anything: readings, responses or settings."""
    return bool(
        any(reading.body.round == round_id for reading in job.readings)
        or job.responses_of(round_id)
        or any(place[0] == round_id for place in job.settings)
    )


def only_found(context: Context) -> bool:
    """Whether the visit only measured: it has no other round than as found."""
    return context.after is None


def measured(job: Job) -> tuple[int, int]:
    """(readings by hand, recorded responses) over all rounds."""
    return len(job.readings), len(job.responses)


def measured_in(job: Job, round_id: str) -> tuple[int, int]:
    """(readings by hand, recorded responses) of one round."""
    return sum(reading.body.round == round_id for reading in job.readings), len(job.responses_of(round_id))


def mains(job: Job) -> tuple[Channel, ...]:
    """All loudspeakers except the subwoofers."""
    return tuple(channel for channel in job.system.channels if not channel.is_sub)


FOUND = AS_FOUND
