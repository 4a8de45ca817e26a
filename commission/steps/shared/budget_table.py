"""An uncertainty budget as a table: for the terminal, for text, for the record (JCGM 100, annex H)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from commission.model import Budget, Column, Contribution, Table, table_of
from commission.model.formatting import place_text, two_digits


def budget_table(budget: Budget) -> Table:
    """Every source with its contribution to the uncertainty, followed by the combined u, U = 2 u and the degrees of
    freedom.

    Rows of sources have their number as key, the others "u", "U" and "dof".
    """
    dof = "∞" if math.isinf(budget.dof) else f"{math.floor(budget.dof + 1e-9)}"  # truncated: JCGM 100 G.4.1
    u, expanded = (f"{two_digits(value)} {budget.unit}" for value in (budget.u, budget.expanded))
    combined = "root of the sum of the squared parts (JCGM 100 equation 11a)"
    lines = (
        *(_line(str(i), each, budget) for i, each in enumerate(budget.contributions)),
        _Line("u", "combined u", u, combined, part=budget.u),
        _Line("U", "U = 2 u", expanded, "covers about 95 %", part=budget.expanded),
        _Line("dof", "effective degrees of freedom", dof, "Welch and Satterthwaite (JCGM 100 equation G.2b)"),
    )
    place = place_text(budget.channel, budget.seat)
    return table_of(
        lines,
        (Column(key="source", title="Source"), lambda each: each.source),
        (Column(key="u", title="u"), lambda each: each.u),
        (Column(key="distribution", title="Distribution"), lambda each: each.distribution),
        (Column(key="type", title="Type"), lambda each: each.evaluation),
        (Column(key="sensitivity", title="Sensitivity"), lambda each: each.sensitivity),
        (Column(key="part", title="Part", unit=budget.unit, decimals=3), lambda each: each.part),
        (Column(key="share", title="Share", unit="%", decimals=0), lambda each: each.share),
        (Column(key="basis", title="Basis"), lambda each: each.basis),
        id=f"budget:{budget.id}",
        title=f"{budget.title}: {place}" if place else budget.title,
        key=lambda each: each.key,
        remark="Shared: common to everything compared; repeating the measurement does not reduce it."
        if any(each.shared for each in budget.contributions)
        else "",
    )


@dataclass(frozen=True, slots=True)
class _Line:
    """A source, or one of the results below the sources, for which most columns are empty."""

    key: str
    source: str
    u: str
    basis: str
    distribution: str = ""
    evaluation: str = ""
    sensitivity: str = ""
    part: float | str = ""
    share: float | str = ""


def _line(key: str, each: Contribution, budget: Budget) -> _Line:
    per = "" if each.unit == budget.unit else f" {budget.unit}/{each.unit}"
    return _Line(
        key,
        f"{each.source} (shared)" if each.shared else each.source,
        f"{two_digits(each.u)} {each.unit}",
        each.basis,
        each.distribution,
        each.evaluation,
        f"{two_digits(each.sensitivity)}{per}",
        each.part,
        100 * budget.share(each),
    )


def grouped(budgets: Iterable[Budget]) -> tuple[Budget, ...]:
    """The budgets to print: each kind once, with the names of all its channels and seats.

    Budgets of one kind that differ only in their numbers are represented by the largest, which states it.
    """
    kinds: dict[tuple[str, tuple[str, ...]], list[Budget]] = {}
    for each in budgets:
        kinds.setdefault((each.id, tuple(line.source for line in each.contributions)), []).append(each)
    return tuple(_one(own) for own in kinds.values())


def _one(own: list[Budget]) -> Budget:
    largest = max(own, key=lambda each: each.u)
    places = list(dict.fromkeys(place_text(each.channel, each.seat) for each in own))
    if len(own) == 1 or places == [""]:
        return largest
    same = all(math.isclose(each.u, largest.u, rel_tol=1e-9) for each in own)
    shown = ", ".join(place or "all others" for place in places[:13]) + (" …" if len(places) > 13 else "")
    if not same:
        shown += f"; largest, of {place_text(largest.channel, largest.seat) or 'most'}"
    return replace(largest, channel=shown, seat=None)


def budget_values(budget: Budget) -> Mapping[str, object]:
    """A budget as plain values for other programs; infinite degrees of freedom are None."""
    return {
        "id": budget.id,
        "title": budget.title,
        "channel": budget.channel,
        "seat": budget.seat,
        "unit": budget.unit,
        "u": _round(budget.u),
        "U": _round(budget.expanded),
        "dof": _finite(budget.dof),
        "contributions": [
            {
                "source": each.source,
                "u": _round(each.u),
                "unit": each.unit,
                "sensitivity": _round(each.sensitivity),
                "part": _round(each.part),
                "share": round(budget.share(each), 4),
                "distribution": each.distribution,
                "evaluation": each.evaluation,
                "dof": _finite(each.dof),
                "shared": each.shared,
                "basis": each.basis,
            }
            for each in budget.contributions
        ],
    }


def _round(value: float) -> float:
    return float(f"{value:.6g}")


def _finite(dof: float) -> float | None:
    return round(dof, 2) if math.isfinite(dof) else None
