"""File names with control sequences or invalid characters: every command prints them as plain text."""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path

import odd_files
import pytest
from builders import cinema, levels
from PIL import Image
from programs import run

from commission.cli import main
from commission.cli.commands import shown_progress
from commission.cli.local_services import LocalServices

READERS = [
    ["new", "other", "--from"],
    ["limits", "loft.commission", "--use"],
    ["record", "loft.commission", "-o", "x.html", "--letterhead"],
    ["verify", "loft.commission", "--record"],
    ["photo", "loft.commission", "--step", "site"],
    ["import", "loft.commission", "--map"],
    ["import", "loft.commission", "--round", "as-found"],
    ["import", "loft.commission", "loft.commission", "--round", "as-found", "--stimulus"],
    ["verify"],
    ["results"],
    ["new", "other", "--return-to"],
]
"""Commands that read the file that comes next."""
NAMES = ["a\x1b[31mb<b>#$", os.fsdecode(b"a\xffb")]
"""A colour command with markup; a byte that no UTF-8 has, as Python hands it on (PEP 383)."""


@pytest.mark.parametrize("name", NAMES, ids=["controls", "no text"])
def test_a_job_of_any_name_is_recorded_verified_and_returned_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)
    visit = LocalServices(tmp_path / "state").create(tmp_path / "plain", cinema(["FL", "FC"], ["A2"]))
    visit.append(*levels({"FL": 75.0, "FC": 76.0}))
    visit.close()
    job, photo = f"{name}.commission", f"{name}.png"
    try:
        shutil.copy("plain.commission", job)
    except OSError:
        pytest.skip("this file system has no such names")
    Image.new("RGB", (8, 8), "red").save("plain.png")
    shutil.copy("plain.png", photo)
    assert main(["photo", job, photo, "--step", "site", "--caption", name]) == 0
    for suffix in ("html", "json", "csv", "pdf"):
        assert main(["record", job, "-o", f"{name}.{suffix}"]) == 0
        assert Path(f"{name}.{suffix}").stat().st_size > 500
    for suffix in ("html", "json", "pdf"):
        assert main(["verify", job, "--record", f"{name}.{suffix}"]) == 0
    assert main(["sheet", job, "-o", f"{name}-sheet.csv"]) == 0
    assert main(["new", "back", "--return-to", job]) == 0
    assert main(["record", "back.commission", "-o", "back.html"]) == 0
    assert main(["record", job, "-o", f"{name}.docx"]) == 2
    assert main(["import", job, name]) == 1
    assert main(["verify", f"no{name}"]) == 2
    printed = capsys.readouterr()
    for line in (printed.out + printed.err).splitlines():
        assert line.isprintable(), line


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes with names are of POSIX")
@pytest.mark.parametrize("odd", ["pipe", "device", "sparse"])
@pytest.mark.parametrize("words", READERS, ids=[" ".join(words) for words in READERS])
def test_endless_files_are_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: list[str], odd: str
) -> None:
    """A pipe without a writer, an endless device, and a sparse file of 4 GB."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)
    LocalServices(tmp_path / "state").create(tmp_path / "loft", cinema(["FL"], ["A2"])).close()
    odd_files.ODD[odd](tmp_path / "odd")
    begin = time.process_time()
    assert main([*words, "odd"]) in (1, 2)
    assert time.process_time() - begin < 3
    error = capsys.readouterr().err
    assert ("not a job file" in error or "4,000 MB" in error) if odd == "sparse" else "pipe or a device" in error


def test_a_broken_custom_letterhead_does_not_block_the_data(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)
    services = LocalServices(tmp_path / "state")
    services.create(tmp_path / "loft", cinema(["FL"], ["A2"])).close()
    services._config_folder.mkdir(parents=True)
    (services._config_folder / "letterhead.toml").write_text("name = ", encoding="utf-8")
    assert main(["record", "loft.commission", "-o", "x.html"]) == 2
    assert "letterhead.toml: found invalid TOML" in capsys.readouterr().err
    assert main(["record", "loft.commission", "-o", "x.json"]) == 0
    assert main(["record", "loft.commission", "-o", "x.csv"]) == 0


def test_the_progress_line_prints_names_as_plain_text(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A job from elsewhere may hold such names of recordings."""
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    shown_progress("Analysing")(0.5, "FL\x1b[2J\n.wav")
    assert capsys.readouterr().err.removeprefix("\r").isprintable()


def test_names_and_texts_of_a_job_are_printed_as_plain_text(tmp_path: Path) -> None:
    """`sheet` and `limits` print texts of a job: names of loudspeakers, the basis of a limit."""
    from dataclasses import replace

    from builders import cinema, levels

    from commission.cli.local_services import LocalServices
    from commission.model import LimitsChosen, default_profile

    hostile = "\x1b]0;owned\x07\x1b[31m\u202e"
    system = cinema(["FL", "FC"], ["A2"])
    channels = tuple(replace(each, name=f"{each.name}{hostile}") for each in system.channels)
    profile = default_profile()
    limits = tuple(replace(each, basis=f"{each.basis}{hostile}") for each in profile.limits)
    visit = LocalServices(tmp_path / "state").create(tmp_path / "loft", replace(system, channels=channels))
    visit.append(
        *levels({"FL": 76.0, "FC": 74.0}), LimitsChosen(profile=replace(profile, limits=limits, name=hostile))
    )
    visit.close()
    for command in ("sheet", "limits", "results"):
        done = run(tmp_path, command, "loft.commission")
        assert done.returncode == 0, done.stderr
        assert "owned" in done.stdout
        assert not set(hostile[:1] + "\x07\u202e") & set(done.stdout + done.stderr)


def test_a_pipe_and_a_name_that_is_too_long_are_reported_as_such(tmp_path: Path) -> None:
    import os

    os.mkfifo(tmp_path / "pipe.commission")
    assert "a pipe or a device" in run(tmp_path, "pipe.commission").stderr
    for command in ("results", "verify", "sheet"):
        assert "is a pipe or a device" in run(tmp_path, command, "pipe.commission").stderr
        assert "does not exist" in run(tmp_path, command, "x" * 300).stderr
    assert "no such file" in run(tmp_path, "x" * 300).stderr


def test_circular_links_are_reported_as_such(tmp_path: Path) -> None:
    (tmp_path / "x.commission").symlink_to("y.commission")
    (tmp_path / "y.commission").symlink_to("x.commission")
    for command in ("results", "verify", "sheet"):
        error = run(tmp_path, command, "x").stderr
        assert "x.commission is a symbolic link that leads back to itself; a job is a file" in error
    for words in (["x.commission"], ["new", "loft", "--from", "x.commission"]):
        assert (
            "x.commission: found a symbolic link that leads back to itself, expected" in run(tmp_path, *words).stderr
        )
