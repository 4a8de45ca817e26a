"""The step that the developers' guide adds appears on screen and in text, JSON, CSV, HTML and PDF without code there."""

from __future__ import annotations

import csv
import io
import json
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from builders import cinema
from stand_ins import screen_text, settle

import commission.steps
from commission.cli import main
from commission.cli.local_services import LocalServices
from commission.model import AS_FOUND, ReadingEntered, unwatched
from commission.record.data.results import results_json
from commission.record.data.text import visit_lines
from commission.ui.app import CommissionApp
from commission.visit import Visit

GUIDE = (Path(__file__).resolve().parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
QUESTION = "Does every loudspeaker point at the reference seat?"


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A job with two readings of angles, in a program with the step that the guide adds."""
    (tmp_path / "steps").mkdir()
    code = GUIDE.split("## Add a step")[1].split("```python\n")[1].split("```")[0]
    (tmp_path / "steps" / "aim.py").write_text(code, encoding="utf-8")
    titles = list(commission.steps.TITLES.items())
    monkeypatch.setattr(commission.steps, "__path__", [str(tmp_path / "steps"), *commission.steps.__path__])
    monkeypatch.setattr(commission.steps, "TITLES", dict([*titles[:2], ("aim", "Aim"), *titles[2:]]))
    monkeypatch.delitem(sys.modules, "commission.steps.aim", raising=False)
    visit = LocalServices(tmp_path / "state").create(tmp_path / "job", cinema(["FL", "FR", "SUB1"], ["A2"]))
    visit.append(
        *(
            ReadingEntered(round=AS_FOUND, step="aim", channel=c, seat=None, quantity="angle", value=v, unit="°")
            for c, v in (("FL", 4.0), ("FR", 31.0))
        )
    )
    visit.close()
    return visit.path


@pytest.fixture
def visit(path: Path) -> Iterator[Visit]:
    opened = LocalServices(path.parent / "state").open(path, read_only=True)
    opened.analyse(threading.Event(), unwatched)
    yield opened
    opened.close()


def test_the_step_is_in_text_and_json(visit: Visit) -> None:
    text = "\n".join(visit_lines(visit))
    assert "Aim (as-found): 2 of 2 done, ✗ fail" in text
    assert "FR 31 ✗ fail" in " ".join(text.split())
    reported = json.loads(results_json(visit))["steps"]["aim"]["as-found"]
    assert (reported["state"], reported["verdict"]) == ("done", "fail")
    assert [(each["channel"], each["value"], each["verdict"]) for each in reported["checks"]] == [
        ("FL", 4.0, "pass"),
        ("FR", 31.0, "fail"),
    ]


def test_the_limit_of_the_step_is_listed(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["limits", str(path)]) == 0
    _, entry = capsys.readouterr().out.split("\naim.angle\n")
    text = " ".join(entry.split("\n\n")[0].split())
    assert "15.00" in text
    assert "treble falls off beyond it; common practice, no source" in text


def test_the_step_is_in_every_format_of_the_record(visit: Visit, tmp_path: Path) -> None:
    from pypdf import PdfReader

    for ending in ("csv", "html", "pdf"):
        LocalServices(tmp_path / "state").export(visit, tmp_path / f"record.{ending}")
    rows = list(csv.DictReader(io.StringIO((tmp_path / "record.csv").read_text(encoding="utf-8"))))
    assert [row["channel"] for row in rows if row["check"] == "aim.angle"] == ["FL", "FR"]
    page = (tmp_path / "record.html").read_text(encoding="utf-8")
    paper = " ".join(sheet.extract_text() for sheet in PdfReader(tmp_path / "record.pdf").pages)
    for printed in (page, " ".join(paper.split())):
        assert QUESTION in printed
        assert "treble falls off beyond it; common practice, no source" in printed


async def test_the_step_is_on_the_screen(path: Path) -> None:
    app = CommissionApp(LocalServices(path.parent / "state"), path, keys=path.parent / "no-keys.toml")
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(pilot)
        assert "3 Aim" in screen_text(app)
        app.open_step("aim")
        await settle(pilot)
        assert "Read how far Front left points away" in screen_text(app)
        await pilot.press("v")
        await settle(pilot)
        assert "FR 31 ✗ fail" in " ".join(screen_text(app).split())
