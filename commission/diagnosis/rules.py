"""The rules: each looks at the evidence of a round and returns findings. One fault gives one finding.

Thresholds are those of the steps; where a rule has its own, it stands beside it with its basis.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from commission.diagnosis.evidence import Evidence
from commission.model import Finding, Verdict
from commission.steps import distances, seats

REVERSED_SHARE = 0.8
"""Reversed at this share of the seats (own simulations)."""
DRIVER_DB = -10.0
"""Ten decibels below the partner: dead tweeter −24 dB at 4 kHz, dead woofer −35 dB at 500 Hz (own simulations)."""
TRIM_DB = 1.0
UNEVEN_DB = 3.0
"""Root of the variance over seats from 20 to 80 Hz (common practice, no source)."""
_CABLES = (
    "Switch the amplifier off before touching loudspeaker cables; what is fixed mains wiring is for a licensed trade."
)


def swapped(e: Evidence) -> Iterator[Finding]:
    """Loudspeakers that sound from each other's places, by arrivals over the seats (z ≥ 4)."""
    done: set[str] = set()
    for channel, (place, z) in e.distances.swapped.items():
        if channel in done:
            continue
        other = e.distances.swapped.get(place)
        pair = other is not None and other[0] == channel
        done |= {channel, place} if pair else {channel}
        title = f"{channel} and {place} swapped" if pair else f"{channel} sounds from the place of {place}"
        weakest = min(z, other[1]) if other is not None else z
        yield Finding(
            id="wiring.swapped",
            cause="electronics",
            title=title,
            channels=(channel, place) if pair else (channel,),
            confidence=round(min(0.99, math.erf(weakest / math.sqrt(2))), 2),
            evidence=(
                f"the arrivals over the seats fit the place of {place} and not its own: z = {z:.0f} (told from 4)",
            ),
            alternatives=(
                "the positions of the two were entered the wrong way round",
                "the files were named wrongly",
            ),
            confirm=f"Play noise on {channel} alone and listen which loudspeaker sounds.",
            remedy=f"Put the cables right at the processor or amplifier. {_CABLES}",
            step="distances",
        )


def reversed_polarity(e: Evidence) -> Iterator[Finding]:
    """A loudspeaker that pulls when it should push, at four seats of five or more."""
    for channel in e.job.system.channels:
        wrong, told = e.polarity_share(channel.id)
        if told and wrong / told >= REVERSED_SHARE:
            setting = e.job.setting(e.round, channel.id).polarity
            yield Finding(
                id="wiring.polarity",
                cause="electronics",
                title=f"{channel.id} reversed",
                channels=(channel.id,),
                evidence=(
                    f"negative against its own minimum phase at {wrong} of {told} seats",
                    f"the processor holds polarity {setting or 'not noted'}",
                ),
                alternatives=(
                    "the loudspeaker is built that way (some are: compare an equal one)",
                    "the microphone or its cable inverts: then all channels read reversed",
                ),
                confirm="Exchange the two wires of this channel at one end and measure it again at one seat.",
                remedy=f"Connect + to + and − to − at both ends. {_CABLES}",
                step="seats",
            )


def dead_driver(e: Evidence) -> Iterator[Finding]:
    """No treble, against the mirror partner."""
    for channel, against in sorted(e.seats.against.items()):
        tilt = against.treble_db
        if tilt <= DRIVER_DB:
            partner = against.partner
            yield Finding(
                id="wiring.tweeter",
                cause="electronics",
                title=f"{channel} no treble",
                channels=(channel,),
                evidence=(f"3 to 10 kHz is {-tilt:.0f} dB below {partner}",),
                alternatives=(
                    "a grille, curtain or furniture covers it",
                    "its own crossover or protection has opened",
                ),
                confirm=f"Play a sweep softly on {channel} and listen close by at low level: is the tweeter silent?",
                remedy=f"Check the tweeter's terminals and jumpers, then have it replaced. {_CABLES}",
                step="seats",
            )


def wrong_unit(e: Evidence) -> Iterator[Finding]:
    """Feet typed as metres or the reverse."""
    sentence = distances.unit_sentence(e.distances)
    if sentence is None:
        return
    evidence = []
    if e.distances.held_ratio is not None:
        evidence.append(f"what the processor holds is {e.distances.held_ratio:.2f} times the tape")
    fit = e.distances.unit_fit
    if fit is not None and fit.meaning is not None:
        evidence.append(f"the arrivals change with distance as k = {fit.factor:.2f} ± {2 * fit.sd:.2f} (1 is right)")
    yield Finding(
        id="settings.unit",
        cause="settings",
        title=sentence,
        channels=tuple(e.distances.channels),
        evidence=tuple(evidence),
        alternatives=("the tape readings were entered in the wrong unit",),
        confirm="Look at the unit on the processor's distance page.",
        remedy="Enter the distances from the settings sheet.",
        step="distances",
    )


def late_sub(e: Evidence) -> Iterator[Finding]:
    """A subwoofer whose own latency was not entered: later than tape and setting explain."""
    for each in e.distances.channels.values():
        residual = each.arrival_residual_s
        if not each.channel.is_sub or residual is None or residual - 2 * each.arrival_u_s < distances.SUB_LATENCY_S:
            continue
        entered = each.alignment_s is not None and each.check_arrival.verdict is Verdict.PASS
        if entered:
            continue  # its setting makes up for it already
        yield Finding(
            id="settings.sub-latency",
            cause="settings",
            title=f"{each.channel.id} {1000 * residual:.0f} ms late",
            channels=(each.channel.id,),
            evidence=(
                f"it arrives {1000 * residual:.1f} ± {2000 * each.arrival_u_s:.1f} ms later than {each.distance_m:.2f} m "
                "and its setting explain",
            ),
            alternatives=(
                "its low-pass was active during the measurement (2 to 4 ms)",
                "the tape went to the wrong subwoofer",
            ),
            confirm="Measure it again with its own low-pass and signal processing off.",
            remedy=f"Enter {each.setting.setting:.2f} {e.job.system.processor.delay.unit} as a start, then trim it at the "
            "crossover.",
            step="distances",
        )


def odd_arrival(e: Evidence) -> Iterator[Finding]:
    """A main channel that arrives off the tape, when neither a swap nor a unit explains it."""
    for each in e.distances.channels.values():
        residual = each.arrival_residual_s
        if each.channel.is_sub or residual is None or each.channel.id in e.distances.swapped:
            continue
        if abs(residual) - 1.645 * each.arrival_u_s <= 0.0003:
            continue
        yield Finding(
            id="settings.arrival",
            cause="settings",
            title=f"{each.channel.id} {1000 * abs(residual):.1f} ms {'late' if residual > 0 else 'early'}",
            channels=(each.channel.id,),
            evidence=(f"tape {each.distance_m:.2f} m, but the sound comes as from {each.seems_m:.2f} m",),
            alternatives=(
                "the tape reading is wrong",
                "a delay elsewhere, in the amplifier or a wireless link",
                "the direct path is blocked and a reflection was taken",
            ),
            confirm="Tape it again; play the channel alone and look for a second delay setting.",
            remedy="Correct the tape reading, or take the other delay out.",
            step="distances",
        )


def trims(e: Evidence) -> Iterator[Finding]:
    """Channels more than 1 dB off, together: one finding for all."""
    off = {c: each for c, each in e.levels.channels.items() if abs(each.correction_db) - 1.645 * each.u_db > TRIM_DB}
    if not off:
        return
    worst = max(off.values(), key=lambda each: abs(each.correction_db))
    said = [f"{c} {-each.correction_db:+.1f} dB".replace("-", "−") for c, each in off.items()]
    yield Finding(
        id="settings.trims",
        cause="settings",
        title=f"trims off, {worst.channel.id} by {abs(worst.correction_db):.1f} dB",
        channels=tuple(off),
        evidence=("against the reference: " + ", ".join(said),),
        alternatives=("the meter's own error, if all are off alike", "the volume was not at its reference"),
        confirm="Read one channel twice; check the master volume.",
        remedy="Enter the trims from the settings sheet.",
        step="levels",
    )


def trim_range(e: Evidence) -> Iterator[Finding]:
    """Channels that the trim range does not let reach the reference."""
    for c, each in e.levels.channels.items():
        if not each.reachable:
            yield Finding(
                id="settings.trim-range",
                cause="settings",
                title=f"{c} cannot reach the reference",
                channels=(c,),
                evidence=(f"it would need {each.trim_exact_db:+.1f} dB, the range ends at {each.trim_db:+.1f} dB",),
                alternatives=("an amplifier's gain or a loudspeaker's own level control is set wrongly",),
                confirm="Look at the level control of the amplifier or subwoofer.",
                remedy="Change that gain; or take a common offset for all channels.",
                step="levels",
            )


def gain_changed(e: Evidence) -> Iterator[Finding]:
    """A whole seat off on every channel: the recording, not the room."""
    for seat, gain in e.seats.seat_gain_db.items():
        yield Finding(
            id="measurement.gain",
            cause="settings",
            title=f"gain changed at {seat}",
            seats=(seat,),
            evidence=(f"{gain:+.1f} dB on every main channel alike; a room differs from channel to channel",),
            alternatives=("the microphone was turned or covered there",),
            confirm=f"Measure one channel at {seat} and at its neighbour again, one after the other.",
            remedy=f"Measure {seat} again with the gain of the other seats.",
            step="seats",
        )


def bad_recordings(e: Evidence) -> Iterator[Finding]:
    """Recordings that cannot carry a verdict."""
    clipped = [
        (c, s) for (c, s), cell in e.seats.cells.items() if cell.analysis is not None and cell.analysis.clipped
    ]
    if clipped:
        yield Finding(
            id="measurement.clipped",
            cause="electronics",
            title=f"{len(clipped)} recordings clipped",
            channels=tuple(sorted({c for c, _ in clipped})),
            seats=tuple(sorted({s for _, s in clipped})),
            evidence=(", ".join(f"{c} at {s}" for c, s in clipped[:8]),),
            alternatives=("the loudspeaker or amplifier itself clips",),
            confirm="Measure one again 10 dB softer.",
            remedy="Turn the microphone's gain down and measure these again.",
            step="seats",
        )


def bass_at_seats(e: Evidence) -> Iterator[Finding]:
    """Bass that differs by seat: subwoofers together where there are several, else each."""
    ids = [c.id for c in e.job.system.channels if c.is_sub]
    name = "SUBS" if "SUBS" in e.variance else (ids[0] if len(ids) == 1 and ids[0] in e.variance else None)
    if name is None:
        return
    bands = e.variance[name]["heard"]
    low = next((r for label, r in bands.items() if label == "20-80"), next(iter(bands.values()), None))
    if low is None or low.sd_db - 1.645 * low.u_sd_db <= UNEVEN_DB:
        return
    softest = min(low.deviations_db.items(), key=lambda item: item[1])
    yield Finding(
        id="room.bass-differs",
        cause="room",
        title="bass differs by seat" + (f", least at {softest[0]}" if softest[1] < -2 else ""),
        channels=tuple(ids),
        seats=(low.worst_seat,),
        evidence=(
            f"root of the variance over seats {low.sd_db:.1f} ± {2 * low.u_sd_db:.1f} dB, 20 to 80 Hz (limit 3)",
            f"{low.worst_seat} is {low.worst_db:.1f} dB off the seats' mean (rms)",
        ),
        alternatives=("a subwoofer is late or reversed against the other: mend that first",),
        confirm="Measure each subwoofer alone: does every one of them miss the same seat?",
        remedy="Align the subwoofers for all seats; what remains is a matter of their number and places, or of the seats'.",
        step="seats",
    )


def bass_null(e: Evidence) -> Iterator[Finding]:
    """A seat that misses a stretch of bass from every subwoofer: no filter fills it."""
    ids = [c.id for c in e.job.system.channels if c.is_sub]
    for seat in e.job.system.seats:
        failed = [
            check
            for sub in ids
            for check in e.seats.cells[(sub, seat.id)].checks
            if check.id == "seats.bass" and check.verdict is Verdict.FAIL
        ]
        if ids and len(failed) == len(ids):
            yield Finding(
                id="room.null",
                cause="room",
                title=f"{seat.id} misses bass from every subwoofer",
                channels=tuple(ids),
                seats=(seat.id,),
                evidence=tuple(f"{c.channel}: {c.value:.0f} dB, {c.text}" for c in failed),
                alternatives=("the microphone stood in a corner or on a table",),
                confirm=f"Move the microphone by 30 cm at {seat.id}: a null moves with it.",
                remedy="Move the seat or a subwoofer; a filter cannot fill a null and only strains the amplifier.",
                step="seats",
            )


def low_signal(e: Evidence) -> Iterator[Finding]:
    """Too much noise for what is asked."""
    low = [
        (c, s)
        for (c, s), cell in e.seats.cells.items()
        for check in cell.checks
        if check.id == "seats.snr" and check.verdict is Verdict.FAIL
    ]
    if low:
        yield Finding(
            id="measurement.noise",
            cause="room",
            title=f"{len(low)} responses drown in noise",
            channels=tuple(sorted({c for c, _ in low})),
            seats=tuple(sorted({s for _, s in low})),
            evidence=(f"less than {seats.SNR_LIMIT.low:.0f} dB of signal to noise in the band that is judged",),
            alternatives=("the channel plays too softly",),
            confirm="Switch the ventilation off and measure one again.",
            remedy="Measure again when it is quiet, with a longer sweep or 6 dB louder.",
            step="seats",
        )


Rule = Callable[[Evidence], Iterator[Finding]]

RULES: tuple[Rule, ...] = (
    swapped,
    reversed_polarity,
    dead_driver,
    bad_recordings,
    wrong_unit,
    late_sub,
    odd_arrival,
    trims,
    trim_range,
    gain_changed,
    bass_null,
    bass_at_seats,
    low_signal,
)
