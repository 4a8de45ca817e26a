"""A tagged PDF as read aloud: the contents of its structure tree in order, each with role, words and place.

Written after ISO 32000-1:2008, 14.6 to 14.8 (marked content, structure, numbering of content) and 9.10.3 (ToUnicode), from
memory, with pikepdf to read the objects; mistakes of a file are returned as sentences.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Any

import pikepdf
from pikepdf import Array, Dictionary, Object, Page, Pdf

BLOCKS = frozenset("Title H1 H2 H3 H4 H5 H6 P Lbl LBody TH TD Caption Span".split())
"""Roles that are heard as one piece, with all that is inside."""


@dataclass(frozen=True)
class SpokenPiece:
    """One piece: `page` from 0, `x` and `y` of its first letter, pt from the lower left corner."""

    role: str
    text: str
    page: int = -1
    x: float = 0.0
    y: float = 0.0


def elements(node: Object) -> Iterator[Object]:
    """Every structure element, depth first."""
    if isinstance(node, Array):
        for child in node:
            yield from elements(child)
    elif isinstance(node, Dictionary):
        if "/S" in node:
            yield node
        if "/K" in node and not isinstance(node.K, int):
            yield from elements(node.K)


def role(element: Object) -> str:
    return str(element.S).removeprefix("/")


def heard(file: Pdf) -> list[SpokenPiece]:
    """Every piece in the order of the tree; a figure is read by its alternative text, and list markers are left out."""
    shown = [_shown(page) for page in file.pages]
    index = _page_index(file)
    out: list[SpokenPiece] = []

    def visit(node: Object) -> None:
        for element in [node] if isinstance(node, Dictionary) else node:
            if not (isinstance(element, Dictionary) and "/S" in element):
                continue
            name = role(element)
            if name == "Figure":
                out.append(SpokenPiece("Figure", str(element.get("/Alt", ""))))
            elif name in BLOCKS and not any(role(e) == "Figure" for e in elements(element)):
                parts = [(page, *shown[page][mcid]) for page, mcid in _content(element, index) if mcid in shown[page]]
                text = "".join(part[1] for part in parts)
                if text.strip("•‣– \u200b") or name == "TD":
                    page, _, x, y = parts[0] if parts else (-1, "", 0.0, 0.0)
                    out.append(SpokenPiece(name, text, page, x, y))
            elif "/K" in element and not isinstance(element.K, int):
                visit(element.K)

    visit(file.Root.StructTreeRoot.K)
    return out


def _content(element: Object, index: dict[tuple[int, int], int]) -> Iterator[tuple[int, int]]:
    """(page, number) of each marked content of an element and of what is inside it."""
    yield from _own_content(element, index)
    for part in _parts(element):
        if isinstance(part, Dictionary) and "/S" in part:
            yield from _content(part, index)


def _own_content(element: Object, index: dict[tuple[int, int], int]) -> Iterator[tuple[int, int]]:
    """The same for an element without its children; page −1 where none is named."""
    for part in _parts(element):
        if isinstance(part, int):
            yield (index.get(element.Pg.objgen, -1) if "/Pg" in element else -1), part
        elif "/MCID" in part:
            holder = part if "/Pg" in part else element
            yield (index.get(holder.Pg.objgen, -1) if "/Pg" in holder else -1), int(part.MCID)


def _parts(element: Object) -> list[Object | int]:
    parts = element.get("/K", Array())
    return list(parts) if isinstance(parts, Array) else [parts]


def _shown(page: Page) -> dict[int, tuple[str, float, float]]:
    """What each numbered content of a page shows, with the place of its first letter."""
    fonts = page.resources.get("/Font", Dictionary())
    found: dict[int, tuple[str, float, float]] = {}
    stack: list[int | None] = []
    matrix, saved = _IDENTITY, []
    line, font = _IDENTITY, {}
    for operands, operator in _operations(page):
        name = str(operator)
        if name == "q":
            saved.append(matrix)
        elif name == "Q":
            matrix = saved.pop()
        elif name == "cm":
            matrix = _times(tuple(map(float, operands)), matrix)
        elif name == "Tm":
            line = tuple(map(float, operands))
        elif name == "Tf":
            font = _letters(fonts[str(operands[0])])
        elif name == "BDC":
            stack.append(
                int(operands[1].MCID) if isinstance(operands[1], Dictionary) and "/MCID" in operands[1] else None
            )
        elif name == "BMC":
            stack.append(None)
        elif name == "EMC":
            stack.pop()
        elif name in ("Tj", "TJ") and (mcid := next((m for m in reversed(stack) if m is not None), None)) is not None:
            pieces = operands[0] if name == "TJ" else [operands[0]]
            raw = b"".join(bytes(p) for p in pieces if isinstance(p, pikepdf.String))
            text = "".join(font.get(raw[i : i + 2], "\ufffd") for i in range(0, len(raw), 2))
            x, y = _times(line, matrix)[4:]
            before = found.get(mcid)
            found[mcid] = (text, x, y) if before is None else (before[0] + text, *before[1:])
    return found


Matrix = tuple[float, ...]
_IDENTITY: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)


def _times(m: Matrix, n: Matrix) -> Matrix:
    """The matrix product: m applied first, then n."""
    a, b, c, d, e, f = n
    return (
        m[0] * a + m[1] * c,
        m[0] * b + m[1] * d,
        m[2] * a + m[3] * c,
        m[2] * b + m[3] * d,
        m[4] * a + m[5] * c + e,
        m[4] * b + m[5] * d + f,
    )


def _letters(font: Object) -> dict[bytes, str]:
    """Two-byte code → letters, from the font's ToUnicode map."""
    return _map(font.ToUnicode.read_bytes()) if "/ToUnicode" in font else {}


@cache
def _map(raw: bytes) -> dict[bytes, str]:
    text = raw.decode("latin-1")
    out: dict[bytes, str] = {}
    for body in re.findall(r"beginbfchar(.*?)endbfchar", text, re.DOTALL):
        for code, letters in re.findall(r"<([0-9A-Fa-f]{4})>\s*<([0-9A-Fa-f]+)>", body):
            out[bytes.fromhex(code)] = bytes.fromhex(letters).decode("utf-16-be")
    for body in re.findall(r"beginbfrange(.*?)endbfrange", text, re.DOTALL):
        for low, high, letters in re.findall(r"<([0-9A-Fa-f]{4})>\s*<([0-9A-Fa-f]{4})>\s*<([0-9A-Fa-f]+)>", body):
            first = bytes.fromhex(letters).decode("utf-16-be")
            for i in range(int(high, 16) - int(low, 16) + 1):
                out[(int(low, 16) + i).to_bytes(2, "big")] = first[:-1] + chr(ord(first[-1]) + i)
    return out


# --- what is wrong with a file, as sentences ----------------------------------------------------------------------------


def numbering_faults(file: Pdf) -> list[str]:
    """Content and tree must name each other: each number on a page once in the tree, and the way back (14.7.4.4)."""
    index = _page_index(file)
    claimed: dict[tuple[int, int], Object] = {}
    faults = []
    for element in elements(file.Root.StructTreeRoot.K):
        for place in _own_content(element, index):
            if place in claimed:
                faults.append(f"content {place} belongs to two elements")
            claimed[place] = element
    if "/ParentTree" not in file.Root.StructTreeRoot:
        return [*faults, "no way back from content to tree"]
    back = pikepdf.NumberTree(file.Root.StructTreeRoot.ParentTree)
    for number, page in enumerate(file.pages):
        here = {mcid for p, mcid in claimed if p == number}
        marked = set(_marked(page))
        if here != marked:
            faults.append(f"page {number + 1}: {sorted(here ^ marked)} are on the page or in the tree, not in both")
        parents: Any = back[int(page.obj.StructParents)] if marked else []
        for mcid in marked & here:
            if mcid >= len(parents) or parents[mcid].objgen != claimed[number, mcid].objgen:
                faults.append(f"page {number + 1}: content {mcid} is not led back to its element")
    return faults


def _page_index(file: Pdf) -> dict[tuple[int, int], int]:
    """Page number by the number of its object."""
    return {(int(page.obj.objgen[0]), int(page.obj.objgen[1])): i for i, page in enumerate(file.pages)}


def _operations(page: Page, operators: str = "") -> Iterator[tuple[Any, Any]]:
    """(operands, operator) of each operation of a page."""
    for each in pikepdf.parse_content_stream(page, operators):
        yield each.operands, each.operator


def _marked(page: Page) -> Iterator[int]:
    for operands, operator in _operations(page, "BDC"):
        if str(operator) == "BDC" and isinstance(operands[1], Dictionary) and "/MCID" in operands[1]:
            yield int(operands[1].MCID)


def table_faults(file: Pdf) -> list[str]:
    """Columns and rows need headers with the right scope, and every row a cell for each column (14.8.5.7)."""
    faults = []
    for count, table in enumerate((e for e in elements(file.Root.StructTreeRoot.K) if role(e) == "Table"), start=1):
        rows = [[c for c in row.K if role(c) in ("TH", "TD")] for row in elements(table) if role(row) == "TR"]
        heads = rows[0]
        if {role(cell) for cell in heads} != {"TH"}:
            faults.append(f"table {count}: the first row is not made of headers")
        if any(_attribute(cell, "Scope") != "/Column" for cell in heads):
            faults.append(f"table {count}: a header is not marked as the header of a column")
        for number, row in enumerate(rows[1:], start=2):
            if [role(cell) for cell in row] != ["TH", *["TD"] * (len(heads) - 1)]:
                faults.append(f"table {count}, row {number}: not a header and one cell for each other column")
            elif _attribute(row[0], "Scope") != "/Row":
                faults.append(f"table {count}, row {number}: its header does not say so")
            if any(
                _attribute(cell, "Headers") for cell in row
            ):  # such a list would exclude every header that it does not name
                faults.append(f"table {count}, row {number}: a cell names its headers, and not all of them")
    return faults


def _attribute(element: Object, name: str) -> object:
    attributes = element.get("/A", Array())
    for each in attributes if isinstance(attributes, Array) else [attributes]:
        if f"/{name}" in each:
            value = each[f"/{name}"]
            return str(value) if isinstance(value, pikepdf.Name) else value
    return None


def order_faults(file: Pdf) -> list[str]:
    """The reading order must follow the layout: down or to the right, never back."""
    pieces = [each for each in heard(file) if each.page >= 0]
    return [
        f"“{b.text[:30]}” is heard after “{a.text[:30]}”, but is placed before it"
        for a, b in pairwise(pieces)
        if (b.page, -b.y) < (a.page, -a.y - 1.0) and not (b.page == a.page and b.x > a.x + 1.0)
    ]


def bookmarks(file: Pdf) -> list[tuple[int, str]]:
    """(level from 1, title) of the outline, in its order; only those that lead to a page."""
    out: list[tuple[int, str]] = []

    def visit(node: Object, level: int) -> None:
        while True:
            if "/Dest" in node or "/A" in node:
                out.append((level, str(node.Title)))
            if "/First" in node:
                visit(node.First, level + 1)
            if "/Next" not in node:
                return
            node = node.Next

    if "/Outlines" in file.Root and "/First" in file.Root.Outlines:
        visit(file.Root.Outlines.First, 1)
    return out
