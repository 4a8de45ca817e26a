"""Level of all subwoofers together: the required reading of each alone, and whether all together read the reference."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from bass_visit import as_found
from builders import cinema, defined, job_of, levels, reading, setting
from sound_room import SoundRoom

from commission.diagnosis import findings
from commission.dsp.analysis import BASS_HZ
from commission.dsp.bass_sum import unchanged
from commission.model import AS_FOUND, AS_LEFT, Analyses, ComplexArray, EventBody, Job, Processor, Verdict
from commission.steps import bass
from commission.steps import levels as step
from commission.steps.bass.entries import louder_db_of
from commission.steps.bass.result import BassResult
from commission.steps.handover.settings_sheet import settings_sheet
from commission.steps.levels.result import _sub_basis
from commission.steps.shared.sub_sum import MODES, QUANTITY, sub_level_db, sum_from_responses

MAINS = {"FL": 75.0, "FC": 75.0, "FR": 75.0}
IDS = [*MAINS, "SUB1", "SUB2"]


def job(mode: str | None, subs: dict[str, float], *more: EventBody, together: float | None = None) -> Job:
    read = [] if together is None else [sum_reading(together)]
    held = [setting(c, trim_db=0.0) for c in IDS]
    system = cinema(IDS, processor=Processor(sub_reference_for=mode))  # type: ignore[arg-type]
    return job_of(defined(system), *held, *levels(MAINS | subs), *read, *more)


def sum_reading(value_db: float, round_id: str = AS_FOUND) -> EventBody:
    return reading("levels", QUANTITY, value_db, "dB", seat="A2", round_id=round_id)


def responses(second: complex | ComplexArray) -> Analyses:
    """Both subwoofers with the same response, the second multiplied by a factor."""
    room = SoundRoom(cinema(IDS))
    for seat in room.system.seats:
        own = room.items[("SUB1", seat.id)]
        assert own.bass is not None
        room.items[("SUB2", seat.id)] = replace(own, bass=second * own.bass)
    return room.analyses()


@pytest.mark.parametrize(("mode", "targets"), [("together", 69.0), ("processor", 69.0), ("each", 75.0), (None, 75.0)])
def test_a_reading_of_all_at_once_sets_what_each_alone_must_read(mode: str | None, targets: float) -> None:
    """Two of 75 dB in phase: 75 + 20·lg 2 = 81.0 dB, 6 dB above the reference."""
    of = job(mode, {"SUB1": 75.0, "SUB2": 75.0}, together=81.0)
    found = step.solve(of, AS_FOUND)
    assert _sub_basis(of).endswith("no source)" if mode is None else f"no source); {dict(MODES)[mode]}")  # type: ignore[index]
    for sub in ("SUB1", "SUB2"):
        assert found.channels[sub].target_db == pytest.approx(targets)
        assert found.channels[sub].trim_db == pytest.approx(targets - 75.0)
    if targets > 74:
        assert found.sum_check is None  # each is entered as required: it never fails
    else:
        assert found.sum_check is not None and found.sum_check.value == pytest.approx(6.0)
        assert found.sum_check.verdict is Verdict.FAIL and found.sum_check.uncertainty > 0.3
        assert found.budget_sum is not None and found.budget_sum.u == pytest.approx(found.sum_check.uncertainty)
    lines = {(each.channel, each.kind): each.new for each in settings_sheet(of, Analyses())}
    assert lines[("SUB1", "trim")] == pytest.approx(targets - 75.0)


def test_the_sum_is_compared_with_what_the_main_channels_have_in_common() -> None:
    """A volume 2 dB too high raises main channels and sum alike: 83 dB is 6 dB above 75 + 2, not 8."""
    loud = {c: [77.0] * 2 for c in MAINS} | {"SUB1": [77.0] * 2, "SUB2": [77.0] * 2}
    of = job("together", loud, together=83.0)  # type: ignore[arg-type]
    found = step.solve(of, AS_FOUND)
    assert found.common_db == pytest.approx(2.0)
    assert found.sum_check is not None and found.sum_check.value == pytest.approx(6.0)
    assert found.sum_check.text.startswith(
        "all subwoofers together minus their target, relative to the main channels"
    )


def test_the_processor_keeps_how_its_subwoofers_differ() -> None:
    of = job("processor", {"SUB1": 72.0, "SUB2": 76.0}, together=80.0)
    found = step.solve(of, AS_FOUND).channels
    assert [found[sub].target_db for sub in ("SUB1", "SUB2")] == pytest.approx([67.0, 71.0])


@pytest.mark.parametrize(
    ("second", "subs", "sum_db", "excess_db"),
    [
        (1.0, {"SUB1": 75.0, "SUB2": 75.0}, 75.0 + 20 * np.log10(2), 20 * np.log10(2)),
        # Twice the pressure: 1 + 2 against the mean of 0 and 6.02 dB. At equal level they add to twice.
        (2.0, {"SUB1": 75.0, "SUB2": 81.02}, 75.0 + 20 * np.log10(3), 20 * np.log10(2)),
        # A quarter of a cycle apart: powers add.
        (1.0j, {"SUB1": 75.0, "SUB2": 75.0}, 75.0 + 10 * np.log10(2), 10 * np.log10(2)),
    ],
)
def test_without_such_a_reading_the_responses_show_the_sum(
    second: complex, subs: dict[str, float], sum_db: float, excess_db: float
) -> None:
    found = step.solve(job("together", subs), AS_FOUND, responses(second))
    assert found.together is not None and not found.together.is_read
    assert found.together.level_db == pytest.approx(sum_db, abs=0.02)  # 81.02 for 20·lg 2
    assert found.together.excess_db == pytest.approx(excess_db, abs=0.02)
    assert found.channels["SUB2"].target_db == pytest.approx(75.0 - excess_db, abs=0.02)
    assert found.sum_check is not None and found.sum_check.verdict is not Verdict.PASS


def test_delays_that_align_two_subwoofers_make_them_add_in_phase() -> None:
    of, later = job("together", {"SUB1": 75.0, "SUB2": 75.0}), 0.004
    found = sum_from_responses(
        of, AS_FOUND, responses(np.exp(-2j * np.pi * BASS_HZ * later)), {"SUB1": later, "SUB2": 0.0}
    )
    assert found is not None and found.alike_db == pytest.approx(20 * np.log10(2), abs=0.02)
    assert found.more_db < 5.0


@pytest.mark.parametrize("read_again", [False, True])
def test_a_trim_entered_as_required_does_not_fail(read_again: bool) -> None:
    """As left has hand readings only: the sum of the subwoofers is known from as found."""
    left = {"SUB1": 69.0, "SUB2": 69.0}
    more: list[Any] = [setting(c, round_id=AS_LEFT, trim_db=-6.0 if c in left else 0.0) for c in IDS]
    more += levels(MAINS | left, round_id=AS_LEFT)
    more += [sum_reading(75.2, AS_LEFT)] if read_again else []
    found = step.solve(job("together", {"SUB1": 75.0, "SUB2": 75.0}, *more), AS_LEFT, responses(1.0))
    assert found.together is not None and found.together.is_read is read_again
    assert [found.channels[sub].match.value for sub in left] == pytest.approx([0.0, 0.0], abs=0.21)  # 75.2 dB
    if read_again:
        assert found.sum_check is not None and found.sum_check.verdict is not Verdict.FAIL
    else:
        assert found.sum_check is None


@pytest.mark.parametrize("held_db", [-3.0, 0.0])
def test_a_sum_first_known_as_left_fails_no_trim_that_was_entered_as_required(held_db: float) -> None:
    """Each of 78 dB needs −3 dB alone; together they then read 81 dB, 6 dB above the reference.

    SUB2 is entered correctly, or forgotten.
    """
    found_as = {"SUB1": 78.0, "SUB2": 78.0}
    trims = dict.fromkeys(MAINS, 0.0) | {"SUB1": -3.0, "SUB2": held_db}
    more: list[Any] = [setting(c, round_id=AS_LEFT, trim_db=trims[c]) for c in IDS]
    left = {sub: found_as[sub] + trims[sub] for sub in found_as}
    # Three iterations suffice for a difference of 3 dB.
    more += levels({c: [value] * 3 for c, value in (MAINS | left).items()}, round_id=AS_LEFT)
    visit = job("together", found_as, *more, sum_reading(81.0, AS_LEFT))
    assert [step.solve(visit, AS_FOUND).channels[sub].trim_db for sub in left] == [-3.0, -3.0]
    result, outcome = step.solve(visit, AS_LEFT), step.evaluate(visit, AS_LEFT, Analyses())
    verdicts = [result.channels[sub].match.verdict for sub in left]
    assert verdicts[0] is Verdict.PASS
    assert result.sum_check is not None and result.sum_check.value == pytest.approx(6.0)
    if held_db:
        assert result.channels["SUB1"].trim_db == pytest.approx(-9.0)  # the trim then required
        assert verdicts[1] is Verdict.PASS and result.sum_check.verdict is Verdict.NOT_TESTED
        assert any("were entered as asked before that was known" in each for each in outcome.remarks)
        assert "Enter 2 trims" in outcome.advice[0].text
        sheet = {(each.channel, each.kind): each.new for each in settings_sheet(visit, Analyses())}
        assert sheet[("SUB1", "trim")] == pytest.approx(-9.0)
        assert not any("SUB1" in each.channels for each in findings(visit, AS_LEFT, Analyses(), {"levels": outcome}))
    else:
        assert Verdict.FAIL in (verdicts[1], result.sum_check.verdict)


def test_where_nothing_shows_the_sum_the_step_says_so() -> None:
    outcome = step.evaluate(job("together", {"SUB1": 75.0, "SUB2": 75.0}), AS_FOUND, Analyses())
    assert not any(check.id == "levels.sum" for check in outcome.checks)
    assert any("read the meter with all of them playing at once" in remark for remark in outcome.remarks)
    unknown = step.evaluate(job(None, {"SUB1": 75.0, "SUB2": 75.0}, together=81.0), AS_FOUND, Analyses())
    assert any("All at once they read 81.0 dB" in remark for remark in unknown.remarks)
    alone = job_of(defined(cinema([*MAINS, "SUB1"])), *levels(MAINS | {"SUB1": 75.0}))
    for asked in (job("each", {"SUB1": 75.0, "SUB2": 75.0}), alone):
        outcome = step.evaluate(asked, AS_FOUND, Analyses())
        assert not any("Two that read it alone" in remark for remark in outcome.remarks)


def test_the_level_of_a_subwoofer_is_that_of_pink_noise_from_30_to_80_hz() -> None:
    flat = np.ones(len(BASS_HZ), complex)
    assert sub_level_db(flat) == pytest.approx(0.0)
    assert sub_level_db(np.where((BASS_HZ < 30) | (BASS_HZ > 80), 10 * flat, flat)) == pytest.approx(0.0)
    # Pink noise has the power 1/f in each hertz: a response that rises with f gives f²/f, so a mean over the logarithm.
    rising = sub_level_db((BASS_HZ * flat).astype(complex))
    assert rising == pytest.approx(10 * np.log10((80**2 - 30**2) / 2 / np.log(80 / 30)), abs=0.1)


def test_the_proposal_of_bass_reads_the_reference_with_all_subwoofers_together() -> None:
    """The responses of a modal room through the new settings, added here; 0.3 dB: half a step of the trim for each."""
    visit = as_found(subs=2, seed=3)
    system = visit.system
    added = replace(system, processor=replace(system.processor, sub_reference_for="together"))
    alone = dict(zip(visit.names, (75.5, 73.0), strict=True))
    read = levels(alone, seat="A1")
    before, job = (job_of(defined(each), *visit.bodies, *read) for each in (system, added))
    unmoved, result = (bass.solve(each, visit.analyses) for each in (before, job))
    assert isinstance(unmoved, BassResult) and isinstance(result, BassResult) and result.is_change
    moved = [
        (b.trim_db or 0.0) - (a.trim_db or 0.0)
        for a, b in zip(unmoved.subs.values(), result.subs.values(), strict=True)
    ]
    assert moved[0] == pytest.approx(moved[1])  # the differences between seats remain
    own = result.measured.full[:, result.measured.seats.index("A1")]
    calibration_db = np.mean([alone[sub] - sub_level_db(each) for sub, each in zip(visit.names, own, strict=True)])
    turned = sum(
        10 ** (((new.trim_db or 0.0) - (new.old_trim_db or 0.0)) / 20)
        * new.polarity
        * np.exp(-2j * np.pi * BASS_HZ * new.delay_s)
        * each
        for new, each in zip(result.subs.values(), own, strict=True)
    )
    assert sub_level_db(turned) + calibration_db == pytest.approx(75.0, abs=0.3)
    # Together they read 80 dB, however loud each is alone: unchanged, all trims are 5 dB too high.
    at_once = job_of(defined(added), *visit.bodies, *read, reading("levels", QUANTITY, 80.0, "dB", seat="A1"))
    assert louder_db_of(at_once, result.measured, unchanged(2), ((), ())) == pytest.approx(-5.0)
