"""Files with a few bytes changed, through everything that reads them: no crash, no hang, no flood of memory.

`python tests/mutated_files.py COUNT SEED [KIND…]` makes COUNT of each kind (fewer of those decoded in a child process) and
prints the outcomes as JSON. It runs in a separate process, whose memory is that of the worst file and which ends when a
library crashes. Recordings go through import, decoding and analysis.
"""

from __future__ import annotations

import io
import json
import random
import resource
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from commission.model import ResponseStored

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE / "audio")]

import numpy as np  # noqa: E402
import soundfile  # noqa: E402
from builders import cinema, levels  # noqa: E402
from hostile_sofa import impulse, sofa_file  # noqa: E402
from memory_journal import MemoryJournal  # noqa: E402
from mutants import BLOCKED_S, LONGEST_S, Tally, TooLong  # noqa: E402
from peak_memory import peak_bytes  # noqa: E402
from PIL import Image  # noqa: E402

from commission.audio.importing import FileImporter  # noqa: E402
from commission.cli.lazy_parts import LateDecoder  # noqa: E402
from commission.cli.local_services import LocalServices  # noqa: E402
from commission.dsp.sweep import sweep_signal  # noqa: E402
from commission.job.photos import shrink  # noqa: E402
from commission.job.toml import load_definition  # noqa: E402
from commission.model import AS_FOUND, CommissionError, ImportOptions, Sweep, read_profile  # noqa: E402
from commission.model.progress import unwatched  # noqa: E402
from commission.record.letterhead import check_logo, load_letterhead  # noqa: E402
from commission.record.verify.comparison import check_record  # noqa: E402
from commission.visit import Visit  # noqa: E402

EVERY_WHOLE = 125
"""One recording in this many also goes through every step of the visit."""
SHARE = {"sofa": 40, "record": 20, "photo": 20, "sweep": 4}
"""One file in this many is of these kinds: each takes a process of its own, or long transforms."""

KINDS = (
    "wav",
    "float wav",
    "flac",
    "sweep",
    "sofa",
    "text",
    "mapping",
    "definition",
    "limits",
    "letterhead",
    "photo",
    "record",
)
RECORDINGS = ("wav", "float wav", "flac", "sweep", "sofa", "text")
"""These go through import, decoding and analysis."""
TEXTS = ("text", "mapping", "definition", "limits", "letterhead")


def mutate(data: bytes, rng: random.Random) -> bytes:
    """Change a few bytes, mostly near the start, where headers are; sometimes truncate, repeat or enlarge parts."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 4, 40))):
        place = rng.randrange(min(len(out), rng.choice((64, 10**9, 10**9))))
        how = rng.random()
        if how < 0.45:
            out[place] = rng.choice((0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)))
        elif how < 0.70:
            out[place] ^= 1 << rng.randrange(8)
        elif how < 0.85:
            size = rng.choice((2, 4, 8))
            number = rng.choice((0, 1, 2**15, 2**16 - 1, 2**31 - 1, 2**31, 2**32 - 1, 2**63 - 1, 2**64 - 1))
            out[place : place + size] = (number % 256**size).to_bytes(size, rng.choice(("little", "big")))
        elif how < 0.92:
            del out[place : place + rng.choice((1, 4, 100))]
        else:
            out[place:place] = out[place : place + rng.choice((1, 4, 100, 4000))]
        if not out:
            return b""
    return bytes(out[: rng.choice((len(out), len(out), len(out), rng.randrange(len(out) + 1)))])


def mutate_text(data: bytes, rng: random.Random) -> bytes:
    """As `mutate`, but often with a word of the text replaced by another one or by an invalid value."""
    if rng.random() < 0.4:
        return mutate(data, rng)
    words = data.decode().split(" ")
    odd = (
        "",
        "1e308",
        "-1",
        "nan",
        "9" * 5000,
        "x" * 30_000,
        '"',
        "[",
        "]]",
        "=",
        "{",
        "\n",
        "\x00",
        "é",
        "−3,5",
        "[[[" * 500,
    )
    for _ in range(rng.choice((1, 2, 5))):
        words[rng.randrange(len(words))] = rng.choice((rng.choice(words), rng.choice(odd)))
    return " ".join(words).encode("utf-8", "replace")


# --- what is mutated, and what reads it ---------------------------------------------------------------------------------


def sound(samples: np.ndarray, kind: str, subtype: str) -> bytes:
    """Samples as bytes of a file."""
    out = io.BytesIO()
    soundfile.write(out, samples, 48000, format=kind, subtype=subtype)
    return out.getvalue()


def _text() -> bytes:
    lines = "\n".join(f"{20 * 2 ** (i / 12):.2f} {70 + i % 7:.2f} {i % 90 - 45:.1f}" for i in range(100))
    return f"* frequency [Hz] level [dB SPL] phase [°]\n{lines}\n".encode()


DEFINITION = b"""schema = 1
title = "Loft"
temperature_c = "70 F"
[room]
length_m = 6.4
width_m = "15' 5"
height_m = 2.6
[processor]
trim_db = { min = -12.0, max = 12.0, step = 0.5 }
delay = { unit = "m", max = 18.0, step = 0.03 }
[[channel]]
id = "FL"
role = "screen"
position_m = [-1.45, 0.10, 1.15]
distance_m = "3.52 m"
[[seat]]
id = "A2"
position_m = [0.0, 3.30, 1.10]
reference = true
[[setting]]
round = "as-found"
channel = "FL"
trim_db = 0.0
[[reading]]
round = "as-found"
step = "levels"
channel = "FL"
seat = "A2"
value_db = 76.5
""".replace(b"15' 5", b"15' 5\\\"")
LIMITS = b"""schema = 1
name = "Studio practice"
version = "2026-02"
[[limit]]
quantity = "levels.match"
low = -0.3
high = 0.3
unit = "dB"
basis = "our own practice, after forty rooms"
"""
LETTERHEAD = b'name = "Example & Daughters"\nlines = ["Harbour Lane 3", "post@example.org"]\n'
MAPPING = b"file,round,channel,seat,kind\nA1_FL.wav, as-found ,FL, A1 ,impulse\nA2_FL.wav, as-found ,FL, A2 , sweep\n"


class Trials:
    """One folder and one job, and how each kind of file is read."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        services = LocalServices(folder / "state")
        self.visit = services.create(folder / "loft", cinema(["FL", "FC"], ["A1", "A2"], sweep=Sweep(duration_s=0.3)))
        self.visit.append(*levels({"FL": 75.0, "FC": 76.0}))
        self.records = {}
        for suffix in (".pdf", ".html", ".json"):
            services.export(self.visit, folder / f"record{suffix}", paper="a4")
            self.records[suffix] = (folder / f"record{suffix}").read_bytes()
        rng = np.random.default_rng(0)
        played = sweep_signal(Sweep(duration_s=0.3))
        recorded = np.convolve(played, impulse(1, 4800))
        recorded += 1e-4 * rng.standard_normal(len(recorded))
        picture = io.BytesIO()
        pixels = Image.fromarray(rng.integers(0, 256, (60, 80, 3), dtype=np.uint8))
        pixels.save(picture, "JPEG")
        drawing = io.BytesIO()
        pixels.save(drawing, "PNG")
        self.base: dict[str, tuple[bytes, ...]] = {
            "wav": (sound(impulse(), "WAV", "PCM_24"), sound(impulse(), "WAV", "PCM_16")),
            "float wav": (sound(impulse(), "WAV", "FLOAT"), sound(impulse(), "WAV", "DOUBLE")),
            "flac": (sound(impulse(), "FLAC", "PCM_24"),),
            "sweep": (sound(0.3 * recorded / np.max(np.abs(recorded)), "WAV", "PCM_24"),),
            "sofa": (sofa_file(),),
            "text": (_text(),),
            "mapping": (MAPPING,),
            "definition": (DEFINITION,),
            "limits": (LIMITS,),
            "letterhead": (LETTERHEAD,),
            "photo": (picture.getvalue(), drawing.getvalue()),
            "record": tuple(self.records.values()),
        }
        (folder / "A1_FL.wav").write_bytes(self.base["wav"][0])

    def read(self, kind: str, data: bytes, number: int) -> None:
        """Read a file as the program does. Raises CommissionError for a refusal."""
        if kind in RECORDINGS:
            self._recording(kind, data, number)
        elif kind == "mapping":
            path = self._written("m.csv", data)
            FileImporter().survey(
                (), self.visit.job, ImportOptions(round=AS_FOUND), path, threading.Event(), unwatched
            )
        elif kind == "definition":
            _ = load_definition(self._written("job.toml", data)).bodies
        elif kind == "limits":
            read_profile(data.decode("utf-8", "replace"), "limits.toml")
        elif kind == "letterhead":
            load_letterhead(self._written("letterhead.toml", data))
        elif kind == "photo":
            shrink(data, "x.jpg")
            check_logo(data, "logo")
        elif kind == "record":
            check_record(self._written("record", data), self.visit)

    def _written(self, name: str, data: bytes) -> Path:
        path = self.folder / name
        path.write_bytes(data)
        return path

    def _recording(self, kind: str, data: bytes, number: int) -> None:
        """Import, decoding and analysis; for one recording in `EVERY_WHOLE` every step of a job."""
        endings = {"flac": "flac", "text": "txt", "sofa": "sofa"}
        name = "A1_FL sweep" if kind == "sweep" else "A1_FL"
        path = self._written(f"{name}.{endings.get(kind, 'wav')}", data)
        importer, options = FileImporter(), ImportOptions(round=AS_FOUND)
        rows = importer.survey((path,), self.visit.job, options, None, threading.Event(), unwatched)
        ready = [row for row in rows if row.ready]
        if not ready:
            raise CommissionError(rows[0].problem or "")
        for row in ready[:2]:
            (*_, body), blobs = importer.read(row, self.visit.job, options)
        assert isinstance(body, ResponseStored)
        log = (event.body for event in self.visit.job.log)
        analysed = Visit(MemoryJournal(*log, body, blobs=blobs, read_only=True), LateDecoder())
        found = analysed.analyse(threading.Event(), unwatched)
        failed = [each.problem for each in found if "the program failed" in (each.problem or "")]
        if failed:
            raise AssertionError(failed[0])
        if number % EVERY_WHOLE == 0:
            failures = [text for text in analysed.failures(AS_FOUND) if "failed" in text]
            if failures:
                raise AssertionError(failures[0])


@contextmanager
def limited() -> Iterator[None]:
    """Within: `TooLong` after `LONGEST_S` of processor time."""
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    signal.setitimer(signal.ITIMER_REAL, BLOCKED_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)


def run(count: int, seed: int, kinds: tuple[str, ...] = KINDS, keep: Path | None = None) -> dict[str, Tally]:
    """Mutate and read `count` files of each kind; `keep` is a folder for those that crash or hang."""
    tallies = {kind: Tally() for kind in kinds}

    def over(*_: object) -> None:
        raise TooLong

    signal.signal(signal.SIGALRM, over)
    signal.signal(signal.SIGPROF, over)
    with tempfile.TemporaryDirectory() as name:
        trials = Trials(Path(name))
        for kind, tally in tallies.items():
            for number in range(max(1, count // SHARE.get(kind, 1))):
                rng = random.Random(f"{kind}-{seed}-{number}")
                base = trials.base[kind][number % len(trials.base[kind])]
                change = mutate_text if kind in TEXTS else mutate
                original = number < len(trials.base[kind])
                data = base if original else change(base, rng)
                tally.count += 1
                fault = _fault(trials, kind, data, number, tally, original)
                if fault and keep is not None:
                    (keep / f"{kind}-{seed}-{number}".replace(" ", "_")).write_bytes(data)
        trials.visit.close()
    return tallies


def _fault(trials: Trials, kind: str, data: bytes, number: int, tally: Tally, original: bool) -> bool:
    """Read a file and count the outcome; whether it crashed or hung, or is an `original` that was refused."""
    begin, fault = time.process_time(), False
    try:
        with limited():
            trials.read(kind, data, number)
    except TooLong:
        fault = True
        tally.hangs.append(f"{kind} {number}")
    except CommissionError as error:
        tally.refused += 1
        if original or "\n" in str(error) or len(str(error)) > 1500:
            fault, reason = True, "an original is refused" if original else "no single sentence"
            tally.crashes.append(f"{kind} {number}: {reason}: {str(error)[:300]}")
    except Exception as error:
        import traceback

        fault, place = True, traceback.extract_tb(error.__traceback__)[-1]
        tally.crashes.append(
            f"{kind} {number}: {type(error).__name__}: {error} ({place.filename}:{place.lineno})"[:300]
        )
    tally.slowest_s = max(tally.slowest_s, time.process_time() - begin)
    return fault


def main() -> None:
    """Print the tallies as JSON."""
    count, seed = int(sys.argv[1]), int(sys.argv[2])
    longest_s = (
        int(BLOCKED_S) + 2 * count
    )  # the limit for all files; a library that never returns is stopped only by this signal
    resource.setrlimit(resource.RLIMIT_CPU, (longest_s, longest_s))
    kinds = tuple(word for word in sys.argv[3:] if word in KINDS) or KINDS
    keep = next((Path(word) for word in sys.argv[3:] if Path(word).is_dir()), None)
    tallies = run(count, seed, kinds, keep)
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024
    found = {kind: vars(tally) for kind, tally in tallies.items()}
    print(json.dumps({"kinds": found, "memory_bytes": max(peak_bytes(), children)}))


if __name__ == "__main__":
    main()
