"""The headless commands on the sample, run in another process with piped output."""

from __future__ import annotations

import csv
import io
import json
import shutil
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from programs import run

from commission.cli import main
from commission.cli.local_services import LocalServices
from commission.model import SettingEntered, SheetIssued

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_measurements"


@pytest.fixture(scope="module")
def demo(sample: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sample job; its cached analyses are in a separate home folder."""
    folder = tmp_path_factory.mktemp("demo")
    shutil.copytree(sample.parent / "state", folder / "state" / "commission")
    shutil.copy(sample, folder)
    return folder


@pytest.fixture(scope="module")
def found(demo: Path) -> Any:
    """The results of the sample as JSON."""
    return json.loads(run(demo, "results", "harbour-lane.commission", "--json").stdout)


@pytest.fixture(scope="module")
def front(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with `front.commission`: the sample's definition, and the front loudspeakers as left at two seats."""
    folder = tmp_path_factory.mktemp("front")
    assert run(folder, "new", "front", "--from", str(SAMPLE / "harbour-lane.toml")).returncode == 0
    files = [
        str(SAMPLE / "as-left" / f"{seat}_{channel}.flac") for seat in ("A1", "A3") for channel in ("FL", "FC", "FR")
    ]
    done = run(folder, "import", "front", *files, "--round", "as-left")
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


def test_demo_without_a_terminal_prints_the_results(sample: Path, demo: Path) -> None:
    code, out, err = json.loads((sample.parent / "demo.json").read_text(encoding="utf-8"))
    assert code == 0, err
    for word in ("Harbour Lane cinema", "Round: as-found", "Round: as-left", "BL and BR swapped", "typed in feet"):
        assert word in out
    folder = demo
    before = (folder / "harbour-lane.commission").read_bytes()
    again = run(folder, "demo")
    assert "already here" in again.stderr
    assert (folder / "harbour-lane.commission").read_bytes() == before


def test_faults_and_repairs_of_the_sample_are_reported(found: Any) -> None:
    """Compared with the changes to the room that the sample's README lists."""
    assert found["schema"] == "commission-results/1"
    by_round = {r: {f["id"]: f for f in found["findings"] if f["round"] == r} for r in ("as-found", "as-left")}
    assert set(by_round["as-found"]["wiring.swapped"]["channels"]) == {"BL", "BR"}
    assert by_round["as-found"]["wiring.pair-polarity"]["channels"] == ["FL", "FR"]  # no third like them decides
    assert by_round["as-found"]["wiring.tweeter"]["channels"] == ["SiL"]
    assert "settings.unit" in by_round["as-found"]
    assert by_round["as-found"]["settings.sub-latency"]["channels"] == ["SUB2"]
    sub = found["distances"]["as-found"]["channels"]["SUB2"]
    assert sub["arrival_residual_ms"] == pytest.approx(14.2, abs=0.5)  # the onset of a subwoofer, u = 0.5 ms
    assert "settings.trims" in by_round["as-found"]
    assert not {
        "wiring.swapped",
        "wiring.polarity",
        "wiring.pair-polarity",
        "wiring.tweeter",
        "settings.unit",
        "settings.sub-latency",
        "settings.trims",
    } & set(by_round["as-left"])
    for channel, level in found["levels"]["as-left"]["channels"].items():
        assert level["level_db"] == pytest.approx(75.0, abs=0.6), channel
        assert level["verdict"] != "fail"
    # The sheet's proposal from as found equals the settings as left, except where the wiring changed the sound.
    for channel in ("FC", "SiR", "TpFL", "TpBR"):
        as_left = found["levels"]["as-left"]["channels"][channel]["old_trim_db"]
        assert found["levels"]["as-found"]["channels"][channel]["trim_db"] == pytest.approx(as_left, abs=0.5)
        held = found["distances"]["as-left"]["channels"][channel]["held"]
        assert found["distances"]["as-found"]["channels"][channel]["setting"] == pytest.approx(held, abs=0.031)
    change = found["variance"]["change"]["SUBS"]["20-80"]
    assert change["verdict"] == "better"
    assert set(found["bass"]["proposal"]) == {"SUB1", "SUB2"}
    assert found["bass"]["verified"]["seats"].keys() == found["seats"]["as-left"].keys()
    # The sheet was issued after the round as found: it follows that round alone, and the round as left agrees with it.
    assert found["predictions"]["sheet"] is not None
    words = {channel: each["as_predicted"] for channel, each in found["predictions"]["channels"].items()}
    assert words["FC"] is words["SUB1"] is True and False not in words.values()


def test_verify_reports_a_broken_job_by_its_exit_code(front: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.commission"
    shutil.copy(front / "front.commission", copy)
    data = bytearray(copy.read_bytes())
    place = data.index(b"fLaC") + 3000
    data[place] ^= 0xFF
    copy.write_bytes(bytes(data))
    done = run(tmp_path, "verify", "copy.commission")
    assert done.returncode == 1
    assert "broken" in done.stdout
    done = run(tmp_path, "record", "copy.commission", "-o", "copy.json")
    assert done.returncode == 1
    assert "The log is broken, so this record cannot be confirmed" in done.stderr


def test_the_whole_sample_is_verified_without_a_record(demo: Path) -> None:
    """The command alone verifies the chain and every recording; `tests/cli/test_verify_command.py` changes single bytes."""
    with closing(LocalServices().open(demo / "harbour-lane.commission", read_only=True)) as visit:
        events, recordings = len(visit.job.log), len(visit.job.responses)
    done = run(demo, "verify", "harbour-lane.commission")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith(f"✓ the chain of the log is whole: {events} events, {recordings} valid responses\n")


def test_records_contain_the_results_and_the_log(front: Path, tmp_path: Path) -> None:
    folder = tmp_path
    shutil.copy(front / "front.commission", folder)
    made = run(folder, "record", "front", "-o", "r.json")
    assert made.returncode == 0, made.stderr
    found = json.loads(run(folder, "results", "front", "--json").stdout)
    record = json.loads((folder / "r.json").read_text(encoding="utf-8"))
    assert record["log"][-1]["digest"] == record["digest"]
    assert record["digest"] in run(folder, "verify", "front").stdout
    assert record["results"] == found
    assert run(folder, "record", "front", "-o", "r.csv").returncode == 0
    rows = list(csv.DictReader(io.StringIO((folder / "r.csv").read_text(encoding="utf-8"))))
    assert {row["verdict"] for row in rows} <= {"pass", "fail", "unsure", "not tested"}
    assert all(row["why"] for row in rows if row["verdict"] == "not tested")
    bad = run(folder, "record", "front", "-o", "r.exe")
    assert bad.returncode == 2
    assert ".json" in bad.stderr


def test_the_settings_sheet_lists_what_to_type(demo: Path, found: Any, tmp_path: Path) -> None:
    folder = tmp_path
    shutil.copy(demo / "harbour-lane.commission", folder)
    shutil.copytree(demo / "state", folder / "state")
    text = run(folder, "sheet", "harbour-lane.commission").stdout
    assert run(folder, "sheet", "harbour-lane.commission", "-o", "s.csv", "--applied").returncode == 0
    with closing(LocalServices().open(folder / "harbour-lane.commission", read_only=True)) as visit:
        of_the_sample, issued = visit.job.sheets  # printed first, and written without any change
        assert isinstance(of_the_sample.body, SheetIssued)
        assert {each.round for each in of_the_sample.body.channels} == {"as-found"}
        assert all(isinstance(event.body, SettingEntered) for event in visit.job.log[issued.seq :])
        assert isinstance(issued.body, SheetIssued) and len(issued.body.channels) == 13
        assert visit.job.typed_in["as-left", "FC"].trim_db is not None
    every = list(csv.DictReader(io.StringIO((folder / "s.csv").read_text(encoding="utf-8"))))
    assert {row["what"] for row in every if not row["new"]} == {"polarity"}  # noted as left, and not proposed
    rows = [row for row in every if row["new"]]
    assert len(rows) == 26
    for row in rows:
        place = {"trim": ("levels", "trim_db"), "delay": ("distances", "setting")}[row["what"]]
        computed = found[place[0]][row["round"]]["channels"][row["channel"]][place[1]]
        kept = row["round"] == "as-left" and row["change"] == "False"  # set, and not shown to be off: it stays
        assert float(row["new"]) == pytest.approx(float(row["old"]) if kept else computed, abs=1e-6)
    assert "SUB2" in text


def test_new_reports_unusual_values_of_a_definition(tmp_path: Path) -> None:
    (tmp_path / "odd.toml").write_text(
        """title = "Loft cinema"
channel = [{ id = "FL", role = "screen" }]
seat = [{ id = "A2" }]
setting = [{ round = "as-found", channel = "FL", trim_db = -15.0 }]

[[reading]]
round = "as-found"
step = "levels"
channel = "FL"
seat = "A2"
value_db = 76.3

[[reading]]
round = "as-found"
step = "levels"
channel = "FL"
seat = "A2"
value_db = 86.3
""",
        encoding="utf-8",
    )
    made = run(tmp_path, "new", "odd", "--from", "odd.toml")
    assert made.returncode == 0
    assert "? FL: Trim −15 dB is outside the range of the processor, −12.0 to +12.0 dB." in made.stderr
    assert "? FL: 86.3 dB is 10.0 dB above the reading before (76.3 dB)." in made.stderr
    assert made.stderr.count("?") == 2


def test_importing_twice_stores_nothing_twice(tmp_path: Path) -> None:
    assert run(tmp_path, "new", "a.commission", "--from", str(SAMPLE / "harbour-lane.toml")).returncode == 0
    again = run(tmp_path, "new", "a.commission", "--from", str(SAMPLE / "harbour-lane.toml"))
    assert again.returncode == 2
    assert "exists already" in again.stderr
    folder = tmp_path / "files"
    folder.mkdir()
    for name in ("A1_FL.flac", "A1_FC.flac"):
        shutil.copy(SAMPLE / "as-found" / name, folder / name)
    (folder / "A1_FR.wav").write_bytes(b"RIFFrubbish")
    dry = run(tmp_path, "import", "a", "files", "--round", "as-found", "--dry-run")  # the suffix may be left out
    assert dry.returncode == 1
    assert "nothing was" in dry.stderr
    assert "A1_FL.flac → as-found / FL / A1 / impulse" in dry.stdout
    done = run(tmp_path, "import", "a.commission", "files", "--round", "as-found")
    assert done.returncode == 1  # one file is bad
    assert "A1_FR.wav" in done.stderr
    assert "2 events stored" in done.stderr
    twice = run(tmp_path, "import", "a.commission", "files/A1_FL.flac", "--round", "as-found")
    assert twice.returncode == 0
    assert "already stored" in twice.stderr
    assert run(tmp_path, "verify", "a.commission").returncode == 0


def test_a_dry_run_gives_reasons_and_a_new_round_must_be_requested(tmp_path: Path) -> None:
    """Raw sweeps of the sample beside their stimulus, named by channel and seat names instead of ids."""
    run(tmp_path, "new", "a.commission", "--from", str(SAMPLE / "harbour-lane.toml"))
    folder = tmp_path / "takes"
    folder.mkdir()
    shutil.copy(SAMPLE / "stimulus.flac", folder / "what was played.flac")
    for path in (SAMPLE / "as-found").glob("*_FL_sweep.flac"):
        shutil.copy(path, folder / path.name.replace("FL_sweep", "front-left"))
    count = len(list(folder.iterdir())) - 1
    assert count
    unknown = run(tmp_path, "import", "a.commission", "takes", "--round", "tuesday", "--dry-run")
    assert unknown.returncode == 1
    assert "the round “tuesday”, which the job does not have, expected one of as found, as left" in unknown.stdout
    dry = run(tmp_path, "import", "a.commission", "takes", "--round", "tuesday", "--new-round", "--dry-run")
    assert dry.returncode == 0, dry.stdout
    assert f"{count} of {count} would be stored" in dry.stderr
    assert "what was played.flac  – the signal that was played, no recording" in dry.stdout
    assert "channel and seat from its name; sweep: its bands sound one after the other" in dry.stdout
    assert "deconvolved with what was played.flac" in dry.stdout
    assert run(tmp_path, "import", "a.commission", "takes", "--loopback", "0").returncode == 2


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["results", "none.commission"], 2),
        (["frobnicate"], 2),
        (["import", "x.commission"], 2),
        (["--help"], 0),
        (["verify", "--help"], 0),
        ([], 2),
        (["demo", "--nonsense"], 2),
    ],
)
def test_wrong_usage_is_reported_on_stderr(tmp_path: Path, words: list[str], code: int) -> None:
    done = run(tmp_path, *words)
    assert done.returncode == code
    assert "Traceback" not in done.stderr
    assert bool(done.stderr) == (code != 0)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            "record x -o a.pdf --round as-left",
            "--round: found a record that ends in .pdf, expected one that ends in .sofa.",
        ),
        (
            "record x -o a.sofa --paper a4",
            "--paper: found a record that ends in .sofa, expected one that ends in .pdf",
        ),
        ("record x -o a.csv --paper a4", "expected one that ends in .pdf or .html. Leave the option out."),
        ("record x -o a.json --letterhead ours.toml", "--letterhead: found a record that ends in .json"),
        ("record x -o a.doc", "a.doc: found the ending “.doc”, expected one of .pdf, .html, .json, .csv, .sofa."),
        ("results x --json --round as-left", "--round: found --json, expected results as text."),
    ],
)
def test_an_option_without_effect_is_refused(words: str, message: str, capsys: pytest.CaptureFixture[str]) -> None:
    """It is refused before the job is opened, which need not even exist."""
    assert main(words.split()) == 2
    assert message in capsys.readouterr().err


def test_a_rehearsal_can_be_measured_without_a_screen(tmp_path: Path) -> None:
    toml = (SAMPLE / "harbour-lane.toml").read_text(encoding="utf-8")
    assert "title" in toml
    done = run(tmp_path, "rehearse", "--seed", "4", "--text")
    assert done.returncode == 0
    assert (tmp_path / "rehearsal-4.commission").is_file()
    assert "practice job" in done.stderr


def test_a_fresh_record_is_verified_against_its_job(front: Path, tmp_path: Path) -> None:
    """Its pages are made again from recordings that are analysed again."""
    shutil.copy(front / "front.commission", tmp_path)
    made = run(tmp_path, "record", "front.commission", "-o", "held.html")
    assert made.returncode == 0, made.stderr
    verified = run(tmp_path, "verify", "front.commission", "--record", "held.html")
    assert verified.returncode == 0, verified.stdout
    assert "This record is confirmed" in verified.stdout
    assert "✗" not in verified.stdout


def test_a_record_with_changed_words_fails_verification(tmp_path: Path) -> None:
    """One changed word on its page is named, and the command fails. A job without recordings is quick to check."""
    assert run(tmp_path, "new", "typed", "--from", str(SAMPLE / "harbour-lane.toml")).returncode == 0
    assert run(tmp_path, "record", "typed.commission", "-o", "held.html").returncode == 0
    assert run(tmp_path, "verify", "typed.commission", "--record", "held.html").returncode == 0
    page = tmp_path / "held.html"
    text = page.read_text(encoding="utf-8")
    assert "Harbour Lane cinema" in text
    page.write_text(text.replace("Harbour Lane cinema", "Harbour Lane theatre"), encoding="utf-8")
    checked = run(tmp_path, "verify", "typed.commission", "--record", "held.html")
    assert checked.returncode == 1
    assert "theatre" in checked.stdout


def test_a_round_is_exported_as_aes69_and_imported_again(front: Path, tmp_path: Path) -> None:
    made = run(front, "record", "front.commission", "-o", str(tmp_path / "round.sofa"), "--round", "as-left")
    assert made.returncode == 0, made.stderr
    assert run(tmp_path, "new", "again", "--from", str(SAMPLE / "harbour-lane.toml")).returncode == 0
    done = run(tmp_path, "import", "again.commission", "round.sofa", "--round", "as-left")
    assert done.returncode == 0, done.stdout + done.stderr
    one, other = (
        json.loads(run(folder, "results", name, "--json").stdout)["seats"]["as-left"]
        for folder, name in ((front, "front"), (tmp_path, "again"))
    )
    places = [(seat, channel) for seat in one for channel in one[seat]]
    assert len(places) == 6
    for seat, channel in places:
        for key in ("arrival_ms", "polarity", "level_db"):
            assert other[seat][channel][key] == one[seat][channel][key], (seat, channel, key)
