"""Odd return visits on the command line: to an empty job, to itself, to an open or altered job, to a return visit."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from builders import cinema, levels, setting

from commission.cli import main
from commission.cli.local_services import LocalServices
from commission.model import AS_LEFT, EarlierVisit, Noted

LEVELS = {"FL": 75.0, "FC": 75.2, "FR": 74.9, "SiL": 75.0}


@pytest.fixture
def services(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> LocalServices:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.chdir(tmp_path)
    services = LocalServices(tmp_path / "state")
    visit = services.create(tmp_path / "first", cinema())
    visit.append(*levels(LEVELS))
    visit.close()
    return services


def test_the_return_command_states_what_will_be_compared(
    services: LocalServices, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", "second", "--return-to", "first.commission"]) == 0
    printed = capsys.readouterr().err
    assert "4 figures of the visit closed " in printed and ", as found, to compare with" in printed
    # A return to a return visit without measurements has nothing to compare with, and says so at once.
    assert main(["new", "third", "--return-to", "second.commission"]) == 0
    assert "nothing can be compared: return to the visit before it" in capsys.readouterr().err


def test_three_visits_in_a_row_are_each_compared_with_the_one_before(services: LocalServices) -> None:
    second = services.create_return(Path("second"), Path("first.commission"))
    second.append(*levels(LEVELS | {"FC": 70.0}), *levels(LEVELS, round_id=AS_LEFT))
    assert second.outcome("drift", "as-found").main_result == "drifted: FC"
    second.close()
    third = services.create_return(Path("third"), Path("second.commission"))
    assert third.job.earlier is not None
    assert (third.job.earlier.file_name, third.job.earlier.round) == ("second.commission", AS_LEFT)
    third.append(*levels(LEVELS))
    assert third.outcome("drift", "as-found").main_result == ""


def test_a_job_never_returns_to_itself(services: LocalServices, capsys: pytest.CaptureFixture[str]) -> None:
    before = Path("first.commission").read_bytes()
    for name in ("first", "first.commission"):
        assert main(["new", name, "--return-to", "first.commission"]) == 2
        assert "exists already" in capsys.readouterr().err
    assert Path("first.commission").read_bytes() == before


def test_a_taken_name_is_refused_before_the_earlier_job_is_read(
    services: LocalServices, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", "first", "--return-to", "missing.commission"]) == 2
    assert "exists already" in capsys.readouterr().err
    assert main(["new", "none/second", "--return-to", "first.commission"]) == 2
    assert "none is not a folder" in capsys.readouterr().err


def test_a_job_open_elsewhere_is_only_read(services: LocalServices) -> None:
    writer = services.open(Path("first.commission"))
    second = services.create_return(Path("second"), Path("first.commission"))
    assert second.job.earlier is not None and len(second.job.earlier.figures) == len(LEVELS)
    assert second.job.earlier.digest == writer.job.digest
    writer.append(Noted(step="site", text="still writing"))
    writer.close()


@pytest.mark.parametrize("spoil", ["missing", "altered", "newer"])
def test_an_unusable_earlier_job_makes_no_file(
    services: LocalServices, capsys: pytest.CaptureFixture[str], spoil: str
) -> None:
    path = Path("first.commission")
    if spoil == "missing":
        path.rename("elsewhere.commission")
    elif spoil == "altered":
        path.write_bytes(path.read_bytes().replace(b"75.2", b"71.2", 1))
    else:
        with sqlite3.connect(path) as database:
            database.execute("PRAGMA user_version=99")
    assert main(["new", "second", "--return-to", "first.commission"]) == 2
    printed = capsys.readouterr().err
    assert {"missing": "does not exist", "altered": "log is broken", "newer": "newer program"}[spoil] in printed
    assert not Path("second.commission").exists()


def test_verify_reports_changes_of_the_earlier_job(
    services: LocalServices, capsys: pytest.CaptureFixture[str]
) -> None:
    def verified(job: str = "second.commission") -> str:
        assert main(["verify", job]) == 0, "this job's own log is whole whatever became of the other"
        return capsys.readouterr().out

    services.create_return(Path("second"), Path("first.commission")).close()
    assert "returns to" not in verified("first.commission")
    assert "✓ returns to first.commission" in verified() and "found beside this job as event" in verified()
    grown = services.open(Path("first.commission"))
    grown.append(Noted(step="site", text="the owner called"))
    grown.close()
    assert "✓ returns to first.commission" in verified(), "a log that only grew holds all that it held"
    path = Path("first.commission")
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"75.2", b"71.2", 1))
    assert "? returns to first.commission" in verified() and "its log is broken" in verified()
    path.unlink()
    services.create(Path("first"), cinema(["FL"])).close()
    assert "? returns to first.commission" in verified() and "another job" in verified()
    path.write_bytes(b"no job at all")
    assert "? returns to first.commission" in verified()
    path.unlink()
    assert "– returns to first.commission" in verified() and "not found beside this job" in verified()


@pytest.mark.parametrize("name", ["", "/", "..", 300 * "a", "a\0b"])
def test_a_log_may_name_an_earlier_file_that_cannot_exist(
    name: str, services: LocalServices, capsys: pytest.CaptureFixture[str]
) -> None:
    visit = services.create(Path("odd"), cinema())
    visit.append(
        EarlierVisit(file_name=name, title="", digest="0\x1b[2J", round="", closed_at="", program_version="")
    )
    visit.close()
    assert main(["verify", "odd.commission"]) == 0
    printed = capsys.readouterr().out
    assert "not found beside this job" in printed and "\x1b" not in printed


def test_a_renamed_earlier_job_is_still_compared_with(services: LocalServices) -> None:
    """Its values are in the return visit's own log."""
    second = services.create_return(Path("second"), Path("first.commission"))
    Path("first.commission").unlink()
    second.append(*levels(LEVELS), setting("FL", trim_db=0.0))
    assert second.outcome("drift", "as-found").verdict is not None
    assert second.outcome("drift", "as-found").done == len(LEVELS)
