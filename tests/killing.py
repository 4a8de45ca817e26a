"""Programs killed with SIGKILL at a random moment in every writing command, and the conditions that must hold afterwards.

A round starts one command on a job, waits until it has begun and a random time more, and kills it. Then the job, where
there is one, must open, its chain must be whole, and every event that was there before must be there still; no leftover may
block the name or the next writer.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from programs import run, start

from commission.job.store import JobFile
from commission.model.unfinished_files import UNFINISHED

LONGEST_S = 120.0
LIMITS = """schema = 1
name = "ours"
version = "1"
[[limit]]
quantity = "levels.match"
high = 0.4
low = -0.4
unit = "dB"
basis = "our own"
"""
WEIGHTS = {"import": 3, "terminal": 2, "photo": 2, "limits": 2, "record": 2, "new": 2, "return": 1, "rehearse": 1}
"""How often each command is killed; the last two compute for seconds before they write."""
DURATIONS = {"new": 1.0, "return": 1.0, "import": 2.6, "photo": 1.7, "limits": 1.1, "record": 6.0}
"""How long each command runs at first, as a multiple of `new` (`rehearse`: 174). Whoever ends sooner corrects it."""
ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_measurements"
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c49444154789c63606060000000040001f61738"
    "550000000049454e44ae426082"
)


@dataclass
class Killed:
    """Results of a series of kills."""

    kills: int = 0
    finished: int = 0
    """Commands that ended before they were killed."""
    problems: list[str] = field(default_factory=list)
    by_command: dict[str, int] = field(default_factory=dict)


def commands(folder: Path) -> dict[str, list[str]]:
    """Every command that writes to a job or makes one, by name; run in `folder`."""
    names = {name: folder / name for name in ("photo.png", "limits.toml", "files")}
    if not names["files"].exists():
        names["photo.png"].write_bytes(PNG)
        names["limits.toml"].write_text(LIMITS)
        names["files"].mkdir()
        for path in sorted((SAMPLE / "as-found").glob("A[12]_F*.flac")):
            shutil.copy(path, names["files"])
    stimulus = str(SAMPLE / "stimulus.flac")
    job = "job.commission"
    return {
        "new": ["new", "made", "--from", str(SAMPLE / "harbour-lane.toml")],
        "return": ["new", "again", "--return-to", "earlier.commission"],
        "import": ["import", job, str(names["files"]), "--round", "ROUND", "--new-round", "--stimulus", stimulus],
        "photo": ["photo", job, str(names["photo.png"]), "--step", "site"],
        "limits": ["limits", job, "--use", str(names["limits.toml"])],
        "record": ["record", job, "-o", "record.json"],
        "rehearse": ["rehearse", "--seed", "3", "--measure", "--text"],
        "terminal": [job],
    }


def kill_loop(
    folder: Path, count: int, seed: int, report: Callable[[str], None] = lambda _: None, rehearsal: float = 8.0
) -> Killed:
    """Kill `count` commands one after the other; the jobs are in `folder`.

    `rehearsal`: within which multiple of the duration of `new` a rehearsal is killed. At 8 it has stored some responses.
    """
    rng, found = random.Random(seed), Killed()
    env = os.environ | {"HOME": str(folder), "XDG_STATE_HOME": str(folder / "state"), "OPENBLAS_NUM_THREADS": "1"}
    new_s = 0.0
    for name in ("warm", "job"):  # before the first, the program is loaded
        begin = time.monotonic()
        run(folder, "new", name, "--from", str(SAMPLE / "harbour-lane.toml")).check_returncode()
        new_s = time.monotonic() - begin
    shutil.copy(folder / "job.commission", folder / "earlier.commission")
    digests = _digests(folder / "job.commission")
    known = commands(folder)
    longest_s = {name: DURATIONS.get(name, rehearsal) * new_s for name in known}
    number = -1
    while found.kills < count:
        number += 1
        name, words = rng.choices(list(known.items()), [WEIGHTS[each] for each in known])[0]
        words = [f"round-{number}" if word == "ROUND" else word for word in words]
        wait_s = rng.uniform(0.3, 1.1) * longest_s[name]
        unfinished, begin = _unfinished(folder), time.monotonic()
        if name == "terminal":
            killed, code, printed = _in_terminal(words, folder, env, rng, rng.uniform(0.1, 1.0))
        else:
            killed, code, printed = _headless(words, folder, env, wait_s)
        if killed:
            found.kills += 1
            found.by_command[name] = found.by_command.get(name, 0) + 1
            longest_s[name] *= 1.02  # the machine may have become busier
        else:
            found.finished += 1
            longest_s[name] = min(longest_s[name], time.monotonic() - begin)
        if code not in (0, -signal.SIGKILL):
            found.problems.append(f"{number} {name}: ended with {code}: {printed[-200:]}")
        for path in sorted(folder.glob("*.commission")):
            try:
                now = _digests(path)
            except Exception as error:
                found.problems.append(f"{number} {name}: {path.name}: {error}")
                continue
            if path.name == "job.commission":
                if now[: len(digests)] != digests:
                    found.problems.append(f"{number} {name}: events that were stored are gone")
                digests = now
            elif path.name in ("made.commission", "again.commission") or path.name.startswith("rehearsal"):
                path.unlink()  # the name is free for the next
        stray = [each.name for each in folder.iterdir() if each.name.endswith(("-journal", "-wal", "-shm"))]
        if name == "record":
            stray += sorted(_unfinished(folder) - unfinished)
        if stray:
            found.problems.append(f"{number} {name}: {', '.join(stray)} left after opening")
        report(f"{found.kills} of {count}: {len(found.problems)} problems")
    return found


def _unfinished(folder: Path) -> set[str]:
    return {each.name for each in folder.iterdir() if each.name.endswith(UNFINISHED)}


def _headless(words: list[str], folder: Path, env: dict[str, str], wait_s: float) -> tuple[bool, int, str]:
    """Run a command and kill it after a while: (whether it was killed, its exit code, its output)."""
    errors = folder / "errors.txt"
    errors.unlink(missing_ok=True)
    process = start(words, folder, env, (os.devnull, os.devnull, str(errors)))
    process.join(wait_s)
    process.kill()
    process.join()
    assert process.exitcode is not None
    return process.exitcode == -signal.SIGKILL, process.exitcode, errors.read_text() if errors.exists() else ""


def _in_terminal(
    words: list[str], folder: Path, env: dict[str, str], rng: random.Random, wait_s: float
) -> tuple[bool, int, str]:
    """The screens on a pseudo-terminal: levels are typed, one after the other, until it is killed."""
    import pty
    import threading

    ours, theirs = pty.openpty()
    env = env | {"TERM": "xterm-256color", "COLUMNS": "120", "LINES": "40"}
    terminal = os.ttyname(theirs)
    process = start(words, folder, env, (terminal, terminal, terminal))
    screen = bytearray()

    def drain() -> None:
        try:
            while data := os.read(ours, 65536):
                screen.extend(data)
        except OSError:
            return

    reader = threading.Thread(target=drain, daemon=True)
    reader.start()

    def settle() -> None:
        """Wait until something is shown and the screen has been still for a while."""
        end, length, still = time.monotonic() + LONGEST_S, 0, 0
        while still < 5 and time.monotonic() < end and process.is_alive():
            time.sleep(0.05)
            still, length = (still + 1 if length == len(screen) and length else 0), len(screen)

    settle()
    os.write(ours, b"3")
    settle()
    end = time.monotonic() + wait_s
    keys = iter("".join(f"{rng.uniform(70, 80):.1f}\r" for _ in range(100)))
    while time.monotonic() < end and process.is_alive():
        os.write(ours, next(keys, "\r").encode())
        time.sleep(0.02)
    process.kill()
    process.join()
    os.close(theirs)
    reader.join(1)
    os.close(ours)
    assert process.exitcode is not None
    return process.exitcode == -signal.SIGKILL, process.exitcode, screen[-300:].decode(errors="replace")


def _digests(path: Path) -> list[str]:
    """The digests of a job that opens for writing and whose chain is whole; raises where it is not."""
    job = JobFile.open(path)
    try:
        broken = job.verify()
        if broken is not None:
            raise AssertionError(broken)
        events = job.events()
        if not events:
            raise AssertionError("a job without events")
        return [event.digest for event in events]
    finally:
        job.close()
