"""Tonal balance of each main channel over its seats, and its difference from its group of screen, surround or height.

Each seat's own level is subtracted first, so that neither a trim nor a distance counts as tone. For information only: the
effect of a difference depends on the directions, and no standard limits it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from commission.model import Analysis, Column, Table, table_of
from commission.steps.seats.result import SeatsResult

OCTAVES_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
TILT_HZ = (200.0, 10_000.0)
"""Range of the tilt: from above most rooms' single modes to the upper end of typical data sheets."""
LEAST_SHARE = 0.8
"""Least share of a band, or of the range of the tilt, inside the loudspeaker's own band."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Balance of one channel, mean over the seats at which its whole group was measured."""

    channel: str
    group: str
    seats: tuple[str, ...]
    tilt_db: float | None
    """Slope of a straight line through its third octaves [dB per octave]; below zero, it falls toward the treble."""
    bands_db: dict[int, float]
    """Level of each octave re 500 to 2000 Hz."""
    tilt_from_group_db: float | None = None
    from_group_db: dict[int, float] | None = None
    """Those levels minus the mean of the group; None for a channel without others in its group."""


def balances(result: SeatsResult) -> tuple[Balance, ...]:
    """Balance of each main channel with a known level at a seat, group by group."""
    measured: dict[str, dict[str, Analysis]] = {}
    groups: dict[str, list[str]] = {}
    for (channel, seat), cell in result.cells.items():
        analysis = cell.analysis
        if analysis is None or analysis.level_db is None or cell.channel.is_sub:
            continue
        measured.setdefault(channel, {})[seat] = analysis
        if channel not in groups.setdefault(cell.channel.role, []):
            groups[cell.channel.role].append(channel)
    out: list[Balance] = []
    for role, channels in groups.items():
        common = [s for s in measured[channels[0]] if all(s in measured[c] for c in channels)]
        if common:
            out += _against_group([_balance(c, role, common, measured[c]) for c in channels])
    return tuple(out)


def _balance(channel: str, role: str, seats: list[str], analyses: dict[str, Analysis]) -> Balance:
    levels = np.array([analyses[s].third_octave_db - (analyses[s].level_db or 0.0) for s in seats])
    usable = np.all([_own_band(analyses[s]) for s in seats], axis=0) & np.all(np.isfinite(levels), axis=0)
    mean = levels.mean(axis=0)
    freq_hz = analyses[seats[0]].freq_hz
    span = (freq_hz >= TILT_HZ[0]) & (freq_hz <= TILT_HZ[1])
    tilt = None
    if _mostly(usable[span]):
        at = span & usable
        tilt = float(np.polyfit(np.log2(freq_hz[at]), mean[at], 1)[0])
    bands = {}
    for hz in OCTAVES_HZ:
        inside = (freq_hz >= hz / 2**0.5) & (freq_hz <= hz * 2**0.5)
        if _mostly(usable[inside]):
            bands[hz] = float(mean[inside & usable].mean())
    return Balance(channel=channel, group=role, seats=tuple(seats), tilt_db=tilt, bands_db=bands)


def _own_band(analysis: Analysis) -> NDArray[np.bool_]:
    low, high = analysis.low_hz or 0.0, analysis.high_hz or np.inf
    return np.asarray((analysis.freq_hz >= low) & (analysis.freq_hz <= high))


def _mostly(usable: NDArray[np.bool_]) -> bool:
    return usable.size > 1 and float(usable.mean()) >= LEAST_SHARE


def _against_group(group: list[Balance]) -> list[Balance]:
    if len(group) < 2:
        return group
    tilts = [each.tilt_db for each in group]
    mean_tilt = None if None in tilts else float(np.mean([t for t in tilts if t is not None]))
    shared = [hz for hz in OCTAVES_HZ if all(hz in each.bands_db for each in group)]
    means = {hz: float(np.mean([each.bands_db[hz] for each in group])) for hz in shared}
    return [
        replace(
            each,
            tilt_from_group_db=None if mean_tilt is None or each.tilt_db is None else each.tilt_db - mean_tilt,
            from_group_db={hz: each.bands_db[hz] - means[hz] for hz in shared},
        )
        for each in group
    ]


def balance_table(found: Iterable[Balance]) -> tuple[Table, ...]:
    """One row for each channel, or no table."""
    rows = tuple(found)
    if not rows:
        return ()

    def band(hz: int) -> Column:
        return Column(
            key=str(hz), title=str(hz) if hz < 1000 else f"{hz // 1000}k", unit="dB", decimals=1, signed=True
        )

    def of(hz: int, each: Balance) -> float | None:
        return (each.from_group_db or {}).get(hz)

    octaves = [(band(hz), lambda each, hz=hz: of(hz, each)) for hz in OCTAVES_HZ]
    return (
        table_of(
            rows,
            (Column(key="channel", title="Channel"), lambda each: each.channel),
            (Column(key="group", title="Group"), lambda each: each.group),
            (Column(key="tilt", title="Tilt", unit="dB/oct", decimals=1, signed=True), lambda each: each.tilt_db),
            *octaves,
            id="balance",
            title="Tonal balance: octaves against the mean of the group",
            key=lambda each: each.channel,
            remark=(
                "Mean over the seats at which the whole group was measured, without each seat's own level. Tilt: slope of "
                "a straight line from 200 Hz to 10 kHz, negative where treble falls. For information, without a limit."
            ),
            verdicts=False,
        ),
    )
