"""`commission limits` lists the limit of every check that a step produces, and no unused one."""

from __future__ import annotations

import math
import threading
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path

import decaying_rooms as doubled
import pytest
from bass_visit import as_found
from builders import analysis, cinema, decided, defined, job_of, reading
from quiet_rooms import nc_noise
from solved_services import SolvedServices
from sound_room import SoundRoom
from test_edge_jobs import ROOMS

from commission.diagnosis import RULES
from commission.dsp.load import THIRDS_HZ
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    AnalysedResponse,
    Analyses,
    Check,
    CheckLimit,
    Job,
    Limit,
    LimitsChosen,
    LoadAnalysis,
    Obstacle,
    Prompt,
    ReadingEntered,
    default_profile,
    unwatched,
)
from commission.model.toml_text import shipped_toml
from commission.steps import all_steps
from commission.steps.drift.figures import earlier_visit
from commission.steps.seats.drivers import WEAK_DB
from commission.steps.seats.result import MIDRANGE_BASIS, MIDRANGE_DB, MIDRANGE_WEAK_DB, WEAK_BASIS
from commission.steps.shared.limits_table import limits_tables

ENTRIES = tuple(entry for step in all_steps() for entry in step.limits)


def checks_of_job(job: Job, analyses: Analyses) -> list[Check]:
    return [c for step in all_steps() for r in job.rounds for c in step.evaluate(job, r, analyses).checks]


def of_sample(sample: Path) -> list[Check]:
    visit = SolvedServices(sample.parent / "state").open(sample, read_only=True)
    try:
        return checks_of_job(visit.job, visit.analyse(threading.Event(), unwatched))
    finally:
        visit.close()


def every_number(job: Job) -> Iterator[ReadingEntered]:
    """A reading for every prompt of every step, in the middle of its expected range; new steps are included
    automatically.
    """
    for step in all_steps():
        for task in step.plan(job, AS_FOUND):
            if isinstance(task, Prompt) and task.expected is not None:
                yield ReadingEntered(
                    round=AS_FOUND,
                    step=step.id,
                    channel=task.channel,
                    seat=task.seat,
                    quantity=task.quantity,
                    value=sum(task.expected) / 2,
                    unit=task.unit,
                )


def of_rooms() -> Iterator[Check]:
    """Sound rooms and odd ones, in two rounds and on a return visit."""
    for make in ROOMS.values():
        room = make()
        yield from checks_of_job(room.job(), room.analyses())
    room = SoundRoom(cinema(["FL", "FC", "FR", "SiL", "SiR", "SUB1", "SUB2"])).swap("FL", "SiL").reverse("FC")
    clipped = SoundRoom(room.system, seed=2).change("FR", ["A1"], clipped=True)
    both = Analyses([*room.analysed(AS_FOUND), *clipped.analysed(AS_LEFT, 2000)])
    job = room.job(*clipped.bodies(AS_LEFT))
    yield from checks_of_job(job, both)
    earlier = earlier_visit(job, both, file_name="then.commission", program_version="0")
    yield from checks_of_job(job_of(defined(room.system), earlier, *room.bodies()), room.analyses())
    typed = ReadingEntered(
        round=AS_FOUND, step="quiet", seat="A2", quantity="everything off: L_Aeq", value=44.0, unit="dB"
    )
    yield from checks_of_job(job_of(defined(room.system), typed), Analyses())
    processor = replace(room.system.processor, speed_of_sound_m_s=343.0)
    yield from checks_of_job(job_of(defined(replace(room.system, processor=processor))), Analyses())
    surround = replace(room.system.channels[3], aim_m=(0.0, 3.3, 1.1))
    others = (replace(room.system.channels[4], aim_m=(0.0, 3.3, 1.1), coverage_deg=80.0),)
    furnished = replace(
        room.system,
        channels=(*room.system.channels[:3], surround, *others),
        seats=tuple(replace(seat, back_top_m=1.2) for seat in room.system.seats),
        obstacles=(Obstacle(id="column", from_m=(-2.2, 1.0, 0.0), to_m=(-2.0, 1.2, 2.6)),),
    )
    defaults = default_profile()
    own = LimitsChosen(profile=replace(defaults, limits=tuple(replace(each, own=True) for each in defaults.limits)))
    yield from checks_of_job(job_of(defined(furnished), own), Analyses())
    loud = analysis(
        low_hz=20.0, high_hz=20000.0, load=LoadAnalysis(harmonics_db={2: dict.fromkeys(THIRDS_HZ, -20.0)})
    )
    driven = [AnalysedResponse(1, AS_FOUND, "FL", "A2", None, True, loud, drive_db=10.0)]
    yield from checks_of_job(job_of(defined(room.system)), Analyses((), (), driven))
    added = defined(replace(room.system, processor=replace(room.system.processor, sub_reference_for="together")))
    yield from checks_of_job(job_of(added, *every_number(job_of(added))), Analyses())
    own_noise = replace(nc_noise(17, 1, state="FL on"), channel="FL")
    yield from checks_of_job(job_of(defined(room.system)), Analyses((), (), (), [own_noise]))
    yield from checks_of_job(*doubled.visit(("FL", "SiR", 0.0)))
    crossed = as_found(seats=2, high_pass_hz=80.0)
    yield from checks_of_job(crossed.job, crossed.analyses)
    answers = (decided("checklist", "mains", "ok"), reading("checklist", "lip-sync", 40.0, "ms", seat=None))
    yield from checks_of_job(job_of(defined(room.system), *answers), Analyses())


@pytest.fixture(scope="module")
def checks(sample: Path) -> list[Check]:
    return [*of_sample(sample), *of_rooms()]


def entries_of(check_id: str) -> list[CheckLimit]:
    """Entries by their id; one with "*" only if no entry has the id itself."""
    return [e for e in ENTRIES if e.check == check_id] or [e for e in ENTRIES if fnmatchcase(check_id, e.check)]


def is_listed(limit: Limit, entry: CheckLimit) -> bool:
    """Whether a limit equals its entry: the numbers, or the uncertainty if it states "U"."""
    if entry.quantity:
        listed = default_profile().of(entry.quantity)
        if entry.applies == WEAK_BASIS and limit.basis == f"{listed.basis}; {WEAK_BASIS}":
            listed = replace(listed, low=listed.lower - WEAK_DB, basis=limit.basis)
        if entry.applies == MIDRANGE_BASIS and limit.basis == f"{listed.basis}; {MIDRANGE_BASIS}":
            lows = (listed.lower + MIDRANGE_DB, listed.lower + MIDRANGE_DB - MIDRANGE_WEAK_DB)
            return limit.low in lows and replace(limit, low=listed.low, basis=listed.basis) == listed
        if limit.basis.startswith(f"{listed.basis}; plus one step"):  # added by the processor's steps and by u
            words = limit.basis.removeprefix(f"{listed.basis}; ")
            return entry.applies.endswith(words) and limit.lower < listed.lower and limit.upper > listed.upper
        if entry.check == "levels.repeat":  # for more than two readings
            return limit.upper >= listed.upper and replace(limit, high=listed.high) == listed
        return limit == listed
    assert entry.limit is not None
    bounds = ((entry.low, entry.limit.low, limit.low), (entry.high, entry.limit.high, limit.high))
    alike = all(math.isfinite(now or math.nan) if word else now == listed for word, listed, now in bounds)
    return alike and (limit.unit, limit.basis) == (entry.limit.unit, entry.limit.basis)


def test_every_check_of_every_step_has_its_limit_in_the_list(checks: list[Check]) -> None:
    assert len(checks) > 1000
    assert sorted({c.id for c in checks if not entries_of(c.id)}) == [], "name these in the limits of their step"
    other = {c.id: c.limit for c in checks if c.limit and not any(is_listed(c.limit, e) for e in entries_of(c.id))}
    assert other == {}, "compared with a limit that is not the listed one"


def test_nothing_is_listed_that_no_step_produces(checks: list[Check]) -> None:
    seen = {(id(e)) for c in checks if c.limit for e in entries_of(c.id) if is_listed(c.limit, e)}
    assert [e.check for e in ENTRIES if id(e) not in seen] == []


def test_every_entry_says_what_it_applies_to_and_where_it_comes_from() -> None:
    known = {each.quantity for each in default_profile().limits}
    for entry in ENTRIES:
        assert bool(entry.quantity) != (entry.limit is not None), entry
        if entry.limit is None:
            assert entry.quantity in known, entry
        else:
            assert entry.applies, entry
            assert entry.limit.basis, entry


def test_the_tables_hold_every_limit_and_every_rule() -> None:
    profile, fixed, rules = limits_tables(default_profile(), all_steps(), RULES)
    named = {check for row in profile.rows for check in str(row.cells[5]).split(", ")}
    named |= {str(row.cells[0]) for row in fixed.rows}
    assert named == {entry.check for entry in ENTRIES} | {"findings only"}
    assert [row.cells for row in rules.rows] == [(rule.id, rule.symptom, rule.basis) for rule in RULES]
    # As many decimals as the limits have: 0.25 needs two.
    values = [each for row in profile.rows for each in row.cells[1:3] if each is not None]
    needed = next(d for d in range(9) if all(round(float(each), d) == each for each in values))
    assert [each.decimals for each in profile.columns[1:3]] == [needed, needed]
    keys = Counter(row.key for table in (profile, fixed, rules) for row in table.rows)
    assert [key for key, count in keys.items() if count > 1] == []


def test_every_limit_says_what_share_of_rooms_passes_it() -> None:
    """By `python tests/bench shares`: less than 5 % of correctly set rooms should fail, and fewer pass with the fault."""
    rows = shipped_toml("limit_shares.toml")["share"]
    shares = {name: each for each in rows for name in each["limits"]}
    defaults = {each.quantity for each in default_profile().limits}
    assert shares.keys() == defaults | {e.check for e in ENTRIES if e.limit is not None}
    assert len(shares) == sum(len(each["limits"]) for each in rows)
    for name, share in shares.items():
        if "why" in share:
            assert "good" not in share and share["why"]
            continue
        passed, unsure, rooms = share["good"]
        assert passed + unsure >= 0.95 * rooms > 0, name
        if "bad" in share:
            bad_passed, bad_unsure, bad_rooms = share["bad"]
            assert bad_passed / bad_rooms <= passed / rooms, name
            assert (bad_passed + bad_unsure) / bad_rooms <= (passed + unsure) / rooms, name
        else:
            assert share["no_bad"], name
    profile, fixed, _ = limits_tables(default_profile(), all_steps(), RULES)
    assert all(row.cells[-1] for table in (profile, fixed) for row in table.rows)
