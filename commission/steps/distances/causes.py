"""Causes of a wrong arrival time: wrong delays, a wrong distance setting, a wrong tape reading.

For each main channel, three values are compared: the noted setting, the tape (or the positions), and the sound. If two
agree, the third is wrong; if one is missing, the cause is only likely. A setting that makes up for most of a delay in the
sound is not called wrong. Only what exceeds 0.45 ms (15 cm), a step of the processor and its own uncertainty counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from commission.dsp import delays as delays_of
from commission.dsp.latency import NO_DELAYS, WRONG_SIGN
from commission.model import FloatArray, Job, Verdict
from commission.model.units import FOOT_M
from commission.model.verdict import surely_above
from commission.steps.distances.result import RATIO_WITHIN, SUB_LATENCY_S, ChannelDistance, DistancesResult, step_s
from commission.steps.shared.survey import geometry_m

LEAST_SPREAD_S = 1e-3
"""Delays with a smaller spread show neither their sign nor their absence."""
TOGETHER_S = 0.3e-3
"""Main channels within this arrive together (common practice, no source)."""
FACTORS = {
    0.0: "the processor applies no delays",
    -1.0: "the processor applies all delays with the wrong sign",
    1 / FOOT_M: "the processor takes feet for metres",
    FOOT_M: "the processor takes metres for feet",
}
"""Factor of the processor on all delays → the fault, as a clause."""
_NEARLY_ONE_DELAY = "need nearly the same delay, which shows nothing"
OTHERS_SHARE = 0.6
"""Share of the main channels that must agree before one of them counts as wrong (common practice, no source)."""
SPEED_RATIOS = (0.85, 1.15)
"""Factors on the distances of settings made with another speed of sound; see SPEEDS_M_S."""
ABROAD = (0.86, 1.145)
"""Factors on the delays of a processor with another speed of sound, by the arrivals."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DelaysFault:
    """A fault common to all delays."""

    kind: Literal["off", "sign"]
    by: Literal["settings", "arrivals"]
    factor: float | None = None
    """Factor on the delays, by the arrivals: 1 is right."""
    u: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongTime:
    """One channel whose setting or tape is wrong."""

    channel: str
    what: Literal["setting", "tape", "unknown"]
    """The wrong one of the three; "unknown": the sound arrives at the wrong time, and the data do not show the cause."""
    error_s: float
    """Delay beyond the correct one; for a tape: implied minus taped distance, as time."""
    u_s: float
    likely: bool
    """Not beyond doubt: only two of setting, distance and sound are known."""
    seats: int = 0
    """Number of seats at which the sound confirms it."""
    other: str | None = None
    """The other one of two main channels, if only the difference of their delays is known to be wrong; `error_s` and
    `u_s` are then of the difference.
    """


def delays_fault(job: Job, result: DistancesResult) -> DelaysFault | None:
    """No delays at all, or delays of the wrong sign, by the arrivals or by the noted settings."""
    fit = result.unit_fit
    if fit is not None and fit.meaning in (NO_DELAYS, WRONG_SIGN):
        kind: Literal["off", "sign"] = "off" if fit.meaning == NO_DELAYS else "sign"
        return DelaysFault(kind=kind, by="arrivals", factor=fit.factor, u=fit.sd)
    if result.scale in (0.0, -1.0):
        return DelaysFault(kind="off" if result.scale == 0 else "sign", by="arrivals", factor=result.scale)
    every = [each for each in result.channels.values() if each.held is not None]
    mains = [each for each in every if not each.channel.is_sub]
    few = len(mains) < 3
    if few:
        mains = every  # subwoofers with the same setting show that none was entered
    if len(mains) < 3:
        return None
    needed = np.array([each.setting.delay_s for each in mains])
    one_step_s = step_s(job.system.processor.delay, result.speed_m_s)
    if fit is not None and fit.meaning == "right":
        return None
    error = np.array([each.held_error_s or 0.0 for each in mains])
    applied = error + needed
    if np.ptp([each.held for each in mains]) <= 1e-9:
        apart_s = np.ptp(needed)
        if few:  # a subwoofer's latency may make up for its distance, or is unknown
            apart_s = min(apart_s, np.ptp([each.distance_m for each in mains]) / result.speed_m_s)
        equal = apart_s < 0.6e-3 + one_step_s  # then the same setting for all is correct
        return None if equal else DelaysFault(kind="off", by="settings")
    if few or np.ptp(needed) < LEAST_SPREAD_S + 2 * one_step_s:
        return None
    mirrored = applied + needed
    near = np.abs(mirrored - np.median(mirrored)) <= 0.3e-3 + one_step_s
    if near.mean() >= 0.8 and np.std(mirrored) < 0.25 * np.std(error):
        return DelaysFault(kind="sign", by="settings")
    return None


def _timed_mains(result: DistancesResult) -> list[ChannelDistance]:
    """Main channels with a setting and an arrival."""
    return [
        each
        for each in result.channels.values()
        if not each.channel.is_sub and None not in (each.arrival_residual_s, each.held_error_s)
    ]


def _rest_and_applied(mains: Sequence[ChannelDistance]) -> tuple[FloatArray, FloatArray]:
    """For each of these: arrival minus tape and setting, and the noted delay [s]."""
    rest = np.array([each.arrival_residual_s for each in mains], dtype=float)
    return rest, np.array([(each.held_error_s or 0.0) + each.setting.delay_s for each in mains])


def likely_delays(result: DistancesResult) -> str | None:
    """The likely factor of the processor on its delays, as a clause, if three main channels are too few to decide.

    With that factor the main channels arrive together within 0.3 ms; with the correct one they differ by 1 ms or more.
    """
    mains = _timed_mains(result)
    if len(mains) < 3 or result.unit_fit is not None:
        return None
    rest, applied = _rest_and_applied(mains)
    if np.ptp(rest) < LEAST_SPREAD_S:
        return None
    fits = [clause for factor, clause in FACTORS.items() if np.ptp(rest + (1 - factor) * applied) <= TOGETHER_S]
    return fits[0] if len(fits) == 1 else None


def delay_factor_clauses(result: DistancesResult, sub: ChannelDistance) -> tuple[str, str] | None:
    """(factor of the processor on all delays that explains the late arrival of a subwoofer, what the main channels show of
    it), as clauses; None without one.

    It is one of FACTORS that brings the subwoofer within SUB_LATENCY_S of the main channels and halves their spread. Where
    these need nearly the same delay, they do not show whether delays are applied, and no delays explain it alone.
    """
    mains = _timed_mains(result)
    if sub.alignment_s is None or sub.held_error_s is None:
        return None
    if not mains:
        return None
    rest, applied = _rest_and_applied(mains)
    longer_s = sub.held_error_s + sub.setting.delay_s - float(np.median(applied))
    wrong = any(each.check_arrival.verdict is Verdict.FAIL for each in mains)
    for factor, clause in FACTORS.items():
        if wrong and np.ptp(rest + (1 - factor) * applied) > np.ptp(rest) / 2:
            continue  # one main channel at a wrong distance says nothing about all delays
        if not wrong and (factor != 0.0 or np.ptp(applied) >= LEAST_SPREAD_S):
            continue
        if abs(sub.alignment_s + (1 - factor) * longer_s) <= SUB_LATENCY_S:
            return clause, f"main channels {'arrive at wrong times, too' if wrong else _NEARLY_ONE_DELAY}"
    return None


def too_many_off(result: DistancesResult) -> bool:
    """Whether too many main channels arrive at wrong times for separate errors: the correct ones are unknown."""
    heard = [
        each for each in result.channels.values() if not each.channel.is_sub and each.arrival_residual_s is not None
    ]
    return sum(_contradicts_tape(each, result) for each in heard) > (1 - OTHERS_SHARE) * max(len(heard), 1)


def wrong_times(job: Job, round_id: str, result: DistancesResult) -> tuple[WrongTime, ...]:
    """Channels whose setting, tape or sound contradicts the other two, with the surest cause for each."""
    mains = {c: each for c, each in result.channels.items() if not each.channel.is_sub}
    if len(mains) < 2 or delays_fault(job, result) is not None:
        return ()
    if len(mains) == 2:
        return _wrong_of_two_mains(job, tuple(mains.values()), result)
    limit_s = job.limit("distances.arrival").upper / 1000
    if too_many_off(result):
        return ()
    by_setting = _setting_errors(job, mains, result, limit_s + step_s(job.system.processor.delay, result.speed_m_s))
    out = []
    for channel, each in mains.items():
        if channel in result.exchanged:
            continue
        found = _wrong_channel(job, each, by_setting.get(channel), result, limit_s)
        if found is not None:
            out.append(found)
    subs = (each for each in result.channels.values() if each.channel.is_sub)
    return (*out, *(found for each in subs if (found := _wrong_sub(each, result)) is not None))


def _wrong_of_two_mains(
    job: Job, mains: tuple[ChannelDistance, ...], result: DistancesResult
) -> tuple[WrongTime, ...]:
    """The one of two main channels whose setting contradicts its distance, while the other's agrees; or both, if the
    difference of their delays does.

    A processor that takes distances shows which of two is wrong; delays and arrivals only show that the two differ.
    """
    delay = job.system.processor.delay
    by_difference = delay.unit == "ms"
    slack_s = job.limit("distances.arrival").upper / 1000 + step_s(delay, result.speed_m_s)
    off = []
    for each in mains:
        if each.held is None or each.held_error_s is None:
            return ()
        error_s, u_s = each.held_error_s, each.check_setting.uncertainty / 1000
        if by_difference:
            error_s, u_s = 2 * error_s, 2 * u_s  # of the difference: each is off by half of it
        else:
            error_s = delays_of.unit_m(delay.unit) * (each.setting.exact - each.held) / each.speed_m_s
        if surely_above(abs(error_s), slack_s, u_s):
            off.append((each, error_s, u_s))
    if len(off) != 1 + by_difference:
        return ()
    each, error_s, u_s = off[0]
    (other,) = (main for main in mains if main is not each)
    heard = False
    if each.arrival_s is not None and other.arrival_s is not None:
        late_s = each.arrival_s - other.arrival_s
        if abs(late_s) <= slack_s or abs(late_s - error_s) > slack_s + 2 * each.arrival_u_s:
            return ()  # the setting compensates a delay in the loudspeaker, or the sound contradicts it
        heard = True
    return (
        WrongTime(
            channel=each.channel.id,
            what="setting",
            error_s=error_s,
            u_s=u_s,
            likely=not (heard or (_is_placed(job, each) and (not by_difference or _is_placed(job, other)))),
            seats=int(heard),
            other=other.channel.id if by_difference else None,
        ),
    )


def _is_placed(job: Job, each: ChannelDistance) -> bool:
    """Whether a channel has a tape reading that its position confirms."""
    geometry = geometry_m(job, each.channel)
    slack_m = max(-job.limit("layout.tape").lower, job.limit("layout.tape").upper)
    return each.origin == "tape" and geometry is not None and abs(each.distance_m - geometry) <= slack_m


def _wrong_sub(each: ChannelDistance, result: DistancesResult) -> WrongTime | None:
    """A subwoofer without own latency whose tape and sound agree with each other, but not with its setting.

    A setting larger than the distance may include a low-pass, which was off or is subtracted from the arrival.
    """
    usual = result.held_ratio is None or abs(result.held_ratio - 1) < RATIO_WITHIN
    error_s = each.held_error_s
    if error_s is None or each.own_latency_m != 0 or each.check_setting.verdict is not Verdict.FAIL or not usual:
        return None
    likely = error_s < 0
    if each.arrival_residual_s is None or (likely and each.why_no_arrival is not None):
        return None
    u_s = each.check_setting.uncertainty / 1000
    return WrongTime(
        channel=each.channel.id, what="setting", error_s=error_s, u_s=u_s, likely=likely, seats=0 if likely else 1
    )


def _wrong_channel(
    job: Job, each: ChannelDistance, setting_s: float | None, result: DistancesResult, limit_s: float
) -> WrongTime | None:
    channel, sound_s, speed = each.channel.id, each.arrival_residual_s, each.speed_m_s
    geometry = geometry_m(job, each.channel)
    tape_off_s = 0.0 if geometry is None or each.origin == "position" else (each.distance_m - geometry) / speed
    slack_s = max(-job.limit("layout.tape").lower, job.limit("layout.tape").upper) / speed
    off = sound_s is not None and _contradicts_tape(each, result)
    if setting_s is not None:
        # Setting and sound agree against the tape, or tape and sound against the setting.
        u_s = each.check_setting.uncertainty / 1000
        placed = _is_placed(job, each)
        if off and sound_s is not None:
            rest_s = abs(sound_s + setting_s)
            agree = rest_s <= limit_s + 2 * each.arrival_u_s
            if agree or rest_s <= abs(sound_s) / 2:
                # If the positions confirm the tape, the setting compensates a delay in the loudspeaker. If it makes up for
                # most of the delay, the setting for the tape would make it worse.
                known = agree and not placed
                return WrongTime(
                    channel=channel,
                    what="tape" if known else "unknown",
                    error_s=sound_s,
                    u_s=each.arrival_u_s,
                    likely=not known,
                )
        if sound_s is None and abs(tape_off_s - setting_s) <= slack_s and abs(tape_off_s) > slack_s:
            return None  # the positions agree with the setting: the layout reports the tape
        heard = sound_s is not None and not off
        return WrongTime(
            channel=channel,
            what="setting",
            error_s=setting_s,
            u_s=u_s,
            likely=not (heard or placed),
            seats=int(heard),
        )
    if not off or sound_s is None:
        return _without_setting(each, result, limit_s)
    if each.origin == "tape" and geometry is not None and abs(sound_s + tape_off_s) <= slack_s:
        return WrongTime(channel=channel, what="tape", error_s=sound_s, u_s=each.arrival_u_s, likely=False)
    seats = len(result.rest_s.get(channel, {}))
    pattern = channel in result.late_s
    if seats >= 3 and not pattern and geometry is not None:
        return None  # at this seat only: an obstacle is before the loudspeaker, or its sound is a reflection
    agree = geometry is not None and (pattern or (each.origin == "tape" and abs(tape_off_s) <= slack_s))
    # A setting that suits the distance is not wrong: the sound is late for another reason.
    return WrongTime(
        channel=channel,
        what="setting" if agree and each.held is None else "unknown",
        error_s=sound_s,
        u_s=each.arrival_u_s,
        likely=True,
        seats=seats if pattern else 1,
    )


def _contradicts_tape(each: ChannelDistance, result: DistancesResult) -> bool:
    """Whether a channel contradicts the tape beyond doubt, also if its processor assumes another speed of sound."""
    if not each.outlier:
        return False
    reference = result.rest_s.get(each.channel.id, {}).get(result.reference or "")
    scaled = result.scale != 1.0 and ABROAD[0] <= result.scale <= ABROAD[1]
    return not (scaled and reference is not None and abs(reference) < 0.6e-3)


def _without_setting(each: ChannelDistance, result: DistancesResult, limit_s: float) -> WrongTime | None:
    """Without a setting: the one channel that is not aligned while the others are, which shows that delays are active."""
    if (
        each.held is not None
        or each.alignment_s is None
        or not surely_above(abs(each.alignment_s), max(0.7e-3, limit_s), each.check_arrival.uncertainty / 1000)
    ):
        return None
    others = [
        other
        for other in result.channels.values()
        if other is not each and not other.channel.is_sub and other.alignment_s is not None
    ]
    aligned = [other for other in others if abs(other.alignment_s or 0.0) <= 0.5e-3]
    distances = [other.distance_m for other in aligned]
    if len(others) < 3 or len(aligned) < 0.8 * len(others) or np.ptp(distances) / each.speed_m_s < LEAST_SPREAD_S:
        return None
    rests = result.rest_s.get(each.channel.id, {})
    if len(rests) >= 3:
        own = rests.get(result.reference or "")
        if own is None or abs(own - float(np.median(list(rests.values())))) > 0.5e-3:
            return None  # at this seat only
    return WrongTime(
        channel=each.channel.id,
        what="setting",
        error_s=each.alignment_s,
        u_s=each.check_arrival.uncertainty / 1000,
        likely=True,
        seats=max(1, len(rests)),
    )


def _setting_errors(
    job: Job, mains: Mapping[str, ChannelDistance], result: DistancesResult, limit_s: float
) -> dict[str, float]:
    """Channels whose setting contradicts their distance beyond doubt, while most others' agree: excess delay [s]."""
    held = {c: each for c, each in mains.items() if each.held is not None and each.held_error_s is not None}
    if len(held) < 3:
        return {}
    errors = np.array([each.held_error_s for each in held.values()], dtype=float)
    ratio, unit = result.held_ratio, job.system.processor.delay.unit
    if ratio is not None and unit != "ms" and SPEED_RATIOS[0] <= ratio <= SPEED_RATIOS[1]:
        metres = [delays_of.unit_m(unit) * ((each.held or 0) / ratio - each.setting.exact) for each in held.values()]
        scaled = -np.array(metres) / result.speed_m_s
        scaled -= np.median(scaled)
        errors = np.where(np.abs(scaled) < np.abs(errors), scaled, errors)
    u = [each.check_setting.uncertainty / 1000 for each in held.values()]
    off = np.array([surely_above(abs(e), limit_s, each) for e, each in zip(errors, u, strict=True)], bool)
    if off.sum() > (1 - OTHERS_SHARE) * len(off):
        return {}
    return {c: float(e) for c, e, bad in zip(held, errors, off, strict=True) if bad}
