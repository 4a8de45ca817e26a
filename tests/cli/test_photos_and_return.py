"""Photographs in a job and return visits, through the services and with real files."""

from __future__ import annotations

from pathlib import Path

import pytest
from builders import cinema, levels
from PIL import Image

from commission.cli.local_services import LocalServices
from commission.model import System
from commission.steps import drift


def test_a_photograph_is_stored_in_the_job_and_covered_by_the_log(tmp_path: Path) -> None:
    services = LocalServices(tmp_path / "state")
    visit = services.create(tmp_path / "loft", System(title="Loft"))
    path = tmp_path / "rack.jpg"
    Image.new("RGB", (80, 40), "red").save(path)
    event = services.attach_photo(visit, path, step="site", round_id=None, caption="Rack\x1b[31m, back")
    again = services.attach_photo(visit, path, step="seats", round_id="as-found", caption="")
    assert [e.seq for e in visit.job.photos] == [event.seq, again.seq]
    assert "\x1b" not in event.body.caption  # type: ignore[union-attr]
    assert event.blob_sha256 == again.blob_sha256
    visit.withdraw(again.seq)
    assert [e.seq for e in visit.job.photos] == [event.seq]
    assert visit.verify() is None
    visit.close()
    reopened = services.open(visit.path, read_only=True)
    assert [e.body for e in reopened.job.photos] == [event.body]


def test_a_return_visit_knows_the_earlier_visit(tmp_path: Path) -> None:
    services = LocalServices(tmp_path / "state")
    first = services.create(tmp_path / "first", cinema())
    first.append(*levels({"FL": 75.0, "FC": 75.2, "FR": 74.9, "SiL": 75.0}))
    digest = first.job.digest
    first.close()
    second = services.create_return(tmp_path / "second", first.path)
    assert second.job.system == cinema()
    assert second.job.earlier is not None
    assert second.job.earlier.digest == digest
    assert not second.job.readings, "nothing is measured yet on this visit"
    second.append(*levels({"FL": 75.0, "FC": 72.0, "FR": 74.9, "SiL": 75.0}))
    assert drift.evaluate(second.job, "as-found", second.analyses).main_result == "drifted: FC"
    second.close()
    assert services.open(first.path, read_only=True).job.digest == digest, "the earlier job is only read"


def test_the_commands_for_photographs_and_return_visits(tmp_path: Path, monkeypatch, capsys) -> None:
    from commission.cli import main

    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.chdir(tmp_path)
    visit = LocalServices(tmp_path / "state").create(tmp_path / "first", cinema())
    visit.append(*levels({"FL": 75.0}))
    visit.close()
    Image.new("RGB", (80, 40), "red").save("rack.png")
    assert main(["photo", "first.commission", "rack.png", "--step", "site", "--caption", "Rack"]) == 0
    assert main(["photo", "first.commission", "rack.png", "--step", "kitchen"]) == 2
    assert main(["photo", "first.commission", "rack.png", "--step", "site", "--round", "as-left"]) == 2
    assert main(["new", "second", "--return-to", "first.commission"]) == 0
    printed = capsys.readouterr().err
    assert "found kitchen, expected one of site, checklist" in printed
    assert "1 figure of the visit closed" in printed
    assert main(["verify", "second.commission"]) == 0


def test_limits_of_a_firm_are_stored_and_apply_from_then_on(tmp_path: Path, monkeypatch, capsys) -> None:
    import tomllib

    from commission.cli import main

    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    example = readme.split("## Your own limits")[1].split("```toml\n")[1].split("```")[0]
    assert tomllib.loads(example)["limit"][0]["quantity"] == "levels.match"
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.chdir(tmp_path)
    Path("studio.toml").write_text(example, encoding="utf-8")
    visit = LocalServices(tmp_path / "state").create(tmp_path / "first", cinema())
    assert visit.job.limits is not None, "the defaults are stored whole"
    visit.append(*levels({"FL": 75.0, "FC": [76.2, 76.2, 76.2, 76.2]}))
    before = {c.channel: c.limit for c in visit.outcome("levels", "as-found").checks if c.id == "levels.match"}
    visit.close()
    assert main(["limits", "first.commission", "--use", "studio.toml"]) == 0
    assert main(["limits", "first.commission", "--use", "none.toml"]) == 2
    assert main(["limits", "first.commission"]) == 0
    printed = capsys.readouterr()
    assert "Studio practice, version 2026-02" in printed.err
    assert "our own practice, after forty rooms" in printed.out
    assert "none.toml" in printed.err
    again = LocalServices(tmp_path / "state").open(tmp_path / "first.commission", read_only=True)
    after = {c.channel: c.limit for c in again.outcome("levels", "as-found").checks if c.id == "levels.match"}
    assert before["FC"] is not None and before["FC"].high == 1.5  # 1 dB and a step of 0.5 dB
    assert after["FC"] is not None and after["FC"].high == pytest.approx(0.8)
