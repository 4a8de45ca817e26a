"""Exports a round of a job as an AES69 file."""

from __future__ import annotations

from collections.abc import Callable

from commission.audio.decoding import decode
from commission.audio.sofa import write_sofa
from commission.model import Job, Response, ResponseStored


def export_sofa(job: Job, round_id: str, blobs: Callable[[str], bytes], *, at: str) -> tuple[bytes, tuple[str, ...]]:
    """The bytes of the file, and a sentence for each response that was left out.

    `at`: when it was made, "2026-11-25 14:05:00". Raises InputError when no response has an impulse response.
    """
    found: list[tuple[ResponseStored, Response]] = []
    left_out = []
    for stored, result in decode(job.responses_of(round_id), blobs):
        place = f"{stored.body.channel} at {stored.body.seat}"
        if isinstance(result, Exception):
            left_out.append(f"{place}: {result}")
        elif result.impulse is None:
            left_out.append(f"{place}: {stored.body.file_name} holds levels over frequency only.")
        else:
            found.append((stored.body, result))
    return write_sofa(job.system, round_id, found, at=at), tuple(left_out)
