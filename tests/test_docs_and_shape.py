"""Documents against the program, and its structure: commands, steps, packages, late imports."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from commission import steps
from commission.cli.commands import COMMANDS
from commission.cli.parser import build_parser
from commission.model import Prompt
from commission.steps import all_steps

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("command", sorted(set(COMMANDS) - {"open"}))
def test_every_command_is_in_the_readme_and_has_an_example(command: str) -> None:
    assert f"commission {command}" in README
    (choices,) = (a.choices for a in build_parser()._actions if a.dest == "command")
    assert f"commission {command}" in choices[command].format_help().split("example:")[1]  # type: ignore[index]


@pytest.mark.parametrize("step", all_steps(), ids=lambda s: s.id)
def test_every_step_is_documented_and_has_instructions(step: object) -> None:
    assert f"| {step.title} | " in README  # type: ignore[attr-defined]
    assert step.question in README  # type: ignore[attr-defined]
    assert len(step.help) > 200  # type: ignore[attr-defined]
    assert len((sys.modules[step.evaluate.__module__].__doc__ or "").split()) > 20  # type: ignore[attr-defined]


def test_every_dependency_has_a_stated_reason() -> None:
    for line in PROJECT["project"]["dependencies"] + PROJECT["project"]["optional-dependencies"]["dev"]:
        name = line.split(">")[0].split("=")[0].strip()
        assert f"`{name}`" in DEVELOPERS, name


def test_every_package_is_installed() -> None:
    found = {".".join(p.parent.relative_to(ROOT).parts) for p in (ROOT / "commission").rglob("__init__.py")}
    listed = set(PROJECT["tool"]["setuptools"]["packages"])
    assert listed == found | {"commission.sample_measurements"}


def test_prompts_say_what_to_do_and_warn() -> None:
    sys.path.insert(0, str(ROOT / "tests"))
    from builders import cinema, defined, job_of

    job = job_of(defined(cinema()))
    for step in all_steps():
        for task in step.plan(job, "as-found"):
            assert 20 < len(task.text) < 200
            if isinstance(task, Prompt):
                assert task.unit
    assert all(t.caution for s in all_steps() if s.id in ("levels", "seats") for t in s.plan(job, "as-found"))


HEAVY = ("numpy", "scipy", "soundfile", "sounddevice", "typst", "matplotlib")
"""What no screen needs before its first paint."""


LATE = (
    (
        ("commission.cli.commands", (*HEAVY, "textual", "argparse", "commission.model.system")),
        ("commission.model", HEAVY),
        ("commission.job.store", (*HEAVY, "commission.model.outcome")),
        ("commission.visit", (*HEAVY, "commission.model.outcome", "commission.steps.site", "commission.diagnosis")),
        ("commission.steps", ("scipy", "textual")),
    ),
    (
        ("commission.ui.app", (*HEAVY, "sqlite3", "msgspec")),
        ("commission.ui.screens.start", (*HEAVY, "sqlite3", "msgspec", "commission.model.system")),
        ("commission.ui.screens.overview", (*HEAVY, "commission.model.outcome", "commission.steps.site")),
    ),
)
"""Modules of which each may load after those before it, and what must not be loaded by then."""


@pytest.mark.parametrize("modules", LATE, ids=["commands", "screens"])
def test_slow_modules_load_late(modules: tuple[tuple[str, tuple[str, ...]], ...]) -> None:
    code = f"""
import sys
from importlib import import_module
for module, late in {modules!r}:
    import_module(module)
    print(*(f"{{module}} loads {{each}}" for each in late if each in sys.modules), sep="\\n", end="")
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == ""


def test_the_first_screen_of_a_job_is_drawn_without_numerical_libraries() -> None:
    """The work of the overview before its first paint: opening and folding the job and listing its steps."""
    code = f"""
import sys, tempfile
from pathlib import Path
import commission.ui.screens.overview
from commission import model, steps
from commission.cli.local_services import LocalServices
with tempfile.TemporaryDirectory() as name:
    folder = Path(name)
    LocalServices(folder).create(folder / "loft", model.System(title="Loft")).close()
    visit = LocalServices(folder).open(folder / "loft.commission")
    print(*steps.listed(visit.job)[0], len(visit.pending))
    visit.close()
print(*[m for m in {(*HEAVY, "commission.steps.site", "commission.diagnosis")!r} if m in sys.modules])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split("\n") == ["site Site 0", "", ""]


def test_steps_are_listed_by_their_own_ids() -> None:
    assert steps.TITLES == {step.id: step.title for step in all_steps()}


def test_the_sample_is_small_enough() -> None:
    sizes = [p.stat().st_size for p in (ROOT / "sample_measurements").rglob("*") if p.is_file()]
    assert sum(sizes) < 15_000_000
    assert max(sizes) < 1_500_000


def test_every_file_of_the_package_is_installed() -> None:
    """Files other than Python must be named in the package data, or they are missing from an installation."""
    data = PROJECT["tool"]["setuptools"]["package-data"]
    folders = {"commission.sample_measurements": ROOT / "sample_measurements"}
    listed = {
        path
        for package, patterns in data.items()
        for pattern in patterns
        for path in folders.get(package, ROOT / package.replace(".", "/")).glob(pattern)
    }
    there = {path for folder in ("commission", "sample_measurements") for path in (ROOT / folder).rglob("*")}
    assert {p for p in there if p.is_file() and p.suffix not in (".py", ".pyc")} == listed
