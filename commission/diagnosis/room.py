"""Rules about the room: construction, layout, noise."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from commission.diagnosis.delay_settings import ALL_DELAYS
from commission.diagnosis.dull_seats import DULL, blocked, dull_seat
from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FAULT_MATRIX, FindingDetails, Findings, Rule
from commission.dsp import reflections
from commission.dsp.across import LEAST_COUNT, mirrored_seats
from commission.dsp.geometry import mirror_partner
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import own_band, without_one_db2
from commission.model import FloatArray, Seat, Verdict
from commission.model.formatting import number
from commission.model.verdict import surely_above, surely_below
from commission.steps.layout.coverage import fires_upward
from commission.steps.seats.decay import CHECKED_HZ, SLOW_BASS_S, OctaveDecay, decay_checks, octave_decays, slow_bass
from commission.steps.seats.reflections import EarlyReflections, candidate_names, early_reflections
from commission.steps.seats.result import BASS_HZ, THIRD_OCTAVE_U_DB, deepest_bass
from commission.steps.shared.seat_variance import BandResult
from commission.steps.shared.subwoofers import SUBS

MOST_REFLECTIONS = 4
ODD_REFLECTION_DB = 3.5
"""Least excess of a reported reflection over the median of the others, if most channels of a room are above the limit:
three times the scatter of the median over seats from channel to channel in a healthy room. Also the least excess over the
partner, beyond the uncertainty of both."""
FIXED_DB, FIXED_FROM_S, ALIKE = -6.0, 0.003, 0.8
"""A reflection at the same time at four of five seats, at least three: stronger than most of those from walls, and later
than those from seat backs and the wall behind a loudspeaker, whose paths hardly differ from seat to seat (common
practice)."""
LONE_DB, LONE_WITHIN_S, LONE_SPREAD = 6.0, 0.0004, 0.15
"""A reflection of only one of a pair: its partner has none within 6 dB and 0.4 ms of it at the mirrored seats, and its
time is within 15 % of its median over the seats (common practice, no source)."""
DELAYED_COPY = "a delayed copy of the signal in the electronics, or a second loudspeaker that plays the same channel"
WEAK_DIRECT = "the direct sound is weak, because the loudspeaker points elsewhere or something covers it"
BARE_S = 1.0
"""Decay time from which a room is bare: twice the 0.5 s of furnished living rooms (ISO 16283-1, from memory). A large
cinema between the limit of the check and this is not called faulty (common practice, no source)."""
ROW_WITHIN_M = 0.4
BEHIND_M, BOOMY_DB, BOOMY_U_DB = 1.2, 6.0, 0.7
"""A wall nearer than the first (CTA/CEDIA-RP22 level 3, second hand) and bass above the seats' mean by the second (common
practice); 0.7 dB: uncertainty of two readings of bass with the microphone put back (common practice, no source)."""
BASS_ROOMS = "determined by simulation (tests/references/bass_rooms.py)"
SPOILT = (
    "settings.sub-latency",
    "settings.polarity",
    "wiring.polarity",
    "wiring.pair-polarity",
    *ALL_DELAYS,
)
"""Faults that cause a hole in the sum of the subwoofers, or in its measurement: repaired before the room is checked."""


def _subs(e: Evidence) -> list[str]:
    return [c.id for c in e.job.system.channels if c.is_sub]


def _sum_is_spoilt(e: Evidence, found: Findings) -> bool:
    ids = set(_subs(e))
    return any(f.id in SPOILT and (not f.channels or ids & set(f.channels)) for f in found)


def _null(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Seats without bass from all subwoofers together; if the sum is unknown, without bass from each of them."""
    tables = _sums_of_subs(e, found)
    limit = e.job.limit("seats.null").lower
    nulls = [_nulls(e, [(s,) for s in table[1]], table, limit) for table in tables]
    rows = found.seats("room.row-null")
    for group in _in_all(nulls):
        if group[0] in rows:
            continue
        yield FindingDetails(
            title=f"{group[0]} misses bass",
            channels=tuple(_subs(e)),
            seats=group,
            evidence=tuple(
                f"{who} {number(each[group][0], 0)} dB re the seats' mean in the third octave at {each[group][1]:.0f} Hz, "
                f"limit {number(limit, 0)} dB"
                for (who, _, _), each in zip(tables, nulls, strict=True)
            ),
            alternatives=("the microphone stood in a corner, on a table or under a rail there",),
            confirm=f"Move the microphone by 30 cm at {group[0]}: a null moves with it.",
            remedy="Move the seat or a subwoofer; a filter cannot fill a null and only strains the amplifier.",
        )


def _bass_differs(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    if _sum_is_spoilt(e, found) or found.any("room.row-null"):
        return
    names = [SUBS] if SUBS in e.bass else [c for c in _subs(e) if c in e.bass]
    results = {name: low for name in names if (low := _lowest_band(e.bass[name])) is not None}
    missing = found.seats("room.null", "room.boomy")
    uneven = {name: each for name, each in results.items() if _uneven(e, each[1], missing)}
    if not uneven or len(uneven) < len(results):
        return
    _, first = next(iter(uneven.values()))
    softest = min(first.deviations_db.items(), key=lambda item: item[1])
    yield FindingDetails(
        title="bass differs from seat to seat" + (f", least at {softest[0]}" if softest[1] < -2 else ""),
        channels=tuple(_subs(e)),
        seats=(first.worst_seat,),
        evidence=tuple(text for name, (label, r) in uneven.items() for text in _spread(e, name, label, r)),
        alternatives=("gain, delay or polarity of the subwoofers do not suit the seats (bass)",),
        confirm="Measure each subwoofer alone: does every one of them miss the same seat?",
        remedy="Align the subwoofers for all seats; the rest depends on their number and positions, or on the seats'.",
    )


def _boomy(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Seats near the rear wall with far more bass than the others, from all subwoofers or from each alone."""
    room, tables = e.job.system.room, _sums_of_subs(e, found)
    if room is None or not tables:
        return
    for seat in e.job.system.seats:
        if seat.position_m is None or room.length_m - seat.position_m[1] >= BEHIND_M:
            continue
        louder = [
            (who, _bass_above_db(levels, seats.index(seat.id))) for who, seats, levels in tables if seat.id in seats
        ]
        if len(louder) < len(tables) or not all(surely_above(db, BOOMY_DB, BOOMY_U_DB) for _, db in louder):
            continue
        yield FindingDetails(
            title=f"{seat.id} hears too much bass near the rear wall",
            channels=tuple(_subs(e)),
            seats=(seat.id,),
            evidence=(
                *(
                    f"{who}: {number(db, 1)} dB above the seats' mean from 25 to 80 Hz, limit {number(BOOMY_DB, 0)} dB"
                    for who, db in louder
                ),
                f"the wall is {number(room.length_m - seat.position_m[1], 1)} m behind the ears, limit "
                f"{number(BEHIND_M, 1)} m",
            ),
            alternatives=("a mode of the room is strong there for another reason than this wall",),
            confirm=f"Measure the subwoofers again 0.5 m in front of {seat.id}: near a wall, bass falls with distance.",
            remedy="Move the seat forward, or absorb bass at the wall behind it; then align the subwoofers again.",
        )


def _bass_above_db(levels: FloatArray, seat: int) -> float:
    """Level of one seat over the mean of all seats from 25 to 80 Hz; `levels` [shape=(seats, n)]."""
    inside = (GRID_HZ >= BASS_HZ[0]) & (GRID_HZ <= BASS_HZ[1]) & own_band(levels)
    if not inside.any():
        return 0.0
    by_seat = 10 * np.log10(np.mean(10 ** (levels[:, inside] / 10), axis=-1))
    return float(by_seat[seat] - by_seat.mean())


def _uneven(e: Evidence, result: BandResult, missing: set[str]) -> bool:
    """Unevenness beyond the limit, even without its worst seat if that already has a finding."""
    left_db2, seats = result.msv_db2, list(result.deviations_db)
    weights = dict(zip(seats, e.job.system.seat_weights(seats), strict=True))
    if result.worst_seat in missing and sum(weight > 0 for weight in weights.values()) > 2:
        share = weights[result.worst_seat] / sum(weights.values())
        left_db2 = without_one_db2(left_db2, share, result.worst_db)
    return surely_above(math.sqrt(left_db2), e.job.limit("room.uneven").upper, result.u_sd_db)


def _spread(e: Evidence, name: str, label: str, r: BandResult) -> tuple[str, str]:
    who = "all subwoofers together" if name == SUBS else name
    spread = f"{r.sd_db:.1f} ± {2 * r.u_sd_db:.1f} dB, limit {e.job.limit('room.uneven').upper:g} dB"
    return (
        f"{who}: seat-to-seat standard deviation {spread}, {label} Hz",
        f"{r.worst_seat} is {r.worst_db:.1f} dB off the seats' mean (rms)",
    )


def _lowest_band(bands: dict[str, BandResult]) -> tuple[str, BandResult] | None:
    """The deepest band that is entirely bass, if there is one."""
    low = {label: r for label, r in bands.items() if r.heard_hz[0] < 80}
    return min(low.items(), key=lambda item: item[1].heard_hz[0], default=None)


def _reflection(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Channels with a reflection that the room's walls do not cause for the others.

    Bare walls put most loudspeakers of a room above the limit, which the step "seats" notes: that is a property of the
    room, not a fault of one place.
    """
    joined = found.channels("settings.upmix", "wiring.doubled")  # another loudspeaker is no reflection
    # The ceiling reflection of a loudspeaker that fires upwards is its intended sound.
    left_out = joined | {c.id for c in e.job.system.channels if fires_upward(e.job, c)}
    # If something covers the loudspeaker, its direct sound is weak, not the reflection strong.
    covered = {(c, seat) for each in found if each.id in DULL for c in each.channels for seat in each.seats}
    early = {c: each for c, each in early_reflections(e.seats, covered).items() if c not in left_out}
    middles = {c: each.middle_db for c, each in early.items()}
    strong = {c: each.strongest for c, each in early.items() if each.surely_above}
    usual = float(np.median(list(middles.values()) or [0.0]))
    fixed = _fixed_reflections(e)
    lone = _lone_reflections(e)
    one_sided = {c: p for c in early if (p := mirror_partner(c)) in early and _is_above(early[c], early[p])}
    if 2 * len(strong) > len(middles):
        strong = {
            c: each for c, each in strong.items() if c in fixed or c in lone or _is_odd(c, middles) or c in one_sided
        }
    if not strong:
        return
    order = sorted(strong, key=lambda c: -strong[c][0])
    worst, at, _ = strong[order[0]]
    louder = worst > 0  # stronger than the direct sound, which no single surface causes
    more = f" and {len(order) - 3} more" if len(order) > 3 else ""
    yield FindingDetails(
        title=f"early reflections up to {number(worst, 0)} dB: {', '.join(order[:3])}{more}",
        channels=tuple(order),
        evidence=(
            *(_reflection_sentence(e, c, *strong[c]) for c in order[:MOST_REFLECTIONS]),
            f"limit {number(reflections.LIMIT_DB, 0)} dB within 15 ms (1–8 kHz), guard-banded over the seats; the median "
            f"of all channels is {number(usual, 0)} dB",
            *(
                f"{c}: after {1000 * fixed[c]:.1f} ms at every seat alike, which no surface of the plan explains"
                for c in order
                if c in fixed
            ),
            *(
                f"{c}: after about {1000 * lone[c]:.1f} ms, where {mirror_partner(c)} has nothing within "
                f"{LONE_DB:.0f} dB at the mirrored seats"
                for c in order
                if c in lone
            ),
            *(
                f"its partner {one_sided[c]} has at most {number(middles[one_sided[c]], 0)} dB against {c}'s "
                f"{number(middles[c], 0)} dB (medians over the seats)"
                for c in order[:MOST_REFLECTIONS]
                if c in one_sided
            ),
        ),
        alternatives=(WEAK_DIRECT, DELAYED_COPY) if louder else (DELAYED_COPY, WEAK_DIRECT),
        confirm=f"{f'Look from {at} to {order[0]}: is its tweeter in sight? ' if louder else ''}"
        "Hang a thick blanket at the place where the path meets the surface and measure again.",
        remedy="Absorb or diffuse at that place, or turn the loudspeaker. Bare walls do this in most rooms.",
    )


def _is_odd(channel: str, middles_db: Mapping[str, float]) -> bool:
    """Whether a channel's reflections are far above the median of all others."""
    others = [db for c, db in middles_db.items() if c != channel]
    return bool(others) and middles_db[channel] > float(np.median(others)) + ODD_REFLECTION_DB


def _is_above(one: EarlyReflections, other: EarlyReflections) -> bool:
    """Whether the reflections of one of a pair exceed those of the other, with the same walls by the plan."""
    u_db = reflections.LEVEL_U_DB * math.sqrt(1 / one.seats + 1 / other.seats)
    return surely_above(one.middle_db - other.middle_db, ODD_REFLECTION_DB, u_db)


def _fixed_reflections(e: Evidence) -> dict[str, float]:
    """Channels with a strong reflection at the same delay at every seat → that delay [s].

    The path by a wall differs from seat to seat. Left out are reflections that one surface of the plan explains at half
    of the seats, those that another channel shows at the same delay, and all of them without a plan.
    """
    heard: dict[str, dict[str, list[tuple[float, float]]]] = {}
    for (channel, seat), cell in e.seats.cells.items():
        if cell.analysis is not None and cell.analysis.reflections is not None:
            heard.setdefault(channel, {})[seat] = [
                r for r in cell.analysis.reflections if r[1] > reflections.LIMIT_DB
            ]
    out: dict[str, float] = {}
    for channel, seats in heard.items():
        if len(seats) < 3:
            continue
        for after_s in sorted({t for each in seats.values() for t, _ in each if t >= FIXED_FROM_S}):
            same = {s: near for s, each in seats.items() if (near := _near(each, after_s, reflections.DELAY_U_S))}
            levels = [max(level for _, level in near) for near in same.values()]
            if len(same) < ALIKE * len(seats) or float(np.median(levels)) < FIXED_DB:
                continue
            others = (
                sum(bool(_near(each, after_s, 2 * reflections.DELAY_U_S)) for each in theirs.values())
                >= 0.5 * len(theirs)
                for c, theirs in heard.items()
                if c != channel
            )
            if not any(others) and not _by_one_surface(e, channel, {s: near[0][0] for s, near in same.items()}):
                out[channel] = after_s
    return out


def _lone_reflections(e: Evidence) -> dict[str, float]:
    """Channels with a strong reflection that their partner lacks at the mirrored seats → its median delay [s].

    At two or more seats, at nearly the same delay, unless one surface of the plan explains it at all of them.
    """
    heard = {
        place: [r for r in cell.analysis.reflections if r[0] >= FIXED_FROM_S]
        for place, cell in e.seats.cells.items()
        if cell.analysis is not None and cell.analysis.reflections is not None
    }
    mirrored = mirrored_seats(e.job.system.seats)
    out: dict[str, float] = {}
    for channel in dict.fromkeys(c for c, _ in heard):
        beside = {s: (mirror_partner(channel), mirrored.get(s)) for c, s in heard if c == channel}
        compared = {s: heard[place] for s, place in beside.items() if place in heard}
        after_s = {}
        for seat, theirs in compared.items():
            own = [
                (level, t)
                for t, level in heard[channel, seat]
                if level >= FIXED_DB and all(other < level - LONE_DB for _, other in _near(theirs, t, LONE_WITHIN_S))
            ]
            if own:
                after_s[seat] = max(own)[1]
        if len(after_s) < max(2.0, ALIKE * len(compared)):
            continue
        middle_s = float(np.median(list(after_s.values())))
        same = all(abs(t - middle_s) <= LONE_SPREAD * middle_s for t in after_s.values())
        if same and not _by_one_surface(e, channel, after_s, share=1.0):
            out[channel] = middle_s
    return out


def _by_one_surface(e: Evidence, channel: str, after_s: Mapping[str, float], share: float = 0.5) -> bool:
    """Whether one surface, or the seat backs, can cause reflections with these delays at that share of the seats."""
    names: Counter[str] = Counter()
    for seat, delay_s in after_s.items():
        found = candidate_names(e.job, channel, seat, delay_s, e.distances.speed_m_s)
        if found is None:
            return True
        names.update({"back" if name.startswith("back ") else name for name in found})
    return max(names.values(), default=0) >= share * len(after_s)


def _near(found: Sequence[tuple[float, float]], after_s: float, within_s: float) -> list[tuple[float, float]]:
    return [(t, level) for t, level in found if abs(t - after_s) <= within_s]


def _reflection_sentence(e: Evidence, channel_id: str, level_db: float, seat_id: str, delay_s: float) -> str:
    path_m = delay_s * e.distances.speed_m_s
    text = f"{channel_id} at {seat_id}: {number(level_db, 0)} dB after {1000 * delay_s:.1f} ms, {path_m:.2f} m longer path"
    names = candidate_names(e.job, channel_id, seat_id, delay_s, e.distances.speed_m_s)
    return text if names is None else f"{text}, by the plan possibly from: {reflections.in_words(names)}"


def _row_null(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """A whole row without bass from all subwoofers together, or from the only one."""
    tables = _sums_of_subs(e, found)
    limit = e.job.limit("seats.row-null").lower
    nulls = []
    for table in tables:
        rows = [tuple(row) for row in _rows(e.job.system.seats, table[1])]
        able = [row for row in rows if len(row) > 1] if len(rows) > 1 else []
        nulls.append(_nulls(e, able, table, limit))
    for row in _in_all(nulls):
        depth, at_hz = max(each[row] for each in nulls)
        which = "every subwoofer" if len(tables) > 1 else tables[0][0]
        yield FindingDetails(
            title=f"the row {', '.join(row)} misses bass at {at_hz:.0f} Hz",
            channels=tuple(_subs(e)),
            seats=row,
            evidence=(
                f"{which}: all {len(row)} seats at least {number(-depth, 0)} dB below the seats' mean in the third octave "
                f"at {at_hz:.0f} Hz, limit {number(limit, 0)} dB",
            ),
            alternatives=("gain, delay or polarity of the subwoofers do not suit this row",),
            confirm="Move the microphone by half a metre to the front and to the rear of one of these seats.",
            remedy="Move the row or a subwoofer, or add one elsewhere; a filter cannot fill a null.",
        )


_Nulls = dict[tuple[str, ...], tuple[float, float]]
"""Groups of seats that all lack one third octave → (level of the best of them below the mean [dB], its frequency)."""


def _in_all(tables: Sequence[_Nulls]) -> list[tuple[str, ...]]:
    """The groups that lack bass by every table, in the order of the first."""
    return [group for group in tables[0] if all(group in each for each in tables)] if tables else []


_Sum = tuple[str, list[str], FloatArray]
"""(source, seats, third-octave levels [shape=(seats, n)])."""


def _nulls(e: Evidence, groups: Sequence[tuple[str, ...]], table: _Sum, limit_db: float) -> _Nulls:
    """Those of the groups whose seats all lack one third octave of the sum by more than the limit."""
    _, seats, levels = table
    counted = [weight > 0 for weight in e.job.system.seat_weights(seats)]
    found = deepest_bass(groups, seats, levels, counted)
    return {group: null for group, null in found.items() if surely_below(null[0], limit_db, THIRD_OCTAVE_U_DB)}


def _sums_of_subs(e: Evidence, found: Findings) -> list[_Sum]:
    """Sum of the subwoofers; each alone if their sum is unknown. Empty with fewer than three seats."""
    if e.subs is not None and not _sum_is_spoilt(e, found):
        return [("all subwoofers together", *e.subs)] if len(e.subs[0]) >= LEAST_COUNT else []
    tables = []
    for sub in _subs(e):
        cells = [(s.id, e.seats.cells[(sub, s.id)].analysis) for s in e.job.system.seats]
        known = [(s, a.third_octave_db) for s, a in cells if a is not None]
        if len(known) < LEAST_COUNT:
            return []
        tables.append((sub, [s for s, _ in known], np.array([levels for _, levels in known])))
    return tables


def _rows(system_seats: Sequence[Seat], heard: Sequence[str]) -> list[list[str]]:
    """Seats by rows: within 0.4 m of equal distance from the screen wall; those without a position by their letter."""
    rows: dict[float | str, list[str]] = {}
    for seat in system_seats:
        if seat.id not in heard:
            continue
        key: float | str = seat.id.rstrip("0123456789") if seat.position_m is None else seat.position_m[1]
        near = next(
            (k for k in rows if isinstance(k, float) and isinstance(key, float) and abs(k - key) <= ROW_WITHIN_M), key
        )
        rows.setdefault(near, []).append(seat.id)
    return list(rows.values())


def _reverberation(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    """A bare room: every middle octave decays too slowly. A single one may be due to one surface, or chance."""
    checks = tuple(decay_checks(e.job, octave_decays(e.seats)).values())
    if len(checks) < len(CHECKED_HZ) or any(check.verdict is not Verdict.FAIL for check in checks):
        return
    if not all(surely_above(check.value or 0.0, BARE_S, check.uncertainty) for check in checks):
        return
    limit = checks[0].limit
    assert limit is not None
    octaves = [each for each in octave_decays(e.seats) if each.octave_hz in CHECKED_HZ]
    mean_s = float(np.mean([each.t20_s for each in octaves]))
    yield FindingDetails(
        title=f"the room is too reverberant: T20 {number(mean_s, 2)} s",
        evidence=_decay_sentences(octaves, limit.upper),
        alternatives=("a door was open, or the room was not furnished yet",),
        confirm="Measure again with the doors closed and all furniture in place.",
        remedy="Add absorption: carpet, curtains, upholstery, panels on side and rear walls.",
    )


def _slow_bass(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Bass that decays far more slowly than in a healthy room; a bare room if everything does."""
    octaves = slow_bass(e.job, octave_decays(e.seats))
    if not octaves or found.any("room.reverberation"):
        return
    slowest = max(octaves, key=lambda each: each.t20_s or 0.0)
    yield FindingDetails(
        title=f"the bass decays too slowly: T20 {number(slowest.t20_s, 1)} s at {slowest.octave_hz} Hz",
        evidence=_decay_sentences(octaves, SLOW_BASS_S),
        alternatives=("the room was not furnished yet",),
        confirm="Play a slow bass sweep and stop it: the notes that go on are the modes that ring.",
        remedy="Add absorbers for the bass: deep panels in the corners, or panels that vibrate. Carpet does nothing there.",
    )


def _decay_sentences(octaves: Sequence[OctaveDecay], limit_s: float) -> tuple[str, ...]:
    return tuple(
        f"T20 {number(each.t20_s, 2)} s in the {each.octave_hz} Hz octave (U = {number(2 * each.u_s, 2)} s, "
        f"limit {number(limit_s, 1)} s)"
        for each in octaves
    )


RULES = (
    Rule(
        id="room.reverberation",
        check="seats.decay",
        symptom="voices and effects blur",
        look=_reverberation,
        basis="T20 clearly above 1 s at 500, 1000 and 2000 Hz, twice that of furnished rooms; common practice",
    ),
    Rule(
        id="room.bass-decay",
        check="seats.decay",
        symptom="bass notes run together",
        look=_slow_bass,
        basis="T20 clearly above 2 s at 63 or 125 Hz, twice that of healthy rooms; determined by simulation "
        "(tests/references/bass_decays.py)",
    ),
    Rule(
        id="room.row-null",
        check="seats.bass",
        symptom="no bass in a row",
        look=_row_null,
        place="seat",
        basis=f"every seat of a row 10 dB below the seats' mean over one third octave; {BASS_ROOMS}",
    ),
    Rule(
        id="room.null",
        check="seats.bass",
        symptom="no bass at one seat",
        look=_null,
        place="seat",
        basis=f"20 dB below the seats' mean over a third octave; {BASS_ROOMS}",
    ),
    Rule(
        id="room.boomy",
        check="seats.bass",
        symptom="a boomy seat near the rear wall",
        look=_boomy,
        place="seat",
        basis="less than 1.2 m from the wall behind (CTA/CEDIA-RP22 level 3, second hand) and bass from 25 to 80 Hz 6 dB "
        "above the seats' mean; common practice",
    ),
    Rule(
        id="room.bass-differs",
        check="seats.bass",
        explains=("seats.bass",),
        symptom="bass differs from seat to seat",
        look=_bass_differs,
        basis=f"seat-to-seat standard deviation above 6 dB from 20 to 80 Hz; {BASS_ROOMS}",
    ),
    Rule(
        id="room.blocked",
        check="seats.direct",
        symptom="one dull seat",
        look=blocked,
        place="seat",
        basis="direct sound at 4–10 kHz 9 dB below the other seats', not in the same direction and not for the partner, or "
        "between two seats that hear it well; common practice",
    ),
    Rule(
        id="room.dull-seat",
        check="seats.direct",
        symptom="one dull seat",
        look=dull_seat,
        place="seat",
        basis="direct sound at 4–10 kHz 9 dB below the other seats', and not in the same direction or for the partner; "
        "common practice",
    ),
    Rule(
        id="room.reflection",
        check="seats.direct",
        symptom="coloured sound",
        look=_reflection,
        compares=True,
        basis=f"more than −10 dB within 15 ms (BS.1116, EBU Tech 3276, from memory), u 2 dB; {FAULT_MATRIX}",
    ),
)
