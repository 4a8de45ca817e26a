"""Compare: has each seat improved from as found to as left, beyond the repeatability of the measurement?

For each channel and for the subwoofers together: how much the seats differ (mean spatial variance, Welti & Devantier
2006, from memory) in each band before and after, the change with its uncertainty, each seat's deviation, the worst seat.
Two questions are kept apart: "what the seat hears" uses levels as measured; "evenness of tone" first subtracts each
seat's own broadband level, so that a change of level is not taken for a change of evenness. Only data in both rounds are
compared; the rest is listed. A third table compares the change of each channel with that of its settings (`predicted`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

import numpy as np

from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import Word
from commission.model import (
    Advice,
    Analyses,
    Budget,
    Check,
    CheckLimit,
    Column,
    Curve,
    FloatArray,
    Job,
    Limit,
    Outcome,
    Series,
    Step,
    Table,
    table_of,
)
from commission.model.formatting import number
from commission.model.units import round_name
from commission.steps.compare.prediction import Prediction, Predictions, Quantity, predictions, sentence
from commission.steps.compare.result import Change, ChannelCompare, CompareResult, rounds_to_compare, solve
from commission.steps.shared.seat_variance import HEARD, KINDS, TONE
from commission.steps.shared.subwoofers import SUBS

__all__ = ["Change", "CompareResult", "Quantity", "predictions", "rounds_to_compare", "solve"]

HELP = """
There is nothing to measure here: this step compares the two rounds.

- Measure **as left** at the same seats, with the same microphone, gain and volume as in **as found**.
- Repeat two positions in each round, and put the microphone down again for each: only a change beyond your
  repeatability counts. The mean of all readings of a seat is compared: with every seat repeated, smaller changes show.
- **What the seats hear** shows whether all seats hear the same; **evenness of tone** whether they hear the same balance,
  each at its own level. Filters and subwoofer settings change the second.
"""

NO_WORSE_BASIS = (
    "U = k u of the change, from the repeatability; k by Hommel 1988 (from memory), so that at most one table in "
    "twenty has a false result"
)


SEEN_DB = 1.0
"""Change of the standard deviation that should be detectable (common practice, no source)."""
Checks = dict[tuple[str, str, str], Check]
"""Checks by channel, kind and band."""


def evaluate(job: Job, round_id: str, analyses: Analyses) -> Outcome:
    """Before and after by both kinds; only in the later of the two rounds."""
    result = solve(job, analyses)
    if result.rounds is None:
        lines = (f"Not compared yet: {result.why_not}.",)
        if not job.responses:
            return Outcome(step="compare", round=round_id, remarks=lines)
        waits = Advice(text="To compare, enter the settings and measure as left.", step="compare", priority=70)
        main_result = "needs a round as left"
        return Outcome(step="compare", round=round_id, remarks=lines, advice=(waits,), main_result=main_result)
    if round_id != result.rounds[1]:
        return Outcome(
            step="compare",
            round=round_id,
            remarks=(f"The comparison is shown in the round {round_name(result.rounds[1])}.",),
        )
    checks = {
        (c, kind, label): _check(c, kind, label, change)
        for c, each in result.channels.items()
        for kind, bands in each.bands.items()
        for label, change in bands.items()
    }
    tables = (
        [make(result, kind, checks) for make in (_table, _seat_table) for kind in KINDS] if result.channels else []
    )
    expected = predictions(job, analyses)
    if expected is not None and any(each.word != "not compared" for each in expected.channels.values()):
        tables.append(_predictions_table(expected))
    tables += [_budget_table(result, checks)] if result.channels else []
    return Outcome(
        step="compare",
        round=round_id,
        done=len(result.channels),
        total=len(result.channels) + result.one_sided,
        checks=tuple(checks.values()),
        tables=tuple(tables),
        curves=tuple(curve for each in result.channels.values() for curve in _curves(job, each, result.rounds)),
        main_result=_main_result(result),
        remarks=(*_deviation_remarks(expected), *_remarks(result), *_weights_remark(job)),
        budgets=tuple(
            change.budget
            for each in result.channels.values()
            for bands in each.bands.values()
            for change in bands.values()
        ),
    )


def _deviation_remarks(expected: Predictions | None) -> tuple[str, ...]:
    """Deviations from the prediction, a sentence for each channel."""
    if expected is None:
        return ()
    return tuple(sentence(each, expected.rounds) for each in expected.channels.values() if each.is_off)


def _predictions_table(expected: Predictions) -> Table:
    """The change of every channel, by its settings and as measured."""

    def level(each: Prediction, name: str) -> float | None:
        return None if each.level_db is None else float(getattr(each.level_db, name))

    def delay(each: Prediction, name: str) -> float | None:
        return None if each.delay_s is None else 1000 * float(getattr(each.delay_s, name))

    return table_of(
        expected.channels.values(),
        (Column(key="channel", title="Channel"), lambda each: each.channel),
        (
            Column(key="level", title="Level predicted", unit="dB", decimals=1, signed=True),
            lambda each: level(each, "predicted"),
        ),
        (
            Column(key="level-measured", title="measured", unit="dB", decimals=1, signed=True),
            lambda each: level(each, "measured"),
        ),
        (
            Column(key="delay", title="Arrival predicted", unit="ms", decimals=2, signed=True),
            lambda each: delay(each, "predicted"),
        ),
        (
            Column(key="delay-measured", title="measured", unit="ms", decimals=2, signed=True),
            lambda each: delay(each, "measured"),
        ),
        (Column(key="word", title="Result"), lambda each: each.mistake or each.word),
        id="compare:predicted",
        title=f"Change from {round_name(expected.rounds[0])} to {round_name(expected.rounds[1])} by the settings",
        key=lambda each: f"predicted:{each.channel}",
        minor=lambda each: not each.is_off,
        verdicts=False,
        remark=f"Median over the seats, without what all main channels share. {_basis(expected)} Bass compares delays "
        "and polarities of subwoofers.",
    )


def _basis(expected: Predictions) -> str:
    """Source of the predicted changes, in one sentence."""
    if expected.sheet is None:
        return "Settings: as entered in both rounds."
    issued = f"the settings sheet issued in between (event {expected.sheet.seq})"
    return f"Predicted by {issued}, or by what was entered since where that differs."


def _budget_table(result: CompareResult, checks: Checks) -> Table:
    """Share of each source in the variance of a change, for the channel with the largest uncertainty."""
    sources = {"gain": "gain", "place": "microphone position", "noise": "noise", "second": "second order"}
    worst: dict[tuple[str, str], Budget] = {}
    for kind in KINDS:
        for each in result.channels.values():
            for label, change in each.bands[kind].items():
                known = worst.get((kind, label))
                worst[(kind, label)] = change.budget if known is None or change.budget.u > known.u else known
    Line = tuple[str, str, Budget]

    def share_of(source: str) -> Callable[[Line], float]:
        return lambda each: 100 * sum(each[2].share(line) for line in each[2].contributions if source in line.source)

    return table_of(
        [(kind, label, budget) for (kind, label), budget in worst.items()],
        (Column(key="question", title="Comparison"), lambda each: _QUESTIONS[each[0]]),
        (Column(key="band", title="Band Hz"), lambda each: each[1]),
        (Column(key="channel", title="Channel"), lambda each: each[2].channel),
        *((Column(key=key, title=title, unit="%", decimals=0), share_of(title)) for key, title in sources.items()),
        (Column(key="U", title="2 u", unit="dB²", decimals=1), lambda each: each[2].expanded),
        id="compare:uncertainty",
        title="Sources of the uncertainty of the change",
        key=lambda each: f"{each[2].channel}:{each[1]}",
        check=lambda each: checks[(each[2].channel or "", each[0], each[1])],
        verdicts=False,
        remark="Shares of the variance, for the channel with the largest uncertainty.",
    )


_QUESTIONS = {HEARD: "what the seats hear", TONE: "evenness of tone"}


def _check(channel: str, kind: str, label: str, change: Change) -> Check:
    """Check of a change. The uncertainty is in the limit here: better and worse mean that it is exceeded."""
    question = _QUESTIONS[kind]
    return Check(
        id=f"compare.{kind}.{label}",
        channel=channel,
        value=change.change_db2,
        unit="dB²",
        limit=Limit(high=change.expanded_db2, unit="dB²", basis=NO_WORSE_BASIS),
        text=f"change of the seat-to-seat variance, {question}, {label} Hz",
    )


_TITLES = {
    "heard": "What the seats hear: seat-to-seat standard deviation",
    "tone": "Evenness of tone: seat-to-seat standard deviation without the seats' levels",
}


def _table(result: CompareResult, kind: str, checks: Checks) -> Table:
    return table_of(
        _lines(result, kind),
        (Column(key="channel", title="Channel"), lambda each: each[0]),
        (Column(key="band", title="Band Hz"), lambda each: each[1]),
        (Column(key="before", title="Before", unit="dB", decimals=1), lambda each: each[2].before.sd_db),
        (Column(key="after", title="After", unit="dB", decimals=1), lambda each: each[2].after.sd_db),
        (Column(key="change", title="Change", unit="dB²", decimals=1, signed=True), lambda each: each[2].change_db2),
        (Column(key="U", title="U", unit="dB²", decimals=1), lambda each: each[2].expanded_db2),
        (Column(key="word", title="Result"), lambda each: each[2].word),
        (Column(key="worst", title="Worst seat"), lambda each: each[2].after.worst_seat),
        (Column(key="off", title="Off by", unit="dB", decimals=1), lambda each: each[2].after.worst_db),
        id=f"compare:{kind}",
        title=_TITLES[kind],
        key=lambda each: f"{each[0]}:{each[1]}",
        check=lambda each: checks[(each[0], kind, each[1])],
        minor=lambda each: not each[2].is_real,
        verdicts=False,
        remark="Worst seat: the largest deviation from the mean of the seats, after (rms over the band).",
    )


def _lines(result: CompareResult, kind: str) -> list[tuple[str, str, Change]]:
    """(channel, band, change) of every comparison of a kind."""
    return [
        (name, label, change) for name, each in result.channels.items() for label, change in each.bands[kind].items()
    ]


def _seat_table(result: CompareResult, kind: str, checks: Checks) -> Table:
    """Each seat's mean deviation from the seats' mean, before → after."""
    seats = list(dict.fromkeys(seat for each in result.channels.values() for seat in each.seats))
    what, how = (
        ("What each seat hears", "as measured") if kind == HEARD else ("Tone at each seat", "each at its own level")
    )
    return table_of(
        _lines(result, kind),
        (Column(key="channel", title="Channel"), lambda each: each[0]),
        (Column(key="band", title="Band Hz"), lambda each: each[1]),
        *((Column(key=seat, title=seat), partial(_before_after, seat)) for seat in seats),
        id=f"compare:{kind}:seats",
        title=f"{what} minus the mean, dB, before → after",
        key=lambda each: f"{each[0]}:{each[1]}",
        check=lambda each: checks[(each[0], kind, each[1])],
        minor=lambda each: not each[2].is_real,
        verdicts=False,
        remark=f"Mean over the band, against the mean of the seats, {how}.",
    )


def _before_after(seat: str, line: tuple[str, str, Change]) -> str | None:
    change = line[2]
    before, after = change.before.deviations_db.get(seat), change.after.deviations_db.get(seat)
    if before is None or after is None:
        return None
    return f"{number(before, 1, signed=True)} → {number(after, 1, signed=True)}"


def _curves(job: Job, each: ChannelCompare, rounds: tuple[str, str]) -> list[Curve]:
    """The spread over seats at every frequency, and each seat's level, before and after."""
    as_measured = "third octaves, as measured"

    def pair(before: FloatArray, after: FloatArray) -> tuple[Series, Series]:
        return (
            Series(name=rounds[0], x=GRID_HZ, y=before, kind="other"),
            Series(name=rounds[1], x=GRID_HZ, y=after, kind="main"),
        )

    channel = job.system.channel(each.channel)
    label = "Subwoofers together" if channel is None else channel.label
    before, after = (np.std(levels, axis=0) for levels in each.levels)
    spread = Curve(
        id=f"compare:{each.channel}",
        title=f"{label}: seat-to-seat standard deviation, {len(each.seats)} seats",
        channel=each.channel,
        caption=as_measured,
        series=pair(before, after),
        y_name="Standard deviation",
    )
    return [
        spread,
        *(
            Curve(
                id=f"compare:{each.channel}:{seat}",
                title=f"{label} at {seat}, before and after",
                y_unit="dB rel.",
                channel=each.channel,
                seat=seat,
                caption=as_measured
                if counts == (1, 1)
                else f"{as_measured}, mean of {counts[0]} and {counts[1]} readings",
                series=pair(each.levels[0][i], each.levels[1][i]),
            )
            for i, (seat, counts) in enumerate(each.readings.items())
        ),
    ]


def _main_result(result: CompareResult) -> str:
    words = [c.word for each in result.channels.values() for c in each.bands["tone"].values()]
    if not words:
        return ""
    better, worse, same = (words.count(word) for word in Word)
    return f"evenness of tone: {better} better, {worse} worse, {same} unchanged"


def _remarks(result: CompareResult) -> tuple[str, ...]:
    assert result.rounds is not None
    before_name, after_name = map(round_name, result.rounds)
    if not result.channels:
        reasons = dict.fromkeys(text.rsplit(": ", 1)[-1] for text in result.left_out)
        why = "; ".join(reasons) or "no channel was measured in both"
        return (f"No channel can be compared between {before_name} and {after_name}: {why}.",)
    changes = [
        (name, label, c)
        for name, each in result.channels.items()
        for kind in KINDS
        for label, c in each.bands[kind].items()
    ]
    remarks = [
        f"Compared: {before_name} (before) with {after_name} (after).",
        *((f"{SUBS}: all subwoofers playing together.",) if SUBS in result.channels else ()),
        *_means(result),
        result.u_from,
        *_coverage(changes),
        *_undetectable(changes),
        "The measured seats are all there are, so there is no sampling error.",
        "The scatter of the measurement is subtracted from the variance, but never below zero.",
    ]
    flat = sorted({f"{name} {label} Hz" for name, label, c in changes if c.before.floored or c.after.floored})
    if flat:
        remarks.append(f"Nothing beyond this scatter remains in {', '.join(flat)}.")
    remarks += _partial_band_remarks(result)
    remarks += [f"Not compared: {text}." for text in result.left_out]
    return tuple(remarks)


def _means(result: CompareResult) -> Iterator[str]:
    """How many readings the levels are the mean of, where they are."""
    assert result.rounds is not None
    counts = [n for each in result.channels.values() for n in each.readings.values()]
    spans = [(min(own), max(own)) for own in zip(*counts, strict=True)]
    if spans != [(1, 1), (1, 1)]:
        text = " and ".join(
            f"{least if least == most else f'{least} to {most}'} {round_name(name)}"
            for (least, most), name in zip(spans, result.rounds, strict=True)
        )
        yield f"Each level is the mean of the readings of a channel at a seat: {text}."


def _coverage(changes: list[tuple[str, str, Change]]) -> tuple[str, ...]:
    """Sentence on how U of a change is stated."""
    factors = [number(k, 1) for k in (f(c.k for _, _, c in changes) for f in (min, max))] if changes else []
    if not factors:
        return ()
    span = factors[0] if factors[0] == factors[1] else f"{factors[0]} to {factors[1]}"
    return (
        f"A change counts as better or worse only beyond its U = k u, with k = {span}. The more values a table compares, "
        "the larger is k: in a room where nothing changed, at most one table in twenty has a false result.",
    )


def _undetectable(changes: list[tuple[str, str, Change]]) -> list[str]:
    """Bands in which only a change larger than 1 dB is detected in about 19 of 20 cases."""
    channels: dict[str, dict[str, float]] = {}
    for name, label, change in changes:
        if change.detectable_db > SEEN_DB:
            own = channels.setdefault(label, {})
            own[name] = max(own.get(name, 0.0), change.detectable_db)
    texts = [f"{number(max(own.values()), 1)} dB at {label} Hz ({', '.join(own)})" for label, own in channels.items()]
    if not texts:
        return []
    return [f"Called worse in about 19 of 20 cases: a rise of the standard deviation by {'; '.join(texts)}."]


def _weights_remark(job: Job) -> tuple[str, ...]:
    weights = [seat.weight for seat in job.system.seats]
    if len(weights) > 1 and sum(weight > 0 for weight in weights) < 2:
        return ("Fewer than two seats have a weight, so all seats count equally here.",)
    if 0 in weights:
        return ("Seats without weight are shown but not counted.",)
    return ()


def _partial_band_remarks(result: CompareResult) -> list[str]:
    """Bands of which a loudspeaker lacks 3/16 of an octave or more, halfway between two grid points."""
    parts: dict[str, str] = {}
    for name, each in result.channels.items():
        for label, change in each.bands["tone"].items():
            low, high = (float(edge) for edge in label.split("-"))
            first, last = change.after.heard_hz
            if first > low * 2 ** (3 / 16):
                parts[label] = parts.get(label, "") + f", {name} from {first:.0f}"
            elif last < high / 2 ** (3 / 16):
                parts[label] = parts.get(label, "") + f", {name} to {last:.0f}"
    return [
        f"{label} Hz is compared only within the range of each loudspeaker: {text[2:]} Hz."
        for label, text in parts.items()
    ]


STEP = Step(
    id="compare",
    title="Compare",
    question="Did it get better, seat by seat, beyond the repeatability of the measurement?",
    help=HELP,
    evaluate=evaluate,
    limits=(
        *(
            CheckLimit(
                check=f"compare.{kind}.*",
                limit=Limit(unit="dB²", basis=NO_WORSE_BASIS),
                high="U",
                applies=f"change of the seat-to-seat variance in one band, {question}",
            )
            for kind, question in _QUESTIONS.items()
        ),
    ),
)
