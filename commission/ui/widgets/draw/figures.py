"""The appearance of verdicts, and of a check in a line, the same in every view."""

from __future__ import annotations

from commission.model import Check, Verdict
from commission.model.formatting import place_text, verdict_word
from commission.model.quantities import check_value, limit_text, uncertainty
from commission.model.units import clean_text

STYLES = {
    Verdict.PASS: "pass",
    Verdict.FAIL: "fail",
    Verdict.UNSURE: "unsure",
    Verdict.NOT_TESTED: "none",
}


def check_runs(check: Check | None, units: str = "metric") -> tuple[tuple[str, str], ...]:
    """A check in a line: verdict, what, value, limit, uncertainty, basis; or why it was not tested."""
    if check is None:
        return (("No check applies to this row.", "dim"),)
    word = (f"{verdict_word(check.verdict)}  ", STYLES[check.verdict])
    what = f"{place_text(check.channel, check.seat)} {clean_text(check.text)}".strip()
    value = check_value(check, units)
    has_value = check.value is not None or check.undecided
    text = f"{what}: {value}" if what and has_value else what or value
    if check.why_not is not None:
        return (word, (f"{text}; not tested, because {clean_text(check.why_not)}", "dim"))
    if check.limit is None:
        return (word, (f"{text}; no limit applies", "dim"))
    parts = [] if check.words else [f"limit {limit_text(check.limit, units)}"]
    if check.uncertainty > 0 and not check.words:
        parts.append(f"U = {uncertainty(check.uncertainty, check.unit, units)}")
    if check.limit.basis:
        parts.append(f"basis: {clean_text(check.limit.basis)}")
    return (word, (text, "mark"), ("   " + " · ".join(parts), "dim"))
