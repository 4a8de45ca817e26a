"""Loudspeakers in a wrong place or aimed past the seats, in random plans without sound.

The rules are common practice; `rooms.placing`, which shares no code with the step, computes whether a plan breaks
them. `python tests/bench faults` shows, with sound, which other findings appear.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import tomli_w
from builders import job_of
from rooms import placing, visits
from rooms.scene import Scene, scene

from commission.diagnosis import findings
from commission.job.toml import parse_definition
from commission.model import AS_FOUND, Analyses, Finding
from commission.steps import layout

SEEDS = range(20)


def found(drawn: Scene, aimed: bool = False) -> tuple[Finding, ...]:
    aims = {p.channel: placing.aim_m(p) for p in drawn.places if p.role != "sub"} if aimed else None
    text = tomli_w.dumps({"schema": 1, "title": "Plan", **visits.plan_entries(drawn, aims)})
    job = job_of(*parse_definition(text).bodies)
    return findings(job, AS_FOUND, Analyses(), {"layout": layout.evaluate(job, AS_FOUND, Analyses())})


def test_a_plan_is_accused_of_nothing_but_what_it_breaks() -> None:
    for seed in SEEDS:
        drawn = scene(seed)
        for finding in found(drawn, aimed=True):
            assert placing.broken(drawn, finding), (seed, finding.id, finding.channels, finding.seats, finding.title)


def test_a_misplaced_loudspeaker_is_named_with_the_rule_that_it_breaks() -> None:
    """15 cm or more beyond an edge, surveyed to within 2 cm."""
    rules = set()
    for seed in SEEDS:
        moved = placing.misplaced(scene(seed), np.random.default_rng(seed))
        if moved is not None:
            drawn, channel, rule = moved
            named = [f.channels for f in found(drawn) if f.id == rule]
            assert any(channel in channels for channels in named), (seed, channel, rule)
            rules.add(rule)
    assert rules == {"room.inside-heads", "room.front-heights", "room.rear-heights"}


def test_a_misaimed_loudspeaker_is_named_where_its_axis_is_entered() -> None:
    """Undecided up to 20° beyond an assumed 45° to each side: half angle within ±20°, axis within ±5°."""
    count = 0
    for seed in SEEDS:
        turned = placing.misaimed(scene(seed), np.random.default_rng(seed))
        if turned is not None and max(placing.off_axis_deg(turned[0], turned[0].place(turned[1])).values()) > 70:
            named = [c for f in found(turned[0], aimed=True) if f.id == "room.aim" for c in f.channels]
            assert turned[1] in named, seed
            assert not any(f.id == "room.aim" for f in found(turned[0])), "nothing is known of an axis not entered"
            count += 1
    assert count >= 8


@pytest.mark.parametrize("over_m", [-0.15, 0.15])
def test_seats_off_the_centre_of_the_screen_are_named(over_m: float) -> None:
    """All heads shifted to the right until their middle is 20 cm off, give or take 15 cm."""
    drawn = scene(3)
    across = [s.position_m[0] for s in drawn.seats]
    shift = 0.2 + over_m - (min(across) + max(across)) / 2
    seats = [replace(s, position_m=(s.position_m[0] + shift, *s.position_m[1:])) for s in drawn.seats]
    named = {f.id for f in found(replace(drawn, seats=seats))}
    assert ("room.seats-off-centre" in named) is (over_m > 0)
