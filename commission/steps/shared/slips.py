"""Single typing mistakes: the setting after each, and the one that agrees with a measurement."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from commission.dsp.trims import grid_decimals
from commission.model import Job, Setting
from commission.model.formatting import number
from commission.model.units import FOOT_M

Kind = Literal["not set", "other", "value"]


@dataclass(frozen=True, slots=True)
class Slip:
    """One mistake with one value."""

    value: float
    """The resulting setting, in the unit of the setting."""
    text: str
    """As a clause: "the new trim was not set"."""
    kind: Kind = "value"
    of: str = ""
    """The channel whose setting it is, for the kind "other"."""


def slip_of(
    job: Job,
    name: str,
    settings: Mapping[str, tuple[Setting, Setting]],
    channel: str,
    measured: float,
    within: float,
    slope_s: float,
) -> Slip | None:
    """The likeliest mistake that explains the measured change of a channel; None if no single one fits.

    `name` of the setting: "trim_db" or "distance"; `settings` of each channel, before and as required; `measured`: change
    in dB or s, known to `within`; `slope_s`: delay for each unit of a delay setting.
    """
    old, new = (getattr(each, name) for each in settings[channel])
    if old is None or new is None:
        return None
    is_trim, processor = name == "trim_db", job.system.processor
    per_unit = 1.0 if is_trim else slope_s
    held, known = old + measured / per_unit, within / abs(per_unit)
    others = {c: v for c, pair in settings.items() if c != channel and (v := getattr(pair[1], name)) is not None}
    unit, step = ("dB", processor.trim_db.step) if is_trim else (processor.delay.unit, processor.delay.step)

    def shown(value: float) -> str:
        return f"{number(value, grid_decimals(step, 1), signed=is_trim)} {unit}"

    what = "trim" if is_trim else job.system.processor.delay.word
    for slip in _slips(old, new, others, what, shown, metres=unit in ("m", "ft")):
        if abs(slip.value - held) <= known and abs(slip.value - new) > known:
            return slip
    return None


def _slips(
    old: float, new: float, others: Mapping[str, float], what: str, shown: Callable[[float], str], *, metres: bool
) -> Iterator[Slip]:
    """The processor's setting after each slip, the likeliest first."""
    yield Slip(old, f"the new {what} was not set", "not set")
    yield Slip(-new, f"the {what} was typed with the wrong sign")
    yield Slip(2 * old - new, f"the {what} was changed in the wrong direction")
    for c, value in others.items():
        yield Slip(value, f"it has the {what} of {c}, {shown(value)}", "other", c)
    for value in (new * 10, new / 10):
        yield Slip(value, f"the decimal point of the {what} is wrong: {shown(value)}")
    for value in (new / FOOT_M, new * FOOT_M) if metres else ():
        yield Slip(value, f"the {what} was converted between feet and metres: {shown(value)}")
    for value in _transposed(new):
        yield Slip(value, f"two digits of the {what} are exchanged: {shown(value)}")


def _transposed(value: float) -> Iterator[float]:
    """The value with two neighbouring digits exchanged."""
    text = f"{abs(value):.2f}"
    places = [i for i, letter in enumerate(text) if letter.isdigit()]
    for i, j in pairwise(places):
        letters = list(text)
        letters[i], letters[j] = letters[j], letters[i]
        yield math.copysign(float("".join(letters)), value)


def exchange(one: str, first: Slip | None, other: str, second: Slip | None, what: str) -> str:
    """The single mistake that explains two channels: exchanged, or typed for the wrong one. Empty if it does not."""
    if first is None or second is None:
        return ""
    if first.of == other and second.of == one:
        return f"the {what}s of {one} and {other} were exchanged"
    for to, its, source, theirs in ((one, first, other, second), (other, second, one, first)):
        if its.of == source and theirs.kind == "not set":
            return f"the new {what} of {source} was entered for {to}"
    return ""
