"""Results as JSON: the stable form `commission-results/1`, and the record with the whole log.

A key without a value is absent or null, never invented. Documented in DEVELOPERS.md.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import Any

from commission import __version__
from commission.dsp.air import speed_of_sound_m_s
from commission.model import Analysis, Check, Event, Finding, FindingHistory, Job, Outcome, Position, Verdict, worst
from commission.model.checklist import LIP_SYNC
from commission.model.units import clean_text
from commission.record.data.bass import bass_values
from commission.record.data.drift import drift_values
from commission.record.data.layout import layout_values, move_values, wall_values
from commission.record.data.rounding import rounded
from commission.record.data.sheet import sheet_rows
from commission.record.data.verdict_changes import verdict_change_values
from commission.steps import all_steps, checklist, compare, dialogue, distances, levels, quiet, seats, wiring
from commission.steps.layout.rays import reflecting_point_m
from commission.steps.seats.awaiting import awaiting_repair
from commission.steps.seats.balance import balances
from commission.steps.seats.reflections import OWN_SOUND_S, surface
from commission.steps.shared import seat_variance
from commission.steps.shared.budget_table import budget_values
from commission.steps.shared.isolation import or_else
from commission.steps.shared.survey import elsewhere
from commission.visit import Visit

RESULTS_SCHEMA, RECORD_SCHEMA = "commission-results/1", "commission-record/1"
_NOTHING: dict[str, Any] = {}
_NOT_ASCII = re.compile(r"[^\x00-\x7e]")


def results(visit: Visit) -> dict[str, Any]:
    """All results as plain values; analyse the visit first."""
    job, analyses = visit.job, visit.analyses
    reference = job.system.reference_seat
    return {
        "schema": RESULTS_SCHEMA,
        "job": {
            "title": job.system.title,
            "reference_seat": reference.id if reference is not None else None,
            "rounds": list(job.rounds),
            "temperature_c": job.system.temperature_c,
            "speed_of_sound_m_s": rounded(speed_of_sound_m_s(job.system.temperature_c), 2),
        },
        "checklist": _by_round(job, partial(_checklist, job)),
        "layout": _by_round(job, partial(layout_values, job)),
        "walls": wall_values(job),
        "moves": _by_round(job, partial(move_values, job)),
        "quiet": _by_round(job, lambda r: _quiet(quiet.solve(job, r, analyses))),
        "wiring": _by_round(
            job,
            lambda r: _wiring(
                wiring.solve(job, r, analyses),
                wiring.leakages(job, r, analyses),
                wiring.channel_noises(job, r, analyses),
            ),
        ),
        "levels": _by_round(job, lambda r: _levels(levels.solve(job, r, analyses))),
        "distances": _by_round(job, lambda r: _distances(visit, r)),
        "seats": _by_round(job, lambda r: _seats(visit, r)),
        "balance": _by_round(job, lambda r: _balance(seats.solve(job, r, analyses))),
        "dialogue": _by_round(job, lambda r: _dialogue(dialogue.solve(job, r, analyses))),
        "variance": or_else(lambda: _variance(visit), _NOTHING),
        "bass": or_else(lambda: bass_values(visit), _NOTHING),
        "predictions": or_else(lambda: _predictions(visit), _NOTHING),
        **or_else(lambda: drift_values(visit), _NOTHING),
        "findings": _findings(visit),
        "steps": {step.id: {r: _outcome(visit.outcome(step.id, r)) for r in job.rounds} for step in all_steps()},
        "judged_differently": verdict_change_values(visit.verdict_changes()),
        "failures": {r: list(failures) for r in job.rounds if (failures := visit.failures(r))},
    }


def _by_round(job: Job, make: Callable[[str], dict[str, Any]]) -> dict[str, Any]:
    return {r: found for r in job.rounds if (found := or_else(partial(make, r), _NOTHING))}


def results_json(visit: Visit) -> str:
    """`results` as JSON text."""
    return json_text(results(visit))


def record_json(visit: Visit, created_at: str | None = None) -> str:
    """Results, settings sheet and the whole log, with what is needed to check it; `created_at`: date of a printed
    record.
    """
    job = visit.job
    return json_text(
        {
            "schema": RECORD_SCHEMA,
            "program_version": __version__,
            **({} if created_at is None else {"created_at": created_at}),
            "digest": job.digest,
            "how_to_check": f"commission verify {clean_text(visit.path.name)}: the digest must be the one above",
            "results": results(visit),
            "settings_sheet": sheet_rows(visit),
            "log": log_rows(job.log),
        }
    )


def log_rows(log: Iterable[Event]) -> list[dict[str, Any]]:
    """Events as plain values, as quoted in a record."""
    return [
        {"seq": e.seq, "at": e.at, "kind": kind, "body": body, "recording_sha256": e.blob_sha256, "digest": e.digest}
        for e in log
        for kind, body in (_event(e.body),)
    ]


def json_text(data: dict[str, Any]) -> str:
    """JSON in lines, with control characters and those not allowed in a page (U+FFFE …) escaped."""
    import msgspec  # its encoder is ten times faster than the standard one with indents

    text = msgspec.json.format(msgspec.json.encode(data), indent=1).decode()
    return _NOT_ASCII.sub(lambda found: found[0] if found[0].isprintable() else json.dumps(found[0])[1:-1], text)


def _word(checks: list[Check]) -> str | None:
    found = worst([check.verdict for check in checks])
    return None if found is None else found.value


def _checklist(job: Job, round_id: str) -> dict[str, Any]:
    items: dict[str, Any] = {
        item.id: {"statement": item.statement, "answer": given}
        for item in job.checklist_in_force.items
        if (given := checklist.answer(job, round_id, item.id)) is not None
    }
    offset = checklist.offset_ms(job, round_id)
    return items if offset is None else {**items, LIP_SYNC: {"sound_after_picture_ms": rounded(offset, 1)}}


def _balance(result: seats.SeatsResult) -> dict[str, Any]:
    return {
        each.channel: {
            "group": each.group,
            "seats": list(each.seats),
            "tilt_db_per_octave": rounded(each.tilt_db, 2),
            "bands_db": {str(hz): rounded(value, 2) for hz, value in each.bands_db.items()},
            "tilt_from_group_db_per_octave": rounded(each.tilt_from_group_db, 2),
            "from_group_db": {str(hz): rounded(value, 2) for hz, value in (each.from_group_db or {}).items()},
        }
        for each in balances(result)
    }


def _quiet(result: quiet.QuietResult) -> dict[str, Any]:
    """Each state at its loudest seat; if measured at several seats, all of them under `seats`."""
    out: dict[str, Any] = {}
    for state, noises in result.by_state.items():
        worst = quiet.loudest(noises)
        assert worst is not None
        minus = {(each.state, each.seat): _difference(each) for each in result.differences}
        own = {each.seat: _noise(each) | {"minus": minus.get((state, each.seat))} for each in noises}
        out[clean_text(state)] = own[worst.seat] | ({"seats": own} if len(noises) > 1 else {})
    return out


def _by_octave(levels_db: Mapping[int, float]) -> dict[str, Any]:
    return {f"{quiet.nominal_hz(hz):g}": rounded(level, 1) for hz, level in levels_db.items()}


def _difference(each: quiet.Difference) -> dict[str, Any]:
    return {
        "state": clean_text(each.baseline),
        "laeq_db": rounded(each.change_db, 1),
        "uncertainty_db": rounded(each.u_db, 2),
        "bands_db": _by_octave(each.octaves_db),
        "source_laeq_db": rounded(each.source_db, 1),
    }


def _noise(noise: quiet.Noise) -> dict[str, Any]:
    """A noise result; levels are null if the microphone is not calibrated."""
    known = noise.calibrated
    bands = _by_octave(noise.octave_db)
    thirds = {f"{hz:g}": rounded(float(level), 1) for hz, level in zip(noise.third_hz, noise.third_db, strict=True)}
    return {
        "seat": noise.seat,
        "laeq_db": rounded(noise.laeq_db, 1) if known else None,
        "lceq_db": rounded(noise.lceq_db, 1) if known else None,
        "nc": None if noise.nc is None else rounded(noise.nc.value, 1),
        "nr": None if noise.nr is None else rounded(noise.nr.value, 1),
        "nc_bound": None if noise.nc is None else noise.nc.bound or None,
        "deciding_band_hz": None if noise.deciding_hz is None else quiet.nominal_hz(noise.deciding_hz),
        "bands_db": bands if known and bands else None,
        "third_octaves_db": thirds if known and thirds else None,
        "at_most_hz": [quiet.nominal_hz(hz) for hz in noise.at_most],
        "hum_hz": rounded(noise.hum_hz, 2),
        "hum_db": rounded(noise.hum_db, 1),
        "tones_hz": [rounded(each.frequency_hz, 0) for each in noise.tones],
        "calibrated": known,
        "why": noise.why_no_rating or None,
    }


def _wiring(
    result: wiring.WiringResult,
    leakages: Mapping[str, wiring.ChannelLeakage],
    noises: Mapping[str, wiring.ChannelNoise],
) -> dict[str, Any]:
    """Channels that were recorded as a sweep or at two levels, can be compared with others, or were recorded silent."""
    leaks = {c: each for c, each in leakages.items() if each.compared}
    out: dict[str, Any] = {}
    for channel in dict.fromkeys((*result.channels, *leaks, *noises)):
        load, leak, noise = result.channels.get(channel), leaks.get(channel), noises.get(channel)
        checks = [
            *(load.checks if load is not None else ()),
            *((leak.check,) if leak is not None else ()),
            *(noise.checks if noise is not None else ()),
        ]
        out[channel] = {
            **(_load(load) if load is not None else {}),
            **(_leakage(leak) if leak is not None else {}),
            **({"noise": _noise(noise.noise)} if noise is not None else {}),
            "verdict": _word(checks),
        }
    return out


def _leakage(each: wiring.ChannelLeakage) -> dict[str, Any]:
    return {
        "also_from": [
            {
                "channel": other.other,
                "level_db": rounded(other.level_db, 1),
                "uncertainty_db": rounded(other.u_db, 2),
                "later_ms": rounded(1000 * other.lag_s, 2),
                "seats": other.seats,
                "certain": other.certain,
            }
            for other in each.also
        ],
        "also_from_below_db": rounded(each.below_db, 1),
        "also_from_not_compared": list(each.not_compared),
    }


def _load(each: wiring.ChannelLoad) -> dict[str, Any]:
    compression, rattle = each.compression, each.rattle
    failed = any(check.id == "wiring.rattle" and check.verdict is Verdict.FAIL for check in each.checks)
    return {
        "seat": each.seat,
        "levels_db": [rounded(db, 1) for db in each.levels_db],
        "compression_db": rounded(compression.worst_db, 2),
        "compression_unexplained_db": rounded(compression.unexplained_db, 2),
        "compression_hz": compression.worst_hz,
        "compression_uncertainty_db": rounded(compression.u_db, 3) if compression.worst_hz is not None else None,
        "compression_bands_db": {
            ("31.5" if hz == 31 else str(hz)): rounded(db, 2) for hz, db in compression.by_octave_db.items()
        },
        "distortion": [
            {
                "level_db": rounded(found.drive_db, 1),
                "band": found.band,
                "percent": rounded(found.percent, 3),
                "at_most": found.at_most,
                "hz": found.worst_hz,
                "strongest_order": found.order,
                "orders_percent": {str(order): rounded(value, 3) for order, value in found.orders_percent.items()},
            }
            for found in each.distortion
        ],
        "rattle_hz": rounded(rattle.hz, 1) if failed else None,
        "rattle_db": rounded(rattle.above_db, 1),
    }


def _dialogue(result: dialogue.DialogueResult) -> dict[str, Any]:
    return {
        each.seat: {
            "sti": rounded(each.sti, 3),
            "sti_without_noise": rounded(each.sti_without_noise, 3),
            "sti_at_70_dba": rounded(each.sti_louder, 3),
            "c50_db": rounded(each.c50_db, 1),
            "speech_db": rounded(each.speech_db, 1),
            "noise_state": each.noise_state,
            "won": {
                "noise": rounded(each.gain_noise, 3),
                "reverberation": rounded(each.gain_room, 3),
                "level_3_db": rounded(each.gain_level, 3),
            },
            "centre_db": rounded(each.centre_db, 1),
            "verdict": each.check.verdict.value,
        }
        for each in result.seats
    }


def _levels(result: levels.LevelsResult) -> dict[str, Any]:
    if not result.channels:
        return {}
    channels = {
        c: {
            "level_db": rounded(each.level_db, 2),
            "readings": each.count,
            "uncertainty_db": rounded(each.u_db, 3),
            "match_db": rounded(each.match.value, 2),
            "match_uncertainty_db": rounded(each.match.uncertainty, 3),
            "more_readings": each.more,
            "target_db": rounded(each.target_db, 2),
            "old_trim_db": rounded(each.old_trim_db, 2) if each.old_trim_known else None,
            "trim_db": rounded(each.trim_db, 2),
            "trim_exact_db": rounded(each.trim_exact_db, 3),
            "predicted_db": rounded(each.predicted_db, 2),
            "residual_db": rounded(each.residual_db, 3),
            "at_limit": each.at_limit,
            "why": each.why_no_trim,
            "verdict": each.match.verdict.value,
        }
        for c, each in result.channels.items()
    }
    return {
        "offset_db": rounded(result.offset_db, 2),
        "proposed_offset_db": rounded(result.proposed_offset_db, 2),
        "reference_basis": result.basis,
        "common_db": rounded(result.common_db, 2),
        "common_uncertainty_db": None if result.budget_reference is None else rounded(result.budget_reference.u, 3),
        "sum": _sum(result),
        "channels": channels,
        "missing": list(result.missing),
    }


def _sum(result: levels.LevelsResult) -> dict[str, Any] | None:
    """The sum of all subwoofers; null if no measurement shows it."""
    found, check = result.together, result.sum_check
    if found is None:
        return None
    return {
        "level_db": rounded(found.level_db, 2),
        "excess_db": rounded(found.excess_db, 2),
        "origin": "reading" if found.is_read else "responses",
        "match_db": None if check is None else rounded(check.value, 2),
        "uncertainty_db": None if check is None else rounded(check.uncertainty, 3),
        "verdict": None if check is None else check.verdict.value,
    }


def _distances(visit: Visit, round_id: str) -> dict[str, Any]:
    result = distances.solve(visit.job, round_id, visit.analyses)
    if not result.channels:
        return {}
    unit = visit.job.system.processor.delay.unit
    waiting = awaiting_repair(visit.job, round_id, visit.analyses)
    channels = {}
    for c, each in result.channels.items():
        proposed = c not in waiting
        channels[c] = {
            "distance_m": rounded(each.distance_m, 3),
            "distance_from": each.origin,
            "delay_ms": _ms(each.setting.delay_s) if proposed else None,
            "setting": rounded(each.setting.setting, 4) if proposed else None,
            "setting_unit": unit,
            "held": rounded(each.held, 4),
            "held_error_ms": _ms(each.held_error_s),
            "rounding_ms": _ms(each.setting.error_s) if proposed else None,
            "why": waiting.get(c),
            "arrival_ms": _ms(each.arrival_s),
            "arrival_residual_ms": _ms(each.arrival_residual_s),
            "alignment_ms": _ms(each.alignment_s),
            "why_no_arrival": each.why_no_arrival,
            "verdict": _word([each.check_setting, each.check_arrival]),
        }
    fit = result.unit_fit
    return {
        "channels": channels,
        "latency_ms": _ms(result.latency_s),
        "held_ratio": rounded(result.held_ratio, 3),
        "unit_factor": None if fit is None else {"k": rounded(fit.factor, 3), "sd": rounded(fit.sd, 4)},
        "swapped": {c: {"place": place, "z": rounded(z, 1)} for c, (place, z) in result.swapped.items()},
        "seats": {
            s.seat: {"spread_predicted_ms": _ms(s.predicted_s), "spread_measured_ms": _ms(s.measured_s)}
            for s in result.seats
        },
        "missing": list(result.missing),
    }


def _ms(seconds: float | None) -> float | None:
    return None if seconds is None else rounded(1000 * seconds, 3)


def _seats(visit: Visit, round_id: str) -> dict[str, Any]:
    result = seats.solve(visit.job, round_id, visit.analyses)
    moved = {
        *elsewhere(visit.job, round_id, visit.analyses),
        *distances.solve(visit.job, round_id, visit.analyses).swapped,
    }
    out: dict[str, Any] = {}
    for (channel, seat), cell in result.cells.items():
        a = cell.analysis
        if a is None:
            if cell.problems:
                out.setdefault(seat, {})[channel] = {"problems": list(cell.problems)}
            continue
        out.setdefault(seat, {})[channel] = {
            "level_db": rounded(cell.level_db, 2),
            "level_is": "dB SPL" if result.calibrated else "relative",
            "bands_db": {str(centre): rounded(level, 2) for centre, level in a.octave_db.items()},
            "arrival_ms": _ms(cell.arrival_s),
            "polarity": {"alike": 1, "reversed": -1, "mistyped": -1}.get(result.polarity[channel].state),
            "polarity_is": result.polarity[channel].state,
            "own_sign": a.polarity,
            "snr_db": rounded(a.snr_db, 1),
            "low_hz": rounded(a.low_hz, 0),
            "high_hz": rounded(a.high_hz, 0),
            "clipped": a.clipped,
            "t20_s": _octaves(a.t20_s, 3),
            "edt_s": _octaves(a.edt_s, 3),
            "c50_db": _octaves(a.c50_db, 1),
            "reflections": _reflections(visit.job, channel, seat, a, planned=channel not in moved),
            "repeats": cell.repeats,
            "why": dict(a.why),
            "checks": [_check(check) for check in cell.checks],
        }
    return out


def _octaves(values: Mapping[int, float], digits: int) -> dict[str, float | None] | None:
    return {str(hz): rounded(value, digits) for hz, value in values.items()} or None


def _reflections(
    job: Job, channel: str, seat: str, analysis: Analysis, *, planned: bool
) -> list[dict[str, Any]] | None:
    """Reflections, strongest first; without a surface if the channel plays from another position than planned."""
    if analysis.reflections is None:
        return None
    speed_m_s = speed_of_sound_m_s(job.system.temperature_c)
    return [
        {
            "delay_ms": rounded(1000 * after_s, 2),
            "level_db": rounded(level_db, 1),
            "surface": (name := surface(job, channel, seat, after_s, speed_m_s) if planned else None),
            "point_m": _point(reflecting_point_m(job, channel, seat, name)),
        }
        for after_s, level_db in analysis.reflections
        if after_s >= OWN_SOUND_S
    ]


def _point(place: Position | None) -> list[float | None] | None:
    return None if place is None else [rounded(value, 3) for value in place]


def _predictions(visit: Visit) -> dict[str, Any]:
    """The change of every channel between rounds, predicted from its settings and measured."""
    found = compare.predictions(visit.job, visit.analyses)
    if found is None:
        return {}

    def change(each: compare.Quantity | None, factor: float) -> dict[str, Any] | None:
        if each is None:
            return None
        return {
            "predicted": rounded(factor * each.predicted, 3),
            "measured": rounded(factor * each.measured, 3),
            "uncertainty": rounded(factor * each.u, 3),
            "as_predicted": not each.is_off,
        }

    def pair(values: tuple[float, float] | None, factor: float) -> dict[str, Any] | None:
        if values is None:
            return None
        return {"predicted": rounded(factor * values[0], 3), "measured": rounded(factor * values[1], 3)}

    return {
        "from": found.rounds[0],
        "round": found.rounds[1],
        "common_db": rounded(found.common_db, 2),
        "sheet": None if found.sheet is None else {"event": found.sheet.seq, "at": found.sheet.at},
        "channels": {
            each.channel: {
                "as_predicted": None if each.level_db is None and each.delay_s is None else not each.is_off,
                "level_db": change(each.level_db, 1.0),
                "delay_ms": change(each.delay_s, 1000.0),
                "explanation": each.mistake or None,
                "why": each.why_not or None,
                "seats": {
                    seat: {"level_db": pair(at.level_db, 1.0), "arrival_ms": pair(at.arrival_s, 1000.0)}
                    for seat, at in each.seats.items()
                },
            }
            for each in found.channels.values()
        },
    }


def _variance(visit: Visit) -> dict[str, Any]:
    job, analyses = visit.job, visit.analyses
    out: dict[str, Any] = {}
    for r in job.rounds:
        found = seat_variance.variance_of_round(job, r, analyses)
        if found:
            out[r] = {
                c: {label: _band(result) for label, result in kinds["heard"].items()} for c, kinds in found.items()
            }
            out.setdefault("tone", {})[r] = {
                c: {label: _band(result) for label, result in kinds["tone"].items()} for c, kinds in found.items()
            }
    compared = compare.solve(job, analyses)
    if compared.rounds is not None:
        for kind, name in (("heard", "change"), ("tone", "tone_change")):
            out[name] = {
                c: {
                    label: {
                        "msv_db2": rounded(change.change_db2, 2),
                        "uncertainty_db2": rounded(change.u_db2, 3),
                        "k": rounded(change.k, 2),
                        "detectable_db": rounded(change.detectable_db, 2),
                        "verdict": change.word,
                    }
                    for label, change in each.bands[kind].items()
                }
                for c, each in compared.channels.items()
            }
        out["compared"] = list(compared.rounds)
        out["readings"] = {
            c: {seat: list(counts) for seat, counts in each.readings.items()} for c, each in compared.channels.items()
        }
        out["left_out"] = list(compared.left_out)
        out["repeatability"] = {
            "by_band_db": {k: rounded(v, 3) for k, v in compared.u_db.items()},
            "from": compared.u_from,
        }
    return out


def _band(result: seat_variance.BandResult) -> dict[str, Any]:
    return {
        "msv_db2": rounded(result.msv_db2, 2),
        "sd_db": rounded(result.sd_db, 2),
        "worst_seat": result.worst_seat,
        "worst_db": rounded(result.worst_db, 2),
        "uncertainty_db": rounded(result.u_sd_db, 3),
        "deviations_db": {seat: rounded(value, 2) for seat, value in result.deviations_db.items()},
    }


def _findings(visit: Visit) -> list[dict[str, Any]]:
    """The findings of every round, each with its fate in the newest one."""
    from commission.diagnosis.fates import history_of

    rounds = visit.job.rounds
    histories = visit.finding_histories(rounds[-1])
    found = [(r, finding) for r in rounds for finding in visit.findings(r)]
    remembered = [
        (each.round, each.first)
        for each in histories
        if not any(history_of(finding, (each,)) for _, finding in found)
    ]
    return [_finding(finding, r, history_of(finding, histories)) for r, finding in (*found, *remembered)]


def _finding(finding: Finding, round_id: str, history: FindingHistory | None) -> dict[str, Any]:
    return {
        "id": finding.id,
        "round": round_id,
        "cause": finding.cause,
        "title": finding.title,
        "channels": list(finding.channels),
        "seats": list(finding.seats),
        "confidence": finding.confidence,
        "evidence": list(finding.evidence),
        "alternatives": list(finding.alternatives),
        "confirm": finding.confirm,
        "remedy": finding.remedy,
        "status": None if history is None else history.proven.value,
        "status_channels": [] if history is None else list(history.open_channels),
        "actions": [
            {
                "action": each.body.action,
                "by": each.body.by,
                "at": each.at,
                "round": each.body.round,
                "note": each.body.note,
                "event": each.seq,
            }
            for each in (history.actions if history is not None else ())
        ],
    }


def _check(check: Check) -> dict[str, Any]:
    limit = check.limit
    return {
        "id": check.id,
        "channel": check.channel,
        "seat": check.seat,
        "value": rounded(check.value, 4),
        "unit": check.unit,
        "uncertainty": None if check.undecided else rounded(check.uncertainty, 4),
        "limit": None if limit is None else {"low": limit.low, "high": rounded(limit.high, 4), "basis": limit.basis},
        "verdict": check.verdict.value,
        "why": check.why_not,
    }


def _outcome(outcome: Outcome) -> dict[str, Any]:
    return {
        "state": outcome.state,
        "done": outcome.done,
        "total": outcome.total,
        "verdict": None if outcome.verdict is None else outcome.verdict.value,
        "main_result": outcome.main_result,
        "remarks": list(outcome.remarks),
        "checks": [_check(check) for check in outcome.checks],
        "budgets": [budget_values(budget) for budget in outcome.budgets],
    }


def _event(body: Any) -> tuple[str, Any]:
    """Kind and body as stored."""
    import msgspec

    from commission.model import EVENT_KINDS

    kind = next(name for name, body_type in EVENT_KINDS.items() if body_type is type(body))
    return kind, msgspec.to_builtins(body, order="sorted")
