"""`import commission` for scripts: every name is present, documented and has a reference; the README's example runs."""

from __future__ import annotations

import inspect
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import commission

ROOT = Path(__file__).resolve().parents[1]
NAMES: list[str] = vars(commission)["__all__"]  # defined while the package loads, so unknown to the type checker


def test_the_example_of_the_readme_prints_the_stated_output() -> None:
    """The values are the program's own: this tests that the example is current; the references test the functions."""
    part = (ROOT / "README.md").read_text(encoding="utf-8").split("## From a script")[1].split("\n## ")[0]
    code = part.split("```python\n")[1].split("```")[0]
    printed = part.split("It prints:")[1].split("```\n")[1].split("```")[0]
    env = {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8", "PATH": ""}
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, encoding="utf-8", env=env)
    assert done.stderr == ""
    assert done.stdout == printed


@pytest.mark.parametrize("name", [name for name in NAMES if not name.startswith("_")])
def test_every_name_is_present_and_documented(name: str) -> None:
    found = getattr(commission, name)
    assert (inspect.getdoc(found) or "").strip()
    assert name in dir(commission)


def test_every_function_has_an_outside_reference() -> None:
    names = tomllib.loads((ROOT / "tests" / "references" / "public_names.toml").read_text(encoding="utf-8"))
    quantities = {name for listed in names["quantities"].values() for name in listed}
    functions = {name for name in NAMES if inspect.isfunction(getattr(commission, name))}
    assert functions <= quantities, functions - quantities


def test_an_unknown_name_is_refused() -> None:
    with pytest.raises(AttributeError, match="no attribute 'loudness'"):
        commission.loudness  # type: ignore[attr-defined]  # noqa: B018


def test_importing_it_loads_nothing_heavy() -> None:
    code = "import commission, sys; print(*[m for m in ('numpy', 'scipy', 'textual', 'tomllib') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_a_name_loads_only_its_own_module_and_dependencies() -> None:
    code = (
        "import sys, commission; commission.speed_of_sound_m_s(20); print(*[m for m in sys.modules if '.dsp.' in m])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["commission.dsp.air"]
