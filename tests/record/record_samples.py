"""Documents made by hand: an ordinary one, and one with hostile texts throughout."""

from __future__ import annotations

import json
import struct
import zlib

import numpy as np

from commission.model import Curve, PlanItem, RoomPlan, Series, Verdict
from commission.record.document import (
    Attachment,
    Block,
    Bullets,
    Document,
    Facts,
    Figure,
    Heading,
    Letterhead,
    Paragraph,
    Photo,
    PrintedTable,
    Section,
    SignaturePlace,
    Signatures,
)
from commission.record.drawing.plots import curve_figure, curves_by_seat, plan_figure

DIGEST = "9f2c1e0d" * 8
HOSTILE = (
    "#set page(width: 1pt) $x^2$ @ref *bold* _emph_ `raw` <label> \\ // /* [ ] { } ~ = - + 1.",
    "</script><script>alert(1)</script> <!-- --> ]]> &amp; &#60; \"quoted\" 'single' <b>bold</b>",
    "bell\x07 escape\x1b[31mred nul\x00 \u202eoverride\u202c zero\u200bwidth",
    "W" * 300,
    "אולם קולנוע ביתי and سينما المنزل",
    "party \U0001f389, grin \U0001f600, family \U0001f468\u200d\U0001f469\u200d\U0001f467, 映画館, e\u0301",
    '#eval("1")#read("/etc/passwd") {page} {pages} %s %(x)s ${HOME}',
)
FREQUENCIES = np.geomspace(20, 20000, 241)


def png(width: int = 32, height: int = 24) -> bytes:
    """A small picture with one gray ramp, by the PNG specification (W3C 2003)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    rows = b"".join(b"\0" + bytes(x * 255 // width for x in range(width)) for _ in range(height))
    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def curve(seat: str, shift: float = 0.0, channel: str = "FL") -> Curve:
    y = 75 + 6 * np.sin(4 * np.log(FREQUENCIES) + shift) - 0.002 * FREQUENCIES**0.7
    low, high, mean = (
        Series(name=name, x=FREQUENCIES, y=y + d, kind=kind)  # type: ignore[arg-type]
        for name, d, kind in (("lowest seat", -6, "low"), ("highest seat", 5, "high"), ("mean of seats", 0.5, "mean"))
    )
    main = Series(name=seat, x=FREQUENCIES, y=y, kind="main")
    return Curve(
        id=f"c:{seat}",
        title=f"Front left at {seat}",
        series=(low, high, mean, main),
        seat=seat,
        channel=channel,
        caption="1/12 octave",
    )


def two_states() -> Curve:
    """The same place as found and as left."""
    found, left = (curve("A1", shift).series[-1].y for shift in (0.4, 0.0))
    return Curve(
        id="change",
        title="Front left at A1",
        seat="A1",
        channel="FL",
        caption="1/12 octave",
        series=(
            Series(name="as found", x=FREQUENCIES, y=found, kind="other"),
            Series(name="as left", x=FREQUENCIES, y=left, kind="main"),
        ),
    )


def room() -> RoomPlan:
    def item(label: str, kind: str, x: float, y: float, z: float, verdict: Verdict | None = None) -> PlanItem:
        return PlanItem(label=label, kind=kind, position_m=(x, y, z), verdict=verdict)  # type: ignore[arg-type]

    return RoomPlan(
        length_m=6.4,
        width_m=4.7,
        height_m=2.6,
        items=(
            item("A2", "reference", 0, 3.3, 1.1),
            item("A1", "seat", -0.8, 3.3, 1.1),
            item("A3", "seat", 0.8, 3.3, 1.1),
            item("FL", "loudspeaker", -1.45, 0.1, 1.15),
            item("FR", "loudspeaker", 1.45, 0.1, 1.15),
            item("SiL", "loudspeaker", -2.3, 3.4, 1.4, Verdict.FAIL),
            item("SUB1", "sub", -1.9, 0.4, 0.3),
            item("screen", "screen", 0, 0, 1.2),
        ),
    )


def grid(columns: int, rows: int, text: str = "FL", title: str = "Trims and delays") -> PrintedTable:
    heads = (
        Heading(title="Channel"),
        *(Heading(title=f"Value {i}", unit="dB", numeric=True) for i in range(1, columns)),
    )
    body = tuple((f"{text} {r}", *(f"−{r}.{i}" for i in range(1, columns))) for r in range(rows))
    return PrintedTable(id=f"grid-{columns}", title=title, headings=heads, rows=body, remark="Uncertainty U = 2 u.")


def ordinary(**changes: object) -> Document:
    """A document with every kind of block and with attached data."""
    results = {"schema": "x", "text": "a < b </script> <!-- \\u003c \\", "values": [1.5, -2.25]}
    verdicts = PrintedTable(
        id="verdicts",
        title="Verdicts",
        rows=(
            ("FL", "✓ pass", "−1.5"),
            ("FR", "✗ fail", "0.0"),
            ("FC", "? unsure", "2.5"),
            ("SiL", "– not tested", "–"),
        ),
        headings=(Heading(title="Channel"), Heading(title="Verdict"), Heading(title="Trim", unit="dB", numeric=True)),
    )
    first = Section(
        id="summary",
        title="For you",
        blocks=(
            Paragraph(text="Everything sounds as it should, except one seat.", kind="lead"),
            Paragraph(text="What was found and mended."),
            Bullets(items=("One.", "Two.")),
            Paragraph(text="Listen at moderate level.", kind="caution"),
            Paragraph(text="Quiet: not done, because the meter was missing.", kind="missing"),
            Paragraph(text="A note.", kind="note"),
            Facts(pairs=(("Temperature", "21.5 °C"), ("Meter", "class 2"))),
        ),
    )
    narrow = Figure(id="small", title="Small", svg=curves_by_seat("FL", [curve("A1")]).svg, alt="words", wide=False)
    tradeoff = Section(
        id="trade",
        title="For the trade",
        new_page=True,
        blocks=(verdicts, grid(13, 40), grid(24, 3)),
        sections=(
            Section(
                id="plots",
                title="Plots",
                blocks=(
                    curves_by_seat("FL", [curve("A1"), curve("A2", 1.0)]),
                    curve_figure(two_states()),
                    plan_figure(room()),
                    narrow,
                    narrow,
                ),
            ),
            Section(
                id="photos",
                title="Photographs",
                blocks=(
                    Photo(id="p1", data=png(), media_type="image/png", caption="Rack", alt="A rack"),
                    Photo(id="p2", data=png(24, 32), media_type="image/png", caption="Sub", alt="A sub"),
                ),
            ),
        ),
    )
    end = Section(
        id="sign",
        title="Signatures",
        blocks=(
            Signatures(
                places=(
                    SignaturePlace(role="Technician", name="R. Quill", date="2026-03-14"),
                    SignaturePlace(role="Client"),
                ),
            ),
        ),
    )
    values: dict[str, object] = {
        "title": "Harbour Lane cinema",
        "subtitle": "Commissioning record",
        "created_at": "2026-03-14T16:20:05+00:00",
        "date_text": "14 March 2026",
        "digest": DIGEST,
        "how_to_check": "Run the check.",
        "letterhead": Letterhead(name="Quill and Daughters", lines=("1 Sea Road", "Portwick")),
        "sections": (first, tradeoff, end),
        "attachments": (
            Attachment(
                name="results.json",
                media_type="application/json",
                description="Results and log",
                data=json.dumps(results, ensure_ascii=False).encode(),
            ),
            Attachment(
                name="settings.csv", media_type="text/csv", description="Settings sheet", data=b"a,b\r\n1,2\r\n"
            ),
        ),
    }
    return Document(**{**values, **changes})  # type: ignore[arg-type]


def hostile() -> Document:
    """A document whose texts all contain markup, control characters or letters that fonts lack."""
    blocks: list[Block] = []
    for i, text in enumerate(HOSTILE):
        blocks += [
            Paragraph(text=text),
            Bullets(items=(text, text)),
            Facts(pairs=((text, text),)),
            PrintedTable(
                id=text,
                title=text,
                headings=(Heading(title=text), Heading(title=text, unit=text, numeric=True)),
                rows=((text, text), ("ok", "1")),
                remark=text,
            ),
            Photo(id=text, data=png(), media_type="image/png", caption=text, alt=text),
        ]
        named = curve(text[:40])
        blocks.append(curves_by_seat(text, [named, curve(f"A{i}", 1.0)]))
    sections = tuple(Section(id=text, title=text) for text in HOSTILE)
    signatures = Signatures(places=tuple(SignaturePlace(role=t, name=t, date=t) for t in HOSTILE))
    return ordinary(
        title=" ".join(HOSTILE),
        subtitle=HOSTILE[0],
        date_text=HOSTILE[1],
        how_to_check=HOSTILE[2],
        letterhead=Letterhead(name=HOSTILE[5], lines=HOSTILE),
        sections=(Section(id="all", title=HOSTILE[0], blocks=(*blocks, signatures), sections=sections),),
        attachments=(
            Attachment(
                name="results.json",
                media_type="application/json",
                description=HOSTILE[1],
                data=json.dumps(HOSTILE, ensure_ascii=False).encode(),
            ),
        ),
    )
