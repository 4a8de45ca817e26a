"""Rules about trims and the gain of the measurement."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from commission.diagnosis.delay_settings import NOT_AS_SET, SWAP_OR_DISTANCE
from commission.diagnosis.evidence import Evidence, seat_distance_m
from commission.diagnosis.rule import FAULT_MATRIX, FindingDetails, Findings, Rule, caution, signed
from commission.diagnosis.wiring import SWAP_OR_FILES, perhaps_swapped
from commission.dsp.across import LEAST_COUNT, mirrored_seats
from commission.model import Job, Verdict
from commission.model.formatting import number
from commission.model.units import listed
from commission.model.verdict import surely_above, surely_below
from commission.steps.levels import ChannelLevel, trim_or_cause
from commission.steps.seats.awaiting import ONE_LOUDSPEAKER, awaiting_repair
from commission.steps.seats.faults import depends_on_frequency, drivers_in_doubt
from commission.steps.seats.result import CHANNEL_OFF_DB, SeatsResult, channel_off_u_db
from commission.steps.shared.sub_sum import targets_sum

ALIKE = 0.8
SHARED = 0.25
"""All channels off by the same: they differ by at most a quarter of the least error (common practice, no source)."""

LONE_OFF_DB = 8.0
"""Threshold for a loudspeaker without a partner, which may be of another model in another place: home loudspeakers differ
by up to 8 dB in sensitivity, 84 to 92 dB at 1 m and 2.83 V (common practice, no source), which only a trim removes."""


def _trim_db(e: Evidence) -> float:
    """Deviation of a channel from which it is reported [dB]: the nearer side of the limit."""
    limit = e.job.limit("settings.trim")
    return min(-limit.lower, limit.upper)


def _whole(e: Evidence) -> dict[str, ChannelLevel]:
    """Readings of channels that await no repair."""
    return {c: each for c, each in e.levels.channels.items() if each.why_no_trim is None or each.in_doubt}


def _settable(e: Evidence) -> dict[str, ChannelLevel]:
    """Readings of these, without pairs with a possibly reversed driver, which changes the level as a trim does."""
    doubtful = drivers_in_doubt(e.seats)
    return {c: each for c, each in _whole(e).items() if c not in doubtful}


def _common_error_db(e: Evidence) -> float:
    """Error common to most readings, else 0: a wrong volume or meter, not trims. No faulty driver makes most of them
    softer.
    """
    off, limit = np.array([-each.correction_db for each in _whole(e).values()]), _trim_db(e)
    if len(off) < 2:
        return 0.0
    middle, least = float(np.median(off)), float(np.min(np.abs(off)))
    # Few but all: were one of them right, the trims of all others would be off alike.
    if len(off) == len(e.job.system.channels) and least > limit and np.ptp(off) <= max(limit, SHARED * least):
        return middle
    return middle if len(off) > 2 and np.mean(np.abs(off - middle) <= limit) >= ALIKE else 0.0


def _all_off(e: Evidence, _: Findings) -> Iterator[FindingDetails]:
    common, levels = _common_error_db(e), _whole(e)
    u = float(np.hypot(np.median([each.u_db for each in levels.values()] or [0.0]), e.levels.common_u_db or 0.0))
    if not surely_above(abs(common), _trim_db(e), u):
        return
    yield FindingDetails(
        title=f"all channels {abs(common):.1f} dB {'loud' if common > 0 else 'low'}",
        channels=tuple(levels),
        evidence=(f"{signed(common)} ± {2 * u:.1f} dB against the reference, alike within {_trim_db(e):g} dB",),
        alternatives=("the master volume was not at its reference", "the meter is off, or set to another weighting"),
        confirm="Put the calibrator on the meter; look at the master volume.",
        remedy="Set the volume to its reference and read two channels again before any trim is changed.",
    )


def _off_trims_db(e: Evidence) -> tuple[dict[str, tuple[float, float]], str]:
    """Deviation of each channel that surely differs from its comparison, with its standard uncertainty [dB], and the
    comparison. Where a reading alone does not decide, the responses at the same seats may.
    """
    common, limit, off = _common_error_db(e), _trim_db(e), {}
    combined = _with_responses_db(_read_and_heard_db(e))
    for c, each in _whole(e).items():
        if each.before_sum and each.match.verdict is not Verdict.FAIL:
            continue
        read_db = -each.correction_db - common
        level_db, u_db = combined.get(c, (math.nan, 0.0))
        if surely_above(abs(read_db), limit, each.u_db):
            off[c] = (read_db, each.u_db)
        elif abs(read_db) > limit and surely_above(math.copysign(1.0, read_db) * (level_db - common), limit, u_db):
            off[c] = (level_db - common, u_db)
    return off, "the other channels" if common else "the reference"


RESPONSE_U_DB = 0.9
"""Standard uncertainty of a response's level at a seat relative to the meter's reading there, apart from the microphone's
gain: band and weighting differ, and the position is some centimetres away (common practice, no source)."""

CONTRADICTS = 3.0


def _read_and_heard_db(e: Evidence) -> dict[str, tuple[float, float, float]]:
    """Main channel → reading minus target, mean level of its responses at the same seats, standard uncertainty of the
    reading. Channels without a response that includes the trim are left out.
    """
    known = {}
    for c, each in _settable(e).items():
        levels = [
            math.nan if cell is None or cell.level_db is None or not _holds_trim(e, c, s) else cell.level_db
            for s in e.levels.seats
            for cell in (e.seats.cells.get((c, s)),)
        ]
        if not each.channel.is_sub and levels and not math.isnan(sum(levels)):
            known[c] = (-each.correction_db, sum(levels) / len(levels), each.u_db)
    return known


def _not_heard_db(e: Evidence, off: Mapping[str, float]) -> dict[str, float]:
    """Channel → deviation of its responses at the same seats [dB], where they do not show that of its reading in `off`:
    not to that side by more than the limit. Both are relative to the other channels.
    """
    known, common_db, limit_db, out = _read_and_heard_db(e), _common_error_db(e), _trim_db(e), {}
    for c in off:
        gains_db = [heard - read for other, (read, heard, _) in known.items() if other != c]
        if c in known and gains_db:
            heard_db = known[c][1] - float(np.median(gains_db)) - common_db
            if heard_db * math.copysign(1.0, off[c]) <= limit_db:
                out[c] = heard_db
    return out


def _with_responses_db(known: Mapping[str, tuple[float, float, float]]) -> dict[str, tuple[float, float]]:
    """Readings of `_read_and_heard_db` combined with the responses: (level minus target, standard uncertainty).

    Least squares for the levels and the unknown gain common to all responses. A reading that its response contradicts by
    more than three standard uncertainties is ignored.
    """
    if not known:
        return {}
    gain_db = float(np.median([heard - read for read, heard, _ in known.values()]))
    names = [
        c
        for c, (read, heard, u) in known.items()
        if abs(heard - gain_db - read) <= CONTRADICTS * math.hypot(u, RESPONSE_U_DB)
    ]
    if len(names) < 2:
        return {}
    read, heard, u_read = np.array([known[c] for c in names]).T
    one = np.eye(len(names))
    design = np.block([[one, np.zeros((len(names), 1))], [one, np.ones((len(names), 1))]])
    weighted = design / np.concatenate((u_read, np.full(len(names), RESPONSE_U_DB)))[:, np.newaxis]
    covariance = np.linalg.inv(weighted.T @ weighted)
    values = np.concatenate((read / u_read, heard / RESPONSE_U_DB))
    levels_db, u_db = covariance @ weighted.T @ values, np.sqrt(np.diag(covariance))
    return {c: (float(levels_db[k]), float(u_db[k])) for k, c in enumerate(names)}


def _doubt(e: Evidence, channel: str, *, loud: bool = False) -> tuple[str, ...]:
    """A sentence with another possible reason than the trim; empty if there is none."""
    doubt = trim_or_cause(e.job, e.round, e.analyses, e.seats, channel, loud=loud)
    return () if doubt is None else (f"whether {_suspects(loud)} is the cause is not determined: {doubt}",)


def _suspects(loud: bool) -> str:
    """The parts that may be at fault: no faulty driver makes a loudspeaker louder."""
    return "its trim, an equalizer or a second loudspeaker" if loud else "its trim or one of its drivers"


def _in_doubt(
    e: Evidence, channel: str, title: str, evidence: tuple[str, ...], *, loud: bool = False
) -> FindingDetails:
    """Finding for a channel that is off, perhaps not because of its trim; the last sentence of the evidence gives the
    reason.
    """
    if loud:
        causes = ("another loudspeaker plays it, too", "an equalizer boosts a part of its range")
        confirm = f"Play soft noise on {channel} alone and listen which loudspeakers sound; look at its equalizer."
        remedy = "Switch off the equalizer or second loudspeaker, and measure it again before its trim is changed."
    else:
        causes = (
            "one of its drivers is dead, or connected the wrong way round",
            "its trim is too low, and its model has this dip by design",
        )
        confirm = f"Play soft noise on {channel} and listen closely to each driver; measure it at 1 m on axis."
        remedy = f"Have its drivers and their terminals checked before its trim is changed. {caution(e, channel)}"
    return FindingDetails(
        title=f"{title}: {_suspects(loud)}",
        channels=(channel,),
        evidence=evidence,
        alternatives=causes,
        confirm=confirm,
        remedy=remedy,
    )


def _not_confirmed(channel: str, read_db: float, heard_db: float, against: str) -> FindingDetails:
    """Finding for a reading that the channel's own response at the same seat does not show."""
    return FindingDetails(
        title=f"{channel} {abs(read_db):.1f} dB {'low' if read_db < 0 else 'loud'} by the meter, not by its response",
        channels=(channel,),
        evidence=(
            f"by the meter {signed(read_db)} dB against {against}, by its response at the same seat {signed(heard_db)} dB",
            "whether its trim or this reading is wrong is not determined: a second reading settles it",
        ),
        alternatives=(
            "the meter was held elsewhere, or the volume was moved between readings",
            "the trim was changed between the reading and the response",
        ),
        confirm=f"Read {channel} again, and one channel within the limit, with the meter where the microphone stood.",
        remedy="Enter the trim from the settings sheet only if the second reading agrees with the first.",
    )


def _sub_targets(e: Evidence, off: Iterable[str]) -> tuple[str, ...]:
    """Required reading of each subwoofer alone, if all subwoofers together are meant to read the reference."""
    subs = [each for c in off if (each := e.levels.channels[c]).channel.is_sub]
    if not subs or e.levels.together is None or not targets_sum(e.job):
        return ()
    targets = ", ".join(f"{each.channel.id} {each.target_db:.1f} dB" for each in subs)
    return (f"all subwoofers at once are meant to read the reference, so each alone must read: {targets}",)


def _decided_by_responses(e: Evidence, off: Mapping[str, float]) -> Iterator[str]:
    """Channels whose readings alone do not decide; `off`: channel → standard uncertainty of the deviation [dB]."""
    for c, u_db in off.items():
        if u_db < e.levels.channels[c].u_db:
            reading = f"{signed(-e.levels.channels[c].correction_db)} ± {2 * e.levels.channels[c].u_db:.1f} dB"
            yield f"{c}: {reading} by the meter alone, ± {2 * u_db:.1f} dB together with the responses"


def _trims(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    elsewhere = found.channels(ONE_LOUDSPEAKER, SWAP_OR_DISTANCE, SWAP_OR_FILES) | set(perhaps_swapped(e))
    explained = elsewhere | found.channels(DIALOGUE, NOT_AS_SET)
    joined = found.channels("wiring.doubled", "settings.upmix")  # a second loudspeaker makes the channel louder
    every, against = _off_trims_db(e)
    off = {c: value for c, (value, _) in every.items() if c not in explained and not (value > 0 and c in joined)}
    doubts = {c: _doubt(e, c, loud=value > 0) for c, value in off.items()}
    off = {c: value for c, value in off.items() if doubts.get(c) or c not in drivers_in_doubt(e.seats)}
    for channel in [c for c, doubt in doubts.items() if doubt]:
        value, doubt = off.pop(channel), doubts[channel]
        sentence = f"against {against}: {channel} {signed(value)} dB, limit {_trim_db(e):g} dB"
        title = f"{channel} {abs(value):.1f} dB {'low' if value < 0 else 'loud'}"
        yield _in_doubt(e, channel, title, (sentence, *doubt), loud=value > 0)
    for channel, heard_db in _not_heard_db(e, off).items():
        yield _not_confirmed(channel, off.pop(channel), heard_db, against)
    if not off:
        return
    worst = max(off, key=lambda c: abs(off[c]))
    mains = [c for c in off if c in e.seats.against]
    unknown = [e.distances.no_swap_reason] if mains and e.distances.no_swap_reason else []
    verb = "plays" if len(mains) == 1 else "play"
    listen = f"Listen whether {listed(mains)} {verb} from the right place. " if unknown else ""
    yield FindingDetails(
        title=f"trims off, {worst} by {abs(off[worst]):.1f} dB",
        channels=tuple(off),
        evidence=(
            f"against {against}: "
            + ", ".join(f"{c} {signed(value)} dB" for c, value in off.items())
            + f", limit {_trim_db(e):g} dB",
            *_decided_by_responses(e, {c: every[c][1] for c in off}),
            *_sub_targets(e, off),
            *unknown,
        ),
        alternatives=(
            *_may_be_doubled(e, [c for c, value in off.items() if value > 0]),
            "the volume was moved between readings",
            "the meter was held elsewhere",
        ),
        confirm=f"{listen}Read {worst} again, and one channel within the limit.",
        remedy="Enter the trims from the settings sheet.",
    )


def _may_be_doubled(e: Evidence, loud: list[str]) -> Iterator[str]:
    """Another reason why main channels are loud, unless each is known to play from its own loudspeaker alone."""
    alone = {check.channel for check in e.checks("wiring.leakage") if check.verdict is Verdict.PASS}
    mains = {channel.id for channel in e.job.system.channels if not channel.is_sub}
    unknown = [c for c in loud if c in mains - alone]
    if unknown:
        verb = "sounds" if len(unknown) == 1 else "sound"
        yield f"{listed(unknown)} also {verb} from another loudspeaker: listen close to the others"


DIALOGUE = "settings.dialogue-level"

WHOLE_REVERSED = ("wiring.polarity", "wiring.pair-polarity", "settings.polarity")
"""Findings that leave the level unchanged: a loudspeaker reversed as a whole is as loud as before."""

FRONTS = (("FC", "FL", "FR"), ("C", "L", "R"))
"""The loudspeaker with most of the dialogue and those beside it: labels of IEC 62574, or short ones."""


def front_loudspeakers(job: Job) -> tuple[str, str, str] | None:
    """Centre, left and right of the screen by their labels; None if one of them is missing."""
    ids = {channel.id for channel in job.system.channels}
    return next((names for names in FRONTS if ids.issuperset(names)), None)


def _level_is_known(e: Evidence, found: Findings, channel: str) -> bool:
    """Whether the reading of a channel is its level: it awaits no repair, or only its polarity is wrong."""
    other = {c for f in found if f.cause == "electronics" and f.id not in WHOLE_REVERSED for c in f.channels}
    turned = found.channels(*WHOLE_REVERSED)
    return channel not in other and (channel in turned or channel not in awaiting_repair(e.job, e.round, e.analyses))


def _dialogue(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """The centre against the left and right front loudspeakers: by the meter, otherwise by the responses."""
    names = front_loudspeakers(e.job)
    if (
        names is None
        or set(names) & found.channels(SWAP_OR_DISTANCE, NOT_AS_SET)
        or not all(_level_is_known(e, found, c) for c in names)
    ):
        return
    if set(names) & set(e.levels.channels):
        if not _reads_low(e, names):
            return
        read = list(_dialogue_read(e, names))
        yield from read
        if read:
            return
    yield from _dialogue_recorded(e, names)  # also if single readings below the limit scatter too much to decide


def _reads_low(e: Evidence, names: tuple[str, str, str]) -> bool:
    """Whether the centre reads below the limit under both left and right, possibly within the uncertainty.

    Below each of them: if one side alone is loud, the centre is not at fault.
    """
    if not set(names) <= set(e.levels.channels):
        return False
    centre, left, right = (e.levels.channels[c].level_db for c in names)
    return centre - min(left, right) < e.job.limit("settings.dialogue").lower


def _dialogue_read(e: Evidence, names: tuple[str, str, str]) -> Iterator[FindingDetails]:
    centre, left, right = (e.levels.channels[c] for c in names)
    apart = centre.level_db - (left.level_db + right.level_db) / 2
    u = math.hypot(centre.u_db, math.hypot(left.u_db, right.u_db) / 2)
    if _not_heard_db(e, {names[0]: apart}):
        return  # the reading may be wrong: its response at the same seat is not soft
    if surely_below(apart, e.job.limit("settings.dialogue").lower, u):
        yield from _quiet_dialogue(e, names, apart, u)
        return
    off, against = _off_trims_db(e)
    value, u = off.get(names[0], (0.0, 0.0))
    if value < 0 and not set(names[1:]) & set(off):  # two channels scatter more than the reference or all others
        sentence = f"{names[0]} is {-value:.1f} ± {2 * u:.1f} dB below {against}, limit {_trim_db(e):g} dB"
        yield _quiet_centre(e, names, value, against, f"{sentence}; {names[1]} and {names[2]} are within it")


def _dialogue_recorded(e: Evidence, names: tuple[str, str, str]) -> Iterator[FindingDetails]:
    apart, nearest = [], []
    reference, limit = e.job.system.reference_seat, e.job.limit("settings.dialogue").lower
    for seat in e.job.system.seats:
        levels = [cell.level_db for c in names if (cell := e.seats.cells.get((c, seat.id))) is not None]
        known = [level for level in levels if level is not None]
        # A response that bypassed the processor does not include the trim.
        if len(known) == len(names) and all(_holds_trim(e, c, seat.id) for c in names):
            apart.append(known[0] - (known[1] + known[2]) / 2)
            nearest.append(known[0] - min(known[1:]))
            if reference is not None and seat.id == reference.id and nearest[-1] >= limit:
                return  # trims are set for this seat: deviations elsewhere come from the room or the loudspeakers' aim
    seats = sum(each < limit for each in nearest)
    if apart and seats >= ALIKE * len(apart):
        where = f", at {seats} of {len(apart)} seats"
        for finding in _quiet_dialogue(e, names, float(np.median(apart)), channel_off_u_db(len(apart)), where):
            yield replace(finding, check="seats.level")


def _holds_trim(e: Evidence, channel: str, seat: str) -> bool:
    """Whether the newest response of a channel at a seat went through the processor."""
    items = e.screening.usable.repeats(e.round, channel, seat)[-1:]
    return bool(items) and items[0].passes_delays


def _quiet_dialogue(
    e: Evidence, names: tuple[str, str, str], apart_db: float, u_db: float, where: str = ""
) -> Iterator[FindingDetails]:
    limit, (centre, left, right) = e.job.limit("settings.dialogue").lower, names
    if surely_below(apart_db, limit, u_db):
        sentence = (
            f"{centre} is {-apart_db:.1f} ± {2 * u_db:.1f} dB below the mean of {left} and {right}{where}, "
            f"limit {-limit:g} dB"
        )
        yield _quiet_centre(e, names, apart_db, f"{left} and {right}", sentence)


def _quiet_centre(
    e: Evidence, names: tuple[str, str, str], apart_db: float, below: str, sentence: str
) -> FindingDetails:
    """Finding for the centre that is too soft compared with `below`, as the sentence states."""
    centre, left, right = names
    title = f"dialogue quiet: {centre} {-apart_db:.1f} dB below {below}"
    if doubt := _doubt(e, centre):
        return _in_doubt(e, centre, title, (sentence, *doubt))
    return FindingDetails(
        title=title,
        channels=(centre,),
        evidence=(sentence,),
        alternatives=(
            "the volume was changed between the readings",
            f"something covers {centre}, or its own level control is turned down",
            *_may_be_doubled(e, [left, right]),
        ),
        confirm=f"Read {centre}, {left} and {right} again, one directly after the other.",
        remedy=f"Enter the trim of {centre} from the settings sheet; listen to speech before and after.",
    )


def _trim_stop(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    if found.any("settings.reference"):
        return  # every trim changes once the volume is at its reference
    nulls = found.seats("room.row-null", "room.null")
    reference = e.job.system.reference_seat
    for c, each in _settable(e).items():
        if each.reachable and not each.at_limit:
            continue
        if (
            (channel := e.job.system.channel(c)) is not None
            and channel.is_sub
            and reference
            and reference.id in nulls
        ):
            continue  # soft at that seat because of the room
        reaches = each.reachable
        exact, end = (number(value, 1, signed=True) for value in (each.trim_exact_db, each.trim_db))
        needed = f"needs {exact} dB, the range ends at {end} dB"
        yield FindingDetails(
            title=f"trim of {c} at the end of its range" if reaches else f"{c} cannot reach the reference",
            channels=(c,),
            evidence=(f"its required trim is {end} dB, the end of the range" if reaches else needed,),
            alternatives=(
                "the level control of an amplifier or subwoofer is set wrongly",
                "its input is switched low",
            ),
            confirm=f"Check the level controls between processor and {c}.",
            remedy="Change that gain until the trim is near the middle of its range; otherwise use a common offset.",
        )


def _channel_level(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Deviations from the responses, if readings alone do not decide: the one of a pair that is off at every seat alike;
    without readings also one without a partner. Of a pair the lower one is checked, though the other may be too loud.
    """
    repairs = {c for f in found if f.cause == "electronics" and f.id not in WHOLE_REVERSED for c in f.channels}
    explained = (
        repairs
        | found.channels(DIALOGUE, SWAP_OR_DISTANCE, NOT_AS_SET, "settings.trims")
        | drivers_in_doubt(e.seats)
        | set(perhaps_swapped(e))
    )
    for channel, against in sorted(e.seats.against.items()):
        off, partner, (alike, compared) = against.level_db, against.partner, against.alike_seats
        least, u_db = CHANNEL_OFF_DB if against.has_partner else LONE_OFF_DB, channel_off_u_db(compared)
        if alike < ALIKE * compared or not surely_above(abs(off), least, u_db):
            continue
        if {channel, partner} & explained or (off > 0 and partner in e.seats.against):
            continue
        read_db = _read_apart_db(e, channel, partner)
        if read_db is not None and not read_db * math.copysign(1.0, off) > CHANNEL_OFF_DB:
            continue  # not confirmed by the readings
        others = [partner] if against.has_partner else [c for c in e.seats.against if c != channel]
        if not against.has_partner and len(others) < LEAST_COUNT and explained & set(others):
            continue  # of two, the other one alone proves nothing
        if not all(_through_processor(e, c) for c in (channel, *others)):
            continue  # without trims, loudspeakers differ by sensitivity and distance
        if not surely_above(abs(off) - _distance_db(e, channel, others), CHANNEL_OFF_DB, u_db):
            continue
        if against.has_partner and _right_at_reference(e, channel, partner, off):
            continue  # trims are set for this seat: deviations elsewhere come from the room
        odd = _odd_one(e.seats, channel, partner)
        other = partner if odd == channel else channel
        low = (off < 0) == (odd == channel)
        place, side = ("below", "lower") if off < 0 else ("above", "higher")
        level = f"{abs(off):.1f} dB {'low' if low else 'loud'}"
        at = f"{side} at {alike} of {compared} seats"
        sentence = f"{channel} is {abs(off):.1f} ± {2 * u_db:.1f} dB {place} {partner}, {at}"
        if depends_on_frequency(against):
            if odd and (doubt := _doubt(e, odd, loud=not low)):
                yield _in_doubt(e, odd, f"{odd} {level}", (sentence, *doubt), loud=not low)
            continue
        yield FindingDetails(
            title=f"{odd} {level} at every seat"
            if odd
            else f"{channel} or {partner} {abs(off):.1f} dB off at every seat",
            channels=(odd,) if odd else (channel, partner),
            evidence=(
                sentence,
                "the same at all seats: the channel, neither the room nor the microphone's gain",
                *(() if read_db is None else (f"by the meter it is {abs(read_db):.1f} dB {place} {partner}, too",)),
                *(() if odd else ("which of the two is not determined without a third channel",)),
            ),
            alternatives=(
                f"the loudspeakers of {channel} and {partner} differ in kind",
                *((f"not {odd} but {other}: too {'loud' if low else 'low'}",) if odd else ()),
                *_may_be_doubled(e, [partner if off < 0 else channel]),
            ),
            confirm=f"Read {channel} and {partner} with the meter (levels).",
            remedy=f"Correct the trim of {odd or 'the one that is off'}.",
        )


def _read_apart_db(e: Evidence, channel: str, other: str) -> float | None:
    """Difference of two readings, each relative to its target [dB]; None if neither was taken, NaN if only one was."""
    if not e.levels.channels.keys() & {channel, other}:
        return None
    own, its = (e.levels.channels.get(c) for c in (channel, other))
    return math.nan if own is None or its is None else its.correction_db - own.correction_db


def _right_at_reference(e: Evidence, channel: str, partner: str, off_db: float) -> bool:
    """Whether a channel is not off to that side against its partner at the reference seat or at its mirror image."""
    reference = e.job.system.reference_seat
    if reference is None:
        return False
    mirror = mirrored_seats(e.job.system.seats)
    own = _level_db(e, channel, reference.id)
    others = (_level_db(e, partner, seat) for seat in (reference.id, mirror.get(reference.id, reference.id)))
    return own is not None and any(
        theirs is not None and (own - theirs) * math.copysign(1.0, off_db) < CHANNEL_OFF_DB for theirs in others
    )


def _level_db(e: Evidence, channel: str, seat: str) -> float | None:
    cell = e.seats.cells.get((channel, seat))
    return None if cell is None else cell.level_db


def _through_processor(e: Evidence, channel: str) -> bool:
    """Whether all responses of a channel went through the processor, and so include its trim."""
    return all(
        _holds_trim(e, channel, seat) for (c, seat), cell in e.seats.cells.items() if c == channel and cell.repeats
    )


def _distance_db(e: Evidence, channel: str, others: Sequence[str]) -> float:
    """Level difference between a channel and others from distances alone at the mirrored seats, without trims [dB]; 0 if
    unknown.
    """
    seats = e.job.system.seats
    mirror = mirrored_seats(seats) if len(others) == 1 else {}
    apart = [
        20 * math.log10(float(np.median(theirs)) / own)
        for s in seats
        if (own := seat_distance_m(e, channel, s.id)) is not None
        and (theirs := [d for c in others if (d := seat_distance_m(e, c, mirror.get(s.id, s.id))) is not None])
    ]
    return abs(float(np.median(apart))) if apart else 0.0


def _odd_one(result: SeatsResult, channel: str, partner: str) -> str | None:
    """The one of a pair that is farther from the median of the other main channels; None if there are no others."""
    mains = {c: result.channel_level_db[c] for c in result.against if c in result.channel_level_db}
    if partner not in mains:
        return channel
    others = [level for c, level in mains.items() if c not in (channel, partner)]
    if not others:
        return None
    middle = float(np.median(others))
    return channel if abs(mains[channel] - middle) >= abs(mains[partner] - middle) else partner


RULES = (
    Rule(
        id="settings.reference",
        check="levels.reference",
        explains=("levels.match",),
        symptom="all channels too soft or too loud",
        look=_all_off,
        basis="all off alike by more than 1 dB, guard-banded with the meter's class; common practice",
    ),
    Rule(
        id=DIALOGUE,
        check="levels.match",
        explains=("levels.match", "seats.level"),
        symptom="dialogue too soft",
        look=_dialogue,
        basis="centre more than 1 dB below the mean of left and right, guard-banded, and soft in its response, too; "
        "common practice",
    ),
    Rule(
        id="settings.trims",
        check="levels.match",
        explains=("levels.match", "levels.sum"),
        symptom="a channel loud or soft",
        look=_trims,
        basis="more than 1 dB off, guard-banded, and in its response, too, common practice; less than 6 dB uneven over "
        f"frequency, 4.5 dB beside a range as loud as the partner's; {FAULT_MATRIX}",
    ),
    Rule(
        id="settings.channel-level",
        check="seats.level",
        symptom="a channel loud or soft",
        look=_channel_level,
        basis="more than 1 dB from its partner at the mirrored seats, guard-banded; common practice",
    ),
)

LAST = (
    Rule(
        id="settings.trim-range",
        check="levels.match",
        explains=("levels.match",),
        symptom="a trim at the end of its range",
        look=_trim_stop,
        basis=f"trim at the end of its range; {FAULT_MATRIX}",
    ),
)
"""Rules about deviations that the room may explain, after those about the room."""
