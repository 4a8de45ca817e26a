"""Levels: from readings to trims, guard-banded verdicts, and the remarks about them."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from builders import cinema, decided, defined, job_of, levels, seats, setting
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from commission.model import (
    Analyses,
    Channel,
    EventBody,
    Filter,
    Instrument,
    Job,
    Outcome,
    Processor,
    Seat,
    TrimRange,
    Verdict,
)
from commission.model.formatting import cell_text
from commission.steps import levels as step
from commission.steps.levels import result

NONE = Analyses()
# One reading by hand of a loudspeaker farther than 2.5 m. Eye 0.5 dB; place within 5 cm: 1.3·√(1 − exp(−(8.5·0.05/1.3)²)), of
# which a mean over places keeps 2.0/dB times its square, at most 0.4 dB (the place being all that an eye of 0.2 dB leaves of
# the scatter); display 0.1/√12. Hand and eye count by t₀.₉₇₅(3)/2
# (JCGM 100 table G.2: 3.182), since a default is known badly; root of the sum of squares (JCGM 100 eq. 11a) by hand:
PLACE = 1.3 * math.sqrt(1 - math.exp(-((8.5 * 0.05 / 1.3) ** 2)))
ONE = math.hypot(0.5, PLACE)
BEST_EYE = 0.2
T3 = 3.182 / 2
U_ONE = math.sqrt(T3**2 * ONE**2 + 0.4**2 + 0.1**2 / 12)
CLOSE = 0.005
"""Relative: the approximation of Student's t."""


def outcome_of(job: Job, round_id: str = "as-found") -> Outcome:
    return step.evaluate(job, round_id, NONE)


def processor(low: float = -12, high: float = 12, grid: float = 0.5, **fields: float) -> Processor:
    return Processor(trim_db=TrimRange(min=low, max=high, step=grid), **fields)  # type: ignore[arg-type]


def test_new_trim_is_old_trim_plus_correction() -> None:
    # 76.5 dB read at trim 0, reference 75: −1.5 dB; BL reads 1.3 dB soft with a trim of +2.0.
    job = job_of(
        defined(cinema(["FL", "BL"])),
        *levels({"FL": 76.5, "BL": 73.7}),
        setting("FL", trim_db=0.0),
        setting("BL", trim_db=2.0),
    )
    found = step.solve(job, "as-found").channels
    assert found["FL"].trim_db == -1.5
    assert found["FL"].correction_db == pytest.approx(-1.5)
    assert found["FL"].predicted_db == pytest.approx(75.0)
    assert found["BL"].trim_exact_db == pytest.approx(3.3)
    assert found["BL"].trim_db == 3.5
    assert found["BL"].residual_db == pytest.approx(0.2)
    assert found["BL"].predicted_db == pytest.approx(75.2)
    assert not any("not entered" in remark for remark in outcome_of(job).remarks)
    row = outcome_of(job).tables[0].rows[1]
    keys = [column.key for column in outcome_of(job).tables[0].columns]
    assert row.cells[keys.index("old")] == 2.0
    assert row.cells[keys.index("new")] == 3.5
    # A step of 0.5 dB needs one decimal; more would suggest settings that the processor lacks.
    assert cell_text(row.cells[keys.index("new")], outcome_of(job).tables[0].columns[keys.index("new")], "") == "+3.5"


def test_a_current_trim_that_was_not_entered_is_named() -> None:
    job = job_of(defined(cinema(["FL"])), *levels({"FL": 77.0}))
    found = step.solve(job, "as-found").channels["FL"]
    assert (found.trim_db, found.old_trim_known) == (-2.0, False)
    assert any("current trim that was not entered" in remark for remark in outcome_of(job).remarks)


def test_repeats_count_by_mean_spread_and_uncertainty() -> None:
    # Five readings, Σ(x − x̄)² = 0.1 with 4 degrees of freedom, and a default with 3: f² = (3 + 0.1/σ₀²)/(3 + 4).
    job = job_of(defined(cinema(["FL"])), *levels({"FL": [75.1, 75.3, 74.9, 75.0, 75.2]}))
    found = step.solve(job, "as-found").channels["FL"]
    assert found.level_db == pytest.approx(75.1)
    assert found.count == 5
    assert found.spread_db == pytest.approx(0.4)
    factor2 = (3 + 0.1 / ONE**2) / 7
    kept = min(2.0 * (factor2 * ONE**2 - BEST_EYE**2), 0.4)
    assert found.u_db == pytest.approx(
        math.sqrt((2.365 / 2) ** 2 * factor2 * ONE**2 / 5 + kept**2 + 0.1**2 / 12), rel=CLOSE
    )


MAINS = ("FL", "FC", "FR", "SiL", "SiR")


def read_in_two_rounds(
    apart_db: tuple[float, ...],
    turned_db: tuple[float, ...],
    *,
    noted: bool = True,
    repeats_db: tuple[float, ...] = (0.0,),
    filtered: tuple[str, ...] = (),
) -> Job:
    """Each channel read in each round, once or with some `repeats_db`, the volume 1 dB up; `apart_db`: what each then reads
    off what its trim says."""
    names = (*MAINS, "SUB1")[: len(apart_db)]
    found = {c: [75.0 - by + each for each in repeats_db] for c, by in zip(names, turned_db, strict=True)}
    left = {c: [76.0 + off + each for each in repeats_db] for c, off in zip(names, apart_db, strict=True)}
    trims = [setting(c, trim_db=0.0) for c in names if noted]
    trims += [setting(c, trim_db=by, round_id="as-left") for c, by in zip(names, turned_db, strict=True)]
    trims += [
        setting(c, filters=(Filter(frequency_hz=900.0, gain_db=-2.0, width=1.0),), round_id="as-left")
        for c in filtered
    ]
    return job_of(defined(cinema(names)), *levels(found), *levels(left, round_id="as-left"), *trims)


def test_another_round_minus_the_trims_shows_the_scatter_of_single_readings() -> None:
    # Means of two readings each, 0.2, 0, 0.2, 0.1 and 0 dB apart minus the volume: Σ(x − x̄)² = 0.09/2; the volume
    # uses one of five degrees of freedom. With the default: f² = (3 + 0.045/σ₀²)/(3 + 4), t₀.₉₇₅(7) = 2.365.
    job = read_in_two_rounds((0.2, 0.0, -0.2, 0.1, 0.0), (-1.0, 0.0, 1.0, 0.5, -2.0))
    factor2 = (3 + 0.045 / ONE**2) / 7
    kept = min(2.0 * (factor2 * ONE**2 - BEST_EYE**2), 0.4)
    found = step.solve(job, "as-left").channels["FC"].u_db
    assert found == pytest.approx(math.sqrt((2.365 / 2) ** 2 * factor2 * ONE**2 + kept**2 + 0.1**2 / 12), rel=CLOSE)
    assert step.solve(job, "as-found").channels["FC"].u_db == pytest.approx(U_ONE, rel=CLOSE)


@pytest.mark.parametrize(
    ("apart_db", "noted"),
    [((0.2, 0.0, -0.2, 0.1, 0.0), False), ((4.0, 0.0, -3.0, 2.5, -4.0), True)],
    ids=["trims as found are unknown", "nothing that was noted was set"],
)
def test_rounds_that_cannot_be_compared_show_no_scatter(apart_db: tuple[float, ...], noted: bool) -> None:
    job = read_in_two_rounds(apart_db, (-1.0, 0.0, 1.0, 0.5, -2.0), noted=noted)
    assert step.solve(job, "as-left").channels["FC"].u_db == pytest.approx(U_ONE, rel=CLOSE)


def test_a_trim_that_was_not_entered_as_noted_makes_no_reading_worse() -> None:
    job = read_in_two_rounds((0.2, 0.0, -0.2, 0.1, 4.0), (-1.0, 0.0, 1.0, 0.5, -2.0))
    left = step.solve(job, "as-left").channels
    assert left["SiR"].u_db < U_ONE
    assert left["SiR"].match.verdict is Verdict.FAIL


TWICE_DB = (-0.4, 0.4)


def test_readings_of_both_rounds_decide_where_they_agree() -> None:
    """The mean of both (JCGM 100 4.2.1), minus trim and volume; a trim that was not entered as noted is read by itself."""
    off_db, turned_db = (0.0, 0.7, 0.0, 0.0, 3.0), (0.0, 1.0, -2.0, 0.5, 0.0)
    job = read_in_two_rounds(off_db, turned_db, repeats_db=TWICE_DB)
    found, left = (step.solve(job, each).channels for each in ("as-found", "as-left"))
    assert left["FC"].match.value == pytest.approx(0.7 / 2)
    assert left["SiR"].match.value == pytest.approx(3.0)
    assert (left["FC"].matched, left["SiR"].matched, left["FC"].count) == (4, 2, 2)
    assert "mean with 2 earlier readings" in left["FC"].match.text and "earlier" not in left["SiR"].match.text
    assert left["FC"].match.uncertainty < 0.8 * left["SiR"].match.uncertainty
    assert all(each.matched == 2 for each in found.values())


@pytest.mark.parametrize("noted, repeats_db", [(False, TWICE_DB), (True, (0.0,))])
def test_without_trims_or_repeats_each_round_decides_alone(noted: bool, repeats_db: tuple[float, ...]) -> None:
    job = read_in_two_rounds((0.0, 0.7, 0.0, 0.0, 0.0), (0.0,) * 5, noted=noted, repeats_db=repeats_db)
    assert step.solve(job, "as-left").channels["FC"].match.value == pytest.approx(0.7)


def test_a_subwoofer_counts_by_the_volume_of_the_main_channels_and_nothing_that_was_filtered_since() -> None:
    off_db, turned_db = (0.0, 0.7, 0.0, 0.0, 0.0, -0.6), (0.0, 1.0, 0.0, 0.0, 0.0, 2.0)
    job = read_in_two_rounds(off_db, turned_db, repeats_db=TWICE_DB, filtered=("FC",))
    left = step.solve(job, "as-left").channels
    assert (left["SUB1"].matched, left["SUB1"].match.value) == (4, pytest.approx(-0.6 / 2))
    assert (left["FC"].matched, left["FC"].match.value) == (2, pytest.approx(0.7))
    # What Bass has set is compared with the same earlier readings.
    assert result.solve(job, "as-left", NONE, {"SUB1": 2.0}, {}).channels["SUB1"].matched == 2


def test_readings_before_a_repair_are_of_another_source(monkeypatch: pytest.MonkeyPatch) -> None:
    job = read_in_two_rounds((0.0, 0.7, 0.0, 0.0, 0.0), (0.0,) * 5, repeats_db=TWICE_DB)
    monkeypatch.setattr(
        result, "awaiting_repair", lambda _job, at, _analyses: {"FC": "reversed"} if at == "as-found" else {}
    )
    left = step.solve(job, "as-left").channels
    assert (left["FC"].matched, left["FL"].matched) == (2, 4)


def test_a_steady_hand_may_be_off_by_three_times_0_4_of_what_is_taken() -> None:
    """Beyond that a trim was not what was noted, and the channel shows no scatter (common practice, no source)."""
    most_db = 3 * 0.4 * math.sqrt(2) * ONE
    within, beyond = (
        step.solve(read_in_two_rounds((0.0, 0.0, 0.0, 0.0, k * most_db), (0.0,) * 5), "as-left").channels["FC"].u_db
        for k in (0.95, 1.05)
    )
    assert within > beyond


def test_a_subwoofer_shows_no_scatter_from_round_to_round() -> None:
    """Its bass changes with every trim and delay, so only repeats of one round count."""
    u_db = []
    for found in ({}, {"SUB1": 75.0}):
        left = dict.fromkeys((*MAINS, "SUB1"), 75.0)
        trims = [setting(c, trim_db=0.0, round_id=r) for c in left for r in ("as-found", "as-left")]
        first = dict.fromkeys(MAINS, 75.0) | found
        job = job_of(defined(cinema([*left])), *levels(first), *levels(left, round_id="as-left"), *trims)
        u_db.append(step.solve(job, "as-left").channels["SUB1"].u_db)
    assert u_db[0] == pytest.approx(u_db[1])


def test_no_channel_is_odd_where_all_scatter_much() -> None:
    wide = {
        c: [75.0 - k, 75.0 - k, 75.0, 75.0 + k, 75.0 + k]
        for c, k in zip(MAINS, (2.4, 1.2, 1.2, 1.2, 1.2), strict=True)
    }
    channels = step.solve(job_of(defined(cinema(MAINS)), *levels(wide)), "as-found").channels
    assert channels["FL"].u_db == pytest.approx(channels["FR"].u_db)


def test_scattered_repeats_raise_the_uncertainty_and_fail_their_own_check() -> None:
    alike = step.solve(job_of(defined(cinema(["FL"])), *levels({"FL": [75.0, 75.0]})), "as-found").channels["FL"]
    job = job_of(defined(cinema(["FL"])), *levels({"FL": [73.0, 77.0]}))
    assert step.solve(job, "as-found").channels["FL"].u_db > 1.5 * alike.u_db
    repeat = next(check for check in outcome_of(job).checks if check.id == "levels.repeat")
    assert repeat.value == pytest.approx(4.0)
    assert repeat.verdict is Verdict.FAIL


def test_repeats_within_a_decibel_pass() -> None:
    job = job_of(defined(cinema(["FL"])), *levels({"FL": [74.5, 75.5]}))
    assert next(check for check in outcome_of(job).checks if check.id == "levels.repeat").verdict is Verdict.PASS


@pytest.mark.parametrize("count", [2, 4, 8])
def test_more_readings_do_not_raise_the_rate_of_failures(count: int) -> None:
    """For thirteen channels the largest range exceeds its limit as rarely as with two readings: 5 % (±1 % by 4,000
    visits).
    """
    rng = np.random.default_rng(7)
    limit = (
        step.solve(job_of(defined(cinema(["FL"])), *levels({"FL": [75.0] * count})), "as-found").channels["FL"].repeat
    )
    assert limit is not None and limit.limit is not None and limit.limit.high is not None
    # |x − y| of one pair is within 2.5 dB by 0.95^(1/13): Φ⁻¹(0.99803)·√2·σ, Φ⁻¹ = 2.884 (any table of the normal).
    spans = np.ptp(rng.normal(0, 2.5 / 2.884 / math.sqrt(2), (4000, 13, count)), axis=2).max(axis=1)
    assert float(np.mean(spans > limit.limit.high)) == pytest.approx(0.05, abs=0.012)


FIVE = ["FL", "FC", "FR", "SiL", "SiR"]


@pytest.mark.parametrize(
    ("apart", "verdict"),
    # Limit 1 dB and one step of 0.5 dB. Five channels read twice, alike: u about 0.53 dB, 1.645 u = 0.88.
    [(0.0, Verdict.PASS), (0.5, Verdict.PASS), (1.2, Verdict.UNSURE), (-1.7, Verdict.UNSURE), (2.4, Verdict.FAIL)],
)
def test_match_is_judged_with_a_guard_band(apart: float, verdict: Verdict) -> None:
    read = {c: [75.0, 75.3] for c in FIVE} | {"FR": [75.0 + apart, 75.3 + apart]}
    check = step.solve(job_of(defined(cinema(FIVE)), *levels(read)), "as-found").channels["FR"].match
    assert check.limit is not None and check.limit.high == 1.5
    assert check.value == pytest.approx(apart)
    assert 0.4 < check.uncertainty < 0.6
    assert check.verdict is verdict


def test_the_limit_counts_the_step_of_the_trim() -> None:
    for grid, high in ((0.1, 1.1), (1.0, 2.0)):
        system = cinema(["FL"], processor=processor(grid=grid))
        limit = step.solve(job_of(defined(system), *levels({"FL": 75.0})), "as-found").channels["FL"].match.limit
        assert limit is not None and limit.high == pytest.approx(high)
        assert limit.basis.endswith(step.ONE_STEP)


def test_what_all_channels_share_is_the_volume_and_not_thirteen_trims() -> None:
    read = {c: [73.0, 73.2] for c in FIVE} | {"FC": [69.0, 69.2]}
    job = job_of(defined(cinema(FIVE)), *levels(read))
    result = step.solve(job, "as-found")
    assert any("main channels have −1.9 dB" in each for each in step.evaluate(job, "as-found", Analyses()).remarks)
    assert result.common_db == pytest.approx(-1.9)
    assert result.reference is not None
    assert result.reference.value == pytest.approx(-1.9)
    # Class 2: ±1.0 dB at 1 kHz (IEC 61672-1, from memory), taken as expanded, k = 2.
    assert 0.5 < result.reference.uncertainty < 0.6
    assert result.reference.verdict is Verdict.UNSURE  # limit 2.5 dB
    verdicts = {c: each.match.verdict for c, each in result.channels.items()}
    assert verdicts == dict.fromkeys(FIVE, Verdict.PASS) | {"FC": Verdict.FAIL}
    # The trims lead to the reference all the same.
    assert result.channels["FL"].trim_exact_db == pytest.approx(1.9)
    nameless = replace(cinema(FIVE), instruments=())
    unknown = step.solve(job_of(defined(nameless), *levels(read)), "as-found").reference
    assert unknown is not None
    assert unknown.verdict is Verdict.NOT_TESTED
    assert step.solve(job_of(defined(cinema(["FL"])), *levels({"FL": 72.0})), "as-found").reference is None


def test_how_many_more_readings_would_decide_is_shown_with_it() -> None:
    pair = [75.7, 76.1]
    read = {c: [75.0, 75.4] for c in FIVE} | {"FR": pair}
    job = job_of(defined(cinema(FIVE)), *levels(read))
    found = step.solve(job, "as-found").channels["FR"]
    assert found.match.verdict is Verdict.UNSURE
    assert found.more is not None
    assert "more reading" in found.match.text
    # If they are equal, that many decide. (Fewer may, if they agree better than before.)
    alike = read | {"FR": pair + (pair * 5)[: found.more]}
    assert step.solve(job_of(defined(cinema(FIVE)), *levels(alike)), "as-found").channels["FR"].match.verdict is (
        Verdict.PASS
    )
    assert any("FR" in advice.text and "decide" in advice.text for advice in outcome_of(job).advice)
    once = job_of(defined(cinema(FIVE)), *levels(dict(zip(FIVE, (75.0, 74.5, 75.5, 76.0, 74.0), strict=True))))
    assert outcome_of(once).advice[0].text.startswith("Read at least three channels again")


def test_a_stand_stays_where_it_is_and_a_hand_does_not() -> None:
    """Averaging reduces the position error of a hand, not of a stand; close to a loudspeaker both matter less."""
    meters = {s: (Instrument(kind="meter", resolution=0.1, support=s),) for s in ("hand", "stand")}
    many = levels({"FL": [75.0, 75.2] * 50})
    u = {
        s: step.solve(job_of(defined(cinema(["FL"], instruments=meter)), *many), "as-found").channels["FL"].u_db
        for s, meter in meters.items()
    }
    # 2 cm on a stand: 1.3·√(1 − exp(−(8.5·0.02/1.3)²)) = 0.169 dB, whatever is averaged.
    assert u["stand"] == pytest.approx(math.hypot(0.169, 0.1 / math.sqrt(12)), rel=0.03)
    assert u["hand"] < u["stand"]
    for support, meter in meters.items():
        budgets = outcome_of(job_of(defined(cinema(["FL"], instruments=meter)), *many)).budgets
        sources = {part.source for budget in budgets for part in budget.contributions}
        assert any(source.startswith("meter on a stand within 2 cm") for source in sources) is (support == "stand")
        assert any(source.startswith("meter held by hand within 5 cm") for source in sources) is (support == "hand")
    system = cinema(["FL", "SiL"])
    near = replace(
        system, channels=tuple(replace(c, distance_m=1.2) if c.id == "SiL" else c for c in system.channels)
    )
    found = step.solve(job_of(defined(near), *levels({"FL": 75.0, "SiL": 75.0})), "as-found").channels
    assert found["SiL"].u_db < found["FL"].u_db


def test_the_meters_own_error_is_distinguished_and_does_not_blur_the_match() -> None:
    system = cinema(["FL"])
    readings = levels({"FL": 75.0})
    with_class = step.solve(job_of(defined(system), *readings), "as-found")
    without = step.solve(job_of(defined(replace(system, instruments=())), *readings), "as-found")
    # Class 2: ±1.0 dB at 1 kHz (IEC 61672-1, from memory), taken as expanded, k = 2.
    assert with_class.common_u_db == pytest.approx(0.5)
    assert without.common_u_db is None
    assert with_class.channels["FL"].u_db == without.channels["FL"].u_db
    assert with_class.channels["FL"].u_absolute_db == pytest.approx(math.hypot(0.5, U_ONE), rel=CLOSE)
    assert without.channels["FL"].u_absolute_db is None


def test_a_coarse_display_counts() -> None:
    system = cinema(["FL"], instruments=(Instrument(kind="meter", resolution=1.0),))
    found = step.solve(job_of(defined(system), *levels({"FL": 75.0})), "as-found").channels["FL"]
    assert found.u_db == pytest.approx(math.sqrt(U_ONE**2 - 0.1**2 / 12 + 1 / 12), rel=CLOSE)


def test_seats_are_averaged_in_decibels_with_their_weights() -> None:
    # m = Σ w·L with weights 1 and 3 of 4: 0.25·74 + 0.75·78 = 77 (arithmetic).
    two = (Seat(id="A2", position_m=(0, 3, 1), weight=1.0, reference=True), Seat(id="B2", weight=3.0))
    job = job_of(
        defined(cinema(["FL"], seats=two)), *levels({"FL": 74.0}, seat="A2"), *levels({"FL": 78.0}, seat="B2")
    )
    found = step.solve(job, "as-found").channels["FL"]
    assert found.level_db == pytest.approx(77.0)
    assert found.count == 2
    assert found.spread_db is None  # two seats are no repeat of each other


def two_seats() -> tuple[Seat, Seat]:
    return Seat(id="A2", weight=1.0, reference=True), Seat(id="B2", weight=1.0)


def test_a_seat_counts_when_every_channel_was_read_there() -> None:
    # B2 is 4 dB softer. With FL read at both seats and FC at A2 only, their means would differ by 2 inaudible dB.
    system = defined(cinema(["FL", "FC"], seats=two_seats()))
    first = (*levels({"FL": 75.0, "FC": 75.0}), *levels({"FL": 71.0}, seat="B2"))
    part = step.solve(job_of(system, *first), "as-found")
    assert {c: each.level_db for c, each in part.channels.items()} == {"FL": 75.0, "FC": 75.0}
    assert (part.seats, part.not_counted) == (("A2",), {"B2": ("FC",)})
    assert any("B2 are not used yet: FC was not" in remark for remark in outcome_of(job_of(system, *first)).remarks)
    whole = step.solve(job_of(system, *first, *levels({"FC": 71.0}, seat="B2")), "as-found")
    assert {c: each.level_db for c, each in whole.channels.items()} == {"FL": 73.0, "FC": 73.0}
    assert whole.not_counted == {}
    assert {each.match.seat for each in whole.channels.values()} == {None}  # a mean over two seats is of neither
    assert {each.match.seat for each in part.channels.values()} == {"A2"}


def test_readings_at_another_seat_are_not_called_the_reference_seats() -> None:
    system = defined(cinema(["FL", "FC"], seats=two_seats()))
    elsewhere = step.solve(job_of(system, *levels({"FL": 75.0, "FC": 74.0}, seat="B2")), "as-found")
    assert {each.match.seat for each in elsewhere.channels.values()} == {"B2"}
    # Each channel at another seat: they cannot be compared, and the second is required where the first was read.
    apart = job_of(system, *levels({"FL": 75.0}), *levels({"FC": 71.0}, seat="B2"))
    result = step.solve(apart, "as-found")
    assert (list(result.channels), result.missing) == (["FL"], ("FC",))
    assert outcome_of(apart).advice[0].text == "Read the level of Centre (FC) at A2."
    assert any("B2 are not used yet: FL was not" in remark for remark in outcome_of(apart).remarks)


def test_a_channel_without_a_name_is_called_by_its_id_once() -> None:
    nameless = replace(cinema(["FL"]), channels=(Channel(id="FL", role="screen"),))
    assert outcome_of(job_of(defined(nameless))).advice[0].text == "Read the level of FL at A2."


def test_seats_without_weight_count_alike_where_no_other_was_read() -> None:
    seats_ = (Seat(id="A2", weight=0.0, reference=True), Seat(id="B2", weight=1.0))
    system = defined(cinema(["FL"], seats=seats_))
    assert step.solve(job_of(system, *levels({"FL": 74.0})), "as-found").channels["FL"].level_db == 74.0
    both = step.solve(job_of(system, *levels({"FL": 74.0}), *levels({"FL": 78.0}, seat="B2")), "as-found")
    assert both.channels["FL"].level_db == 78.0


def test_subwoofers_have_their_own_target_and_scatter() -> None:
    system = cinema(["FL", "SUB1"], processor=processor(sub_reference_spl_db=78.0))
    found = step.solve(job_of(defined(system), *levels({"FL": 75.0, "SUB1": 80.0})), "as-found").channels
    assert found["FL"].trim_db == 0.0
    assert found["SUB1"].target_db == 78.0
    assert found["SUB1"].trim_db == -2.0
    # Noise of B = 50 Hz read for T = 20 s: 4.34/√(B·T) = 0.137 dB more; its level moves by 3 dB/m · 5 cm = 0.15 dB.
    one = math.sqrt(0.5**2 + 4.343**2 / 1000 + 0.15**2)
    assert found["SUB1"].u_db == pytest.approx(math.sqrt(T3**2 * one**2 + 0.1**2 / 12), rel=CLOSE)


def test_one_channel_out_of_range_gets_a_proposal_with_its_cost_and_a_name() -> None:
    # FC needs +14 dB of at most +12; rounding accounts for half a step, so that 1.75 dB are missing: 2.0 on the grid.
    job = job_of(defined(cinema(["FL", "FC", "FR"])), *levels({"FL": 75.0, "FC": 61.0, "FR": 75.0}))
    result = step.solve(job, "as-found")
    assert result.offset_db == 0.0
    assert result.proposed_offset_db == -2.0
    assert not result.channels["FC"].reachable
    assert result.channels["FC"].at_limit
    assert result.channels["FC"].trim_db == 12.0
    assert result.channels["FC"].predicted_db == pytest.approx(73.0)
    assert [choice.reaching for choice in result.choices[:2]] == [2, 3]
    outcome = outcome_of(job)
    assert outcome.main_result.startswith("FC cannot reach")
    assert any("2.0 dB quieter" in remark for remark in outcome.remarks)
    assert any(table.id == "offsets" for table in outcome.tables)


def test_a_decision_takes_the_offset() -> None:
    bodies: tuple[EventBody, ...] = (
        defined(cinema(["FL", "FC", "FR"])),
        *levels({"FL": 75.0, "FC": 61.0, "FR": 75.0}),
    )
    result = step.solve(job_of(*bodies, decided("levels", "common_offset", "-2.0")), "as-found")
    assert result.offset_db == -2.0
    assert all(each.reachable for each in result.channels.values())
    assert [each.trim_db for each in result.channels.values()] == [-2.0, 12.0, -2.0]
    assert result.channels["FL"].predicted_db == pytest.approx(73.0)
    # Another round is not concerned.
    assert step.solve(job_of(*bodies, decided("levels", "common_offset", "-2.0")), "as-left").offset_db == 0.0


@pytest.mark.parametrize("nonsense", ["loud", "nan", "inf", ""])
def test_a_decision_that_is_no_number_is_left_out_and_named(nonsense: str) -> None:
    job = job_of(defined(cinema(["FL"])), *levels({"FL": 75.0}), decided("levels", "common_offset", nonsense))
    assert step.solve(job, "as-found").offset_db == 0.0
    assert any("not a number" in remark for remark in outcome_of(job).remarks)


def test_two_channels_no_offset_brings_together_are_named() -> None:
    job = job_of(defined(cinema(["FL", "FC", "FR"])), *levels({"FL": 55.0, "FC": 75.0, "FR": 95.0}))
    result = step.solve(job, "as-found")
    out = [c for c, each in result.channels.items() if not each.reachable]
    assert out == ["FL", "FR"]
    best = max(choice.reaching for choice in result.choices)
    assert (result.choices[0].what, result.choices[0].offset_db) == ("the reference", 0.0)
    assert best == 2  # one of the two can gain at the other's cost
    assert any("Still out of range" in remark for remark in outcome_of(job).remarks)


def test_the_reference_is_the_processors_and_its_basis_is_reported() -> None:
    for reference, word in ((75.0, "home practice"), (85.0, "RP 200"), (73.0, "EBU Tech 3343"), (80.0, "chosen")):
        system = cinema(["FL"], processor=processor(reference_spl_db=reference))
        result = step.solve(job_of(defined(system), *levels({"FL": reference})), "as-found")
        assert result.channels["FL"].match.value == pytest.approx(0.0)
        assert word in result.basis
    given_basis = cinema(["FL"], processor=Processor(reference_spl_db=75.0, reference_basis="the client's wish"))
    assert step.solve(job_of(defined(given_basis)), "as-found").basis == "the client's wish"


def test_the_main_result_and_the_next_action() -> None:
    readings = {"FL": [75.0] * 2, "FC": [74.0] * 2, "FR": [75.0] * 2, "BL": [77.0] * 2, "BR": [79.5] * 2}
    job = job_of(defined(cinema(list(readings))), *levels(readings))
    outcome = outcome_of(job)
    assert outcome.main_result == "BR 4.5 dB above the others, set 3 trims"
    assert outcome.advice[0].text == "Enter 3 trims from the settings sheet, then read the levels again."
    assert outcome.state == "done"
    part = outcome_of(job_of(defined(cinema(list(readings))), *levels({"FL": 75.0})))
    assert part.state == "part"
    assert "Centre" in part.advice[0].text
    assert {check.channel for check in part.checks if check.verdict is Verdict.NOT_TESTED} == {"FC", "FR", "BL", "BR"}
    assert all(check.why_not for check in part.checks if check.verdict is Verdict.NOT_TESTED)


def test_one_trim_is_not_several() -> None:
    outcome = outcome_of(job_of(defined(cinema(["FL", "FC"])), *levels({"FL": 75.0, "FC": 78.5})))
    assert outcome.main_result == "FC 3.5 dB above target, set 1 trim"


def test_without_readings_nothing_is_reported() -> None:
    for job in (job_of(), job_of(defined(cinema())), job_of(defined(cinema(seats=())))):
        outcome = outcome_of(job)
        assert outcome.state == "nothing"
        assert outcome.checks == ()
        assert outcome.tables == ()


def test_plan_prompts_every_channel_at_the_reference_seat_and_at_seats_in_use() -> None:
    job = job_of(defined(cinema()))
    prompts = step.plan(job, "as-found")
    assert [(p.channel, p.seat) for p in prompts] == [(c.id, "A2") for c in job.system.channels]
    for prompt in prompts:
        assert prompt.caution
        for word in ("C, slow", "ear height", "ventilation off", "A2"):
            assert word in prompt.text
    both = step.plan(job_of(defined(cinema()), *levels({"FL": 75.0}, seat="B2")), "as-found")
    assert {p.seat for p in both} == {"A2", "B2"}
    assert step.plan(job_of(defined(cinema(seats=()))), "as-found") == ()


def test_readings_of_another_round_do_not_count() -> None:
    job = job_of(defined(cinema(["FL"])), *levels({"FL": 76.5}), *levels({"FL": 75.0}, round_id="as-left"))
    assert step.solve(job, "as-found").channels["FL"].level_db == 76.5
    assert step.solve(job, "as-left").channels["FL"].level_db == 75.0


READINGS = st.dictionaries(
    st.sampled_from(["FL", "FC", "FR", "SiL", "SiR", "BL", "BR", "SUB1"]),
    st.lists(st.integers(600, 900).map(lambda x: x / 10), min_size=1, max_size=3),
    min_size=1,
)


@settings(max_examples=15, deadline=None)
@given(readings=READINGS, gain=st.integers(-8, 8).map(lambda k: k / 2))
def test_louder_readings_shift_all_trims_down_alike(readings: dict[str, list[float]], gain: float) -> None:
    wide = cinema(list(readings), processor=processor(-60, 60))
    before = step.solve(job_of(defined(wide), *levels(readings)), "as-found").channels
    louder = {c: [value + gain for value in values] for c, values in readings.items()}
    after = step.solve(job_of(defined(wide), *levels(louder)), "as-found").channels
    for c, each in before.items():
        assert each.trim_exact_db is not None
        assert after[c].trim_exact_db == pytest.approx(each.trim_exact_db - gain, abs=1e-6)
        assert after[c].u_db == pytest.approx(each.u_db, abs=1e-6)


@settings(max_examples=15, deadline=None)
@given(readings=READINGS, seed=st.randoms(use_true_random=False))
def test_the_order_of_readings_changes_nothing(readings: dict[str, list[float]], seed: random.Random) -> None:
    bodies = list(levels(readings))
    first = step.solve(job_of(defined(cinema()), *bodies), "as-found").channels
    seed.shuffle(bodies)
    second = step.solve(job_of(defined(cinema()), *bodies), "as-found").channels
    assert list(first) == list(second)
    for c, each in first.items():
        assert second[c].trim_db == each.trim_db
        assert second[c].u_db == pytest.approx(each.u_db)


@settings(max_examples=15, deadline=None)
@given(readings=READINGS)
def test_entering_the_trims_brings_every_channel_to_its_prediction(readings: dict[str, list[float]]) -> None:
    # A second visit to the same loudspeakers, which are louder by exactly the increase of their trims.
    one = {c: values[0] for c, values in readings.items()}
    first = step.solve(job_of(defined(cinema()), *levels(one)), "as-found").channels
    assume(all(each.why_no_trim is None for each in first.values()))  # 20 dB below the others is silence: no trim
    again = {c: one[c] + (each.trim_db or 0.0) for c, each in first.items()}
    held = [setting(c, trim_db=each.trim_db, round_id="as-left") for c, each in first.items()]
    second = step.solve(job_of(defined(cinema()), *levels(again, round_id="as-left"), *held), "as-left").channels
    for c, each in first.items():
        assert second[c].level_db == pytest.approx(each.predicted_db, abs=1e-6)
        assert second[c].trim_db == each.trim_db  # nothing is left to enter
        if all(other.reachable for other in first.values()):
            # Half a step of its own, and half a step of the median that it is compared with.
            assert abs(second[c].match.value or 0.0) <= 0.5 + 1e-6


def test_seats_helper_has_one_reference() -> None:
    assert [seat.id for seat in seats() if seat.reference] == ["A2"]
