"""Predicted modes of the room, with the seats in their nulls."""

from __future__ import annotations

from commission.dsp.air import speed_of_sound_m_s
from commission.dsp.modes import Mode, mode_level_db, room_modes, schroeder_hz
from commission.dsp.reverberation import target_time_s
from commission.model import Column, Job, Room, Table, table_of

NULL_DB = -15.0
"""A seat with less than this of a mode's largest pressure hardly hears it (common practice, no source)."""
UP_TO_HZ = 120.0
"""Highest listed frequency: above the usual crossover of subwoofers, modes are too close to be heard separately."""

_WALLS = ("side walls", "front and rear wall", "floor and ceiling")


def modes_table(job: Job, room: Room) -> Table:
    """Axial modes up to 120 Hz, each with the seats in its null; the others by their number."""
    found = room_modes(room, speed_of_sound_m_s(job.system.temperature_c), UP_TO_HZ)
    heads = [(seat.id, seat.position_m) for seat in job.system.seats if seat.position_m is not None]

    def between(mode: Mode) -> str:
        return next(f"{walls}, order {n}" for n, walls in zip(mode.order, _WALLS, strict=True) if n)

    def silent(mode: Mode) -> str:
        seats = [seat for seat, place in heads if mode_level_db(mode, room, place) < NULL_DB]
        return ", ".join(seats) or "none"

    rest = [sum(mode.kind == kind for mode in found) for kind in ("tangential", "oblique")]
    volume = room.length_m * room.width_m * room.height_m
    time_s = target_time_s(volume)
    return table_of(
        [mode for mode in found if mode.kind == "axial"],
        (Column(key="frequency", title="Frequency", unit="Hz", decimals=1), lambda mode: mode.frequency_hz),
        (Column(key="between", title="Between"), between),
        (Column(key="seats", title="Seats in its null"), silent),
        id="modes",
        title="Predicted axial modes of the room up to 120 Hz",
        key=lambda mode: f"{mode.frequency_hz:.1f}-{between(mode).rpartition(',')[0]}",
        remark=(
            f"For a rectangular room with rigid walls; {rest[0]} tangential and {rest[1]} oblique modes besides. Below "
            f"about {schroeder_hz(volume, time_s):.0f} Hz single modes are heard (Schroeder frequency for a decay time "
            f"of {time_s:.2f} s, the target of ITU-R BS.1116 for this volume)."
        ),
        verdicts=False,
    )
