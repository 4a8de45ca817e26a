"""Compare: did it get better, seat by seat, as found against as left, beyond the repeatability of the measurement?

For each channel and for the subwoofers together: how much the seats differ (mean spatial variance, Welti & Devantier
2006, from memory) in each band before and after, the change with its uncertainty, each seat's deviation, the worst seat.
Two questions are kept apart: "what the seat hears" uses levels as measured; "evenness of tone" takes each seat's own
broadband level off first, so that a change of level does not pose as a change of evenness. Only what both rounds hold is
compared; what was left out is listed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from commission.dsp import variance
from commission.dsp.analysis import LEVEL_BAND_HZ, SUB_LEVEL_BAND_HZ, bass_level_db, sum_bass
from commission.dsp.spectrum import GRID_HZ
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    Advice,
    Analyses,
    Band,
    Check,
    Column,
    Curve,
    FloatArray,
    Job,
    Limit,
    Outcome,
    Row,
    Series,
    Step,
    Table,
    Task,
)

HELP = """
Nothing to measure here: it compares what both rounds hold.

- Measure **as left** at the same seats, with the same microphone, gain and volume as **as found**.
- Repeat two places in each round with the microphone put down anew: what you cannot repeat, you cannot claim.
- **What the seat hears** says whether seats hear the same; **evenness of tone** whether they hear the same balance, each
  at its own level. The second is what filters and subwoofer settings change.
"""

SUBS = "SUBS"
"""Name of the subwoofers taken together, in tables and JSON."""
DEFAULT_U_DB = 0.25
"""Standard uncertainty of one third octave at one seat where nothing was repeated: single third octaves repeat within 0.14
to 0.37 dB (own simulations, median over bands)."""
LEAST_U_DB = 0.1
HEARD_ABOVE_DB = 12.0
NO_WORSE_BASIS = "no worse than before beyond the repeatability U = 2 u; common practice"
KINDS = ("heard", "tone")


@dataclass(frozen=True, slots=True, kw_only=True)
class BandResult:
    """One channel in one band and round."""

    msv_db2: float
    sd_db: float
    u_sd_db: float
    u_msv_db2: float
    worst_seat: str
    worst_db: float
    deviations_db: dict[str, float]
    """Mean deviation of each seat from the seats' mean."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Before and after of one channel in one band."""

    before: BandResult
    after: BandResult
    change_db2: float
    u_db2: float
    word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelCompare:
    """One channel, or the subwoofers together, in both rounds; kind "heard" and "tone"."""

    channel: str
    seats: tuple[str, ...]
    bands: dict[str, dict[str, Change]]
    """kind → band label → change."""
    levels: tuple[FloatArray, FloatArray]
    """Third-octave levels [shape=(seats, n)] before and after."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareResult:
    """All channels that both rounds hold at two seats or more. `u_db`: repeatability by band label."""

    rounds: tuple[str, str] | None
    channels: dict[str, ChannelCompare]
    left_out: tuple[str, ...]
    u_db: dict[str, float]
    u_from: str
    why_not: str | None = None


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """Nothing to measure."""
    return ()


def rounds_to_compare(job: Job) -> tuple[str, str] | None:
    """As found and as left; without as left, the first and the last round that hold responses."""
    held = [r for r in job.rounds if job.responses_of(r)]
    if len(held) < 2:
        return None
    return (AS_FOUND if AS_FOUND in held else held[0], AS_LEFT if AS_LEFT in held else held[-1])


def one_round(job: Job, round_id: str, analyses: Analyses) -> dict[str, dict[str, dict[str, BandResult]]]:
    """Seat variance of a single round: channel → kind → band label → result. For the record of one round alone."""
    u_db, _ = repeatability(job, (round_id,), analyses)
    out: dict[str, dict[str, dict[str, BandResult]]] = {}
    for name, seats, levels in _heard(job, round_id, analyses)[0]:
        out[name] = {
            kind: {
                band.label: r
                for band in job.system.bands
                if (r := _band(job, name, seats, levels, band, kind, u_db, levels)) is not None
            }
            for kind in KINDS
        }
    return out


def solve(job: Job, analyses: Analyses) -> CompareResult:
    """Compare the two rounds."""
    rounds = rounds_to_compare(job)
    if rounds is None:
        return CompareResult(
            rounds=None,
            channels={},
            left_out=(),
            u_db={},
            u_from="",
            why_not="it needs responses of two rounds, as found and as left",
        )
    u_db, u_from = repeatability(job, rounds, analyses)
    (before, gaps_before), (after, gaps_after) = (_heard(job, r, analyses) for r in rounds)
    left_out = [f"{rounds[0]}: {gap}" for gap in gaps_before] + [f"{rounds[1]}: {gap}" for gap in gaps_after]
    later = {name: (seats, levels) for name, seats, levels in after}
    channels = {}
    for name, seats, levels in before:
        if name not in later:
            left_out.append(f"{name}: only in {rounds[0]}")
            continue
        other_seats, other = later.pop(name)
        common = [s for s in seats if s in other_seats]
        missing = sorted(set(seats) ^ set(other_seats))
        if missing:
            left_out.append(f"{name} at {', '.join(missing)}: in one round only")
        if len(common) < 2:
            left_out.append(f"{name}: fewer than two seats in both rounds")
            continue
        pair = (levels[[seats.index(s) for s in common]], other[[other_seats.index(s) for s in common]])
        channels[name] = ChannelCompare(
            channel=name, seats=tuple(common), levels=pair, bands=_changes(job, name, common, pair, u_db)
        )
    left_out += [f"{name}: only in {rounds[1]}" for name in later]
    return CompareResult(rounds=rounds, channels=channels, left_out=tuple(left_out), u_db=u_db, u_from=u_from)


def repeatability(job: Job, rounds: tuple[str, ...], analyses: Analyses) -> tuple[dict[str, float], str]:
    """(standard uncertainty of a third octave at one seat by band label [dB], where it comes from)."""
    pairs: list[FloatArray] = []
    for round_id in rounds:
        for channel in job.system.channels:
            for seat in job.system.seats:
                again = analyses.repeats(round_id, channel.id, seat.id)
                own = [item.analysis.third_octave_db for item in again if item.analysis is not None]
                if len(own) > 1:
                    levels = np.array(own)
                    pairs.append(np.where(_plays(levels), levels, np.nan))
    out = {}
    for band in job.system.bands:
        inside = (GRID_HZ >= band.low_hz) & (GRID_HZ <= band.high_hz)
        parts = [levels[:, inside & np.isfinite(levels).all(axis=0)] for levels in pairs]
        found = variance.repeatability_u_db([p for p in parts if p.shape[1]])
        # Few repeats tell their own scatter badly: never better than a tenth of a decibel.
        out[band.label] = DEFAULT_U_DB if found is None else max(found, LEAST_U_DB)
    if not pairs:
        return out, f"No place was repeated: {DEFAULT_U_DB} dB is taken for a third octave at one seat, as simulated."
    said = ", ".join(f"{u:.2f} dB at {label} Hz" for label, u in out.items())
    count = f"{len(pairs)} repeated place{'s' if len(pairs) != 1 else ''}"
    return out, f"Repeatability of a third octave at one seat, from {count}: {said}."


def _heard(job: Job, round_id: str, analyses: Analyses) -> tuple[list[tuple[str, list[str], FloatArray]], list[str]]:
    """((channel, seats, third-octave levels), …) and what was left out, of one round; subwoofers also together."""
    found, gaps = [], []
    for channel in job.system.channels:
        own = [(s.id, a) for s in job.system.seats if (a := analyses.of(round_id, channel.id, s.id)) is not None]
        clipped = [seat for seat, a in own if a.clipped]
        if clipped:
            gaps.append(f"{channel.id} at {', '.join(clipped)}: the recording clipped")
        own = [(seat, a) for seat, a in own if not a.clipped]
        if len(own) >= 2:
            found.append((channel.id, [seat for seat, _ in own], np.array([a.third_octave_db for _, a in own])))
        elif own:
            gaps.append(f"{channel.id}: fewer than two seats")
    subs = [c.id for c in job.system.channels if c.is_sub]
    if len(subs) > 1:
        seats, rows = [], []
        for seat in job.system.seats:
            items = [analyses.repeats(round_id, sub, seat.id)[-1:] for sub in subs]
            heard = [item[0] for item in items if item and item[0].analysis is not None]
            if len(heard) < len(subs):
                continue
            total = sum_bass([h.analysis for h in heard if h.analysis is not None])
            if total is None or len({h.clock for h in heard}) != 1 or heard[0].clock is None:
                gaps.append(f"{SUBS} at {seat.id}: the subwoofers' responses share no clock or have no phase")
                continue
            seats.append(seat.id)
            rows.append(bass_level_db(total))
        if len(seats) >= 2:
            found.append((SUBS, seats, np.array(rows)))
    return found, gaps


def _is_sub(job: Job, name: str) -> bool:
    channel = job.system.channel(name)
    return name == SUBS or (channel is not None and channel.is_sub)


def _plays(levels: FloatArray) -> NDArray[np.bool_]:
    """Where a loudspeaker plays, in the mean over its rows: within 12 dB of the median of its two strongest octaves."""
    with np.errstate(invalid="ignore"):
        mean = levels.mean(axis=0)
        strongest = np.sort(mean[np.isfinite(mean)])[-48:]
        return np.asarray(mean >= (np.median(strongest) if len(strongest) else np.inf) - HEARD_ABOVE_DB)


def _band(
    job: Job,
    name: str,
    seats: list[str],
    levels: FloatArray,
    band: Band,
    kind: str,
    u_db: dict[str, float],
    reach: FloatArray,
) -> BandResult | None:
    if kind == "tone":
        edges = SUB_LEVEL_BAND_HZ if _is_sub(job, name) else LEVEL_BAND_HZ
        inside = (GRID_HZ >= edges[0]) & (GRID_HZ <= edges[1])
        # The mean of the third octaves of the band: the same weighting as pink noise.
        own = 10 * np.log10(np.mean(10 ** (levels[:, inside] / 10), axis=1))
        levels = variance.without_seat_level(levels, own)
    weights = [seat.weight if (seat := job.system.seat(s)) is not None else 1.0 for s in seats]
    inside = (GRID_HZ >= band.low_hz) & (GRID_HZ <= band.high_hz) & _plays(reach)
    found = variance.band_variance(levels, inside, weights if sum(weights) > 0 else None, u_db[band.label])
    if found is None:
        return None
    return BandResult(
        msv_db2=found.msv_db2,
        sd_db=found.sd_db,
        u_sd_db=found.u_sd_db,
        u_msv_db2=found.u_msv_db2,
        worst_seat=seats[found.worst],
        worst_db=found.deviation_db[found.worst],
        deviations_db=dict(zip(seats, found.mean_deviation_db, strict=True)),
    )


def _changes(
    job: Job, name: str, seats: list[str], pair: tuple[FloatArray, FloatArray], u_db: dict[str, float]
) -> dict[str, dict[str, Change]]:
    both = np.concatenate(pair)
    out: dict[str, dict[str, Change]] = {}
    for kind in KINDS:
        out[kind] = {}
        for band in job.system.bands:
            # Both rounds are read at the same frequencies: where the loudspeaker plays in the mean of both.
            before, after = (_band(job, name, seats, each, band, kind, u_db, both) for each in pair)
            if before is None or after is None:
                continue
            change = after.msv_db2 - before.msv_db2
            u = float(np.hypot(before.u_msv_db2, after.u_msv_db2))
            word = "no real change" if abs(change) <= 2 * u else ("better" if change < 0 else "worse")
            out[kind][band.label] = Change(before=before, after=after, change_db2=change, u_db2=u, word=word)
    return out


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """Before and after, both ways; only in the later of the two rounds."""
    result = solve(job, analyses)
    if result.rounds is None:
        waits = Advice(text="Measure as left when the settings are entered, to compare.", step="compare", priority=70)
        measured = bool(job.responses)
        return Outcome(
            step="compare",
            round=round_id,
            remarks=("Not compared yet: " + (result.why_not or ""),),
            advice=(waits,) if measured else (),
            stands_out="needs an as-left round" if measured else "",
        )
    if round_id != result.rounds[1]:
        return Outcome(
            step="compare", round=round_id, remarks=(f"The comparison stands in the round {result.rounds[1]}.",)
        )
    checks = [
        _check(c, kind, label, change)
        for c, each in result.channels.items()
        for kind, bands in each.bands.items()
        for label, change in bands.items()
    ]
    return Outcome(
        step="compare",
        round=round_id,
        done=len(result.channels),
        total=len(result.channels) + sum(" only in " in text for text in result.left_out),
        checks=tuple(checks),
        tables=tuple(_table(result, kind) for kind in KINDS if result.channels),
        curves=tuple(curve for each in result.channels.values() for curve in _curves(each, result.rounds)),
        stands_out=_stands_out(result),
        remarks=_remarks(result),
    )


def _check(channel: str, kind: str, label: str, change: Change) -> Check:
    """The uncertainty is in the limit here: better and worse are words for what lies beyond it."""
    return Check(
        id=f"compare.{kind}.{label}",
        channel=channel,
        value=change.change_db2,
        unit="dB²",
        limit=Limit(high=2 * change.u_db2, unit="dB²", basis=NO_WORSE_BASIS),
        text=f"change of the seats' variance, {label} Hz",
    )


_TITLES = {
    "heard": "What the seats hear: how far they are apart (root of the variance over seats)",
    "tone": "Evenness of tone: the same with each seat's own level taken off",
}


def _table(result: CompareResult, kind: str) -> Table:
    columns = (
        Column(key="channel", title="Channel"),
        Column(key="band", title="Band Hz"),
        Column(key="before", title="Found", unit="dB", decimals=1),
        Column(key="after", title="Left", unit="dB", decimals=1),
        Column(key="change", title="Change", unit="dB²", decimals=1, signed=True),
        Column(key="U", title="U", unit="dB²", decimals=1),
        Column(key="word", title="In words"),
        Column(key="worst", title="Worst seat"),
        Column(key="off", title="off by", unit="dB", decimals=1),
    )
    rows = tuple(
        Row(
            key=f"{name}:{label}",
            cells=(
                name,
                label,
                c.before.sd_db,
                c.after.sd_db,
                c.change_db2,
                2 * c.u_db2,
                c.word,
                c.after.worst_seat,
                c.after.worst_db,
            ),
        )
        for name, each in result.channels.items()
        for label, c in each.bands[kind].items()
    )
    return Table(id=f"compare:{kind}", title=_TITLES[kind], columns=columns, rows=rows)


def _curves(each: ChannelCompare, rounds: tuple[str, str]) -> list[Curve]:
    """The spread over seats at every frequency, before and after."""
    roots = [np.sqrt(variance.variance_over_seats(levels)) for levels in each.levels]
    return [
        Curve(
            id=f"compare:{each.channel}",
            title=f"{each.channel}: standard deviation over {len(each.seats)} seats",
            channel=each.channel,
            caption="third octaves",
            series=(
                Series(name=rounds[0], x=GRID_HZ, y=roots[0], kind="other"),
                Series(name=rounds[1], x=GRID_HZ, y=roots[1], kind="main"),
            ),
        )
    ]


def _stands_out(result: CompareResult) -> str:
    words = [c.word for each in result.channels.values() for c in each.bands["tone"].values()]
    if not words:
        return ""
    counts = {word: words.count(word) for word in ("better", "worse", "no real change")}
    return (
        f"evenness of tone: {counts['better']} better, {counts['worse']} worse, {counts['no real change']} unchanged"
    )


def _remarks(result: CompareResult) -> tuple[str, ...]:
    remarks = [
        result.u_from,
        "Better and worse are said only beyond U = 2 u of the change. The seats are all there are: no sampling error.",
    ]
    remarks += [f"Left out: {text}." for text in result.left_out]
    return tuple(remarks)


STEP = Step(
    id="compare",
    title="Compare",
    question="Did it get better, seat by seat, beyond the repeatability of the measurement?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
)
