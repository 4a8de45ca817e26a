"""The Site form without its screen: sections of fields, their display, and the system after an edit."""

from __future__ import annotations

from collections.abc import Iterator

from commission.model import Job
from commission.ui.site.field import Field, SettingField
from commission.ui.site.items import (
    add_items,
    channel_fields,
    delete_item,
    instrument_fields,
    obstacle_fields,
    seat_fields,
)
from commission.ui.site.job import job_fields, processor_fields, room_fields, sweep_fields
from commission.ui.site.settings import setting_fields
from commission.ui.text import round_name

__all__ = ["Field", "SettingField", "add_items", "delete_item"]


def fields_of(job: Job, round_id: str, *, layout: bool = False) -> Iterator[tuple[str, list[Field | SettingField]]]:
    """Sections with their fields, in the order of the form; `layout`: with those that only the layout needs."""
    system = job.system
    yield "Job", list(job_fields(system))
    yield "Room", list(room_fields(system))
    yield "Processor", list(processor_fields(system))
    for n, seat in enumerate(system.seats):
        yield f"Seat {seat.id}", list(seat_fields(system, n, seat, layout=layout))
    for n, channel in enumerate(system.channels):
        yield f"Channel {channel.id}", list(channel_fields(system, n, channel, layout=layout))
    if layout:
        for n, obstacle in enumerate(system.obstacles):
            yield f"Obstacle: {obstacle.id}", list(obstacle_fields(system, n, obstacle))
    for n, instrument in enumerate(system.instruments):
        yield f"Instrument: {instrument.kind}", list(instrument_fields(system, n, instrument))
    yield "Sweep of raw recordings without a stimulus file", list(sweep_fields(system))
    if system.channels:
        yield f"Processor settings, {round_name(round_id)}", list(setting_fields(job, round_id))
