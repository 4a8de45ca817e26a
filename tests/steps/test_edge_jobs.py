"""Jobs with hardly any usable data: every step and rule must run and conclude nothing."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from builders import cinema, defined, job_of, levels, setting
from sound_room import SoundRoom

from commission.diagnosis import findings
from commission.dsp.spectrum import GRID_HZ
from commission.model import AS_FOUND, AS_LEFT, Analyses, Job, Outcome, Verdict
from commission.steps import all_steps

MAINS = ["FL", "FC", "FR", "SiL", "SiR"]
FEW = [*MAINS, "SUB1", "SUB2"]


def one_seat() -> SoundRoom:
    return SoundRoom(cinema(MAINS, ["A2"]))


def weights(*values: float) -> SoundRoom:
    seats = tuple(replace(s, weight=w) for s, w in zip(cinema(FEW).seats, values, strict=True))
    return SoundRoom(cinema(FEW, seats=seats))


def muted() -> SoundRoom:
    """Noise only: 60 dB down, no arrival, no polarity."""
    why = {"arrival": "in the noise", "polarity": "in the noise"}
    return (
        SoundRoom(cinema(FEW))
        .add_db(None, -60)
        .change(None, snr_db=1.0, arrival_s=None, polarity=None, direct=None, bass=None, why=why)
    )


def nothing_known() -> SoundRoom:
    gone = np.full(len(GRID_HZ), np.nan)
    return SoundRoom(cinema(FEW)).change(
        None,
        third_octave_db=gone,
        view_db=gone,
        level_db=None,
        snr_db=None,
        arrival_s=None,
        polarity=None,
        bass=None,
        clipped=None,
        has_phase=False,
    )


ROOMS: dict[str, Callable[[], SoundRoom]] = {
    "one seat": one_seat,
    "one channel": lambda: SoundRoom(cinema(["FC"])),
    "one channel at one seat": lambda: SoundRoom(cinema(["FC"], ["A2"])),
    "no subwoofers": lambda: SoundRoom(cinema(MAINS)),
    "subwoofers only": lambda: SoundRoom(cinema(["SUB1", "SUB2"])),
    "one subwoofer": lambda: SoundRoom(cinema(["SUB1"])),
    "seats without weight": lambda: weights(0, 0, 0, 0, 0, 0),
    "one seat with weight": lambda: weights(0, 1, 0, 0, 0, 0),
    "reference seat not measured": lambda: SoundRoom(cinema(FEW)).drop(None, ["A2"]),
    "all muted": muted,
    "nothing known": nothing_known,
    "all clipped": lambda: SoundRoom(cinema(FEW)).change(None, clipped=True),
}


def evaluated(room: SoundRoom, job: Job, round_id: str, analyses: Analyses) -> dict[str, Outcome]:
    outcomes = {step.id: step.evaluate(job, round_id, analyses) for step in all_steps()}
    for finding in findings(job, round_id, analyses, outcomes):
        assert not any("nan" in text.lower().split() for text in (finding.title, *finding.evidence))
    return outcomes


@pytest.mark.parametrize("name", ROOMS)
def test_every_step_runs_and_states_why_it_gives_no_verdict(name: str) -> None:
    room = ROOMS[name]()
    job = room.job()
    for analyses in (room.analyses(), Analyses()):
        for round_id in (AS_FOUND, AS_LEFT, "never begun"):
            for outcome in evaluated(room, job, round_id, analyses).values():
                for check in outcome.checks:
                    if check.verdict is Verdict.NOT_TESTED:
                        assert check.why_not, check
                    else:
                        assert check.value is not None
                        assert math.isfinite(check.value)
                        assert math.isfinite(check.uncertainty)
                shown = [cell for table in outcome.tables for row in table.rows for cell in row.cells]
                assert not any(isinstance(cell, float) and math.isnan(cell) for cell in shown)


def test_muted_channels_pass_nothing_and_are_blamed_on_no_cable() -> None:
    room = muted()
    bodies = [setting(c.id, trim_db=0.0, distance=3.0, polarity="normal") for c in room.system.channels]
    job = job_of(defined(room.system), *levels(dict.fromkeys(room.distances_m, 34.0)), *bodies)
    outcomes = evaluated(room, job, AS_FOUND, room.analyses())
    assert outcomes["seats"].verdict is Verdict.FAIL  # signal to noise
    assert outcomes["levels"].verdict is Verdict.FAIL
    passed = {c.id for c in outcomes["seats"].checks if c.verdict is Verdict.PASS}
    assert not passed & {"seats.snr", "seats.polarity"}
    found = {finding.id for finding in findings(job, AS_FOUND, room.analyses(), outcomes)}
    assert "measurement.noise" in found
    assert not {"wiring.polarity", "wiring.swapped", "wiring.tweeter", "measurement.gain"} & found


def test_one_seat_is_compared_with_no_mean_and_no_other_seat() -> None:
    room = one_seat()
    checks = {c.id for o in evaluated(room, room.job(), AS_FOUND, room.analyses()).values() for c in o.checks}
    assert not checks & {"seats.level", "seats.bass", "seats.direct", "distances.place"}
