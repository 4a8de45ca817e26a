"""The uncertainty budgets of a row: the contributions to its U, source by source."""

from __future__ import annotations

import math
from dataclasses import replace

from commission.model import Budget, Check, Contribution, Outcome, Row, Table
from commission.model.formatting import number
from commission.steps.shared.budget_table import budget_table
from commission.ui.screens.tables import TablesScreen

HELP = """
The sources of the stated uncertainty of a value, after JCGM 100 (the GUM).

- Each **source** has a standard uncertainty *u* in its own unit. Its *part* is what reaches the value; its **share** is its
  contribution to the variance. Reduce the largest share first: little else helps.
- The combined u is the root of the sum of the squared parts. **U = 2 u** covers about 95 %; it is shown beside the value on
  every screen and in the record. A verdict is *unsure* within 1.645 u of its limit.
- Reading again reduces only what scatters from reading to reading. A *shared* error is the same for everything compared,
  and no reading reduces it.
"""
SHOWN_BELOW = ("type", "sensitivity", "basis")
"""Columns shown as text under the tables, for the selected row."""


def budgets_of(outcome: Outcome, check: Check | None, channel: str | None, seat: str | None) -> tuple[Budget, ...]:
    """The budgets that apply to a place, that of the check first."""
    own = outcome.budget_of(check) if check is not None else None
    # A budget for this place takes precedence over one for all places.
    ids = dict.fromkeys(each.id for each in outcome.budgets)
    fitting = []
    for name in ids:
        near = [
            b for b in outcome.budgets if b.id == name and b.channel in (None, channel) and b.seat in (None, seat)
        ]
        near = near or [b for b in outcome.budgets if b.id == name and b.channel == channel and channel is not None]
        fitting += sorted(near, key=lambda b: (b.seat is None, b.channel is None))[:1]
    return ((own,) if own is not None else ()) + tuple(each for each in fitting if each is not own)


class Budgets(TablesScreen):
    """Shows the uncertainty budgets of one row."""

    HELP_TITLE, HELP_TEXT = "Uncertainty budget", HELP

    def __init__(self, place: str, budgets: tuple[Budget, ...]) -> None:
        super().__init__()
        self.title_text = f"Uncertainty · {place}" if place else "Uncertainty"
        self._budgets = budgets

    def tables(self) -> tuple[Table, ...]:
        """One table for each budget; keys of rows are "budget row"."""
        return tuple(_on_screen(n, budget_table(budget)) for n, budget in enumerate(self._budgets))

    def about(self, row: Row | None) -> str:
        """The selected source with its basis, or how a sum is formed."""
        if row is None:
            return ""
        n, key = row.key.split(" ")
        budget = self._budgets[int(n)]
        if key.isdigit():
            return _words(budget.contributions[int(key)], budget.unit)
        source, *_, basis = next(each.cells for each in budget_table(budget).rows if each.key == key)
        return f"{source}: {basis}"


def _on_screen(n: int, table: Table) -> Table:
    rows = tuple(replace(row, key=f"{n} {row.key}") for row in table.rows)
    return replace(table, rows=rows).without(*SHOWN_BELOW)


def _words(source: Contribution, unit: str) -> str:
    kind = "from the readings themselves (type A)" if source.evaluation == "A" else "not from readings (type B)"
    per = "" if source.unit == unit else f" {unit} per {source.unit}"
    parts = [kind]
    parts += [f"sensitivity {number(source.sensitivity, 3)}{per}"] if source.sensitivity != 1 or per else []
    parts += [f"{source.dof:.0f} degrees of freedom"] if math.isfinite(source.dof) else []
    parts += ["shared by everything that is compared: repeats do not reduce it"] if source.shared else []
    basis = f"\nBasis: {source.basis}" if source.basis else ""
    return f"{source.source}: {'; '.join(parts)}.{basis}"
