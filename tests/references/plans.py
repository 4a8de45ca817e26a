"""Plans of rooms laid out by the angles of ITU-R BS.2051 (system 4+7+0, from memory), and the same with mistakes.

    python tests/references/plans.py [plans]

Two rows of three seats with a riser, seven loudspeakers on the walls, four under the ceiling, two subwoofers; the
tape is read within 2 cm. Each limit is held against the mistake that it is there for (`MISTAKES`); "loudspeakers and seats
misplaced": every loudspeaker stands 0.8 m (standard deviation, each coordinate) from its place, the seats together 0.5 m, and the
form still has the places of the plan for a third of the loudspeakers. Printed is the share of plans that pass, fail, and are
undecided.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from builders import cinema, defined, job_of, tapes

from commission.model import AS_FOUND, Analyses, FloatArray, Job, Room, Verdict
from commission.model.units import FOOT_M
from commission.steps import layout

ANGLES_DEG = {
    "FL": ((30, 45), (0, 5)),
    "SiL": ((85, 110), (0, 15)),
    "BL": ((120, 150), (0, 15)),
    "TpFL": ((30, 45), (30, 50)),
    "TpBL": ((115, 150), (30, 50)),
}
"""Ranges of azimuth and elevation of the left ones; the right ones mirror them."""
FROM_WALL_M, EARS_M = 0.15, 1.1


def toward(ears: FloatArray, azimuth_deg: float, elevation_deg: float, size: FloatArray) -> FloatArray:
    """The point near a wall or the ceiling in a direction from the ears; positive azimuth to the left."""
    a, e = np.radians(azimuth_deg), np.radians(elevation_deg)
    way = np.array([-np.sin(a) * np.cos(e), -np.cos(a) * np.cos(e), np.sin(e)])
    low, high = np.array([-size[0] / 2, 0, 0]) + FROM_WALL_M, np.array([size[0] / 2, size[1], size[2]]) - FROM_WALL_M
    ends = np.where(way > 0, high, low) - ears
    far = np.min(ends[np.abs(way) > 1e-9] / way[np.abs(way) > 1e-9])
    return np.asarray(ears + far * way)


def planned(rng: np.random.Generator) -> tuple[FloatArray, dict[str, FloatArray], dict[str, FloatArray]]:
    """Width, length and height of a room, places of its loudspeakers and ears of its seats [m]."""
    size = np.array([rng.uniform(4.2, 5.6), rng.uniform(5.5, 7.5), rng.uniform(2.4, 2.9)])
    front = size[1] * rng.uniform(0.45, 0.55)
    seats = {
        f"{row}{number}": np.array([0.7 * (number - 2), front + 1.1 * r, EARS_M + 0.3 * r])
        for r, row in enumerate("AB")
        for number in (1, 2, 3)
    }
    places = {"FC": np.array([0.0, FROM_WALL_M, EARS_M])}
    for left, (azimuths, elevations) in ANGLES_DEG.items():
        place = toward(seats["A2"], rng.uniform(*azimuths), rng.uniform(*elevations), size)
        places |= {left: place, left.replace("L", "R"): place * [-1, 1, 1]}
    places["SUB1"] = np.array([-size[0] / 2 + 0.4, 0.4, 0.3])
    places["SUB2"] = np.array([size[0] / 2 - 0.4, size[1] - 0.4, 0.3])
    return size, places, seats


def point(place: FloatArray) -> tuple[float, float, float]:
    """A position as a form has it."""
    x, y, z = map(float, place)
    return x, y, z


MISPLACED = "loudspeakers and seats misplaced"
MISTAKES = {
    "layout.inside": "places of seats entered in feet",
    "layout.side": "left and right exchanged in the form",
    "layout.front-heights": "front heights at the front wall",
    "layout.sight": "no riser",
    "layout.seat-wall": "last row at the rear wall",
}
"""Of all other limits: `MISPLACED`."""


def plan(seed: int, mistake: str | None = None) -> Job:
    """One room with the positions that its form has, and its tape."""
    rng = np.random.default_rng(seed)
    size, places, seats = planned(rng)
    true, heads = dict(places), dict(seats)
    if mistake == MISPLACED:
        shift = rng.normal(0, 0.5, 3) * [1, 1, 0]
        heads = {s: each + shift for s, each in seats.items()}
        true = {c: each + rng.normal(0, 0.8, 3) for c, each in places.items()}
    elif mistake == MISTAKES["layout.front-heights"]:
        true |= {c: np.array([places[c][0], FROM_WALL_M, places[c][2]]) for c in ("TpFL", "TpFR")}
    elif mistake == MISTAKES["layout.sight"]:
        heads = {s: np.array([*each[:2], EARS_M]) for s, each in seats.items()}
    elif mistake == MISTAKES["layout.seat-wall"]:
        at_wall = {s: np.array([each[0], size[1] - FROM_WALL_M, each[2]]) for s, each in seats.items()}
        heads |= {s: each for s, each in at_wall.items() if s.startswith("B")}
    entered = {c: places[c] if mistake == MISPLACED and rng.random() < 1 / 3 else true[c] for c in places}
    if mistake == MISTAKES["layout.side"]:
        left = str(rng.choice([c for c in entered if c.endswith("L")]))
        right = left.replace("L", "R")
        entered |= {left: entered[right], right: entered[left]}
    whole = cinema(list(places), list(seats), room=Room(width_m=size[0], length_m=size[1], height_m=size[2]))
    tape_m = {c: float(np.linalg.norm(true[c] - heads["A2"]) + rng.normal(0, 0.02)) for c in places}
    per_m = 1 / FOOT_M if mistake == MISTAKES["layout.inside"] else 1.0
    channels = [replace(c, position_m=point(entered[c.id])) for c in whole.channels]
    placed = [replace(s, position_m=point(per_m * heads[s.id])) for s in whole.seats]
    return job_of(defined(replace(whole, channels=tuple(channels), seats=tuple(placed))), *tapes(tape_m))


def verdicts(plans: int, mistake: str | None = None) -> dict[str, list[Verdict]]:
    """Limit → the worst verdict of each plan."""
    out: dict[str, list[Verdict]] = {}
    for seed in range(plans):
        job = plan(seed, mistake)
        found: dict[str, list[Verdict]] = {}
        for check in layout.evaluate(job, AS_FOUND, Analyses()).checks:
            if check.limit is not None and check.verdict is not Verdict.NOT_TESTED:
                nearly = check.id == "layout.inside" and check.limit == job.limit("layout.nearly-inside")
                found.setdefault("layout.nearly-inside" if nearly else check.id, []).append(check.verdict)
        for name, each in found.items():
            out.setdefault(name, []).append(worst(each))
    return out


def worst(found: Iterable[Verdict]) -> Verdict:
    """Failed before undecided before passed."""
    return min(found, key=(Verdict.FAIL, Verdict.UNSURE, Verdict.PASS).index)


def both(plans: int) -> Iterator[tuple[str, list[Verdict], list[Verdict], str]]:
    """(limit, verdicts of plans laid out by the standard, those with its mistake, the mistake)"""
    good = verdicts(plans)
    bad = {mistake: verdicts(plans, mistake) for mistake in (MISPLACED, *MISTAKES.values())}
    for name, right in good.items():
        mistake = MISTAKES.get(name, MISPLACED)
        yield name, right, bad[mistake].get(name, []), mistake


def main(plans: int) -> None:
    """Print the shares."""
    for name, right, wrong, mistake in both(plans):
        texts = [
            ", ".join(f"{each.count(v)} {v}" for v in (Verdict.PASS, Verdict.UNSURE, Verdict.FAIL))
            for each in (right, wrong)
        ]
        print(f"{name:>24}: laid out {texts[0]}; {mistake} {texts[1]}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
