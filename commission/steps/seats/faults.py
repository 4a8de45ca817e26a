"""Channels that are faulty by their responses: silent, with a dead driver, reversed. Rules report them, trims await their
repair.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass

import numpy as np

from commission.model import Job
from commission.model.formatting import number
from commission.model.verdict import surely_below
from commission.steps.seats.drivers import Driver
from commission.steps.seats.polarity import ChannelPolarity
from commission.steps.seats.result import (
    CHANNEL_OFF_DB,
    OTHERS,
    SILENT_DB,
    PartnerComparison,
    SeatsResult,
    channel_off_u_db,
    driver_limit,
    is_dead,
)
from commission.steps.shared.lost_level import silent_readings_db
from commission.steps.shared.screening.mistake import NOISE_ALONE_SNR_DB

SILENT_AMONG_OTHERS_DB = -26.0
"""Threshold without a partner: other models, two subwoofers, and a subwoofer and the main channels differ by less than
half of this in decibels (common practice, no source)."""
MAINS = "the main channels"
FAR_BELOW_DB, FAR_BELOW_SNR_DB = -40.0, 20.0
"""Level at which only crosstalk or noise remains, and largest signal-to-noise ratio there (common practice, no source). A
short file contains so little noise that its scatter looks like a signal: up to 17 dB in the band of a silent subwoofer
(`tests/diagnosis/test_rules.py`)."""
CROSSTALK_DB = -60.0
"""Level below any error of trim or gain: crosstalk, or a channel's bass from the subwoofers, whatever its signal-to-noise
ratio (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SilentChannel:
    """A channel of which only noise was recorded."""

    level_db: float
    """Level relative to its comparison."""
    compared_with: str
    limit_db: float
    snr_db: float | None
    """Median over the seats; None if its files contain no noise."""
    snr_limit_db: float | None
    """None if it is silent whatever its signal-to-noise ratio."""


def silent_channels(result: SeatsResult) -> dict[str, SilentChannel]:
    """Channels far below their partner, or below all others of their kind, and near the noise unless they are very far
    below.
    """
    out = {}
    for channel in sorted({c for c, _ in result.cells}):
        own = [cell.analysis for (c, _), cell in result.cells.items() if c == channel and cell.analysis is not None]
        ratios = [analysis.snr_db for analysis in own if analysis.snr_db is not None]
        # A file without noise, for example in 16 bits, is silent by its level alone.
        snr_db = float(np.median(ratios)) if ratios else None
        if not own:
            continue
        level_db, compared_with, limit_db = _below_db(result, channel)
        snr_limit_db: float | None = NOISE_ALONE_SNR_DB
        if snr_db is None or NOISE_ALONE_SNR_DB <= snr_db < FAR_BELOW_SNR_DB:
            limit_db, snr_limit_db = FAR_BELOW_DB, FAR_BELOW_SNR_DB
        elif snr_db >= FAR_BELOW_SNR_DB:
            limit_db, snr_limit_db = CROSSTALK_DB, None
        if surely_below(level_db, limit_db, channel_off_u_db(len(own))):
            out[channel] = SilentChannel(
                level_db=level_db,
                compared_with=compared_with,
                limit_db=limit_db,
                snr_db=snr_db,
                snr_limit_db=snr_limit_db,
            )
    return out


def silent_by_meter(job: Job, round_id: str, result: SeatsResult) -> dict[str, float]:
    """Channels without a response whose hand readings are those of silence → dB relative to the other channels."""
    heard = {c for (c, _), cell in result.cells.items() if cell.analysis is not None}
    return {c: below for c, below in silent_readings_db(job, round_id).items() if c not in heard}


def _below_db(result: SeatsResult, channel: str) -> tuple[float, str, float]:
    """Level relative to the partner, otherwise to the others of its kind, otherwise of a lone subwoofer to the main
    channels [dB], the comparison, and the limit; 0 dB if there is nothing to compare with.
    """
    against = result.against.get(channel)
    if against is not None:
        return against.level_db, against.partner, SILENT_DB
    kinds = {c: cell.channel.is_sub for (c, _), cell in result.cells.items()}
    of_kind = {c for c, is_sub in kinds.items() if is_sub is kinds[channel] and c != channel}
    if of_kind:
        return _below_others_db(result, channel, of_kind), OTHERS, SILENT_AMONG_OTHERS_DB
    mains = {c for c, is_sub in kinds.items() if not is_sub and c != channel}
    return _below_others_db(result, channel, mains), MAINS, SILENT_AMONG_OTHERS_DB


def _below_others_db(result: SeatsResult, channel: str, among: set[str]) -> float:
    """Level relative to other channels, median over the seats [dB]; 0 if none was heard at the same seats."""
    gaps = []
    for (c, seat), cell in result.cells.items():
        if c != channel or cell.level_db is None:
            continue
        beside = (result.cells.get((other, seat)) for other in sorted(among))
        others = [each.level_db for each in beside if each is not None and each.level_db is not None]
        if others:
            gaps.append(cell.level_db - float(np.median(others)))
    return float(np.median(gaps)) if gaps else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadDriver:
    """A driver far below the partner's at most seats, while the rest of the loudspeaker plays."""

    gap_db: float
    band_hz: tuple[float, float]
    seats: tuple[int, int]
    """(seats at which it is dead; seats compared)."""
    limit_db: float


def dead_drivers(job: Job, result: SeatsResult, driver: Driver) -> dict[str, DeadDriver]:
    """Channels with that driver dead, without silent channels."""
    out = {}
    for channel, against in sorted(result.against.items()):
        if not is_dead(job, against, driver) or channel in silent_channels(result):
            continue
        gap, limit = against.drivers[driver], driver_limit(job, against, driver)
        out[channel] = DeadDriver(
            gap_db=gap.gap_db,
            band_hz=gap.band_hz,
            seats=(sum(each <= limit.lower for each in gap.gaps_db.values()), len(gap.gaps_db)),
            limit_db=limit.lower,
        )
    return out


def reversed_channels(result: SeatsResult) -> dict[str, ChannelPolarity]:
    """Channels that are reversed, pairs of which one is, and channels with a reversed driver."""
    return {c: found for c, found in result.polarity.items() if found.state not in ("alike", "mistyped", "unknown")}


DIP_DB = 5.0
"""Depth of a dip for which a reversed or dead driver is possible: a half octave of a loudspeaker without a partner
relative to its neighbours and the other loudspeakers. 2 of 57 healthy centres of simulated rooms exceeded it, and half of
those with a reversed driver."""
UNEVEN_DB, UNEVEN_ALONE_DB = 6.0, 9.0
"""Largest variation over frequency that a trim leaves. Levels over one and a half octaves, relative to the partner,
varied by up to 3.7 dB in 98 % of 302 healthy loudspeakers (7.2 dB at most) and of 39 with a wrong trim; without a partner
by up to 7.4 dB (38); with a dead driver by 7 dB at least, 13 dB without a partner (simulated rooms, tests/rooms)."""
UNEVEN_BESIDE_EQUAL_DB = 4.5
"""Largest variation if one end is within 1 dB of the partner's level, which no wrong trim leaves unchanged: a midrange
whose neighbours fill its range made 4.9 dB."""


def drivers_in_doubt(result: SeatsResult) -> set[str]:
    """Channels whose level a reversed driver may have changed, unless all half octaves differ alike without a dip."""
    return {
        c
        for c, found in result.polarity.items()
        if found.relation is not None
        and (found.relation.changes_sign or found.relation.split_hz is not None)
        and not (
            (against := result.against.get(c)) is not None
            and abs(against.shared_db) > CHANNEL_OFF_DB
            and against.dip.depth_db < DIP_DB
        )
    }


def _uneven_from_db(against: PartnerComparison) -> float:
    if not against.has_partner:
        return UNEVEN_ALONE_DB
    ends = against.variation.low_db, against.variation.high_db
    return UNEVEN_BESIDE_EQUAL_DB if min(map(abs, ends)) <= CHANNEL_OFF_DB else UNEVEN_DB


def depends_on_frequency(against: PartnerComparison) -> bool:
    """Whether a difference in level is not, or not only, a trim's."""
    return against.variation.range_db >= _uneven_from_db(against)


def trim_doubt(result: SeatsResult, channel: str, comparable: Container[str], *, loud: bool) -> str | None:
    """Reason why a trim may not be the cause of a loud or soft channel, as a clause: its level depends on frequency; or
    it is soft with a dip, and has no partner or a sign against its partner that changes with frequency.

    `comparable`: possible comparisons: channels that await no repair, and `OTHERS`.
    """
    against = result.against.get(channel)
    if against is None:
        return None
    if depends_on_frequency(against) and against.partner in comparable:
        variation = against.variation
        why = (
            f"its level depends on frequency, {number(variation.low_db, 1, signed=True)} dB near {variation.low_hz:.0f} Hz "
            f"and {number(variation.high_db, 1, signed=True)} dB near {variation.high_hz:.0f} Hz"
        )
        least = _uneven_from_db(against)
    elif (
        not loud
        and against.dip.depth_db >= DIP_DB
        and (not against.has_partner or channel in drivers_in_doubt(result))
    ):
        why = f"near {round(against.dip.hz, -2):.0f} Hz it is {against.dip.depth_db:.0f} dB weaker than beside"
        least = DIP_DB
    else:
        return None
    return f"{why}, compared with {against.partner}, threshold {least:.0f} dB"
