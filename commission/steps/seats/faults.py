"""Channels that the seats show to be faulty: silent, a dead driver, reversed. Rules word them, trims wait for them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from commission.model import Job
from commission.model.verdict import surely_below
from commission.steps.seats.drivers import Driver
from commission.steps.seats.polarity import ChannelPolarity
from commission.steps.seats.result import CHANNEL_OFF_U_DB, SILENT_DB, SeatsResult, driver_limit, is_dead

SILENT_SNR_DB = 10.0


def silent_channels(result: SeatsResult) -> dict[str, float]:
    """Channels far below their partner and in the noise → median signal-to-noise ratio [dB]."""
    out = {}
    for channel, against in sorted(result.against.items()):
        ratios = [
            cell.analysis.snr_db
            for (c, _), cell in result.cells.items()
            if c == channel and cell.analysis is not None and cell.analysis.snr_db is not None
        ]
        low = surely_below(against.level_db, SILENT_DB, CHANNEL_OFF_U_DB)
        if low and ratios and float(np.median(ratios)) < SILENT_SNR_DB:
            out[channel] = float(np.median(ratios))
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadDriver:
    """A driver far below the partner's at most seats, while the rest of the loudspeaker plays."""

    gap_db: float
    band_hz: tuple[float, float]
    seats: tuple[int, int]
    """(seats at which it is; seats compared)."""
    limit_db: float


def dead_drivers(job: Job, result: SeatsResult, driver: Driver) -> dict[str, DeadDriver]:
    """Channels with that driver dead; silent channels are not among them."""
    silent, out = silent_channels(result), {}
    for channel, against in sorted(result.against.items()):
        if channel in silent or not is_dead(job, against, driver):
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
    """Channels that are reversed, or one of which is, or with a driver reversed."""
    return {c: found for c, found in result.polarity.items() if found.state not in ("alike", "unknown")}
