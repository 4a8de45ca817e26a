"""Seats that get far less direct treble from one loudspeaker than the others do: blocked, or outside its coverage.

An obstacle and a loudspeaker that points elsewhere weaken the treble alike, and beside a dipole its two sides cancel.
Where only an obstacle explains the levels at the other seats and of the partner, the loudspeaker is called blocked.
Otherwise the seat is called dull, and inspection decides between the causes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import NamedTuple

import numpy as np

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FindingDetails, Findings
from commission.dsp.across import mirrored_seats
from commission.dsp.geometry import azimuth_deg, distance_m, mirror_partner, off_axis_deg
from commission.model import Channel, Seat, Verdict
from commission.model.formatting import number
from commission.steps.seats.result import direct_db

DULL = ("room.blocked", "room.dull-seat")
ALONE_DB = -6.0
"""Least loss of a blocked loudspeaker at a seat beyond the loss of the others there: a changed gain affects all alike
(common practice, no source)."""
NEIGHBOUR_DB, MIRROR_DB, SAME_DIRECTION_DEG, OPPOSITE = 6.0, 5.0, 20.0, 0.95
"""A seat is dull where another one within 20° of its direction hears 6 dB more treble, and its mirror image hears 5 dB
more from the partner and is not below the limit, too: few beams are that narrow, and a pair shares its beam. Only an
obstacle does both, or makes a gap between two seats that hear well. These are on both sides of it where the angle between
them is 0.95 of the sum of their angles from it (common practice, no source)."""
DIPOLE_DEG = (60.0, 120.0)
"""Where a dipole may be as seen from a seat in the null between its two sides (common practice, no source)."""
PERSON_M = 0.4
"""Two people do not sit nearer to each other than this: such places are a listener's ears, or one seat read twice (common
practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _DullSeat:
    """One seat that hears far less of a loudspeaker's direct treble than others do."""

    channel: Channel
    seat: Seat
    value_db: float
    others: tuple[_Other, ...]
    near: _Other | None
    """The other seat that is nearest in direction, where that is within 20°."""
    mirrored_db: float | None
    """The reading of its partner at the mirrored seat."""

    def evidence(self, limit_db: float) -> str:
        """The measured loss, as sentences."""
        against = self.partner
        if self.near is not None:
            more = f"{number(self.near.more_db, 1)} dB more than its distance explains"
            against = f"{self.near.seat.id}, in nearly the same direction from it, hears {more}"
        return (
            f"direct sound, 4–10 kHz: {number(self.value_db, 1, signed=True)} dB against the other seats' mean, "
            f"limit {number(limit_db, 0)} dB; {against}"
        )

    @property
    def partner(self) -> str:
        """The reading of the partner, as a clause."""
        return f"its partner at the mirrored seat reads {number(self.mirrored_db, 1, signed=True)} dB"

    @property
    def why_blocked(self) -> str:
        """Evidence that only an obstacle explains; empty without any."""
        if self.why_open:
            return ""
        if self.near is not None and self.mirrored_db is not None:
            return self.partner
        sides = _on_both_sides(self.channel, self.others)
        return "" if sides is None else f"{sides[0]} and {sides[1]}, to both sides of {self.seat.id}, hear it well"

    @property
    def why_open(self) -> str:
        """Another explanation of the readings than an obstacle; empty if none is known."""
        return "a dipole is as soft at the seats beside it" if self._perhaps_beside_dipole else ""

    @property
    def _perhaps_beside_dipole(self) -> bool:
        if self.channel.role != "surround":
            return False
        if self.channel.position_m is None or self.seat.position_m is None:
            return True
        low_deg, high_deg = DIPOLE_DEG
        return low_deg <= abs(azimuth_deg(self.seat.position_m, self.channel.position_m)) <= high_deg


def blocked(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Loudspeakers hidden from one seat by an object."""
    for dull in _dull_seats(e, found):
        if dull.why_blocked:
            yield replace(
                _details(e, dull, dull.why_blocked),
                title=f"{dull.channel.id} blocked at {dull.seat.id}",
                confirm=f"Look from the ear position at {dull.seat.id} to {dull.channel.id}: is its tweeter in sight?",
                remedy="Move what stands in the way, or raise or turn the loudspeaker.",
            )


def dull_seat(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Loudspeakers that are hidden from one seat or do not point there: the data do not say which."""
    for dull in _dull_seats(e, found):
        if not dull.why_blocked:
            why = dull.why_open or f"no seats on both sides of {dull.seat.id} hear it well: its beam may end there"
            yield _details(e, dull, f"the cause is not determined, because {why}")


def _details(e: Evidence, dull: _DullSeat, because: str) -> FindingDetails:
    """The finding as long as its cause is not determined; `because`: the last sentence of its evidence."""
    return FindingDetails(
        title=f"{dull.channel.id} dull at {dull.seat.id}: blocked or not aimed there",
        channels=(dull.channel.id,),
        seats=(dull.seat.id,),
        evidence=(dull.evidence(e.job.limit("seats.direct").lower), because),
        alternatives=(f"the microphone at {dull.seat.id} stood behind something that is not there in use",),
        confirm=f"Look from the ear position at {dull.seat.id} to {dull.channel.id}: where its tweeter is out of sight, "
        "something is in the way; where it is in sight, it does not point there.",
        remedy="Move what stands in the way, or turn the loudspeaker. A dipole is meant to be soft beside it.",
    )


def _dull_seats(e: Evidence, found: Findings) -> Iterator[_DullSeat]:
    explained = found.channels(
        "wiring.silent", "wiring.tweeter", "wiring.swapped", "wiring.doubled", "settings.upmix"
    )
    fails = {
        place: check.value
        for place, cell in e.seats.cells.items()
        for check in cell.checks
        if check.id == "seats.direct" and check.verdict is Verdict.FAIL and check.value is not None
    }
    limit_db = e.job.limit("seats.direct").lower
    for (channel_id, seat_id), value in fails.items():
        channel, seat = e.job.system.channel(channel_id), e.job.system.seat(seat_id)
        if channel is None or seat is None or channel_id in explained:
            continue
        at_seat = sum(s == seat_id for _, s in fails)
        if 2 * at_seat > len([c for c in e.job.system.channels if not c.is_sub]):
            continue  # a seat that is dull for most channels: the microphone or what stands around it
        if value - _others_db(e, channel_id, seat_id) > ALONE_DB:
            continue  # so are the others there, if less: a gain that changed
        others = _others_served(e, channel, seat, {s for c, s in fails if c == channel_id})
        if any(each.apart_m < PERSON_M for each in others):
            continue  # two ears of one listener: the head between them hides one, as it does in use
        near = others[0] if others and others[0].angle_deg <= SAME_DIRECTION_DEG else None
        mirrored = _mirrored_db(e, channel, seat)
        if near is None and mirrored is None:
            continue
        if near is not None and near.more_db < NEIGHBOUR_DB:
            continue
        if mirrored is not None and (value > mirrored - MIRROR_DB or mirrored < limit_db):
            continue  # the loudspeakers' own beam
        yield _DullSeat(channel=channel, seat=seat, value_db=value, others=others, near=near, mirrored_db=mirrored)


def _others_db(e: Evidence, channel_id: str, seat_id: str) -> float:
    """Median loss of direct sound of the other channels at a seat; 0 without a loss."""
    others = {c for c, seat in e.seats.cells if seat == seat_id and c != channel_id}
    known = [value for c in others if (value := _direct_db(e, c, seat_id)) is not None]
    return min(float(np.median(known or [0.0])), 0.0)


class _Other(NamedTuple):
    """Another seat of the same loudspeaker."""

    angle_deg: float
    """Between its direction and that of the dull seat."""
    more_db: float
    """How much more direct sound it hears than the dull seat, beyond what their distances explain."""
    apart_m: float
    """From the dull seat."""
    seat: Seat


def _others_served(e: Evidence, channel: Channel, seat: Seat, dull: set[str]) -> tuple[_Other, ...]:
    """The other seats that are not dull, nearest in direction first; empty where places or levels are not known."""
    own_db = _direct_level_db(e, channel.id, seat.id)
    if channel.position_m is None or seat.position_m is None or own_db is None:
        return ()
    out = []
    for other in e.job.system.seats:
        level_db = _direct_level_db(e, channel.id, other.id)
        if other.position_m is None or other.id == seat.id or other.id in dull or level_db is None:
            continue
        nearer = distance_m(channel.position_m, seat.position_m) / distance_m(channel.position_m, other.position_m)
        angle_deg = off_axis_deg(channel.position_m, seat.position_m, other.position_m)
        more_db = level_db - own_db - 20 * math.log10(nearer)
        out.append(_Other(angle_deg, more_db, distance_m(seat.position_m, other.position_m), other))
    return tuple(sorted(out, key=lambda each: each.angle_deg))


def _on_both_sides(channel: Channel, others: Sequence[_Other]) -> tuple[str, str] | None:
    """Two seats, one on either side of the dull one's direction, that hear the loudspeaker well: no beam has such a gap."""
    well = [each for each in others if each.more_db >= NEIGHBOUR_DB]
    for a, b in combinations(well, 2):
        assert channel.position_m is not None
        assert a.seat.position_m is not None
        assert b.seat.position_m is not None
        between_deg = off_axis_deg(channel.position_m, a.seat.position_m, b.seat.position_m)
        if between_deg >= OPPOSITE * (a.angle_deg + b.angle_deg):
            return a.seat.id, b.seat.id
    return None


def _direct_level_db(e: Evidence, channel: str, seat: str) -> float | None:
    cell = e.seats.cells.get((channel, seat))
    level_db = math.nan if cell is None else direct_db(cell.analysis)
    return level_db if math.isfinite(level_db) else None


def _mirrored_db(e: Evidence, channel: Channel, seat: Seat) -> float | None:
    """Direct sound of the partner at the mirrored seat: what the loudspeaker's own beam does at that angle."""
    partner = mirror_partner(channel.id)
    at = mirrored_seats(e.job.system.seats).get(seat.id)
    return None if partner is None or at is None else _direct_db(e, partner, at)


def _direct_db(e: Evidence, channel: str, seat: str) -> float | None:
    cell = e.seats.cells.get((channel, seat))
    checks = cell.checks if cell is not None else ()
    return next((check.value for check in checks if check.id == "seats.direct"), None)
