"""Modes of a rectangular room with rigid walls, and their nulls.

Formulas: Kuttruff, Room Acoustics, 3.2 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from commission.model.system import Position, Room

Kind = Literal["axial", "tangential", "oblique"]
_KINDS: dict[int, Kind] = {1: "axial", 2: "tangential", 3: "oblique"}
SCHROEDER_FACTOR = 2000.0
"""f = 2000·√(T/V), T in seconds, V in cubic metres (Schroeder, 1962; from memory)."""


@dataclass(frozen=True, slots=True)
class Mode:
    """One mode of a rectangular room."""

    frequency_hz: float
    order: tuple[int, int, int]
    """Half waves along width, length and height."""

    @property
    def kind(self) -> Kind:
        """Number of pairs of walls involved: one for axial, two for tangential, three for oblique modes."""
        return _KINDS[sum(n > 0 for n in self.order)]


def room_modes(room: Room, speed_m_s: float, up_to_hz: float) -> tuple[Mode, ...]:
    """All modes up to a frequency, lowest first: f = c/2·√((nx/W)² + (ny/L)² + (nz/H)²)."""
    sizes = np.array([room.width_m, room.length_m, room.height_m])
    most = np.floor(2 * up_to_hz * sizes / speed_m_s).astype(int)
    orders = np.stack(np.meshgrid(*(np.arange(n + 1) for n in most), indexing="ij"), axis=-1).reshape(-1, 3)
    frequencies = 0.5 * speed_m_s * np.sqrt(np.sum((orders / sizes) ** 2, axis=1))
    keep = (frequencies > 0) & (frequencies <= up_to_hz)
    found = zip(frequencies[keep], orders[keep], strict=True)
    return tuple(
        sorted((Mode(float(f), (int(n[0]), int(n[1]), int(n[2]))) for f, n in found), key=lambda m: m.frequency_hz)
    )


def mode_level_db(mode: Mode, room: Room, place: Position) -> float:
    """Level of a mode at a position re its maximum [dB]: 20·lg|cos(nx·π·x/W)·cos(ny·π·y/L)·cos(nz·π·z/H)|.

    `place` is in the job's coordinates, x from the middle of the width. −inf in a null.
    """
    x, y, z = place
    shares = ((x + room.width_m / 2) / room.width_m, y / room.length_m, z / room.height_m)
    pressure = math.prod(math.cos(math.pi * n * share) for n, share in zip(mode.order, shares, strict=True))
    return 20 * math.log10(abs(pressure)) if abs(pressure) > 1e-12 else -math.inf


def schroeder_hz(volume_m3: float, decay_time_s: float) -> float:
    """Frequency above which at least three modes overlap, so that statistics describe the room [Hz]."""
    return SCHROEDER_FACTOR * math.sqrt(decay_time_s / volume_m3)
