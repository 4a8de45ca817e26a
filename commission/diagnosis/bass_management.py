"""The rule about the high-pass of the bass management."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FAULT_MATRIX, FindingDetails, Findings, Rule, signed
from commission.dsp.crossover_filters import crossover_response
from commission.dsp.geometry import mirror_partner
from commission.dsp.spectrum import GRID_HZ
from commission.dsp.variance import BoolArray
from commission.model import Analysis, Channel, CrossoverFilter, FloatArray, System
from commission.model.units import listed
from commission.steps.seats.awaiting import ONE_LOUDSPEAKER

LEAST_CORNER_HZ = 50.0
"""Lowest corner frequency that is checked: below, most loudspeakers roll off by themselves, and third octaves at half the
frequency are noise of the room."""

SECOND_ORDER = CrossoverFilter(type="butterworth", slope_db_per_octave=12)

STEEPEST = CrossoverFilter(type="linkwitz-riley", slope_db_per_octave=24)
"""Steepest high-pass assumed: noise and distortion fill in what a steeper one removes."""

PARTNER_DB, SLOPE_DB, UNFILTERED_DB = 9.0, -3.0, -9.0
"""Thresholds against the partner: a second-order high-pass makes 12 dB (arithmetic), healthy pairs differed by at most
6.6 dB (156 pairs in 17 rooms of five simulators). The partner's level falls towards the bass, and that of the channel
itself hardly does."""

GROWS_DB = 2.5
"""Least growth of the difference: that of a missing high-pass grows by 8 dB from its corner to half of it, and by 5 dB or
more to the bass below (second order, means of these bands, arithmetic); the threshold is half of the lesser. A mode or a
null peaks at one frequency."""


def _bass_management(e: Evidence, found: Findings) -> Iterator[FindingDetails]:
    """Main channels whose bass, below the entered high-pass, is far above their partner's over all seats, increasingly so
    towards low frequencies.

    The channel's own level says nothing: in small rooms with short decay, modes lifted it by 14 to 18 dB at all seats for
    healthy front loudspeakers, as much as a second-order high-pass takes away, while those at the sides kept their slope.
    A high-pass of another order is compared as if it were of second order.
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
        if channel.is_sub or channel.id in explained or (level_db := _bass_level_db(e, channel, noisy=True)) is None:
            continue
        levels_db[channel.id] = level_db
        below_db[channel.id] = _slope_db(level_db, channel.high_pass_hz or 0.0)
        second_order_db[channel.id] = below_db[channel.id] + _beyond_second_order_db(e.job.system, channel)
    missing: dict[str, str] = {}
    as_others: dict[str, str] = {}
    for channel in e.job.system.channels:
        c, partner = channel.id, mirror_partner(channel.id) or ""
        if c not in levels_db or partner not in levels_db:
            continue
        value, beside = second_order_db[c], second_order_db[partner]
        if beside > SLOPE_DB or value - beside < PARTNER_DB or value <= UNFILTERED_DB:
            continue
        whole = _bass_level_db(e, channel)
        if whole is not None and _grows_below(whole - levels_db[partner], channel.high_pass_hz or 0.0):
            others_db = [db for other, db in second_order_db.items() if other not in (c, partner)]
            played_by_subs = 2 * sum(db > UNFILTERED_DB for db in others_db) > len(others_db)
            (as_others if played_by_subs else missing)[c] = (
                f"{c}: an octave below, its level is {signed(below_db[c])} dB re an octave above; that of {partner} is "
                f"{signed(below_db[partner])} dB"
            )
    for c, text in as_others.items():
        yield _one_of_two(c, mirror_partner(c) or "", text)
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
            "the subwoofers play the bass of this channel, and its partner is the one without bass management",
            "the high-pass is set, but this measurement bypassed the processor",
            "the noted frequency or slope of the crossover differs from the one set",
        ),
        confirm=f"Look up whether the processor treats {names[0]} as small, with a crossover, and measure it again.",
        remedy="Set the crossover that is noted; otherwise the subwoofers double the bass of these channels.",
    )


def _one_of_two(channel: str, partner: str, text: str) -> FindingDetails:
    """A pair of which one has far more bass, as most others have."""
    return FindingDetails(
        title=f"{channel} or {partner} without its crossover",
        channels=(channel, partner),
        evidence=(
            text,
            f"most other channels have as much bass as {channel}, as where the subwoofers play it; so whether {channel} "
            f"lacks its high-pass, or the subwoofers do not play the bass of {partner}, is not determined",
        ),
        alternatives=("the noted frequency or slope of the crossover differs from the one set",),
        confirm=f"Look up whether the processor treats both as small, with a crossover, and measure {channel} with the "
        "subwoofers off.",
        remedy="Set the crossover that is noted for both.",
        item="pair",
        check="seats.level",
    )


def _bass_level_db(e: Evidence, channel: Channel, *, noisy: bool = False) -> FloatArray | None:
    """Levels of a channel with an entered high-pass on GRID_HZ, power means over the seats [dB].

    None without an entered high-pass, if the response did not pass the processor, or with fewer than two seats free of
    noise around half the corner frequency and below. With `noisy`, noise there counts, too: it only raises the level, so
    a partner's bass is at most what is read.
    """
    corner = channel.high_pass_hz
    if corner is None or corner < LEAST_CORNER_HZ:
        return None
    low, high = _slope_bands(corner)
    quiet = low | _lowest_band(corner)
    heard = [
        cell.analysis.third_octave_db
        for (c, _), cell in e.seats.cells.items()
        if c == channel.id
        and cell.analysis is not None
        and cell.passes_delays
        and (noisy or not _in_noise(cell.analysis, quiet))
    ]
    levels = np.array([each for each in heard if np.isfinite(each[(low if noisy else quiet) | high]).all()])
    return 10 * np.log10(np.mean(10 ** (levels / 10), axis=0)) if len(levels) >= 2 else None


def _grows_below(apart_db: FloatArray, corner_hz: float) -> bool:
    """Whether a difference grows from a high-pass frequency to half of it, and further to the bass below."""
    around = (GRID_HZ >= corner_hz / 1.2) & (GRID_HZ <= 1.2 * corner_hz)
    bands = (around, _slope_bands(corner_hz)[0], _lowest_band(corner_hz))
    return bool((np.diff([apart_db[band].mean() for band in bands]) >= GROWS_DB).all())


def _slope_bands(corner_hz: float) -> tuple[BoolArray, BoolArray]:
    """Bands around half a high-pass frequency and around twice it, in GRID_HZ."""
    return (
        (GRID_HZ >= corner_hz / 2.2) & (GRID_HZ <= corner_hz / 1.6),
        (GRID_HZ >= 1.4 * corner_hz) & (GRID_HZ <= 3 * corner_hz),
    )


def _lowest_band(corner_hz: float) -> BoolArray:
    """Band from half to a quarter of a high-pass frequency, or from the beginning of GRID_HZ."""
    return np.asarray((GRID_HZ >= corner_hz / 4.4) & (GRID_HZ <= corner_hz / 2.4))


def _slope_db(level_db: FloatArray, corner_hz: float) -> float:
    low, high = _slope_bands(corner_hz)
    return float(level_db[low].mean() - level_db[high].mean())


def _beyond_second_order_db(system: System, channel: Channel) -> float:
    """Additional fall of the entered high-pass, relative to a second-order one, from above to below its corner [dB].

    0 if no type is entered; below zero for first order.
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
    """Whether noise, such as hum, may contribute a tenth or more of a band's power: it is less than 10 dB below the
    level.
    """
    noise = analysis.noise_db
    return noise is not None and bool((analysis.third_octave_db[band] - noise[band] < 10.0).any())


RULES = (
    Rule(
        id="settings.bass-management",
        check="seats.level",
        symptom="boomy everywhere",
        look=_bass_management,
        basis=f"9 dB less slope below the noted high-pass than the partner, more at lower frequencies; {FAULT_MATRIX}",
    ),
)
