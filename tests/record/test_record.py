"""Text and CSV: numbers as printed, no cells that a spreadsheet computes, hostile names."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from commission.model import Check, Column, Limit, Outcome, Row, Table
from commission.record.data.csv_text import CHECK_HEADER, check_row, safe_text, write_csv
from commission.record.data.results import json_text
from commission.record.data.text import check_sentence, outcome_lines, table_lines
from commission.record.export import write_text


@given(text=st.text(max_size=30))
def test_no_cell_begins_like_a_formula(text: str) -> None:
    """OWASP "CSV Injection" (from memory): = + - @ tab and carriage return start formulas, in full width too."""
    assert not safe_text(text).lstrip().startswith(("＝", "＋", "－", "＠"))
    assert not safe_text(text).startswith(("=", "+", "-", "@", "\t", "\r"))
    ((read,),) = csv.reader(io.StringIO(write_csv(["x"], [[text]]).split("\r\n", 1)[1], newline="")) or [[""]]
    assert read == safe_text(text)


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("  =1", "'  =1"),
        ("\u00a0=1", "'\u00a0=1"),
        ("\u200b=1", "'=1"),
        ("＝1", "'＝1"),
        ("a;=1", "a;'=1"),
        ("a; @b", "a; '@b"),
        ("a; b", "a; b"),
        ("−3 dB", "−3 dB"),
        ("1-2", "1-2"),
    ],
)
def test_formulas_after_spaces_and_semicolons_and_in_full_width_are_escaped(text: str, safe: str) -> None:
    assert safe_text(text) == safe


def test_numbers_stay_numbers() -> None:
    assert write_csv(["a", "b"], [[-1.5, None]]) == "a,b\r\n-1.5,\r\n"
    assert write_csv(["a"], [[float("nan")], [float("-inf")]]) == 'a\r\n""\r\n""\r\n'


def test_a_check_is_written_as_a_row_and_as_a_sentence() -> None:
    limit = Limit(low=-0.5, high=0.5, unit="dB", basis="common practice")
    check = Check(id="levels.match", channel="FL", seat="A2", value=1.4, unit="dB", uncertainty=0.15, limit=limit)
    assert dict(zip(CHECK_HEADER, check_row("levels", "as-found", check), strict=True))["verdict"] == "fail"
    printed = check_sentence(check)
    assert "✗ fail" in printed
    assert "+1.40 dB (U = 0.30 dB)" in printed
    assert "−0.5 to 0.5 dB [common practice]" in printed
    missing = Check(id="levels.match", channel="FC", value=None, unit="dB", limit=limit, why_not="no reading yet")
    assert "– not tested, because no reading yet" in check_sentence(missing)


def test_tables_have_units_minus_signs_and_no_invented_values() -> None:
    table = Table(
        id="t",
        title="Trims",
        columns=(
            Column(key="c", title="Channel"),
            Column(key="d", title="Distance", unit="m", decimals=2),
            Column(key="v", title="Trim", unit="dB", decimals=1, signed=True),
        ),
        rows=(Row(key="FL", cells=("FL", 3.4163, -1.25)), Row(key="FC", cells=("\x1b[31mFC", None, 0.0))),
    )
    text = "\n".join(table_lines(table))
    assert "Distance m" in text
    assert "−1.2" in text
    assert "–" in text
    assert "\x1b" not in text
    assert "11' 2 1/2\"" in "\n".join(table_lines(table, "imperial"))
    assert "(nothing yet)" in "\n".join(table_lines(Table(id="e", title="Empty", columns=table.columns, rows=())))
    assert "nothing checked" in outcome_lines(Outcome(step="x", round="as-found"), "X")[0]


def test_a_record_is_written_whole_or_not_at_all(tmp_path) -> None:
    from commission.model import CommissionError

    target = tmp_path / "a.json"
    target.write_text("old")
    write_text(target, "new")
    assert target.read_text() == "new"
    with pytest.raises(CommissionError, match="cannot be written"):
        write_text(tmp_path / "nowhere" / "a.json", "x")
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def test_json_contains_no_control_or_invalid_characters() -> None:
    """RFC 8259, 7: any character may be escaped; C1 controls, direction marks, U+FFFE and U+1FFFF are."""
    import json

    odd = {"a": "\x9b31m \x7f \u202e \ufffe \U0001ffff \u2028", "b": "é 映 \U0001f600 <", "c": [1.5, None, True]}
    text = json_text(odd)
    assert json.loads(text) == odd
    assert all(char.isprintable() or char == "\n" for char in text)
    assert "é 映 \U0001f600 <" in text
