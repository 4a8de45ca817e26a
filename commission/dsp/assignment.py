"""The assignment problem: a different column for each row, at the least total cost.

Shortest augmenting paths with prices (Jonker and Volgenant 1987, Computing 38; from memory), O(n³), for the few
channels of a room. `scipy.optimize.linear_sum_assignment` is the reference in the tests; importing it takes longer than
all assignments of a job.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from commission.model import FloatArray


class Assignment:
    """The cheapest assignment of a cost table [shape=(rows, columns), rows ≤ columns], and the cost of changing it."""

    def __init__(self, cost: FloatArray) -> None:
        rows, columns = cost.shape
        if rows > columns:
            raise ValueError(f"{rows} rows cannot each have one of {columns} columns")
        self._rows = rows
        # Rows without cost take the columns left over: the prices then hold for those too.
        self._cost = np.vstack([cost, np.zeros((columns - rows, columns))])
        self._of_row, self._of_column = np.zeros(columns), np.zeros(columns)
        self._owner = np.full(columns, -1)
        for row in range(columns):
            self._place(row)

    @property
    def columns(self) -> tuple[int, ...]:
        """The column of each row."""
        return tuple(np.argsort(self._owner)[: self._rows].tolist())

    def without(self, row: int) -> tuple[int, ...] | None:
        """The columns of the cheapest assignment in which this row has a different column; None if there is no other."""
        if self._cost.shape[1] < 2:
            return None
        other = object.__new__(Assignment)
        other._rows, other._cost = self._rows, self._cost.copy()
        other._of_row, other._of_column, other._owner = (
            each.copy() for each in (self._of_row, self._of_column, self._owner)
        )
        column = self.columns[row]
        # The prices stay feasible: one edge became dearer, and every other pair remains tight.
        other._cost[row, column] = math.inf
        other._owner[column] = -1
        other._of_row[row] = float(np.min(other._cost[row] - other._of_column))
        other._place(row)
        return other.columns

    def _place(self, row: int) -> None:
        """Assign one more row along the cheapest path that moves rows already placed."""
        columns = len(self._owner)
        distance, before = np.full(columns, math.inf), np.full(columns, -1)
        done = np.zeros(columns, bool)
        here, at, reached = row, -1, 0.0
        while True:
            left = reached + self._cost[here] - self._of_row[here] - self._of_column
            nearer = ~done & (left < distance)
            distance[nearer] = left[nearer]
            before[nearer] = at
            at = int(np.argmin(np.where(done, math.inf, distance)))
            reached = float(distance[at])
            done[at] = True
            if self._owner[at] < 0:
                break
            here = int(self._owner[at])
        self._reprice(row, distance, done, reached)
        while at >= 0:
            previous = int(before[at])
            self._owner[at] = row if previous < 0 else self._owner[previous]
            at = previous

    def _reprice(self, row: int, distance: FloatArray, done: NDArray[np.bool_], reached: float) -> None:
        """Adjust the prices so that the path is tight and no pair is cheaper than its prices."""
        self._of_row[row] += reached
        for column in np.flatnonzero(done):
            rise = reached - float(distance[column])
            if (owner := int(self._owner[column])) >= 0:
                self._of_row[owner] += rise
            self._of_column[column] -= rise
