"""Subwoofers that do not do what their settings say, from their responses before and after."""

from __future__ import annotations

from collections.abc import Iterator

from commission.diagnosis.calibration import ALL_DELAYS
from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FindingDetails, Found, Rule, signed
from commission.model.units import listed, round_name
from commission.steps.bass.verified import DELAY_OFF_S, GAIN_OFF_DB, SubChange, Verified, verify

BASIS = "determined by simulation (tests/steps/test_bass_verified.py)"


def _not_as_set(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    """Changed since the round before otherwise than its settings; left alone where the delays of all channels are wrong."""
    checked = verify(e.job, e.round, e.analyses)
    if isinstance(checked, str) or not checked.off:
        return
    if found.any(*ALL_DELAYS):
        return
    explanation = checked.explanation
    names = [each.sub for each in checked.off]
    single = names[0] if len(names) == 1 else None
    yield FindingDetails(
        title=explanation.text if explanation is not None else f"{listed(names)} not as entered",
        channels=tuple(names),
        evidence=tuple(_evidence(each, checked) for each in checked.off),
        alternatives=(
            "an entered setting was not in the processor during one of the measurements",
            "its own level control, phase switch or low-pass was changed, or a limiter acted",
            "the microphone's gain or position changed between its recordings",
        ),
        confirm=f"Look up trim, delay and polarity of {listed(names)} in the processor and compare them with the entries.",
        remedy=explanation.remedy
        if explanation is not None
        else f"Enter trim, delay and polarity of {single or 'these subwoofers'} again, and measure again.",
    )


def _evidence(each: SubChange, checked: Verified) -> str:
    parts = []
    if abs(each.gain_db - each.typed_gain_db) > GAIN_OFF_DB:
        parts.append(f"its level changed by {signed(each.gain_db)} dB, its trim by {signed(each.typed_gain_db)} dB")
    if each.delay_s is not None and abs(each.delay_s - each.typed_delay_s) > DELAY_OFF_S:
        heard, typed = (signed(1000 * v) for v in (each.delay_s, each.typed_delay_s))
        parts.append(f"its sound moved by {heard} ms, its setting by {typed} ms")
    if each.polarity is not None and each.polarity != each.typed_polarity:
        words = {1: "stayed as it was", -1: "turned over"}
        parts.append(f"its polarity {words[each.polarity]}, by the settings it {words[each.typed_polarity]}")
    if each.is_filter_missing:
        parts.append("its response over frequency changed as it would without the new filters")
    if each.limited_below_hz is not None:
        trim, hz = signed(each.typed_gain_db), f"{each.limited_below_hz:.0f} Hz"
        parts.append(f"above {hz} it became louder by its trim ({trim} dB), below that by less")
    return f"{each.sub}, {round_name(checked.before)} to {round_name(checked.after)}: {'; '.join(parts)}"


RULES = (
    Rule(
        id="settings.bass",
        check="bass.agreement",
        cause="settings",
        step="bass",
        symptom="bass not as predicted",
        look=_not_as_set,
        basis=f"{GAIN_OFF_DB:g} dB, {1000 * DELAY_OFF_S:g} ms or the sign between the two, guard-banded; {BASIS}",
    ),
)
