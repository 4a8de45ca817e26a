"""Since last time: what has changed since the visit that this one returns to, beyond the uncertainty of both?

The figures of the earlier visit came with the log (`EarlierVisit`); the same figures are made of this visit's rounds and
subtracted. Where all loudspeakers moved alike, the volume or the microphone's gain differed, not the loudspeakers: the
median over the mains is told apart and taken off first. A drift counts beyond the uncertainty of the difference.
"""

from __future__ import annotations

from collections.abc import Mapping

from commission.model import (
    Advice,
    Analyses,
    Check,
    Column,
    EarlierVisit,
    Job,
    Limit,
    Outcome,
    Row,
    Step,
    Table,
    Task,
)
from commission.model.show import number
from commission.steps.drift_figures import (
    ARRIVAL,
    HELD,
    LEVEL,
    POLARITY,
    RESPONSE,
    SPREAD,
    TRIM,
    WHAT,
    Drift,
    DriftResult,
    kind,
    solve,
)

HELP = """
Nothing of its own to measure: it compares this visit's rounds with the visit before.

- Read levels and measure responses at the same seats as last time, with the same meter and microphone where you can.
- Note the settings as found: somebody may have changed them.
- What all loudspeakers have in common (volume, microphone gain) is told apart from what a single one did.
"""

BASIS = "no drift beyond U of the difference of two visits (JCGM 100:2008, 5.1.2; k for many comparisons at once)"
_MEASURED = {
    LEVEL: ("Level read by hand", "dB", 1),
    RESPONSE: ("Level of the response", "dB", 1),
    ARRIVAL: ("Arrival", "ms", 2),
}


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """Nothing of its own to measure."""
    return ()


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """Then, now, the change and its uncertainty."""
    earlier = job.earlier
    if earlier is None:
        return Outcome(step="drift", round=round_id, remarks=("This is not a return visit.",))
    result = solve(job, round_id, analyses)
    checks = {id(drift): _check(drift) for drift in result.drifts}
    drifted = [drift for drift in result.drifts if drift.drifted]
    opening = (
        f"Compared with “{earlier.title}”, round {earlier.round}, closed {earlier.closed_at[:10]} "
        f"(digest {earlier.digest[:16]}…)."
    )
    return Outcome(
        step="drift",
        round=round_id,
        done=len(result.drifts),
        total=len(result.drifts) + result.missing,
        checks=tuple(checks.values()),
        tables=_tables(job, result, checks),
        advice=_advice(result),
        stands_out=_stands_out(drifted),
        remarks=(opening, *_steady(result), *_shared_sentences(job, earlier, result), *result.only_then),
    )


def _check(drift: Drift) -> Check:
    words, unit, _ = _describe(drift.quantity)
    return Check(
        id=f"drift.{drift.quantity.replace(' ', '.')}",
        channel=drift.channel,
        value=drift.change,
        unit=unit,
        # The uncertainty is in the limit: "drifted" is the word for what lies beyond it.
        limit=Limit(low=-drift.expanded, high=drift.expanded, unit=unit, basis=BASIS),
        text=f"{words}: change since the earlier visit",
    )


def _describe(quantity: str) -> tuple[str, str, int]:
    """(words, unit, decimals)."""
    if quantity.startswith(SPREAD):
        return f"differences between seats, {quantity.split(' ')[-1]} Hz", "dB", 1
    if quantity in _MEASURED:
        return _MEASURED[quantity]
    return {
        TRIM: ("trim held", "dB", 1),
        HELD: ("delay or distance held", "", 2),
        POLARITY: ("polarity held", "", 0),
    }[quantity]


def _tables(job: Job, result: DriftResult, checks: Mapping[int, Check]) -> tuple[Table, ...]:
    groups = (
        ("settings", "Settings: then and now", (TRIM, HELD, POLARITY), False),
        ("levels", "Levels read by hand: then and now", (LEVEL,), True),
        ("responses", "Level of the responses, mean over the seats: then and now", (RESPONSE,), True),
        ("arrivals", "Arrival: then and now", (ARRIVAL,), True),
        ("spread", "Differences between seats (root of the variance): then and now", (SPREAD,), True),
    )
    out = []
    for name, title, quantities, measured in groups:
        drifts = [d for d in result.drifts if kind(d.quantity) in quantities]
        if not measured or name == "spread":
            drifts = [d for d in drifts if d.drifted]  # what is as it was fills no long table
        if drifts:
            out.append(_table(job, name, title, drifts, checks, measured=measured))
    return tuple(out)


def _table(
    job: Job, name: str, title: str, drifts: list[Drift], checks: Mapping[int, Check], *, measured: bool
) -> Table:
    unit, decimals = ("", 2) if not measured else _describe(drifts[0].quantity)[1:]
    spread, seats = name == "spread", any(d.seats for d in drifts)
    columns = [Column(key="channel", title="Channel")]
    columns += [Column(key="band", title="Band Hz")] if spread else []
    columns += [Column(key="what", title="What")] if not measured else []
    columns += [
        Column(key="then", title="Then", unit=unit, decimals=decimals),
        Column(key="now", title="Now", unit=unit, decimals=decimals),
        Column(key="change", title="Change", unit=unit, decimals=decimals, signed=True),
    ]
    columns += [Column(key="U", title="U", unit=unit, decimals=decimals)] if measured else []
    columns += [Column(key="word", title="In words")]
    columns += [Column(key="worst", title="Most at")] if seats else []
    rows = []
    for d in drifts:
        cells: list[float | str | None] = [d.channel or "all"]
        cells += [d.quantity.split(" ")[-1]] if spread else []
        cells += [_setting_word(job, d.quantity)] if not measured else []
        if d.quantity == POLARITY:
            cells += [_sign_word(d.before), _sign_word(d.now), None]
        else:
            cells += [d.before, d.now, d.change]
        cells += [d.expanded] if measured else []
        cells += [("drifted" if measured else "changed") if d.drifted else "as it was"]
        if seats:
            seat, change = max(d.seats, key=lambda each: abs(each[1]))
            cells += [f"{seat} ({number(change, decimals, signed=True)})" if len(d.seats) > 1 else seat]
        rows.append(Row(key=f"{d.quantity} {d.channel}", cells=tuple(cells), check=checks[id(d)]))
    remark = f"U = {drifts[0].k:.1f} u, for as many comparisons at once. " if measured else ""
    remark += "What is not listed is as it was." if spread or not measured else ""
    return Table(id=f"drift-{name}", title=title, columns=tuple(columns), rows=tuple(rows), remark=remark.strip())


def _sign_word(value: float) -> str:
    return "normal" if value > 0 else "reversed"


def _setting_word(job: Job, quantity: str) -> str:
    unit = job.system.processor.delay.unit
    held = f"{'delay' if unit == 'ms' else 'distance'} [{unit}]"
    return {TRIM: "trim [dB]", HELD: held, POLARITY: "polarity"}[quantity]


def _shared_sentences(job: Job, earlier: EarlierVisit, result: DriftResult) -> tuple[str, ...]:
    out = []
    for quantity, shift in result.shared.items():
        words, unit, decimals = _describe(quantity)
        text = number(shift, decimals, signed=True)
        out.append(
            f"{words}: the mains have {text} {unit} in common (median), which is volume, gain or the start of the "
            "clock and is taken off every channel."
        )
    meter = job.system.instrument("meter")
    now = f"{meter.model} {meter.serial}".strip() if meter is not None else ""
    if earlier.meter and now and earlier.meter != now:
        out.append(f"Another level meter than last time ({earlier.meter}): only differences between channels count.")
    return tuple(out)


def _steady(result: DriftResult) -> tuple[str, ...]:
    out = []
    for quantity, what in WHAT.items():
        same = [d for d in result.drifts if kind(d.quantity) == quantity]
        if same and not any(d.drifted for d in same):
            out.append(f"As they were: all {len(same)} {what}.")
    return tuple(out)


def _stands_out(drifted: list[Drift]) -> str:
    """Settings first: what somebody changed explains what has drifted."""
    changed = list(dict.fromkeys(d.channel or "" for d in drifted if d.quantity in (TRIM, HELD, POLARITY)))
    moved = list(dict.fromkeys(d.channel or "" for d in drifted if d.quantity not in (TRIM, HELD, POLARITY)))
    parts = []
    if changed:
        parts.append(f"settings changed: {_names(changed)}")
    if moved:
        parts.append(f"drifted: {_names(moved)}")
    return "; ".join(parts)


def _names(names: list[str]) -> str:
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def _advice(result: DriftResult) -> tuple[Advice, ...]:
    if any(d.drifted and d.quantity in (TRIM, HELD, POLARITY) for d in result.drifts):
        text = "Ask who changed the settings since last time, before you measure."
        return (Advice(text=text, step="drift", priority=15),)
    return ()


STEP = Step(
    id="drift",
    title="Since last time",
    question="What has changed since the visit that this one returns to, beyond the uncertainty of both?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
)
