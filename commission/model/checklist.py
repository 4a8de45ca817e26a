"""The checklist of the site: points that are inspected, not measured. A firm supplies its own file of the same form.

The whole list is stored in the job, so that every answer keeps the statement that it refers to.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from commission.model.errors import InputError
from commission.model.toml_text import read_text, read_toml, shipped_toml
from commission.model.units import clean_text

SCHEMA = 1
MOST_ITEMS = 100
_CAUSES = ("electronics", "room", "settings")
_NEEDED = ("id", "name", "statement", "fault", "cause")
_OPTIONAL = ("how", "remedy", "caution")
_ID = re.compile(r"[a-z][a-z0-9-]{0,39}")
LIP_SYNC = "lip-sync"
"""Id of the one question that is answered with a number."""
LIP_SYNC_RECORDED = "lip-sync recorded"
"""The offset between sound and picture from a recording of flashes and clicks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecklistItem:
    """One point to inspect."""

    id: str
    name: str
    """Short name, for tables."""
    statement: str
    """What should be true."""
    fault: str
    """What is wrong if the statement is not true, as a clause."""
    cause: Literal["electronics", "room", "settings"]
    how: str = ""
    remedy: str = ""
    caution: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checklist:
    """A checklist with a name and a version."""

    name: str
    version: str
    items: tuple[ChecklistItem, ...]

    @property
    def title(self) -> str:
        """Name and version, as printed."""
        return f"{self.name}, version {self.version}"


@cache
def default_checklist() -> Checklist:
    """The checklist that the program ships."""
    return _checklist(shipped_toml("checklist.toml"), "checklist.toml")


def read_checklist(text: str, where: str) -> Checklist:
    """A firm's checklist; `where` names the file in every sentence. Raises InputError."""
    return _checklist(read_toml(text, where, "a checklist", "See README, “Your own checklist”."), where)


def _checklist(data: Mapping[str, Any], where: str) -> Checklist:
    if data.get("schema") != SCHEMA:
        raise InputError(f"{where}: schema", repr(data.get("schema", "nothing")).strip("'")[:40], str(SCHEMA))
    for key in data.keys() - {"schema", "name", "version", "item"}:
        raise InputError(f"{where}: {clean_text(key)}", "an unknown key", "schema, name, version, [[item]]")
    name, version = (read_text(data.get(key), f"{where}: {key}") for key in ("name", "version"))
    rows = data.get("item", [])
    if not isinstance(rows, list) or not 0 < len(rows) <= MOST_ITEMS:
        found = f"{len(rows)} items" if isinstance(rows, list) else "no list"
        raise InputError(f"{where}: item", found, f"1 to {MOST_ITEMS} times [[item]]")
    items = tuple(_item(row, f"{where}: item {n}") for n, row in enumerate(rows, start=1))
    for n, item in enumerate(items, start=1):
        if any(item.id == earlier.id for earlier in items[: n - 1]):
            raise InputError(f"{where}: item {n}.id", f"“{item.id}” a second time", "each id once")
    return Checklist(name=name, version=version, items=items)


def _item(row: object, where: str) -> ChecklistItem:
    if not isinstance(row, dict):
        raise InputError(where, "no table", "[[item]] with " + ", ".join(_NEEDED))
    for key in row.keys() - {*_NEEDED, *_OPTIONAL}:
        raise InputError(f"{where}.{clean_text(str(key))}", "an unknown key", ", ".join((*_NEEDED, *_OPTIONAL)))
    needed = {key: read_text(row.get(key), f"{where}.{key}") for key in _NEEDED}
    optional = {key: read_text(row[key], f"{where}.{key}") for key in _OPTIONAL if key in row}
    if not _ID.fullmatch(needed["id"]) or needed["id"] == LIP_SYNC:
        expected = f"small letters, digits and hyphens, at most 40, and not “{LIP_SYNC}”"
        raise InputError(f"{where}.id", f"“{needed['id']}”", expected)
    if needed["cause"] not in _CAUSES:
        raise InputError(f"{where}.cause", f"“{needed['cause']}”", ", ".join(_CAUSES))
    return ChecklistItem(**{**needed, **optional})  # type: ignore[arg-type]
