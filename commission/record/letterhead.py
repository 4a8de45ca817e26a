"""A firm's letterhead from TOML: a name, a few lines, a logo beside the file.

    name = "Example & Daughters"
    lines = ["Harbour Lane 3", "post@example.org"]
    logo = "logo.svg"

A logo travels inside every record, so an SVG may hold drawings and nothing that runs or fetches: elements and attributes
are held against a list of what is allowed, and everything else is refused by name.
"""

from __future__ import annotations

import re
import struct
from pathlib import Path
from typing import Literal
from xml.parsers import expat

from commission.model import InputError
from commission.model.toml_text import read_toml
from commission.model.units import clean_text
from commission.record.document import Letterhead

LARGEST_TOML = 100_000
LARGEST_SVG = 500_000
LARGEST_PNG = 2_000_000
"""Bytes."""
LONGEST_NAME, LONGEST_LINE, MOST_LINES = 80, 100, 8
LARGEST_SIDE_PX = 4000
_KEYS = ("name", "lines", "logo")
_SVG = "http://www.w3.org/2000/svg"
_ELEMENTS = frozenset(
    "svg g defs title desc path rect circle ellipse line polyline polygon text tspan linearGradient radialGradient stop "
    "clipPath mask symbol use style".split()
)
_PLAIN = "Save it as plain SVG, text turned into paths, or as PNG."
_PNG_MARK = b"\x89PNG\r\n\x1a\n"


def load_letterhead(path: Path) -> Letterhead:
    """Read a letterhead; raises InputError in one clear sentence, whatever the file holds."""
    where = clean_text(str(path))
    data = _toml(path, where)
    for key in data:
        if key not in _KEYS:
            raise InputError(
                f"{where}, {clean_text(key)[:40]}", "a key that no letterhead has", "name, lines or logo"
            )
    name = _text(data.get("name", ""), f"{where}, name", LONGEST_NAME)
    lines = data.get("lines", [])
    if not isinstance(lines, list) or len(lines) > MOST_LINES:
        raise InputError(
            f"{where}, lines", "something else", f'a list of up to {MOST_LINES} texts, such as ["Harbour Lane 3"]'
        )
    kept = tuple(_text(line, f"{where}, lines[{i}]", LONGEST_LINE) for i, line in enumerate(lines))
    logo = data.get("logo")
    if logo is None:
        return Letterhead(name=name, lines=kept)
    if not isinstance(logo, str):
        raise InputError(f"{where}, logo", type(logo).__name__, "the path of an SVG or PNG file in quotes")
    content, kind = _logo(path.parent / logo)
    return Letterhead(name=name, lines=kept, logo=content, logo_media_type=kind)


def _toml(path: Path, where: str) -> dict[str, object]:
    expected = "a TOML file with name, lines and logo"
    try:
        if not path.is_file():
            raise InputError(where, "no such file", expected)
        if path.stat().st_size > LARGEST_TOML:
            raise InputError(where, f"{path.stat().st_size / 1000:.0f} kB", "a letterhead of less than 100 kB")
        return read_toml(path.read_text(encoding="utf-8"), where, expected)
    except UnicodeDecodeError:
        raise InputError(where, "text that is not UTF-8", expected) from None
    except OSError as error:
        raise InputError(where, f"a file that cannot be read ({error.strerror})", expected) from None


def _text(value: object, where: str, longest: int) -> str:
    if not isinstance(value, str):
        raise InputError(where, type(value).__name__, "text in quotes")
    text = clean_text(value).strip()
    if len(text) > longest:
        raise InputError(where, f"{len(text)} characters", f"no more than {longest}")
    return text


def _logo(path: Path) -> tuple[bytes, Literal["image/svg+xml", "image/png"]]:
    where = clean_text(str(path))
    try:
        if not path.is_file():
            raise InputError(where, "no such file", "the logo, as SVG or PNG")
        size = path.stat().st_size
        if size > LARGEST_PNG:
            raise InputError(where, f"{size / 1e6:.1f} MB", "a logo of at most 2 MB")
        content = path.read_bytes()
    except OSError as error:
        raise InputError(where, f"a file that cannot be read ({error.strerror})", "the logo, as SVG or PNG") from None
    if content.startswith(_PNG_MARK):
        check_png(content, where)
        return content, "image/png"
    if path.suffix.lower() == ".svg":
        check_svg(content, where)
        return content, "image/svg+xml"
    raise InputError(where, "neither PNG nor SVG", "the logo, as SVG or PNG")


def check_png(content: bytes, where: str) -> None:
    """Raises InputError for a PNG without a header, or too large on a side (its pixels are not looked at)."""
    if len(content) < 33 or content[12:16] != b"IHDR" or b"IEND" not in content[-16:]:
        raise InputError(where, "a broken PNG", "a whole PNG file")
    width, height = struct.unpack(">II", content[16:24])
    if not (0 < width <= LARGEST_SIDE_PX and 0 < height <= LARGEST_SIDE_PX):
        raise InputError(where, f"{width} × {height} pixels", f"at most {LARGEST_SIDE_PX} on a side")


def check_svg(content: bytes, where: str) -> None:
    """Raises InputError for an SVG that is broken or could run, fetch or animate anything."""
    if len(content) > LARGEST_SVG:
        raise InputError(where, f"an SVG of {len(content) / 1000:.0f} kB", "at most 500 kB", _PLAIN)
    checker = _SvgCheck(where)
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = checker.start
    parser.EndElementHandler = checker.end
    parser.CharacterDataHandler = checker.text
    parser.StartDoctypeDeclHandler = checker.doctype
    parser.ProcessingInstructionHandler = checker.instruction
    try:
        parser.Parse(content, True)
    except expat.ExpatError as error:
        raise InputError(where, f"a broken SVG ({error})", "a whole SVG file", _PLAIN) from None
    except (LookupError, ValueError) as error:
        raise InputError(where, f"an SVG in an unknown encoding ({error})", "one in UTF-8", _PLAIN) from None


class _SvgCheck:
    """What expat reports, held against what a drawing needs."""

    def __init__(self, where: str) -> None:
        self._where = where
        self._open: list[str] = []
        self._sheet: list[str] = []

    def _refuse(self, found: str) -> None:
        raise InputError(self._where, found, "a drawing without scripts and outside references", _PLAIN)

    def doctype(self, *_: object) -> None:
        """Entities can swell or fetch."""
        self._refuse("a document type declaration")

    def instruction(self, target: str, _: str) -> None:
        """A style sheet can be fetched by one."""
        self._refuse(f"the processing instruction “{clean_text(target)[:40]}”")

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """One element with its attributes, names with their namespace before a space."""
        space, _, local = name.rpartition(" ")
        if not self._open and (local != "svg" or space != _SVG):
            self._refuse("a root that is no <svg> of its namespace")
        if space != _SVG or local not in _ELEMENTS:
            self._refuse(f"the element <{clean_text(local)[:40]}>")
        self._open.append(local)
        for key, value in attributes.items():
            self._attribute(key.rpartition(" ")[2], value)

    def _attribute(self, name: str, value: str) -> None:
        if name.lower().startswith("on"):
            self._refuse(f"the script in “{clean_text(name)[:40]}”")
        if name == "href" and not value.strip().startswith("#"):
            self._refuse("a reference to something outside")
        self._style(value)

    def text(self, text: str) -> None:
        """Style sheets are text, which comments may have cut in pieces."""
        if self._open and self._open[-1] == "style":
            self._sheet.append(text)

    def _style(self, text: str) -> None:
        plain = re.sub(r"\s+|/\*.*?\*/", "", text.lower())
        if "\\" in plain or "@import" in plain or "javascript:" in plain or "expression(" in plain:
            self._refuse("a style that fetches or runs something")
        if re.search(r"url\((?!['\"]?#)", plain) or "image-set(" in plain or "src(" in plain:
            self._refuse("a reference to something outside")

    def end(self, _: str) -> None:
        """The element is closed."""
        if self._open.pop() == "style":
            self._style("".join(self._sheet))
