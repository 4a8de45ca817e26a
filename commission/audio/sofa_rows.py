"""AES69 files on their way into a job: rows to correct, stored files to responses."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from commission.audio.files import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, SoundInfo, problem_of
from commission.audio.sofa import SofaResponse, read_sofa
from commission.model import (
    CommissionError,
    ImportRow,
    InputError,
    Job,
    Response,
    StoredResponse,
    UnusableError,
)


def sofa_rows(row: ImportRow, data: bytes, name: str, job: Job) -> list[ImportRow]:
    """One row for each response of a file; seat and loudspeaker as the file labels them, else as `row` says.

    Spelled as the job spells them. `file_channel` counts the responses of the file. Raises InputError for the file as a
    whole; what stands against one response is its row's `file_problem`.
    """
    found = read_sofa(data, name)
    seats = {seat.id.casefold(): seat.id for seat in job.system.seats}
    channels = {channel.id.casefold(): channel.id for channel in job.system.channels}
    common = Counter(each.clock for each in found if each.clock >= 0).most_common(1)
    rows = []
    for index, each in enumerate(found):
        seat, channel = each.seat or row.seat, each.channel or row.channel
        shared = bool(common) and each.clock == common[0][0]
        rows.append(
            replace(
                row,
                file_channel=index,
                seat=seats.get(seat.casefold(), seat) if seat else None,
                channel=channels.get(channel.casefold(), channel) if channel else None,
                kind="impulse",
                rate_hz=each.response.rate_hz,
                frames=_frames(each),
                shared_clock=row.shared_clock and shared,
                file_problem=_problem(each, f"{name}, response {index + 1}"),
            )
        )
    return rows


def sofa_responses(data: bytes, wanted: Sequence[StoredResponse]) -> dict[int, Response | Exception]:
    """Stored responses of one file by their event's number, each as it is or with the reason why it cannot be."""
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


def _frames(each: SofaResponse) -> int:
    return 0 if each.response.impulse is None else len(each.response.impulse)


def _problem(each: SofaResponse, name: str) -> str | None:
    """Why one response cannot be used; None when it can."""
    samples, rate_hz = each.response.impulse, each.response.rate_hz or 0.0
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        return str(InputError(name, f"a sample rate of {rate_hz:g} Hz", f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"))
    assert samples is not None
    return problem_of(samples, SoundInfo(round(rate_hz), len(samples), 1), name)
