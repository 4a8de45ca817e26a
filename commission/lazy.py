"""Names of a package that load their module on first use (PEP 562).

The first screen needs few of the central types, and creating a frozen data class takes more than half a millisecond:
creating all of them would add a third to the time to the first paint.

Such a package lists its names once, as plain imports under TYPE_CHECKING, as type checkers and editors read them.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable
from functools import cache
from importlib import import_module
from pathlib import Path


@cache
def late_names(package: str) -> dict[str, str]:
    """The module of each name that a package imports under TYPE_CHECKING."""
    tree = ast.parse(Path(str(sys.modules[package].__file__)).read_text(encoding="utf-8"))
    (block,) = (node for node in tree.body if isinstance(node, ast.If))
    imports = (node for node in block.body if isinstance(node, ast.ImportFrom))
    return {alias.name: str(node.module) for node in imports for alias in node.names}


def loader(package: str) -> Callable[[str], object]:
    """The `__getattr__` of such a package."""

    def load(name: str) -> object:
        module = late_names(package).get(name)
        if module is None:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        found: object = getattr(import_module(module), name)
        setattr(sys.modules[package], name, found)  # next time the package has the name itself
        return found

    return load
