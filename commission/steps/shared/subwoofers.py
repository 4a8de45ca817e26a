"""The subwoofers of a job: separate outputs, the channel for all of them, and their responses on one clock."""

from __future__ import annotations

import numpy as np

from commission.model import AnalysedResponse, Analyses, ComplexArray, Job
from commission.steps.shared.screening import usable

SUBS = "SUBS"
"""Name of the subwoofers taken together, in tables and JSON."""
GROUPS = (SUBS, "LFE")
"""Channels that, in addition to two or more separate subwoofers, are these measured together."""


def sub_outputs(job: Job) -> tuple[list[str], str | None]:
    """(separate subwoofers, the channel for all of them measured together)."""
    ids = [c.id for c in job.system.channels if c.is_sub]
    singles = [c for c in ids if c not in GROUPS]
    group = next((c for c in ids if c in GROUPS), None) if len(singles) > 1 else None
    return (singles if group is not None else ids), group


def sub_spectra(job: Job, round_id: str, analyses: Analyses, seat_id: str) -> dict[str, ComplexArray] | str | None:
    """Subwoofer → its newest response at a seat on BASS_HZ, all on one clock.

    A sentence if they cannot be summed; None with fewer than two subwoofers, or if none was measured there.
    """
    subs, _ = sub_outputs(job)
    if len(subs) < 2:
        return None
    screened = usable(job, analyses, round_id)
    newest = {sub: items[-1] for sub in subs if (items := screened.repeats(round_id, sub, seat_id))}
    if not newest:
        return None
    problems = [f"{s}: {text[-1]}" for s in subs if (text := screened.problems(round_id, s, seat_id))]
    why = why_no_sum(list(newest.values()), len(subs), problems)
    own = {
        sub: np.asarray(each.analysis.bass)
        for sub, each in newest.items()
        if each.analysis is not None and each.analysis.bass is not None
    }
    if why is not None or len(own) < len(subs):
        return why or "a response has no phase"
    return own


def why_no_sum(newest: list[AnalysedResponse], count: int, problems: list[str]) -> str | None:
    """Reason why the newest responses of `count` subwoofers at a seat cannot be summed, as a clause; None if they can."""
    if len(newest) < count:
        return problems[0] if problems else "not every subwoofer was measured"
    if newest[0].clock is None or len({item.clock for item in newest}) != 1:
        return "their responses share no clock"
    if not all(item.passes_delays for item in newest):
        return "their responses were measured past the processor's delays"
    return None
