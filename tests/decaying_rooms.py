"""Responses of rooms made of decaying noise: a direct sound, some reflections, and a different tail at every place.

They share no code with the analysis or with the simulators of `rooms`. `visit` makes a visit of them in which a channel
also plays from another loudspeaker.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np
from builders import cinema, defined, job_of

from commission.dsp.analysis import analyse_batch
from commission.model import AS_FOUND, AnalysedResponse, Analyses, Analysis, Job, Response, System

SPEED_M_S = 343.2


def decaying(
    distance_m: float, seed: int, *, rate_hz: int = 24000, t60_s: float = 0.3, latency_s: float = 0.005
) -> np.ndarray:
    """Response of one loudspeaker at one seat [shape=(n,)]; its direct sound is as strong as its tail."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(0.4 * rate_hz)) / rate_hz
    arrival_s = latency_s + distance_m / SPEED_M_S
    freq_hz = np.fft.rfftfreq(len(time_s), 1 / rate_hz)
    pulses = np.zeros(len(freq_hz), complex)
    for delay_s, size in ((0.0, 1.0), *((rng.uniform(0.001, 0.02), rng.normal(0, 0.3)) for _ in range(6))):
        pulses += size * np.exp(-2j * np.pi * freq_hz * (arrival_s + delay_s))
    early = np.fft.irfft(pulses * np.exp(-((freq_hz / (0.45 * rate_hz)) ** 8)), len(time_s))
    since_s = time_s - arrival_s - 0.003
    tail = rng.standard_normal(len(time_s)) * np.where(since_s > 0, 10 ** (-3 * since_s / t60_s), 0)
    noise = 1e-4 * rng.standard_normal(len(time_s))
    return np.asarray((early + tail / np.sqrt(np.sum(tail**2))) / distance_m + noise)


RATE = 16000
CHANNELS = ("FL", "FR", "SiL", "SiR", "BL")
SYSTEM = cinema(CHANNELS)
Room = Mapping[tuple[str, str], np.ndarray]


def place(system: System, name: str) -> tuple[float, float, float]:
    found = system.channel(name) or system.seat(name)
    assert found is not None and found.position_m is not None
    return found.position_m


@cache
def room() -> Room:
    """Responses by (channel, seat)."""
    places = [(c, s.id) for c in CHANNELS for s in SYSTEM.seats]
    far_m = [float(np.linalg.norm(np.subtract(place(SYSTEM, c), place(SYSTEM, s)))) for c, s in places]
    return {
        key: decaying(far, 3000 + k, rate_hz=RATE) for k, (key, far) in enumerate(zip(places, far_m, strict=True))
    }


@cache
def healthy() -> dict[tuple[str, str], Analysis]:
    return analysed(room())


def analysed(responses: Room) -> dict[tuple[str, str], Analysis]:
    found = analyse_batch([Response(impulse=h, rate_hz=RATE) for h in responses.values()], [False] * len(responses))
    return {key: each for key, each in zip(responses, found, strict=True) if isinstance(each, Analysis)}


def visit(*joined: tuple[str, str, float], earlier_s: float = 0.0) -> tuple[Job, Analyses]:
    """A visit in which, for each (channel, other, dB), the channel also plays from the other loudspeaker, earlier than from
    its own.
    """
    changed: dict[tuple[str, str], np.ndarray] = {}
    for channel, other, level_db in joined:
        for seat in (s.id for s in SYSTEM.seats):
            own = changed.get((channel, seat), room()[channel, seat])
            changed[channel, seat] = own + 10 ** (level_db / 20) * np.roll(
                room()[other, seat], -round(earlier_s * RATE)
            )
    items = healthy() | (analysed(changed) if changed else {})
    return job_of(defined(SYSTEM)), Analyses(
        AnalysedResponse(seq, AS_FOUND, channel, seat, "one clock", False, each)
        for seq, ((channel, seat), each) in enumerate(items.items(), start=2)
    )
