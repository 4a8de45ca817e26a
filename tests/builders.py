"""Jobs for tests without a store: bodies become events, events fold to a job.

    job = job_of(defined(cinema()), *levels({"FL": 76.5, "FC": 74.0}), setting("FL", trim_db=-1.0))

The cinema is the invented Harbour Lane room: eleven channels, two subwoofers, two rows of three seats.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping, Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import commission.steps
from commission.history import fold
from commission.model import (
    AS_FOUND,
    AnalysedResponse,
    Analyses,
    Analysis,
    Channel,
    Decided,
    Event,
    EventBody,
    Instrument,
    Job,
    JobCreated,
    Position,
    Processor,
    ReadingEntered,
    Room,
    Seat,
    Setting,
    SettingEntered,
    Step,
    System,
    SystemDefined,
    TradeoffCurve,
    TradeoffPoint,
)

LOUDSPEAKERS: dict[str, tuple[str, str, Position]] = {
    "FL": ("Front left", "screen", (-1.45, 0.10, 1.15)),
    "FC": ("Centre", "screen", (0.0, 0.10, 0.95)),
    "FR": ("Front right", "screen", (1.45, 0.10, 1.15)),
    "SiL": ("Side left", "surround", (-2.25, 3.35, 1.45)),
    "SiR": ("Side right", "surround", (2.25, 3.35, 1.45)),
    "BL": ("Back left", "surround", (-1.15, 6.25, 1.55)),
    "BR": ("Back right", "surround", (1.15, 6.25, 1.55)),
    "TpFL": ("Top front left", "height", (-1.10, 2.00, 2.50)),
    "TpFR": ("Top front right", "height", (1.10, 2.00, 2.50)),
    "TpBL": ("Top back left", "height", (-1.10, 5.20, 2.50)),
    "TpBR": ("Top back right", "height", (1.10, 5.20, 2.50)),
    "SUB1": ("Subwoofer 1", "sub", (-1.90, 0.30, 0.30)),
    "SUB2": ("Subwoofer 2", "sub", (2.00, 6.00, 0.30)),
}
"""Channel → (name, role, position)."""
SEATS: dict[str, Position] = {
    "A1": (-0.80, 3.30, 1.10),
    "A2": (0.0, 3.30, 1.10),
    "A3": (0.80, 3.30, 1.10),
    "B1": (-0.80, 4.90, 1.50),
    "B2": (0.0, 4.90, 1.50),
    "B3": (0.80, 4.90, 1.50),
}
"""Seat → ears; A2 is the reference seat."""


CREATED = JobCreated(title="Harbour Lane cinema", program_version="0.1.0")


def events_of(*bodies: EventBody, start: int = 1) -> tuple[Event, ...]:
    """Bodies as events numbered from `start`, one second apart."""
    return tuple(
        Event(seq=i + 1, at=f"2026-03-14T{9 + i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d}.000Z", body=body)
        for i, body in enumerate(bodies, start - 1)
    )


def job_of(*bodies: EventBody) -> Job:
    """The job that a log of these bodies folds to; the opening event is added."""
    return fold(events_of(CREATED, *bodies))


def channels(ids: Iterable[str] | None = None) -> tuple[Channel, ...]:
    """Channels of the invented cinema, all or those named."""
    return tuple(
        Channel(id=c, name=LOUDSPEAKERS[c][0], role=LOUDSPEAKERS[c][1], position_m=LOUDSPEAKERS[c][2])  # type: ignore[arg-type]
        for c in (LOUDSPEAKERS if ids is None else ids)
    )


def seats(ids: Iterable[str] | None = None) -> tuple[Seat, ...]:
    """Seats of the invented cinema, all or those named; A2 is the reference."""
    return tuple(Seat(id=s, position_m=SEATS[s], reference=s == "A2") for s in (SEATS if ids is None else ids))


def cinema(ids: Iterable[str] | None = None, seat_ids: Iterable[str] | None = None, **changes: Any) -> System:
    """The invented cinema with positions and a class 2 meter; `changes` replace fields of the system."""
    fields: dict[str, Any] = {
        "title": "Harbour Lane cinema",
        "temperature_c": 21.5,
        "room": Room(length_m=6.40, width_m=4.70, height_m=2.60),
        "processor": Processor(model="surround processor"),
        "channels": channels(ids),
        "seats": seats(seat_ids),
        "instruments": (
            Instrument(kind="meter", model="class 2 sound level meter", accuracy_class=2, resolution=0.1),
        ),
    }
    return System(**(fields | changes))


def defined(system: System) -> SystemDefined:
    """The system as an event body."""
    return SystemDefined(system=system)


def reading(
    step: str,
    quantity: str,
    value: float,
    unit: str,
    *,
    channel: str | None = None,
    seat: str | None = "A2",
    round_id: str = AS_FOUND,
) -> ReadingEntered:
    """One hand-entered number."""
    return ReadingEntered(
        round=round_id, step=step, channel=channel, seat=seat, quantity=quantity, value=value, unit=unit
    )


def levels(
    values: Mapping[str, float | Sequence[float]], *, seat: str | None = "A2", round_id: str = AS_FOUND
) -> tuple[ReadingEntered, ...]:
    """Meter readings by channel [dB]; a sequence gives repeats."""
    return tuple(
        reading("levels", "level", float(each), "dB", channel=channel, seat=seat, round_id=round_id)
        for channel, value in values.items()
        for each in ((value,) if isinstance(value, (int, float)) else value)
    )


def tapes(values: Mapping[str, float], *, round_id: str = AS_FOUND) -> tuple[ReadingEntered, ...]:
    """Tape distances by channel [m]."""
    return tuple(
        reading("distances", "distance", value, "m", channel=channel, round_id=round_id)
        for channel, value in values.items()
    )


def setting(channel: str, *, round_id: str = AS_FOUND, applied: bool = False, **fields: Any) -> SettingEntered:
    """Settings of the processor for a channel: trim_db, distance, polarity."""
    return SettingEntered(setting=Setting(round=round_id, channel=channel, **fields), applied=applied)


def decided(step: str, key: str, value: str, *, round_id: str = AS_FOUND) -> Decided:
    """A choice among alternatives."""
    return Decided(round=round_id, step=step, key=key, value=value)


def analysis(**fields: Any) -> Analysis:
    """An analysis with the given fields; its curves are flat, on a short grid."""
    freq = np.array([20.0, 100.0, 500.0, 1000.0, 2000.0, 10000.0])
    given: dict[str, Any] = {
        "freq_hz": freq,
        "third_octave_db": np.zeros(len(freq)),
        "view_db": np.zeros(len(freq)),
        "bass_freq_hz": np.array([20.0, 40.0, 80.0]),
        "bass": None,
        "level_db": 0.0,
        "octave_db": {},
        "arrival_s": None,
    }
    return Analysis(**(given | fields))


def arrivals(
    values_s: Mapping[tuple[str, str], float | None],
    *,
    round_id: str = AS_FOUND,
    clock: str | None = "one clock",
    passes_delays: bool = True,
    u_s: float = 2e-5,
    why: Mapping[str, str] | None = None,
) -> Analyses:
    """Analysed responses by (channel, seat) with these arrivals [s] on a common clock (None: no common clock)."""
    return Analyses(
        AnalysedResponse(
            seq=1000 + i,
            round=round_id,
            channel=channel,
            seat=seat,
            clock=clock,
            passes_delays=passes_delays,
            analysis=analysis(arrival_s=value, arrival_u_s=u_s, why=dict(why or {})),
        )
        for i, ((channel, seat), value) in enumerate(values_s.items())
    )


def keep_steps(monkeypatch: pytest.MonkeyPatch, *ids: str) -> None:
    """Keep only these steps, in this order, so that pictures do not depend on other steps."""
    monkeypatch.setattr(commission.steps, "TITLES", {each: commission.steps.TITLES[each] for each in ids})


def add_step(monkeypatch: pytest.MonkeyPatch, step: Step, place: int | None = None) -> None:
    """Add a step as a file in `commission/steps` and its line in the list would, at the end or before `place`."""
    titles = list(commission.steps.TITLES.items())
    titles.insert(len(titles) if place is None else place, (step.id, step.title))
    monkeypatch.setitem(sys.modules, f"commission.steps.{step.id}", SimpleNamespace(STEP=step))
    monkeypatch.setattr(commission.steps, "TITLES", dict(titles))


def tradeoff_curve(
    points: Sequence[tuple[float, float]], chosen: int, now: tuple[float, float], **changes: Any
) -> TradeoffCurve:
    """A trade-off with weights from 0 to 1, these points and the present state."""
    named = [TradeoffPoint(name=f"{k / max(len(points) - 1, 1):.1f}", x=x, y=y) for k, (x, y) in enumerate(points)]
    return TradeoffCurve(
        id="trade",
        title="One against all",
        x_name="Shortfall of one",
        y_name="Shortfall of all",
        unit="°",
        points=tuple(named),
        chosen=chosen,
        now=TradeoffPoint(name="as it is", x=now[0], y=now[1]),
        **changes,
    )
