"""Mutated jobs with a valid chain, through everything that reads a job: no crash, no hang, no flood of memory.

`python tests/mutants.py COUNT SEED` makes COUNT mutants of a small job, each with a few values of its events changed and
the chain computed again, as an attacker would. It prints the outcomes as JSON. It runs in a separate process, whose memory
is that of the worst mutant and which ends when a library crashes.
"""

from __future__ import annotations

import copy
import hashlib
import io
import json
import random
import signal
import sqlite3
import sys
import tempfile
import threading
import time
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE)]

from builders import cinema, levels, setting, tapes  # noqa: E402
from peak_memory import peak_bytes  # noqa: E402

from commission.cli.lazy_parts import LateDecoder  # noqa: E402
from commission.job.codec import encode, kind_of  # noqa: E402
from commission.job.identity import APPLICATION_ID, VERSION  # noqa: E402
from commission.job.store import JobFile, row_digest  # noqa: E402
from commission.model import (  # noqa: E402
    AS_FOUND,
    AS_LEFT,
    ActionLogged,
    ChecklistChosen,
    CommissionError,
    Decided,
    EarlierFigure,
    EarlierVisit,
    EventBody,
    Instrument,
    JobCreated,
    LimitsChosen,
    Noted,
    PhotoAttached,
    ResponseStored,
    RoundOpened,
    Setting,
    SheetBass,
    SheetBassSeat,
    SheetChannel,
    SheetIssued,
    SheetSeat,
    Signed,
    StimulusStored,
    StoredVerdict,
    StoredVerdicts,
    Sweep,
    SystemDefined,
    VerdictsOfKind,
    Withdrawn,
    default_checklist,
    default_profile,
)
from commission.model.progress import unwatched  # noqa: E402
from commission.record.data.results import record_json  # noqa: E402
from commission.record.data.sheet import sheet_csv, sheet_lines  # noqa: E402
from commission.record.data.text import visit_lines  # noqa: E402
from commission.record.export import checks_csv, record_document, render  # noqa: E402
from commission.visit import Visit  # noqa: E402

LONGEST_S = 10.0
"""Processor time; a machine that has other work to do is no hang."""
BLOCKED_S = 120.0
"""Of the clock on the wall, for what waits and computes nothing."""
LARGEST_BYTES = 1_000_000_000
EVERY_HTML = 20
"""One mutant in this many is also written as HTML, which takes longer than everything else."""
NUMBERS = (0, -1, 1, 2, 0.5, 1e-12, -0.0, 5e-324, 1e-300, 1e6, -1e6, 1e9, 1e15, 1e308, -1e308, 2**31, 2**63, 10**30)
TEXTS = (
    "",
    " ",
    "FL",
    "A2",
    "SUB1",
    AS_FOUND,
    AS_LEFT,
    "levels",
    "\x1b[31mred\x07",
    "\u202e",
    "x" * 3000,
    "0" * 64,
    "ms",
    "ft",
    "sub",
    "1e308",
    "=1+1",
    "../../etc/passwd",
    "\ud7ff\uffff",
)

Row = list[Any]
"""at, kind, body as plain values, blob."""


@dataclass
class Tally:
    """Outcomes of a number of mutants."""

    count: int = 0
    refused: int = 0
    failures: Counter[str] = field(default_factory=Counter)
    """What the program failed on and isolated."""
    crashes: list[str] = field(default_factory=list)
    hangs: list[str] = field(default_factory=list)
    slowest_s: float = 0.0


def recording(seed: int) -> bytes:
    """A short impulse response as WAV: a decaying noise after a pulse."""
    import soundfile

    rng = np.random.default_rng(seed)
    samples = 0.002 * rng.standard_normal(9600)
    samples[300:] += rng.standard_normal(9300) * 0.1 * np.exp(-np.arange(9300) / 1200)
    samples[300] = 0.8
    out = io.BytesIO()
    soundfile.write(out, samples.astype(np.float32), 48000, format="WAV", subtype="PCM_24")
    return out.getvalue()


def base() -> tuple[list[Row], dict[str, bytes]]:
    """One small job with an event of every kind."""
    blobs: dict[str, bytes] = {}

    def blob(data: bytes) -> str:
        sha = hashlib.sha256(data).hexdigest()
        blobs[sha] = data
        return sha

    ids, seats = ["FL", "FC", "SiL", "SUB1", "SUB2"], ["A1", "A2", "A3"]
    system = cinema(
        ids, seats, sweep=Sweep(), instruments=(Instrument(kind="meter", accuracy_class=2), Instrument(kind="tape"))
    )
    earlier = EarlierVisit(
        file_name="old.commission",
        title="old",
        digest="0" * 64,
        round=AS_LEFT,
        closed_at="2025-03-14T09:00:00.000+00:00",
        program_version="0",
        figures=tuple(
            EarlierFigure(quantity=q, channel=c, seat="A2", value=v, uncertainty=0.3, over=("A2",))
            for c in ids
            for q, v in (("level_db", 75.0), ("trim_db", 0.0), ("arrival_ms", 10.0))
        ),
    )
    places = (StoredVerdict("FL", "A2", "pass", 0.2), StoredVerdict("FC", "A2", "fail", 2.0))
    kinds = (VerdictsOfKind(step="levels", round=AS_FOUND, id="levels.match", unit="dB", places=places),)
    issued = SheetChannel(
        channel="FL",
        round=AS_FOUND,
        old=Setting(round=AS_FOUND, channel="FL", trim_db=0.5, distance=3.0),
        new=Setting(round=AS_LEFT, channel="FL", trim_db=1.0, distance=3.2),
        seats=(SheetSeat(seat="A1", level_db=-20.0, arrival_ms=12.0),),
    )
    bass = SheetBass(round=AS_FOUND, sd_db=3.0, output_db=-2.0, seats=(SheetBassSeat(seat="A1", deviation_db=1.0),))
    bodies: list[EventBody] = [
        JobCreated(title="Harbour Lane", program_version="0"),
        SystemDefined(system=system),
        LimitsChosen(profile=default_profile()),
        ChecklistChosen(checklist=default_checklist()),
        earlier,
        *(setting(c, trim_db=0.5, distance=3.0, polarity="normal") for c in ids),
        *levels({c: (75.0 + i, 75.2 + i) for i, c in enumerate(ids)}),
        *tapes({c: 3.0 + i / 10 for i, c in enumerate(ids)}),
        RoundOpened(round="check"),
        RoundOpened(round=AS_LEFT),
        *(setting(c, round_id=AS_LEFT, trim_db=1.0, distance=3.2, applied=True) for c in ids),
        *levels({c: 75.0 for c in ids}, round_id=AS_LEFT),
        Decided(round=AS_FOUND, step="levels", key="offset", value="0"),
        Noted(step="site", round=AS_FOUND, text="note"),
        ActionLogged(
            round=AS_FOUND, finding="wiring.polarity", title="FL reversed", channels=("FL",), action="repaired"
        ),
        Withdrawn(seq=8, reason="slip"),
        SheetIssued(channels=(issued,), bass=bass, program_version="0"),
        StoredVerdicts(occasion="record", program_version="0", kinds=kinds),
        Signed(role="technician", name="T. Hand"),
    ]
    for index, (round_id, channel, seat) in enumerate(
        (r, c, s) for r in (AS_FOUND, AS_LEFT) for c in ("FL", "FC", "SUB1") for s in seats
    ):
        bodies.append(
            ResponseStored(
                round=round_id,
                channel=channel,
                seat=seat,
                kind="impulse",
                file_name=f"{index}.wav",
                file_sha256=blob(recording(index)),
                rate_hz=48000.0,
                frames=9600,
                clock=f"clock {round_id}",
            )
        )
    stimulus = blob(recording(len(bodies)))
    bodies.append(StimulusStored(file_name="sweep.wav", file_sha256=stimulus, rate_hz=48000.0, frames=9600))
    picture = blob(b"\x89PNG")
    bodies.append(
        PhotoAttached(
            step="site",
            caption="c",
            file_name="p",
            file_sha256=picture,
            media_type="image/png",
            width_px=1,
            height_px=1,
        )
    )
    rows = [
        [
            f"2026-03-14T{9 + i // 60:02d}:{i % 60:02d}:00.000+00:00",
            kind_of(b),
            json.loads(encode(b)),
            getattr(b, "file_sha256", None),
        ]
        for i, b in enumerate(bodies)
    ]
    return rows, blobs


def mutate(rows: list[Row], blobs: dict[str, bytes], rng: random.Random) -> None:
    """Change a few values, in place."""
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        kind, index = rng.random(), rng.randrange(len(rows))
        if kind < 0.80:
            _change_value(rows[index][2], rng)
        elif kind < 0.84:
            rows[index][1] = rng.choice([row[1] for row in rows])
        elif kind < 0.88:
            del rows[index]
        elif kind < 0.92:
            rows[index:index] = [copy.deepcopy(rows[index])] * rng.choice((1, 3, 200))
        elif kind < 0.95:
            other = rng.randrange(len(rows))
            rows[index], rows[other] = rows[other], rows[index]
        else:
            with_blob = [row for row in rows if row[3]]
            if with_blob:
                _change_blob(rng.choice(with_blob), blobs, rng)


def _change_blob(row: Row, blobs: dict[str, bytes], rng: random.Random) -> None:
    data = bytearray(blobs[row[3]])
    for _ in range(rng.choice((1, 8, 200))):
        if data:
            data[rng.randrange(min(len(data), rng.choice((60, 10**9))))] = rng.randrange(256)
    data = data[: rng.choice((len(data), len(data), 40, 0))]
    sha = hashlib.sha256(data).hexdigest()
    blobs[sha] = bytes(data)
    row[3] = sha
    if isinstance(row[2], dict):
        row[2]["file_sha256"] = sha


def _change_value(body: Any, rng: random.Random) -> None:
    """One value somewhere in the body, or a key taken out, or a list made long."""
    while True:
        keys = list(body) if isinstance(body, dict) else list(range(len(body)))
        if not keys:
            return
        key = rng.choice(keys)
        if isinstance(body[key], dict | list) and body[key] and rng.random() < 0.9:
            body = body[key]
            continue
        break
    old = body[key]
    chance = rng.random()
    if chance < 0.08:
        del body[key]
    elif chance < 0.16:
        body[key] = rng.choice((None, [], {}, True, [[]], {"x": 1}))
    elif isinstance(old, bool):
        body[key] = not old
    elif isinstance(old, int | float) and chance < 0.85:
        body[key] = rng.choice((*NUMBERS, old * rng.choice((-1, 10, 1000, 1e-6, 1.01))))
    elif isinstance(old, list) and old:
        body[key] = old * rng.choice((2, 50, 3000))
    else:
        body[key] = rng.choice((*TEXTS, *NUMBERS)) if rng.random() < 0.3 else rng.choice(TEXTS)


SCHEMA = files("commission.job").joinpath("schema.sql").read_text(encoding="utf-8")


def write(path: Path, rows: list[Row], blobs: dict[str, bytes]) -> None:
    """A job file of these events, its chain whole."""
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.executescript(
            f"PRAGMA synchronous=OFF; PRAGMA journal_mode=MEMORY; BEGIN; PRAGMA application_id={APPLICATION_ID};"
            f"PRAGMA user_version={VERSION}; {SCHEMA}"
        )
        prev, stored = b"", set()
        for seq, (at, kind, body, blob) in enumerate(rows, start=1):
            text = json.dumps(body, separators=(",", ":"), sort_keys=True, ensure_ascii=False)
            if blob is not None and blob not in stored:
                stored.add(blob)
                database.execute("INSERT INTO blob VALUES (?, ?)", (blob, blobs[blob]))
            digest = row_digest(prev, seq, at, kind, text, blob)
            database.execute("INSERT INTO event VALUES (?,?,?,?,?,?,?)", (seq, at, kind, text, blob, prev, digest))
            prev = digest
        database.execute("COMMIT")


class TooLong(BaseException):
    """The time limit of one mutant is exceeded."""


def _over(*signal_and_frame: object) -> None:
    raise TooLong


def read(path: Path, number: int) -> list[str]:
    """Run all headless commands on a job; returns the program's failures. Raises StoreError for a refusal."""
    journal = JobFile.open(path, read_only=True)
    try:
        journal.verify()
        visit = Visit(journal, LateDecoder())
        visit.analyse(threading.Event(), unwatched)
        texts = ["\n".join(visit_lines(visit, budgets=True)), record_json(visit), sheet_csv(visit), checks_csv(visit)]
        texts.append("\n".join(sheet_lines(visit)))
        for step in visit.steps:
            for round_id in visit.job.rounds:
                step.plan(visit.job, round_id)
        if number % EVERY_HTML == 0:
            document = record_document(visit, paper="a4", letterhead=None, created_at="2026-03-15T09:00:00Z")
            render(document, ".html")
        assert not any(char in text for text in (texts[0], texts[4]) for char in "\x1b\x07\u202e"), "raw controls"
        problems = [each.problem for each in visit.analyses if each.problem and "the program failed" in each.problem]
        failures = [each for round_id in visit.job.rounds for each in visit.failures(round_id) if "failed" in each]
        return failures + problems
    finally:
        journal.close()


def run(count: int, seed: int, keep: Path | None = None) -> Tally:
    """Make and read `count` mutants; `keep` is a folder for those that crash or hang."""
    rows, blobs = base()
    tally = Tally()
    signal.signal(signal.SIGALRM, _over)
    signal.signal(signal.SIGPROF, _over)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "mutant.commission"
        for number in range(count):
            rng = random.Random(f"{seed}-{number}")
            mutant, own = copy.deepcopy(rows), dict(blobs)
            if number:  # the first is whole
                mutate(mutant, own, rng)
            try:
                write(path, mutant, own)
            except (sqlite3.Error, OverflowError, UnicodeError):
                continue  # SQLite itself takes no such value
            tally.count += 1
            begin = time.process_time()
            signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
            signal.setitimer(signal.ITIMER_REAL, BLOCKED_S)
            name = f"{seed}-{number}"
            try:
                tally.failures.update(read(path, number))
            except TooLong:
                tally.hangs.append(name)
            except CommissionError:
                tally.refused += 1
            except Exception as error:
                import traceback

                place = traceback.extract_tb(error.__traceback__)[-1]
                tally.crashes.append(
                    f"{name}: {type(error).__name__}: {error} ({place.filename}:{place.lineno})"[:300]
                )
            finally:
                signal.setitimer(signal.ITIMER_PROF, 0)
                signal.setitimer(signal.ITIMER_REAL, 0)
            tally.slowest_s = max(tally.slowest_s, time.process_time() - begin)
            if keep is not None and (tally.crashes or tally.hangs):
                last = (*tally.crashes[-1:], *tally.hangs[-1:])
                if any(each.startswith(name) for each in last):
                    (keep / f"{name}.commission").write_bytes(path.read_bytes())
    return tally


def main() -> None:
    """Print the tally as JSON."""
    count, seed = int(sys.argv[1]), int(sys.argv[2])
    keep = Path(sys.argv[3]) if len(sys.argv) > 3 else None
    tally = run(count, seed, keep)
    memory = peak_bytes()
    print(
        json.dumps(
            {
                "count": tally.count,
                "refused": tally.refused,
                "crashes": tally.crashes,
                "hangs": tally.hangs,
                "failures": dict(tally.failures.most_common(30)),
                "slowest_s": round(tally.slowest_s, 2),
                "memory_bytes": memory,
            }
        )
    )


if __name__ == "__main__":
    main()
