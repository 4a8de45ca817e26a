"""Reads TOML from untrusted files: tables and texts, or one sentence on the mistake."""

from __future__ import annotations

from typing import Any

from commission.model.errors import InputError
from commission.model.units import clean_text

DEEPEST = 20
"""Deepest nesting of tables; no file of ours has more than four levels, and recursion through them must end."""
_LONGEST = 300
"""Longest single value or name, in characters."""
MOST_DOTS = 200
"""Most dots in a line: the reader copies a key for each of its dots, and 100 kB of them took 40 s."""


def read_toml(text: str, where: str, expected: str, mend: str = "") -> dict[str, Any]:
    """The tables of a TOML text, with or without a byte order mark; raises InputError, whatever the text holds."""
    import tomllib  # imported late: the first screen reads no TOML

    dots = max(line.count(".") for line in text.split("\n"))
    if dots > MOST_DOTS:
        raise InputError(where, f"a line with {dots:,} dots", expected, mend)
    try:
        data = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        raise InputError(where, f"invalid TOML ({clean_text(str(error))[:120]})", expected, mend) from error
    except RecursionError as error:
        raise InputError(where, "lists or tables within each other, hundreds deep", expected, mend) from error
    except ValueError as error:  # from a number that Python does not read
        raise InputError(where, "a number of thousands of digits", expected, mend) from error
    level: list[Any] = [data]
    for _ in range(DEEPEST):
        longest = max((len(key) for each in level if isinstance(each, dict) for key in each), default=0)
        if longest > _LONGEST:  # it would be repeated in the error message
            raise InputError(where, f"a name of {longest:,} characters", expected, mend)
        level = [
            inner
            for each in level
            for inner in (each.values() if isinstance(each, dict) else each)
            if isinstance(inner, dict | list)
        ]
        if not level:
            return data
    raise InputError(where, f"tables within tables, more than {DEEPEST} deep", expected, mend)


def shipped_toml(name: str) -> dict[str, Any]:
    """The tables of a file shipped beside this module."""
    import tomllib  # imported late: the first screen reads no TOML
    from importlib.resources import files

    return tomllib.loads(files("commission.model").joinpath(name).read_text(encoding="utf-8"))


def read_text(value: object, where: str, *, empty: bool = False) -> str:
    """A value that must be a text, cleaned, and not blank unless `empty`; raises InputError."""
    if not isinstance(value, str) or (not value.strip() and not empty):
        raise InputError(where, "nothing" if value is None or value == "" else repr(value)[:40], "a text")
    if len(value) > _LONGEST:
        raise InputError(where, f"{len(value)} characters", f"at most {_LONGEST}")
    return clean_text(value.strip())
