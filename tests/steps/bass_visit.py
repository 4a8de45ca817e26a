"""A visit with two rounds of bass: rooms of `dsp/bass_rooms.py` played through a processor, as jobs and analyses."""

from __future__ import annotations

import sys
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from builders import analysis, cinema, defined, job_of, setting

from commission.dsp.analysis import bass_level_db
from commission.dsp.spectrum import GRID_HZ
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    AnalysedResponse,
    Analyses,
    Channel,
    ComplexArray,
    CrossoverFilter,
    CrossoverType,
    DelayRange,
    EventBody,
    Filter,
    FilterRanges,
    FloatArray,
    Job,
    Processor,
    ResponseStored,
    Room,
    Seat,
    System,
    Target,
)

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dsp"))
from bass_rooms import BINS_HZ, SPEED_M_S, cookbook, modal_responses, modal_room

MAINS = ("FL", "FC", "FR")
TEMPERATURE_C = 20.0
"""Air temperature for the speed of sound of the rooms."""


CROSSOVER: tuple[tuple[CrossoverType, int], ...] = (("linkwitz-riley", 24), ("butterworth", 12))
"""Low-pass and high-pass of a visit."""


def crossover_filters(freq_hz: FloatArray, corner_hz: float) -> tuple[ComplexArray, ComplexArray]:
    """Fourth-order low-pass (Linkwitz-Riley) and second-order high-pass (Butterworth), as in bass management."""
    s = 1j * freq_hz / corner_hz
    second = s * s + np.sqrt(2.0) * s + 1
    return 1 / second**2, s * s / second


@dataclass
class BassVisit:
    """Subwoofers and three front loudspeakers in a room; every round is played with the settings actually stored."""

    subs: int = 2
    seats: int = 6
    seed: int = 1
    unit: Any = "m"
    step: float = 0.03
    trim_step: float = 0.5
    high_pass_hz: float | None = None
    filters_entered: bool = False
    """Whether the job has type and slope of that crossover."""
    subs_filtered: bool = True
    """Whether sweeps of the subwoofers pass the low-pass of that crossover."""
    closed_mains: bool = False
    """Closed front loudspeakers whose own slope makes their high-pass one of fourth order."""
    mains_redirected: bool = False
    """Whether the subwoofers play along with the sweeps of the main loudspeakers."""
    filters: FilterRanges | None = None
    """Four parametric filters each, where the processor has any."""
    target: Target | None = None
    clock_by_seat: bool = True
    """Each seat is measured with a time origin of its own."""
    bodies: list[EventBody] = field(default_factory=list)
    items: list[AnalysedResponse] = field(default_factory=list)

    def __post_init__(self) -> None:
        _, self.size, self.places, self.ears = modal_room(self.seed, self.subs, self.seats, BINS_HZ)
        rng = np.random.default_rng(self.seed)
        self.latency_s = rng.uniform(0, 0.004, self.subs)
        self.level_db = rng.uniform(-3, 3, self.subs)
        self.main_places = np.array([[0.3, y * self.size[1], 1.0] for y in (0.2, 0.5, 0.8)])
        self.names = [f"SUB{i + 1}" for i in range(self.subs)]
        self.seat_names = [f"A{i + 1}" for i in range(self.seats)]

    @property
    def system(self) -> System:
        """The cinema as entered."""
        mains = [
            Channel(id=c, role="screen", position_m=self._at(p), high_pass_hz=self.high_pass_hz)
            for c, p in zip(MAINS, self.main_places, strict=True)
        ]
        subs = [
            Channel(
                id=c,
                role="sub",
                position_m=self._at(p),
                low_pass_hz=self.high_pass_hz if self.filters_entered else None,
            )
            for c, p in zip(self.names, self.places, strict=True)
        ]
        low, high = (
            CrossoverFilter(type=kind, slope_db_per_octave=slope) if self.filters_entered else None
            for kind, slope in CROSSOVER
        )
        seats = [
            Seat(id=s, position_m=self._at(p), reference=i == 0)
            for i, (s, p) in enumerate(zip(self.seat_names, self.ears, strict=True))
        ]
        largest = {"m": 18.0, "ft": 60.0, "ms": 50.0}[self.unit]
        processor = Processor(delay=DelayRange(unit=self.unit, max=largest, step=self.step))
        processor = Processor(
            delay=processor.delay,
            trim_db=type(processor.trim_db)(min=-12.0, max=12.0, step=self.trim_step),
            parametric_bands=None if self.filters is None else 4,
            filters=self.filters,
            low_pass=low,
            high_pass=high,
        )
        length, width, height = (float(v) for v in self.size)
        return cinema(
            channels=(*mains, *subs),
            seats=tuple(seats),
            processor=processor,
            temperature_c=TEMPERATURE_C,
            room=Room(length_m=length, width_m=width, height_m=height),
            target=self.target,
        )

    def _at(self, place: FloatArray) -> tuple[float, float, float]:
        x, y, z = (float(v) for v in place)
        return y - float(self.size[1]) / 2, x, z

    @property
    def slope_s(self) -> float:
        """Delay for each unit of the setting."""
        return {"ms": 1e-3, "m": -1 / SPEED_M_S, "ft": -0.3048 / SPEED_M_S}[self.unit]

    def mains(self) -> dict[str, tuple[float, float, str]]:
        """Settings of the front loudspeakers by their distances from the reference seat."""
        far = np.linalg.norm(self.main_places - self.ears[0], axis=1)
        values = {"ms": (8.0 - far) / SPEED_M_S * 1000, "m": far, "ft": far / 0.3048}[self.unit]
        return {c: (0.0, float(v), "normal") for c, v in zip(MAINS, values, strict=True)}

    def play(
        self,
        round_id: str,
        entered: Mapping[str, tuple[float, float, str]],
        truly: Mapping[str, tuple[float, float, str]] | None = None,
        moved_m: float = 0.0,
        clock: str | None = "clock",
        noise_db: float | None = None,
        phase: bool = True,
        past_delays: bool = False,
        filters: Mapping[str, tuple[Filter, ...]] | None = None,
        true_filters: Mapping[str, tuple[Filter, ...]] | None = None,
        limited_db: Mapping[str, FloatArray] | None = None,
    ) -> BassVisit:
        """Measure a round: trim, setting and polarity of each channel as entered, and as the processor really stores
        them.
        """
        stated = self.mains() | dict(entered)
        true = stated | dict(truly or {})
        for c, (trim, distance, polarity) in stated.items():
            held = None if filters is None else filters.get(c)
            self.bodies.append(
                setting(c, round_id=round_id, trim_db=trim, distance=distance, polarity=polarity, filters=held)
            )
        rng = np.random.default_rng([self.seed, len(self.items)])
        step = rng.normal(size=self.ears.shape)
        ears = self.ears + moved_m * step / np.linalg.norm(step, axis=1, keepdims=True)
        clocks = rng.uniform(0, 0.05, self.seats if self.clock_by_seat else 1) * np.ones(self.seats)
        sub: ComplexArray = np.asarray(modal_responses(self.size, self.places, ears, BINS_HZ), complex)
        sub = sub / (1 + (BINS_HZ / 140) ** 4) ** 2
        main: ComplexArray = np.asarray(modal_responses(self.size, self.main_places, ears, BINS_HZ), complex)
        if self.high_pass_hz is not None:
            low, high = crossover_filters(BINS_HZ, self.high_pass_hz)
            main = main * high * (high if self.closed_mains else 1.0)
            if self.subs_filtered:
                sub = sub * low
            if self.mains_redirected:
                bass = sub.mean(axis=0) if self.subs_filtered else sub.mean(axis=0) * low
                equal_loudness = np.abs(main[..., BINS_HZ > 100.0]).mean() / np.abs(bass[..., BINS_HZ < 70.0]).mean()
                main = main + equal_loudness * bass
        for names, h, places in ((MAINS, main, self.main_places), (self.names, sub, self.places)):
            for i, c in enumerate(names):
                trim, distance, polarity = true[c]
                late = 0.0 if past_delays else self.slope_s * distance
                sign = -1 if polarity == "reversed" else 1
                own = (0.0, 0.0) if c in MAINS else (self.level_db[i], self.latency_s[i])
                turn = np.ones(len(BINS_HZ), complex)
                for each in ((true_filters or filters) or {}).get(c, ()):
                    turn = turn * cookbook(each, "q" if self.filters is None else self.filters.width, BINS_HZ)
                if limited_db is not None and c in limited_db:
                    turn = turn * 10 ** (limited_db[c] / 20)
                for s, seat in enumerate(self.seat_names):
                    delay = late + own[1] + clocks[s]
                    turned = turn * sign * 10 ** ((trim + own[0]) / 20) * np.exp(-2j * np.pi * BINS_HZ * delay)
                    flight = float(np.linalg.norm(places[i] - ears[s])) / SPEED_M_S
                    self._store(
                        round_id, c, seat, h[i, s] * turned, flight + delay, clock, noise_db, phase, past_delays
                    )
        return self

    def _store(self, round_id, c, seat, bass, arrival_s, clock, noise_db, phase, past_delays) -> None:
        body = ResponseStored(
            round=round_id, channel=c, seat=seat, kind="impulse", file_name=f"{seat}_{c}.wav", file_sha256="0" * 64
        )
        self.bodies.append(body)
        level = bass_level_db(bass)
        above = np.random.default_rng(zlib.crc32(f"{c} {seat}".encode())).normal(np.nanmean(level), 3.0, len(level))
        third = np.where(np.isfinite(level), level, -80.0 if c.startswith("SUB") else above)
        self.items.append(
            AnalysedResponse(
                seq=1000 + len(self.items),
                round=round_id,
                channel=c,
                seat=seat,
                clock=clock and f"{clock} {round_id} {seat if self.clock_by_seat else ''}",
                passes_delays=not past_delays,
                analysis=analysis(
                    freq_hz=GRID_HZ,
                    third_octave_db=third,
                    view_db=third,
                    bass_freq_hz=BINS_HZ,
                    bass=bass if phase else None,
                    has_phase=phase,
                    level_db=float(third[(GRID_HZ > 30) & (GRID_HZ < 80)].mean()),
                    snr_db=60.0,
                    noise_db=None if noise_db is None else np.full(len(GRID_HZ), noise_db),
                    arrival_s=arrival_s if phase else None,
                ),
            )
        )

    @property
    def job(self) -> Job:
        """The job as far as it has been measured."""
        return job_of(defined(self.system), *self.bodies)

    @property
    def analyses(self) -> Analyses:
        """All its analyses."""
        return Analyses(self.items)


FOUND_SETTINGS = {f"SUB{i}": (0.0, 3.0, "normal") for i in range(1, 9)}


def as_found(**fields: Any) -> BassVisit:
    """A visit with its first round."""
    visit = BassVisit(**fields)
    return visit.play(AS_FOUND, {c: FOUND_SETTINGS[c] for c in visit.names})


__all__ = ["AS_FOUND", "AS_LEFT", "BINS_HZ", "FOUND_SETTINGS", "MAINS", "BassVisit", "as_found"]
