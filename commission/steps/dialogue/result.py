"""Speech transmission index at each seat, and the gain of each remedy.

STI by IEC 60268-16 from the centre's response, the level of speech at the seat and the noise of one state. The speech
level is set for the reference seat with the centre at its target; deviations of the centre's level, also at other seats,
change it by the same amount.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from commission.dsp.speech import (
    NORMAL_SPEECH_DBA,
    OCTAVES_HZ,
    heard_modulation,
    speech_levels_db,
    speech_transmission_index,
)
from commission.model import Analyses, Budget, Channel, Check, Contribution, FloatArray, Job
from commission.model.noise_states import NEIGHBOURS, spelled
from commission.model.verdict import surely_below
from commission.steps import levels, quiet, seats
from commission.steps.quiet.result import Noise
from commission.steps.shared.cache import cached

SPEECH_DBA = (NORMAL_SPEECH_DBA, 65.0, 70.0)
"""Available levels: normal effort at 1 m (ISO 9921, from memory), and louder playback."""
LOUDER_DBA = 70.0
RAISED_DB = 3.0
"""Increase of level for which the gain is shown."""
STI_U = 0.02
"""Standard uncertainty of the method: IEC 60268-16 gives 0.02 to 0.03 between repeats (from memory); two libraries agree
within 0.008."""
NOISE_U_DB = 2.0
"""Least standard uncertainty of the noise: it varies between seats (common practice, no source)."""
C50_HZ = (500, 1000)
"""Octaves whose mean is the single figure of clarity (ISO 3382-1:2009 Table A.1, from memory)."""
SPEECH_LEVEL, NOISE_STATE = "speech_level", "noise_state"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatDialogue:
    """Speech at one seat."""

    seat: str
    sti: float | None
    """STI with the noise of the chosen state; None without one."""
    sti_without_noise: float | None
    sti_louder: float | None
    """As `sti`, or without noise if that is None, for speech of 70 dB(A) at the reference seat."""
    c50_db: float | None
    speech_db: float
    """A-weighted level of speech at the seat."""
    centre_db: float | None
    """Level of the centre minus the mean of left and right at this seat."""
    noise_state: str | None
    gain_noise: float | None
    """Gain of STI without the noise …"""
    gain_room: float | None
    """… without reverberation …"""
    gain_level: float | None
    """… with speech louder by 3 dB."""
    check: Check
    budget: Budget
    why: str = ""

    @property
    def cause(self) -> str:
        """Main cause of loss: "noise", "room", "level", or "" if unknown."""
        gains = {"noise": self.gain_noise, "room": self.gain_room, "level": self.gain_level}
        known = {key: value for key, value in gains.items() if value is not None}
        return max(known, key=lambda key: known[key], default="") if known else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DialogueResult:
    """All seats of a round."""

    centre: Channel | None
    seats: tuple[SeatDialogue, ...]
    state: str | None
    """State whose noise is combined with the speech; None: no usable noise."""
    states: tuple[str, ...]
    """States available for selection."""
    why_no_noise: str
    speech_dba: float
    """Level at the reference seat with the centre at its target, as chosen."""
    centre_off_db: float
    """Level of the centre at the reference seat minus its target; 0 if unknown."""
    centre_off_from: str
    """Source of that level, as a clause; "" if unknown."""

    @property
    def heard(self) -> tuple[SeatDialogue, ...]:
        """Seats with an index."""
        return tuple(each for each in self.seats if each.sti_without_noise is not None)


def speech_level_dba(job: Job, round_id: str) -> float:
    """The chosen level of speech at the reference seat; 60 dB(A) without a valid choice."""
    text = job.decisions.get((round_id, "dialogue", SPEECH_LEVEL), "")
    try:
        level = float(text)
    except ValueError:
        return NORMAL_SPEECH_DBA
    return level if 30.0 <= level <= 100.0 else NORMAL_SPEECH_DBA


@cached
def solve(job: Job, round_id: str, analyses: Analyses) -> DialogueResult:
    """Speech at every seat of a round."""
    system, centre = job.system, job.system.centre
    room = quiet.solve(job, round_id, analyses)
    usable = {name: own for name, own in room.by_state.items() if any(_has_octaves(n) for n in own)}
    state = _state(job, round_id, usable)
    why_no_noise = "" if state else _why_no_noise(room)
    speech_dba = speech_level_dba(job, round_id)
    found = seats.solve(job, round_id, analyses)
    reference = system.reference_seat
    off_db, off_from = _centre_off(job, round_id, analyses, found)
    out = []
    for seat in system.seats:
        cell = None if centre is None else found.cells.get((centre.id, seat.id))
        if centre is None or cell is None or (cell.analysis is None and not cell.problems):
            continue
        base = found.cells.get((centre.id, reference.id)) if reference is not None else None
        shift = (
            cell.level_db - base.level_db
            if base is not None and base.level_db is not None and cell.level_db is not None
            else 0.0
        )
        noise = None if state is None else _noise_at(usable[state], seat.id)
        out.append(_seat(job, seat.id, cell, found, centre, speech_dba, off_db + shift, noise, why_no_noise))
    return DialogueResult(
        centre=centre,
        seats=tuple(out),
        state=state,
        states=tuple(usable),
        why_no_noise=why_no_noise,
        speech_dba=speech_dba,
        centre_off_db=off_db,
        centre_off_from=off_from,
    )


def _centre_off(job: Job, round_id: str, analyses: Analyses, found: seats.SeatsResult) -> tuple[float, str]:
    """Deviation of the centre from its target at the reference seat: as read, otherwise relative to left and
    right there.
    """
    centre, reference = job.system.centre, job.system.reference_seat
    if centre is None or reference is None:
        return 0.0, ""
    read = levels.solve(job, round_id, analyses).channels.get(centre.id)
    if read is not None:
        return -read.correction_db, "as read with the meter"
    beside = _against_sides(job, found, centre, reference.id)
    return (0.0, "") if beside is None else (beside, "relative to left and right, by the responses")


def _has_octaves(noise: Noise) -> bool:
    return noise.calibrated and set(OCTAVES_HZ) <= set(noise.octave_db)


def _state(job: Job, round_id: str, usable: Mapping[str, tuple[Noise, ...]]) -> str | None:
    """The chosen state; otherwise the loudest except for neighbours, whom nobody can switch off."""
    chosen = job.decisions.get((round_id, "dialogue", NOISE_STATE), "")
    by_choice = next((name for name in usable if spelled(name) == spelled(chosen)), None)
    if by_choice is not None:
        return by_choice
    own = {name: noises for name, noises in usable.items() if noises[0].known != NEIGHBOURS} or dict(usable)
    loudest = quiet.loudest(noise for noises in own.values() for noise in noises)
    return next((name for name, noises in own.items() if loudest in noises), None)


def _why_no_noise(room: quiet.QuietResult) -> str:
    if not room.noises:
        return "the noise of the room was not measured"
    if not any(noise.calibrated for noise in room.noises):
        return "the noise was recorded without calibration"
    return "the noise is not known in octave bands from 125 Hz to 8 kHz"


def _noise_at(noises: tuple[Noise, ...], seat: str) -> Noise | None:
    """Noise measured at the seat, otherwise the loudest of the state."""
    known = [noise for noise in noises if _has_octaves(noise)]
    return next((noise for noise in known if noise.seat == seat), None) or quiet.loudest(known)


def _index(transfer: FloatArray, speech_dba: float, noise_db: FloatArray | None) -> float:
    return float(speech_transmission_index(heard_modulation(transfer, speech_levels_db(speech_dba), noise_db)))


def _seat(
    job: Job,
    seat: str,
    cell: seats.Cell,
    found: seats.SeatsResult,
    centre: Channel,
    set_dba: float,
    shift_db: float,
    noise: Noise | None,
    why_no_noise: str,
) -> SeatDialogue:
    """Speech at one seat. `set_dba`: level at the reference seat with the centre at its target; `shift_db`: difference at
    this seat.
    """
    a, speech_dba = cell.analysis, set_dba + shift_db
    transfer, why = _transfer(cell)
    noise_db = None if noise is None else np.array([noise.octave_db[hz] for hz in OCTAVES_HZ])
    sti = without = louder = gain_noise = gain_room = gain_level = None
    parts = [Contribution(source="method of the index", u=STI_U, unit="STI", basis="IEC 60268-16 (from memory)")]
    if transfer is not None:
        without = _index(transfer, speech_dba, None)
        now = _index(transfer, speech_dba, noise_db)
        louder = _index(transfer, LOUDER_DBA + shift_db, noise_db)
        gain_room = _index(np.ones_like(transfer), speech_dba, noise_db) - now
        gain_level = _index(transfer, speech_dba + RAISED_DB, noise_db) - now
        if noise_db is not None and noise is not None:
            sti, gain_noise = now, without - now
            parts.append(_of_noise(transfer, speech_dba, noise_db, math.hypot(NOISE_U_DB, noise.budget.u)))
    budget = Budget(
        id="dialogue.sti", title="Speech transmission index", unit="STI", contributions=tuple(parts), seat=seat
    )
    return SeatDialogue(
        seat=seat,
        sti=sti,
        sti_without_noise=without,
        sti_louder=louder,
        c50_db=_c50_db({} if a is None else a.c50_db),
        speech_db=speech_dba,
        centre_db=_against_sides(job, found, centre, seat),
        noise_state=None if noise is None else noise.state,
        gain_noise=gain_noise,
        gain_room=gain_room,
        gain_level=gain_level,
        check=_check(job, seat, centre, sti, without, budget, why, why_no_noise),
        budget=budget,
        why=why,
    )


def _transfer(cell: seats.Cell) -> tuple[FloatArray | None, str]:
    """The modulation transfer of a response, or None and the reason why it is unknown."""
    found = cell.analysis
    if found is None:
        return None, cell.problems[-1] if cell.problems else "its response cannot be used"
    if found.modulation is None or not np.isfinite(found.modulation).all():
        return None, found.why.get("speech", "its response does not cover all octaves from 125 Hz to 8 kHz")
    return found.modulation, ""


def _of_noise(transfer: FloatArray, speech_dba: float, noise_db: FloatArray, u_db: float) -> Contribution:
    """Uncertainty of the index from the standard uncertainty `u_db` of the noise level."""
    softer, louder = (_index(transfer, speech_dba, noise_db + d) for d in (-u_db, u_db))
    return Contribution(
        source="level of the noise at the seat",
        u=u_db,
        unit="dB",
        sensitivity=abs(softer - louder) / (2 * u_db),
        basis="calibration, and 2 dB between seats; common practice, no source",
    )


def _check(
    job: Job,
    seat: str,
    centre: Channel,
    sti: float | None,
    without: float | None,
    budget: Budget,
    why: str,
    why_no_noise: str,
) -> Check:
    """Check of the index with noise; without noise, the index in silence can only fail, since noise never raises it."""
    limit, value, reason = job.limit("dialogue.sti"), sti, why or None
    if sti is None and reason is None:
        value = without
        if without is None or not surely_below(without, limit.lower, budget.u):
            reason = (
                f"{why_no_noise}; without noise it would be {without:.2f}" if without is not None else why_no_noise
            )
    return Check(
        id="dialogue.sti",
        channel=centre.id,
        seat=seat,
        value=value,
        unit="STI",
        uncertainty=budget.u,
        limit=limit,
        why_not=reason,
        text="speech transmission index",
    )


def _c50_db(by_octave: Mapping[int, float]) -> float | None:
    known = [by_octave[hz] for hz in C50_HZ if hz in by_octave]
    return float(np.mean(known)) if len(known) == len(C50_HZ) else None


def _against_sides(job: Job, found: seats.SeatsResult, centre: Channel, seat: str) -> float | None:
    """Level of the centre minus the mean of the screen loudspeakers on both sides of it."""
    pair = {"FC": ("FL", "FR"), "C": ("L", "R")}.get(centre.id)
    if pair is None:
        return None
    levels = [cell.level_db for c in (centre.id, *pair) if (cell := found.cells.get((c, seat))) is not None]
    known = [level for level in levels if level is not None]
    return known[0] - (known[1] + known[2]) / 2 if len(known) == 3 else None
