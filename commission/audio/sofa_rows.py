"""Imports AES69 files into a job: rows to correct, and a WAV of each response to store.

A job stores no HDF5: what was decoded once, in a child process, is stored as WAV, which cannot refer to other files.
Jobs of earlier versions hold AES69 files; their responses are decoded in a child process each time.
"""

from __future__ import annotations

import hashlib
import struct
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from commission.audio.files import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, SoundInfo, problem_of
from commission.audio.sofa import SofaResponse, read_sofa
from commission.model import (
    CommissionError,
    FloatArray,
    ImportRow,
    InputError,
    Job,
    Response,
    StoredResponse,
    UnusableError,
)

_KEPT_BYTES = 64_000_000
_RATE_TOLERANCE_HZ = 0.01
"""0.3 ppm of 32 kHz, finer than any clock (common practice, no source): rounding for the header of a WAV."""
_kept: dict[str, tuple[SofaResponse, ...]] = {}
"""The file decoded last, by digest: it is examined first and stored a moment later."""


def decoded_sofa(data: bytes, name: str) -> tuple[SofaResponse, ...]:
    """`read_sofa` with a cache of the last file."""
    digest = hashlib.sha256(data).hexdigest()
    if digest in _kept:
        return _kept[digest]
    found = read_sofa(data, name)
    _kept[digest] = found
    while sum(_impulse(each).nbytes for file in _kept.values() for each in file) > _KEPT_BYTES:
        del _kept[next(iter(_kept))]
    return found


def sofa_rows(row: ImportRow, data: bytes, name: str, job: Job) -> list[ImportRow]:
    """One row for each response of a file; seat and loudspeaker as the file labels them, else as `row` says.

    Ids are spelled as in the job. `file_channel` counts the responses of the file. Raises InputError for the file as
    a whole; a problem of one response is its row's `file_problem`.
    """
    found = decoded_sofa(data, name)
    seats = {seat.id.casefold(): seat.id for seat in job.system.seats}
    channels = {channel.id.casefold(): channel.id for channel in job.system.channels}
    common = Counter(each.clock for each in found if each.clock >= 0).most_common(1)
    rows = []
    for index, each in enumerate(found):
        seat, channel = each.seat or row.seat, each.channel or row.channel
        shared = bool(common) and each.clock == common[0][0]
        problem = _problem(each, f"{name}, response {index + 1}")
        rows.append(
            replace(
                row,
                file_channel=index,
                seat=seats.get(seat.casefold(), seat) if seat else None,
                channel=channels.get(channel.casefold(), channel) if channel else None,
                kind="impulse",
                rate_hz=each.response.rate_hz,
                frames=len(_impulse(each)),
                shared_clock=row.shared_clock and shared,
                file_problem=problem,
                stored_sha256=None if problem else hashlib.sha256(_wav(each)).hexdigest(),
            )
        )
    return rows


class StoredSofa(NamedTuple):
    """One response as a job stores it."""

    name: str
    """Name of the file, and of the response if it has several."""
    wav: bytes
    origin_frame: float


def sofa_to_store(data: bytes, name: str, index: int) -> StoredSofa:
    """Response `index` of a file. Raises InputError."""
    found = decoded_sofa(data, name)
    each = found[index]
    origin_frame = -each.response.t0_s * (each.response.rate_hz or 0.0) + 0.0
    return StoredSofa(name if len(found) == 1 else f"{name}, response {index + 1}", _wav(each), origin_frame)


def _wav(each: SofaResponse) -> bytes:
    """A response as WAV of 32-bit float, one channel; the same bytes every time, so that its digest can be compared.

    Resource Interchange File Format with format tag 3 (IEEE float), `fmt ` of 18 bytes and `fact` (Microsoft and IBM,
    "Multimedia programming interface and data specifications", 1991, with its revision 3 of 1994; from memory).
    """
    samples = np.ascontiguousarray(_impulse(each), "<f4").tobytes()
    rate_hz = round(each.response.rate_hz or 0.0)
    chunks = (
        (b"fmt ", struct.pack("<HHIIHHH", 3, 1, rate_hz, 4 * rate_hz, 4, 32, 0)),
        (b"fact", struct.pack("<I", len(samples) // 4)),
        (b"data", samples),
    )
    body = b"WAVE" + b"".join(key + struct.pack("<I", len(chunk)) + chunk for key, chunk in chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def sofa_responses(data: bytes, wanted: Sequence[StoredResponse]) -> dict[int, Response | Exception]:
    """Stored responses of one AES69 file by event number, each decoded or with the reason why it cannot be."""
    name = wanted[0].body.file_name
    try:
        found = read_sofa(data, name)
    except CommissionError as error:
        return {each.seq: UnusableError(str(error)) for each in wanted}
    results: dict[int, Response | Exception] = {}
    for each in wanted:
        index = each.body.file_channel
        if index >= len(found):
            results[each.seq] = UnusableError(f"{name}: response {index + 1} is not in the file.")
            continue
        problem = _problem(found[index], f"{name}, response {index + 1}")
        results[each.seq] = UnusableError(problem) if problem else found[index].response
    return results


def _impulse(each: SofaResponse) -> FloatArray:
    assert each.response.impulse is not None
    return each.response.impulse


def _problem(each: SofaResponse, name: str) -> str | None:
    """Why one response cannot be used; None if it can."""
    samples, rate_hz = _impulse(each), each.response.rate_hz or 0.0
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        return str(InputError(name, f"a sample rate of {rate_hz:g} Hz", f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"))
    if abs(rate_hz - round(rate_hz)) > _RATE_TOLERANCE_HZ:
        return str(InputError(name, f"a sample rate of {rate_hz:g} Hz", "a whole number of Hz"))
    return problem_of(samples, SoundInfo(round(rate_hz), len(samples), 1), name)
