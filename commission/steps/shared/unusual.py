"""A sentence on an unusual entry, shown before it is stored; empty if it is not unusual.

The user is asked once about an unusual entry, which is never refused: settings as found may be wrong by any amount, and
the visit is meant to find that. A value already stored was confirmed and is not questioned again. All thresholds here are
common practice, no source: they decide whether to ask, and no verdict rests on them.
"""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median

from commission.dsp.geometry import distance_m
from commission.dsp.trims import grid_decimals, to_grid
from commission.model import Channel, Job, Position, Prompt, Room, Setting, System
from commission.model.formatting import number
from commission.model.units import FOOT_M, format_length
from commission.steps.shared.survey import geometry_m, known_distance_m

LEAST_DIFFERENCE_M = 0.5
DIFFERENT_BY = 0.25
"""Relative difference of a tape from both positions and others: careless measurements differ by less, feet taken for
metres (3.3) by more."""
WRONG_FACTOR = 2.0
"""Ratio of a distance in the processor to the tape: beyond a factor of two, it is another unit or another room."""
SAME_FACTOR = 1.25
"""Two settings off by the same factor have one cause, and one answer suffices."""
OUTSIDE_M = 0.3
"""Cabinets built into a wall reach this far out of the room."""
ROOM_SIDE_M = (2.0, 20.0)
REPEAT_DB = 3.0
"""Difference of repeats: steady noise repeats within 0.5 dB, a subwoofer's within 1.5 dB."""
AMONG_CHANNELS_DB = 9.0
"""Difference between main channels as found: usually less; a slip in the tens is 10 dB."""
ENOUGH_CHANNELS = 3
OFF_GRID = 0.05
"""Tolerance as part of a step: rounding of a conversion between metres and feet."""


def unusual_distance(job: Job, round_id: str, channel: Channel, value_m: float) -> str:
    """A tape distance from the reference seat against position, earlier tape and room."""
    units = job.system.units
    entry = f"{format_length(value_m, units)} to {channel.name_and_id}"
    by_position = geometry_m(job, channel)
    known = known_distance_m(job, channel, round_id)
    earlier_m = known[0] if known is not None and known[1] == "tape" else None
    if earlier_m is not None and not _far(value_m, earlier_m):
        return ""  # a tape far from the positions was confirmed before
    if by_position is not None:
        if _far(value_m, by_position):
            return f"{entry}, but the positions give {format_length(by_position, units)}."
    elif earlier_m is not None:
        return f"{entry}, but the tape gave {format_length(earlier_m, units)} before."
    room = job.system.room
    if room is not None and value_m > (diagonal := _diagonal_m(room)) + OUTSIDE_M:
        return f"{entry} is longer than the diagonal of the room ({format_length(diagonal, units)})."
    return ""


def unusual_system(job: Job, changed: System) -> str:
    """Unusual results of a change of room, positions or tapes that did not exist before."""
    before = {key for key, _ in _oddities(job.system)}
    return next((sentence for key, sentence in _oddities(changed) if key not in before), "")


def unusual_in(system: System) -> list[str]:
    """Everything unusual about room, positions and tapes, a sentence for each."""
    return [sentence for _, sentence in _oddities(system)]


def _oddities(system: System) -> Iterator[tuple[tuple[object, ...], str]]:
    """(basis of a sentence, the sentence) for everything unusual in a system."""
    units, room = system.units, system.room
    if room is not None:
        for side, length in (("Length", room.length_m), ("Width", room.width_m), ("Height", room.height_m)):
            if not ROOM_SIDE_M[0] <= length <= ROOM_SIDE_M[1]:
                low, high = (format_length(each, units) for each in ROOM_SIDE_M)
                yield (side, length), f"{side} {format_length(length, units)} is outside the usual {low} to {high}."
        for label, place in _places(system):
            if (outside := _outside_m(room, place)) > OUTSIDE_M:
                where = f"{format_length(outside, units)} outside the room"
                yield ("outside", label, place), f"{label} would be {where}."
    reference = system.reference_seat
    for channel in system.channels:
        tape = channel.distance_m
        if tape is None:
            continue
        if room is not None and tape > _diagonal_m(room) + OUTSIDE_M:
            yield (
                ("too long", channel.id, tape),
                f"The tape to {channel.name_and_id}, {format_length(tape, units)}, is longer than the diagonal of "
                f"the room ({format_length(_diagonal_m(room), units)}).",
            )
        if channel.position_m is None or reference is None or reference.position_m is None:
            continue
        by_position = distance_m(channel.position_m, reference.position_m)
        if _far(tape, by_position):
            yield (
                (channel.id, tape, channel.position_m, reference.position_m),
                f"The tape to {channel.name_and_id} is {format_length(tape, units)}, but the positions give "
                f"{format_length(by_position, units)}.",
            )


def _places(system: System) -> Iterator[tuple[str, Position]]:
    yield from ((seat.id, seat.position_m) for seat in system.seats if seat.position_m is not None)
    yield from ((channel.id, channel.position_m) for channel in system.channels if channel.position_m is not None)


def _outside_m(room: Room, place: Position) -> float:
    x, y, z = place
    return max(abs(x) - room.width_m / 2, -y, y - room.length_m, -z, z - room.height_m)


def _diagonal_m(room: Room) -> float:
    return distance_m((0.0, 0.0, 0.0), (room.width_m, room.length_m, room.height_m))


def _far(one_m: float, other_m: float) -> bool:
    return abs(one_m - other_m) > max(LEAST_DIFFERENCE_M, DIFFERENT_BY * max(one_m, other_m))


def unusual_setting(job: Job, new: Setting) -> str:
    """A setting beyond the processor's range, off its steps, or a distance that is far from the tape.

    A value already used by another channel is one that the processor can store.
    """
    processor, settings = job.system.processor, job.settings.values()
    if new.trim_db is not None and new.trim_db not in {held.trim_db for held in settings}:
        trim = processor.trim_db
        return _off_range(new.trim_db, trim.min, trim.max, trim.step, "dB", "Trim")
    if new.distance is None or new.distance == job.setting(new.round, new.channel).distance:
        return ""
    delay = processor.delay
    what = delay.word.capitalize()
    known = new.distance in {held.distance for held in settings}
    off = "" if known else _off_range(new.distance, delay.min, delay.max, delay.step, delay.unit, what)
    return off or _far_from_tape(job, new)


def _off_range(value: float, low: float, high: float, step: float, unit: str, what: str) -> str:
    decimals = grid_decimals(step, 1)
    entry = f"{what} {value:g} {unit}".replace("-", "−")

    def settable(setting: float) -> str:
        return number(setting, decimals, signed=unit == "dB")

    if not low - OFF_GRID * step <= value <= high + OFF_GRID * step:
        return f"{entry} is outside the range of the processor, {settable(low)} to {settable(high)} {unit}."
    nearest = to_grid(value, low, high, step)
    if abs(value - nearest) <= OFF_GRID * step:
        return ""
    other = nearest + (step if value > nearest else -step)
    near = " or ".join(settable(each) for each in sorted((nearest, other)) if low <= each <= high)
    return f"{entry} is between the steps of the processor: {near} {unit} (step {step:g} {unit})."


def _far_from_tape(job: Job, new: Setting) -> str:
    """A distance that is off by a factor, unless another channel is off by the same one, which was confirmed."""
    unit = job.system.processor.delay.unit
    if unit == "ms":
        return ""
    unit_m = FOOT_M if unit == "ft" else 1.0

    def factor(setting: Setting) -> float | None:
        channel = job.system.channel(setting.channel)
        tape = known_distance_m(job, channel, setting.round) if channel is not None else None
        if tape is None or not setting.distance or setting.distance < 0 or tape[0] <= 0:
            return None
        return setting.distance * unit_m / tape[0]

    def unusual(found: float) -> bool:
        return not 1 / WRONG_FACTOR <= found <= WRONG_FACTOR

    own = factor(new)
    if own is None or not unusual(own):
        return ""
    others = [
        factor(held)
        for (round_id, channel), held in job.settings.items()
        if round_id == new.round and channel != new.channel
    ]
    if any(o is not None and unusual(o) and 1 / SAME_FACTOR <= own / o <= SAME_FACTOR for o in others):
        return ""
    channel = job.system.channel(new.channel)
    assert channel is not None
    tape = known_distance_m(job, channel, new.round)
    assert tape is not None
    source = "the tape gives" if tape[1] == "tape" else "the positions give"
    return f"Distance {new.distance:g} {unit}, but {source} {tape[0] / unit_m:.2f} {unit}."


def unusual_level(job: Job, round_id: str, prompt: Prompt, value_db: float) -> str:
    """A meter reading against the others of its channel and seat; the first of them, against the other main channels."""
    read: dict[str, list[float]] = {}
    for reading in job.readings_of(round_id, "levels", seat=prompt.seat):
        body = reading.body
        if body.quantity == prompt.quantity and body.channel is not None:
            read.setdefault(body.channel, []).append(body.value)
    own = read.pop(prompt.channel or "", [])
    if own:
        if value_db in own or abs(value_db - median(own)) <= REPEAT_DB:
            return ""
        return _off_by(value_db, median(own), "the other readings here" if len(own) > 1 else "the reading before")
    channel = job.system.channel(prompt.channel or "")
    mains = {each.id for each in job.system.channels if not each.is_sub}
    others = [median(values) for name, values in read.items() if name in mains]
    if channel is None or channel.is_sub or len(others) < ENOUGH_CHANNELS:
        return ""
    if abs(value_db - median(others)) <= AMONG_CHANNELS_DB:
        return ""
    return _off_by(value_db, median(others), "the middle of the other main channels")


def _off_by(value_db: float, other_db: float, other: str) -> str:
    direction = "above" if value_db > other_db else "below"
    return (
        f"{number(value_db, 1)} dB is {number(abs(value_db - other_db), 1)} dB {direction} {other} "
        f"({number(other_db, 1)} dB)."
    )
