"""Names of a package that load their module on first use (PEP 562).

The first screen needs few of the central types, and every frozen data class takes more than half a millisecond to be
made: all of them at once would be a tenth of the time to the first paint.

Such a package lists its names twice: as plain imports under TYPE_CHECKING for type checkers and editors, and as a table for
`loader` at run time. `tests/test_late_names.py` checks that both lists agree.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from importlib import import_module


def loader(package: str, names: Mapping[str, Sequence[str]]) -> Callable[[str], object]:
    """The `__getattr__` of a package; `names` are those that it offers, by module."""
    home = {name: module for module, own in names.items() for name in own}

    def load(name: str) -> object:
        if name not in home:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        found: object = getattr(import_module(f"{package}.{home[name]}"), name)
        setattr(
            import_module(package), name, found
        )  # from now on the package has it, and this function is not called for it
        return found

    return load
