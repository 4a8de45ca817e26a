"""The search for better places as tables: the best moves for the chosen weight, and the trade-off over all weights."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

from commission.model import Column, Job, Position, Table, TradeoffCurve, TradeoffPoint, Verdict, table_of
from commission.model.formatting import number
from commission.model.units import listed
from commission.steps.layout.coverage import coverage_checks
from commission.steps.layout.search import DEFAULT_WEIGHT, Search, Shortfall, Tradeoff, moved_job

WEIGHT_KEY = "weight"
MEANING = (
    "Shortfall: degrees outside the range of ITU-R BS.2051 for its label and beyond half of its coverage angle, 10° for a "
    "hidden path, 3° for each dB beyond ±3 dB of its level at the reference seat; root mean square over the loudspeakers."
)


def weight_of(job: Job, round_id: str) -> float:
    """The chosen weight of all seats against the reference seat, 0 to 1; 0.5 without a choice."""
    try:
        weight = float(job.decisions.get((round_id, "layout", WEIGHT_KEY), DEFAULT_WEIGHT))
    except ValueError:
        return DEFAULT_WEIGHT
    return weight if 0 <= weight <= 1 else DEFAULT_WEIGHT


def failed_count(job: Job) -> int:
    """Number of failed checks of coverage."""
    return sum(check.verdict is Verdict.FAIL for check in coverage_checks(job))


def moves_table(job: Job, search: Search, weight: float) -> Table:
    """The best places for one weight, and the effect of each move alone."""
    tradeoff, before = search.at(weight), failed_count(job)
    after = [failed_count(moved_job(job, move.places)) for move in tradeoff.moves]
    rows = [(move, channel, n) for move, n in zip(tradeoff.moves, after, strict=True) for channel in move.places]

    def coordinate(axis: int) -> Column:
        return Column(key="xyz"[axis], title="xyz"[axis], unit="m", decimals=2)

    return table_of(
        rows,
        (Column(key="id", title="Move"), lambda row: row[1]),
        (coordinate(0), lambda row: row[0].places[row[1]][0]),
        (coordinate(1), lambda row: row[0].places[row[1]][1]),
        (coordinate(2), lambda row: row[0].places[row[1]][2]),
        (Column(key="moved", title="By", unit="m", decimals=2), lambda row: row[0].moved_m),
        (
            Column(key="reference", title="Reference", unit="°", decimals=1),
            lambda row: row[0].shortfall.reference_deg,
        ),
        (Column(key="all", title="All seats", unit="°", decimals=1), lambda row: row[0].shortfall.all_deg),
        (Column(key="failed", title="Failed checks"), lambda row: f"{before} → {row[2]}"),
        id="moves",
        title=f"Best moves with all seats weighted {number(tradeoff.weight, 1)}, most useful first",
        key=lambda row: row[1],
        remark=(
            f"{'' if rows else 'No move is worth it. '}The shortfall is with this move alone, a mirrored pair moved "
            f"together; now it is {number(search.now.reference_deg, 1)}° at the reference seat and "
            f"{number(search.now.all_deg, 1)}° over all seats. {MEANING}"
        ),
        verdicts=False,
    )


def tradeoff_table(search: Search) -> Table:
    """The present layout, then the best one for each weight; weights with equal figures and moves share a row."""

    def worst(shortfall: Shortfall) -> str:
        seat, value = max(shortfall.seats_deg.items(), key=lambda item: item[1])
        return f"{seat}, {number(value, 1)}°"

    def moved(tradeoff: Tradeoff | None) -> str:
        return "" if tradeoff is None else listed([c for move in tradeoff.moves for c in move.places]) or "none"

    def printed(tradeoff: Tradeoff) -> tuple[str, ...]:
        degrees = (number(each, 1) for each in (tradeoff.shortfall.reference_deg, tradeoff.shortfall.all_deg))
        return (*degrees, worst(tradeoff.shortfall), moved(tradeoff))

    def rows() -> Iterator[tuple[str, Shortfall, Tradeoff | None]]:
        yield "as it is", search.now, None
        for _, alike in groupby(search.tradeoffs, key=printed):
            tradeoffs = list(alike)
            weights = dict.fromkeys(number(tradeoffs[k].weight, 1) for k in (0, -1))
            yield " to ".join(weights), tradeoffs[0].shortfall, tradeoffs[0]

    return table_of(
        rows(),
        (Column(key="weight", title="Weight of all seats"), lambda row: row[0]),
        (Column(key="reference", title="Reference", unit="°", decimals=1), lambda row: row[1].reference_deg),
        (Column(key="all", title="All seats", unit="°", decimals=1), lambda row: row[1].all_deg),
        (Column(key="worst", title="Worst seat"), lambda row: worst(row[1])),
        (Column(key="moves", title="Moved"), lambda row: moved(row[2])),
        id="moves:trade",
        title="Reference seat against all seats: shortfall of the best layout for each weight",
        key=lambda row: row[0],
        remark="0 serves the reference seat alone, 1 all seats alike.",
        verdicts=False,
    )


def tradeoff_curve(search: Search, weight: float, now: Shortfall | None = None) -> TradeoffCurve:
    """The trade-off as a curve; `now`: the shortfall of the present layout, if it is not the one searched."""

    def point(name: str, shortfall: Shortfall) -> TradeoffPoint:
        return TradeoffPoint(name=name, x=shortfall.reference_deg, y=shortfall.all_deg)

    return TradeoffCurve(
        id="moves:curve",
        title="Reference seat against all seats",
        x_name="Shortfall at the reference seat",
        y_name="Shortfall over all seats",
        unit="°",
        points=tuple(point(number(tradeoff.weight, 1), tradeoff.shortfall) for tradeoff in search.tradeoffs),
        chosen=search.tradeoffs.index(search.at(weight)),
        now=point("as it is", now or search.now),
        caption="The best layout for each weight of all seats, from 0 (the reference seat alone) to 1 (all seats alike)",
    )


def places_of(tradeoff: Tradeoff) -> dict[str, Position]:
    """All loudspeakers that a trade-off moves, with their new places."""
    return {channel: place for move in tradeoff.moves for channel, place in move.places.items()}
