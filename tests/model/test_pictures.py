"""Pictures that a job may hold, by header alone: decoding one never costs more than a small photograph."""

from __future__ import annotations

import io

import numpy as np
import odd_files
import pytest
from PIL import Image

from commission.job.photos import shrink_here
from commission.model.pictures import LARGEST_BYTES, LONGEST_PX, stored_picture_problem


def picture(kind: str, size: tuple[int, int] = (80, 60), mode: str = "RGB", **options: object) -> bytes:
    rng = np.random.default_rng(0)
    shape = (size[1], size[0]) if mode == "L" else (size[1], size[0], len(mode))
    out = io.BytesIO()
    Image.fromarray(rng.integers(0, 256, shape, dtype=np.uint8), mode).save(out, kind, **options)
    return out.getvalue()


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
@pytest.mark.parametrize("size", [(1, 1), (4000, 30), (900, 1700)])
def test_a_stored_photograph_is_accepted(kind: str, size: tuple[int, int]) -> None:
    assert stored_picture_problem(shrink_here(picture(kind, size), "x").data) is None
    assert stored_picture_problem(picture(kind, (80, 60), "L")) is None


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        (b"", "neither PNG nor baseline JPEG"),
        (b"\x89PNG", "neither PNG"),
        (b"RIFF....WAVE", "neither PNG"),
        (picture("GIF", mode="L"), "neither PNG"),
        (picture("JPEG", progressive=True), "neither PNG nor baseline JPEG"),
        (odd_files.jpeg_of_many_scans(160, 50_000), "neither PNG nor baseline JPEG"),
        (odd_files.png_of_many_pixels(5000, 5000), "5000 × 5000 pixels"),
        (picture("JPEG", (LONGEST_PX + 1, 10)), "1601 × 10 pixels"),
        (picture("PNG")[:20], "neither PNG"),
        (picture("JPEG")[:100], "neither PNG"),
        (picture("PNG") + bytes(LARGEST_BYTES), "11 MB"),
    ],
)
def test_other_files_are_refused_with_the_reason(data: bytes, problem: str) -> None:
    assert problem in (stored_picture_problem(data) or "")


def test_additional_jpeg_scans_are_counted() -> None:
    """Each scan of a JPEG draws all its pixels again."""
    data = picture("JPEG")
    scan = data[data.index(b"\xff\xda") : -2]
    assert stored_picture_problem(data[:-2] + scan * 3 + data[-2:]) is None
    assert stored_picture_problem(data[:-2] + scan * 4 + data[-2:]) == "neither PNG nor baseline JPEG"
