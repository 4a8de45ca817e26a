"""Decay of the main channels over the seats by octave, with the requirements of ITU-R BS.1116 for a listening room."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from commission.dsp.band_energy import OCTAVES
from commission.dsp.decay import decay_u_s
from commission.dsp.reverberation import mask_s, target_time_s
from commission.model import Analysis, Budget, Check, Column, Job, Table, table_of
from commission.model.formatting import number
from commission.model.verdict import surely_above
from commission.steps.seats.result import SeatsResult
from commission.steps.shared.budgets import single

OCTAVES_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
CHECKED_HZ = (500, 1000, 2000)
"""Octaves with a limit. Below them, plasterboard and modes dominate: a slow decay there does not mean a bare room."""
LARGEST_M3 = 283.0
"""Volume up to which ANSI/ASA S12.60 requires 0.6 s (from memory)."""
BASS_OCTAVES_HZ, SLOW_BASS_S = (63, 125), 2.0
"""Octaves and threshold of slow bass: twice the largest T20 of healthy rooms of two simulators
(tests/references/bass_decays.py), and four times the audible decay of a mode at 63 Hz (Fazenda et al. 2015,
second-hand)."""
RINGING = (
    "Whether single modes ring below 300 Hz is not determined: healthy rooms decay there as slowly as ringing is heard "
    f"(tests/references/bass_decays.py). Only T20 clearly above {SLOW_BASS_S:.0f} s at 63 or 125 Hz is a finding; "
    "otherwise a slow sweep, heard at the seat, settles it."
)
LEAST_SHARE = 1 / 3
"""Least share of the responses with a valid T20: a mean over a selected few is not the room's (common practice, no
source)."""
_REASONS = {
    ("bends", "bend"): ("BENT", "CURVED"),
    ("meets the noise too early", "meet the noise too early"): ("NOISE",),
    ("ends too early", "end too early"): ("SHORT",),
    ("is too short for the filter", "are too short for the filter"): ("FILTER",),
    ("holds no sound", "hold no sound"): ("SILENT", "BAND"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OctaveDecay:
    """Decay in one octave: means over all valid responses of main channels."""

    octave_hz: int
    t20_s: float | None
    u_s: float
    """Standard uncertainty of T20: the larger of ISO 3382-2 for this number of seats and the scatter over them."""
    edt_s: float | None
    c50_db: float | None
    valid: int
    """Number of responses with a valid T20."""
    responses: int


def octave_decays(result: SeatsResult) -> tuple[OctaveDecay, ...]:
    """Decay by octave; empty without an impulse response of a main channel."""
    measured = {
        place: cell.analysis
        for place, cell in result.cells.items()
        if cell.analysis is not None and (cell.analysis.t20_s or cell.analysis.t20_doubt)
    }
    if not measured:
        return ()
    widths = dict(zip(OCTAVES_HZ, OCTAVES.widths_hz, strict=True))
    return tuple(_octave(hz, float(widths[hz]), measured) for hz in OCTAVES_HZ)


def _octave(octave_hz: int, width_hz: float, measured: Mapping[tuple[str, str], Analysis]) -> OctaveDecay:
    at_seat: dict[str, list[float]] = {}
    for (_, seat), analysis in measured.items():
        if octave_hz in analysis.t20_s:
            at_seat.setdefault(seat, []).append(analysis.t20_s[octave_hz])
    times = [time for own in at_seat.values() for time in own]
    mean, u_s = (float(np.mean(times)), 0.0) if times else (None, 0.0)
    if mean is not None:
        seats = [float(np.mean(own)) for own in at_seat.values()]
        scatter_s = float(np.std(seats, ddof=1)) / math.sqrt(len(seats)) if len(seats) > 1 else 0.0
        u_s = max(decay_u_s("t20", mean, width_hz, len(seats)), scatter_s)
    return OctaveDecay(
        octave_hz=octave_hz,
        t20_s=mean,
        u_s=u_s,
        edt_s=_mean([a.edt_s[octave_hz] for a in measured.values() if octave_hz in a.edt_s]),
        c50_db=_mean([a.c50_db[octave_hz] for a in measured.values() if octave_hz in a.c50_db]),
        valid=len(times),
        responses=len(measured),
    )


def _mean(values: list[float]) -> float | None:
    return float(np.mean(values)) if values else None


def slow_bass(job: Job, octaves: Sequence[OctaveDecay]) -> tuple[OctaveDecay, ...]:
    """Octaves of the bass that surely decay more slowly than any healthy room of this size; none in large rooms."""
    return tuple(
        each
        for each in octaves
        if each.octave_hz in BASS_OCTAVES_HZ
        and each.t20_s is not None
        and surely_above(each.t20_s, SLOW_BASS_S, each.u_s)
        and _why_not(job, each) is None
    )


def decay_checks(job: Job, octaves: Sequence[OctaveDecay]) -> dict[int, Check]:
    """T20 of the middle octaves against the limit, by octave."""
    return {each.octave_hz: _check(job, each) for each in octaves if each.octave_hz in CHECKED_HZ}


def _check(job: Job, octave: OctaveDecay) -> Check:
    return Check(
        id=f"seats.decay.{octave.octave_hz}",
        value=octave.t20_s,
        unit="s",
        uncertainty=octave.u_s,
        limit=job.limit("seats.decay"),
        why_not=_why_not(job, octave),
        text=f"reverberation time T20, octave at {octave.octave_hz} Hz",
    )


def _why_not(job: Job, octave: OctaveDecay) -> str | None:
    """Reason why the decay of an octave has no limit."""
    volume_m3 = _volume_m3(job)
    if octave.valid < LEAST_SHARE * octave.responses:
        return f"T20 is valid in only {octave.valid} of {octave.responses} responses (a third is needed)"
    if octave.t20_s is None:
        return "no response shows it"
    if volume_m3 is not None and volume_m3 > LARGEST_M3:
        return f"the limit applies to rooms up to {LARGEST_M3:.0f} m³; this one has {volume_m3:.0f} m³"
    return None


def _volume_m3(job: Job) -> float | None:
    room = job.system.room
    return None if room is None else room.length_m * room.width_m * room.height_m


def decay_table(job: Job, octaves: Sequence[OctaveDecay], checks: Mapping[int, Check]) -> tuple[Table, ...]:
    """One row for each octave, or no table."""
    if not octaves:
        return ()
    volume_m3 = _volume_m3(job)
    target_s = None if volume_m3 is None or volume_m3 <= 0 else target_time_s(volume_m3)
    masks: dict[int, tuple[float, float]] = {}
    if target_s is not None:
        low_s, high_s = mask_s(OCTAVES.centres_hz, target_s)
        masks = {hz: (float(a), float(b)) for hz, a, b in zip(OCTAVES_HZ, low_s, high_s, strict=True)}

    def against_mask(octave: OctaveDecay) -> str:
        low_s, high_s = masks.get(octave.octave_hz, (math.nan, math.nan))
        if octave.t20_s is None or not math.isfinite(low_s):
            return ""
        return "below" if octave.t20_s < low_s else "above" if octave.t20_s > high_s else "inside"

    about = (
        "The target needs the size of the room (Site)."
        if target_s is None
        else f"Target of ITU-R BS.1116 for {number(volume_m3, 0)} m³: {number(target_s, 2)} s; its mask is for listening "
        "rooms of studios, and only shown, not checked."
    )
    table = table_of(
        octaves,
        (Column(key="octave", title="Octave", unit="Hz", decimals=0), lambda each: float(each.octave_hz)),
        (Column(key="t20", title="T20", unit="s", decimals=2), lambda each: each.t20_s),
        (Column(key="u", title="U", unit="s", decimals=2), lambda each: None if each.t20_s is None else 2 * each.u_s),
        (Column(key="valid", title="Valid"), lambda each: f"{each.valid} of {each.responses}"),
        (
            Column(key="low", title="Mask from", unit="s", decimals=2),
            lambda each: masks.get(each.octave_hz, (None,))[0],
        ),
        (Column(key="high", title="to", unit="s", decimals=2), lambda each: masks.get(each.octave_hz, (None,))[-1]),
        (Column(key="mask", title="Mask"), against_mask),
        (Column(key="edt", title="EDT", unit="s", decimals=2), lambda each: each.edt_s),
        (Column(key="c50", title="C50", unit="dB", decimals=1), lambda each: each.c50_db),
        id="decay",
        title="Decay of the main channels, mean over the seats",
        key=lambda each: str(each.octave_hz),
        check=lambda each: checks.get(each.octave_hz),
        remark=f"{about} {RINGING}",
    )
    return (table,)


def decay_budgets(octaves: Sequence[OctaveDecay]) -> tuple[Budget, ...]:
    """What the uncertainty of each checked octave is made of."""
    return tuple(
        single(
            f"seats.decay.{each.octave_hz}",
            "Reverberation time of the room",
            "number of seats, or scatter over them where that is larger",
            each.u_s,
            "ISO 3382-2 Annex A (from memory); scatter measured",
            "s",
        )
        for each in octaves
        if each.octave_hz in CHECKED_HZ and each.t20_s is not None
    )


def decay_remark(result: SeatsResult) -> tuple[str, ...]:
    """Reason why T20 is missing, in one sentence, or none."""
    analyses = [cell.analysis for cell in result.cells.values() if cell.analysis is not None]
    doubts = Counter(doubt for analysis in analyses for doubt in analysis.t20_doubt.values())
    if not doubts:
        return ()
    total = doubts.total() + sum(len(analysis.t20_s) for analysis in analyses)
    counts = ((sum(doubts[name] for name in names), words) for words, names in _REASONS.items())
    parts = ", ".join(f"{count} {words[count > 1]}" for count, words in counts if count)
    return (f"T20 is not determined for {doubts.total()} of {total} decays (response and octave): {parts}.",)
