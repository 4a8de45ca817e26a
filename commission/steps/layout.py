"""Layout: where seats and loudspeakers stand. Entry and plan; a typing error shows at once.

The installer types positions or tape distances; the plan draws them to scale. Checked here is only what betrays a
wrong entry: something outside the room, or a tape that disagrees with a position.
"""

from __future__ import annotations

from typing import Literal

from commission.dsp.geometry import azimuth_deg, distance_m, elevation_deg
from commission.model import (
    Advice,
    Analyses,
    Check,
    Column,
    Job,
    Limit,
    Outcome,
    PlanItem,
    Position,
    Room,
    RoomPlan,
    Row,
    Step,
    Table,
    Task,
    Verdict,
)

HELP = """
Positions are measured from the floor below the **centre of the screen**: x to the right facing the screen (left is
negative), y toward the rear, z up.

- Loudspeakers: the acoustic centre, between woofer and tweeter. Seats: the ears, 1.1 m above the riser unless measured.
- Tape from the **reference seat's ears** to each loudspeaker as well: two ways of measuring catch a slip.
- Look at the plan: does everything stand where you see it in the room?

**Ladders and loudspeakers overhead:** two people, a footed ladder, nothing loose in the pockets. Mountings and safety
wires of heavy loudspeakers are for licensed trades; local codes decide.
"""

Kind = Literal["seat", "reference", "loudspeaker", "sub", "screen"]
TAPE_LIMIT = Limit(
    low=-0.10, high=0.10, unit="m", basis="10 cm between tape and position: beyond it one is a slip; common practice"
)
TAPE_AGAINST_POSITION_U_M = 0.02
"""Both are measured by hand to 2 cm or so (common practice, no source)."""
INSIDE = Limit(low=0.0, high=None, unit="m", basis="nothing stands outside the room")
SURVEY_U_M = 0.0


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """Positions are entered on the Site form."""
    return ()


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """The plan of the room, the directions from the reference seat, and what cannot be right."""
    system = job.system
    reference = system.reference_seat
    ears = reference.position_m if reference is not None else None
    checks: list[Check] = []
    rows: list[Row] = []
    items: list[PlanItem] = []
    for seat in system.seats:
        kind: Kind = "reference" if seat is reference else "seat"
        if seat.position_m is None:
            rows.append(Row(key=seat.id, cells=(seat.id, seat.name, None, None, None, None, None, None)))
            continue
        inside = _inside_check(seat.id, seat.position_m, system.room, seat=True)
        checks += [inside] if inside else []
        items.append(PlanItem(label=seat.id, kind=kind, position_m=seat.position_m, verdict=_said(inside)))
        rows.append(Row(key=seat.id, cells=(seat.id, seat.name, *seat.position_m, None, None, None), check=inside))
    for channel in system.channels:
        where = channel.position_m
        row_check: Check | None = None
        if where is not None:
            inside = _inside_check(channel.id, where, system.room, seat=False)
            taped = _tape_check(channel.id, channel.distance_m, ears, where)
            both = [check for check in (inside, taped) if check is not None]
            checks += both
            row_check = max(both, key=lambda check: check.verdict.severity, default=None)
            shape: Kind = "sub" if channel.is_sub else "loudspeaker"
            items.append(PlanItem(label=channel.id, kind=shape, position_m=where, verdict=_said(row_check)))
        away = channel.distance_m
        turn = rise = None
        if where is not None and ears is not None:
            away = distance_m(ears, where) if away is None else away
            turn, rise = azimuth_deg(ears, where), elevation_deg(ears, where)
        x, y, z = where if where is not None else (None, None, None)
        rows.append(Row(key=channel.id, cells=(channel.id, channel.name, x, y, z, away, turn, rise), check=row_check))
    known = sum(c.position_m is not None or c.distance_m is not None for c in system.channels)
    known += sum(seat.position_m is not None for seat in system.seats)
    total = len(system.channels) + len(system.seats)
    wrong = [check for check in checks if check.verdict is Verdict.FAIL]
    advice = (
        [
            Advice(
                text=f"Check where {wrong[0].channel or wrong[0].seat} stands: {wrong[0].text}.",
                step="layout",
                priority=8,
            )
        ]
        if wrong
        else []
    )
    if not advice and known < total:
        advice = [Advice(text="Enter the missing positions or tape distances.", step="layout", priority=9)]
    return Outcome(
        step="layout",
        round=round_id,
        done=known,
        total=total,
        checks=tuple(checks),
        tables=(
            Table(
                id="layout",
                title="Places, and directions from the reference seat",
                columns=_COLUMNS,
                rows=tuple(rows),
                remark="Azimuth is positive to the left, elevation positive up.",
            ),
        ),
        room_plans=(_room_plan(system.room, tuple(items)),) if system.room is not None else (),
        advice=tuple(advice),
        stands_out=f"{wrong[0].channel or wrong[0].seat}: {wrong[0].text}" if wrong else "",
    )


_COLUMNS = (
    Column(key="id", title="Id"),
    Column(key="name", title="Name"),
    Column(key="x", title="x", unit="m", decimals=2),
    Column(key="y", title="y", unit="m", decimals=2),
    Column(key="z", title="z", unit="m", decimals=2),
    Column(key="distance", title="Distance", unit="m", decimals=2),
    Column(key="azimuth", title="Azimuth", unit="°", decimals=0),
    Column(key="elevation", title="Elevation", unit="°", decimals=0),
)


def _said(check: Check | None) -> Verdict | None:
    return None if check is None else check.verdict


def _room_plan(room: Room | None, items: tuple[PlanItem, ...]) -> RoomPlan:
    assert room is not None
    return RoomPlan(length_m=room.length_m, width_m=room.width_m, height_m=room.height_m, items=items)


def _inside_check(label: str, where: Position, room: Room | None, *, seat: bool) -> Check | None:
    """How far inside the room something stands [m]: negative is outside, and most likely a typing error."""
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
        uncertainty=SURVEY_U_M,
        limit=INSIDE,
        text="it stands outside the room" if margin < 0 else "it stands inside the room",
    )


def _tape_check(label: str, tape_m: float | None, ears: Position | None, where: Position) -> Check | None:
    if tape_m is None or ears is None:
        return None
    return Check(
        id="layout.tape",
        channel=label,
        value=tape_m - distance_m(ears, where),
        unit="m",
        uncertainty=TAPE_AGAINST_POSITION_U_M,
        limit=TAPE_LIMIT,
        text="tape and position disagree",
    )


STEP = Step(
    id="layout",
    title="Layout",
    question="Where do seats and loudspeakers stand?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    entry="form",
)
