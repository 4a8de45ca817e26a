"""Modes of a room against eigenvalues of the discretised wave equation, and against their predicted number."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import sparse
from scipy.sparse.linalg import eigsh

from commission.dsp.modes import mode_level_db, room_modes, schroeder_hz
from commission.model import Room

ROOM = Room(length_m=5.0, width_m=4.0, height_m=2.5)
SPEED_M_S = 343.0
STEP_M = 0.25


def _line(count: int) -> sparse.csr_matrix:
    """Second difference along a line of cells between rigid walls."""
    main = np.full(count, -2.0)
    main[[0, -1]] = -1.0
    return sparse.diags([np.ones(count - 1), main, np.ones(count - 1)], [-1, 0, 1], format="csr")


def test_frequencies_are_eigenvalues_of_the_room() -> None:
    counts = [round(size / STEP_M) for size in (ROOM.width_m, ROOM.length_m, ROOM.height_m)]
    laplacian = sparse.csr_matrix((math.prod(counts), math.prod(counts)))
    for axis in range(3):
        parts = [_line(n) if i == axis else sparse.identity(n) for i, n in enumerate(counts)]
        laplacian = laplacian + sparse.kron(sparse.kron(parts[0], parts[1]), parts[2])
    values = eigsh(-laplacian / STEP_M**2, k=20, sigma=-0.01, return_eigenvectors=False)
    numerical = SPEED_M_S / (2 * math.pi) * np.sqrt(np.sort(np.maximum(values, 0.0)))[1:]
    modes = room_modes(ROOM, SPEED_M_S, float(numerical[-1]) * 1.02)
    # Second differences are low by (kh)²/24: 1 % at 100 Hz with cells of a quarter of a metre.
    np.testing.assert_allclose([mode.frequency_hz for mode in modes][: len(numerical)], numerical, rtol=0.011)


def test_the_number_of_modes_is_that_of_kuttruff() -> None:
    """N(f) = 4πV/3·(f/c)³ + πS/4·(f/c)² + L/8·f/c, L all edges (Kuttruff, Room Acoustics, 3.2; from memory)."""
    length, width, height = ROOM.length_m, ROOM.width_m, ROOM.height_m
    volume, edges = length * width * height, 4 * (length + width + height)
    surface = 2 * (length * width + length * height + width * height)
    k = 400.0 / SPEED_M_S
    expected = 4 * math.pi / 3 * volume * k**3 + math.pi / 4 * surface * k**2 + edges / 8 * k
    # The formula is a mean: the true number rises in steps around it.
    assert len(room_modes(ROOM, SPEED_M_S, 400.0)) == pytest.approx(expected, rel=0.03)


def test_kinds_of_modes_follow_their_walls() -> None:
    kinds = {mode.order: mode.kind for mode in room_modes(ROOM, SPEED_M_S, 120.0)}
    assert kinds[(0, 1, 0)] == "axial"
    assert kinds[(1, 1, 0)] == "tangential"
    assert kinds[(1, 1, 1)] == "oblique"


@pytest.mark.parametrize(
    ("x_m", "level_db"),
    [(-2.0, 0.0), (2.0, 0.0), (0.0, -math.inf), (-1.0, 20 * math.log10(math.sqrt(0.5)))],
)
def test_the_first_mode_across_is_silent_in_the_middle(x_m: float, level_db: float) -> None:
    mode = next(mode for mode in room_modes(ROOM, SPEED_M_S, 60.0) if mode.order == (1, 0, 0))
    assert mode_level_db(mode, ROOM, (x_m, 1.3, 1.1)) == pytest.approx(level_db, abs=1e-9)


def test_schroeder_frequency() -> None:
    """2000·√(T/V): 100 Hz for half a second in 200 m³ (Schroeder 1962, from memory)."""
    assert schroeder_hz(200.0, 0.5) == pytest.approx(100.0)
