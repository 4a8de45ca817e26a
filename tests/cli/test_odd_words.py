"""Names of 300 letters, huge mappings, texts of 20,000 letters, arguments in any order: accepted, or one sentence."""

from __future__ import annotations

import errno
import json
import os
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import mutants
import pytest
from builders import cinema, levels
from programs import start

from commission.audio import importing, mapping
from commission.cli import main
from commission.cli.local_services import LocalServices
from commission.model import InputError, Noted
from commission.record.content.lengths import LONGEST, shortened
from commission.record.document import Document, Facts, Figure, Paragraph, Section

LONG = "x" * 300


@pytest.fixture
def loft(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A job, a recording and a definition in the working folder."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)
    visit = LocalServices(tmp_path / "state").create(tmp_path / "loft", cinema(["FL", "FC"], ["A1", "A2"]))
    visit.append(*levels({"FL": 75.0, "FC": 76.0}))
    visit.close()
    (tmp_path / "A1_FL.wav").write_bytes(mutants.recording(1))
    (tmp_path / "A2_FC.wav").write_bytes(mutants.recording(2))
    (tmp_path / "job.toml").write_text('schema = 1\ntitle = "Loft"\n', encoding="utf-8")
    return tmp_path


def test_a_terminal_without_cursor_control_gets_one_sentence(
    loft: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setenv("TERM", "dumb")
    assert main([str(loft / "loft.commission")]) == 2
    assert "TERM is dumb" in capsys.readouterr().err


@pytest.fixture
def small_files(loft: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The same folder, where no file may grow beyond 1 kB, as with `ulimit -f 1` (setrlimit(2): then a write fails with EFBIG)."""
    resource = pytest.importorskip("resource", reason="limits of POSIX")
    monkeypatch.setattr("sys.dont_write_bytecode", True)  # Python would keep the first kB of each module it compiles
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1024, hard))
    yield loft
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize(
    ("words", "name"),
    [
        (["results", "loft.commission"], "printed.txt"),
        (["signals", "loft.commission", "-o", "out"], "out/stimulus.wav"),
        (["record", "loft.commission", "-o", "loft.html"], "loft.html"),
        (["new", "attic", "--from", "job.toml"], "attic.commission"),
    ],
)
def test_a_file_that_exceeds_the_size_limit_is_named(
    small_files: Path,
    words: list[str],
    name: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    with (small_files / "printed.txt").open("w") as printed, monkeypatch.context() as redirected:
        redirected.setattr("sys.stdout", printed)
        redirected.setattr("commission.cli.commands.output_name", lambda: printed.name)
        code = main(words)
        with suppress(OSError):
            printed.close()
    error = capsys.readouterr().err
    assert code == 2 and name in error.splitlines()[-1], error
    assert "unfinished" not in error
    assert not (small_files / "out" / "stimulus.wav").exists() and not (small_files / "loft.html").exists()


def test_an_error_without_a_file_is_not_taken_for_an_output_error(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse(_words: list[str]) -> int:
        raise OSError(errno.EMFILE, "Too many open files")  # as from pipe(2), which has no file to name

    monkeypatch.setattr("commission.cli._run", refuse)
    assert main(["verify", "loft.commission"]) == 2
    assert "the operating system refuses what the program needs (Too many open files)" in capsys.readouterr().err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device of Linux")
def test_a_few_lines_that_cannot_be_printed_are_an_error(loft: Path) -> None:
    process = start(["verify", "loft.commission"], loft, {}, (os.devnull, "/dev/full", "errors.txt"))
    process.join()
    error = (loft / "errors.txt").read_text(encoding="utf-8")
    assert process.exitcode == 2
    assert error.startswith("commission: /dev/full: No space left on device.") and error.count("\n") == 1


@pytest.mark.parametrize(
    "words",
    [
        ["LONG"],
        ["results", "LONG"],
        ["new", "LONG", "--from", "job.toml"],
        ["new", "LONG/x", "--from", "job.toml"],
        ["new", "x", "--from", "LONG"],
        ["new", "x", "--return-to", "LONG"],
        ["import", "loft.commission", "LONG", "--round", "as-found"],
        ["import", "loft.commission", "LONG.wav", "--round", "as-found"],
        ["import", "loft.commission", "--map", "LONG.csv"],
        ["import", "loft.commission", "A1_FL.wav", "--stimulus", "LONG.wav", "--round", "as-found"],
        ["photo", "loft.commission", "LONG", "--step", "site"],
        ["limits", "loft.commission", "--use", "LONG"],
        ["record", "loft.commission", "-o", "LONG.html"],
        ["record", "loft.commission", "-o", "LONG/x.json"],
        ["record", "loft.commission", "-o", "x.html", "--letterhead", "LONG"],
        ["sheet", "loft.commission", "-o", "LONG.csv"],
        ["verify", "loft.commission", "--record", "LONG"],
        ["signals", "loft.commission", "-o", "LONG"],
        ["rehearse", "-o", "LONG", "--text"],
    ],
    ids=lambda words: " ".join(words),
)
def test_a_name_of_300_letters_gets_one_sentence(
    loft: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    assert main([word.replace("LONG", LONG) for word in words]) in (1, 2)
    error = capsys.readouterr().err
    assert LONG in error
    assert "went wrong" not in error


def test_refusals_of_the_system_give_one_sentence(
    loft: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied", "loft\x1b[31m.commission")

    monkeypatch.setattr("commission.cli.commands.COMMANDS", {"results": refuse})
    assert main(["results", "loft.commission"]) == 2
    assert capsys.readouterr().err.startswith("commission: loft[31m.commission: Permission denied. Check the name")


@pytest.mark.parametrize(
    "words",
    [
        ["loft.commission", "A1_FL.wav", "A2_FC.wav", "--round", "as-found"],
        ["loft.commission", "--round", "as-found", "A1_FL.wav", "A2_FC.wav"],
        ["--round", "as-found", "loft.commission", "A1_FL.wav", "--no-delays", "A2_FC.wav"],
        ["loft.commission", "A1_FL.wav", "--round", "as-found", "--", "A2_FC.wav"],
    ],
)
def test_paths_may_follow_options(loft: Path, capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    assert main(["import", *words, "--dry-run"] if "--" not in words else ["import", "--dry-run", *words]) == 0
    assert "2 of 2 would be stored" in capsys.readouterr().err


def test_other_wrong_arguments_are_refused(loft: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["import", "loft.commission", "--rund", "x"], ["results", "loft.commission", "more"], ["new", "x"]):
        with pytest.raises(SystemExit) as stop:
            main(words)
        assert stop.value.code == 2
        assert "error:" in capsys.readouterr().err


def test_huge_mappings_are_refused_by_line(loft: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = "A1_FL.wav,as-found,FL,A1,impulse"
    head = "file,round,channel,seat,kind,file_channel\n"
    for text, sentence in (
        (head[:-14] + "\n" + f"{line}\n" * 5001, "m.csv: found 5,001 lines below its header, expected at most 5,000"),
        (f"{head}{line},{'9' * 5000}\n", "m.csv line 2: found a cell of 5,000 characters, expected at most 1,000"),
        (f"{head}{line},{'9' * 900}\n", "m.csv line 2: found file_channel “99999999999999999999”, expected a number"),
        (f"{head}{'y' * 900},{line[10:]},1\n", "no such file"),
    ):
        (loft / "m.csv").write_text(text, encoding="utf-8")
        begin = time.process_time()
        assert main(["import", "loft.commission", "--map", "m.csv"]) in (1, 2)
        printed = capsys.readouterr()
        assert sentence in printed.out + printed.err
        assert time.process_time() - begin < 5
    assert mapping.MOST_LINES == importing.MOST_FILES


def test_importing_does_not_search_a_whole_disk(
    loft: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for index in range(30):
        (loft / "deep" / str(index)).mkdir(parents=True)
    monkeypatch.setattr(importing, "MOST_FOLDERS", 20)
    assert main(["import", "loft.commission", "deep", "--round", "as-found"]) == 2
    assert "deep: found more than 20 folders, expected at most 5000 files" in capsys.readouterr().err


def test_texts_too_long_for_their_field_are_refused_at_entry(loft: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (loft / "long.toml").write_text(
        f'schema = 1\ntitle = "Loft"\n[[channel]]\nid = "FL"\nrole = "screen"\nname = "{"x" * 201}"\n',
        encoding="utf-8",
    )
    assert main(["new", "x", "--from", "long.toml"]) == 2
    assert "long.toml: channels[0].name: found 201 characters, expected at most 200. Shorten it." in (
        capsys.readouterr().err
    )
    visit = LocalServices(loft / "state").open(loft / "loft.commission")
    visit.append(Noted(step="site", text="x" * 5000))
    with pytest.raises(InputError, match=r"noted.text: found 5,001 characters, expected at most 5,000. Shorten it."):
        visit.append(Noted(step="site", text="x" * 5001))
    visit.close()


def test_the_record_of_a_job_with_texts_of_20000_letters_is_written_quickly(
    loft: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Earlier versions accepted such texts, and their PDF took 120 s."""
    rows, blobs = mutants.base()

    def lengthen(value: object, key: str = "") -> object:
        if isinstance(value, dict):
            return {name: lengthen(item, name) for name, item in value.items()}
        if isinstance(value, list):
            return [lengthen(item, key) for item in value]
        texts = ("title", "text", "name", "client", "model", "basis", "caption", "file_name", "reason", "note")
        return "x" * 20_000 if isinstance(value, str) and key in texts else value

    for row in rows:
        row[2] = lengthen(row[2])
    mutants.write(loft / "old.commission", rows, blobs)
    begin = time.process_time()
    assert main(["record", "old.commission", "-o", "old.pdf"]) == 0
    assert time.process_time() - begin < 10
    assert main(["record", "old.commission", "-o", "old.json"]) == 0
    log = json.loads((loft / "old.json").read_text(encoding="utf-8"))["log"]
    assert "x" * 20_000 in json.dumps(log), "the data are whole"


def test_only_long_texts_are_cut() -> None:
    section = Section(
        id="i" * 900,
        title="t" * 501,
        blocks=(
            Paragraph(text="p" * 5000),
            Facts(pairs=(("a", "b"), ("c", "d" * 501))),
            Figure(id="f", title="f", svg="s" * 9000, alt="a"),
        ),
    )
    document = Document(
        title="t",
        subtitle="s" * 201,
        created_at="",
        date_text="",
        digest="",
        how_to_check="",
        sections=(section,),
    )
    cut = shortened(document)
    assert cut.subtitle == "s" * 200 + " … (cut: 201 characters)"
    (first,) = cut.sections
    assert first.title == "t" * LONGEST + " … (cut: 501 characters)"
    assert (first.id, first.blocks[0], first.blocks[2]) == (section.id, section.blocks[0], section.blocks[2])
    assert first.blocks[1] == Facts(pairs=(("a", "b"), ("c", "d" * 500 + " … (cut: 501 characters)")))
