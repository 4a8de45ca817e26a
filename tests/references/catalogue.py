"""The source and reference of every quantity of `commission.dsp`: reads the rows and writes README.md.

Each topic has its own file in `rows/`, and each module its own line in `public_names.toml`, so that two people can edit at
once. After a change run `python tests/references/catalogue.py`.

Reference values are in `<topic>/*.csv`: `independent_*.csv` come from outside the project, `regression_*.csv` were made by
it and only show that a value changed. The first lines, which begin with "#", name the source, and the script beside the
table where one made it.
"""

from __future__ import annotations

import ast
import csv
import importlib
import inspect
import pkgutil
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
README = HERE / "README.md"
READING = {
    "read": "the text was read",
    "second hand": "seen in a secondary source only, which is named",
    "from memory": "nobody read the text",
    "own": "a definition of this project",
    "arithmetic": "nothing to read",
}
"""How the published source is known."""


@dataclass(frozen=True, kw_only=True)
class Row:
    """One quantity: its definition, source and reference."""

    topic: str
    names: tuple[str, ...]
    """Public names, "module.name", relative to commission.dsp."""
    quantity: str
    definition: str
    source: str
    reading: str
    """One of READING."""
    against: str
    agreement: str
    tolerance: str
    tests: tuple[str, ...]
    """"tests/dsp/test_x.py::test_y"."""
    files: tuple[str, ...] = ()
    """Tables of reference values, relative to this folder."""


def rows() -> list[Row]:
    """All rows, by topic in the order of file names."""
    found = []
    for path in sorted((HERE / "rows").glob("*.toml")):
        for raw in tomllib.loads(path.read_text(encoding="utf-8"))["row"]:
            lists = {key: tuple(value) for key, value in raw.items() if isinstance(value, list)}
            found.append(Row(topic=path.stem, **(raw | lists)))
    return found


def listed() -> tuple[set[str], set[str]]:
    """(quantities, helpers) of `public_names.toml` as "module.name"."""
    names = tomllib.loads((HERE / "public_names.toml").read_text(encoding="utf-8"))
    quantities, helpers = (
        {f"{m}.{n}" for m, some in names[kind].items() for n in some} for kind in ("quantities", "helpers")
    )
    return quantities, helpers


def public_names() -> set[str]:
    """Every public function and class that a module of commission.dsp defines, as "module.name"."""
    import commission.dsp

    found = set()
    for info in pkgutil.iter_modules(commission.dsp.__path__):
        module = importlib.import_module(f"commission.dsp.{info.name}")
        for name, value in vars(module).items():
            own = getattr(value, "__module__", None) == module.__name__
            if own and not name.startswith("_") and (inspect.isfunction(value) or inspect.isclass(value)):
                found.add(f"{info.name}.{name}")
    return found


def has_test(reference: str) -> bool:
    """Whether "tests/…/test_x.py::test_y" exists."""
    path, _, name = reference.partition("::")
    return (ROOT / path).is_file() and name in _functions(ROOT / path)


@cache
def _functions(path: Path) -> frozenset[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


def tables() -> list[Path]:
    """Every table of reference values."""
    return sorted(HERE.glob("*/*.csv"))


def table(name: str) -> list[dict[str, str]]:
    """The lines of one table, "topic/independent_x.csv", by their headings."""
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if line and not line.startswith("#")))


def readme() -> str:
    """The text of README.md."""
    head = (HERE / "head.md").read_text(encoding="utf-8")
    columns = ("quantity", "definition", "published source", "held against", "agreement found", "tolerance and why")
    lines = [head, "| " + " | ".join(columns) + " |", "|" + " --- |" * len(columns)]
    for row in rows():
        names = ", ".join(f"`{name}`" for name in row.names)
        known = {"read": "", "arithmetic": "", "own": " (our own definition)"}.get(row.reading, f" ({row.reading})")
        files = "".join(f" [{Path(name).name}]({name})" for name in row.files)
        modules = sorted({name.partition("::")[0].removeprefix("tests/") for name in row.tests})
        files += "".join(f" [{Path(name).stem}](../{name})" for name in modules)
        cells = (
            f"{row.quantity}<br>{names}",
            row.definition,
            row.source + known,
            row.against + files,
            row.agreement,
            row.tolerance,
        )
        lines.append("| " + " | ".join(" ".join(cell.split()).replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    README.write_text(readme(), encoding="utf-8")
