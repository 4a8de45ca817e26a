"""Files made to fill the memory or to take for ever, and the cost of commands that read them."""

from __future__ import annotations

import io
import json
import os
import struct
import tempfile
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from pathlib import Path

import programs
from process_tree import work_of

LONGEST_S = 10.0
"""Of the processor; or of the clock on the wall, while nothing is computed and nothing waits for the processor."""
LOOK_S = 0.1
LARGEST_BYTES = 1_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """Result and cost of a command, its child processes included (for memory, the largest of them)."""

    code: int | None
    """None: it hung and was killed."""
    out: str
    err: str
    cpu_s: float
    memory_bytes: int

    @property
    def fault(self) -> str | None:
        """The reason why this is a crash, a hang or a flood of memory; None otherwise."""
        if self.code is None:
            return "hang: killed"
        if self.code not in (0, 1, 2) or "Traceback" in self.err or "went wrong inside" in self.err:
            return f"crash: exit {self.code}, {self.err.strip()[-200:]}"
        if self.cpu_s > LONGEST_S:
            return f"hang: {self.cpu_s:.1f} s"
        if self.memory_bytes > LARGEST_BYTES:
            return f"flood: {self.memory_bytes / 1e6:.0f} MB"
        return None


def cost_of(words: list[str], folder: Path) -> Cost:
    """Run `commission` with these arguments in a folder; its `home` is the program's home folder."""
    places = {"XDG_STATE_HOME": "home/state", "XDG_CONFIG_HOME": "home/config", "HOME": "home"}
    env = os.environ | {key: str(folder / value) for key, value in places.items()} | {"OPENBLAS_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory() as name:
        out, err, usage = (Path(name, each) for each in ("out", "err", "usage"))
        process = programs.start(words, folder, env, (os.devnull, str(out), str(err)), str(usage))
        code = exit_code(process)
        printed = [
            each.read_bytes()[:1_000_000].decode("utf-8", "replace") if each.exists() else "" for each in (out, err)
        ]
        cpu_s, memory_bytes = json.loads(usage.read_text()) if usage.exists() else (0.0, 0)  # a crash writes no usage
    return Cost(code=code, out=printed[0], err=printed[1], cpu_s=cpu_s, memory_bytes=memory_bytes)


def exit_code(process: BaseProcess) -> int | None:
    """Exit code of a process once it has ended; None if it hangs, and then it is killed.

    It hangs when it and its children have computed for `LONGEST_S`, or when for as long none of them had anything to
    compute: a busy machine delays a process, which waits for the processor then.
    """
    before_s, since_s = -1.0, time.monotonic()
    while process.exitcode is None and before_s < LONGEST_S and time.monotonic() - since_s < LONGEST_S:
        process.join(LOOK_S)
        cpu_s, at_work = work_of(process.pid or 0)
        if at_work or cpu_s != before_s:
            before_s, since_s = cpu_s, time.monotonic()
    code = process.exitcode
    process.kill()
    process.join()
    return code


# --- files ------------------------------------------------------------------------------------------------------------


def flac_of_silence() -> bytes:
    """Some hundred kB of FLAC that hold 56 million samples, nearly all of them zero."""
    import numpy as np
    import soundfile

    out = io.BytesIO()
    block = np.zeros((100_000, 8), np.int16)
    with soundfile.SoundFile(out, "w", 48000, 8, "PCM_16", format="FLAC") as file:
        for index in range(70):
            block[index] = index
            file.write(block)
    return out.getvalue() + bytes(300_000)  # past the check of frames against the size of the file


def png_of_many_pixels(width: int = 10_900, height: int = 10_900) -> bytes:
    """118 kB of PNG with a palette: 119 million pixels of one colour, 0.5 GB with a byte for each colour and alpha."""
    row = bytes(1 + width)
    packer = zlib.compressobj(9)
    pixels = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    chunks = (
        (b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0)),
        (b"PLTE", bytes((200, 30, 30, 0, 0, 0))),
        (b"tRNS", b"\x80"),
        (b"IDAT", pixels),
        (b"IEND", b""),
    )
    body = b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in chunks
    )
    return b"\x89PNG\r\n\x1a\n" + body


def jpeg_of_many_scans(side: int = 3900, size: int = 1_900_000) -> bytes:
    """A progressive JPEG that draws every pixel again in each of thousands of scans."""
    from PIL import Image

    out = io.BytesIO()
    Image.new("L", (side, side), 90).save(out, "JPEG", progressive=True, quality=50)
    data = out.getvalue()
    start = data.index(b"\xff\xda", data.index(b"\xff\xda") + 2)  # the second scan, with its tables before it
    start = data.rindex(b"\xff\xc4", 0, start)
    next_scan = data.index(b"\xff\xda", data.index(b"\xff\xda", start) + 2)
    end = data.rindex(b"\xff\xc4", 0, next_scan) if b"\xff\xc4" in data[start + 4 : next_scan] else next_scan
    scan = data[start:end]
    return data[:start] + scan * ((size - len(data)) // len(scan)) + data[start:]


def pdf_of_filters(filters: tuple[str, ...], stream: bytes) -> bytes:
    """A PDF with one page and an attached results.json under these filters."""
    names = " ".join(f"/{each}" for each in filters)
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /Names << /EmbeddedFiles << /Names [(results.json) 4 0 R] >> >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 100 100] /Contents 5 0 R >>",
        b"<< /Type /Filespec /F (results.json) /UF (results.json) /EF << /F 5 0 R >> >>",
        f"<< /Type /EmbeddedFile /Length {len(stream)} /Filter [{names}] >>\nstream\n".encode()
        + stream
        + b"\nendstream",
    ]
    out, places = bytearray(b"%PDF-1.7\n"), []
    for number, each in enumerate(objects, start=1):
        places.append(len(out))
        out += f"{number} 0 obj\n".encode() + each + b"\nendobj\n"
    table = len(out)
    out += f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n".encode()
    out += b"".join(f"{place:010d} 00000 n \n".encode() for place in places)
    return bytes(out) + f"trailer << /Size {len(objects) + 1} /Root 1 0 R >>\nstartxref\n{table}\n%%EOF\n".encode()


def flat(data: bytes, times: int = 1) -> bytes:
    """Packed by zlib, several times over."""
    for _ in range(times):
        data = zlib.compress(data, 9)
    return data


PDFS: dict[str, Callable[[], bytes]] = {
    "ascii85": lambda: pdf_of_filters(
        ("FlateDecode", "FlateDecode", "ASCII85Decode"), flat(b"z" * 60_000_000 + b"~>", 2)
    ),
    "hex": lambda: pdf_of_filters(("FlateDecode", "ASCIIHexDecode"), flat(b"20" * 50_000_000 + b">")),
    "run length": lambda: pdf_of_filters(("FlateDecode", "RunLengthDecode"), flat(b"\x81 " * 20_000_000 + b"\x80")),
    "lzw": lambda: pdf_of_filters(("FlateDecode", "LZWDecode"), flat(b"\x80\x0b\x60\x50" * 5_000_000)),
    "flate": lambda: pdf_of_filters(("FlateDecode", "FlateDecode", "FlateDecode"), flat(bytes(300_000_000), 3)),
}
"""Makers of PDFs whose filters blow up what they hold."""


# --- special files --------------------------------------------------------------------------------------------------


def make_pipe(path: Path) -> None:
    """A pipe into which nobody ever writes."""
    os.mkfifo(path)


def make_sparse(path: Path) -> None:
    """4 GB that take no room on the disk."""
    with path.open("wb") as file:
        file.truncate(4_000_000_000)


def make_endless(path: Path) -> None:
    """A device that never ends."""
    path.symlink_to("/dev/zero")


def make_folder(path: Path) -> None:
    """A folder."""
    path.mkdir()


def make_loop(path: Path) -> None:
    """A link to itself."""
    path.symlink_to(path.name)


def make_nothing(path: Path) -> None:
    """No file."""


def make_bytes(data: bytes) -> Callable[[Path], None]:
    """A file of these bytes."""
    return lambda path: (path.write_bytes(data), None)[1]


ODD: dict[str, Callable[[Path], None]] = {
    "pipe": make_pipe,
    "sparse": make_sparse,
    "device": make_endless,
    "folder": make_folder,
    "loop": make_loop,
    "missing": make_nothing,
    "empty": make_bytes(b""),
    "zeros": make_bytes(bytes(100_000)),
    "one line": make_bytes(b"a" * 3_000_000),
    "brackets": make_bytes(b"a = " + b"[" * 90_000),
    "many digits": make_bytes(b"a = " + b"9" * 90_000),
    "no text": make_bytes(b"\xff\xfe\x00\xd8a = 1"),
    "json": make_bytes(b'{"schema": "commission-record/1"}'),
    "many lists": lambda path: make_bytes(b'{"schema":"commission-record/1","a":[' + b"[]," * 4_900_000 + b"0]}")(
        path
    ),
    "picture": make_bytes(png_of_many_pixels(300, 300)),
    "sound": make_bytes(
        b"RIFF\xff\xff\xff\xffWAVEfmt \x10\0\0\0\1\0\1\0\x80\xbb\0\0\0w\1\0\2\0\x10\0data\xff\xff\xff\xff"
    ),
    "hdf5": make_bytes(b"\x89HDF\r\n\x1a\n" + bytes(2000)),
    "pdf": make_bytes(pdf_of_filters(("FlateDecode",), flat(b"{}"))),
    "html": make_bytes(b"<!doctype html><html>" + b"<a" * 200_000),
    "database": make_bytes(b"SQLite format 3\0" + bytes(4080)),
}
"""Makers of what may be under a name, where a file of another kind is wanted."""

ARGUMENTS: dict[str, list[str]] = {
    "open": ["FILE"],
    "results": ["results", "FILE"],
    "sheet": ["sheet", "FILE"],
    "verify": ["verify", "FILE"],
    "limits": ["limits", "FILE"],
    "record of": ["record", "FILE", "-o", "out.json"],
    "signals of": ["signals", "FILE", "-o", "signals"],
    "new from": ["new", "made", "--from", "FILE"],
    "return to": ["new", "made", "--return-to", "FILE"],
    "import into": ["import", "FILE", "A1_FL.wav", "--round", "as-found"],
    "import": ["import", "loft.commission", "FILE", "--round", "as-found"],
    "mapping": ["import", "loft.commission", "--map", "FILE", "--round", "as-found"],
    "stimulus": ["import", "loft.commission", "A1_FL.wav", "--stimulus", "FILE", "--round", "as-found"],
    "photo": ["photo", "loft.commission", "FILE", "--step", "site"],
    "limits from": ["limits", "loft.commission", "--use", "FILE"],
    "letterhead": ["record", "loft.commission", "-o", "out.html", "--letterhead", "FILE"],
    "logo": ["record", "loft.commission", "-o", "out.html", "--letterhead", "letterhead.toml"],
    "own letterhead": ["record", "loft.commission", "-o", "out.html"],
    "record": ["verify", "loft.commission", "--record", "FILE"],
    "record to": ["record", "loft.commission", "-o", "FILE"],
    "record into": ["record", "loft.commission", "-o", "FILE/out.html"],
    "sheet to": ["sheet", "loft.commission", "-o", "FILE"],
    "signals to": ["signals", "loft.commission", "-o", "FILE"],
    "recent": ["results", "loft.commission"],
}
"""Every way in which a file enters by the command line; FILE is the odd one."""
PLACES = {
    "logo": "logo.png",
    "own letterhead": "home/config/commission/letterhead.toml",
    "recent": "home/state/commission/recent.json",
}
"""Where the odd file is when no word names it."""
ENDINGS = {
    "import": ".wav",
    "mapping": ".csv",
    "stimulus": ".flac",
    "photo": ".jpg",
    "record": ".pdf",
    "record to": ".html",
    "sheet to": ".csv",
}


def make_home(folder: Path) -> None:
    """A folder with a small job, a recording and a letterhead."""
    from builders import cinema, levels
    from mutants import recording

    from commission.cli.local_services import LocalServices

    visit = LocalServices(folder / "home/state/commission").create(
        folder / "loft", cinema(["FL", "FC"], ["A1", "A2"])
    )
    visit.append(*levels({"FL": 75.0, "FC": 76.0}))
    visit.close()
    (folder / "A1_FL.wav").write_bytes(recording(1))
    (folder / "letterhead.toml").write_text('name = "Loft"\nlogo = "logo.png"\n', encoding="utf-8")


def try_odd(folder: Path, argument: str, odd: str) -> Cost:
    """Run the command with the odd file as this argument, and remove the file."""
    place = folder / PLACES.get(argument, f"odd{ENDINGS.get(argument, '')}")
    place.parent.mkdir(parents=True, exist_ok=True)
    if place.exists():  # files in the program's own folders
        place.unlink()
    ODD[odd](place)
    try:
        return cost_of([word.replace("FILE", place.name) for word in ARGUMENTS[argument]], folder)
    finally:
        if place.is_symlink() or place.is_file() or place.is_fifo():
            place.unlink()
        elif place.is_dir():
            import shutil

            shutil.rmtree(place)
        for name in ("made.commission", "out.json", "out.html"):
            (folder / name).unlink(missing_ok=True)
