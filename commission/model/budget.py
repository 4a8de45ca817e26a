"""Uncertainty budgets: the contributions to a stated uncertainty, in the form of JCGM 100:2008 (GUM), 8 and annex H."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Distribution = Literal["normal", "rectangular", "triangular", "arcsine"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One source of uncertainty."""

    source: str
    """Description, such as "microphone placed within 2 cm"."""
    u: float
    """Standard uncertainty of the input quantity, in `unit`."""
    unit: str
    sensitivity: float = 1.0
    """∂y/∂x, so that `sensitivity · u` is in the unit of the budget (JCGM 100, 5.1.3)."""
    distribution: Distribution = "normal"
    evaluation: Literal["A", "B"] = "B"
    """A: from the readings themselves (4.2); B: by other means (4.3)."""
    dof: float = math.inf
    """Degrees of freedom (G.3 for type A, G.4.2 for type B)."""
    shared: bool = False
    """Common to all compared results: it cancels between them, and repeats do not reduce it."""
    basis: str = ""

    @property
    def part(self) -> float:
        """|∂y/∂x|·u(x), in the unit of the budget."""
        return abs(self.sensitivity) * self.u


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """How the uncertainty of one result is made up; inputs are independent."""

    id: str
    title: str
    unit: str
    contributions: tuple[Contribution, ...]
    channel: str | None = None
    seat: str | None = None

    @property
    def u(self) -> float:
        """Combined standard uncertainty u_c(y): root of the sum of squares (JCGM 100 equation 11a)."""
        return math.sqrt(sum(each.part**2 for each in self.contributions))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom by Welch and Satterthwaite (JCGM 100 equation G.2b); inf when all are known."""
        finite = sum(each.part**4 / each.dof for each in self.contributions if math.isfinite(each.dof) and each.part)
        return self.u**4 / finite if finite else math.inf

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = 2 u, as stated on screens and in the record."""
        return 2.0 * self.u

    def share(self, contribution: Contribution) -> float:
        """The share of a source in the variance, 0 to 1."""
        return contribution.part**2 / self.u**2 if self.u else 0.0
