"""The rule about the high-pass of the bass management."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FAULT_MATRIX, FindingDetails, Found, Rule, signed
from commission.dsp.crossover_filters import crossover_response
from commission.dsp.geometry import mirror_partner
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import BoolArray
from commission.model import Analysis, Channel, CrossoverFilter, FloatArray, System
from commission.model.units import listed
from commission.steps.seats.awaiting import ONE_LOUDSPEAKER

LEAST_CORNER_HZ = 50.0
"""Below, most loudspeakers end by themselves, and third octaves at half the frequency are noise of the room."""

SECOND_ORDER = CrossoverFilter(type="butterworth", slope_db_per_octave=12)

STEEPEST = CrossoverFilter(type="linkwitz-riley", slope_db_per_octave=24)
"""Noise and distortion fill what a steeper high-pass takes away."""

PARTNER_DB, SLOPE_DB, UNFILTERED_DB = 9.0, -3.0, -9.0
"""Against the partner: a second-order high-pass makes 12 dB (arithmetic), healthy pairs differed by at most 6.6 dB (156
pairs in 17 rooms of five simulators). The partner falls towards the bass, and the channel itself hardly does."""

GROWS_DB = 2.5
"""What a missing high-pass makes grows by 8 dB from its corner to half of it, and by 5 dB or more to the bass below
(second order, means of these bands, arithmetic): half of the lesser. A mode or a null is strongest at a frequency of its
own."""


def _bass_management(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    """A main channel whose bass, an octave below its noted high-pass, is far above its partner's, over the seats together,
    and the more so the lower the frequency.

    Its level alone says nothing: in small rooms of short decay, modes lifted it by 14 to 18 dB at all seats of healthy
    loudspeakers in front, as much as a second-order high-pass takes away, while those at the sides kept their slope. A
    high-pass that is entered as steeper, or less steep, is compared as if it were of second order.
    """
    other_sound = (
        "wiring.silent",
        "wiring.midrange",
        "wiring.woofer",
        "wiring.swapped",
        ONE_LOUDSPEAKER,
        "wiring.doubled",
        "settings.upmix",
    )
    explained = found.channels(*other_sound)
    levels_db, below_db, second_order_db = {}, {}, {}
    for channel in e.job.system.channels:
        if channel.is_sub or channel.id in explained or (level_db := _bass_level_db(e, channel)) is None:
            continue
        levels_db[channel.id] = level_db
        below_db[channel.id] = _slope_db(level_db, channel.high_pass_hz or 0.0)
        second_order_db[channel.id] = below_db[channel.id] + _beyond_second_order_db(e.job.system, channel)
    missing: dict[str, str] = {}
    for channel in e.job.system.channels:
        c, partner = channel.id, mirror_partner(channel.id) or ""
        if c not in levels_db or partner not in levels_db:
            continue
        value, beside = second_order_db[c], second_order_db[partner]
        if beside > SLOPE_DB or value - beside < PARTNER_DB or value <= UNFILTERED_DB:
            continue
        whole = _bass_level_db(e, channel, lowest=True)
        if whole is not None and _grows_below(whole - levels_db[partner], channel.high_pass_hz or 0.0):
            missing[c] = (
                f"{c}: an octave below, its level is {signed(below_db[c])} dB re an octave above; that of {partner} is "
                f"{signed(below_db[partner])} dB"
            )
    if not missing:
        return
    names = sorted(missing)
    yield FindingDetails(
        title=f"no high-pass on {listed(names)}"
        if all(below_db[c] > UNFILTERED_DB for c in names)
        else f"high-pass of {listed(names)} less steep than entered",
        channels=tuple(names),
        evidence=tuple(missing.values()),
        alternatives=(
            "the high-pass is set, but this measurement went past the processor",
            "the noted frequency or slope of the crossover is not the one that is set",
        ),
        confirm=f"Look up whether the processor treats {names[0]} as small, with a crossover, and measure it again.",
        remedy="Set the crossover that is noted; otherwise the subwoofers double the bass of these channels.",
    )


def _bass_level_db(e: Evidence, channel: Channel, *, lowest: bool = False) -> FloatArray | None:
    """Levels of a channel with a noted high-pass on GRID_HZ, power means over the seats [dB].

    None where no high-pass is noted, the response did not pass the processor, or at fewer than two seats without noise
    around half its frequency, and with `lowest` below that, too.
    """
    corner = channel.high_pass_hz
    if corner is None or corner < LEAST_CORNER_HZ:
        return None
    low, high = _slope_bands(corner)
    quiet = low | _lowest_band(corner) if lowest else low
    heard = [
        cell.analysis.third_octave_db
        for (c, _), cell in e.seats.cells.items()
        if c == channel.id
        and cell.analysis is not None
        and cell.passes_delays
        and not _in_noise(cell.analysis, quiet)
    ]
    levels = np.array([each for each in heard if np.isfinite(each[quiet | high]).all()])
    return 10 * np.log10(np.mean(10 ** (levels / 10), axis=0)) if len(levels) >= 2 else None


def _grows_below(apart_db: FloatArray, corner_hz: float) -> bool:
    """Whether a difference grows from a high-pass frequency to half of it, and again to the bass below."""
    around = (GRID_HZ >= corner_hz / 1.2) & (GRID_HZ <= 1.2 * corner_hz)
    bands = (around, _slope_bands(corner_hz)[0], _lowest_band(corner_hz))
    return bool((np.diff([apart_db[band].mean() for band in bands]) >= GROWS_DB).all())


def _slope_bands(corner_hz: float) -> tuple[BoolArray, BoolArray]:
    """Around half a high-pass frequency and around twice it, in GRID_HZ."""
    return (
        (GRID_HZ >= corner_hz / 2.2) & (GRID_HZ <= corner_hz / 1.6),
        (GRID_HZ >= 1.4 * corner_hz) & (GRID_HZ <= 3 * corner_hz),
    )


def _lowest_band(corner_hz: float) -> BoolArray:
    """From half to a quarter of a high-pass frequency, or where GRID_HZ begins."""
    return np.asarray((GRID_HZ >= corner_hz / 4.4) & (GRID_HZ <= corner_hz / 2.4))


def _slope_db(level_db: FloatArray, corner_hz: float) -> float:
    low, high = _slope_bands(corner_hz)
    return float(level_db[low].mean() - level_db[high].mean())


def _beyond_second_order_db(system: System, channel: Channel) -> float:
    """By how much its entered high-pass falls more than one of second order from above to below its corner [dB].

    0 where no type is entered; below zero for one of first order.
    """
    entered, corner_hz = system.high_pass(channel), channel.high_pass_hz
    if entered is None or corner_hz is None:
        return 0.0
    entered = min(entered, STEEPEST, key=lambda each: each.slope_db_per_octave)
    usual_db, entered_db = (
        _slope_db(20 * np.log10(np.abs(crossover_response(GRID_HZ, corner_hz, each, "high"))), corner_hz)
        for each in (SECOND_ORDER, entered)
    )
    return usual_db - entered_db


def _in_noise(analysis: Analysis, band: BoolArray) -> bool:
    """Whether noise, such as hum, may make a tenth of the level or more in a band: less than 10 dB below it."""
    noise = analysis.noise_db
    return noise is not None and bool((analysis.third_octave_db[band] - noise[band] < 10.0).any())


RULES = (
    Rule(
        id="settings.bass-management",
        check="seats.level",
        symptom="boomy everywhere",
        look=_bass_management,
        basis=f"9 dB less slope below the noted high-pass than the partner, the more the lower; {FAULT_MATRIX}",
    ),
)
