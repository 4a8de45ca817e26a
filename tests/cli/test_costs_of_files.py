"""Small files that take gigabytes or minutes to decode, and odd files as every argument, measured in separate processes."""

from __future__ import annotations

import multiprocessing
import random
from collections.abc import Callable
from pathlib import Path

import odd_files
import pytest
from odd_files import cost_of

from commission.cli.local_services import LocalServices
from commission.model import InputError, child_process


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("home")
    odd_files.make_home(folder)
    return folder


@pytest.mark.parametrize(
    ("make", "name", "words", "sentence"),
    [
        (
            odd_files.flac_of_silence,
            "A2_FC.flac",
            ["import", "loft.commission", "A2_FC.flac", "--round", "as-found"],
            "8 channels of 146 s (7000000 frames), expected at most 6 million frames",
        ),
        (
            odd_files.png_of_many_pixels,
            "many.png",
            ["photo", "loft.commission", "many.png", "--step", "site"],
            "found 10900 × 10900 pixels, expected at most 40 million",
        ),
        (
            odd_files.PDFS["ascii85"],
            "record.pdf",
            ["verify", "loft.commission", "--record", "record.pdf"],
            "record.pdf: found a ",
        ),
    ],
    ids=["FLAC", "PNG", "PDF"],
)
def test_small_files_do_not_exhaust_the_memory(
    home: Path, make: Callable[[], bytes], name: str, words: list[str], sentence: str
) -> None:
    """5.9 MB of FLAC took 8 GB, a PNG of 118 kB 1.15 GB, a PDF with an ASCII85 stream 4.6 GB."""
    (home / name).write_bytes(make())
    cost = cost_of(words, home)
    assert cost.fault is None
    assert cost.code in (1, 2)
    assert sentence in cost.out + cost.err
    assert cost.cpu_s < 8


def test_decoding_that_takes_too_long_ends_with_one_sentence(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A progressive JPEG of 4 MB took 90 s. The limit here is shorter than the program's, which keeps the test short."""
    from commission.job.photos import read_photo
    from commission.record.letterhead import load_letterhead
    from commission.record.verify.stored_record import read_record

    monkeypatch.setattr(child_process, "CPU_S", 1)
    (home / "logo.png").write_bytes(odd_files.jpeg_of_many_scans())
    (home / "record.pdf").write_bytes(odd_files.PDFS["lzw"]())
    readers: dict[str, Callable[[Path], object]] = {
        "logo.png": read_photo,
        "letterhead.toml": load_letterhead,
        "record.pdf": read_record,
    }
    for name, read in readers.items():
        with pytest.raises(InputError, match="takes longer than 1 s to read"):
            read(home / name)


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs Linux")
@pytest.mark.parametrize(
    ("command", "code"),
    [
        ("import time; time.sleep(5)", None),
        ("import os; os.system('sleep 5')", None),
        ("while True: pass", None),
        ("import os, sys; os.system(f'{sys.executable} -c \"sum(range(10**8))\"')", None),
        ("import time\nfor _ in range(6): time.sleep(0.1); sum(range(10**6))", 0),
    ],
    ids=["waits", "child waits", "computes", "child computes", "pauses"],
)
def test_a_process_hangs_if_it_computes_or_idles_too_long(
    command: str, code: int | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(odd_files, "LONGEST_S", 0.4)
    process = multiprocessing.get_context("forkserver").Process(target=exec, args=(command,))
    process.start()
    assert odd_files.exit_code(process) == code


def test_odd_files_as_arguments_are_refused(home: Path) -> None:
    """A few of the combinations; `python tests/bench odd` tries all."""
    rng = random.Random(20261126)
    for argument in rng.sample(list(odd_files.ARGUMENTS), 6):
        odd = rng.choice(list(odd_files.ODD))
        assert odd_files.try_odd(home, argument, odd).fault is None, f"{argument} with {odd}"


@pytest.mark.parametrize("odd", ["pipe", "device", "sparse"])
def test_odd_files_in_the_programs_own_folders_do_no_harm(home: Path, odd: str) -> None:
    """The list of recent jobs, the keys and the theme: the screens still open."""
    from commission.ui.keys import load_keys
    from commission.ui.theme import chosen_theme

    own, recent = home / "own.toml", home / "elsewhere/recent.json"
    recent.parent.mkdir(exist_ok=True)
    for place in (own, recent):
        place.unlink(missing_ok=True)
        odd_files.ODD[odd](place)
    assert load_keys(own)[0] == {}
    assert "The usual keys apply" in (load_keys(own)[1] or "")
    assert chosen_theme(own, frozenset(("dark",))) is None
    services = LocalServices(home / "elsewhere")
    assert services.recent() == ()
    services.open(home / "loft.commission").close()
    assert services.recent() == (home / "loft.commission",), "written in its place, and nobody waited for"


@pytest.mark.parametrize(
    ("name", "make", "sentence"),
    [
        ("A1_FL.txt", lambda: b"#\n" * 12_000_000, "more than 500000 lines"),
        ("A1_FL.txt", lambda: b"1 2\n" * 30_000_000, "120 MB of text, expected at most 25 MB"),
        ("A1_FL.txt", lambda: b"1 " * 10_000_000, "20,000,000 characters in one line"),
        ("job.toml", lambda: b"a" + b".a" * 400_000 + b" = 1", "a line with 400,000 dots"),
        ("job.toml", lambda: (b"a" + b".a" * 199 + b" = 1\n") * 2400, "invalid TOML"),
        ("m.csv", lambda: b"file,channel\n" + b"\n" * 3_900_000, "3,900,000 lines below its header"),
    ],
    ids=["lines", "bytes", "one line", "dots", "fewer dots", "empty lines"],
)
def test_very_long_texts_are_handled(home: Path, name: str, make: Callable[[], bytes], sentence: str) -> None:
    (home / name).write_bytes(make())
    words = ["new", "made", "--from", name] if name.endswith("toml") else ["import", "loft.commission", name]
    cost = cost_of(words, home)
    assert cost.fault is None
    assert cost.memory_bytes < 600_000_000
    assert cost.cpu_s < 5
    assert sentence in cost.out + cost.err
