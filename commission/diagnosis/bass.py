"""Subwoofers that do not play as set, from their responses before and after."""

from __future__ import annotations

from collections.abc import Iterator

from commission.diagnosis.delay_settings import ALL_DELAYS
from commission.diagnosis.evidence import Evidence
from commission.diagnosis.room import SPOILT
from commission.diagnosis.rule import FindingDetails, Findings, Rule, signed
from commission.dsp.crossover import HOLE_DB, INVERTING_GAINS_DB, SLOPE_GAINS_DB, HoleReason
from commission.model.formatting import number
from commission.model.units import listed, round_name
from commission.model.verdict import surely_above
from commission.steps.bass.explanation import DELAY_OFF_S, GAIN_OFF_DB, SubChange
from commission.steps.bass.placing import front_of_round
from commission.steps.bass.result import LEAST_CROSSOVER_DB, in_use, solve_round
from commission.steps.bass.verification import AGREEMENT_DB, AGREEMENT_U_DB, Verification, verify

BASIS = "determined by simulation (tests/steps/test_bass_verification.py)"


def _not_as_set(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Subwoofers that changed since the round before, but not as set; ignored where the delays of all
    channels are wrong.
    """
    checked = verify(e.job, e.round, e.analyses)
    if isinstance(checked, str) or not checked.off:
        return
    if found.any(*ALL_DELAYS):
        return
    explanation = checked.explanation
    names = list(explanation.subs) if explanation is not None else [each.sub for each in checked.off]
    single = names[0] if len(names) == 1 else None
    yield FindingDetails(
        title=explanation.text if explanation is not None else f"{listed(names)} not as entered",
        channels=tuple(names),
        evidence=tuple(_evidence(each, checked) for each in checked.off),
        alternatives=(
            "an entered setting was not in the processor during one of the measurements",
            "it was moved, its own level control, phase switch or low-pass was changed, or a limiter acted",
            "the microphone's gain or position changed between its recordings",
        ),
        confirm=f"Look up trim, delay and polarity of {listed(names)} in the processor and compare them with the entries.",
        remedy=explanation.remedy
        if explanation is not None
        else f"Enter trim, delay and polarity of {single or 'these subwoofers'} again, and measure again.",
    )


def _evidence(each: SubChange, checked: Verification) -> str:
    parts = []
    if abs(each.gain_db - each.typed_gain_db) > GAIN_OFF_DB:
        parts.append(f"its level changed by {signed(each.gain_db)} dB, its trim by {signed(each.typed_gain_db)} dB")
    if each.delay_s is not None and abs(each.delay_s - each.typed_delay_s) > DELAY_OFF_S:
        heard, typed = (signed(1000 * v) for v in (each.delay_s, each.typed_delay_s))
        parts.append(f"its arrival changed by {heard} ms, its setting by {typed} ms")
    if each.polarity is not None and each.polarity != each.typed_polarity:
        words = {1: "stayed as it was", -1: "turned over"}
        parts.append(f"its polarity {words[each.polarity]}, by the settings it {words[each.typed_polarity]}")
    if each.is_filter_missing:
        parts.append("its response over frequency changed as it would without the new filters")
    if each.limited_below_hz is not None:
        trim, hz = signed(each.typed_gain_db), f"{each.limited_below_hz:.0f} Hz"
        parts.append(f"above {hz} it became louder by its trim ({trim} dB), below that by less")
    return f"{each.sub}, {round_name(checked.before)} to {round_name(checked.after)}: {'; '.join(parts)}"


def _not_as_predicted(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Seats whose bass differs from the prediction although every subwoofer changed as set."""
    checked = verify(e.job, e.round, e.analyses)
    if isinstance(checked, str) or checked.off:
        return
    moved = found.seats("measurement.microphone", "measurement.microphone-not-moved")
    off = {
        seat: value
        for seat, value in zip(checked.seats, checked.agreement_db, strict=True)
        if seat not in moved and value is not None and surely_above(value, AGREEMENT_DB, AGREEMENT_U_DB)
    }
    few = len(off) <= max(1, len(checked.seats) // 3)
    if not off:
        return
    yield FindingDetails(
        title=f"microphone likely moved at {listed(list(off))}"
        if few
        else f"bass not as predicted at {listed(list(off))}",
        seats=tuple(off),
        evidence=(
            f"bass {', '.join(f'{seat}: {number(value, 1)} dB' for seat, value in off.items())} from its prediction "
            f"(rms, limit {AGREEMENT_DB:g} dB, u {AGREEMENT_U_DB:g} dB)",
            f"each subwoofer changed as its settings did, {round_name(checked.before)} to {round_name(checked.after)}",
        ),
        alternatives=(
            "a door, a curtain or furniture was moved between the rounds"
            if few
            else "the microphone was not at its earlier position at these seats",
            "a subwoofer was moved",
        ),
        confirm=f"Measure the subwoofers at {next(iter(off))} again, with the microphone as {round_name(checked.before)}.",
        remedy="Mark the place of the microphone at each seat, and measure again.",
    )


def _hole(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Subwoofers and front loudspeakers that partly cancel around the crossover, if another setting is much louder."""
    front = front_of_round(e.job, e.round, e.analyses)
    if isinstance(front, str) or front.hole is None:  # without the search, which is slow
        return
    result = solve_round(e.job, e.round, e.analyses)
    if isinstance(result, str) or result.crossover is None:
        return
    crossover, hole, subs = result.crossover, front.hole, listed(result.measured.subs)
    if found.any(*ALL_DELAYS) or found.channels(*SPOILT, MISTYPED) & {*crossover.mains, *result.measured.subs}:
        return
    mains, hz, late_ms = listed(crossover.mains), f"{crossover.hz:.0f} Hz", 1000 * hole.delay_s
    turned = "turned over" if hole.polarity < 0 else ""
    moved = f"{number(abs(late_ms), 1)} ms {'later' if late_ms > 0 else 'earlier'}" * (abs(late_ms) >= LEAST_MOVE_MS)
    other = " and ".join(part for part in (turned, moved) if part)
    setting = f" ({signed(hole.delay_s / result.space.slope_s)} {e.job.system.processor.delay.unit})" * bool(moved)
    by_sheet = in_use(e.job, result) and crossover.gain_db >= LEAST_CROSSOVER_DB
    yield FindingDetails(
        title=f"sum at the crossover ({hz}): {number(hole.gain_db, 1)} dB more with the subwoofers {other}",
        channels=crossover.mains,
        evidence=(
            f"the sum of {mains} with {subs} is {number(-hole.loss_db, 1)} dB below both in phase through the octave "
            f"around {hz} (measured, mean over the seats, threshold {number(-HOLE_DB, 0)} dB)",
            f"with {subs} {other} it is {number(hole.gain_db, 1)} dB louder (calculated), {number(SLOPE_GAINS_DB, 0)} dB "
            f"or more at {100 * hole.gain_seat_share:.0f} % of the seats",
            f"the other polarity alone adds {number(hole.inverting_gains_db, 1)} dB (threshold "
            f"{number(INVERTING_GAINS_DB, 0)} dB), at {100 * hole.seat_share:.0f} % of the seats",
        ),
        alternatives=(
            f"most likely, {HOLE_REASONS[hole.reason]}",
            *(text for reason, text in HOLE_REASONS.items() if reason != hole.reason),
        ),
        confirm=f"Play noise around {hz} on {crossover.mains[0]} and {subs}: that setting is louder.",
        remedy=f"Set the subwoofers as the settings sheet says (calculated: {number(crossover.gain_db, 1)} dB louder). "
        "Measure again."
        if by_sheet
        else f"Enter {subs} {other}{setting}, where the processor can do so, and measure again.",
    )


MISTYPED = "settings.bass"
LEAST_MOVE_MS = 0.1
HOLE_REASONS: dict[HoleReason, str] = {
    "slope": "the slopes of low-pass and high-pass do not match at the polarity set, or one filter is off",
    "polarity": "the polarity or phase switch of all subwoofers was set for another crossover",
    "delay": "the subwoofers arrive earlier or later than their settings imply: latency, or distances",
}

RULES = (
    Rule(
        id="measurement.bass-place",
        check="bass.agreement",
        symptom="bass not as predicted at single seats",
        look=_not_as_predicted,
        basis=f"{AGREEMENT_DB:g} dB rms at a seat, guard-banded, all subwoofers as set; {BASIS}",
        place="seat",
    ),
    Rule(
        id=MISTYPED,
        check="bass.agreement",
        explains=("seats.polarity",),
        symptom="bass not as predicted",
        look=_not_as_set,
        basis=f"{GAIN_OFF_DB:g} dB, {1000 * DELAY_OFF_S:g} ms or the sign between the two, guard-banded; {BASIS}",
    ),
)
LAST = (
    Rule(
        id="settings.crossover",
        check="bass.crossover",
        symptom="hole at the crossover",
        look=_hole,
        basis=f"sum {number(HOLE_DB, 0)} dB or less re both in phase, {INVERTING_GAINS_DB:g} dB or more by the other "
        f"polarity, or {SLOPE_GAINS_DB:g} dB with slopes below 18 dB per octave, at two thirds of the seats; determined by "
        "simulation (tests/bench/holes.py)",
    ),
)
"""Rules about settings that can be improved, after those about wrong settings."""
