"""Names of a package that load their module when they are first asked for (PEP 562).

The first screen needs few of the central types, and every frozen data class takes more than half a millisecond to be
made: all of them at once would be a tenth of the time to the first paint.

A package that does so lists its names twice: as plain imports under TYPE_CHECKING, which type checkers and editors read,
and as a table for `loader`, which runs. `tests/test_late_names.py` holds the two alike.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from importlib import import_module


def loader(package: str, names: Mapping[str, Sequence[str]]) -> Callable[[str], object]:
    """The `__getattr__` of a package; `names` are those it lends, by the module that holds them (relative to it)."""
    home = {name: module for module, own in names.items() for name in own}

    def load(name: str) -> object:
        if name not in home:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        found: object = getattr(import_module(f"{package}.{home[name]}"), name)
        setattr(import_module(package), name, found)  # asked once: the next look finds it in the package itself
        return found

    return load
