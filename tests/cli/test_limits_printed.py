"""`commission limits` in a terminal: no line has more than a hundred characters, and nothing is left out."""

from __future__ import annotations

from pathlib import Path

import pytest

from commission.cli import main
from commission.model import default_profile


@pytest.mark.parametrize("columns", [80, 200])
def test_lines_fit_the_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], columns: int
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", str(columns))
    Path("loft.toml").write_text('schema = 1\ntitle = "Loft"\n', encoding="utf-8")
    assert main(["new", "loft", "--from", "loft.toml"]) == 0
    capsys.readouterr()
    assert main(["limits", "loft.commission"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= min(columns, 100)
    text = " ".join(" ".join(lines).split())
    for each in default_profile().limits:
        assert each.quantity in lines
        assert each.basis in text
