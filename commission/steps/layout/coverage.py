"""Rules of coverage: positions of loudspeakers relative to the heads of all listeners.

All are common practice with no source: the seats are on the centre line of the screen; every left loudspeaker stands left
of the leftmost head and every right one right of the rightmost; front heights hang just ahead of the front row's ears and
rear heights just behind the back row's; no head, seat back or obstacle is in the way (`sight`); every seat is inside the
coverage angle of every loudspeaker (`aim`); nobody leans on a wall (`walls`).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from commission.dsp.geometry import side
from commission.model import Channel, Check, Job, Position, Verdict
from commission.model.formatting import number
from commission.model.units import listed
from commission.steps.layout import aim, directions, sight, walls
from commission.steps.layout.directions import PLACES_U_M
from commission.steps.shared.budgets import CUSTOM, single

FRONT_HEIGHTS = ("TpFL", "TpFC", "TpFR", "Ltf", "Rtf")
REAR_HEIGHTS = ("TpBL", "TpBC", "TpBR", "Ltr", "Rtr")
"""Labels of IEC 62574, and the short forms."""
AT_EAR_HEIGHT_M = 0.6
"""Largest height above the ears of a height loudspeaker that stands on another one or on furniture and fires at the
ceiling: at 2 m it is seen at 17° at most, while heights begin at 30° (ITU-R BS.2051; common practice)."""
BUDGETS = (
    single("layout.outside-heads", "Loudspeaker outside the heads", "two places by hand", PLACES_U_M, CUSTOM, "m"),
    single("layout.seats-centred", "Seats off the screen's centre line", "places by hand", PLACES_U_M, CUSTOM, "m"),
    single("layout.front-heights", "Front height ahead of the ears", "two places by hand", PLACES_U_M, CUSTOM, "m"),
    single("layout.rear-heights", "Rear height behind the ears", "two places by hand", PLACES_U_M, CUSTOM, "m"),
    *sight.BUDGETS,
    walls.BUDGET,
    directions.BUDGET,
)


def coverage_checks(job: Job, doubtful: Collection[str] = ()) -> tuple[Check, ...]:
    """All checks of coverage that the entered places permit; none for items without a place, or with a `doubtful` one."""
    heads = {s.id: s.position_m for s in job.system.seats if s.position_m is not None and s.id not in doubtful}
    if not heads:
        return ()
    seats = [seat for seat in job.system.seats if seat.id in heads]
    placed = [
        (channel, channel.position_m)
        for channel in job.system.channels
        if channel.position_m is not None and not channel.is_sub and channel.id not in doubtful
    ]
    checks = [_centred(job, heads)]
    for channel, place in placed:
        checks += _outside_heads(job, channel, place, heads)
        checks += _heights(job, channel, place, heads)
    checks += sight.sight_checks(job, [channel for channel, _ in placed], seats)
    checks += aim.aim_checks(job, doubtful)
    checks += directions.direction_checks(job, doubtful)
    checks += walls.seat_wall_checks(job, doubtful)
    return tuple(checks)


def _centred(job: Job, heads: dict[str, Position]) -> Check:
    """Offset of the middle between the outermost heads from the centre line of the screen, positive to the right [m]."""
    across = [x for x, _, _ in heads.values()]
    return Check(
        id="layout.seats-centred",
        value=round((min(across) + max(across)) / 2, 3),
        unit="m",
        uncertainty=PLACES_U_M,
        limit=job.limit("layout.seats-centred"),
        text="middle of the seats right of the screen's centre",
    )


def _outside_heads(job: Job, channel: Channel, place: Position, heads: dict[str, Position]) -> Iterator[Check]:
    """Distance of a left or right loudspeaker outside the outermost head on its side [m]."""
    turn = side(channel.id)
    if turn is None:
        return
    across = [turn * x for x, _, _ in heads.values()]
    yield Check(
        id="layout.outside-heads",
        channel=channel.id,
        value=round(turn * place[0] - max(across), 3),
        unit="m",
        uncertainty=PLACES_U_M,
        limit=job.limit("layout.outside-heads"),
        text=f"{'left of the leftmost' if turn < 0 else 'right of the rightmost'} head",
    )


def _heights(job: Job, channel: Channel, place: Position, heads: dict[str, Position]) -> Iterator[Check]:
    """Distance of front heights ahead of the front row's ears, and of rear heights behind the back row's [m]."""
    depths = [y for _, y, _ in heads.values()]
    if channel.role != "height":
        return
    why_not = "it stands at the height of the ears and fires at the ceiling" if fires_upward(job, channel) else None
    if channel.id in FRONT_HEIGHTS:
        yield Check(
            id="layout.front-heights",
            channel=channel.id,
            value=None if why_not else round(min(depths) - place[1], 3),
            why_not=why_not,
            unit="m",
            uncertainty=PLACES_U_M,
            limit=job.limit("layout.front-heights"),
            text="ahead of the front row's ears",
        )
    if channel.id in REAR_HEIGHTS:
        yield Check(
            id="layout.rear-heights",
            channel=channel.id,
            value=None if why_not else round(place[1] - max(depths), 3),
            why_not=why_not,
            unit="m",
            uncertainty=PLACES_U_M,
            limit=job.limit("layout.rear-heights"),
            text="behind the back row's ears",
        )


def fires_upward(job: Job, channel: Channel) -> bool:
    """Whether a height loudspeaker stands at ear height, so that its sound arrives by the ceiling."""
    ears = [seat.position_m[2] for seat in job.system.seats if seat.position_m is not None]
    place = channel.position_m
    return channel.role == "height" and place is not None and bool(ears) and place[2] <= max(ears) + AT_EAR_HEIGHT_M


def failed_by_kind(checks: tuple[Check, ...]) -> dict[str, list[Check]]:
    """The failed checks of coverage by meaning, such as "TpBL and TpBR ahead of the back row"."""
    out: dict[str, list[Check]] = {}
    for check in checks:
        if check.verdict is Verdict.FAIL and check.value is not None and check.limit is not None:
            low = check.value < check.limit.lower
            meaning = _MEANINGS.get((check.id, low))
            if meaning is not None:
                out.setdefault(meaning, []).append(check)
    return out


HIDDEN = ("layout.sight", "layout.seat-back", "layout.obstacle")
"""Checks of the direct path."""
_MEANINGS = {
    ("layout.seats-centred", True): "left of the screen's centre",
    ("layout.seats-centred", False): "right of the screen's centre",
    ("layout.outside-heads", True): "inside the outermost head",
    ("layout.front-heights", True): "behind the front row's ears",
    ("layout.front-heights", False): "ahead of the front row's ears",
    ("layout.rear-heights", True): "ahead of the back row's ears",
    ("layout.rear-heights", False): "behind the back row's ears",
    ("layout.sight", True): "hidden by the head in front",
    ("layout.seat-back", True): "hidden by a seat's back",
    ("layout.obstacle", False): "hidden by an obstacle",
    ("layout.aim", False): "aimed past the listener",
    (directions.CHECK, False): "outside the range of ITU-R BS.2051",
    ("layout.seat-wall", True): "too close to a wall",
}
"""Meaning by check, and whether its value is below the limit."""


def clause(meaning: str, checks: list[Check]) -> str:
    """The failed checks of one kind in a clause, such as "TpBL and TpBR 0.3 m ahead of the back row's ears"."""
    channels = tuple(dict.fromkeys(check.channel for check in checks if check.channel))
    seats = tuple(dict.fromkeys(check.seat for check in checks if check.seat))
    where = f" at {listed(seats)}" if seats else ""
    most = max(abs(check.value or 0.0) for check in checks)
    if checks[0].id in HIDDEN:
        return f"{listed(channels)} {meaning}{where}"
    if checks[0].id == aim.CHECK:
        return (
            f"{listed(channels)} {meaning}{where}, {'up to ' if len(checks) > 1 else ''}{number(most, 0)}° off axis"
        )
    if checks[0].id == directions.CHECK:
        return f"{listed(channels)} {'up to ' if len(checks) > 1 else ''}{number(most, 0)}° {meaning}{where}"
    if checks[0].id == "layout.seat-wall":
        least = min(check.value or 0.0 for check in checks)
        return f"{listed(seats)} {number(least, 2)} m {checks[0].text if len(checks) == 1 else 'from a wall'}"
    return f"{listed(channels) or 'the seats'} {most:.1f} m {meaning}"
