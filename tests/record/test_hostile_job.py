"""A complete job with hostile texts throughout: on its pages and in its tables they stay plain text.

Markup of HTML and of the typesetter, formulas of spreadsheets, controls of terminals: whatever a person or a file may
put into a title, a name, a note, a caption, a limit's basis or a letterhead.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections import Counter
from dataclasses import replace
from functools import cache
from hashlib import sha256
from xml.etree.ElementTree import Element

import html5lib
import pypdf
from builders import LOUDSPEAKERS, SEATS
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from jobs import CREATED_AT, visit_of
from record_samples import png

from commission.model import (
    AS_FOUND,
    Channel,
    Instrument,
    LimitsChosen,
    Noted,
    PhotoAttached,
    Processor,
    ReadingEntered,
    Room,
    Seat,
    Setting,
    SettingEntered,
    Signed,
    System,
    SystemDefined,
    default_profile,
)
from commission.model.units import clean_text
from commission.record.data.sheet import sheet_csv
from commission.record.data.text import visit_lines
from commission.record.document import Letterhead
from commission.record.export import checks_csv, record_document, render
from commission.visit import Visit

FRAGMENTS = (
    "<script>alert(1)</script>",
    "</style></svg></table><img src=x onerror=alert(1)>",
    "<!--",
    "]]>",
    "&lt;&#60;&amp",
    "\"' onload=x",
    '#eval("1")',
    '#read("/etc/passwd")',
    "$x$ *b* _e_ `r` @ref <label> // /* \\ ~",
    "[#]{}",
    "{page}",
    "{pages} {0.__class__} {count}",
    "%s ${HOME}",
    "=cmd|'/c calc'!A0",
    "+1",
    "-2+3",
    "@SUM(1)",
    " =1",
    "＝1",
    "x;=1",
    "\x1b[31m\x07",
    "\u202eoverride",
    "a\nb\tc\rd",
    "W" * 90,
    "́",
    "映画館 אולם \U0001f600",
)
TEXT = st.lists(st.sampled_from(FRAGMENTS) | st.text(max_size=12), min_size=1, max_size=3).map(" ".join)
KEYS = (
    "title",
    "client",
    "place",
    "technician",
    "processor",
    "meter",
    "serial",
    "channel",
    "output",
    "seat",
    "note",
    "caption",
    "file",
    "limits",
    "basis",
    "signed",
    "head",
    "line",
    "round",
)
TEXTS = st.fixed_dictionaries(dict.fromkeys(KEYS, TEXT))
PLAIN = dict.fromkeys(KEYS, "x")


def job(texts: dict[str, str]) -> Visit:
    """A job with one text of each kind, each after a distinct prefix, so that none is empty or equal to another."""
    t = {key: f"{key}: {text}" if key not in ("channel", "seat", "round") else text for key, text in texts.items()}
    names = {"FL": f"FL{texts['channel']}", "FR": "FR"}
    seat = f"A2{texts['seat']}"
    channels = tuple(
        Channel(id=names[c], name=t["output"] if c == "FL" else "Right", role="screen", position_m=LOUDSPEAKERS[c][2])
        for c in names
    )
    system = System(
        title=t["title"],
        client=t["client"],
        place=t["place"],
        technician=t["technician"],
        room=Room(length_m=6.4, width_m=4.7, height_m=2.6),
        processor=Processor(model=t["processor"]),
        channels=channels,
        seats=(Seat(id=seat, name=t["seat"], position_m=SEATS["A2"], reference=True),),
        instruments=(Instrument(kind="meter", model=t["meter"], serial=t["serial"], accuracy_class=2),),
    )
    profile = default_profile()
    first, *others = (
        replace(each, basis=t["basis"]) if each.quantity.startswith("levels.") else each for each in profile.limits
    )
    profile = replace(profile, name=t["limits"], limits=(first, *others))
    picture = png()
    digest = sha256(picture).hexdigest()
    rounds = (AS_FOUND, f"again{texts['round']}")
    readings = tuple(
        ReadingEntered(round=r, step="levels", channel=c, seat=seat, quantity="level", value=value, unit="dB")
        for r in rounds
        for c, value in zip(names.values(), (78.0, 72.5), strict=True)
    )
    held = tuple(
        SettingEntered(setting=Setting(round=r, channel=c, trim_db=0.0)) for r in rounds for c in names.values()
    )
    photo = PhotoAttached(
        step="levels",
        round=rounds[1],
        caption=t["caption"],
        file_name=t["file"],
        file_sha256=digest,
        media_type="image/png",
        width_px=32,
        height_px=24,
    )
    return visit_of(
        SystemDefined(system=system),
        LimitsChosen(profile=profile),
        *held,
        *readings,
        Noted(step="levels", round=AS_FOUND, text=t["note"]),
        photo,
        Signed(role="client", name=t["signed"]),
        blobs={digest: picture},
    )


def rendered(texts: dict[str, str], suffix: str) -> bytes:
    head = Letterhead(name=f"head: {texts['head']}", lines=(f"line: {texts['line']}",))
    made = record_document(job(texts), paper="a4", letterhead=head, created_at=CREATED_AT)
    return render(made, suffix)


def parse(raw: bytes) -> Element:
    tree: Element = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(raw.decode("utf-8"))
    return tree


def names_of(tree: Element) -> Counter[str]:
    """Number of occurrences of each element in a page."""
    return Counter(str(each.tag) for each in tree.iter())


@cache
def plain_names() -> Counter[str]:
    """The elements of a page with plain text."""
    return names_of(parse(rendered(PLAIN, ".html")))


def printed(text: str) -> str:
    """The letters of a text, since pages break and join words."""
    return re.sub(r"\s+", "", unicodedata.normalize("NFC", clean_text(text)))


@settings(deadline=None, max_examples=6, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(texts=TEXTS)
def test_no_text_becomes_markup_of_a_page(texts: dict[str, str]) -> None:
    """A page has the same elements as one with plain text (except drawings, whose parts depend on widths) and no
    scripts.
    """
    tree = parse(rendered(texts, ".html"))
    assert [each.get("type") for each in tree.iter("script")] == ["application/json"]
    for each in tree.iter():
        for name, value in each.attrib.items():
            assert not str(name).lower().startswith("on")
            assert name not in ("href", "src") or value.startswith(("#", "data:image/", "data:text/csv"))
    allowed = plain_names()
    assert names_of(tree).keys() <= allowed.keys() | {"{http://www.w3.org/2000/svg}tspan"}
    for name in ("img", "style", "a", "table", "h1"):
        assert names_of(tree)[name] == allowed[name]
    words = printed("".join(tree.itertext()))
    for key in ("title", "client", "place", "note", "caption", "basis", "head", "line"):
        assert printed(f"{key}: {texts[key]}") in words, key


@settings(deadline=None, max_examples=2, phases=(Phase.generate,))
@given(texts=TEXTS)
def test_no_text_becomes_markup_of_the_typesetter(texts: dict[str, str]) -> None:
    found = printed(
        "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(rendered(texts, ".pdf"))).pages)
    )
    for key in ("client", "note", "caption"):
        assert f"{key}:" in found
    assert "root:" not in found


@settings(deadline=None, max_examples=6, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(texts=TEXTS)
def test_no_table_cell_is_a_formula_and_no_line_controls_the_terminal(texts: dict[str, str]) -> None:
    visit = job(texts)
    for table in (checks_csv(visit), sheet_csv(visit)):
        rows = list(csv.reader(io.StringIO(table, newline="")))
        assert len(rows) > 2
        for delimiter in (",", ";"):  # a spreadsheet set to a decimal comma parts at semicolons
            for row in csv.reader(io.StringIO(table, newline=""), delimiter=delimiter):
                for cell in row[1 if delimiter == ";" else 0 :]:
                    number = re.fullmatch(r"-?\d+(\.\d+)?(e-\d+)?", cell)
                    assert number or not cell.lstrip().startswith(("=", "+", "-", "@")), cell
    for line in visit_lines(visit):
        assert line == clean_text(line)
