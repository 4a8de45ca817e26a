"""Rules about the measurement itself: what must be measured again before anything else is said of the house."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from commission.diagnosis.evidence import Evidence
from commission.diagnosis.rule import FindingDetails, Found, Rule, listed, signed
from commission.model import Verdict
from commission.model.units import counted


def _clipped(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    for mistake in e.screening.of("clipped"):
        places = mistake.evidence
        more = f" and {len(places) - 8} more" if len(places) > 8 else ""
        yield FindingDetails(
            title=f"{counted(len(places), 'recording')} clipped",
            channels=mistake.channels,
            seats=mistake.seats,
            evidence=(listed(list(places[:8])) + more, "more than six times too many samples at the top"),
            alternatives=("the loudspeaker or the amplifier itself clips",),
            confirm="Measure one of them again, 10 dB softer.",
            remedy="Turn the microphone's gain down and measure these again.",
        )


def _gain(e: Evidence, _: Found) -> Iterator[FindingDetails]:
    gains = e.seats.seat_gain_db
    if gains:
        seats = sorted(gains)
        yield FindingDetails(
            title=f"gain changed at {listed(seats)}",
            seats=tuple(seats),
            evidence=(
                *(f"{seat} {signed(gains[seat])} dB on every main channel alike, threshold 2 dB" for seat in seats),
                "a room differs from channel to channel",
            ),
            alternatives=("the microphone was turned or covered there", "the master volume was moved"),
            confirm=f"Measure one channel at {seats[0]} and at its neighbour again, one after the other.",
            remedy=f"Measure {listed(seats)} again with the gain of the other seats.",
        )


def _noise(e: Evidence, found: Found) -> Iterator[FindingDetails]:
    silent = found.channels("wiring.silent")
    low = {
        place: check.value or 0.0
        for place, cell in e.seats.cells.items()
        for check in cell.checks
        if check.id == "seats.snr" and check.verdict is Verdict.FAIL and place[0] not in silent
    }
    if low:
        ids, seats = sorted({c for c, _ in low}), sorted({s for _, s in low})
        yield FindingDetails(
            title=f"{counted(len(low), 'response')} near the noise",
            channels=tuple(ids),
            seats=tuple(seats),
            evidence=(
                f"{listed(ids)} at {listed(seats)}: down to {min(low.values()):.0f} dB of signal to noise, "
                f"limit {e.job.limit('seats.snr').lower:.0f} dB",
                f"median {np.median(list(low.values())):.0f} dB",
            ),
            alternatives=(
                "the channel plays too softly, or was muted: then nothing else told of it counts",
                "the microphone's gain is low, so that its input hisses",
            ),
            confirm="Switch the ventilation off and measure one of them again.",
            remedy="Measure again when it is quiet, with a longer sweep or 6 dB louder; sweeps are loud, warn everybody.",
        )


RULES = (
    Rule(
        id="measurement.clipped",
        check="seats.clipped",
        cause="electronics",
        step="seats",
        symptom="nonsense curves",
        look=_clipped,
        basis="share of samples at the top six times what is usual; own simulations",
    ),
    Rule(
        id="measurement.gain",
        check="seats.level",
        cause="settings",
        step="seats",
        symptom="a seat low on every channel",
        look=_gain,
        place="seat",
        basis="2 dB and three standard errors on all main channels alike; common practice",
    ),
)
"""What spoils recordings, before the other rules."""

LAST = (
    Rule(
        id="measurement.noise",
        check="seats.snr",
        cause="room",
        step="seats",
        symptom="responses near the noise",
        look=_noise,
        basis="less than 30 dB of signal to noise; own simulations",
    ),
)
"""What is no mistake where a loudspeaker is silent: after the rules about wiring."""
