"""Violations of the rules of coverage by true places, and layouts with one loudspeaker in a wrong place.

The geometry is computed here, independently of the program. The rules are common practice: a left or right loudspeaker
stands outside all heads on its side, front heights hang up to 2.5 m ahead of the front row, rear heights up to 2.5 m behind
the back row, ears are 0.3 m or more from a wall, the way from a screen loudspeaker passes over the heads in front, and a
loudspeaker of unknown coverage serves 45° to each side of its axis.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from rooms.scene import Place, Scene

NEAR_M, NEAR_DEG = 0.04, 5.0
"""What the survey (2 cm each) and an aim by eye may be off: a place this near to an edge breaks the rule or not."""
FRONT, REAR = ("TpFL", "TpFR"), ("TpBL", "TpBR")
CLEAR_M = 0.8
"""No loudspeaker is put nearer to a head."""


def _side(place: Place) -> int:
    """−1 left, 1 right, 0 neither."""
    ends = [c for c in place.key if c in "LR"]
    return 0 if place.role == "sub" or not ends else -1 if ends[-1] == "L" else 1


def inward_m(scene: Scene, place: Place) -> float:
    """Distance inside the outermost head of its side; negative: outside."""
    turn = _side(place)
    return max(turn * s.position_m[0] for s in scene.seats) - turn * place.position_m[0]


def wrong_side_m(scene: Scene, place: Place) -> float:
    """Distance of a height loudspeaker on the wrong side of its row, or beyond 2.5 m from it; negative: in its place."""
    rows = [s.position_m[1] for s in scene.seats]
    ahead = min(rows) - place.position_m[1] if place.key in FRONT else place.position_m[1] - max(rows)
    return max(-ahead, ahead - 2.5)


def off_axis_deg(scene: Scene, place: Place) -> dict[str, float]:
    """Angle off its axis by seat."""
    ways = [np.array(s.position_m) - place.position_m for s in scene.seats]
    cosines = [float(way @ np.array(place.axis)) / float(np.linalg.norm(way)) for way in ways]
    return {s.id: math.degrees(math.acos(np.clip(c, -1, 1))) for s, c in zip(scene.seats, cosines, strict=True)}


def aim_m(place: Place) -> tuple[float, float, float]:
    """A point on its axis, 2 m away, as an installer would enter it."""
    x, y, z = (round(a + 2 * b, 2) for a, b in zip(place.position_m, place.axis, strict=True))
    return x, y, z


def _over_heads_m(scene: Scene, place: Place, seat_id: str) -> float:
    """Height of the path to a seat above the crown of the nearest head in front, 13 cm above its ears."""
    ears = next(np.array(s.position_m) for s in scene.seats if s.id == seat_id)
    least, start = math.inf, np.array(place.position_m)
    for other in scene.seats:
        share = (other.position_m[1] - start[1]) / (ears[1] - start[1])
        x, _, z = start + share * (ears - start)
        if 0 < share < 1 and ears[1] - other.position_m[1] > 0.35 and abs(x - other.position_m[0]) < 0.15:
            least = min(least, z - other.position_m[2] - 0.13)
    return least


def breaks(scene: Scene, place: Place, rule: str) -> bool:
    """Whether a loudspeaker breaks a rule about its place or its axis, or nearly so."""
    if place.role == "sub":
        return False
    if rule == "room.inside-heads":
        return bool(_side(place)) and inward_m(scene, place) > -NEAR_M
    if rule == "room.aim":
        return max(off_axis_deg(scene, place).values()) > 45.0 - NEAR_DEG
    labels = {"room.front-heights": FRONT, "room.rear-heights": REAR}
    return place.key in labels[rule] and wrong_side_m(scene, place) > -NEAR_M


def broken(scene: Scene, finding) -> bool:
    """Whether a finding about the plan is true of the room, or nearly so."""
    places = [scene.place(c) for c in finding.channels]
    seats = [s for s in scene.seats if s.id in finding.seats]
    if finding.id == "room.seats-off-centre":
        across = [s.position_m[0] for s in scene.seats]
        return abs(min(across) + max(across)) / 2 > 0.2 - NEAR_M
    if finding.id == "room.seat-wall":
        right_m = scene.left_m + scene.size_m[0]
        gaps = [min(s.position_m[0] - scene.left_m, right_m - s.position_m[0]) for s in seats]
        gaps = [min(gap, scene.size_m[1] - s.position_m[1]) for gap, s in zip(gaps, seats, strict=True)]
        return max(gaps) < 0.3 + NEAR_M
    if finding.id == "room.sight":
        return all(min(_over_heads_m(scene, p, s.id) for p in places) < NEAR_M for s in seats)
    return all(breaks(scene, p, finding.id) for p in places)


def _moved(scene: Scene, place: Place, position, axis=None) -> Scene:
    """A loudspeaker elsewhere, surveyed there as well as it was before."""
    x, y, z = (float(v) for v in position)
    changed = replace(place, position_m=(x, y, z), axis=place.axis if axis is None else axis)
    error = np.array(scene.survey[place.channel]) - np.array(place.position_m)
    ear = np.array(scene.reference.position_m)
    longer = np.linalg.norm(np.array((x, y, z)) - ear) - np.linalg.norm(np.array(place.position_m) - ear)
    a, b, c = (round(float(v), 2) for v in np.array((x, y, z)) + error)
    return replace(
        scene,
        places=[changed if p is place else p for p in scene.places],
        survey=scene.survey | {place.channel: (a, b, c)},
        tape_m=scene.tape_m | {place.channel: round(scene.tape_m[place.channel] + float(longer), 2)},
    )


def _wrong_places(scene: Scene, rng: np.random.Generator) -> Iterator[tuple[str, Place, tuple[float, float, float]]]:
    """(rule, loudspeaker, where it breaks that rule) of every loudspeaker that is in order now."""
    rows = [s.position_m[1] for s in scene.seats]
    for place in scene.places:
        x, y, z = place.position_m
        if _side(place) and inward_m(scene, place) < -0.1:
            inside = max(_side(place) * s.position_m[0] for s in scene.seats) - float(rng.uniform(0.15, 0.5))
            if inside > 0.15:  # on its own side of the middle: else its partner would seem to be the wrong one
                yield "room.inside-heads", place, (_side(place) * inside, y, z)
        if place.key in FRONT + REAR and wrong_side_m(scene, place) < -0.1:
            beyond = float(rng.uniform(0.2, 0.8))
            where = min(rows) + beyond if place.key in FRONT else max(rows) - beyond
            yield f"room.{'front' if place.key in FRONT else 'rear'}-heights", place, (x, where, z)


def misplaced(scene: Scene, rng: np.random.Generator) -> tuple[Scene, str, str] | None:
    """(the room with one loudspeaker in a wrong place, its channel, the rule that it breaks); None where none can."""
    ears = np.array([s.position_m for s in scene.seats])
    able = [
        each
        for each in _wrong_places(scene, rng)
        if np.linalg.norm(ears - np.array(each[2]), axis=1).min() >= CLEAR_M
        and 0.1 < each[2][1] < scene.size_m[1] - 0.1
    ]
    if not able:
        return None
    rule, place, where = able[int(rng.integers(len(able)))]
    return _moved(scene, place, where), place.channel, rule


def misaimed(scene: Scene, rng: np.random.Generator) -> tuple[Scene, str] | None:
    """A loudspeaker that stands free, turned about the vertical by 70° to 110° away from where it was aimed."""
    able = [
        p for p in scene.places if p.role != "sub" and p.speaker.mount == "free" and max(map(abs, p.axis[:2])) > 0.3
    ]
    if not able:
        return None
    place = able[int(rng.integers(len(able)))]
    turn = math.radians(float(rng.uniform(70, 110)) * float(rng.choice([-1, 1])))
    x, y, z = place.axis
    axis = (x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn), z)
    return _moved(scene, place, place.position_m, axis), place.channel
