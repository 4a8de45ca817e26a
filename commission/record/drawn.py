"""What a PDF draws, page by page, as digests: equal for a file that was only packed anew by another program.

Text that can be read from a page says nothing of what was laid over it, cut off it, or drawn instead of it. So
everything that a page is drawn from is taken in, decoded: its content, its boxes, fonts, pictures and annotations
(ISO 32000-1, 7.7.3.3 and 12.5; from memory). How streams are packed, where objects lie and what they are called is left
out.
"""

from __future__ import annotations

import hashlib
from typing import Any

from commission.record.reading import pdf_reader

INHERITED = ("/Resources", "/MediaBox", "/CropBox", "/Rotate")
_PACKING = ("/Length", "/Filter", "/DecodeParms")
_UPWARD = ("/Parent", "/P", "/Prev", "/ParentTree", "/StructParent", "/StructParents")
"""Lead back, or only number what is there; nothing is drawn from them."""
_WHOLE = (
    "/OpenAction",
    "/AA",
    "/AcroForm",
    "/OCProperties",
    "/OutputIntents",
    "/ViewerPreferences",
    "/Collection",
    "/StructTreeRoot",
    "/Outlines",
    "/Lang",
    "/AF",
)
"""Of the catalog: what changes how pages look, what a screen reader says in their place, or what runs something."""


def drawn(raw: bytes) -> tuple[bytes, list[bytes]]:
    """A digest of what concerns the whole file, and one of each page; raises what the reader raises for a damaged one."""
    reader = pdf_reader(raw)
    walk = _Walk()
    root: Any = reader.root_object
    whole = {key: root.raw_get(key) for key in _WHOLE if key in root}
    names: Any = root["/Names"] if "/Names" in root else {}
    whole |= {key: names.raw_get(key) for key in names if key != "/EmbeddedFiles"}  # which are compared as files
    return walk.digest(whole), [walk.digest(_page(page)) for page in reader.pages]


def _page(page: Any) -> dict[str, Any]:
    """Everything of a page, what it inherits included; its content in one piece."""
    out = {key: page.get(key) for key in page if key not in ("/Type", "/Contents", "/Parent")}
    for key in INHERITED:
        above, steps = page, 0
        while out.get(key) is None and "/Parent" in above and steps < 100:
            above, steps = above["/Parent"].get_object(), steps + 1
            out[key] = above.get(key)
    contents = page.get_contents()
    out["/Contents"] = b"" if contents is None else contents.get_data().strip()
    return {key: value for key, value in out.items() if value is not None}


class _Walk:
    """Digests of objects, each that has a number once."""

    def __init__(self) -> None:
        self._known: dict[tuple[int, int], bytes] = {}

    def digest(self, value: Any) -> bytes:
        """SHA-256 of a value and all that it leads to."""
        from pypdf.generic import IndirectObject

        if not isinstance(value, IndirectObject):
            return self._digest(value)
        key = (value.idnum, value.generation)
        if key not in self._known:
            self._known[key] = b"itself"  # what leads back here
            self._known[key] = self._digest(value.get_object())
        return self._known[key]

    def _digest(self, value: Any) -> bytes:
        from pypdf.generic import BooleanObject, FloatObject, NumberObject, StreamObject

        if isinstance(value, StreamObject):
            inside = {key: value.raw_get(key) for key in value if key not in _PACKING}
            return _sha("stream", self._digest(inside), _sha("data", value.get_data()))
        if isinstance(value, dict):
            if value.get("/Type") == "/Page":  # a link: to some page of the same file
                return _sha("page")
            raw_get = getattr(value, "raw_get", value.__getitem__)
            keys = sorted(key for key in value if key not in _UPWARD)
            return _sha("dictionary", *(part for key in keys for part in (key.encode(), self.digest(raw_get(key)))))
        if isinstance(value, list | tuple):
            return _sha("list", *(self.digest(each) for each in value))
        if isinstance(value, bool | BooleanObject):
            return _sha("boolean", str(value).lower().encode())
        if isinstance(value, NumberObject | FloatObject | int | float):
            return _sha("number", repr(float(value)).encode())
        if isinstance(value, bytes):
            return _sha("bytes", value)
        return _sha("word", str(value).encode("utf-8", "surrogatepass"))


def _sha(kind: str, *parts: bytes) -> bytes:
    digest = hashlib.sha256(kind.encode())
    for part in parts:
        digest.update(len(part).to_bytes(8, "big") + part)
    return digest.digest()
