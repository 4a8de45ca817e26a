"""The single mistake that explains why subwoofers did not change as set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from commission.model import Analyses, Job, Setting, Verdict
from commission.model.formatting import number
from commission.model.units import listed
from commission.model.verdict import surely_above
from commission.steps.shared.slips import Slip, exchange, slip_of
from commission.steps.wiring import result as wiring

GAIN_OFF_DB, DELAY_OFF_S = 1.0, 0.4e-3
"""A setting whose change differs from the entered one by this is wrong (determined by simulation:
tests/steps/test_bass_verification.py)."""
GAIN_U_DB, DELAY_U_S = 0.3, 0.12e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class SubChange:
    """Change of a subwoofer between two rounds, by its settings and by its responses."""

    sub: str
    typed_gain_db: float
    typed_delay_s: float
    typed_polarity: int
    gain_db: float
    delay_s: float | None
    """None if the phase shows no clear delay, or the only subwoofer has no reference."""
    polarity: int | None
    is_filter_missing: bool = False
    """Its responses change as if its filters had not changed."""
    has_new_filters: bool = False
    """Whether its filters should change."""
    limited_below_hz: float | None = None
    """Frequency below which it became louder by less than above, after an increase: a limiter acts."""

    @property
    def is_gain_off(self) -> bool:
        """Whether its gain contradicts the settings beyond doubt."""
        return surely_above(abs(self.gain_db - self.typed_gain_db), GAIN_OFF_DB, GAIN_U_DB)

    @property
    def late_s(self) -> float | None:
        """Additional delay beyond its settings; None if unknown."""
        return None if self.delay_s is None else self.delay_s - self.typed_delay_s

    @property
    def is_delay_off(self) -> bool:
        """Whether its delay contradicts the settings beyond doubt."""
        return self.late_s is not None and not _is_no_delay(self.late_s)

    @property
    def is_polarity_off(self) -> bool:
        """Whether its polarity is known and differs from the settings."""
        return self.polarity is not None and self.polarity != self.typed_polarity

    @property
    def is_off(self) -> bool:
        """Whether the responses contradict the settings beyond doubt."""
        limited = self.limited_below_hz is not None
        return self.is_gain_off or self.is_delay_off or self.is_polarity_off or self.is_filter_missing or limited


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelyMistake:
    """The one mistake that explains the measurement best."""

    subs: tuple[str, ...]
    text: str
    """As a clause: "SUB2: the delay was changed in the wrong direction"."""
    remedy: str


Settings = Mapping[str, tuple[Setting, Setting]]
"""Settings of each subwoofer, before and after."""


def compressed_subs(job: Job, round_id: str, analyses: Analyses) -> dict[str, bool]:
    """For channels measured at two levels in the step Wiring: whether they rise by less than their drive."""
    words = {Verdict.PASS: False, Verdict.FAIL: True}
    checks = {
        c: check.verdict
        for c, each in wiring.solve(job, round_id, analyses).channels.items()
        for check in each.checks
        if check.id == "wiring.compression"
    }
    return {c: words[verdict] for c, verdict in checks.items() if verdict in words}


def explain(
    job: Job, changes: Sequence[SubChange], settings: Settings, slope_s: float, compressed: Mapping[str, bool]
) -> LikelyMistake | None:
    """The single mistake that explains the measurement; None if nothing is off, or more than one is needed.

    `slope_s`: delay for each unit of a setting; `compressed`: see `compressed_subs`.
    """
    off = [each for each in changes if each.is_off]
    if len(off) == 1:
        return _single_mistake(job, off[0], settings, slope_s, compressed)
    return None if not off else _common_mistake(job, off, changes, settings, slope_s)


def _single_mistake(
    job: Job, c: SubChange, settings: Settings, slope_s: float, compressed: Mapping[str, bool]
) -> LikelyMistake | None:
    off = (c.is_gain_off, c.is_delay_off, c.is_polarity_off)
    if c.limited_below_hz is not None and not (c.is_polarity_off or c.is_delay_off):
        return LikelyMistake(
            subs=(c.sub,),
            text=f"a limiter holds {c.sub} back below {c.limited_below_hz:.0f} Hz",
            remedy=f"Measure {c.sub} again at a lower volume; if it follows its trim there, set its gain lower.",
        )
    if c.is_filter_missing and not (c.is_polarity_off or c.is_delay_off):
        return LikelyMistake(
            subs=(c.sub,),
            text=f"the new filters of {c.sub} were not set",
            remedy=f"Enter the filters of {c.sub} in the processor, and look whether its equaliser is switched on.",
        )
    if off == (False, False, True):
        turned = "was not turned over" if c.typed_polarity < 0 else "was turned over"
        return LikelyMistake(
            subs=(c.sub,),
            text=f"the polarity of {c.sub} {turned}",
            remedy=f"Set the polarity of {c.sub} as the sheet says, and look at its phase switch.",
        )
    if off == (False, True, False) and c.late_s is not None:
        slip, late = _slip(job, c, settings, slope_s, "delay"), number(1000 * c.late_s, 1, signed=True)
        plain = f"the delay of {c.sub} is {late} ms off what was entered"
        return LikelyMistake(
            subs=(c.sub,),
            text=plain if slip is None else f"{c.sub}: {slip.text}",
            remedy=f"Enter the {job.system.processor.delay.word} of {c.sub} again.",
        )
    return _gain_mistake(job, c, settings, slope_s, compressed) if off == (True, False, False) else None


def _gain_mistake(
    job: Job, c: SubChange, settings: Settings, slope_s: float, compressed: Mapping[str, bool]
) -> LikelyMistake:
    """Explanation of a level that did not change as the trim did: a typing mistake, or a limiter at all frequencies."""
    slip, apart = _slip(job, c, settings, slope_s, "trim"), c.gain_db - c.typed_gain_db
    remedy = f"Enter the trim of {c.sub} again, and look at its own level control."
    text = f"{c.sub} is {number(apart, 1, signed=True)} dB off the trim that was entered"
    if slip is not None:
        text = f"{c.sub}: {slip.text}"
    if apart < 0 and c.typed_gain_db > 0 and c.gain_db > 2 * GAIN_U_DB:  # louder, but by less than its trim
        if compressed.get(c.sub):
            text = (
                f"a limiter holds {c.sub} back: {number(c.gain_db, 1, signed=True)} dB for a trim of "
                f"{number(c.typed_gain_db, 1, signed=True)} dB"
            )
            remedy = f"Set the trim of {c.sub} lower, and those of the other subwoofers by as much."
        elif c.sub not in compressed:
            text = f"{c.sub} is {number(-apart, 1)} dB below its trim: typed wrongly, or a limiter holds it back"
            remedy += " Measure it at two levels on Wiring: only a limiter depends on the level."
    return LikelyMistake(subs=(c.sub,), text=text, remedy=remedy)


def _slip(
    job: Job, c: SubChange, settings: Settings, slope_s: float, quantity: Literal["trim", "delay"]
) -> Slip | None:
    """The typing mistake that explains the measured setting."""
    if quantity == "trim":
        return slip_of(job, "trim_db", settings, c.sub, c.gain_db, 2 * GAIN_U_DB, slope_s)
    return None if c.delay_s is None else slip_of(job, "distance", settings, c.sub, c.delay_s, 3 * DELAY_U_S, slope_s)


def _common_mistake(
    job: Job, off: Sequence[SubChange], changes: Sequence[SubChange], settings: Settings, slope_s: float
) -> LikelyMistake | None:
    """One mistake common to several subwoofers."""
    names = tuple(each.sub for each in off)
    if all(_is_unset(each) for each in changes):
        return LikelyMistake(
            subs=names,
            text=f"none of the new settings of {listed(names)} is at work",
            remedy="Look whether the processor has stored them, and which preset or input is active.",
        )
    if all(each.is_filter_missing and not (each.is_delay_off or each.is_polarity_off) for each in off):
        return LikelyMistake(
            subs=names,
            text=f"the new filters of {listed(names)} were not set",
            remedy=f"Enter the filters of {listed(names)}, and look whether the equaliser is switched on.",
        )
    if len(off) != 2 or any(each.is_polarity_off or each.is_filter_missing for each in off):
        return None
    kinds = {(each.is_gain_off, each.is_delay_off) for each in off}
    quantity: Literal["trim", "delay"] = "trim" if kinds == {(True, False)} else "delay"
    if kinds not in ({(True, False)}, {(False, True)}):
        return None
    first, second = (_slip(job, each, settings, slope_s, quantity) for each in off)
    what = "trim" if quantity == "trim" else job.system.processor.delay.word
    text = exchange(names[0], first, names[1], second, what)
    remedy = f"Enter the {what}s of {listed(names)} again, as the sheet says."
    return LikelyMistake(subs=names, text=text, remedy=remedy) if text else None


def _is_unset(c: SubChange) -> bool:
    """Whether a subwoofer is unchanged in all known respects."""
    return (
        abs(c.gain_db) <= 2 * GAIN_U_DB
        and (c.delay_s is None or _is_no_delay(c.delay_s))
        and c.polarity in (1, None)
        and (c.is_filter_missing or not c.has_new_filters)
    )


def _is_no_delay(delay_s: float) -> bool:
    """Whether a delay is too small to be distinguished from zero."""
    return not surely_above(abs(delay_s), DELAY_OFF_S, DELAY_U_S)
