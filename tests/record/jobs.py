"""Visits for tests of the record, without a store and with analyses made by hand; and the text of documents."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any
from zlib import crc32

import numpy as np
from builders import CREATED, analysis
from memory_journal import MemoryJournal

from commission.dsp.spectrum import GRID_HZ
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    AnalysedResponse,
    Analyses,
    Analysis,
    Channel,
    EventBody,
    FloatArray,
    Position,
    ResponseStored,
    Room,
    Seat,
    System,
)
from commission.record.document import (
    Block,
    Bullets,
    Document,
    Facts,
    Figure,
    Paragraph,
    Photo,
    PrintedTable,
    Section,
    Signatures,
)
from commission.visit import Visit

CREATED_AT = "2026-03-14T17:05:00Z"


class AnalysedVisit(Visit):
    """A visit with analyses made by hand."""

    def __init__(self, *bodies: EventBody, given: Mapping[int, Any], blobs: Mapping[str, bytes] | None) -> None:
        self._given: Analyses | None = None
        self._by_seq = given
        super().__init__(MemoryJournal(*bodies, blobs=blobs, read_only=True), lambda stored, fetch, whole=(): [])

    @property
    def analyses(self) -> Analyses:
        if self._given is None:
            self._given = Analyses(
                AnalysedResponse(
                    seq=r.seq,
                    round=r.body.round,
                    channel=r.body.channel,
                    seat=r.body.seat,
                    clock=r.body.clock,
                    passes_delays=True,
                    analysis=self._by_seq[r.seq],
                )
                for r in self.job.responses
                if r.seq in self._by_seq
            )
        return self._given


def visit_of(
    *bodies: EventBody,
    heard: Mapping[tuple[str, str, str], object] | None = None,
    blobs: Mapping[str, bytes] | None = None,
) -> Visit:
    """A visit of these bodies; `heard`: analyses by (round, channel, seat), each with its event."""
    heard = {(r, c, s): _with_ripple(each, f"{c} at {s}") for (r, c, s), each in (heard or {}).items()}
    responses = tuple(
        ResponseStored(
            round=r, channel=c, seat=s, kind="impulse", file_name=f"{r}-{s}-{c}.wav", file_sha256="0" * 64, clock=r
        )
        for r, c, s in heard
    )
    first = 1 + len(bodies) + 1
    given = {first + i: _of_its_place(each, c, s) for i, ((_, c, s), each) in enumerate(heard.items())}
    return AnalysedVisit(CREATED, *bodies, *responses, given=given, blobs=blobs)


def _of_its_place(heard: Any, channel: str, seat: str) -> Any:
    """The analysis with a fine structure of its place added, since two places in a room never read alike; levels stay."""
    phase = crc32(f"{channel}/{seat}".encode())
    ripple = 2.0 * np.sin(np.arange(len(heard.view_db)) * (0.3 + phase % 97 / 50) + phase % 89)
    return replace(heard, view_db=heard.view_db + ripple)


def _with_ripple(heard: Any, place: str) -> Any:
    """The analyses with a fine structure as reflections make it, different at every place: no two places read alike."""
    if not isinstance(heard, Analysis) or len(heard.view_db) != len(GRID_HZ):
        return heard
    ripple = np.random.default_rng(list(place.encode())).normal(0, 2.0, len(GRID_HZ))
    return replace(heard, view_db=heard.view_db + ripple)


def response(level_db: float, arrival_s: float, tilt: FloatArray | float = 0.0, **changes: object) -> object:
    """An analysis on the program's grid: a flat level with a deviation added."""
    curve = np.full(len(GRID_HZ), level_db) + tilt
    given: dict[str, object] = {
        "freq_hz": GRID_HZ,
        "third_octave_db": curve,
        "view_db": curve,
        "level_db": level_db,
        "arrival_s": arrival_s,
        "arrival_u_s": 3e-5,
        "polarity": 1,
        "snr_db": 60.0,
    }
    return analysis(**(given | changes))


def big_cinema() -> System:
    """9.2.6 with twenty seats in four rows."""
    bed = ("FL", "FR", "FC", "SiL", "SiR", "BL", "BR", "FLw", "FRw")
    high = ("TpFL", "TpFR", "TpSiL", "TpSiR", "TpBL", "TpBR")

    def place(i: int, count: int, z: float) -> Position:
        turn = 2 * np.pi * i / count
        return (round(3 * float(np.sin(turn)), 2), round(5 - 4.5 * float(np.cos(turn)), 2), z)

    channels = [
        *(
            Channel(id=c, role="screen" if c in ("FL", "FR", "FC") else "surround", position_m=place(i, 9, 1.2))
            for i, c in enumerate(bed)
        ),
        *(Channel(id=c, role="height", position_m=place(i, 6, 2.9)) for i, c in enumerate(high)),
        *(Channel(id=c, role="sub", position_m=(x, 0.3, 0.3)) for c, x in (("SUB1", -2.0), ("SUB2", 2.0))),
    ]
    seats = [
        Seat(id=f"{row}{n}", position_m=(-2 + n * 0.7, 3 + 1.4 * r, 1.1 + 0.2 * r), reference=row == "B" and n == 3)
        for r, row in enumerate("ABCD")
        for n in range(1, 6)
    ]
    return System(
        title="Long Quay cinema",
        room=Room(length_m=10, width_m=7, height_m=3.2),
        channels=tuple(channels),
        seats=tuple(seats),
    )


def heard_everywhere(
    system: System, rounds: tuple[str, ...] = (AS_FOUND, AS_LEFT)
) -> dict[tuple[str, str, str], object]:
    """Every channel at every seat in every round; levels scatter from a fixed seed, arrivals follow the positions."""
    rng = np.random.default_rng(7)
    out = {}
    for r in rounds:
        for channel in system.channels:
            for seat in system.seats:
                level = 75 + float(rng.normal(0, 2 if r == AS_FOUND else 1))
                assert channel.position_m is not None and seat.position_m is not None
                late_s = 0.01 + math.dist(channel.position_m, seat.position_m) / 344 + float(rng.normal(0, 1e-5))
                out[(r, channel.id, seat.id)] = response(level, late_s)
    return out


def sections(document: Document) -> Iterator[Section]:
    """All sections, outer ones first."""

    def inside(parts: tuple[Section, ...]) -> Iterator[Section]:
        for part in parts:
            yield part
            yield from inside(part.sections)

    return inside(document.sections)


def section(document: Document, ident: str) -> Section:
    """The section of that id."""
    return next(part for part in sections(document) if part.id == ident)


def blocks(document: Document) -> Iterator[Block]:
    """All blocks in order."""
    for part in sections(document):
        yield from part.blocks


def grids(document: Document) -> list[PrintedTable]:
    """All grids in order."""
    return [block for block in blocks(document) if isinstance(block, PrintedTable)]


def texts_of(block: Block) -> Iterator[str]:
    """All texts of a block."""
    match block:
        case Paragraph():
            yield block.text
        case Bullets():
            yield from block.items
        case Facts():
            for pair in block.pairs:
                yield from pair
        case PrintedTable():
            yield from (block.title, block.remark)
            for heading in block.headings:
                yield from (heading.title, heading.unit)
            for row in block.rows:
                yield from row
        case Figure():
            yield from (block.title, block.alt, block.caption)
        case Photo():
            yield from (block.caption, block.alt)
        case Signatures():
            for place in block.places:
                yield from (place.role, place.name, place.date)


def texts(document: Document) -> Iterator[str]:
    """All texts of a document."""
    yield from (document.title, document.subtitle, document.date_text, document.how_to_check)
    for part in sections(document):
        yield part.title
        for block in part.blocks:
            yield from texts_of(block)
    for each in document.attachments:
        yield each.description


def text_of(part: Section) -> str:
    """All text of a section, sections inside it included."""
    own = [part.title, *(text for block in part.blocks for text in texts_of(block))]
    return "\n".join([*own, *(text_of(inner) for inner in part.sections)])


def renamed(system: System, channel: str, **changes: object) -> System:
    """The system with one channel changed."""
    return replace(system, channels=tuple(replace(c, **changes) if c.id == channel else c for c in system.channels))  # type: ignore[arg-type]
