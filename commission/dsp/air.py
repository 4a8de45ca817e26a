"""Sound in air."""

from __future__ import annotations

import math

from commission.model.errors import InputError


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound [m/s] at `temperature_c` [°C]: c = 343.2·sqrt((t + 273.15)/293.15), ISO 9613-1:1993.

    Humidity is left out. By the formula of Cramer 1993 (JASA 93(5) 2510) sound is faster by 0.05 % in dry air, 0.23 % at
    20 °C and 50 % relative humidity, 0.29 % at 25 °C and 50 %, at most 0.51 % from 15 to 30 °C up to 70 %: 1 cm on a path
    that is 2 m longer. Raises InputError outside −20 to 50 °C, where no cinema is commissioned.
    """
    if not (math.isfinite(temperature_c) and -20.0 <= temperature_c <= 50.0):
        raise InputError("temperature", f"{temperature_c:g} °C", "a room temperature from −20 to 50 °C")
    return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)
