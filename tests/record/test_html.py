"""HTML records through a strict parser: html5lib, after the WHATWG standard. In a browser: test_html_pages.py."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from pathlib import Path
from xml.etree.ElementTree import Element

import html5lib
import pytest
from record_samples import DIGEST, HOSTILE, hostile, ordinary

from commission.model.units import clean_text
from commission.record.document import Attachment, Document, Heading, PrintedTable, Section
from commission.record.html.render import read_attachments, render_html

CSS = (Path(render_html.__code__.co_filename).parent / "record.css").read_text(encoding="utf-8")


def parse(raw: bytes) -> Element:
    tree: Element = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(raw.decode("utf-8"))
    return tree


@pytest.fixture(params=[ordinary, hostile], ids=["ordinary", "hostile"])
def made(request: pytest.FixtureRequest) -> tuple[Document, Element]:
    document = request.param()
    return document, parse(render_html(document))


def text_of(element: Element) -> str:
    return " ".join(" ".join(element.itertext()).split())


def test_pages_run_no_script_and_fetch_nothing(made: tuple[Document, Element]) -> None:
    _, tree = made
    scripts = list(tree.iter("script"))
    assert [s.get("type") for s in scripts] == ["application/json"]
    for element in tree.iter():
        for name, value in element.attrib.items():
            assert not str(name).lower().startswith("on")
            if name in ("href", "src"):
                assert value.startswith(("#", "data:image/", "data:text/csv")), value
    policy = next(m for m in tree.iter("meta") if m.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in (policy.get("content") or "")
    style = "".join(next(iter(tree.iter("style"))).itertext())
    assert "url(" not in style
    assert "@import" not in style


def test_headings_are_in_order_tables_have_scopes_and_drawings_have_text(made: tuple[Document, Element]) -> None:
    """WCAG 2.2 (W3C 2023): 1.1.1 text alternatives, 1.3.1 relationships, 2.4.1 bypass, 3.1.1 language."""
    _, tree = made
    assert (tree.get("lang") or "").startswith("en")
    levels = [int(e.tag[1]) for e in tree.iter() if re.fullmatch("h[1-6]", str(e.tag))]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    skip = next(e for e in tree.iter("a") if e.get("class") == "skip")
    ids = [e.get("id") for e in tree.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    assert (skip.get("href") or "")[1:] in ids
    for table in tree.iter("table"):
        assert text_of(table.find("caption"))  # type: ignore[arg-type]
        assert all(th.get("scope") in ("col", "row") for th in table.iter("th"))
        assert any(th.get("scope") == "col" for th in table.iter("th"))
    drawings = [e for e in tree.iter("{http://www.w3.org/2000/svg}svg") if e.get("role") == "img"]
    assert drawings
    for svg in drawings:
        for name in ("title", "desc"):
            part = svg.find(f"{{http://www.w3.org/2000/svg}}{name}")
            assert part is not None
            assert text_of(part)
    assert all(img.get("alt") is not None for img in tree.iter("img"))


def test_every_text_stays_text() -> None:
    printed = text_of(parse(render_html(hostile())))
    for text in HOSTILE:
        assert " ".join(clean_text(text).replace("e\u0301", "é").split()) in printed
    assert DIGEST in printed


def test_attachments_are_unchanged() -> None:
    """ "<" inside the data block is written as an escape of JSON (RFC 8259, 7): nothing in it can end the block."""
    for document in (ordinary(), hostile()):
        raw = render_html(document)
        found = read_attachments(raw.decode())
        assert found == {a.name: a.data for a in document.attachments}
        block = next(iter(parse(raw).iter("script")))
        assert json.loads("".join(block.itertext())) == json.loads(document.attachments[0].data)
    nasty = json.dumps(
        ["</script>", "<!--<script>", "\\u003c", "\\\\u003c", "\\<", "\u2028", "]]>"], ensure_ascii=False
    )
    attachment = Attachment(name="results.json", media_type="application/json", data=nasty.encode(), description="x")
    raw = render_html(ordinary(attachments=(attachment,)))
    assert read_attachments(raw.decode())["results.json"] == nasty.encode()


def test_the_same_document_gives_the_same_bytes() -> None:
    assert render_html(hostile()) == render_html(hostile())


def test_printed_pages_show_job_date_digest_and_page() -> None:
    style = "".join(next(iter(parse(render_html(ordinary())).iter("style"))).itertext())
    assert 'counter(page)" of "' in style.replace(" ", "").replace('"of"', '" of "') or "counter(page)" in style
    assert "counter(pages)" in style
    assert DIGEST in style
    assert "Harbour Lane cinema" in style or "Harbour" in style
    assert "size:A4" in style
    assert "size:letter" in render_html(ordinary(paper="us-letter")).decode()


def test_the_contents_link_to_every_step_of_a_long_part() -> None:
    parts = tuple(Section(id=f"step-{i}", title=f"Step {i}") for i in range(5))
    owner, steps = (Section(id=i, title=i.capitalize(), sections=parts) for i in ("owner", "steps"))
    tree = parse(render_html(ordinary(sections=(owner, steps, Section(id="end", title="End")))))
    nav = next(tree.iter("nav"))
    assert text_of(nav) == "Contents Owner Steps Step 0 Step 1 Step 2 Step 3 Step 4 End"
    targets = {e.get("id"): text_of(e) for e in tree.iter() if re.fullmatch("h[2-6]", str(e.tag))}
    assert [targets[(a.get("href") or "")[1:]] for a in nav.iter("a")] == [text_of(a) for a in nav.iter("a")]


def test_values_stay_with_their_units_and_small_tables_on_one_page() -> None:
    cells = ("at least −10.0 dB", "✓ 9 ✗ 2", "within ±0.10 ms; within ±2.00 ms", "yes or no", "x" * 50)
    heads = tuple(Heading(title=f"H{i}") for i in range(6))
    small, large = (PrintedTable(id=f"g{n}", title="G", headings=heads, rows=(("FL", *cells),) * n) for n in (3, 30))
    tree = parse(render_html(ordinary(sections=(Section(id="s", title="S", blocks=(small, large)),))))
    first = next(tree.iter("tbody"))
    assert [td.get("class") for td in next(first.iter("tr")).iter("td")] == ["k", "bad", None, None, "long"]
    boxes = [(e.get("class") or "").split() for e in tree.iter("div") if (e.get("class") or "").startswith("table")]
    assert ["whole" in box for box in boxes] == [True, False]
    print_rules = CSS[CSS.index("@media print") :]
    assert ".whole{break-inside:avoid}" in print_rules
    assert ".k,td.good,td.bad,td.open,td.none{white-space:nowrap}" in CSS


def test_empty_sections_and_a_minimal_document_are_valid() -> None:
    parse(render_html(ordinary(sections=(Section(id="x", title="Empty"),), attachments=(), subtitle="")))


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.2 (definition "relative luminance")."""
    parts = colour.lstrip("#")
    full = parts if len(parts) == 6 else "".join(c * 2 for c in parts)
    channels = [int(full[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_suffices_in_both_colour_schemes() -> None:
    """WCAG 2.2, 1.4.3: at least 4.5:1 for text; 1.4.11: at least 3:1 for lines of a drawing."""
    assert contrast("#000", "#fff") == pytest.approx(21.0)
    light = dict(re.findall(r"--([\w-]+):(#[0-9a-f]{3,6})", CSS[: CSS.index("@media")]))
    dark_part = CSS[CSS.index("prefers-color-scheme:dark") : CSS.index("*{box-sizing")]
    dark = light | dict(re.findall(r"--([\w-]+):(#[0-9a-f]{3,6})", dark_part))
    for scheme in (light, dark):
        for ground in ("paper", "tint"):
            for ink in ("ink", "soft", "accent", "good", "bad", "open"):
                assert contrast(scheme[ink], scheme[ground]) >= 4.5, (ink, ground)
    from commission.record.drawing.svg import MEAN, MUTED, STYLES

    lines = dict(re.findall(r"svg \.(k\d|km)\{stroke:(#[0-9a-f]{3,6})\}", dark_part))
    for style in (*STYLES, MEAN, MUTED):
        assert contrast(style.colour, light["paper"]) >= 3.0, style
    assert len(lines) == len(STYLES) + 1
    assert all(contrast(colour, dark["paper"]) >= 3.0 for colour in lines.values())
