"""Describes the differences of two plain values or two lists of lines in a few words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, zip_longest

from commission.model.units import clean_text

MOST_NAMED = 5
"""Most differences named of each kind; the rest are counted."""
MOST_COMPARED = 10_000_000
"""Most pairs of lines compared: more would take minutes, and only the beginning is named."""
MISSING = object()
Difference = tuple[str, object, object]


@dataclass(frozen=True, slots=True)
class RecordCheck:
    """One sentence of a comparison. True: it matches, False: it differs, None: undecided."""

    matches: bool | None
    text: str

    @property
    def symbol(self) -> str:
        """The symbol ✓, ✗ or ?."""
        return "?" if self.matches is None else "✓" if self.matches else "✗"


def differences(record: object, own: object, path: str = "") -> Iterator[Difference]:
    """(path, record's value, job's value) of each difference of two plain values. Numbers are compared by value."""
    if isinstance(record, dict) and isinstance(own, dict):
        for key in dict.fromkeys((*own, *record)):
            yield from differences(record.get(key, MISSING), own.get(key, MISSING), f"{path}.{clean_text(str(key))}")
    elif isinstance(record, list) and isinstance(own, list):
        for i, (a, b) in enumerate(zip_longest(record, own, fillvalue=MISSING)):
            yield from differences(a, b, f"{path}[{i}]")
    elif record != own or _kind(record) is not _kind(own):
        yield path, record, own


def _kind(value: object) -> type:
    """The type, with int and float alike: 75 and 75.0 are the same number in JSON (RFC 8259, 6)."""
    return float if type(value) is int else type(value)


def unlike(found: Sequence[str], expected: Sequence[str], where: str) -> list[str]:
    """Differences of two lists of lines, in words about a record and its job."""
    import difflib

    start = _common_prefix(found, expected)
    found, expected = found[start:], expected[start:]
    end = _common_prefix(found[::-1], expected[::-1])
    found, expected = found[: len(found) - end], expected[: len(expected) - end]
    if len(found) * len(expected) > MOST_COMPARED:
        return [_unlike(found[:1], expected[:1], where), f"{where}what follows was not compared line by line"]
    matcher = difflib.SequenceMatcher(None, found, expected)  # ignores what is in every row of a table
    return [
        _unlike(found[i1:i2], expected[j1:j2], where)
        for kind, i1, i2, j1, j2 in matcher.get_opcodes()
        if kind != "equal"
    ]


def _unlike(found: Sequence[str], expected: Sequence[str], where: str) -> str:
    text, own = (" / ".join(each) or "nothing" for each in (found, expected))
    return f"{where}the record has “{_around(text, own)}” where the job gives “{_around(own, text)}”"


def _common_prefix(found: Sequence[str], expected: Sequence[str]) -> int:
    """The length of the common beginning."""
    unequal = (i for i, (a, b) in enumerate(zip(found, expected, strict=False)) if a != b)
    return next(unequal, min(len(found), len(expected)))


def _around(text: str, other: str) -> str:
    """The part of a text that differs from another."""
    start = max(0, _common_prefix(text, other) - 30)
    return clean_text(("…" if start else "") + text[start : start + 70] + ("…" if len(text) > start + 70 else ""))


def shown(value: object) -> str:
    """A value from a file in at most sixty letters, whatever its size."""
    if value is MISSING:
        return "missing"
    if isinstance(value, dict | list):
        return f"a {'table' if isinstance(value, dict) else 'list'} of {len(value)}"
    text = clean_text(str(value)[:200])
    return text if len(text) <= 60 else f"{text[:59]}…"


def few(texts: Iterable[str]) -> list[str]:
    """The first texts, and the number of further ones; those are counted and not kept."""
    rest = iter(texts)
    first = list(islice(rest, MOST_NAMED))
    more = sum(1 for _ in rest)
    return [*first, *([f"{more} more differences are not listed"] if more else [])]
