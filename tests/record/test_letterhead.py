"""A letterhead is read whole or refused in one sentence; a logo can neither run nor fetch anything.

What an SVG can carry: SVG 1.1 (W3C), chapters 14.3 (references), 18 (scripting), 19 (animation); XML 1.0, 4.2.2 (external
entities); from memory. The refused list below is the usual one of such attacks.
"""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from commission.model import InputError
from commission.record import logo
from commission.record.letterhead import load_letterhead
from commission.record.logo import check_svg

SVG = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" viewBox="0 0 9 9">{}</svg>'
LOGO = SVG.format(
    '<defs><linearGradient id="a"><stop offset="0" stop-color="#036"/></linearGradient><path id="p" d="M0 0h9"/></defs>'
    '<style>.k { fill: url(#a) }</style><g class="k" style="stroke:url(\'#a\')"><use xlink:href="#p"/><text x="1">A</text></g>'
)


def png(width: int = 4, height: int = 3) -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    rows = zlib.compress(b"".join(b"\0" + b"\x10\x20\x30" * min(width, 4) for _ in range(min(height, 3))))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def write(folder: Path, toml: str, **files: bytes) -> Path:
    for name, content in files.items():
        (folder / name.replace("_", ".")).write_bytes(content)
    path = folder / "letterhead.toml"
    path.write_text(toml, encoding="utf-8")
    return path


def test_name_lines_and_logo(tmp_path: Path) -> None:
    toml = 'name = "Harbour Sound"\nlines = ["Quay 3", "a@example.org"]\nlogo = "logo.svg"'
    head = load_letterhead(write(tmp_path, toml, logo_svg=LOGO.encode()))
    assert (head.name, head.lines, head.logo_media_type) == (
        "Harbour Sound",
        ("Quay 3", "a@example.org"),
        "image/svg+xml",
    )
    assert head.logo == LOGO.encode()
    head = load_letterhead(write(tmp_path, 'logo = "logo.png"', logo_png=png()))
    assert (head.name, head.logo_media_type, head.logo) == ("", "image/png", png())
    assert load_letterhead(write(tmp_path, "")).logo is None


@pytest.mark.parametrize(
    "inside",
    [
        "<script>alert(1)</script>",
        '<rect onload="alert(1)"/>',
        '<image href="http://example.org/x.png"/>',
        '<use xlink:href="http://example.org/x.svg#a"/>',
        '<use href=" data:image/svg+xml;base64,AAAA"/>',
        "<foreignObject><p xmlns='http://www.w3.org/1999/xhtml'>x</p></foreignObject>",
        "<script xmlns='http://example.org/other'>alert(1)</script>",
        '<set attributeName="href" to="javascript:alert(1)"/>',
        '<a href="javascript:alert(1)"><rect/></a>',
        "<style>@import 'http://example.org/x.css';</style>",
        "<style>@im<!-- -->port 'http://example.org/x.css';</style>",
        "<style>rect { fill: url( http://example.org/x ) }</style>",
        '<rect style="fill:url(//example.org/x)"/>',
        '<rect style="fill:u\\72l(//example.org/x)"/>',
        '<rect fill="url(https://example.org/x.svg#a)"/>',
        '<rect fill="url(/*)*/#a)"/>',
        '<rect style="/ * ; fill: url(http://example.org/x) * /"/>',
        "<style>@imp<style/>ort 'http://example.org/x.css';</style>",
        "<style>/*</style><style>@import 'http://example.org/x.css';</style><style>*/</style>",
        '<?xml-stylesheet href="http://example.org/x.css"?>',
        "<iframe/>",
        '<g xml:base="http://example.org/"><use href="#a"/></g>',
    ],
)
def test_what_runs_or_fetches_is_refused(inside: str) -> None:
    with pytest.raises(InputError, match=r"logo\.svg: found .*, expected .*plain SVG"):
        check_svg(SVG.format(inside).encode(), "logo.svg")


@pytest.mark.parametrize(
    "content",
    [
        b'<!DOCTYPE svg [<!ENTITY a "aaaa">]><svg xmlns="http://www.w3.org/2000/svg"/>',
        b'<!DOCTYPE svg SYSTEM "http://example.org/x.dtd"><svg xmlns="http://www.w3.org/2000/svg"/>',
        b"<svg/>",
        b"<html xmlns='http://www.w3.org/1999/xhtml'/>",
        b"<svg xmlns='http://www.w3.org/2000/svg'>",
        b"",
        b"\x00\xff",
        b"<?xml version='1.0' encoding='nowhere'?><svg xmlns='http://www.w3.org/2000/svg'/>",
        SVG.format(" " * 600_000).encode(),
        SVG.format("").encode("utf-16"),
        SVG.format("<title>é</title>").encode("latin-1"),
    ],
)
def test_what_is_no_drawing_is_refused(content: bytes) -> None:
    with pytest.raises(InputError, match="expected"):
        check_svg(content, "logo.svg")


def chain(element: str, refers: str, count: int = 30) -> str:
    """Each holds the next one twice."""
    parts = "".join(f'<{element} id="n{i}">{(refers % (i + 1)) * 2}</{element}>' for i in range(count))
    return f'<defs>{parts}<{element} id="n{count}"/></defs>{refers % 0}'


@pytest.mark.parametrize(
    ("inside", "said"),
    [
        (chain("g", '<use href="#n%d"/>'), "references that draw more than 100000"),
        (chain("symbol", '<use xlink:href="#n%d"/>'), "references that draw more than 100000"),
        (chain("mask", '<rect mask="url(#n%d)"/>'), "references that draw more than 100000"),
        (chain("clipPath", "<rect style=\"clip-path: url('#n%d')\"/>"), "references that draw more than 100000"),
        ('<mask id="m"><rect/></mask><style>rect { mask: url(#m) }</style>', "a style that refers to “m”"),
        ('<g id="a"><g><use href="#a"/></g></g>', "“a”, which refers to itself"),
        ('<g id="a"/><g id="a"/>', "the id “a” twice"),
        ("<g>" * 200 + "</g>" * 200, "more than 100 deep"),
    ],
)
def test_a_few_lines_cannot_swell_to_millions(inside: str, said: str) -> None:
    """Such files keep a typesetter or a browser busy for hours; what refers to itself is an error (SVG 1.1, 5.6)."""
    with pytest.raises(InputError, match=said):
        check_svg(SVG.format(inside).encode(), "logo.svg")


def test_many_styles_and_comments_are_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read again and again they kept whoever checks a record with such a logo busy for minutes."""
    read: list[int] = []
    style = logo._SvgCheck._style

    def counted(self: logo._SvgCheck, text: str) -> None:
        read.append(len(text))
        style(self, text)

    monkeypatch.setattr(logo._SvgCheck, "_style", counted)
    content = SVG.format("<style>.k{}</style>" * 2000 + f'<path d="{"/*a" * 100_000}"/>').encode()
    check_svg(content, "logo.svg")
    assert sum(read) < len(content)


def test_an_ordinary_drawing_of_many_parts_is_taken() -> None:
    parts = "".join(f'<path id="p{i}" d="M0 0h{i}" fill="url(#a)"/><use href="#p{i}"/>' for i in range(2000))
    check_svg(SVG.format(f'<linearGradient id="a"><stop/></linearGradient>{parts}').encode(), "logo.svg")


@pytest.mark.parametrize(
    "size",
    [
        'width="1e9"',
        'height="0"',
        'width="-3"',
        'viewBox="0 0 0 0"',
        'viewBox="nan 0 1 1"',
        'viewBox="a b c d"',
        'viewBox="0 0 1"',
        'width="inf"',
    ],
)
def test_sizes_are_sizes(size: str) -> None:
    key = size.partition("=")[0]
    with pytest.raises(InputError, match=f"logo.svg: found {key} "):
        check_svg(f'<svg xmlns="http://www.w3.org/2000/svg" {size}/>'.encode(), "logo.svg")


@pytest.mark.parametrize("size", ["", 'width="20mm" height="1.5in"', 'viewBox="-5,-5 10 10" width="100%"'])
def test_usual_sizes_are_taken(size: str) -> None:
    check_svg(f'<svg xmlns="http://www.w3.org/2000/svg" {size}><rect/></svg>'.encode(), "logo.svg")


def test_a_png_keeps_its_pixels_alone_and_is_decoded_once(tmp_path: Path) -> None:
    whole = png()
    text = struct.pack(">I", 10) + b"tEXtGPS\0SECRET" + struct.pack(">I", zlib.crc32(b"tEXtGPS\0SECRET"))
    at = whole.index(b"IDAT") - 4
    head = load_letterhead(write(tmp_path, 'logo = "logo.png"', logo_png=whole[:at] + text + whole[at:]))
    assert head.logo == whole
    empty = zlib.compress(b"")
    broken = (
        whole[:at] + struct.pack(">I", len(empty)) + b"IDAT" + empty + struct.pack(">I", zlib.crc32(b"IDAT" + empty))
    )
    with pytest.raises(InputError, match="a broken PNG"):
        load_letterhead(write(tmp_path, 'logo = "logo.png"', logo_png=broken + whole[-12:]))


@given(content=st.binary(max_size=60))
def test_any_bytes_give_one_sentence_or_nothing(content: bytes) -> None:
    try:
        check_svg(content, "logo.svg")
    except InputError as error:
        assert "\n" not in str(error)


@pytest.mark.parametrize(
    ("toml", "said"),
    [
        ("name = 3", "name: found int"),
        ('name = "' + "x" * 81 + '"', "81 characters"),
        ('lines = "one"', "lines: found"),
        ("lines = [1]", r"lines\[0\]: found int"),
        ('colour = "red"', "colour: found a key"),
        ("logo = 3", "logo: found int"),
        ('logo = "nowhere.svg"', "no such file"),
        ('logo = "."', "no such file"),
        ('logo = "logo.gif"', "neither PNG nor SVG"),
        ('logo = "broken.png"', "a broken PNG"),
        ('logo = "huge.png"', "9000 × 3 pixels"),
        ("name = ", "no valid TOML"),
    ],
)
def test_refusals_name_the_field(tmp_path: Path, toml: str, said: str) -> None:
    path = write(tmp_path, toml, logo_gif=b"GIF89a", broken_png=png()[:30], huge_png=png(width=9000))
    with pytest.raises(InputError, match=said):
        load_letterhead(path)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        load_letterhead(tmp_path / "nowhere.toml")


def test_controls_are_taken_out_of_the_text(tmp_path: Path) -> None:
    assert load_letterhead(write(tmp_path, 'name = "A\\u001b[31m\\u202eB"')).name == "A[31mB"
