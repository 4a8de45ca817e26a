"""Thresholds of measuring mistakes, from values in healthy rooms by pyroomacoustics, none of which may be called a mistake.

    python tests/references/measuring_mistakes.py [rooms]

Draws rooms with random walls, layouts, seats and noise; prints how far seats deviate on all loudspeakers alike (gain), in
which octaves (microphone), how alike two places are (one recording twice), the strongest reflections, and the findings of
the screening, which should be none.
"""

from __future__ import annotations

import sys
from itertools import combinations
from pathlib import Path

import numpy as np
import pyroomacoustics as pra
from pyroomacoustics.directivities import CardioidFamily, DirectionVector
from scipy import signal

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from builders import cinema, defined, job_of

from commission.dsp.across import _fields, _two_way
from commission.dsp.analysis import analyse_batch
from commission.dsp.likeness import likeness
from commission.model import (
    AS_FOUND,
    AnalysedResponse,
    Analyses,
    Analysis,
    Channel,
    Job,
    Position,
    Response,
    Room,
    Seat,
)
from commission.steps.shared.screening import screen

RATE = 24000
OCTAVES_HZ = (500, 1000, 2000, 4000, 8000)
LAYOUTS = (
    ("FL", "FC", "FR", "SUB1"),
    ("FL", "FC", "FR", "SiL", "SiR", "SUB1"),
    ("FL", "FC", "FR", "SiL", "SiR", "TpFL", "TpFR", "SUB1", "SUB2"),
    ("FL", "FC", "FR", "SiL", "SiR", "BL", "BR", "TpFL", "TpFR", "TpBL", "TpBR", "SUB1"),
)


def drawn(seed: int) -> tuple[Job, dict[tuple[str, str], Analysis]]:
    """A room with one to three rows, and the analysis of every loudspeaker at every seat."""
    rng = np.random.default_rng(seed)
    length, width, height = rng.uniform(4.2, 8.5), rng.uniform(3.2, 6.0), rng.uniform(2.2, 3.2)
    first = rng.uniform(0.42, 0.6) * length
    seats: dict[str, Position] = {}
    for row in range(int(rng.integers(1, 4)) if length > 5.2 else int(rng.integers(1, 3))):
        per_row, y = (
            int(rng.integers(1, 5)),
            min(first + row * rng.uniform(0.9, 1.3), length - rng.uniform(0.25, 0.8)),
        )
        for k in range(per_row):
            seats[f"{'ABC'[row]}{k + 1}"] = (width / 2 + 0.7 * (k - (per_row - 1) / 2), y, 1.1 + 0.25 * row)
    half = rng.uniform(0.55, 0.85) * width / 2
    places: dict[str, Position] = {
        "FC": (width / 2, 0.2, 0.9),
        "SUB1": (0.35, 0.3, 0.25),
        "SUB2": (width - 0.35, length - 0.35, 0.25),
    }
    for side, sign in (("L", -1), ("R", 1)):
        places |= {
            f"F{side}": (width / 2 + sign * half, 0.2, 1.1),
            f"Si{side}": (width / 2 + sign * (width / 2 - 0.12), first, 1.5),
            f"B{side}": (width / 2 + sign * 0.7 * half, length - 0.12, 1.6),
            f"TpF{side}": (width / 2 + sign * 0.7 * half, first - 1.3, height - 0.06),
            f"TpB{side}": (width / 2 + sign * 0.7 * half, min(first + 1.3, length - 0.3), height - 0.06),
        }
    channels = LAYOUTS[seed % len(LAYOUTS)]
    walls = {
        wall: pra.Material(rng.uniform(0.08, 0.5)) for wall in ("west", "east", "south", "north", "floor", "ceiling")
    }
    room = pra.ShoeBox([width, length, height], fs=RATE, materials=walls, max_order=10, air_absorption=True)
    aim = np.array(list(seats.values())[len(seats) // 2])
    for c in channels:
        way = aim - np.array(places[c])
        turn = np.degrees([np.arctan2(way[1], way[0]), np.arccos(way[2] / np.linalg.norm(way))])
        beam = CardioidFamily(
            DirectionVector(azimuth=turn[0], colatitude=turn[1], degrees=True), p=rng.uniform(0.5, 0.85)
        )
        room.add_source(places[c], **({} if c.startswith("SUB") else {"directivity": beam}))
    room.add_microphone_array(np.array(list(seats.values())).T)
    room.compute_rir()
    out: dict[tuple[str, str], np.ndarray] = {}
    for j, c in enumerate(channels):
        band = signal.butter(4, [24, 200], "band", fs=RATE, output="sos")
        if not c.startswith("SUB"):
            band = signal.butter(2, rng.uniform(40, 90), "high", fs=RATE, output="sos")
        for i, s in enumerate(seats):
            h = np.zeros(round(0.6 * RATE))
            own = room.rir[i][j][: len(h)]
            h[: len(own)] = own
            out[(c, s)] = signal.sosfilt(band, h) * 10 ** (rng.normal(0, 1) / 20)
    noise = (
        np.median([np.linalg.norm(h) for h in out.values()]) / np.sqrt(0.1 * RATE) * 10 ** (-rng.uniform(45, 75) / 20)
    )
    responses = [
        Response(impulse=(h + rng.normal(0, noise, len(h))).astype(np.float32), rate_hz=RATE) for h in out.values()
    ]
    results = analyse_batch(responses, [c.startswith("SUB") for c, _ in out])

    def moved(place: Position) -> Position:
        return (float(place[0] - width / 2), float(place[1]), float(place[2]))

    roles = {"S": "surround", "B": "surround", "T": "height", "F": "screen"}
    system = cinema(
        channels=tuple(
            Channel(id=c, name=c, role="sub" if c.startswith("SUB") else roles[c[0]], position_m=moved(places[c]))  # type: ignore[arg-type]
            for c in channels
        ),
        seats=tuple(Seat(id=s, position_m=moved(p), reference=k == 0) for k, (s, p) in enumerate(seats.items())),
        room=Room(length_m=length, width_m=width, height_m=height),
    )
    return job_of(defined(system)), {
        place: result for place, result in zip(out, results, strict=True) if isinstance(result, Analysis)
    }


def main(rooms: int) -> None:
    """Print the values for comparison with the thresholds."""
    gains, tilts, alike, found = [], [], [], []
    for seed in range(rooms):
        job, heard = drawn(seed)
        items = (
            AnalysedResponse(seq=k, round=AS_FOUND, channel=c, seat=s, clock="one", passes_delays=True, analysis=a)
            for k, ((c, s), a) in enumerate(heard.items(), 100)
        )
        found += [f"room {seed}: {m.kind}: {m.evidence}" for m in screen(job, AS_FOUND, Analyses(items)).mistakes]
        mains, seats = [c for c in job.system.channels if not c.is_sub], job.system.seats
        away = np.array([[np.linalg.norm(np.subtract(c.position_m, s.position_m)) for s in seats] for c in mains])  # type: ignore[arg-type]
        for c, own in zip(mains, away, strict=True):
            for (i, s), (k, t) in combinations(enumerate(seats), 2):
                if abs(own[i] - own[k]) >= 0.05:
                    each = likeness(heard[(c.id, s.id)].view_db, heard[(c.id, t.id)].view_db, is_sub=False)
                    alike += [(each.median_db, each.most_db)] if each is not None else []
        if len(seats) < 3:
            continue
        levels = np.array([[[heard[(c.id, s.id)].octave_db[o] for o in OCTAVES_HZ] for s in seats] for c in mains])
        bands = [
            min((_two_way(levels[..., b] - field) for field in _fields(away)), key=lambda fit: fit.scatter_db).seats
            for b in range(len(OCTAVES_HZ))
        ]
        effects = np.array([each - np.median(each) for each in bands]).T
        gains += list(effects[:, :4].mean(axis=1))
        tilts += list(effects[:, 2:] - effects[:, :2].mean(axis=1, keepdims=True))
    print(f"{rooms} rooms, {len(gains)} seats in rooms of three seats or more")
    print(f"gain: standard deviation {np.std(gains):.2f} dB, largest {np.max(np.abs(gains)):.2f} dB (threshold 2 dB)")
    print(
        f"treble: standard deviation {np.std(tilts):.2f} dB, largest {np.max(np.abs(tilts)):.2f} dB (threshold 3.5 dB)"
    )
    median, most = np.min(alike, axis=0)
    print(
        f"likeness of {len(alike)} pairs of places: least {median:.2f} and {most:.2f} dB (thresholds 0.3 and 0.8 dB)"
    )
    print("mistakes found in healthy rooms:", "none" if not found else "")
    print("\n".join(found))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
