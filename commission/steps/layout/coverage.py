"""Rules of coverage: where loudspeakers stand with respect to the heads of all listeners.

All are common practice with no source: the seats are on the centre line of the screen; every left loudspeaker stands left
of the leftmost head and every right one right of the rightmost; front heights hang just ahead of the front row's ears and
rear heights just behind the back row's; nobody's head is in the way of a screen loudspeaker.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from commission.dsp.geometry import side
from commission.model import Channel, Check, Job, Position, Verdict
from commission.model.units import listed
from commission.steps.shared.budgets import CUSTOM, single

PLACES_U_M = 0.014
"""Two coordinates, each measured by hand to ±2 cm (k = 2; common practice, no source)."""
HEAD_TOP_M, HEAD_HALF_WIDTH_M = 0.13, 0.10
"""The crown above the ears, and half a head's width with hair (adults: 0.13 and 0.08 m, ISO 7250-1, from memory)."""
SIGHT_U_M = 0.03
"""Heads differ by ±6 cm in height (k = 2; common practice, no source)."""
SAME_ROW_M = 0.4
"""Heads that differ by less from front to rear sit in one row."""
FRONT_HEIGHTS = ("TpFL", "TpFC", "TpFR", "Ltf", "Rtf")
REAR_HEIGHTS = ("TpBL", "TpBC", "TpBR", "Ltr", "Rtr")
"""Labels of IEC 62574, and the short ones in use."""
BUDGETS = (
    single("layout.outside-heads", "Loudspeaker outside the heads", "two places by hand", PLACES_U_M, CUSTOM, "m"),
    single("layout.seats-centred", "Seats off the screen's centre line", "places by hand", PLACES_U_M, CUSTOM, "m"),
    single("layout.front-heights", "Front height ahead of the ears", "two places by hand", PLACES_U_M, CUSTOM, "m"),
    single("layout.rear-heights", "Rear height behind the ears", "two places by hand", PLACES_U_M, CUSTOM, "m"),
    single("layout.sight", "Sight line over the head in front", "height of the listeners", SIGHT_U_M, CUSTOM, "m"),
)


def coverage_checks(job: Job, doubtful: Collection[str] = ()) -> tuple[Check, ...]:
    """All checks of coverage that the entered places allow; none for what is not placed, or whose place is `doubtful`."""
    heads = {
        seat.id: seat.position_m
        for seat in job.system.seats
        if seat.position_m is not None and seat.id not in doubtful
    }
    if not heads:
        return ()
    placed = [
        (channel, channel.position_m)
        for channel in job.system.channels
        if channel.position_m is not None and not channel.is_sub and channel.id not in doubtful
    ]
    checks = [_centred(job, heads)]
    for channel, place in placed:
        checks += _outside_heads(job, channel, place, heads)
        checks += _heights(job, channel, place, heads)
        if channel.role == "screen":
            checks += _sight(job, channel, place, heads)
    return tuple(checks)


def _centred(job: Job, heads: dict[str, Position]) -> Check:
    """How far the middle between the outermost heads is off the centre line of the screen, positive to the right [m]."""
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
    """How far a left or right loudspeaker stands outside the outermost head on its side [m]."""
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
    """How far front heights hang ahead of the front row's ears, and rear heights behind the back row's [m]."""
    depths = [y for _, y, _ in heads.values()]
    if channel.role != "height":
        return
    if channel.id in FRONT_HEIGHTS:
        yield Check(
            id="layout.front-heights",
            channel=channel.id,
            value=round(min(depths) - place[1], 3),
            unit="m",
            uncertainty=PLACES_U_M,
            limit=job.limit("layout.front-heights"),
            text="ahead of the front row's ears",
        )
    if channel.id in REAR_HEIGHTS:
        yield Check(
            id="layout.rear-heights",
            channel=channel.id,
            value=round(place[1] - max(depths), 3),
            unit="m",
            uncertainty=PLACES_U_M,
            limit=job.limit("layout.rear-heights"),
            text="behind the back row's ears",
        )


def _sight(job: Job, channel: Channel, place: Position, heads: dict[str, Position]) -> Iterator[Check]:
    """How far the straight way to an ear passes above the head in front of it, where one is in the way [m]."""
    for seat, ears in heads.items():
        above = [
            clearance
            for other, head in heads.items()
            if other != seat and (clearance := _clearance_m(place, ears, head)) is not None
        ]
        if above:
            yield Check(
                id="layout.sight",
                channel=channel.id,
                seat=seat,
                value=round(min(above), 3),
                unit="m",
                uncertainty=SIGHT_U_M,
                limit=job.limit("layout.sight"),
                text="sight line above the head in front",
            )


def _clearance_m(source: Position, ears: Position, head: Position) -> float | None:
    """Height of the line from source to ears above the crown of a head [m]; None where the head is beside the line."""
    depth = source[1] - ears[1]
    if abs(head[1] - ears[1]) < SAME_ROW_M or not min(source[1], ears[1]) < head[1] < max(source[1], ears[1]):
        return None
    share = (head[1] - ears[1]) / depth
    across = ears[0] + share * (source[0] - ears[0])
    if abs(across - head[0]) > HEAD_HALF_WIDTH_M:
        return None
    return ears[2] + share * (source[2] - ears[2]) - head[2] - HEAD_TOP_M


def failed_by_kind(checks: tuple[Check, ...]) -> dict[str, list[Check]]:
    """The failed checks of coverage by what they mean, as in "TpBL and TpBR ahead of the back row"."""
    out: dict[str, list[Check]] = {}
    for check in checks:
        if check.verdict is Verdict.FAIL and check.value is not None and check.limit is not None:
            low = check.value < check.limit.lower
            meaning = _MEANINGS.get((check.id, low))
            if meaning is not None:
                out.setdefault(meaning, []).append(check)
    return out


_MEANINGS = {
    ("layout.seats-centred", True): "left of the screen's centre",
    ("layout.seats-centred", False): "right of the screen's centre",
    ("layout.outside-heads", True): "inside the outermost head",
    ("layout.front-heights", True): "behind the front row's ears",
    ("layout.front-heights", False): "ahead of the front row's ears",
    ("layout.rear-heights", True): "ahead of the back row's ears",
    ("layout.rear-heights", False): "behind the back row's ears",
    ("layout.sight", True): "hidden by the head in front",
}
"""By check, and whether its value is below the limit."""


def clause(meaning: str, checks: list[Check]) -> str:
    """What is wrong in one clause, as in "TpBL and TpBR 0.3 m ahead of the back row's ears"."""
    channels = tuple(dict.fromkeys(check.channel for check in checks if check.channel))
    seats = tuple(dict.fromkeys(check.seat for check in checks if check.seat))
    where = f" at {listed(seats)}" if seats else ""
    if checks[0].id == "layout.sight":
        return f"{listed(channels)} {meaning}{where}"
    most = max(abs(check.value or 0.0) for check in checks)
    return f"{listed(channels) or 'the seats'} {most:.1f} m {meaning}"
