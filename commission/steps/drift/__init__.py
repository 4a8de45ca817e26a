"""Since last time: what has changed since the visit that this one returns to, beyond the uncertainty of both?

The figures of the earlier visit came with the log (`EarlierVisit`); the same figures are computed from the first round of
this visit, before anything is changed, and subtracted. Changed settings are separated from drift: a change of level equal
to that of the trim is explained by it. `result` computes it.
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
)
from commission.model.formatting import number
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
There is nothing extra to measure: this step compares the first round of this visit, before you change anything, with the
state in which the earlier visit left the room.

1. Enter the **settings as found** first: somebody may have changed them. What a changed trim or delay
   explains is not a drift.
2. Go through the *Site* form: enter today's **temperature**, and the meter and microphone if they are different ones.
3. Read levels and measure responses **as found** at the same seats, the microphone within 5 cm of its earlier position.
   Two readings are better than one, and several seats better than one: only a change beyond U is called a drift.
4. A change that all main loudspeakers share (volume, microphone gain) is separated from the change of a single one.
"""

BASIS = "U of the difference of two visits (JCGM 100:2008, 5.1.2); k covers all comparisons together"
EXACT = "unchanged since the earlier visit; a setting has no uncertainty"
AS_HEARD = "measured polarity of the earlier visit, corrected for a changed setting"
WHAT = {
    TRIM: "trims",
    HELD: "delays or distances set",
    POLARITY: "polarity settings",
    LEVEL: "hand-read levels",
    RESPONSE: "responses",
    ARRIVAL: "arrivals",
    TAPE: "tape distances",
    HEARD: "measured polarities",
    SPREAD: "seat-to-seat standard deviations",
}
"""Kinds of figures, several of each."""
_INSTRUMENTS: tuple[tuple[InstrumentKind, str], ...] = (("meter", "level meter"), ("microphone", "microphone"))
_SHARED = {
    LEVEL: "the volume or the meter",
    RESPONSE: "the volume or the gain of the microphone",
    ARRIVAL: "the start of the clock",
}


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """Earlier and present figures, the change and its uncertainty."""
    earlier = job.earlier
    if earlier is None:
        return Outcome(step="drift", round=round_id, remarks=("This is not a return visit.",))
    base = compared_round(job)
    if round_id != base:
        return Outcome(
            step="drift",
            round=round_id,
            remarks=(
                f"The round {round_name(base)} is compared with the earlier visit; later rounds include the changes of "
                "this visit.",
            ),
        )
    result = solve(job, round_id, analyses)
    return Outcome(
        step="drift",
        round=round_id,
        done=len(result.drifts),
        total=len(result.drifts) + result.missing,
        checks=tuple(map(_check, result.drifts)),
        tables=tables(job, result, _check),
        advice=_advice(job, earlier, result),
        main_result=_main_result(result),
        remarks=(
            *_introduction(job, earlier, round_id),
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
        # The uncertainty is in the limit: "drifted" means that it is exceeded.
        limit=limit,
        text=f"{words}: change since the earlier visit",
        words="" if drift.quantity not in (POLARITY, HEARD) else _sign_words(drift),
    )


def _unchanged(quantity: str) -> Limit:
    """Check of settings and signs, which have no uncertainty."""
    _, unit, _ = describe(quantity)
    return Limit(low=0.0, high=0.0, unit=unit, basis=EXACT if quantity in SETTINGS else AS_HEARD)


def _sign_words(drift: Drift) -> str:
    return f"{sign_word(drift.before)} then, {sign_word(drift.now)} now"


def _introduction(job: Job, earlier: EarlierVisit, round_id: str) -> tuple[str, ...]:
    out = [
        f"Compared: this visit {round_name(round_id)} with “{earlier.title}” {round_name(earlier.round)}, closed "
        f"{earlier.closed_at[:10]} (file {earlier.file_name}, digest {earlier.digest[:16]}…)."
    ]
    if earlier.round == AS_FOUND and earlier.figures:
        out.append("That visit has no round as left, so its round as found is used.")
    if not earlier.figures:
        out.append("That visit has no values to compare with.")
    if earlier.not_typed_in:
        out.append(
            f"At that visit, the settings as left of {_names(earlier.not_typed_in)} were not ticked as applied. Where they "
            "differ now, they may never have been in the processor."
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
            f"{words}: the main channels share a change of {text} {unit} (median). It comes from {_SHARED[quantity]} and "
            "is subtracted from every channel."
        )
    if result.chain_turned:
        out.append(
            "Measured polarity: most main loudspeakers are inverted compared with last time. This points to the measuring "
            "chain, not the loudspeakers, and is corrected on every channel."
        )
    if result.absolute:
        out.append(
            "Levels are compared as read: with fewer than three main loudspeakers, a changed volume looks like a drift of "
            "every channel."
        )
    for kind_of, what in _INSTRUMENTS:
        then, now = (
            _instrument(system, kind_of)
            for system in (None if result.visits is None else result.visits.then, job.system)
        )
        then = earlier.meter if kind_of == "meter" and earlier.meter else then
        if then and now and then != now and (result.shared or result.absolute):
            counts = "U includes its class" if result.absolute else "only differences between channels are compared"
            out.append(f"The {what} is not that of last time (then {then}, now {now}): {counts}.")
    if ARRIVAL in result.shared and result.visits is not None and not result.visits.temperature_noted:
        celsius = number(job.system.temperature_c, 1)
        out.append(
            f"Today's air temperature is not entered: {celsius} °C from the earlier visit is used, within ±5 K."
        )
    return tuple(out)


def _instrument(system: System | None, kind_of: InstrumentKind) -> str:
    found = None if system is None else system.instrument(kind_of)
    return "" if found is None else f"{found.model} {found.serial}".strip()


def _apart_sentences(job: Job, result: DriftResult) -> tuple[str, ...]:
    """Figures that are not compared, with the reason; kinds with equal reason and channels share one sentence."""
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
        turned = quantity == HEARD and result.chain_turned  # has its own sentence: they have changed
        if same and not turned and not any(d.drifted for d in same):
            beside = ", apart from what the settings explain" if any(d.is_explained for d in same) else ""
            out.append(f"Unchanged: all {len(same)} {what}{beside}.")
    return tuple(out)


def _main_result(result: DriftResult) -> str:
    """Main result, settings first: changes of settings explain much."""
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
    """Advice until somebody has noted the answer."""
    changed = {d.channel for d in result.changed_settings()}
    answered = any(isinstance(e.body, Noted) and e.body.step == "drift" for e in job.notes)
    if answered or changed <= set(earlier.not_typed_in):
        return ()
    text = "Ask who changed the settings since last time, and note the answer in “Since last time” (n)."
    return (Advice(text=text, step="drift", priority=15),)


def _doubt(result: DriftResult) -> tuple[str, ...]:
    """Other possible causes of a drift, and how to distinguish them."""
    names = list(dict.fromkeys(d.channel or "" for d in result.drifted() if not d.quantity.startswith(SPREAD)))
    if not names:
        return ()
    return (
        "The cause of a drift may be the loudspeaker, its amplifier or its cable. It may also be an obstacle in front of "
        "it, a different position of the microphone, or a setting that was not entered. "
        f"Measure again before you repair anything: {_names(names, 8)}.",
    )


STEP = Step(
    id="drift",
    title="Since last time",
    question="What has changed since the visit that this one returns to, beyond the uncertainty of both?",
    help=HELP,
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
