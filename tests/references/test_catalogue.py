"""Every public quantity has a row that states its source and its reference."""

from __future__ import annotations

from dataclasses import fields

import pytest
from references.catalogue import HERE, READING, README, Row, has_test, listed, public_names, readme, rows, tables


def test_every_public_name_is_a_quantity_or_a_helper() -> None:
    quantities, helpers = listed()
    assert not quantities & helpers
    names = public_names()
    assert sorted(names - quantities - helpers) == [], "say in public_names.toml what these are"
    assert sorted((quantities | helpers) - names) == [], "these are listed but gone"


def test_every_quantity_has_a_row() -> None:
    with_row = {name for row in rows() for name in row.names}
    quantities, _ = listed()
    assert sorted(quantities - with_row) == [], "write a row in rows/ for these"
    assert sorted(with_row - public_names()) == [], "rows of what is gone"


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row.topic}: {row.quantity}")
def test_a_row_is_complete(row: Row) -> None:
    assert row.reading in READING
    for each in fields(Row):
        if each.name != "files":
            assert getattr(row, each.name), each.name
    assert ": " in row.tolerance, "say how wide and, after a colon, why"
    missing = [name for name in row.tests if not has_test(name)]
    assert missing == [], "no such test"
    assert [name for name in row.files if not (HERE / name).is_file()] == [], "no such table"


def test_every_table_names_its_source_and_is_used() -> None:
    used = {name for row in rows() for name in row.files}
    for path in tables():
        assert path.name.startswith(("independent_", "regression_")), path
        assert path.read_text(encoding="utf-8").startswith("# source: "), path
        assert path.relative_to(HERE).as_posix() in used, path


def test_the_page_is_current() -> None:
    assert README.read_text(encoding="utf-8") == readme(), "run python tests/references/catalogue.py"
