"""The subwoofer proposal, its prediction and its verification as plain values for `commission-results/1`."""

from __future__ import annotations

import math
from typing import Any

from commission.dsp.bass_sum import unchanged
from commission.dsp.biquads import cookbook_q
from commission.dsp.crossover import CrossoverHole
from commission.model import AS_FOUND, Filter, FilterWidth
from commission.record.data.rounding import rounded
from commission.steps import bass
from commission.steps.bass.choices import PRICES
from commission.steps.bass.entries import SubProposal, proposals
from commission.steps.bass.measurement import measured_bass
from commission.steps.bass.moves import SubwooferMove, best_move
from commission.steps.bass.result import BassResult, in_use
from commission.steps.bass.verification import Verification, newest_verified
from commission.steps.bass.version import Version, filter_width, version
from commission.steps.shared.subwoofers import sub_outputs
from commission.visit import Visit


def bass_values(visit: Visit) -> dict[str, Any]:
    """Round, band, proposal, prediction, verification and trade-off; without a proposal, the reason."""
    job, analyses = visit.job, visit.analyses
    if not sub_outputs(job)[0] or not job.responses:
        return {}
    result, checked = bass.solve(job, analyses), newest_verified(job, analyses)
    verified = {
        "verified": {} if isinstance(checked, str) else _verified(checked),
        "why_not_verified": checked if isinstance(checked, str) else None,
    }
    if isinstance(result, str):
        return {"round": None, "why": result, **verified}
    seats = result.measured.seats
    first = measured_bass(job, AS_FOUND, analyses) if AS_FOUND in job.rounds else ""
    found = (
        _version(result.as_found, seats)
        if isinstance(first, str) or first.round == result.measured.round
        else _version(version(first, AS_FOUND, unchanged(first.room.subs)), first.seats)
    )
    return {
        "round": result.measured.round,
        "band_hz": [rounded(hz, 1) for hz in result.measured.band_hz],
        "proposal": _proposal(result.subs, filter_width(job)),
        "in_use": in_use(job, result),
        "why": result.kept_because,
        "as_found": found,
        "measured": _version(result.as_found, seats),
        "predicted": _version(result.proposed, seats) | _robustness(result),
        "others": {each.name: _version(each, seats) for each in result.others},
        **verified,
        "trade": [
            {
                "name": each.name,
                "price_db2_per_db": PRICES[each.name],
                "sd_db": rounded(each.sd_db, 2),
                "output_db": rounded(each.figures.output_db, 2),
                "proposal": _proposal(
                    proposals(job, result.measured, result.space, each.settings, each.filters), filter_width(job)
                ),
            }
            for each in result.tradeoff
        ],
        "crossover": _crossover(result),
        "left_out": list(result.measured.left_out),
        **_move(best_move(job, result)),
    }


def _proposal(subs: dict[str, SubProposal], width: FilterWidth) -> dict[str, Any]:
    return {
        sub: {
            "gain_db": rounded(each.gain_db, 3),
            "delay_ms": rounded(1000 * each.delay_s, 4),
            "polarity": each.polarity,
            "filters": [_filter(f, width) for f in each.filters],
            "trim_db": rounded(each.trim_db, 2),
            "setting": rounded(each.setting, 4),
        }
        for sub, each in subs.items()
    }


def _filter(each: Filter, width: FilterWidth) -> dict[str, Any]:
    return {
        "type": "peaking",
        "frequency_hz": rounded(each.frequency_hz, 3),
        "gain_db": rounded(each.gain_db, 3),
        "q": rounded(cookbook_q(each.width, width, each.gain_db), 4),
        "width": rounded(each.width, 4),
        "width_in": width,
    }


def _version(each: Version, seats: tuple[str, ...]) -> dict[str, Any]:
    return {
        "sd_db": rounded(each.sd_db, 2),
        "output_db": rounded(each.figures.output_db, 2),
        "over_frequency_sd_db": rounded(each.shape_db, 2),
        "seats": {seat: {"deviation_db": rounded(v, 2)} for seat, v in zip(seats, each.deviation_db, strict=True)},
    }


def _move(found: SubwooferMove | str) -> dict[str, Any]:
    """The estimated gain of the best single move, or why none is advised."""
    if isinstance(found, str):
        return {"move": None, "why_no_move": found}
    values = {
        "what": found.what,
        "to_m": None if found.to_m is None else list(found.to_m),
        "by_m": rounded(found.by_m, 2),
        "before_sd_db": rounded(found.before_db, 2),
        "estimated_sd_db": rounded(found.sd_db, 2),
    }
    return {"move": values, "why_no_move": None}


def _robustness(result: BassResult) -> dict[str, Any]:
    held_out = result.held_out
    return {
        "worst_sd_db": rounded(math.sqrt(result.robustness.worst_db2), 2),
        "worst": result.robustness.worst,
        "seat_left_out_sd_db": None if held_out is None else rounded(math.sqrt(held_out.mean_db2), 2),
        "gains_elsewhere": None if held_out is None else held_out.gains_elsewhere,
    }


def _verified(checked: Verification) -> dict[str, Any]:
    return {
        "from": checked.before,
        "round": checked.after,
        "settings": "by the issued sheet" if checked.by_sheet else "as entered",
        "sd_db": rounded(checked.sd_db, 2),
        "predicted_sd_db": rounded(checked.predicted_sd_db, 2),
        "output_db": rounded(checked.output_db, 2),
        "seats": {
            seat: {"deviation_db": rounded(checked.deviation_db[seat], 2), "agreement_db": rounded(agreement, 2)}
            for seat, agreement in zip(checked.seats, checked.agreement_db, strict=True)
        },
        "common_db": rounded(checked.common_db, 2),
        "subs": {
            each.sub: {
                "gain_db": {"entered": rounded(each.typed_gain_db, 2), "measured": rounded(each.gain_db, 2)},
                "delay_ms": {
                    "entered": rounded(1000 * each.typed_delay_s, 3),
                    "measured": None if each.delay_s is None else rounded(1000 * each.delay_s, 3),
                },
                "polarity": {"entered": each.typed_polarity, "measured": each.polarity},
                "as_entered": not each.is_off,
            }
            for each in checked.changes
        },
        "left_out": list(checked.left_out),
        "as_predicted": checked.is_as_predicted,
        "explanation": None if checked.explanation is None else checked.explanation.text,
    }


def _crossover(result: BassResult) -> dict[str, Any] | None:
    if result.crossover is None:
        return None
    found = result.crossover
    return {
        "hz": rounded(found.hz, 1),
        "mains": {
            main: {"before_db": rounded(float(before), 2), "after_db": rounded(float(after), 2)}
            for main, before, after in zip(found.mains, found.before_db, found.after_db, strict=True)
        },
        "change_db": rounded(found.gain_db, 2),
        **(
            {} if found.filters_db is None else {"entered": found.entered, "filters_db": rounded(found.filters_db, 2)}
        ),
        "choices": {
            name: {
                "sd_db": rounded(each.figures.sd_db, 2),
                "output_db": rounded(each.figures.output_db, 2),
                "change_db": rounded(each.sum_gain_db, 2),
            }
            for name, each in result.candidates.items()
        },
        "choice": result.wanted if result.candidates else None,
        "hole": None if found.hole is None else _hole(found.hole),
    }


def _hole(hole: CrossoverHole) -> dict[str, Any]:
    return {
        "reason": hole.reason,
        "delay_ms": rounded(1000 * hole.delay_s, 2),
        "polarity": hole.polarity,
        "sum_db": rounded(hole.loss_db, 2),
        "gain_db": rounded(hole.gain_db, 2),
        "inverting_gains_db": rounded(hole.inverting_gains_db, 2),
        "seat_share": rounded(hole.seat_share, 2),
        "gain_seat_share": rounded(hole.gain_seat_share, 2),
    }
