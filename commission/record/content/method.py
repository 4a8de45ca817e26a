"""The measuring conditions, so that the next technician can repeat them: when, where, with which signal and clock."""

from __future__ import annotations

from collections import Counter

from commission.model import ResponseStored, StimulusStored, StoredResponse, Sweep
from commission.model.formatting import number
from commission.model.units import clean_text, counted
from commission.record.content.context import OPTIONAL, Context, measured_in, table
from commission.record.document import Block, Facts, Heading, Section

DIGITS = 16
"""Digits of a SHA-256 that distinguish the files of one visit."""

SOURCES = {"file": "files", "rig": "recorded by this program", "rehearsal": "a simulated room"}
KINDS = {"impulse": "impulse response", "sweep": "sweep", "response": "magnitude response"}


def method_section(context: Context) -> Section | None:
    """A row for every round with measurements, and the signal, ear positions and microphone; None without any."""
    job = context.job
    rounds = [each for each in job.rounds if any(measured_in(job, each))]
    if not rounds:
        return None
    ident = context.id("site", "method")
    titles = (
        "Round",
        "When",
        "Hand readings",
        "Responses",
        "Sample rate",
        "Clock",
        "Delays of the processor",
        "Source",
    )
    headings = [Heading(title=title) for title in titles]
    rows = [_row(context, each) for each in rounds]
    blocks: list[Block] = [table(context.id("method"), "Readings and responses by round", headings, rows)]
    pairs = tuple((name, value) for name, value in _facts(context) if value)
    return Section(id=ident, title="How it was measured", blocks=(*blocks, *((Facts(pairs=pairs),) if pairs else ())))


def _row(context: Context, round_id: str) -> tuple[str, ...]:
    job = context.job
    read = [each for each in job.readings if each.body.round == round_id]
    heard = job.responses_of(round_id)
    moments = sorted([*((each.seq, each.at) for each in read), *((each.seq, each.at) for each in heard)])
    days = list(dict.fromkeys(context.date(at) for _, at in moments))
    when = days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
    kinds = Counter(each.body.kind for each in heard)
    return (
        context.round(round_id),
        when,
        str(len(read)) if read else OPTIONAL,
        ", ".join(_count_text(kind, count) for kind, count in kinds.items()) or OPTIONAL,
        ", ".join(dict.fromkeys(f"{each.body.rate_hz:g} Hz" for each in heard if each.body.rate_hz)) or OPTIONAL,
        _clock(heard) or OPTIONAL,
        _common_or_counted(["active" if each.body.passes_delays else "bypassed" for each in heard]) or OPTIONAL,
        _common_or_counted([SOURCES[each.body.source] for each in heard]) or OPTIONAL,
    )


def _count_text(kind: str, count: int) -> str:
    if kind == "noise":
        return f"{count} recording{'' if count == 1 else 's'} of noise"
    return counted(count, KINDS[kind])


def _clock(heard: tuple[StoredResponse, ...]) -> str:
    """The number of clocks of a round's responses, and of responses without a clock."""
    clocks = {each.body.clock for each in heard if each.body.clock is not None}
    alone = sum(each.body.clock is None for each in heard)
    parts = [("one clock for all" if len(clocks) == 1 else f"{len(clocks)} clocks")] if clocks else []
    return ", ".join([*parts, *([f"{alone} without a clock"] if alone else [])])


def _common_or_counted(words: list[str]) -> str:
    """A value common to all, or each value with its count."""
    counts = Counter(words)
    if len(counts) == 1:
        return words[0]
    return ", ".join(f"{word} ({count})" for word, count in counts.items())


def _facts(context: Context) -> list[tuple[str, str]]:
    job = context.job
    seats = dict.fromkeys(r.body.seat for r in job.readings if r.body.step == "levels" and r.body.seat is not None)
    level = f"{job.system.processor.reference_spl_db:g} dB(C)"
    microphone = job.system.instrument("microphone")
    offset = None if microphone is None else microphone.level_offset_db
    heard = [response.body for response in job.responses]
    read_at = f"read at {_places(context, tuple(seats))}, slow, with the processor's test noise; target {level}"
    return [
        ("Levels", read_at if seats else ""),
        (
            "Microphone",
            f"at the ears: {_places(context, _seats_heard(heard))}; coordinates under Layout" if heard else "",
        ),
        ("Test signal", "; ".join(_signals(context, heard))),
        (
            "Level of responses",
            "" if offset is None or not heard else f"{number(offset, 1, signed=True)} dB added to give dB SPL",
        ),
    ]


def _seats_heard(heard: list[ResponseStored]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(body.seat for body in heard))


def _places(context: Context, seats: tuple[str, ...]) -> str:
    """Seats in order, each with its ear height if known; equal heights are given once."""
    known = {seat.id: seat for seat in context.job.system.seats}
    groups: dict[str, list[str]] = {}
    for seat_id in (*(each for each in known if each in seats), *(each for each in seats if each not in known)):
        place = known[seat_id].position_m if seat_id in known else None
        height = "" if place is None else context.quantity(place[2], "m")
        groups.setdefault(height, []).append(clean_text(seat_id))
    return "; ".join(
        f"{', '.join(ids)} ({height} above the floor)" if height else ", ".join(ids) for height, ids in groups.items()
    )


def _signals(context: Context, heard: list[ResponseStored]) -> list[str]:
    """Every sweep that was deconvolved here, by its stimulus file or its parameters."""
    stored = (event.body for event in context.job.log if isinstance(event.body, StimulusStored))
    files = {body.file_sha256: body for body in stored}
    out: dict[str, None] = {}
    for body in heard:
        if body.kind != "sweep":
            continue
        file = files.get(body.stimulus_sha256 or "")
        if file is not None:
            seconds = f"{number(file.frames / file.rate_hz, 2)} s"
            rate, digits = f"{file.rate_hz:g} Hz", file.file_sha256[:DIGITS]
            name = clean_text(file.file_name)
            out[f"sweep from the file {name}, {seconds} at {rate}, SHA-256 {digits}…"] = None
        sweep = body.sweep or (context.job.system.sweep if file is None else None)
        if sweep is not None:
            out[_sweep(sweep)] = None
    if any(body.kind == "impulse" for body in heard):
        out["impulse responses were imported as files, whose test signal is not recorded here"] = None
    return list(out)


def _sweep(sweep: Sweep) -> str:
    return (
        f"sweep from {sweep.start_hz:g} Hz to {sweep.stop_hz:g} Hz, {sweep.duration_s:g} s, {sweep.rate_hz:g} "
        f"Hz, {number(sweep.level_dbfs, 1)} dBFS"
    )
