"""Checks that a picture stored in a job is small and of a kind that is decoded quickly.

A job file from elsewhere may hold any bytes as a photograph. Its header is looked at before a typesetter decodes it.
"""

from __future__ import annotations

LONGEST_PX = 1600
"""Enough for half a page of A4 at 200 dots per inch."""
LARGEST_BYTES = 4 * LONGEST_PX**2 + 1_000_000
"""The pixels uncompressed, and an allowance for headers."""
_PNG = b"\x89PNG\r\n\x1a\n"
_MOST_SCANS = 4
"""Limit for a baseline JPEG: at most one for each colour component (ITU-T T.81, B.2)."""


def stored_picture_problem(data: bytes) -> str | None:
    """Why bytes are not a picture as stored in a job, such as "a progressive JPEG"; None if their header says they are."""
    if len(data) > LARGEST_BYTES:
        return f"{len(data) / 1e6:.0f} MB"
    size = _png_size(data) if data.startswith(_PNG) else _jpeg_size(data)
    if size is None:
        return "neither PNG nor baseline JPEG"
    if not 0 < min(size) <= max(size) <= LONGEST_PX:
        return f"{size[0]} × {size[1]} pixels"
    return None


def _png_size(data: bytes) -> tuple[int, int] | None:
    """Width and height of a PNG (ISO/IEC 15948, 11.2.1: the chunk IHDR is the first)."""
    if data[12:16] != b"IHDR" or len(data) < 33:
        return None
    return int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big")


def _jpeg_size(data: bytes) -> tuple[int, int] | None:
    """Width and height of a baseline JPEG (ITU-T T.81, B.1.1.3 and B.2.2); None for any other.

    In entropy-coded data 0xFF is followed by zero or a restart marker, so that scans can be counted.
    """
    if not data.startswith(b"\xff\xd8") or data.count(b"\xff\xda") > _MOST_SCANS:
        return None
    position = 2
    while position + 9 <= len(data) and data[position] == 0xFF:
        marker, length = data[position + 1], int.from_bytes(data[position + 2 : position + 4], "big")
        if marker in (0xC0, 0xC1):
            height, width = (int.from_bytes(data[at : at + 2], "big") for at in (position + 5, position + 7))
            return width, height
        if marker == 0xDA or (0xC2 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC)):
            return None
        position += 2 + length
    return None
