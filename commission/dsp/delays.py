"""Delays: the settings that distances require, and the delays that settings give."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from commission.dsp.trims import to_grid
from commission.model import FloatArray
from commission.model.system import DelayRange
from commission.model.units import FOOT_M

SPEEDS_M_S = (300.0, 380.0)
"""Plausible assumed speeds of sound: air from −50 to 85 °C (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class DelaySetting:
    """One channel's delay and its setting in the processor."""

    delay_s: float
    """Required delay: (d_max − d)/c."""
    exact: float
    """The setting without rounding, in the processor's unit."""
    setting: float
    clipped: bool
    """The range of the processor ends before the exact setting."""
    error_s: float
    """Error from rounding and clipping: resulting delay minus required delay, both relative to the farthest loudspeaker."""

    def phase_deg(self, freq_hz: float) -> float:
        """The remaining error as phase at a frequency [°]."""
        return 360.0 * freq_hz * self.error_s


def needed_delays_s(distances_m: Sequence[float] | FloatArray, speed_m_s: float) -> FloatArray:
    """(d_max − d)/c [s]: the farthest loudspeaker gets none."""
    distances = np.asarray(distances_m, dtype=float)
    return np.asarray((distances.max() - distances) / speed_m_s)


def unit_m(unit: str) -> float:
    """Metres in a processor's unit of distance."""
    return FOOT_M if unit == "ft" else 1.0


def plausible_speed(speed_m_s: float) -> bool:
    """Whether a processor can assume this speed of sound in m/s (1125 is in feet, 34.3 is a slip)."""
    return SPEEDS_M_S[0] <= speed_m_s <= SPEEDS_M_S[1]


def assumed_speed_m_s(unit: str, assumed_m_s: float | None, speed_m_s: float) -> float:
    """Speed with which a processor turns distances into delays: its own if known, else the true one.

    An implausible speed counts as unknown.
    """
    known = assumed_m_s is not None and plausible_speed(assumed_m_s) and unit != "ms"
    return assumed_m_s if assumed_m_s is not None and known else speed_m_s


def delay_settings(
    distances_m: Sequence[float] | FloatArray, speed_m_s: float, delay: DelayRange, assumed_m_s: float | None = None
) -> tuple[DelaySetting, ...]:
    """Settings for loudspeakers at `distances_m`.

    A processor in milliseconds takes the delay. One in metres or feet takes a distance and divides it by its assumed
    speed of sound: the distance is scaled by assumed/true speed, if known, so that the time is right.
    """
    needed = needed_delays_s(distances_m, speed_m_s)
    own_m_s = assumed_speed_m_s(delay.unit, assumed_m_s, speed_m_s)
    if delay.unit == "ms":
        exact = needed * 1000
    else:
        exact = np.asarray(distances_m, dtype=float) * (own_m_s / speed_m_s) / unit_m(delay.unit)
    settings = np.array([to_grid(float(v), delay.min, delay.max, delay.step) for v in exact])
    obtained = applied_delays_s(settings, delay, own_m_s)
    # Only differences between channels are audible: errors are relative to the farthest loudspeaker's.
    farthest = int(np.argmax(np.asarray(distances_m)))
    errors = (obtained - obtained[farthest]) - (needed - needed[farthest])
    half = delay.step / 2 + 1e-9
    return tuple(
        DelaySetting(float(n), float(e), float(s), not delay.min - half <= e <= delay.max + half, float(error))
        for n, e, s, error in zip(needed, exact, settings, errors, strict=True)
    )


def applied_delays_s(settings: FloatArray | Sequence[float], delay: DelayRange, own_m_s: float) -> FloatArray:
    """The delay that the processor adds for each setting [s]; for distances, relative to the largest of them."""
    values = np.asarray(settings, dtype=float)
    if delay.unit == "ms":
        return values / 1000
    return np.asarray((values.max() - values) * unit_m(delay.unit) / own_m_s)
