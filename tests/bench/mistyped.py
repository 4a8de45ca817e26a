"""Settings typed after a visit's first round: how often healthy rounds as left are accused, and which mistakes are named.

    python tests/bench mistyped [--rooms 3]

Five main loudspeakers and two subwoofers at six seats, in rooms of the two simulators of
`tests/references/repeated_placings.py`. As left: other trims, distances, a polarity and a filter; the microphone put back
1, 2 or 5 cm from its place, the air up to 3 K warmer or colder, another volume, level errors of 0.1 dB. Goal: false
findings in at most 5 % of the rounds.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from builders import cinema, defined, job_of, setting
from references import repeated_placings
from references.repeated_placings import NAMES, SEATS, Placings

from commission.diagnosis import findings
from commission.dsp.biquads import filters_response
from commission.dsp.spectrum import GRID_HZ
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    AnalysedResponse,
    Analyses,
    Analysis,
    Filter,
    FilterRanges,
    Finding,
    Outcome,
    Polarity,
    ResponseStored,
)
from commission.steps import all_steps

FIRST, PAIRS, KELVIN, SPEED_M_S = 300, 3, 3.0, 343.0
OUTCOMES = {step.id: Outcome(step=step.id, round=AS_LEFT) for step in all_steps()}
FAR_M = 0.8
IDS = ("settings.not-as-set", "settings.bass", "measurement.", "wiring.", "settings.polarity", "settings.crossover")
"""The others compare channels with each other, and the trims and distances here are drawn."""
LIMITED_DB, LIMITED_HZ = -4.0, 45.0


@dataclass(frozen=True)
class ProcessorSettings:
    """Settings of the processor for one channel."""

    trim_db: float
    distance_m: float
    polarity: Polarity = "normal"
    filters: tuple[Filter, ...] = ()
    limited_db: float = 0.0
    """Reduction of the lowest frequencies by a limiter."""

    def played(self, own: Analysis, off_db: float, late_s: float, stretch: float) -> Analysis:
        """A response with these settings; `stretch`: how much longer sound takes."""
        assert own.bass is not None and own.bass_freq_hz is not None and own.level_db is not None
        f, trim = own.bass_freq_hz, self.trim_db + off_db
        delay_s = late_s - self.distance_m / SPEED_M_S
        turn = filters_response(self.filters, "q", f) * np.exp(-2j * np.pi * f * delay_s)
        sign = -1 if self.polarity == "reversed" else 1
        limited = np.where(f < LIMITED_HZ, self.limited_db, 0.0)
        warmer = np.interp(f * stretch, f, own.bass.real) + 1j * np.interp(f * stretch, f, own.bass.imag)
        thirds = 20 * np.log10(np.abs(filters_response(self.filters, "q", GRID_HZ)))
        thirds = thirds + np.where(GRID_HZ < LIMITED_HZ, self.limited_db, 0.0) + trim
        return replace(
            own,
            bass=warmer * turn * sign * 10 ** ((trim + limited) / 20),
            third_octave_db=own.third_octave_db + thirds,
            level_db=own.level_db + trim,
            arrival_s=None if own.arrival_s is None else own.arrival_s * stretch + delay_s,
            polarity=None if own.polarity is None else sign * own.polarity,
        )


Settings = dict[str, ProcessorSettings]


def settings(rng: np.random.Generator) -> tuple[Settings, Settings]:
    """Settings as found and as left: every trim and distance differs enough for a mistake to be audible."""
    found, left = {}, {}
    for c in NAMES:
        trim, distance = round(2 * rng.uniform(-4, 2)) / 2, round(rng.uniform(1.5, 5.0) / 0.03) * 0.03
        found[c] = ProcessorSettings(trim, distance)
        left[c] = ProcessorSettings(
            trim + rng.choice([2.0, 3.0, 4.5]), distance + round(rng.choice([-1, 1]) * rng.uniform(0.6, 1.4), 2)
        )
    left["SUB1"] = replace(
        left["SUB1"],
        trim_db=left["SUB2"].trim_db + 2.5,
        filters=(Filter(frequency_hz=45.0, gain_db=-8.0, width=2.5),),
    )
    left["SUB2"] = replace(left["SUB2"], polarity="reversed")
    return found, left


Slip = Callable[[Settings, Settings], Settings]
"""Function from the settings as found and as left to the processor's true settings of some channels."""


def _subs_trims(found: Settings, left: Settings) -> Settings:
    one, other = left["SUB1"], left["SUB2"]
    return {"SUB1": replace(one, trim_db=found["SUB1"].trim_db), "SUB2": replace(other, trim_db=one.trim_db)}


def _wrong_way(c: str) -> Slip:
    return lambda old, new: {c: replace(new[c], distance_m=2 * old[c].distance_m - new[c].distance_m)}


SLIPS: dict[str, tuple[str, str, Slip]] = {
    "SiL: delay changed the wrong way": ("settings.not-as-set", "wrong direction", _wrong_way("SiL")),
    "SUB2: delay changed the wrong way": ("settings.bass", "wrong direction", _wrong_way("SUB2")),
    "SUB2: polarity not set": (
        "settings.bass",
        "polarity of SUB2",
        lambda old, new: {"SUB2": replace(new["SUB2"], polarity="normal")},
    ),
    "SUB1's trim entered for SUB2": ("settings.bass", "entered for SUB2", _subs_trims),
    "SUB1: filter forgotten": (
        "settings.bass",
        "filters of SUB1",
        lambda old, new: {"SUB1": replace(new["SUB1"], filters=())},
    ),
    "SUB2: limiter": (
        "settings.bass",
        "limiter",
        lambda old, new: {"SUB2": replace(new["SUB2"], limited_db=LIMITED_DB)},
    ),
    "FR: trim not set": (
        "settings.not-as-set",
        "trim was not set",
        lambda old, new: {"FR": replace(new["FR"], trim_db=old["FR"].trim_db)},
    ),
}
MOVED = "microphone moved at A3"


@dataclass(frozen=True)
class Visit:
    """Two rounds in one room."""

    made: Placings
    far: Placings
    after: int
    seed: int

    def findings(self, slip: Slip | None = None, moved: str = "") -> list[Finding]:
        """Findings of the round as left about settings and measurement."""
        rng = np.random.default_rng([self.seed, self.after])
        found, left = settings(rng)
        stretch = 1 - rng.uniform(-KELVIN, KELVIN) / (2 * 293.0)
        rounds = (
            (AS_FOUND, found, found, 0, 0.0, 1.0),
            (AS_LEFT, left, left | (slip(found, left) if slip else {}), self.after, rng.normal(0, 2.0), stretch),
        )
        bodies: list[object] = []
        items: list[AnalysedResponse] = []
        for round_id, entered, truly, k, volume_db, slower in rounds:
            for c, held in entered.items():
                bodies.append(
                    setting(
                        c,
                        round_id=round_id,
                        trim_db=held.trim_db,
                        distance=held.distance_m,
                        polarity=held.polarity,
                        filters=held.filters if c.startswith("SUB") else None,
                    )
                )
            stored, more = self._heard(
                round_id, truly, k, volume_db, slower, rng, moved if round_id == AS_LEFT else "", len(items)
            )
            bodies += stored
            items += more
        system = cinema(NAMES, SEATS)
        channels = tuple(replace(c, position_m=None, distance_m=None) for c in system.channels)
        processor = replace(system.processor, parametric_bands=4, filters=FilterRanges())
        system = replace(system, channels=channels, room=None, processor=processor)
        job = job_of(defined(system), *bodies)  # type: ignore[arg-type]
        every = findings(job, AS_LEFT, Analyses(items), OUTCOMES)
        return [f for f in every if f.id.startswith(IDS)]

    def _heard(
        self,
        round_id: str,
        truly: Settings,
        k: int,
        volume_db: float,
        slower: float,
        rng: np.random.Generator,
        moved: str,
        first: int,
    ) -> tuple[list[ResponseStored], list[AnalysedResponse]]:
        stored: list[ResponseStored] = []
        items: list[AnalysedResponse] = []
        for s, seat in enumerate(SEATS):
            start_s = 0.06 + rng.uniform(0, 0.01)
            for i, c in enumerate(NAMES):
                own: Analysis = self.far.read[i, s, 0] if seat == moved else self.made.read[i, s, k]
                heard = truly[c].played(own, volume_db + rng.uniform(-0.1, 0.1), start_s, slower)
                body, item = repeated_placings.recorded(
                    first + len(items), round_id, c, seat, heard, passes_delays=True
                )
                stored.append(body)
                items.append(replace(item, clock=f"{round_id} {seat}"))
        return stored, items


def run(arguments: Sequence[str] | Iterable[str] = ()) -> None:
    """Print false findings of healthy rounds, and the result for each mistake."""
    parser = argparse.ArgumentParser(prog="python tests/bench mistyped", description=__doc__)
    parser.add_argument("--rooms", type=int, default=3, help="rooms of each simulator and distance")
    rooms = parser.parse_args(list(arguments)).rooms
    for simulator in repeated_placings.SIMULATORS:
        for distance_m in repeated_placings.DISTANCES_M:
            visits = []
            for seed in range(FIRST, FIRST + rooms):
                made = repeated_placings.placings(simulator, seed, distance_m, PAIRS + 1)
                far = repeated_placings.placings(simulator, seed, FAR_M, 1)
                visits += [Visit(made, far, k, seed) for k in range(1, PAIRS + 1)]
            false = [[f"{f.id}: {f.title}" for f in visit.findings()] for visit in visits]
            bad = [each for each in false if each]
            print(
                f"{simulator}, {100 * distance_m:.0f} cm: {len(bad)} of {len(visits)} healthy rounds accused {bad or ''}",
                flush=True,
            )
            for name, (rule, words, slip) in SLIPS.items():
                found = [visit.findings(slip) for visit in visits]
                _print(name, found, [[f.id == rule and words in f.title for f in each] for each in found])
            found = [visit.findings(moved="A3") for visit in visits]
            _print(MOVED, found, [[f.id.startswith("measurement.") and f.seats == ("A3",) for f in e] for e in found])


def _print(name: str, found: list[list[Finding]], right: list[list[bool]]) -> None:
    """Print one line; `right`: the findings that name the mistake."""
    named, alone = sum(map(any, right)), sum(each == [True] for each in right)
    pairs = [pair for own in zip(found, right, strict=True) for pair in zip(*own, strict=True)]
    others = sorted({f"{f.id}: {f.title}" for f, is_right in pairs if not is_right})
    print(f"  {name}: named {named} of {len(found)}, alone {alone}; besides {others or 'nothing'}", flush=True)


if __name__ == "__main__":
    run(sys.argv[1:])
