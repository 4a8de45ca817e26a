"""Evenness of bass over the seats in simulated rooms: what is typical, good and excellent.

    python tests/references/bass_rooms.py [rooms]

Rooms of two simulators that share no code with each other or with the program: image sources by pyroomacoustics, and the
modes of a box (`random_waves.py`). Six seats in two rows; one subwoofer in a front corner, two in opposite corners, and two
of which one was entered with the wrong delay (8 ms) or polarity. The program's own analysis reads third octaves. Printed are
percentiles of the standard deviation over the seats from 20 to 80 Hz and of the deepest third octave at any seat against the
mean of the seats, and the share of rooms at each step of both scales and with a null of a whole row. Rooms are bare boxes: no furniture, no doors.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pyroomacoustics as pra
from scipy import signal

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from references import random_waves

from commission.dsp.analysis import BASS_HZ, bass_level_db
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import band_variance, own_band
from commission.model import ComplexArray, FloatArray
from commission.steps.seats.result import deepest_bass

RATE_HZ, LENGTH = 2000, 4000
SIMULATORS = ("image sources", "modes")
SETUPS = ("one subwoofer", "two subwoofers", "two, one late", "two, one reversed")
LATE_S = 0.008
PERCENTS = (10, 25, 50, 75, 90)


def spectra(simulator: str, seed: int) -> ComplexArray:
    """Spectra of two subwoofers at six seats at BASS_HZ [shape=(2, 6, n)]."""
    own = random_waves.room(seed, mains=0)
    if simulator == SIMULATORS[0]:
        rng = np.random.default_rng([41, seed])
        names = ("west", "east", "south", "north", "floor", "ceiling")
        walls = {name: pra.Material(rng.uniform(0.08, 0.4)) for name in names}
        pra.constants.set("rir_hpf_enable", False)
        room = pra.ShoeBox(own.size_m, fs=RATE_HZ, materials=walls, max_order=14)
        for place in own.sources_m:
            room.add_source(place)
        room.add_microphone_array(own.seats_m.T)
        room.compute_rir()
        heard = np.zeros((2, len(own.seats_m), LENGTH))
        for i in range(2):
            for s in range(len(own.seats_m)):
                rir = room.rir[s][i][:LENGTH]
                heard[i, s, : len(rir)] = rir
        transfer = np.fft.rfft(heard, axis=-1)[..., :: LENGTH // RATE_HZ][..., BASS_HZ.astype(int)]
    else:
        modes = random_waves._modes(own, 700.0, BASS_HZ)
        transfer = np.array([random_waves._modal(modes, source, own.seats_m) for source in own.sources_m])
    b, a = signal.butter(4, [2 * np.pi * 24, 2 * np.pi * 120], "band", analog=True)
    return np.asarray(transfer * signal.freqs(b, a, 2 * np.pi * BASS_HZ)[1])


SEATS = tuple("123456")


def together(values: ComplexArray, setup: str) -> ComplexArray:
    """The sum of what plays [shape=(6, n)]."""
    if setup == SETUPS[0]:
        return np.asarray(values[0])
    turn = {SETUPS[2]: np.exp(-2j * np.pi * LATE_S * BASS_HZ), SETUPS[3]: -1.0}.get(setup, 1.0)
    return np.asarray(values[0] + turn * values[1])


def evenness(values: ComplexArray) -> tuple[float, float, float]:
    """(standard deviation over the seats, 20–80 Hz; deepest third octave at any seat against the seats' mean; the same of
    the best seat of a row) [dB].
    """
    levels: FloatArray = np.array([bass_level_db(each) for each in values])
    found = band_variance(levels, (GRID_HZ >= 20) & (GRID_HZ <= 80) & own_band(levels))
    assert found is not None
    deepest = deepest_bass([*((seat,) for seat in SEATS), SEATS[:3], SEATS[3:]], SEATS, levels, [True] * len(SEATS))
    null_db = min(deepest[seat,][0] for seat in SEATS)
    return found.sd_db, null_db, min(deepest[row][0] for row in (SEATS[:3], SEATS[3:]))


def survey(simulator: str, setup: str, rooms: int) -> FloatArray:
    """Result of `evenness` for each room [shape=(rooms, 3)]."""
    return np.array([evenness(together(spectra(simulator, seed), setup)) for seed in range(rooms)])


def main(rooms: int) -> None:
    """Print percentiles and shares."""
    from commission.dsp.variance import BASS_SCALE_DB, NULL_SCALE_DB

    print(f"{rooms} rooms; percentiles {PERCENTS}")
    for setup in SETUPS:
        for simulator in SIMULATORS:
            found = survey(simulator, setup, rooms)
            sd, null = np.percentile(found[:, 0], PERCENTS), np.percentile(found[:, 1], PERCENTS)
            shares = ", ".join(
                f"{word} (≤ {high:g} dB) {100 * np.mean(found[:, 0] <= high):.0f} %" for word, high in BASS_SCALE_DB
            )
            print(f"{setup:18s} {simulator:14s} SD {np.round(sd, 1)}, null {np.round(null, 0)}; {shares}")
            deep = ", ".join(
                f"{word} (≤ {high:g} dB) {100 * np.mean(-found[:, 1] <= high):.0f} %" for word, high in NULL_SCALE_DB
            )
            print(" " * 34 + f"null: {deep}; a row by more than 10 dB: {100 * np.mean(found[:, 2] < -10):.0f} %")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
