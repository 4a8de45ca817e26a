"""Seats that settings were not searched for: 4 subwoofers tuned on 6 seats, and what 6 others in the same room hear.

Rooms as sums of modes and by image sources, neither of which shares code with the search. Goal: the mean over rooms improves
at the other seats too, against all subwoofers alike.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from commission.dsp.bass_search import figures, search
from commission.dsp.bass_sum import SubResponses, SubSettings, level_matched_db, log_points

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dsp"))
from bass_rooms import BINS_HZ, image_room, modal_responses, modal_room
from wide_bounds import wide_bounds

SUBS, TUNED, OTHERS, ROOMS = 4, 6, 6, 8


def _room(seed: int, simulator: str) -> np.ndarray:
    """Responses of the subwoofers at all seats [shape=(subs, seats, n)]."""
    _, size, places, ears = modal_room(seed, SUBS, TUNED + OTHERS, BINS_HZ)
    if simulator == "images":
        return image_room(places, ears, size, BINS_HZ)
    return modal_responses(size, places, ears, BINS_HZ)


def _row(seed: int, simulator: str) -> list[float]:
    """Variance over seats [dB²]: the tuned ones alike and proposed, the others alike and proposed; output lost [dB]."""
    index, share = log_points(BINS_HZ, 15.0, 160.0)
    h = _room(seed, simulator)[..., index]
    tuned, others = (
        SubResponses(part, BINS_HZ[index], np.ones(part.shape[1]), share) for part in (h[:, :TUNED], h[:, TUNED:])
    )
    alike = SubSettings(level_matched_db(tuned), np.zeros(SUBS), np.ones(SUBS, int))
    proposed = search(tuned, wide_bounds(SUBS)).settings[0]
    row = [figures(room, each).variance_db2 for room in (tuned, others) for each in (alike, proposed)]
    return [*row, figures(others, alike).output_db - figures(others, proposed).output_db]


def run(channels: int) -> None:
    """Print the table: standard deviations over seats, alike → proposed, at the seats searched for and at the others."""
    for simulator in ("modes", "images"):
        rows = np.array([_row(seed, simulator) for seed in range(ROOMS)])
        sd = np.sqrt(rows[:, :4])
        print(f"  {simulator}: {SUBS} subwoofers; seat-to-seat standard deviation [dB], alike → proposed")
        print(f"    room   {TUNED} tuned seats   {OTHERS} other seats   output lost there [dB]")
        for seed, ((a, b, c, d), lost) in enumerate(zip(sd, rows[:, 4], strict=True)):
            print(f"    {seed:4}   {a:5.2f} → {b:4.2f}    {c:5.2f} → {d:4.2f}   {lost:+.1f}")
        a, b, c, d = np.sqrt(rows[:, :4].mean(axis=0))
        better = int(np.count_nonzero(rows[:, 3] < rows[:, 2]))
        print(
            f"    mean   {a:5.2f} → {b:4.2f}    {c:5.2f} → {d:4.2f}   more even at the others in {better} of {ROOMS}"
        )
