"""Since last time: what has changed since the visit that this one returns to, beyond the uncertainty of both?

The figures of the earlier visit came with the log (`EarlierVisit`); the same figures are made of the first round of this
visit, before anything is changed, and subtracted. What somebody set is told apart from what drifted: a level that moved by
just what its trim did is explained by it. `result` computes it.
"""

from __future__ import annotations

from collections.abc import Sequence

from commission.model import (
    AS_FOUND,
    Advice,
    Analyses,
    Check,
    CheckLimit,
    EarlierVisit,
    InstrumentKind,
    Job,
    Limit,
    Noted,
    Outcome,
    Step,
    System,
    Task,
)
from commission.model.show import number
from commission.model.units import round_name
from commission.steps.drift.budgets import UNITS
from commission.steps.drift.figures import (
    ARRIVAL,
    HEARD,
    HELD,
    LEVEL,
    POLARITY,
    RESPONSE,
    SETTINGS,
    SPREAD,
    TAPE,
    TRIM,
    kind,
)
from commission.steps.drift.result import Drift, DriftResult, compared_round, solve
from commission.steps.drift.tables import describe, sign_word, tables

HELP = """
Nothing of its own to measure: it holds the first round of this visit, before you change anything, against how the visit
before left the room.

1. Note the **settings as found** first: somebody may have changed them. What a changed trim or delay explains is no drift.
2. Go through the *Site* form: today's **temperature**, and meter and microphone if they are other ones.
3. Read levels and measure responses **as found** at the same seats, the microphone within 5 cm of where it stood. Two
   readings are better than one, and several seats better than one seat: only a change beyond U is called a drift.
4. What all loudspeakers have in common (volume, microphone gain) is told apart from what a single one did.
"""

BASIS = "no drift beyond U of the difference of two visits (JCGM 100:2008, 5.1.2; k for many comparisons at once)"
EXACT = "as the earlier visit left it; a setting is exact"
AS_HEARD = "polarity as heard at the earlier visit, less what its setting explains"
WHAT = {
    TRIM: "trims",
    HELD: "delays or distances held",
    POLARITY: "polarity settings",
    LEVEL: "levels read by hand",
    RESPONSE: "responses",
    ARRIVAL: "arrivals",
    TAPE: "distances by tape",
    HEARD: "polarities heard",
    SPREAD: "differences between seats",
}
"""Kinds of figures, several of each."""
_INSTRUMENTS: tuple[tuple[InstrumentKind, str], ...] = (("meter", "level meter"), ("microphone", "microphone"))
_SHARED = {
    LEVEL: "the volume, or the meter",
    RESPONSE: "the volume, or the gain of the microphone",
    ARRIVAL: "the start of the clock",
}


def plan(job: Job, round_id: str) -> tuple[Task, ...]:
    """Nothing of its own to measure."""
    return ()


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """Then, now, the change and its uncertainty."""
    earlier = job.earlier
    if earlier is None:
        return Outcome(step="drift", round=round_id, remarks=("This is not a return visit.",))
    base = compared_round(job)
    if round_id != base:
        later = "what is measured after it holds the changes of this visit"
        return Outcome(
            step="drift",
            round=round_id,
            remarks=(f"Compared with the earlier visit is the round {round_name(base)}: {later}.",),
        )
    result = solve(job, round_id, analyses)
    checks = {id(drift): _check(drift) for drift in result.drifts}
    return Outcome(
        step="drift",
        round=round_id,
        done=len(result.drifts),
        total=len(result.drifts) + result.missing,
        checks=tuple(checks.values()),
        tables=tables(job, result, checks),
        advice=_advice(job, earlier, result),
        stands_out=_stands_out(result),
        remarks=(
            *_opening(job, earlier, round_id),
            *_steady(result),
            *_shared_sentences(job, earlier, result),
            *_apart_sentences(job, result),
            *_doubt(result),
        ),
        budgets=tuple(d.budget for d in result.drifts if d.budget is not None),
    )


def _check(drift: Drift) -> Check:
    words, unit, _ = describe(drift.quantity)
    limit = Limit(low=-drift.expanded, high=drift.expanded, unit=unit, basis=BASIS)
    if drift.budget is None:
        limit = _unchanged(drift.quantity)
    return Check(
        id=f"drift.{drift.quantity.replace(' ', '.')}",
        channel=drift.channel,
        value=drift.change,
        unit=unit,
        # The uncertainty is in the limit: "drifted" is the word for what lies beyond it.
        limit=limit,
        text=f"{words}: change since the earlier visit",
        words="" if drift.quantity not in (POLARITY, HEARD) else _sign_words(drift),
    )


def _unchanged(quantity: str) -> Limit:
    """Of settings and signs, which have no uncertainty."""
    _, unit, _ = describe(quantity)
    return Limit(low=0.0, high=0.0, unit=unit, basis=EXACT if quantity in SETTINGS else AS_HEARD)


def _sign_words(drift: Drift) -> str:
    return f"{sign_word(drift.before)} then, {sign_word(drift.now)} now"


def _opening(job: Job, earlier: EarlierVisit, round_id: str) -> tuple[str, ...]:
    out = [
        f"Compared: this visit {round_name(round_id)} with “{earlier.title}” {round_name(earlier.round)}, closed "
        f"{earlier.closed_at[:10]} (file {earlier.file_name}, digest {earlier.digest[:16]}…)."
    ]
    if earlier.round == AS_FOUND and earlier.figures:
        out.append("That visit measured the room as found and holds no round as left.")
    if not earlier.figures:
        out.append("That visit holds no figures to compare with.")
    if earlier.not_typed_in:
        out.append(
            f"Settings as left of {_names(earlier.not_typed_in)} were not ticked as typed in at that visit: "
            "where they differ now, they may never have been in the processor."
        )
    return tuple(out)


def _shared_sentences(job: Job, earlier: EarlierVisit, result: DriftResult) -> tuple[str, ...]:
    out = []
    for quantity, shift in result.shared.items():
        words, unit, decimals = describe(quantity)
        if not round(shift, decimals):
            continue
        text = number(shift, decimals, signed=True)
        out.append(
            f"{words}: the mains have {text} {unit} in common (median), which is {_SHARED[quantity]}, and is taken off "
            "every channel."
        )
    if result.chain_turned:
        out.append(
            "Polarity heard: most main loudspeakers are turned over against last time, which is the measuring chain "
            "rather than they, and is taken off every channel."
        )
    if result.absolute:
        out.append(
            "Levels are compared as read: with fewer than three main loudspeakers a turned volume looks like a drift "
            "of all."
        )
    for kind_of, what in _INSTRUMENTS:
        then, now = (
            _instrument(system, kind_of)
            for system in (None if result.visits is None else result.visits.then, job.system)
        )
        then = earlier.meter if kind_of == "meter" and earlier.meter else then
        if then and now and then != now and (result.shared or result.absolute):
            counts = "its class is in U" if result.absolute else "only differences between channels count"
            out.append(f"Another {what} than last time ({then}, now {now}): {counts}.")
    if ARRIVAL in result.shared and result.visits is not None and not result.visits.temperature_noted:
        celsius = number(job.system.temperature_c, 1)
        out.append(f"Today's air temperature is not noted: {celsius} °C of the earlier visit is taken, within ±5 K.")
    return tuple(out)


def _instrument(system: System | None, kind_of: InstrumentKind) -> str:
    found = None if system is None else system.instrument(kind_of)
    return "" if found is None else f"{found.model} {found.serial}".strip()


def _apart_sentences(job: Job, result: DriftResult) -> tuple[str, ...]:
    """What is not compared, and why; kinds of figures that share reason and channels in one sentence."""
    together: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for (quantity, reason), places in result.apart.items():
        names = tuple(dict.fromkeys(channel for channel, _ in places if channel))
        together.setdefault((reason, names), []).append(WHAT[quantity])
    known = {channel.id for channel in job.system.channels}
    return tuple(
        f"Not compared, because {reason}: {', '.join(kinds)} "
        f"({'all channels' if known <= set(names) and len(known) > 1 else _names(names, 8)})."
        for (reason, names), kinds in together.items()
    )


def _steady(result: DriftResult) -> tuple[str, ...]:
    out = []
    for quantity, what in WHAT.items():
        same = [d for d in result.drifts if kind(d.quantity) == quantity]
        turned = quantity == HEARD and result.chain_turned  # told by itself: they are not as they were
        if same and not turned and not any(d.drifted for d in same):
            beside = ", but for what the settings explain" if any(d.is_explained for d in same) else ""
            out.append(f"As they were: all {len(same)} {what}{beside}.")
    return tuple(out)


def _stands_out(result: DriftResult) -> str:
    """Settings first: what somebody changed explains much."""
    changed = list(dict.fromkeys(d.channel or "" for d in result.changed_settings()))
    moved = list(dict.fromkeys(d.channel or "" for d in result.drifted()))
    parts = []
    if changed:
        parts.append(f"settings changed: {_names(changed)}")
    if moved:
        parts.append(f"drifted: {_names(moved)}")
    return "; ".join(parts)


def _names(names: Sequence[str], most: int = 4) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _advice(job: Job, earlier: EarlierVisit, result: DriftResult) -> tuple[Advice, ...]:
    """Until somebody has noted the answer."""
    changed = {d.channel for d in result.changed_settings()}
    answered = any(isinstance(e.body, Noted) and e.body.step == "drift" for e in job.notes)
    if answered or changed <= set(earlier.not_typed_in):
        return ()
    text = "Ask who changed the settings since last time, and note the answer with Since last time."
    return (Advice(text=text, step="drift", priority=15),)


def _doubt(result: DriftResult) -> tuple[str, ...]:
    """What else a drift may be, and how to find out."""
    names = list(dict.fromkeys(d.channel or "" for d in result.drifted() if not d.quantity.startswith(SPREAD)))
    if not names:
        return ()
    return (
        "What drifted may be the loudspeaker, its amplifier or cable; it may as well be what stands before it, a "
        "microphone put elsewhere, or a setting that nobody noted. "
        f"Measure again before anything is mended: {_names(names, 8)}.",
    )


STEP = Step(
    id="drift",
    title="Since last time",
    question="What has changed since the visit that this one returns to, beyond the uncertainty of both?",
    help=HELP,
    plan=plan,
    evaluate=evaluate,
    limits=(
        *(
            CheckLimit(
                check=f"drift.{quantity}.*" if quantity == SPREAD else f"drift.{quantity}",
                limit=Limit(unit=unit, basis=BASIS),
                low="−U",
                high="U",
                applies=f"change since the earlier visit: {WHAT[quantity]}",
            )
            for quantity, unit in UNITS.items()
        ),
        *(
            CheckLimit(
                check=f"drift.{quantity}",
                limit=_unchanged(quantity),
                applies=f"change since the earlier visit: {WHAT[quantity]}",
            )
            for quantity in (*SETTINGS, HEARD)
        ),
    ),
)
