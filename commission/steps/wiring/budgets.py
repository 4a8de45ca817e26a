"""Uncertainty budgets of a channel under load and of its sound in common with another loudspeaker."""

from __future__ import annotations

import math

from commission.model import Budget, Contribution
from commission.steps.shared.budgets import CUSTOM, single

GAIN_U_DB = 0.1
"""Gain between two recordings of one session: volume step and preamplifier (common practice, no source)."""
UNKNOWN_BASS_U_DB = 1.5
"""Moving parts at the end of their travel compress by up to 3 dB and distort; without harmonics to distinguish that from
a limiter, this is uncertain (common practice, no source)."""
RATIO_U = 0.2
"""Relative standard uncertainty of distortion: 2 dB, since the room differs between the harmonic and the fundamental
(common practice, no source)."""
BURST_U_DB = 2.0
"""Difference of two recordings of one rattle (common practice, no source)."""
LEAKAGE_U_DB = 1.0
"""Standard uncertainty of the gain by least squares, which reads −12 dB as −12 to −14 dB; determined by simulation
(`tests/dsp/test_leakage.py`)."""


def compression_budget(
    place: tuple[str, str], *, noise_db: float, explained_db: float | None, unknown: bool, rise_db: float
) -> Budget:
    """Compression in the worst octave minus the part explained by its third harmonic, `explained_db`.

    `unknown`: harmonics are unknown where moving parts compress; `rise_db`: excess rise of another octave over its drive,
    which no loudspeaker has.
    """
    explained = (
        ("compression without known harmonics", UNKNOWN_BASS_U_DB if unknown else 0.0, CUSTOM)
        if explained_db is None
        else ("what distortion explains: higher orders take part", 0.5 * explained_db, f"half of it; {CUSTOM}")
    )
    lines = (
        ("gain between the two recordings", GAIN_U_DB, f"steps of the volume and the preamplifier; {CUSTOM}"),
        ("noise in the softer recording", noise_db, "4.34·10^(−SNR/20)/2: a cross term of random phase"),
        explained,
        ("another octave rises more than its drive", rise_db, "what rises by accident may as well fall elsewhere"),
    )
    return Budget(
        id="wiring.compression",
        title="Compression between two levels, without what distortion explains",
        unit="dB",
        channel=place[0],
        seat=place[1],
        contributions=tuple(
            Contribution(source=source, u=u, unit="dB", basis=basis) for source, u, basis in lines if u > 0
        ),
    )


def distortion_budget(check_id: str, place: tuple[str, str | None], percent: float, hidden_percent: float) -> Budget:
    """Harmonics of orders 2 to 5 above the floor; `hidden_percent`: upper limit of the orders below it."""
    hidden = math.hypot(percent, hidden_percent) - percent
    lines = [
        Contribution(
            source="room at the fundamental and at its harmonics",
            u=RATIO_U * percent,
            unit="%",
            basis=f"2 dB; {CUSTOM}",
        )
    ]
    if hidden > 0:
        basis = "all that the floor hides: a third of the variance of its square (JCGM 100 4.3.7)"
        lines.append(
            Contribution(
                source="orders below the floor",
                u=hidden / math.sqrt(3),
                unit="%",
                distribution="rectangular",
                basis=basis,
            )
        )
    return Budget(
        id=check_id,
        title="Harmonic distortion" + (" at the raised level" if "-loud" in check_id else ""),
        unit="%",
        channel=place[0],
        seat=place[1],
        contributions=tuple(lines),
    )


RATTLE = single(
    "wiring.rattle", "Burst of treble in two recordings", "two recordings of one rattle", BURST_U_DB, CUSTOM
)


def leakage_budget(channel: str, ratio: float) -> Budget:
    """Level of another loudspeaker's response in that of a channel; `ratio`: common sound relative to chance."""
    return Budget(
        id="wiring.leakage",
        title="Level at which a channel plays from another loudspeaker",
        unit="dB",
        channel=channel,
        contributions=(
            Contribution(
                source="gain by least squares",
                u=LEAKAGE_U_DB,
                unit="dB",
                basis="determined by simulation (tests/dsp/test_leakage.py)",
            ),
            Contribution(
                source="what two rooms' responses share by chance",
                u=8.69 / ratio,
                unit="dB",
                basis="8.69 dB times chance over the common sound",
            ),
        ),
    )
