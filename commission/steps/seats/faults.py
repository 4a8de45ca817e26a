"""Channels that the seats show to be faulty: silent, a dead driver, reversed. Rules word them, trims wait for them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from commission.dsp.across import AGREE
from commission.model import Job
from commission.model.verdict import surely_below
from commission.steps.seats.polarity import ChannelPolarity
from commission.steps.seats.result import CHANNEL_OFF_U_DB, PARTNER_U_DB, SILENT_DB, SeatsResult, driver_limit

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
    seats: int
    """Seats at which it is."""


def dead_drivers(job: Job, result: SeatsResult, driver: Literal["tweeter", "woofer"]) -> dict[str, DeadDriver]:
    """Channels with that driver dead; silent channels are not among them."""
    index = ("tweeter", "woofer").index(driver)
    silent, out = silent_channels(result), {}
    for channel, against in sorted(result.against.items()):
        limit_db, gap_db = driver_limit(job, against).lower, (against.treble_db, against.low_db)[index]
        seats = sum(both[index] <= limit_db for both in against.gaps.values())
        dead = surely_below(gap_db, limit_db, PARTNER_U_DB) and seats >= AGREE * len(against.gaps)
        if dead and channel not in silent:
            out[channel] = DeadDriver(gap_db=gap_db, seats=seats)
    return out


def reversed_channels(result: SeatsResult) -> dict[str, ChannelPolarity]:
    """Channels that are reversed, or one of which is, or with a driver reversed."""
    return {c: found for c, found in result.polarity.items() if found.state not in ("alike", "unknown")}
