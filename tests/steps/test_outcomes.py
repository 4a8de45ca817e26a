"""Every step returns the declared types, consistent in themselves, whatever data the visit has.

Screens, text and paper render outcomes of any step and rely on the types in `commission.model.outcome`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from functools import cache
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np
import pytest
from builders import cinema, decided, defined, job_of, levels, setting, tapes
from numpy.typing import NDArray
from quiet_rooms import FULL_SCALE_DB, nc_noise
from sound_room import SoundRoom, stored

from commission.diagnosis import findings
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    Analyses,
    Check,
    EventBody,
    Finding,
    Instrument,
    Job,
    Noted,
    Outcome,
    Processor,
    RoundOpened,
    Signed,
    Verdict,
)
from commission.model.budget import Budget, Contribution
from commission.steps import TITLES, all_steps
from commission.steps.drift.figures import earlier_visit

UNITS = {
    "",
    "dB",
    "dB rel.",
    "dB²",
    "ms",
    "m",
    "ft",
    "mm",
    "K",
    "°C",
    "°",
    "Hz",
    "m/s",
    "%",
    "NC",
    "STI",
    "dB(A)",
    "dB/oct",
}
DECIMALS = {
    "%": {0},
    "Hz": {0},
    "dB": {1},
    "dB(A)": {1},
    "dB rel.": {1},
    "dB²": {1},
    "dB/oct": {1},
    "m": {2},
    "ms": {2},
    "°": {0},
}
"""What tables print: a centimetre, a tenth of a decibel (common practice, no source)."""
OTHER_DECIMALS = {
    ("trims", "exact"): 2,
    ("trims", "residual"): 2,
    ("trims", "correction"): 2,
    ("reference", "snr"): 0,
}
OTHER_DECIMALS |= {("modes", "frequency"): 1, ("delays", "deg80"): 1}
OTHER_DECIMALS |= {("spread", "predicted"): 1, ("spread", "measured"): 1, ("by-seat", "spread"): 1}
OTHER_DECIMALS |= {("bass:changes", "typed-delay"): 1, ("bass:changes", "delay"): 1}
"""Exact values beside rounded ones; a ratio that needs no more; what low frequencies need."""
NAMES = {"Budget": Budget, "NDArray": NDArray, "np": np, "Any": Any}


@cache
def hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind, localns=NAMES)


def mismatches(kind: Any, value: object, path: str) -> Iterator[str]:
    """Paths of values that are not of the declared type."""
    origin, args = get_origin(kind), get_args(kind)
    fits = True
    if origin in (Union, UnionType):
        fits = any(not [*mismatches(each, value, path)] for each in args)
    elif origin is Literal:
        fits = value in args
    elif origin is tuple:
        fits = isinstance(value, tuple) and (args[-1] is ... or len(args) == len(value))
        kinds = args[:1] * len(value) if args[-1] is ... else args  # type: ignore[arg-type]
        for index, (each, item) in enumerate(zip(kinds, value, strict=True) if fits else ()):  # type: ignore[call-overload]
            yield from mismatches(each, item, f"{path}[{index}]")
    elif origin is dict:
        for key, item in value.items():  # type: ignore[attr-defined]
            yield from mismatches(args[0], key, f"{path} key")
            yield from mismatches(args[1], item, f"{path}[{key}]")
    elif is_dataclass(kind):
        fits = isinstance(value, kind)  # type: ignore[arg-type]
        for field in fields(kind) if fits else ():
            yield from mismatches(hints(kind)[field.name], getattr(value, field.name), f"{path}.{field.name}")  # type: ignore[arg-type]
    elif kind is float:
        fits = isinstance(value, (int, float)) and not isinstance(value, bool)
    else:
        fits = isinstance(value, NoneType if kind is None else origin or kind)
    if not fits:
        yield f"{path}: {value!r} is no {kind}"


CHANNELS = ["FL", "FC", "FR", "SiL", "SiR", "BL", "BR", "TpFL", "SUB1", "SUB2"]


def room_of(seed: int) -> SoundRoom:
    processor = Processor(speed_of_sound_m_s=340.0)
    return SoundRoom(cinema(CHANNELS, ["A1", "A2", "A3", "B1"], processor=processor), seed=seed)


def faulty_room() -> SoundRoom:
    room = room_of(1).reverse("FL").add_db("SiL", -24, above_hz=3000).add_db("FC", -3).delay("BR", 0.004)
    room.add_db("BL", -7, ["A3"], above_hz=4000).add_db(None, 4, ["B1"]).change("SiR", ["A1"], clipped=True)
    return room.change("TpFL", ["A3"], snr_db=4.0)


def whole_visit() -> tuple[Job, Analyses]:
    found, left = faulty_room(), room_of(2)
    read = dict.fromkeys(found.distances_m, 75.0) | {"FC": 71.0, "SUB1": 79.5}
    bodies: list[EventBody] = [
        *found.bodies(),
        *levels(read, seat="A1"),
        *levels({"FR": (75.0, 75.6, 74.8)}),
        setting("FR", distance=12.3, polarity="reversed"),
        decided("levels", "offset", "-1"),
        Noted(step="seats", round=AS_FOUND, text="the curtain was drawn"),
        RoundOpened(round=AS_LEFT),
        *left.bodies(AS_LEFT),
        setting("FC", round_id=AS_LEFT, trim_db=1.5, applied=True),
        Signed(role="technician", name="A. Moor"),
    ]
    heard = [*found.analysed(), *left.analysed(AS_LEFT, 5000)]
    return job_of(defined(found.system), *bodies, *stored(heard)), Analyses(heard)


def return_visit() -> tuple[Job, Analyses]:
    before, heard = whole_visit()
    earlier = earlier_visit(before, heard, file_name="then.commission", program_version="0.1.0")
    room = room_of(3).add_db("SiR", -4).delay("BL", 0.002)
    read = dict.fromkeys(room.distances_m, 76.0) | {"SiR": 71.0}
    return job_of(
        defined(room.system), earlier, *levels(read), *tapes(room.distances_m), setting("FL", trim_db=-1.0)
    ), room.analyses()


def only_begun() -> tuple[Job, Analyses]:
    return job_of(defined(room_of(1).system), *levels({"FL": 75.0})), Analyses()


def quiet_visit() -> tuple[Job, Analyses]:
    microphone = Instrument(kind="microphone", full_scale_db=FULL_SCALE_DB, self_noise_db=5.0)
    loud = nc_noise(30, 2, lines={50: 52.0, 100: 46.0, 150: 40.0})
    short = [nc_noise(17, 1, state="everything off", seconds=4.0), nc_noise(25, 3, state="projector", seconds=4.0)]
    return job_of(defined(cinema(instruments=(microphone,)))), Analyses((), [*short, loud])


Said = list[tuple[Job, Outcome]]


@pytest.fixture(scope="module")
def printed() -> tuple[Said, list[Finding]]:
    """Every outcome of every round of the visits, and the findings."""
    out: Said = []
    found: list[Finding] = []
    for make in (whole_visit, return_visit, only_begun, quiet_visit):
        job, analyses = make()
        for round_id in job.rounds:
            outcomes = {step.id: step.evaluate(job, round_id, analyses) for step in all_steps()}
            assert [(each.step, each.round) for each in outcomes.values()] == [(name, round_id) for name in TITLES]
            out += [(job, each) for each in outcomes.values()]
            found += findings(job, round_id, analyses, outcomes)
    return out, found


def test_outcomes_and_findings_are_of_the_types_they_declare(printed: tuple[Said, list[Finding]]) -> None:
    outcomes, found = printed
    wrong = [text for _, each in outcomes for text in mismatches(Outcome, each, each.step)]
    wrong += [text for each in found for text in mismatches(Finding, each, each.id)]
    assert wrong == []
    assert len(found) > 5 and sum(len(each.checks) for _, each in outcomes) > 200, "much is looked at"


def test_checks_have_a_place_a_unit_and_a_reason(printed: tuple[Said, list[Finding]]) -> None:
    for job, outcome in printed[0]:
        channels, seats = {c.id for c in job.system.channels} | {"SUBS"}, {s.id for s in job.system.seats}
        for check in outcome.checks:
            assert check.id.startswith(f"{outcome.step}."), check
            assert check.channel is None or check.channel in channels, check
            assert check.seat is None or check.seat in seats, check
            assert check.text or check.value is None, check
            assert check.unit in UNITS, check
            if check.limit is not None:
                assert check.limit.unit == check.unit and check.limit.basis, check
            if check.verdict is Verdict.NOT_TESTED:
                assert check.why_not, check
            else:
                assert check.value is not None and math.isfinite(check.value), check
            assert check.uncertainty >= 0, check


def test_tables_grids_curves_and_plans_fit_together(printed: tuple[Said, list[Finding]]) -> None:
    for job, outcome in printed[0]:
        channels, seats = {c.id for c in job.system.channels} | {"SUBS"}, {s.id for s in job.system.seats}
        assert len({each.id for each in outcome.tables}) == len(outcome.tables)
        for table in outcome.tables:
            assert table.id and table.title
            assert len({each.key for each in table.columns}) == len(table.columns), table.id
            assert all(each.key and each.title and each.unit in UNITS for each in table.columns), table.id
            # Programs read columns by key: small letters, the U of an uncertainty, or the label of a channel or seat.
            labels = channels | seats | {"U"}
            assert all(each.key == each.key.lower() or each.key in labels for each in table.columns), table.id
            assert len({(each.key, each.cells[0]) for each in table.rows}) == len(table.rows), table.id
            for column in table.columns:
                if column.decimals is not None and column.unit:
                    usual, other = DECIMALS[column.unit], OTHER_DECIMALS.get((table.id, column.key))
                    assert column.decimals in (usual if other is None else {other}), (table.id, column)
            for row in table.rows:
                for column, cell in zip(table.columns, row.cells, strict=True):
                    assert isinstance(cell, (str, NoneType)) or column.decimals is not None, (table.id, column, cell)
                    if column.title == "U" and row.check is not None and row.check.uncertainty and cell is not None:
                        # 20 %: the check may use another difference of the same arrivals, which then includes a median
                        assert cell == pytest.approx(2 * row.check.uncertainty, rel=0.2), (table.id, row)
                if row.check is not None:
                    assert row.check in outcome.checks or row.check.channel is not None, row
        for grid in outcome.grids:
            assert set(grid.channels) <= channels and set(grid.seats) <= seats
            assert {*grid.cells} <= {(c, s) for c in grid.channels for s in grid.seats}
            curves = {each.id for each in outcome.curves}
            assert all(cell.curve_id is None or cell.curve_id in curves for cell in grid.cells.values())
        for curve in outcome.curves:
            assert curve.channel is None or curve.channel in channels
            for series in curve.series:
                assert series.x.shape == series.y.shape and np.all(np.diff(series.x) > 0), curve.id
        for plan in outcome.room_plans:
            assert {each.label for each in plan.items} <= channels | seats | {"screen"} | {
                c.name for c in job.system.channels
            }


def test_remarks_are_sentences_without_gaps(printed: tuple[Said, list[Finding]]) -> None:
    for _, outcome in printed[0]:
        for text in outcome.remarks:
            assert not re.search(r": ?\.|\bNone\b|\bnan\b| {2}| ,|\(\)", text), text


BOUNDS = re.compile(r"(±|steps of )(\d[\d.]*) ?(dB|mm|cm|m|K)\b(?!.*k = 2)")
IN_METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0}


def assert_as_stated(each: Contribution) -> None:
    """An uncertainty matches the bounds in its words, and the weight of a mean or median its count."""
    stated = BOUNDS.search(f"{each.source}, {each.basis}")
    if stated is not None and (stated[3] == each.unit or each.unit == "m"):
        half = float(stated[2]) * IN_METRES.get(stated[3], 1.0) / (1 if stated[1] == "±" else 2)
        # Rectangular (JCGM 100 4.3.7). 14 %: some are stated with a single digit, such as 5 mm for ±1 cm.
        assert each.u == pytest.approx(half / math.sqrt(3), rel=0.14), each
    if each.source.endswith((" place by hand", "laces by hand")) and each.unit == "m":
        # Each of them to ±2 cm, k = 2 (common practice, no source).
        assert each.u == pytest.approx(0.01 * (1 if each.source.startswith("one") else math.sqrt(2)), rel=0.02), each
    if (count := re.search(r"(median of|,) (\d+) (main channels|readings?)$", each.source)) is not None:
        n = int(count[2])
        # Of a median: √(π/2)/√n (Kendall and Stuart, from memory); of one or two it is the mean.
        expected = (1.0 if n <= 2 else math.sqrt(math.pi / 2)) / math.sqrt(n)
        assert each.sensitivity == pytest.approx(expected, rel=0.01), each


def test_advice_choices_and_budgets_name_what_there_is(printed: tuple[Said, list[Finding]]) -> None:
    for _, outcome in printed[0]:
        assert 0 <= outcome.done <= max(outcome.done, outcome.total)
        for advice in outcome.advice:
            assert advice.step in TITLES and 0 <= advice.priority <= 100 and advice.text.endswith(".")
        for choice in outcome.choices:
            assert choice.current is None or choice.current in dict(choice.options), choice
        for budget in outcome.budgets:
            assert budget.id.startswith(f"{outcome.step}.") and budget.unit in UNITS and budget.title
            for each in budget.contributions:
                assert each.source and each.unit in UNITS and each.basis and each.u >= 0, (budget.id, each)
                if "±" in each.source or each.basis.startswith("steps of"):
                    # Bounds alone are known: rectangular (JCGM 100 4.3.7).
                    assert each.distribution == "rectangular", (budget.id, each)
                assert_as_stated(each)
        by_budget = [(check, outcome.budget_of(check)) for check in outcome.checks if check.value is not None]
        if outcome.step in ("drift", "compare"):
            continue  # their limits are the uncertainty, times the coverage factor
        compared: list[tuple[Check, Budget]] = [(check, b) for check, b in by_budget if b is not None]
        for check, of_it in compared:
            assert of_it.unit == check.unit, check
            assert of_it.u == pytest.approx(check.uncertainty), (check, of_it)
