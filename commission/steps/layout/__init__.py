"""Layout: positions of seats and loudspeakers, and coverage of every seat.

The installer types positions or tape distances; the plan draws them to scale. It is checked for signs of a wrong entry
(something outside the room, a tape that disagrees with a position, a left loudspeaker right of its partner) and by the
rules of coverage (`coverage`). Directions from every seat and the modes of the room are for information.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from commission.dsp.geometry import azimuth_deg, distance_m, elevation_deg, mirror_partner
from commission.model import (
    Advice,
    Analyses,
    Channel,
    Check,
    CheckLimit,
    Column,
    Job,
    Limit,
    Outcome,
    PlanBox,
    PlanItem,
    Position,
    RoomPlan,
    Seat,
    Step,
    Table,
    Verdict,
    table_of,
)
from commission.steps.layout.aim import CHECK as AIM
from commission.steps.layout.aim import ENTERED_BASIS, aim_budgets
from commission.steps.layout.coverage import BUDGETS, clause, coverage_checks, failed_by_kind
from commission.steps.layout.directions import directions_grid
from commission.steps.layout.moves import moves_table, tradeoff_curve, tradeoff_table, weight_of
from commission.steps.layout.rays import reflection_rays
from commission.steps.layout.room_modes import modes_table
from commission.steps.layout.search import search_places
from commission.steps.layout.walls import walls_table
from commission.steps.shared.budgets import CUSTOM, single
from commission.steps.shared.cache import cached
from commission.steps.shared.survey import known_distance_m

HELP = """
Positions are measured from the floor below the **centre of the screen**: x to the right facing the screen (left is
negative), y toward the rear, z up.

- Loudspeakers: the acoustic centre, between woofer and tweeter; of a subwoofer the middle of its driver. Seats: the ears,
  1.1 m above the riser unless measured.
- Also measure with a tape from the **reference seat's ears** to each loudspeaker: two measurements catch an error.
- Aimed at: a point on the loudspeaker's axis, such as the ears at the reference seat. For one that faces straight down it
  is the floor below it. Coverage angle: from its data sheet, from edge to edge, at −6 dB; without it 90° is assumed.
- Seats: the height of the top of the back, where it reaches the ears.
- A loudspeaker that may be moved: what it is mounted on and two corners of the space for it. Doors, columns and other
  obstacles are boxes as well. The search proposes places for the reference seat, for all seats, and in between.
- Look at the plan: is everything where you see it in the room?
- The grid shows the direction of every loudspeaker from every seat, and which seat is not covered: a loudspeaker that is
  not outside all heads, a height on the wrong side of its row, a head, seat back or obstacle in the way, a seat outside the
  coverage angle.
- A cell of the grid shows in the plan how early reflections reach that seat, once responses are imported.

**Ladders and loudspeakers overhead:** two people, a footed ladder, nothing loose in your pockets. Mountings and safety
cables of heavy loudspeakers are for licensed trades; local codes decide.
"""

Kind = Literal["seat", "reference", "loudspeaker", "sub", "screen"]
TAPE_AGAINST_POSITION_U_M = 0.02
"""Standard uncertainty of tape against position, both measured by hand to about 2 cm (common practice, no source)."""
TAPE_AGAINST_POSITION = single(
    "layout.tape",
    "Tape distance minus distance by position",
    "tape and positions measured by hand",
    TAPE_AGAINST_POSITION_U_M,
    CUSTOM,
    unit="m",
)


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The checks of all places, and better ones for movable loudspeakers."""
    outcome, search = checked(job, round_id), search_places(job)
    rays = tuple(reflection_rays(job, round_id, analyses))
    outcome = replace(outcome, room_plans=tuple(replace(plan, rays=rays) for plan in outcome.room_plans))
    if search is None:
        return outcome
    weight = weight_of(job, round_id)
    return replace(
        outcome,
        tables=(*outcome.tables, moves_table(job, search, weight), tradeoff_table(search)),
        tradeoff_curves=(tradeoff_curve(search, weight),),
    )


def checked(job: Job, round_id: str, only: str | None = None) -> Outcome:
    """The plan of the room, the directions from every seat, implausible entries and seats not covered.

    `only`: the seat or loudspeaker whose directions are needed; None: all.
    """
    system = job.system
    room = system.room
    coverage = coverage_of(job, round_id)
    placed = [_seat(job, seat) for seat in system.seats]
    placed += [_channel(job, round_id, channel, coverage) for channel in system.channels]
    entered = tuple(check for each in placed for check in each.checks)
    checks = (*entered, *coverage)
    items = tuple(each.item for each in placed if each.item is not None)
    known = sum(seat.position_m is not None for seat in system.seats)
    known += sum(known_distance_m(job, channel, round_id) is not None for channel in system.channels)
    wrong = next((check for check in entered if check.verdict is Verdict.FAIL), None)
    advice: tuple[Advice, ...] = ()
    clauses = [clause(meaning, failed) for meaning, failed in failed_by_kind(coverage).items()]
    main_result = "; ".join(clauses[:2])
    if wrong is not None:
        who, problem = wrong.channel or wrong.seat, _problem(wrong)
        main_result = f"{who} {problem}"
        advice = (Advice(text=f"Check the position of {who}: it {problem}.", step="layout", priority=8),)
    elif known < len(placed):
        advice = (Advice(text="Enter the missing positions or tape distances.", step="layout", priority=9),)
    grid = directions_grid(job, coverage, only)
    plans: tuple[RoomPlan, ...] = ()
    if room is not None:
        boxes = tuple(PlanBox(label=each.id, from_m=each.from_m, to_m=each.to_m) for each in system.obstacles)
        plans = (
            RoomPlan(length_m=room.length_m, width_m=room.width_m, height_m=room.height_m, items=items, boxes=boxes),
        )
    table = _table(placed)
    return Outcome(
        step="layout",
        round=round_id,
        done=known,
        total=len(placed),
        checks=checks,
        tables=(table, walls_table(job), modes_table(job, room)) if room is not None else (table,),
        grids=() if grid is None else (grid,),
        room_plans=plans,
        advice=advice,
        main_result=main_result,
        budgets=(
            *(each for each in (TAPE_AGAINST_POSITION, *BUDGETS) if each.id in {c.id for c in checks}),
            *aim_budgets(job, {c.channel for c in checks if c.channel and c.id == AIM}),
        ),
    )


@cached
def coverage_of(job: Job, round_id: str) -> tuple[Check, ...]:
    """The checks of coverage, without items at a place that was most likely entered wrongly."""
    entered = [
        _inside_check(job, s.id, s.position_m, seat=True) for s in job.system.seats if s.position_m is not None
    ]
    entered += [check for channel in job.system.channels for check in _entry_checks(job, round_id, channel)]
    wrong = {c.channel or c.seat or "" for c in entered if c is not None and c.verdict is Verdict.FAIL}
    return coverage_checks(job, wrong | {mirror_partner(label) or "" for label in wrong})


def _problem(check: Check) -> str:
    """Meaning of a failed check of the layout, as a predicate, such as "is outside the room"."""
    if check.id == "layout.tape":
        return "is not at the distance that the tape shows"
    return "is outside the room" if check.id == "layout.inside" else f"is not {check.text.removeprefix('distance ')}"


@dataclass(frozen=True, slots=True)
class _PlanEntry:
    """An object in the room: on the plan if its position is known, always in the table."""

    id: str
    name: str
    where: Position | None
    checks: tuple[Check, ...] = ()
    worst: Check | None = None
    """The check shown in its row."""
    item: PlanItem | None = None
    distance_m: float | None = None
    """Distance from the reference seat; for loudspeakers, like the two angles."""
    azimuth_deg: float | None = None
    elevation_deg: float | None = None

    def along(self, axis: int) -> float | None:
        """Its position along an axis [m]."""
        return None if self.where is None else self.where[axis]


def _seat(job: Job, seat: Seat) -> _PlanEntry:
    where = seat.position_m
    if where is None:
        return _PlanEntry(seat.id, seat.name, None)
    inside = _inside_check(job, seat.id, where, seat=True)
    reference = job.system.reference_seat is not None and seat.id == job.system.reference_seat.id
    item = PlanItem(
        label=seat.id, kind="reference" if reference else "seat", position_m=where, verdict=_verdict(inside)
    )
    return _PlanEntry(seat.id, seat.name, where, () if inside is None else (inside,), inside, item)


def _channel(job: Job, round_id: str, channel: Channel, coverage: tuple[Check, ...]) -> _PlanEntry:
    reference, where = job.system.reference_seat, channel.position_m
    ears = reference.position_m if reference is not None else None
    away = known_distance_m(job, channel, round_id)
    distance = None if away is None else away[0]
    if where is None:
        return _PlanEntry(channel.id, channel.name, None, distance_m=distance)
    checks = _entry_checks(job, round_id, channel)
    own = (*checks, *(check for check in coverage if check.channel == channel.id))
    worst = max(own, key=lambda check: check.verdict.severity, default=None)
    turn, rise = (None, None) if ears is None else (azimuth_deg(ears, where), elevation_deg(ears, where))
    kind: Kind = "sub" if channel.is_sub else "loudspeaker"
    item = PlanItem(label=channel.id, kind=kind, position_m=where, verdict=_verdict(worst))
    return _PlanEntry(channel.id, channel.name, where, checks, worst, item, distance, turn, rise)


def _table(placed: Iterable[_PlanEntry]) -> Table:
    return table_of(
        placed,
        (Column(key="id", title="Id"), lambda each: each.id),
        (Column(key="name", title="Name"), lambda each: each.name),
        (Column(key="x", title="x", unit="m", decimals=2), lambda each: each.along(0)),
        (Column(key="y", title="y", unit="m", decimals=2), lambda each: each.along(1)),
        (Column(key="z", title="z", unit="m", decimals=2), lambda each: each.along(2)),
        (Column(key="distance", title="Distance", unit="m", decimals=2), lambda each: each.distance_m),
        (Column(key="azimuth", title="Azimuth", unit="°", decimals=0), lambda each: each.azimuth_deg),
        (Column(key="elevation", title="Elevation", unit="°", decimals=0), lambda each: each.elevation_deg),
        id="layout",
        title="Positions, and directions from the reference seat",
        key=lambda each: each.id,
        check=lambda each: each.worst,
        remark="Azimuth is positive to the left, elevation positive up.",
    )


def _entry_checks(job: Job, round_id: str, channel: Channel) -> tuple[Check, ...]:
    """Plausibility checks of a loudspeaker's place."""
    where, reference, away = channel.position_m, job.system.reference_seat, known_distance_m(job, channel, round_id)
    if where is None:
        return ()
    partner = job.system.channel(mirror_partner(channel.id) or "")
    found = (
        _inside_check(job, channel.id, where, seat=False),
        _tape_check(
            job,
            channel.id,
            away[0] if away is not None and away[1] == "tape" else None,
            None if reference is None else reference.position_m,
            where,
        ),
        _side_check(job, channel.id, where, None if partner is None else partner.position_m),
    )
    return tuple(check for check in found if check is not None)


def _verdict(check: Check | None) -> Verdict | None:
    return None if check is None else check.verdict


def _inside_check(job: Job, label: str, where: Position, *, seat: bool) -> Check | None:
    """Distance from something to the nearest boundary inside the room [m]: negative is outside, most likely a typing
    error.
    """
    room = job.system.room
    if room is None:
        return None
    x, y, z = where
    margin = min(room.width_m / 2 - abs(x), y, room.length_m - y, z, room.height_m - z)
    return Check(
        id="layout.inside",
        channel=None if seat else label,
        seat=label if seat else None,
        value=round(margin, 3),
        unit="m",
        limit=job.limit("layout.inside") if seat else job.limit("layout.nearly-inside"),
        text="distance inside the room",
    )


def _tape_check(job: Job, label: str, tape_m: float | None, ears: Position | None, where: Position) -> Check | None:
    if tape_m is None or ears is None:
        return None
    return Check(
        id="layout.tape",
        channel=label,
        value=tape_m - distance_m(ears, where),
        unit="m",
        uncertainty=TAPE_AGAINST_POSITION.u,
        limit=job.limit("layout.tape"),
        text="tape distance minus distance by position",
    )


def _side_check(job: Job, label: str, where: Position, partner: Position | None) -> Check | None:
    """Distance by which the left one of a mirrored pair is left of the right one [m], once per pair; negative: a wrong
    sign.
    """
    other = mirror_partner(label)
    if partner is None or other is None or "L" not in label[-2:]:
        return None
    return Check(
        id="layout.side",
        channel=label,
        value=round(partner[0] - where[0], 3),
        unit="m",
        limit=job.limit("layout.side"),
        text=f"distance left of {other}",
    )


STEP = Step(
    id="layout",
    title="Layout",
    question="Where do seats and loudspeakers stand, and is every seat covered?",
    help=HELP,
    evaluate=evaluate,
    entry="form",
    limits=(
        CheckLimit(check="layout.inside", quantity="layout.inside"),
        CheckLimit(check="layout.inside", quantity="layout.nearly-inside"),
        CheckLimit(check="layout.tape", quantity="layout.tape"),
        CheckLimit(check="layout.side", quantity="layout.side"),
        *(CheckLimit(check=each.id, quantity=each.id) for each in BUDGETS),
        CheckLimit(check=AIM, quantity=AIM),
        CheckLimit(
            check=AIM,
            limit=Limit(unit="°", basis=ENTERED_BASIS),
            applies="angle between the axis of a loudspeaker with an entered coverage angle and a seat",
            high="half that coverage angle",
        ),
    ),
)
