"""Share of simulated rooms that passes each limit: rooms set correctly, and rooms with the fault meant by the limit.

    python tests/bench shares [rooms] > commission/model/limit_shares.toml
    python tests/bench shares [rooms] seats.direct …    # only the rows of limits that changed, with faults in rooms

Rooms, visits and faults are those of `python tests/bench faults` (simulators that share no code with the analysis), the bass
that of `python tests/references/bass_rooms.py`, its crossover that of `python tests/bench holes`, the plans that the limits of
layout are compared with those of `python tests/references/plans.py`. A room fails a limit when one of its checks does, and is undecided when none fails and one is unsure;
with a fault, only checks of the channels and seats that have it count. Rooms in which nothing is tested against a limit are left
out.
"""

from __future__ import annotations

import json
import sys
import zlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path

import holes
import numpy as np
from holes import BINS_HZ, crossover_room

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from references import bass_rooms, plans
from rooms import matrix
from rooms.faults import FAULTS, Planted
from rooms.visits import Memory, Result
from rooms.visits import run as visit

from commission.dsp.crossover import CrossoverPair, fit_crossover
from commission.model import Check, Verdict, default_profile
from commission.steps import all_steps
from commission.steps.bass import CROSSOVER, CROSSOVER_U_DB

PLANTED = {
    "levels.match": "wrong trim",
    "levels.reference": "all levels",
    "distances.setting": "wrong distance",
    "distances.arrival": "no delays",
    "distances.place": "swapped pair",
    "distances.sub": "sub latency",
    "seats.driver": "dead tweeter",
    "seats.direct": "blocked at a seat",
    "seats.polarity": "reversed loudspeaker",
    "seats.clipped": "clipped",
    "seats.row-null": "row in a null",
    "settings.trim": "wrong trim",
    "settings.dialogue": "centre low",
    "wiring.distortion.mid": "distortion",
    "wiring.leakage": "leaking channel",
    "wiring.leakage.hidden": "upmixer on",
}
ONLY = {"no delays": "bypassed"}
"""Arrivals agree with equal settings that the job holds; those are an error of the settings alone."""
FINDINGS = {
    "settings.trim": ("levels.match", "settings.trims"),
    "settings.dialogue": ("levels.match", "settings.dialogue"),
    "seats.row-null": ("seats.bass", "room.row-null"),
}
"""Limits that only findings use: the check that shows that something was measured, and the finding."""
METER_PASSES = 3
"""Meter readings of every channel: one reading decides nothing."""
REASONS = {
    "levels.sum": "the simulated jobs do not say how subwoofers add",
    "checklist.lip-sync": "it is no matter of the room; recordings with a known offset: tests/dsp/test_lip_sync.py",
    "checklist": "people answer it",
    "layout.direction": "a standard layout meets it by definition, and without a limit of your own it is information",
    "layout": "the simulated plans hold no axes, seat backs and obstacles",
    "site": "it is what was entered",
    "quiet": "no simulator of rooms decides how loud its ventilation and its hum are",
    "dialogue": "no simulator of rooms decides how loud noise and speech are",
    "wiring": "the simulated visits hold no recording that tests it",
    "handover": "people answer it",
    **dict.fromkeys(
        ("drift.trim_db", "drift.held_distance", "drift.held_polarity"),
        "a setting that nobody changed is equal at both visits",
    ),
    "drift": "it compares two visits: 1 of 100 unchanged rooms fails, up to 5 with the meter 5 cm beside the seat (python tests/bench returns)",
    "compare": "it compares two rounds: at most 5 of 100 unchanged rooms get a word (python tests/bench words)",
}
NO_FAULT = {
    "levels.repeat": "no fault that is planted scatters the readings",
    "seats.snr": "a noisy recording is no fault of a room",
    "seats.level": "no fault that is planted changes all of the sound at one seat",
    "seats.sub-level": "no fault that is planted changes all of the bass at one seat",
    "seats.decay": "the rooms differ in what they absorb, and no fault is planted in that",
    "wiring.distortion.bass": "no distortion of bass is planted",
    "site": "the simulated jobs lack no entry",
}
"""Limits of which only rooms set correctly have a share."""
NOTES = {
    "levels.match": f"every channel was read {METER_PASSES} times; by readings: python tests/bench visits",
    "bass.crossover": "rooms of python tests/bench holes, at 80 Hz; a delay in the octave hides most of a reversal in many",
}
"""Conditions of a share."""
OTHERWISE = "the simulated visits hold no such measurement"
MOST_BAD, FIRST, BASS_ROOMS, PLANS = 16, 1, 100, 100
STANDARD_SHARE = 0.95
"""A limit that fewer plans by the standard pass is another rule than the standard."""
HIDDEN = {"wiring.leakage", "wiring.leakage.hidden"}
"""One check is held against the first where a second loudspeaker is found, otherwise against the other."""
Shares = dict[str, list[Verdict]]


def against(check: Check) -> set[str]:
    """The limits that a check is compared with: quantities of the profile, ids of checks with a fixed limit."""
    assert check.limit is not None
    names = {each.quantity for each in default_profile().limits if check.limit.basis.startswith(each.basis)}
    names |= {
        e.check for step in all_steps() for e in step.limits if e.limit is not None and fnmatchcase(check.id, e.check)
    }
    return names | HIDDEN if names & HIDDEN else names


def verdicts(result: Result, planted: Planted | None = None) -> dict[str, Verdict]:
    """Limit → the worst verdict against it, of the checks tested that may have the fault."""
    out: dict[str, list[Verdict]] = {}
    tested = set()
    for check in (check for outcome in result.outcomes.values() for check in outcome.checks):
        if check.limit is None or check.verdict is Verdict.NOT_TESTED:
            continue
        tested.add(check.id)
        if planted is None or (_of(check.channel, planted.channels) and _of(check.seat, planted.seats)):
            for name in against(check):
                out.setdefault(name, []).append(check.verdict)
    found = {finding.id for finding in result.findings}
    for quantity, (check_id, name) in FINDINGS.items():
        if check_id in tested:
            out[quantity] = [Verdict.FAIL if any(each.startswith(name) for each in found) else Verdict.PASS]
    return {name: plans.worst(each) for name, each in out.items()}


def _of(name: str | None, named: Collection[str]) -> bool:
    return name is None or not named or name in named


def surveyed(rooms: int, wanted: Sequence[str]) -> tuple[Shares, Shares]:
    """Limit → the verdict on each room: set correctly, and with the fault of `PLANTED`; of all or the wanted ones."""
    chosen = {name: fault for name, fault in PLANTED.items() if not wanted or name in wanted}
    good: Shares = {}
    bad: Shares = {}
    for seed in range(FIRST, FIRST + rooms):
        installation = matrix.cached_installation(seed, matrix.simulator_of(seed), matrix.default_cache())
        installation.healthy.meter_passes = METER_PASSES
        memory = Memory()
        for name, verdict in verdicts(visit(installation, installation.healthy, memory)).items():
            good.setdefault(name, []).append(verdict)
        for fault in dict.fromkeys(chosen.values()):
            limits = [name for name, planted in chosen.items() if planted == fault]
            if all(len(bad.get(name, ())) >= MOST_BAD for name in limits):
                continue
            planted = FAULTS[fault](installation, np.random.default_rng([7, seed, zlib.crc32(fault.encode())]))
            if planted is None or not planted.decidable or planted.text != ONLY.get(fault, planted.text):
                continue
            found = verdicts(visit(installation, planted.plan, memory), planted)
            for name in limits:
                if name in found:
                    bad.setdefault(name, []).append(found[name])
        print(f"room {seed}", file=sys.stderr, flush=True)
    return good, bad


def of_bass() -> Iterator[tuple[str, list[Verdict], list[Verdict]]]:
    """The limits of bass in rooms with two subwoofers, and with one of them reversed."""
    right, reversed_one = (
        np.concatenate([bass_rooms.survey(simulator, setup, BASS_ROOMS) for simulator in bass_rooms.SIMULATORS])
        for setup in ("two subwoofers", "two, one reversed")
    )
    profile = default_profile()
    for name, column in (("seats.null", 1), ("room.uneven", 0)):
        limit = profile.of(name)
        good, bad = (
            [Verdict.PASS if limit.lower <= each <= limit.upper else Verdict.FAIL for each in found[:, column]]
            for found in (right, reversed_one)
        )
        yield name, good, bad


def of_crossover() -> tuple[list[Verdict], list[Verdict]]:
    """What a common delay and polarity would add in rooms with aligned subwoofers, and with reversed ones."""

    def judged(subs: np.ndarray, mains: np.ndarray) -> Verdict:
        fit = fit_crossover(CrossoverPair(subs, mains, BINS_HZ, holes.CORNER_HZ))
        return CROSSOVER.judge(float(np.max(fit.after_db - fit.before_db)), CROSSOVER_U_DB)

    rooms = [
        crossover_room(holes.FIRST + seed, simulator, mains)
        for simulator, count in holes.ROOMS.items()
        for mains in ("closed", "vented")
        for seed in range(count)
    ]
    return [judged(subs, mains) for subs, mains in rooms], [judged(-subs, mains) for subs, mains in rooms]


def reason(reasons: Mapping[str, str], name: str) -> str:
    """Why a limit was not simulated, or no fault against it."""
    return reasons.get(name) or reasons.get(name.partition(".")[0], OTHERWISE)


def run(arguments: list[str] | None = None) -> None:
    """Run and print the table as TOML."""
    rooms = int(arguments[0]) if arguments else 24
    wanted = arguments[1:] if arguments else []
    good, bad = surveyed(rooms, wanted)
    faults = dict(PLANTED)
    if wanted:
        good = {name: good.get(name, []) for name in wanted}
        _print(good, bad, faults, {})
        return
    good = {name: each for name, each in good.items() if not name.startswith("layout.")}
    for name, right, wrong in of_bass():
        good[name], bad[name], faults[name] = right, wrong, "a subwoofer reversed"
    good["bass.crossover"], bad["bass.crossover"] = of_crossover()
    faults["bass.crossover"] = "all subwoofers reversed"
    reasons = {}
    for name, right, wrong, mistake in plans.both(PLANS):
        if len(right) - right.count(Verdict.FAIL) < STANDARD_SHARE * len(right):
            reasons[name] = (
                "the simulated plans follow ITU-R BS.2051, which is for one listener, and this rule covers every seat: "
                f"{right.count(Verdict.PASS)} of {len(right)} of them pass, and {wrong.count(Verdict.PASS)} of "
                f"{len(wrong)} with {mistake}"
            )
        else:
            good[name], bad[name], faults[name] = right, wrong, mistake
    names = [each.quantity for each in default_profile().limits]
    names += [e.check for step in all_steps() for e in step.limits if e.limit is not None]
    print(f"# Made by `python tests/bench shares {rooms}`: [passed, undecided, all] rooms tested against each limit.")
    _print({name: good.get(name, []) for name in dict.fromkeys(names)}, bad, faults, reasons)


def _print(good: Shares, bad: Shares, faults: dict[str, str], reasons: dict[str, str]) -> None:
    """One table for each limit that was tested, and one for all that were not for the same reason."""
    untested: dict[str, list[str]] = {}
    for name, right in good.items():
        if not right:
            untested.setdefault(reasons.get(name) or reason(REASONS, name), []).append(name)
            continue
        print(f'\n[[share]]\nlimits = ["{name}"]\ngood = {_counts(right)}')
        if name in bad:
            print(f'bad = {_counts(bad[name])}\nfault = "{faults[name]}"')
        else:
            print(f'no_bad = "{reason(NO_FAULT, name)}"')
        if name in NOTES:
            print(f'note = "{NOTES[name]}"')
    for why, names in untested.items():
        print(f'\n[[share]]\nlimits = {json.dumps(names)}\nwhy = "{why}"')


def _counts(verdicts: Sequence[Verdict]) -> list[int]:
    """Passed, undecided, all."""
    return [verdicts.count(Verdict.PASS), verdicts.count(Verdict.UNSURE), len(verdicts)]


if __name__ == "__main__":
    run(sys.argv[1:])
