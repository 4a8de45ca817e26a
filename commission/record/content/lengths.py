"""Cuts texts of a document to what a page can hold: older or foreign jobs have texts of any length."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

LONGEST_PARAGRAPH = 5000
"""Characters, as `model.plausible.LONGEST_TEXT`: no text entered today is cut."""
LONGEST = 500
"""Longest other text: a cell, a heading, a caption."""
LONGEST_SUBTITLE = 200
"""It is printed on every page."""
_BY_FIELD: dict[str, int | None] = {
    "text": LONGEST_PARAGRAPH,
    "items": LONGEST_PARAGRAPH,
    "how_to_check": LONGEST_PARAGRAPH,
    "subtitle": LONGEST_SUBTITLE,
    "svg": None,
    "id": None,
    "attachments": None,
    "letterhead": None,
}
Part = TypeVar("Part")


def shortened(part: Part) -> Part:
    """A document or a part of it with long texts shortened; each of them says so."""
    cut: Part = _shortened(part, LONGEST)
    return cut


def _shortened(value: Any, most: int) -> Any:
    if isinstance(value, str):
        return value if len(value) <= most else f"{value[:most].rstrip()} … (cut: {len(value):,} characters)"
    if isinstance(value, tuple):
        return tuple(_shortened(item, most) for item in value)
    if not is_dataclass(value) or isinstance(value, type):
        return value
    changed = {}
    for field in fields(value):
        longest = _BY_FIELD.get(field.name, most)
        old = getattr(value, field.name)
        if longest is not None and isinstance(old, str | tuple) and (new := _shortened(old, longest)) != old:
            changed[field.name] = new
    return replace(value, **changed) if changed else value
