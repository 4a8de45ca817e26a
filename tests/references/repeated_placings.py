"""Third octaves and words of "compare" when the microphone is put down again, in rooms of two simulators.

    python tests/references/repeated_placings.py [rooms]

Rooms by pyroomacoustics (`placement.py`) and by random waves and modes (`random_waves.py`), which share no code with each
other or with the program: five main loudspeakers and two subwoofers at six seats. Each placing is 1, 2 or 5 cm from the
seat's place, in any direction. Printed, by simulator and distance:

- the scatter of third octaves at the seats' mean level, beside what the program takes it to be (`repeatability.placement_u_db`);
- how the variance s² of Σ d·e over a band, d being a seat's deviation, differs from what the program takes it to be: standard
  deviation of ln s² between rooms, its variance between loudspeakers of a room and between seats of a loudspeaker;
- the share of words "better" and "worse" in rooms that did not change, and of tables with such a word (promise: at most 5 %),
  with nothing repeated, with two seats measured again in each round, with every seat measured two or three times, and with
  other numbers before than after; by band the share of changes beyond 2 u, and the root of the mean square of change over its u (1 where u is right, less
  where it is an upper bound);
- the share of changes that are seen where the standard deviation over the seats grows or falls by 1 dB.

Gain ±0.1 dB is drawn besides (common practice, no source).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np
from scipy import signal

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from builders import cinema, defined, job_of
from proportions import interval
from references import placement, random_waves

from commission.dsp.analysis import analyse_batch
from commission.dsp.repeatability import correlation, null_share, placement_u_db, power_mean_db
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import own_band
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    AnalysedResponse,
    Analyses,
    Analysis,
    FloatArray,
    Response,
    ResponseStored,
)
from commission.steps import compare
from commission.steps.shared import seat_variance

DISTANCES_M = (0.01, 0.02, 0.05)
NAMES, SEATS = ("FL", "FC", "FR", "SiL", "TpFL", "SUB1", "SUB2"), ("A1", "A2", "A3", "B1", "B2", "B3")
MAINS, COUNT = 5, 6
SIMULATORS = ("image sources", "random waves")
PLANS: dict[str, tuple[tuple[dict[int, list[int]], list[int], dict[int, list[int]], list[int]], ...]] = {
    # (seats measured again and their placings, placings of the others) before, and the same after
    "nothing repeated": (({}, [0], {}, [1]), ({}, [2], {}, [3]), ({}, [4], {}, [5])),
    "two seats again": (
        ({1: [2, 0], 4: [2, 0]}, [0], {1: [3, 1], 4: [3, 1]}, [1]),
        ({0: [0, 4], 5: [0, 4]}, [4], {0: [2, 5], 5: [2, 5]}, [5]),
    ),
    "every seat twice": (({}, [0, 1], {}, [2, 3]), ({}, [4, 5], {}, [1, 0])),
    "every seat three times": (({}, [0, 1, 2], {}, [3, 4, 5]),),
    "twice before, once after": (({}, [0, 1], {}, [2]), ({}, [3, 4], {}, [5])),
    "once before, three times after": (({}, [0], {}, [1, 2, 3]), ({}, [5], {}, [4, 2, 3])),
}
BANDS_HZ = ((20, 80), (80, 300), (300, 3000), (3000, 16000))
CHECKED_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)


@dataclass(frozen=True)
class Placings:
    """Levels by the analysis in one room [shape=(loudspeakers, seats, placings)]."""

    read: np.ndarray

    @property
    def thirds_db(self) -> FloatArray:
        """[shape=(loudspeakers, seats, placings, n)]"""
        return np.array([[[a.third_octave_db for a in seat] for seat in own] for own in self.read])


def around(rng: np.random.Generator, distance_m: float, count: int) -> FloatArray:
    """Points at a distance in any direction [shape=(count, 3)]."""
    way = rng.normal(size=(count, 3))
    return np.asarray(distance_m * way / np.linalg.norm(way, axis=1, keepdims=True))


def placings(simulator: str, seed: int, distance_m: float, count: int = COUNT) -> Placings:
    """One room, `count` placings at each seat."""
    if simulator == SIMULATORS[0]:
        found = placement.placements(seed, distance_m, count, around)
        return Placings(np.array(found.read, dtype=object).reshape(len(NAMES), len(SEATS), count))
    rng = np.random.default_rng([33, seed])
    own = random_waves.room(seed)
    heard, _ = random_waves.responses(own, np.stack([around(rng, distance_m, count) for _ in SEATS]), seed)
    filters = [signal.butter(2, rng.uniform(40, 90), "high", fs=24000, output="sos") for _ in range(MAINS)]
    filters += [signal.butter(4, [24, 200], "band", fs=24000, output="sos")] * 2
    heard = np.stack([signal.sosfilt(sos, h, axis=-1) for sos, h in zip(filters, heard, strict=True)])
    flat = heard.astype(np.float32).reshape(-1, heard.shape[-1])
    is_sub = np.arange(len(flat)) >= MAINS * len(SEATS) * count
    read = analyse_batch([Response(impulse=h, rate_hz=24000) for h in flat], is_sub.tolist())
    assert all(isinstance(a, Analysis) for a in read)
    return Placings(np.array(read, dtype=object).reshape(len(NAMES), len(SEATS), count))


def scatter_db(made: Placings, hz: float) -> float:
    """Scatter of one third octave at the seats' mean level, as the program defines it below 250 Hz (rms)."""
    point = int(np.argmin(np.abs(GRID_HZ - hz)))
    own = made.thirds_db[MAINS:, ..., point] if hz < 80 else made.thirds_db[:MAINS, ..., point]
    level = own.mean(axis=2)
    below = 10 * np.log10(np.mean(10 ** (level / 10), axis=1, keepdims=True)) - level
    square = np.var(own, axis=2, ddof=1) * 10 ** (-below / 10 if hz <= 250 else 0 * below)
    return float(np.sqrt(np.mean(square)))


def unlike(made: list[Placings], distance_m: float, low_hz: float, high_hz: float) -> tuple[float, float, float]:
    """Statistics of ln s² minus the stated one: standard deviation between rooms, variance between loudspeakers and
    between seats.
    """
    place_db, rooms, loudspeakers, seats = placement_u_db(GRID_HZ, distance_m), [], [], []
    for each in made:
        squares = []
        for levels in each.thirds_db:
            middle = levels.mean(axis=1)
            inside = own_band(middle) & (GRID_HZ >= low_hz) & (GRID_HZ <= high_hz)
            if inside.any():
                middle, overlap = middle[:, inside], correlation(np.flatnonzero(inside))
                apart = middle - middle.mean(axis=0)
                below = np.clip(power_mean_db(middle) - middle, -20, 20) * null_share(GRID_HZ[inside])
                errors = apart * place_db[inside] * 10 ** (below / 20)
                found = np.var(np.einsum("skn,sn->sk", levels[..., inside], apart), axis=1, ddof=1)
                squares.append((found, np.einsum("sn,nm,sm->s", errors, overlap, errors)))
        own = np.array(squares)
        rooms.append(np.log(own[:, 0].sum() / own[:, 1].sum()))
        loudspeakers.append(np.var(np.log(own[:, 0].sum(axis=1) / own[:, 1].sum(axis=1)), ddof=1))
        seats += list(np.var(np.log(own[:, 0] / own[:, 1]), axis=1, ddof=1))
    return float(np.std(rooms)), float(np.mean(loudspeakers)), float(np.mean(seats))


def rounds(plan: str) -> Iterator[tuple[list[list[int]], list[list[int]]]]:
    """The placings of each seat before and after, in the order in which they were measured."""
    for again, others, again_after, others_after in PLANS[plan]:
        yield (
            [again.get(s, others) for s in range(len(SEATS))],
            [again_after.get(s, others_after) for s in range(len(SEATS))],
        )


def recorded(
    seq: int, round_id: str, channel: str, seat: str, analysis: Analysis, *, passes_delays: bool
) -> tuple[ResponseStored, AnalysedResponse]:
    """One response as it is stored, on the clock of all others, and its analysis."""
    name, digest = f"{seq}.flac", f"{seq:064d}"
    body = ResponseStored(
        round=round_id, channel=channel, seat=seat, kind="impulse", file_name=name, file_sha256=digest
    )
    item = AnalysedResponse(
        seq=seq,
        round=round_id,
        channel=channel,
        seat=seat,
        clock="one",
        passes_delays=passes_delays,
        analysis=analysis,
    )
    return body, item


def visit(
    made: Placings,
    before: list[list[int]],
    after: list[list[int]],
    rng: np.random.Generator,
    added_db: FloatArray | None = None,
) -> compare.CompareResult:
    """Two rounds in a room; `added_db` [shape=(loudspeakers, seats, n)] is what changed between them."""
    stored: list[ResponseStored] = []
    items: list[AnalysedResponse] = []
    for round_id, chosen in ((AS_FOUND, before), (AS_LEFT, after)):
        for c, name in enumerate(NAMES):
            for s, seat in enumerate(SEATS):
                for k in chosen[s]:
                    own: Analysis = made.read[c, s, k]
                    off = float(rng.uniform(-0.1, 0.1))
                    levels = own.third_octave_db + off
                    if added_db is not None and round_id == AS_LEFT:
                        levels = levels + added_db[c, s]
                    assert own.level_db is not None
                    own = replace(own, third_octave_db=levels, level_db=own.level_db + off)
                    body, item = recorded(len(items), round_id, name, seat, own, passes_delays=True)
                    stored.append(body)
                    items.append(item)
    return compare.solve(job_of(defined(cinema(list(NAMES), list(SEATS))), *stored), Analyses(items))


def unchanged(
    made: Placings, plan: str, rng: np.random.Generator
) -> Iterator[dict[tuple[str, str], list[compare.Change]]]:
    """(question, band) → changes of all channels, for each pair of rounds of a room that did not change."""
    for before, after in rounds(plan):
        found = visit(made, before, after, rng)
        out: dict[tuple[str, str], list[compare.Change]] = {}
        for each in found.channels.values():
            for kind, bands in each.bands.items():
                for label, change in bands.items():
                    out.setdefault((kind, label), []).append(change)
        yield out


def scaled_db(made: Placings, by_db: FloatArray) -> FloatArray:
    """Levels with another standard deviation over the seats in each band [shape=(loudspeakers, seats, n)].

    `by_db` [shape=(loudspeakers, bands)]: how much; NaN where less than 0.3 dB of it would be left.
    """
    levels = made.thirds_db.mean(axis=2)
    levels = np.where(np.isfinite(levels), levels, np.nan)
    apart = levels - levels.mean(axis=1, keepdims=True)
    out = np.zeros(apart.shape)
    for b, (low, high) in enumerate(BANDS_HZ):
        inside = (GRID_HZ >= low) & (GRID_HZ <= high) & np.isfinite(apart).all(axis=(0, 1))
        for c in range(len(apart)):
            sd = float(np.sqrt(np.mean(apart[c][:, inside] ** 2)))
            factor = by_db[c, b] / sd if sd + by_db[c, b] > 0.3 else np.nan
            out[c][:, inside] = factor * apart[c][:, inside]
    return out


def detectable_db(made: Placings, plan: str, rng: np.random.Generator) -> FloatArray:
    """The rise that the program would call worse in 19 of 20 cases [shape=(loudspeakers, bands)]; 0 where it plays nothing."""
    found = visit(made, *next(rounds(plan)), rng).channels
    heard = [found[name].bands["heard"] for name in NAMES]
    labels = [f"{low}-{high}" for low, high in BANDS_HZ]
    return np.array([[own[label].detectable_db if label in own else 0.0 for label in labels] for own in heard])


def seen(made: Placings, plan: str, by_db: float | FloatArray, rng: np.random.Generator) -> dict[str, list[bool]]:
    """Band → whether a change of the standard deviation over the seats is called what it is (what the seats hear)."""
    before, after = next(rounds(plan))
    every_db = np.broadcast_to(by_db, (len(NAMES), len(BANDS_HZ)))
    added, word = scaled_db(made, every_db), "worse" if np.all(every_db >= 0) else "better"
    out: dict[str, list[bool]] = {}
    result = visit(made, before, after, rng, np.nan_to_num(added))
    for c, name in enumerate(NAMES):
        for label, change in result.channels[name].bands["heard"].items():
            low, high = (float(edge) for edge in label.split("-"))
            if np.isfinite(added[c][:, (GRID_HZ >= low) & (GRID_HZ <= high)]).all():
                out.setdefault(label, []).append(change.word == word)
    return out


def main(rooms: int) -> None:
    """Print every table."""
    print("third octaves [dB] at", ", ".join(f"{hz:g}" for hz in CHECKED_HZ), "Hz")
    for distance_m in DISTANCES_M:
        stated = placement_u_db(np.array(CHECKED_HZ), distance_m)
        print(f"{100 * distance_m:.0f} cm, stated      ", " ".join(f"{u:.2f}" for u in stated))
        for simulator in SIMULATORS:
            made = [placings(simulator, seed, distance_m) for seed in range(rooms)]
            found = [float(np.sqrt(np.mean([scatter_db(m, hz) ** 2 for m in made]))) for hz in CHECKED_HZ]
            print(f"{100 * distance_m:.0f} cm, {simulator:13s}", " ".join(f"{u:.2f}" for u in found), flush=True)
            for low_hz, high_hz in BANDS_HZ:
                rooms_sd, *variances = unlike(made, distance_m, low_hz, high_hz)
                text = " and ".join(f"{each:.2f}" for each in variances)
                print(f"    {low_hz:.0f}-{high_hz:.0f} Hz: ln s² ± {rooms_sd:.2f} between rooms; variance {text}")
            for plan in PLANS:
                _print_words(made, plan)
            for plan, by_db in product(("two seats again", "every seat twice"), (-1.0, 1.0)):
                hits: dict[str, list[bool]] = {}
                for m in made:
                    for label, own in seen(m, plan, by_db, np.random.default_rng(2)).items():
                        hits.setdefault(label, []).extend(own)
                text = ", ".join(f"{label} Hz {interval(own)}" for label, own in hits.items())
                print(f"    {by_db:+.0f} dB seen with {plan}: {text}", flush=True)


def _print_words(made: list[Placings], plan: str) -> None:
    found: dict[tuple[str, str], list[compare.Change]] = {}
    tables: list[bool] = []
    for changes in (each for m in made for each in unchanged(m, plan, np.random.default_rng(1))):
        tables += [
            any(c.is_real for (k, _), own in changes.items() if k == kind for c in own)
            for kind in seat_variance.KINDS
        ]
        for place, own in changes.items():
            found.setdefault(place, []).extend(own)
    ratios = {place: np.array([c.change_db2 / c.u_db2 for c in own]) for place, own in found.items()}
    words = [c.is_real for own in found.values() for c in own]
    parts = [
        f"{kind} {label} {100 * np.mean(np.abs(own) > 2):.0f} % ({np.sqrt(np.mean(own**2)):.2f})"
        for (kind, label), own in ratios.items()
    ]
    print(
        f"    {plan}: false words {interval(words)}, in tables {interval(tables)}; beyond 2 u: {', '.join(parts)}",
        flush=True,
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 6)
