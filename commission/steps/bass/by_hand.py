"""Subwoofer settings chosen by hand, as stored in the log."""

from __future__ import annotations

import numpy as np

from commission.dsp.bass_sum import SubSettings
from commission.model import Filter, Job
from commission.steps.bass.measurement import MeasuredBass

HAND_KEY = "hand"
"""Key of the decision that stores settings chosen by hand."""


def hand_text(
    subs: tuple[str, ...], settings: SubSettings, filters: tuple[tuple[Filter, ...], ...] | None = None
) -> str:
    """Text that stores settings chosen by hand: gain in dB, delay in ms, polarity and filters of each subwoofer."""
    every = filters or ((),) * len(subs)
    return "; ".join(
        f"{sub} {settings.gain_db[i]:.3f} {1000 * settings.delay_s[i]:.4f} {settings.polarity[i]:+d}"
        + "".join(f" {f.frequency_hz:.9g}/{f.gain_db:.9g}/{f.width:.9g}" for f in every[i])
        for i, sub in enumerate(subs)
    )


def hand_settings(job: Job, measured: MeasuredBass) -> tuple[SubSettings, tuple[tuple[Filter, ...], ...]] | None:
    """Settings and filters chosen by hand for this round; None if there are none, or none for its subwoofers."""
    text = job.decisions.get((measured.round, "bass", HAND_KEY), "")
    try:
        rows = [_hand_row(part) for part in text.split(";") if part.strip()]
    except ValueError:
        return None
    good = all(abs(g) <= 60 and abs(d) <= 1 and p in (1, -1) for _, g, d, p, _ in rows)
    good &= all(1 <= f.frequency_hz < 20_000 and abs(f.gain_db) <= 60 and f.width > 0 for r in rows for f in r[4])
    if tuple(row[0] for row in rows) != measured.subs or not good:
        return None
    _, gain, delay, polarity, filters = zip(*rows, strict=True)
    return SubSettings(np.array(gain), np.array(delay), np.array(polarity)), filters


def _hand_row(text: str) -> tuple[str, float, float, int, tuple[Filter, ...]]:
    """Subwoofer, gain [dB], delay [s], polarity and filters from one part of `hand_text`; raises ValueError."""
    words = text.split(" ")
    filters: list[Filter] = []
    while words and words[-1].count("/") == 2:
        hz, gain, width = (float(v) for v in words.pop().split("/"))
        filters.insert(0, Filter(frequency_hz=hz, gain_db=gain, width=width))
    row = " ".join(words).rsplit(maxsplit=3)
    if len(row) != 4:
        raise ValueError(text)
    return row[0].strip(), float(row[1]), float(row[2]) / 1000, int(row[3]), tuple(filters)
