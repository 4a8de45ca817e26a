"""A return visit as plain values for JSON: the earlier visit, the changes, and what cannot be compared."""

from __future__ import annotations

from typing import Any

from commission.steps.drift.result import Drift, compared_round, solve
from commission.visit import Visit


def drift_values(visit: Visit) -> dict[str, Any]:
    """The key "drift"; empty where this is not a return visit."""
    earlier = visit.job.earlier
    if earlier is None:
        return {}
    round_id = compared_round(visit.job)
    result = solve(visit.job, round_id, visit.analyses)
    return {
        "drift": {
            "round": round_id,
            "earlier": {
                "file": earlier.file_name,
                "title": earlier.title,
                "round": earlier.round,
                "closed_at": earlier.closed_at,
                "digest": earlier.digest,
                "program_version": earlier.program_version,
            },
            "in_common": {quantity: round(value, 3) + 0.0 for quantity, value in result.shared.items()},
            "changes": [_change(drift) for drift in result.drifts],
            "not_compared": [
                {"quantity": quantity, "why": reason, "places": [list(place) for place in places]}
                for (quantity, reason), places in result.apart.items()
            ],
        }
    }


def _change(d: Drift) -> dict[str, Any]:
    exact = d.budget is None
    return {
        "quantity": d.quantity,
        "channel": d.channel,
        "then": round(d.before, 4),
        "now": round(d.now, 4),
        "explained": None if d.explained is None else round(d.explained, 4) + 0.0,
        "change": round(d.change, 4) + 0.0,
        "uncertainty": None if exact else round(d.u, 4),
        "k": None if exact else round(d.k, 2),
        "drifted": d.drifted and not d.is_setting,
        "word": d.word,
        "seats": {seat: round(change, 3) + 0.0 for seat, change in d.seats},
    }
