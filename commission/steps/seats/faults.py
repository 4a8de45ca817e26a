"""Channels that the seats show to be faulty: silent, a dead driver, reversed. Rules word them, trims wait for them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from commission.dsp.across import AGREE
from commission.model import Job
from commission.model.verdict import surely_below
from commission.steps.seats.result import CHANNEL_OFF_U_DB, PARTNER_U_DB, SILENT_DB, SeatsResult

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
    limit_db, index = job.limit("seats.driver").lower, ("tweeter", "woofer").index(driver)
    silent, out = silent_channels(result), {}
    for channel, against in sorted(result.against.items()):
        gap_db = (against.treble_db, against.low_db)[index]
        seats = sum(both[index] <= limit_db for both in against.gaps.values())
        dead = surely_below(gap_db, limit_db, PARTNER_U_DB) and seats >= AGREE * len(against.gaps)
        if dead and channel not in silent:
            out[channel] = DeadDriver(gap_db=gap_db, seats=seats)
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Reversed:
    """A channel that plays against the others."""

    seats: int
    """Seats at which it does."""
    of: int
    by_setting: bool
    """The processor holds "reversed": the setting is the fault, and not the wiring."""


def reversed_channels(job: Job, round_id: str, result: SeatsResult) -> dict[str, Reversed]:
    """Channels that read reversed; a subwoofer that the processor reverses is a matter of the crossover, and is none."""
    wrong, out = 1 if result.inverted else -1, {}
    for channel in job.system.channels:
        sign, negative, known = result.polarity[channel.id]
        by_setting = job.setting(round_id, channel.id).polarity == "reversed"
        if sign == wrong and not (channel.is_sub and by_setting):
            seats = negative if wrong == -1 else known - negative
            out[channel.id] = Reversed(seats=seats, of=known, by_setting=by_setting)
    return out
