"""Rehearsal: a practice job whose room is simulated from a seed, with faults to find.

The seed lives in the job's log as a decision (step "site", key "rehearsal_seed"); room and faults follow from it, the
processor's settings from the job. Wiring faults are there as found; from the next round on they count as mended,
since no screen can pull a cable.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass

import numpy as np

from commission.audio.room import SimulatedRoom, Speaker
from commission.dsp.delays import applied_delays_s, assumed_speed_m_s
from commission.model import (
    AS_FOUND,
    Channel,
    Decided,
    DelayRange,
    EventBody,
    Instrument,
    Job,
    Position,
    Processor,
    Room,
    Seat,
    Setting,
    SettingEntered,
    Source,
    Sweep,
    System,
    SystemDefined,
)
from commission.model.system import Role

SEED_KEY = ("site", "rehearsal_seed")
LATENCY_S = 0.012
"""Latency that converters and processor add to every channel."""
MIC_OFFSET_DB = 78.0
"""Level [dB SPL] of a response of 0 dB with the processor's reference noise."""
MIC_SELF_NOISE_DB = 18.0
"""A-weighted self-noise of the microphone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """The faults of an installation."""

    swapped: tuple[str, str] | None = None
    reversed: str | None = None
    tweeter_dead: str | None = None
    own_latency_s: tuple[tuple[str, float], ...] = ()
    """Subwoofers with a latency of their own: not a wiring fault, so it stays."""
    feet_for_metres: bool = False
    trims_by_ear_db: tuple[tuple[str, float], ...] = ()


CINEMA: tuple[tuple[str, str, Role, Position], ...] = (
    ("FL", "Front left", "screen", (-1.45, 0.10, 1.15)),
    ("FC", "Centre", "screen", (0.0, 0.10, 0.95)),
    ("FR", "Front right", "screen", (1.45, 0.10, 1.15)),
    ("SiL", "Side left", "surround", (-2.25, 3.35, 1.45)),
    ("SiR", "Side right", "surround", (2.25, 3.35, 1.45)),
    ("BL", "Back left", "surround", (-1.15, 6.25, 1.55)),
    ("BR", "Back right", "surround", (1.15, 6.25, 1.55)),
    ("TpFL", "Top front left", "height", (-1.20, 2.80, 2.48)),
    ("TpFR", "Top front right", "height", (1.20, 2.80, 2.48)),
    ("TpBL", "Top back left", "height", (-1.20, 4.45, 2.48)),
    ("TpBR", "Top back right", "height", (1.20, 4.45, 2.48)),
    ("SUB1", "Subwoofer front", "sub", (-1.95, 0.35, 0.25)),
    ("SUB2", "Subwoofer rear", "sub", (1.95, 5.95, 0.25)),
)
"""Id, name, role and position of each channel of the practice room."""


def cinema(title: str, rng: np.random.Generator | None = None) -> System:
    """Eleven channels, two subwoofers, two rows of three seats; positions jittered by `rng`."""

    def at(x: float, y: float, z: float) -> Position:
        jitter = [0.0] * 3 if rng is None else [float(v) for v in rng.uniform(-0.06, 0.06, 3)]
        return (
            round(x + jitter[0], 2),
            round(y + jitter[1] + (0.0 if rng is None else 0.06), 2),
            round(z + jitter[2], 2),
        )

    channels = tuple(
        Channel(id=i, name=name, role=role, position_m=at(*where), output=n + 1)
        for n, (i, name, role, where) in enumerate(CINEMA)
    )
    seats = tuple(
        Seat(id=f"{row}{column}", position_m=(x, y, z), reference=(row, column) == ("A", 2))
        for row, y, z in (("A", 3.30, 1.10), ("B", 4.75, 1.35))
        for column, x in ((1, -0.85), (2, 0.0), (3, 0.85))
    )
    return System(
        title=title,
        temperature_c=21.5,
        room=Room(length_m=6.40, width_m=4.70, height_m=2.60),
        processor=Processor(
            model="surround processor", delay=DelayRange(unit="m", max=18.0, step=0.03), speed_of_sound_m_s=343.0
        ),
        channels=channels,
        seats=seats,
        instruments=(
            Instrument(kind="meter", model="sound level meter", accuracy_class=2, resolution=0.1),
            Instrument(
                kind="microphone",
                model="measurement microphone",
                level_offset_db=MIC_OFFSET_DB,
                self_noise_db=MIC_SELF_NOISE_DB,
            ),
        ),
        sweep=Sweep(duration_s=3.0),
    )


def random_faults(system: System, seed: int) -> Faults:
    """Randomly chosen faults, determined by the seed."""
    rng = np.random.default_rng([seed, 1])
    pairs = (("SiL", "SiR"), ("BL", "BR"), ("TpFL", "TpFR"), ("FL", "FR"))
    mains = [c.id for c in system.channels if not c.is_sub]
    chance = rng.random(5)
    return Faults(
        swapped=pairs[int(rng.integers(len(pairs)))] if chance[0] < 0.6 else None,
        reversed=str(rng.choice(mains)) if chance[1] < 0.6 else None,
        tweeter_dead=str(rng.choice(mains[3:])) if chance[2] < 0.5 else None,
        own_latency_s=(("SUB2", round(float(rng.uniform(0.008, 0.018)), 4)),) if chance[3] < 0.6 else (),
        feet_for_metres=bool(chance[4] < 0.4),
        trims_by_ear_db=tuple((c.id, float(rng.integers(-8, 9)) / 2) for c in system.channels),
    )


def as_found_settings(system: System, faults: Faults, distances_m: dict[str, float]) -> tuple[Setting, ...]:
    """The settings that the previous installer entered."""
    factor = 1 / 0.3048 if faults.feet_for_metres else 1.0
    trims = dict(faults.trims_by_ear_db)
    step = system.processor.delay.step
    return tuple(
        Setting(
            round=AS_FOUND,
            channel=c.id,
            trim_db=trims.get(c.id, 0.0),
            polarity="normal",
            distance=float(round(round(distances_m[c.id] * factor / step) * step, 2)),
        )
        for c in system.channels
    )


def reference_distances_m(system: System) -> dict[str, float]:
    """Straight distances from the reference seat."""
    reference = system.reference_seat
    assert reference is not None and reference.position_m is not None
    return {c.id: math.dist(c.position_m, reference.position_m) for c in system.channels if c.position_m is not None}


def installed(
    system: System, settings: dict[str, Setting], faults: Faults, sensitivity_db: dict[str, float], *, mended: bool
) -> dict[str, Speaker]:
    """The loudspeaker of every channel with these settings applied."""
    speed = SimulatedRoom.speed_of(system)
    own = assumed_speed_m_s(system.processor.delay.unit, system.processor.speed_of_sound_m_s, speed)
    held = np.array([settings[c.id].distance if c.id in settings else 0.0 for c in system.channels], dtype=float)
    delays = applied_delays_s(held, system.processor.delay, own)
    latency = dict(faults.own_latency_s)
    place = {c.id: c for c in system.channels}
    if faults.swapped is not None and not mended:
        a, b = faults.swapped
        place[a], place[b] = place[b], place[a]
    speakers = {}
    for channel, delay in zip(system.channels, delays, strict=True):
        where = place[channel.id]
        setting = settings.get(channel.id)
        assert where.position_m is not None
        speakers[channel.id] = Speaker(
            position_m=where.position_m,
            role=channel.role,
            gain_db=sensitivity_db.get(where.id, 0.0) + ((setting.trim_db or 0.0) if setting else 0.0),
            delay_s=LATENCY_S + float(delay) + latency.get(channel.id, 0.0),
            reversed=(channel.id == faults.reversed and not mended)
            != (setting is not None and setting.polarity == "reversed"),
            tweeter_dead=where.id == faults.tweeter_dead and not mended,
        )
    return speakers


def rehearsal_events(seed: int) -> tuple[EventBody, ...]:
    """The events that open a practice job."""
    system = cinema(f"Rehearsal {seed}", np.random.default_rng([seed, 0]))
    faults = random_faults(system, seed)
    settings = as_found_settings(system, faults, reference_distances_m(system))
    return (
        SystemDefined(system=system, note="a practice job: the room is simulated"),
        Decided(round=AS_FOUND, step=SEED_KEY[0], key=SEED_KEY[1], value=str(seed)),
        *(SettingEntered(setting=setting) for setting in settings),
    )


def rehearsal_seed(job: Job) -> int | None:
    """The seed of a practice job; None for a job of a real room."""
    value = job.decisions.get((AS_FOUND, *SEED_KEY))
    return int(value) if value is not None and value.isdecimal() else None


def rehearsal_source(job: Job) -> Source | None:
    """The simulated room of a practice job as a source of measurements; None for a job of a real room."""
    seed = rehearsal_seed(job)
    if seed is None:
        return None
    from commission.audio.rig_source import RigSource
    from commission.audio.room_noise import state_noise
    from commission.audio.simulated import SimulatedRig

    def rig_at(seat: str, round_id: str) -> SimulatedRig:
        system = job.system
        place = system.seat(seat)
        assert system.room is not None and place is not None and place.position_m is not None
        ears = place.position_m
        settings = {c.id: job.setting(round_id, c.id) for c in system.channels}
        speakers = installed(system, settings, random_faults(system, seed), {}, mended=round_id != AS_FOUND)
        room = SimulatedRoom(system.room, system.temperature_c, seed=seed)
        by_output = {(c.output or i + 1) - 1: c.id for i, c in enumerate(system.channels)}
        return SimulatedRig(lambda output: room.response(speakers[by_output[output]], ears), seed=seed)

    def noise_rig_at(seat: str, round_id: str, state: str) -> SimulatedRig:
        """A rig that plays nothing and records the room's noise."""
        mended = round_id != AS_FOUND
        return SimulatedRig(
            lambda output: np.zeros(1),
            seed=zlib.crc32(f"{seed} {seat} {round_id} {state}".encode()),
            room_noise=lambda frames, rate_hz: state_noise(state, seed, frames, rate_hz, mended=mended),
        )

    return RigSource(
        job, rig_at, source="rehearsal", name="rehearsal room", common_clock=True, noise_rig_at=noise_rig_at
    )
