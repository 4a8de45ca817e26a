"""Services that reuse earlier results when they open the same log again: the screens are tested, not the computation.

Results are computed from the log and the analyses alone, both of which are immutable; the first visit of a log in a process
computes them, and the others share them until they append an event of their own.
"""

from __future__ import annotations

import copy
import threading
from pathlib import Path
from typing import Any, ClassVar

from commission import steps
from commission.cli.local_services import LocalServices
from commission.model import unwatched
from commission.visit import Visit

OWN = ("_journal", "_decoder", "_memory", "_lock")
"""What every visit has to itself."""


class SolvedServices(LocalServices):
    """Services for tests that open one job again and again."""

    _first: ClassVar[dict[tuple[object, ...], dict[str, Any]]] = {}
    """Results of the first visit, by the digest at the end of its log and by the steps that the visit has."""

    def open(self, path: Path, *, read_only: bool = False, afresh: bool = False) -> Visit:
        """Open a job as the program does, with cached results unless they are to be computed afresh."""
        visit = super().open(path, read_only=read_only, afresh=afresh)
        if not afresh:
            key = (visit.job.log[-1].digest, *steps.listed(visit.job))
            if key not in self._first:
                visit.analyse(threading.Event(), unwatched)
                visit._now()  # outcomes and findings are shared as well, whoever computes them
                self._first[key] = {name: value for name, value in vars(visit).items() if name not in OWN}
            vars(visit).update({n: copy.copy(v) if isinstance(v, dict) else v for n, v in self._first[key].items()})
        return visit
