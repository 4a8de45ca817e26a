"""Prediction of a settings sheet for every seat, stored in the log when the sheet is issued."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from commission.model import (
    AS_LEFT,
    Analyses,
    Channel,
    Job,
    SheetBass,
    SheetBassSeat,
    SheetChannel,
    SheetIssued,
    SheetSeat,
    merge_settings,
)
from commission.steps.bass.result import BassResult, in_use
from commission.steps.bass.result import solve as solve_bass
from commission.steps.compare.prediction import heard_at_seats, setting_step
from commission.steps.handover.settings_sheet import SheetLine
from commission.steps.shared.screening import usable
from commission.steps.shared.survey import delay_slope_s


def sheet_issued(
    job: Job, analyses: Analyses, lines: Sequence[SheetLine], program_version: str
) -> SheetIssued | None:
    """The sheet's settings with level and arrival of every channel at every seat; None if it sets nothing.

    Levels and arrivals are those of the newest round with responses plus the changes of trim and delay, relative to the
    gain and the clock of that round.
    """
    held = [r for r in job.rounds if job.responses_of(r)]
    if not any(line.new is not None for line in lines):
        return None
    round_id = held[-1] if held else job.rounds[-1]
    screened = usable(job, analyses, round_id)
    channels = tuple(_channel(job, channel, round_id, screened, lines) for channel in job.system.channels)
    return SheetIssued(channels=channels, bass=_bass(job, analyses), program_version=program_version)


def _channel(
    job: Job, channel: Channel, round_id: str, screened: Analyses, lines: Sequence[SheetLine]
) -> SheetChannel:
    old = job.setting(round_id, channel.id)
    new = replace(old, round=AS_LEFT)
    for line in lines:
        if line.channel == channel.id:
            new = merge_settings(new, line.setting)
    heard, through = heard_at_seats(job, channel, round_id, screened)
    trim, delay = (setting_step(old, new, name) for name in ("trim_db", "distance"))
    later_s = None if delay is None else delay * delay_slope_s(job)
    seats = tuple(
        SheetSeat(
            seat=seat,
            level_db=None if level is None or trim is None else round(level + trim, 4),
            arrival_ms=None if arrival is None or later_s is None else round(1000 * (arrival + later_s), 5),
        )
        for seat, (level, arrival) in heard.items()
    )
    return SheetChannel(channel=channel.id, round=round_id, old=old, new=new, seats=seats if through else ())


def _bass(job: Job, analyses: Analyses) -> SheetBass | None:
    """Levels of all subwoofers together at the seats with the proposal of Bass, if the sheet takes it."""
    result = solve_bass(job, analyses)
    if not isinstance(result, BassResult) or not in_use(job, result):
        return None
    heard = zip(result.measured.seats, result.proposed.deviation_db, strict=True)
    return SheetBass(
        round=result.measured.round,
        sd_db=round(result.proposed.sd_db, 4),
        output_db=round(result.proposed.figures.output_db, 4),
        seats=tuple(SheetBassSeat(seat=seat, deviation_db=round(value, 4)) for seat, value in heard),
    )
