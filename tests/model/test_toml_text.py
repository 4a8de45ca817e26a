"""Invalid or hostile TOML gives one sentence, never another error."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from commission.job.toml import load_definition
from commission.model import InputError
from commission.model.limits import read_profile
from commission.model.toml_text import DEEPEST, read_toml
from commission.record.letterhead import load_letterhead


@pytest.mark.parametrize(
    "text",
    [
        "name = ",
        "name = " + "[" * 40_000,
        f"name = {'9' * 6000}",
        "a" + ".a" * 3000 + " = 1",
        "9" * 5000 + " = 1",
        "name = '\x00'",
        "\x00",
        "a = [" + "[" * DEEPEST + "]" * DEEPEST + "]",
    ],
    ids=["broken", "deep lists", "long number", "deep tables", "long name", "control", "nothing", "one too deep"],
)
def test_every_reader_refuses_in_one_sentence(tmp_path: Path, text: str) -> None:
    path = tmp_path / "file.toml"
    path.write_text(text, encoding="utf-8")
    readers = (load_letterhead, load_definition, lambda p: read_profile(p.read_text("utf-8"), p.name))
    for reader in readers:
        with pytest.raises(InputError) as error:
            reader(path)
        assert "file.toml" in str(error.value)
        assert str(error.value).isprintable()
        assert len(str(error.value)) < 1000


def test_a_byte_order_mark_and_foreign_line_endings_are_accepted(tmp_path: Path) -> None:
    path = tmp_path / "file.toml"
    path.write_bytes(b"\xef\xbb\xbfname = 'Quill'\r\nlines = ['a', 'b']\r\n")
    assert load_letterhead(path).lines == ("a", "b")
    assert read_toml("\ufeffa = 1", "x", "y") == {"a": 1}
    assert read_toml("a = " + "[" * (DEEPEST - 1) + "]" * (DEEPEST - 1), "x", "y")


@given(st.text(alphabet="ab=[]{}'\".\n\t\x00\ufeff#,0-:", max_size=40))
def test_any_text_gives_tables_or_an_error_sentence(text: str) -> None:
    try:
        assert isinstance(read_toml(text, "x", "y"), dict)
    except InputError as error:
        assert str(error).isprintable()
