"""Packages whose names load late offer the same names at run time and to type checkers."""

from __future__ import annotations

import ast
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

PACKAGES = ("commission", "commission.model")


def seen_by_type_checkers(package: str) -> dict[str, str]:
    """Module by name, from the imports under TYPE_CHECKING."""
    tree = ast.parse(Path(str(import_module(package).__file__)).read_text(encoding="utf-8"))
    (block,) = [node for node in tree.body if isinstance(node, ast.If)]
    imports = [node for node in block.body if isinstance(node, ast.ImportFrom)]
    return {alias.name: str(node.module) for node in imports for alias in node.names}


@pytest.mark.parametrize("package", PACKAGES)
def test_names_that_load_late_are_those_that_type_checkers_see(package: str) -> None:
    module = import_module(package)
    assert seen_by_type_checkers(package) == {
        name: f"{package}.{home}" for home, names in module.NAMES.items() for name in names
    }
    for name in module.__all__:
        assert getattr(module, name) is not None
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        module.nothing  # noqa: B018


def test_a_name_loads_its_own_module_and_what_that_needs() -> None:
    code = (
        "import sys, commission; commission.speed_of_sound_m_s(20); print(*[m for m in sys.modules if '.dsp.' in m])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["commission.dsp.air"]
