"""Held-out seats: 4 subwoofers tuned for 6 seats, and the bass at 6 others in the same room.

Rooms as sums of modes and by image sources, neither of which shares code with the search; and responses measured in a room
(IoSR Surrey, room A: two ears for 37 places of a loudspeaker, by reciprocity two sources at 37 places), of which 18, 8 or 4
drawn at random are tuned for. Goal: the mean over rooms also improves at the other seats, compared with equal settings for
all subwoofers.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from commission.dsp.bass_search import figures, search
from commission.dsp.bass_sum import SubResponses, SubSettings, level_matched_db, log_points

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dsp"))
from bass_rooms import BINS_HZ, image_room, measured_room, modal_responses, modal_room
from wide_bounds import wide_bounds

SUBS, TUNED, OTHERS, ROOMS = 4, 6, 6, 8
DRAWS = 8


def _room(seed: int, simulator: str) -> np.ndarray:
    """Responses of the subwoofers at all seats [shape=(subs, seats, n)]."""
    _, size, places, ears = modal_room(seed, SUBS, TUNED + OTHERS, BINS_HZ)
    if simulator == "images":
        return image_room(places, ears, size, BINS_HZ)
    return modal_responses(size, places, ears, BINS_HZ)


def _shuffled(measured: np.ndarray, count: int) -> Iterator[np.ndarray]:
    """The responses with the places in random orders: the first `count` are tuned for."""
    for seed in range(DRAWS):
        yield measured[:, np.random.default_rng([seed, count]).permutation(measured.shape[1])]


def _row(responses: np.ndarray, count: int, low_hz: float = 15.0) -> list[float]:
    """Variance over seats [dB²]: the first `count` alike and proposed, the others alike and proposed; output lost [dB]."""
    index, share = log_points(BINS_HZ, low_hz, 160.0)
    h, subs = responses[..., index], len(responses)
    tuned, others = (
        SubResponses(part, BINS_HZ[index], np.ones(part.shape[1]), share) for part in (h[:, :count], h[:, count:])
    )
    alike = SubSettings(level_matched_db(tuned), np.zeros(subs), np.ones(subs, int))
    proposed = search(tuned, wide_bounds(subs)).settings[0]
    row = [figures(room, each).variance_db2 for room in (tuned, others) for each in (alike, proposed)]
    return [*row, figures(others, alike).output_db - figures(others, proposed).output_db]


def run(channels: int) -> None:
    """Print the table: standard deviations over seats, alike → proposed, at the seats searched for and at the others."""
    for simulator in ("modes", "images"):
        rows = [_row(_room(seed, simulator), TUNED) for seed in range(ROOMS)]
        _print_table(f"{simulator}: {SUBS} subwoofers, {TUNED} tuned seats, {OTHERS} others", np.array(rows))
    if (measured := measured_room()) is not None:
        for count in (18, 8, 4):
            rows = [_row(h, count, 60.0) for h in _shuffled(measured, count)]
            _print_table(f"measured: 2 subwoofers, {count} tuned seats, {37 - count} others", np.array(rows))


def _print_table(title: str, rows: np.ndarray) -> None:
    print(f"  {title}; seat-to-seat standard deviation [dB], alike → proposed")
    print("    room   tuned seats      other seats     output lost there [dB]")
    for k, ((a, b, c, d), lost) in enumerate(zip(np.sqrt(rows[:, :4]), rows[:, 4], strict=True)):
        print(f"    {k:4}   {a:5.2f} → {b:4.2f}    {c:5.2f} → {d:4.2f}   {lost:+.1f}")
    a, b, c, d = np.sqrt(rows[:, :4].mean(axis=0))
    better = int(np.count_nonzero(rows[:, 3] < rows[:, 2]))
    print(
        f"    mean   {a:5.2f} → {b:4.2f}    {c:5.2f} → {d:4.2f}   more even at the others in {better} of {len(rows)}"
    )
