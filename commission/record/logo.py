"""A logo: what travels inside every record may draw, and nothing else.

An SVG may hold drawings and nothing that runs, fetches, or swells: elements and attributes are held against a list of
what is allowed, and everything else is refused by name. A PNG is decoded once, and keeps its pixels alone.
"""

from __future__ import annotations

import io
import math
import re
import struct
from xml.parsers import expat

from commission.model import InputError
from commission.model.units import clean_text

LARGEST_SVG = 500_000
LARGEST_PNG = 2_000_000
"""Bytes."""
LARGEST_SIDE_PX = 4000
DEEPEST = 100
"""Groups within groups."""
MOST_DRAWN = 100_000
"""Elements, each counted as often as it is referred to: a few lines of references can ask for millions."""
_SVG = "http://www.w3.org/2000/svg"
_XML = "http://www.w3.org/XML/1998/namespace"
_ELEMENTS = frozenset(
    "svg g defs title desc path rect circle ellipse line polyline polygon text tspan linearGradient radialGradient stop "
    "clipPath mask symbol use style".split()
)
_PLAIN = "Save it as plain SVG, text turned into paths, or as PNG."
PNG_MARK = b"\x89PNG\r\n\x1a\n"
_KEPT = (b"IHDR", b"PLTE", b"tRNS", b"gAMA", b"sRGB", b"pHYs", b"IDAT", b"IEND")
"""Chunks of PNG that say how it looks (ISO/IEC 15948, 11; from memory); others can hold a position or a name."""
_REFERENCE = re.compile(r"url\(['\"]?#([^'\")]*)")


def plain_png(content: bytes, where: str) -> bytes:
    """A PNG with its pixels alone; raises InputError for one that is broken or too large on a side."""
    check_png(content, where)
    out, at = [PNG_MARK], len(PNG_MARK)
    while at + 12 <= len(content):
        end = at + 12 + int(struct.unpack(">I", content[at : at + 4])[0])
        if content[at + 4 : at + 8] in _KEPT:
            out.append(content[at:end])
        at = end
    return b"".join(out)


def check_png(content: bytes, where: str) -> None:
    """Raises InputError for a PNG that is broken or too large on a side."""
    if len(content) < 33 or content[12:16] != b"IHDR" or b"IEND" not in content[-16:]:
        raise InputError(where, "a broken PNG", "a whole PNG file")
    width, height = struct.unpack(">II", content[16:24])
    if not (0 < width <= LARGEST_SIDE_PX and 0 < height <= LARGEST_SIDE_PX):
        raise InputError(where, f"{width} × {height} pixels", f"at most {LARGEST_SIDE_PX} on a side")
    from PIL import Image

    try:
        Image.open(io.BytesIO(content), formats=("PNG",)).load()
    except Exception as error:  # the decoder raises many kinds on damaged data
        raise InputError(
            where, "a broken PNG", "a whole PNG file", "Open it in a viewer and save it anew."
        ) from error


def check_svg(content: bytes, where: str) -> None:
    """Raises InputError for an SVG that is broken or could run, fetch, animate or swell to anything."""
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
        content.decode("utf-8")
        parser.Parse(content, True)
    except expat.ExpatError as error:
        raise InputError(where, f"a broken SVG ({error})", "a whole SVG file", _PLAIN) from None
    except (LookupError, ValueError) as error:
        reason = clean_text(str(error))[:80]
        raise InputError(where, f"an SVG in another encoding ({reason})", "one in UTF-8", _PLAIN) from None
    checker.done()


def _without_comments(text: str) -> str:
    """Comments of a style taken out; one that never ends stays. In one pass, whatever stands there."""
    kept, at = [], 0
    while (start := text.find("/*", at)) >= 0 and (end := text.find("*/", start + 2)) >= 0:
        kept.append(text[at:start])
        at = end + 2
    return "".join([*kept, text[at:]])


class _SvgCheck:
    """What expat reports, held against what a drawing needs."""

    def __init__(self, where: str) -> None:
        self._where = where
        self._open: list[str] = []
        self._named: list[str] = [""]
        """Ids of the open elements that have one; "" is the drawing itself."""
        self._sheet: list[str] = []
        """The style sheet that is open, piece by piece."""
        self._sheet_names: set[str] = set()
        self._drawn: dict[str, int] = {"": 0}
        self._refers: dict[str, list[str]] = {"": []}
        self._gradients: set[str] = set()

    def _refuse(self, found: str, expected: str = "a drawing without scripts and outside references") -> None:
        raise InputError(self._where, found, expected, _PLAIN)

    def doctype(self, *_: object) -> None:
        """Entities can swell or fetch."""
        self._refuse("a document type declaration")

    def instruction(self, target: str, _: str) -> None:
        """A style sheet can be fetched by one."""
        self._refuse(f"the processing instruction “{clean_text(target)[:40]}”")

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """One element with its attributes, names with their namespace before a space."""
        space, _, local = name.rpartition(" ")
        if not self._open:
            if local != "svg" or space != _SVG:
                self._refuse("a root that is no <svg> of its namespace")
            self._size(attributes)
        if space != _SVG or local not in _ELEMENTS:
            self._refuse(f"the element <{clean_text(local)[:40]}>")
        if self._open and self._open[-1] == "style":
            self._refuse("an element within a style", "text alone in a style")
        if len(self._open) >= DEEPEST:
            self._refuse(f"groups within groups, more than {DEEPEST} deep", "a flatter drawing")
        self._open.append(local)
        named = attributes.get("id", "")
        if named:
            if named in self._drawn:
                self._refuse(f"the id “{clean_text(named)[:40]}” twice", "each id once")
            self._drawn[named], self._refers[named] = 0, []
            self._refers[self._named[-1]].append(named)  # what holds it draws it
            if local.endswith("Gradient"):
                self._gradients.add(named)
        self._named.append(named or self._named[-1])
        self._drawn[self._named[-1]] += 1
        for key, value in attributes.items():
            self._attribute(key, value)

    def _size(self, attributes: dict[str, str]) -> None:
        """Width, height and view box of the drawing, where they are given, are sizes."""
        given = {"viewBox": attributes.get("viewBox", "0 0 1 1").replace(",", " ").split()}
        given |= {
            key: [re.sub(r"(px|pt|mm|cm|in|pc|em|ex|%)$", "", attributes[key].strip())]
            for key in ("width", "height")
            if key in attributes
        }
        for key, texts in given.items():
            try:
                numbers = [float(text) for text in texts]
            except ValueError:
                numbers = []
            sizes = numbers[2:] if key == "viewBox" else numbers
            if len(sizes) != (2 if key == "viewBox" else 1) or not all(1e-3 <= each <= 1e6 for each in sizes):
                shown = clean_text(attributes.get(key, ""))[:40]
                self._refuse(f"{key} “{shown}”", "sizes between 0.001 and a million")
            if not all(map(math.isfinite, numbers)):
                self._refuse(f"{key} with a number without end", "plain numbers")

    def _attribute(self, key: str, value: str) -> None:
        space, _, name = key.rpartition(" ")
        if name.lower().startswith("on"):
            self._refuse(f"the script in “{clean_text(name)[:40]}”")
        if space == _XML and name == "base":  # would turn #here into elsewhere
            self._refuse("xml:base")
        if name == "href":
            if not value.strip().startswith("#"):
                self._refuse("a reference to something outside")
            self._refers[self._named[-1]].append(value.strip()[1:])
        self._style(value)
        self._refers[self._named[-1]] += _REFERENCE.findall(value)

    def text(self, text: str) -> None:
        """Style sheets are text, which comments may have cut in pieces."""
        if self._open and self._open[-1] == "style":
            self._sheet.append(text)

    def _style(self, text: str) -> None:
        whole, plain = ("".join(each.lower().split()) for each in (text, _without_comments(text)))
        if "\\" in plain or "@import" in plain or "javascript:" in plain or "expression(" in plain:
            self._refuse("a style that fetches or runs something")
        # Within url( ) there are no comments: what looks like one is the address (CSS Syntax 3, 4.3.6; from memory).
        if (
            any(re.search(r"url\((?!['\"]?#)", each) for each in (whole, plain))
            or "image-set(" in plain
            or "src(" in plain
        ):
            self._refuse("a reference to something outside")

    def end(self, _: str) -> None:
        """The element is closed."""
        self._named.pop()
        if self._open.pop() == "style":
            sheet = "".join(self._sheet)
            self._sheet.clear()
            self._style(sheet)
            self._sheet_names.update(_REFERENCE.findall(sheet))

    def done(self) -> None:
        """The whole drawing: a style sheet may name gradients only, and what it draws in the end has a limit."""
        if odd := sorted(self._sheet_names - self._gradients):
            self._refuse(f"a style that refers to “{clean_text(odd[0])[:40]}”", "gradients alone in a style")
        if self._cost() > MOST_DRAWN:
            self._refuse(f"references that draw more than {MOST_DRAWN} elements", "a simpler drawing")

    def _cost(self) -> int:
        """Elements drawn, references followed; without recursion, as a chain of them may be long."""
        known: dict[str, int] = {}
        stack, within = [""], {""}
        while stack:
            top = stack[-1]
            inner = [each for each in self._refers[top] if each in self._drawn]
            waiting = next((each for each in inner if each not in known), None)
            if waiting is None:
                known[top] = self._drawn[top] + sum(known[each] for each in inner)
                within.discard(stack.pop())
            elif waiting in within:
                self._refuse(
                    f"“{clean_text(waiting)[:40]}”, which refers to itself", "references that come to an end"
                )
            else:
                stack.append(waiting)
                within.add(waiting)
        return known[""]
