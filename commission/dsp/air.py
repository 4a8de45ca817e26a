"""Sound in air."""

from __future__ import annotations

import math

from commission.model.errors import InputError


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound [m/s] at `temperature_c` [°C]: c = 343.2·sqrt((t + 273.15)/293.15), ISO 9613-1:1993.

    Humidity changes it by less than 0.2 % in rooms (Cramer 1993) and is left out. Raises InputError outside
    −20 to 50 °C, where no cinema is commissioned.
    """
    if not (math.isfinite(temperature_c) and -20.0 <= temperature_c <= 50.0):
        raise InputError("temperature", f"{temperature_c:g} °C", "a room temperature from −20 to 50 °C")
    return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)
