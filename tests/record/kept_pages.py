"""A cache of rendered pages and of their text, for tests of how records are verified."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from types import ModuleType
from typing import Any

import pytest
from pypdf import PageObject

from commission.record.document import Document
from commission.record.export import render


def rendered_once() -> Callable[[Document, str], bytes]:
    """The program's `render` with a cache by document."""
    kept: dict[tuple[bytes, str], bytes] = {}

    def once(document: Document, suffix: str) -> bytes:
        key = pickle.dumps(document), suffix
        if key not in kept:
            kept[key] = render(document, suffix)
        return kept[key]

    return once


def extracted_once() -> Callable[..., str]:
    """pypdf's text of a page, cached by its drawing operations and fonts: most forgeries change few pages."""
    kept: dict[tuple[bytes, ...], str] = {}
    extract = PageObject.extract_text

    def once(sheet: PageObject, *arguments: Any, **named: Any) -> str:
        contents = sheet.get_contents()
        resources: Any = sheet["/Resources"]
        meanings = (font.get_object()["/ToUnicode"].get_data() for font in resources.get("/Font", {}).values())
        key = (b"" if contents is None else contents.get_data(), *meanings)
        if key not in kept:
            kept[key] = extract(sheet, *arguments, **named)
        return kept[key]

    return once


def keep_pages(patch: pytest.MonkeyPatch, *modules: ModuleType) -> None:
    """Cache what these modules render, and the text that pypdf reads from a page."""
    patch.setattr(PageObject, "extract_text", extracted_once())
    once = rendered_once()
    for module in modules:
        patch.setattr(module, "render", once)
