"""Uncertainty budgets of changes between two visits.

Left out, because it is common to both visits or all channels: the loudspeaker's own part of an arrival, the meter's
class, the microphone's sensitivity, and volume and gain. Added: on another day nobody puts a microphone back within 2 cm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from commission.dsp import uncertainty as u_of
from commission.dsp.placement import put_back_u_db
from commission.model import Budget, Contribution, EarlierFigure, Instrument
from commission.steps.drift.figures import ARRIVAL, LEVEL, RESPONSE, SPREAD, TAPE, kind
from commission.steps.shared import budgets as budget_for

AGAIN_U_DB, AGAIN_SUB_U_DB = (put_back_u_db(0.05, is_sub=is_sub) for is_sub in (False, True))
"""Level of a response at one seat, the microphone put back within 5 cm instead of 2; all of 5 cm counts, since
`tests/references/displaced_meter.py` finds up to 0.46 dB at that distance."""
AGAIN_U_MS = 0.07
"""Arrival relative to all others: 5 cm along the path of one, rms 2.2 cm, and against the path of others."""
STEADY_U_DB = 0.2
"""One level meter from one visit to the next (common practice, no source)."""
NOTED_U_K = 1.0 / math.sqrt(3)
"""Air temperature if noted: within ±1 K, rectangular (common practice, no source)."""
UNNOTED_U_K = 5.0 / math.sqrt(3)
"""Air temperature if today's is not noted: within ±5 K of the earlier visit's, rectangular (common practice, no source)."""
TITLES = {
    LEVEL: "Change of a hand-read level",
    RESPONSE: "Change of the level of a response, mean of the seats",
    ARRIVAL: "Change of an arrival",
    TAPE: "Change of a tape distance",
    SPREAD: "Change of the seat-to-seat standard deviation",
}
UNITS = {LEVEL: "dB", RESPONSE: "dB", ARRIVAL: "ms", TAPE: "m", SPREAD: "dB"}
_STORED = "as stated by that visit"


def change(
    quantity: str, channel: str | None, then: Sequence[EarlierFigure], now: Sequence[EarlierFigure], *, is_sub: bool
) -> Budget:
    """Budget of a change of the mean over seats [the quantity's unit]; `then` and `now`: the figures at each of the
    seats.
    """
    what = kind(quantity)
    unit = UNITS[what]
    parts = [
        Contribution(source=source, u=_mean_u(what, figures), unit=unit, dof=_dof(figures), basis=_STORED)
        for source, figures in (("value of the earlier visit", then), ("value of this visit", now))
    ]
    if what == RESPONSE:
        both = math.sqrt(2) * u_of.combine(budget_for.ANGLE_U_DB, budget_for.GAIN_U_DB)
        parts.append(
            Contribution(
                source="microphone's angle and gain, both visits",
                u=both,
                unit=unit,
                basis="the same at every seat; averaging does not reduce it",
            )
        )
    if what == SPREAD and now:
        parts.append(
            Contribution(
                source="microphone's angle at each seat, both visits",
                u=budget_for.ANGLE_U_DB,
                unit=unit,
                sensitivity=math.sqrt(2 / max(len(now[0].over), 1)),
                basis=f"first order of a standard deviation; ±0.3 dB at each seat ({budget_for.CUSTOM})",
            )
        )
    again = _replacement_u(quantity, is_sub=is_sub)
    if again is not None:
        parts.append(
            Contribution(
                source="microphone put back within 5 cm instead of 2, both visits",
                u=again,
                unit=unit,
                sensitivity=math.sqrt(2 / len(now)),
                basis=budget_for.PLACED,
            )
        )
    return Budget(
        id=f"drift.{quantity.replace(' ', '.')}",
        title=TITLES[what],
        unit=unit,
        channel=channel,
        contributions=tuple(parts),
    )


def _replacement_u(quantity: str, *, is_sub: bool) -> float | None:
    """Contribution of a microphone put back on another day, for each visit and seat; None if the visit's value includes
    it.
    """
    what = kind(quantity)
    if what == RESPONSE:
        return AGAIN_SUB_U_DB if is_sub else AGAIN_U_DB
    if what == LEVEL:
        return None  # a hand or a stand is at a new position at every visit, and each visit's value includes that
    return AGAIN_U_MS if what == ARRIVAL else None


def _mean_u(what: str, figures: Sequence[EarlierFigure]) -> float:
    """Contribution of the mean of one visit's figures, with independent errors."""
    common = u_of.combine(budget_for.ANGLE_U_DB, budget_for.GAIN_U_DB) if what == RESPONSE else 0.0
    return math.sqrt(sum(max((f.uncertainty or 0.0) ** 2 - common**2, 0.0) for f in figures)) / len(figures)


def _dof(figures: Sequence[EarlierFigure]) -> float:
    """Degrees of freedom: all figures of a visit have their scatter from the same readings, so the least applies."""
    return min((math.inf if f.dof is None else f.dof for f in figures), default=math.inf)


def air(apart_m: float, speed_m_s: float, then_c: float, now_c: float, *, noted: bool) -> tuple[Contribution, ...]:
    """Contribution of air temperature to an arrival relative to the others'; `apart_m`: extra distance over theirs."""
    u_now, basis = (NOTED_U_K, "±1 K") if noted else (UNNOTED_U_K, "not entered today: ±5 K")
    return tuple(
        Contribution(
            source=f"air temperature at {which} visit",
            u=u,
            unit="K",
            distribution="rectangular",
            sensitivity=1000 * 0.5 * apart_m / speed_m_s / (celsius + 273.15),
            basis=f"{text} ({budget_for.CUSTOM})",
        )
        for which, u, celsius, text in (
            ("the earlier", NOTED_U_K, then_c, "±1 K"),
            ("this", u_now, now_c, basis),
        )
    )


def meters(then: Instrument | None, now: Instrument | None) -> tuple[Contribution, ...] | None:
    """Contribution of the meters to a level as read; None if a meter's class is not noted."""
    if then is None or now is None:
        return None
    if (then.model, then.serial) == (now.model, now.serial) and now.serial:
        return (
            Contribution(
                source="stability of the meter between visits",
                u=STEADY_U_DB,
                unit="dB",
                shared=True,
                basis=budget_for.CUSTOM,
            ),
        )
    classes = [each.accuracy_class for each in (then, now)]
    if None in classes:
        return None
    return tuple(
        Contribution(
            source=f"class {c} meter at {which} visit",
            u=u_of.METER_CLASS_U_DB[c],
            unit="dB",
            shared=True,
            basis="acceptance limits at 1 kHz, k = 2 (IEC 61672-1, from memory)",
        )
        for c, which in zip(classes, ("the earlier", "this"), strict=True)
        if c is not None
    )
